//! Reports onto disk, whole or not at all.

use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::draft::Draft;
use crate::error::{Error, Result};

/// How the folder of a draft begins.
pub(crate) const DRAFT: &str = ".report-";

/// Longest folder name made from an id, characters.
const LONGEST: usize = 100;

/// The file of a report's folder that shows the slide in small.
pub const THUMBNAIL: &str = "thumbnail.jpg";

/// Writes `report.json`, `report.html` and, where there is one, the thumbnail into `<out>/<id>/` and gives that folder back.
///
/// All are first written beside their place and then moved there: a failure leaves an older report as it was, and
/// never half of a new one.
///
/// # Errors
/// When the folder cannot be made or written to.
pub fn write_report(out: &Path, id: &str, json: &str, html: &str, thumbnail: Option<&[u8]>) -> Result<PathBuf> {
    put(out, id, json, html, thumbnail, || Ok(())).map(|(dir, ())| dir)
}

/// The same; `make_room` is done when all is written and only to be moved, and its result given back.
pub(super) fn put<R>(
    out: &Path,
    id: &str,
    json: &str,
    html: &str,
    thumbnail: Option<&[u8]>,
    make_room: impl FnOnce() -> Result<R>,
) -> Result<(PathBuf, R)> {
    let dir = out.join(folder_name(id));
    let failed = |what: &str, e: std::io::Error| {
        Error::new(
            &dir,
            format!("the report cannot be {what}"),
            "check that the folder given with --out can be written to",
        )
        .caused_by(e)
    };
    fs::create_dir_all(out).map_err(|e| failed("put there", e))?;
    let draft = Draft::begin(out, DRAFT).map_err(|e| failed("written", e))?;
    let files = [
        (THUMBNAIL, thumbnail),
        ("report.html", Some(html.as_bytes())),
        // Last into its place: what reads reports looks for it.
        ("report.json", Some(json.as_bytes())),
    ];
    for (name, bytes) in files.iter().filter_map(|(name, bytes)| bytes.map(|b| (name, b))) {
        fs::write(draft.path().join(name), bytes).map_err(|e| failed("written", e))?;
    }
    // A link would lead out of the folder, and half a report would be moved where the other half cannot.
    let link = |at: &Path| fs::symlink_metadata(at).is_ok_and(|found| found.is_symlink());
    if link(&dir) {
        return Err(Error::new(&dir, "is a link, and reports are only written to real folders", "remove the link"));
    }
    fs::create_dir_all(&dir).map_err(|e| failed("put there", e))?;
    for (name, _) in &files {
        if dir.join(name).is_dir() {
            return Err(Error::new(dir.join(name), "is a folder where a report belongs", "remove it"));
        }
    }
    let room = make_room()?;
    for (name, _) in files.iter().filter(|(_, bytes)| bytes.is_some()) {
        fs::rename(draft.path().join(name), dir.join(name)).map_err(|e| failed("moved into place", e))?;
    }
    Ok((dir, room))
}

/// Whether reports can go into `out`, as far as that is known before anything is written.
///
/// # Errors
/// When `out` is there and is no folder.
pub fn writable_folder(out: &Path) -> Result<()> {
    if out.exists() && !out.is_dir() {
        return Err(Error::new(
            out,
            "is not a folder, and the reports belong into one",
            "give another place with --out",
        ));
    }
    Ok(())
}

/// The slide's folder as seen from the folder that its report is going to be in, `<out>/<id>/`, with `/` between names.
///
/// Where the two share no root it is the slide's absolute path.
///
/// # Errors
/// When `out` cannot be made, a file stands where the report's folder belongs, or the slide's folder is gone.
pub fn seen_from(out: &Path, id: &str, slide: &Path) -> Result<String> {
    let failed = |at: &Path, e: std::io::Error| {
        Error::new(at, "cannot be opened", "check that the folder is there and may be read").caused_by(e)
    };
    writable_folder(out)?;
    fs::create_dir_all(out).map_err(|e| {
        Error::new(out, "cannot be made", "check that the folder given with --out can be written to").caused_by(e)
    })?;
    let from = out.canonicalize().map_err(|e| failed(out, e))?.join(folder_name(id));
    let to = slide.canonicalize().map_err(|e| failed(slide, e))?;
    if from.exists() && !from.is_dir() {
        let advice = "move it away, or give another place for reports with --out";
        return Err(Error::new(from, "is a file where the folder of this slide's report belongs", advice));
    }
    if from == to {
        nobody_elses(&from)?;
    }
    Ok(way(&from, &to))
}

/// Refuses a slide's own folder for its report where a file of the report's names lies that came with no report: it may be a photograph.
fn nobody_elses(dir: &Path) -> Result<()> {
    let report = fs::read(dir.join("report.json")).ok();
    let told = report.and_then(|json| serde_json::from_slice::<serde_json::Value>(&json).ok());
    if told.is_some_and(|json| json["tool"]["name"] == "thinproof") {
        return Ok(());
    }
    let names = [THUMBNAIL, "report.html", "report.json"].map(|name| dir.join(name));
    match names.into_iter().find(|path| fs::symlink_metadata(path).is_ok()) {
        Some(path) => Err(Error::new(
            path,
            "lies where the report would, in the slide's own folder, and is of no report",
            "give another place for reports with --out",
        )),
        None => Ok(()),
    }
}

