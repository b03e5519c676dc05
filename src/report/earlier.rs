//! The report of another slide that lies where one belongs: two slides of one id, checked into one folder.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::error::{Error, Result};
use crate::report::record::Report;
use crate::report::write::{THUMBNAIL, folder_name, put};
use crate::slide::photograph::Role;

/// What tells of which slide an older report is; one of another version may hold more.
#[derive(Debug, Deserialize)]
struct Older {
    read_from: OlderPlace,
    photographs: Vec<OlderPhotograph>,
    made_at: String,
}

#[derive(Debug, Deserialize)]
struct OlderPlace {
    folder: String,
}

#[derive(Debug, Deserialize)]
struct OlderPhotograph {
    role: Role,
    sha256: String,
}

/// As [`write_report`](crate::report::write_report); a report of another slide that lies there is moved into a folder beside it,
/// which is given back, when everything else is ready.
///
/// # Errors
/// As there, and when the older report lies in the other slide's own folder, or cannot be moved.
pub fn write_keeping(
    out: &Path,
    report: &Report,
    json: &str,
    html: &str,
    thumbnail: Option<&[u8]>,
) -> Result<(PathBuf, Option<PathBuf>)> {
    put(out, &report.slide.id, json, html, thumbnail, || keep_other(out, report))
}

/// Moves a report that lies in `<out>/<id>/` and is of another slide into a folder beside it, and gives that folder back.
///
/// It is of another when the folder that it was read from is another and still there, and none of its photographs is among those
/// of `report`: a slide that was moved or copied is the same.
///
/// # Errors
/// When it lies in the other slide's own folder, or cannot be moved.
fn keep_other(out: &Path, report: &Report) -> Result<Option<PathBuf>> {
    let dir = out.join(folder_name(&report.slide.id));
    let older = fs::read(dir.join("report.json")).ok().and_then(|json| serde_json::from_slice::<Older>(&json).ok());
    let Some(older) = older else { return Ok(None) };
    let of = |folder: &str| dir.join(folder).canonicalize().ok().filter(|folder| folder.is_dir());
    let Some(other) = of(&older.read_from.folder) else { return Ok(None) };
    // One photograph of bare glass may serve many slides.
    let shared =
        |p: &OlderPhotograph| p.role != Role::Blank && report.photographs.iter().any(|own| own.sha256 == p.sha256);
    if of(&report.read_from.folder).as_ref() == Some(&other) || older.photographs.iter().any(shared) {
        return Ok(None);
    }
    if dir.canonicalize().is_ok_and(|dir| dir == other) {
        return Err(Error::new(
            &dir,
            format!("is the folder of another slide with the id {}, and holds its report", report.slide.id),
            "give another place for reports with --out, or the slide an id of its own",
        ));
    }
    let failed = |e: std::io::Error| {
        Error::new(
            &dir,
            "the report of another slide that lies there cannot be moved aside",
            "check that the folder given with --out can be written to, or give the slide an id of its own",
        )
        .caused_by(e)
    };
    let aside = free_place(out, &folder_name(&format!("{} of {}", report.slide.id, plain_time(&older.made_at))));
    fs::create_dir(&aside).map_err(failed)?;
    // The report last: what reads reports looks for it.
    for name in [THUMBNAIL, "report.html", "report.json"] {
        if dir.join(name).is_file() {
            fs::rename(dir.join(name), aside.join(name)).map_err(failed)?;
        }
    }
    Ok(Some(aside))
}

/// A time without what some file systems keep from names.
fn plain_time(made_at: &str) -> String {
    made_at.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').take(20).collect()
}