/// The way from one absolute folder to another with `/` between names; the other itself where they share no root.
pub(crate) fn way(from: &Path, to: &Path) -> String {
    let shared = from.components().zip(to.components()).take_while(|(a, b)| a == b).count();
    if shared == 0 {
        return to.to_string_lossy().replace('\\', "/");
    }
    let up = std::iter::repeat_n("..".to_owned(), from.components().count() - shared);
    let down = to.components().skip(shared).map(|c| c.as_os_str().to_string_lossy().into_owned());
    let way: Vec<String> = up.chain(down).collect();
    if way.is_empty() { ".".into() } else { way.join("/") }
}

/// A folder name that stays inside its parent on every file system: letters, digits, `-`, `_`, `.` and spaces are kept.
/// A name that had to be changed ends in eight digits of its checksum, so that two ids never share a folder.
#[must_use]
pub fn folder_name(id: &str) -> String {
    let kept: String = id
        .chars()
        .map(|c| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ') { c } else { '_' })
        .take(LONGEST)
        .collect();
    let kept = kept.trim_matches(|c: char| c == '.' || c == ' ');
    let device = kept.split('.').next().unwrap_or("").to_ascii_uppercase();
    let reserved = matches!(device.as_str(), "CON" | "PRN" | "AUX" | "NUL")
        || (device.len() == 4 && (device.starts_with("COM") || device.starts_with("LPT")));
    if kept == id && !kept.is_empty() && !reserved {
        return kept.into();
    }
    let digest = Sha256::digest(id.as_bytes());
    let mark: String = digest.iter().take(4).map(|b| format!("{b:02x}")).collect();
    format!("{}-{mark}", if kept.is_empty() || reserved { "slide" } else { kept })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_never_leave_the_folder() {
        for id in [
            "../../etc",
            "/root",
            "..",
            ".",
            "",
            "a/b",
            "a\\b",
            "C:\\x",
            "con",
            "lpt1.txt",
            "x\0y",
            "\u{1b}[31m",
            " . ",
            ".hidden",
        ] {
            let name = folder_name(id);
            let path = Path::new(&name);
            assert_eq!(path.components().count(), 1, "{id:?} gave {name:?}");
            assert!(!name.starts_with('.') && !name.contains(['/', '\\', ':']) && !name.chars().any(char::is_control));
        }
        assert_eq!(folder_name("LM-0142"), "LM-0142");
        assert_eq!(folder_name("Larkmoor 7.b"), "Larkmoor 7.b");
        assert_ne!(folder_name("a/b"), folder_name("a\\b"));
        assert!(folder_name(&"x".repeat(5000)).len() < 120);
    }

    #[test]
    fn the_way_from_the_report_leads_to_the_slide() {
        let base = tempfile::tempdir().unwrap();
        let slide = base.path().join("slides/LM-1");
        fs::create_dir_all(&slide).unwrap();
        let way = |out: &str| seen_from(&base.path().join(out), "LM-1", &slide).unwrap();
        assert_eq!(way("reports"), "../../slides/LM-1");
        assert_eq!(way("slides"), ".", "the report may lie among the photographs");
        assert_eq!(way("slides/LM-1/out"), "../..");
        for name in [THUMBNAIL, "report.html", "report.json"] {
            fs::write(slide.join(name), "mine").unwrap();
            let said = seen_from(&base.path().join("slides"), "LM-1", &slide).unwrap_err().to_string();
            assert!(said.contains(name) && said.contains("is of no report"), "{said}");
            assert_eq!(way("reports"), "../../slides/LM-1");
            fs::remove_file(slide.join(name)).unwrap();
        }
        write_report(&base.path().join("slides"), "LM-1", r#"{"tool": {"name": "thinproof"}}"#, "", Some(b"")).unwrap();
        assert_eq!(way("slides"), ".", "its own report may be written anew");
        let far = tempfile::tempdir().unwrap();
        let way = seen_from(far.path(), "LM-1", &slide).unwrap();
        fs::create_dir(far.path().join("LM-1")).unwrap();
        assert_eq!(far.path().join("LM-1").join(way).canonicalize().unwrap(), slide.canonicalize().unwrap());
    }

    #[test]
    fn a_failure_leaves_the_older_report_alone() {
        let out = tempfile::tempdir().unwrap();
        let dir = write_report(out.path(), "A", "{\"n\": 1}", "<p>one", None).unwrap();
        assert_eq!(fs::read_to_string(dir.join("report.json")).unwrap(), "{\"n\": 1}");
        write_report(out.path(), "A", "{\"n\": 2}", "<p>two", Some(b"small")).unwrap();
        assert_eq!(fs::read_to_string(dir.join("report.html")).unwrap(), "<p>two");
        assert_eq!(fs::read_dir(out.path()).unwrap().count(), 1, "no draft is left behind");
        // A file where the slide's folder should be: refused, and still there.
        fs::write(out.path().join("B"), "mine").unwrap();
        let message = write_report(out.path(), "B", "{}", "", None).unwrap_err().to_string();
        assert!(message.contains("the report cannot be put there"), "{message}");
        let message = seen_from(out.path(), "B", out.path()).unwrap_err().to_string();
        assert!(message.contains("is a file where the folder"), "{message}");
        assert_eq!(fs::read_to_string(out.path().join("B")).unwrap(), "mine");
        assert_eq!(fs::read_dir(out.path()).unwrap().count(), 2);
    }
}