fn free_place(out: &Path, name: &str) -> PathBuf {
    let numbered = (2..).map(|n| out.join(format!("{name} {n}")));
    std::iter::once(out.join(name)).chain(numbered).find(|place| !place.exists()).unwrap_or_else(|| out.join(name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::cases::report_of;
    use crate::report::{to_json, write_report};
    use crate::slide::photograph::PhotographRecord;

    /// A report of LM-0142 read from the folder `slide`, with photographs of these checksums.
    fn report(slide: &str, sha256: &str) -> Report {
        let mut report = report_of("pass");
        report.read_from.folder = format!("../../{slide}");
        for photograph in &mut report.photographs {
            photograph.sha256 = sha256.into();
        }
        report
    }

    #[test]
    fn the_report_of_another_slide_is_kept_and_that_of_the_same_is_replaced() {
        let base = tempfile::tempdir().unwrap();
        let out = base.path().join("reports");
        for slide in ["a", "b", "copy"] {
            fs::create_dir(base.path().join(slide)).unwrap();
        }
        let write = |report: &Report| write_keeping(&out, report, &to_json(report), "<p>", Some(b"small")).unwrap().1;
        assert_eq!(write(&report("a", "01")), None);
        assert_eq!(write(&report("a", "02")), None, "photographed again");
        assert_eq!(write(&report("copy", "02")), None, "the same photographs");
        fs::remove_dir(base.path().join("copy")).unwrap();
        assert_eq!(write(&report("b", "04")), None, "the folder of the older one is gone");
        let older = fs::read_to_string(out.join("LM-0142/report.json")).unwrap();
        let kept = write(&report("a", "05")).unwrap();
        assert!(kept.file_name().unwrap().to_string_lossy().starts_with("LM-0142 of 20"), "{}", kept.display());
        assert_eq!(fs::read_to_string(kept.join("report.json")).unwrap(), older);
        assert!(kept.join("report.html").is_file() && kept.join(THUMBNAIL).is_file());
        assert!(kept.join("../../b").is_dir(), "the way to its slide still leads there");
        let second = write(&report("b", "06")).unwrap();
        assert_ne!(second, kept, "of the same time");
        assert_eq!(fs::read_dir(&out).unwrap().count(), 3);
    }

    #[test]
    fn nothing_is_moved_out_of_another_slides_own_folder() {
        let base = tempfile::tempdir().unwrap();
        let slide = base.path().join("LM-0142");
        fs::create_dir_all(base.path().join("b")).unwrap();
        let mut own = report("x", "01");
        own.read_from.folder = ".".into();
        write_report(base.path(), "LM-0142", &to_json(&own), "<p>", None).unwrap();
        let mut other = report("b", "02");
        other.read_from.folder = "../b".into();
        let said = write_keeping(base.path(), &other, "{}", "<p>", None).unwrap_err().to_string();
        assert!(said.contains("is the folder of another slide with the id LM-0142"), "{said}");
        assert!(slide.join("report.json").is_file());
    }
    #[test]
    fn a_blank_in_common_is_no_slide_in_common_and_what_cannot_be_written_moves_nothing() {
        let base = tempfile::tempdir().unwrap();
        let out = base.path().join("reports");
        for slide in ["a", "b"] {
            fs::create_dir(base.path().join(slide)).unwrap();
        }
        let with_blank = |slide: &str, sha256: &str| {
            let mut report = report(slide, sha256);
            let blank = PhotographRecord { role: Role::Blank, sha256: "b".into(), ..report.photographs[0].clone() };
            report.photographs.push(blank);
            report
        };
        let write = |report: &Report| write_keeping(&out, report, &to_json(report), "<p>", None).map(|(_, kept)| kept);
        assert_eq!(write(&with_blank("a", "01")).unwrap(), None);
        fs::create_dir(out.join("LM-0142").join(THUMBNAIL)).unwrap();
        let older = fs::read_to_string(out.join("LM-0142/report.json")).unwrap();
        assert!(write(&with_blank("b", "02")).unwrap_err().to_string().contains("is a folder where a report belongs"));
        assert_eq!(fs::read_to_string(out.join("LM-0142/report.json")).unwrap(), older, "left where it was");
        fs::remove_dir(out.join("LM-0142").join(THUMBNAIL)).unwrap();
        assert!(write(&with_blank("b", "02")).unwrap().is_some());
    }
}
