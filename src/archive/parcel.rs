//! What goes into a bag: the report, and the files that it was made from, found and named safely.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Component, Path, PathBuf};

use crate::archive::recorded::Recorded;
use crate::error::{Error, Result};
use crate::report::beside;
use crate::slide::manifest;

/// A file for the bag.
#[derive(Debug)]
pub(super) struct Item {
    /// Where it is now.
    pub(super) from: PathBuf,
    /// Its place in the bag, with `/` between names.
    pub(super) to: String,
    /// SHA-256 that it must have, where the report knows one.
    pub(super) sha256: Option<String>,
}

/// A report with the files of its slide.
#[derive(Debug)]
pub(super) struct Parcel {
    /// What the report says.
    pub(super) recorded: Recorded,
    /// The files, in the order of their places.
    pub(super) files: Vec<Item>,
    /// The slide's folder and the report's.
    folders: [PathBuf; 2],
}

impl Parcel {
    /// Refuses a place for the bag in a folder that it holds the files of.
    pub(super) fn keeps_out(&self, to: &Path) -> Result<()> {
        // What is not there yet will be made in the nearest folder that is.
        let to = std::path::absolute(to).unwrap_or_else(|_| to.to_path_buf());
        let there = to.ancestors().find_map(|folder| folder.canonicalize().ok());
        let holds = |folder: &&PathBuf| {
            let folder = folder.canonicalize().ok();
            folder.zip(there.as_ref()).is_some_and(|(folder, there)| there.starts_with(folder))
        };
        match self.folders.iter().find(holds) {
            None => Ok(()),
            Some(folder) => Err(Error::new(
                &to,
                format!("lies in {}, whose files go into the bag", folder.display()),
                "give a folder outside the slide's and the report's with --to",
            )),
        }
    }

    /// Finds the files of a report folder.
    pub(super) fn gather(report: &Path, photographs: Option<&Path>) -> Result<Self> {
        let json = report.join("report.json");
        let (recorded, written) = Recorded::read(&json)?;
        let page = report.join("report.html");
        let text = fs::read_to_string(&page).map_err(|e| {
            Error::new(&page, "cannot be read", "check the slide again: a report is archived with its page")
                .caused_by(e)
        })?;
        if !beside::belongs(&text, &written, &recorded.made_at) {
            return Err(Error::new(
                &page,
                "is not the page of the report.json beside it, or one of the two was changed",
                "check the slide again and archive that report",
            ));
        }
        let mut wanted: BTreeMap<&str, &str> = BTreeMap::new();
        for photograph in &recorded.photographs {
            if inside(&photograph.file).is_none() {
                return Err(Error::new(
                    &json,
                    format!("names a photograph outside the slide's folder, \"{}\"", plain(&photograph.file)),
                    "check the slide again and archive that report",
                ));
            }
            if let Some(other) = wanted.insert(&photograph.file, &photograph.sha256)
                && other != photograph.sha256
            {
                return Err(Error::new(
                    &json,
                    format!("gives two checksums for \"{}\"", plain(&photograph.file)),
                    "check the slide again and archive that report",
                ));
            }
        }
        let slide = slide_folder(&recorded, report, photographs)?;
        let mut files = vec![
            Item { from: page, to: "data/report/report.html".into(), sha256: None },
            Item { from: json.clone(), to: "data/report/report.json".into(), sha256: None },
        ];
        for (file, sha256) in wanted {
            files.push(Item {
                from: found_in(&slide, file)?,
                to: format!("data/slide/{file}"),
                sha256: Some(sha256.to_ascii_lowercase()),
            });
        }
        files.extend(slide_toml(&recorded, &json, &slide)?);
        Ok(Self { recorded, files, folders: [slide, report.to_path_buf()] })
    }
}

/// `slide.toml`, which must be there when the report read one, be what it read, and not have come since.
fn slide_toml(recorded: &Recorded, json: &Path, slide: &Path) -> Result<Option<Item>> {
    let path = slide.join(manifest::FILE);
    let expected = recorded.read_from.as_ref().map(|r| r.slide_toml_sha256.clone());
    match (expected, path.exists()) {
        (Some(None) | None, false) => Ok(None),
        (Some(None), true) => Err(Error::new(
            &path,
            format!("was not there when {} was written", json.display()),
            "check the slide again and archive that report",
        )),
        (sha256, _) => Ok(Some(Item {
            from: found_in(slide, manifest::FILE)?,
            to: format!("data/slide/{}", manifest::FILE),
            sha256: sha256.flatten().map(|s| s.to_ascii_lowercase()),
        })),
    }
}

/// The slide's folder: where the report's way leads, or among `photographs` when given.
fn slide_folder(recorded: &Recorded, report: &Path, photographs: Option<&Path>) -> Result<PathBuf> {
    let way = recorded.read_from.as_ref().map(|r| r.folder.as_str());
    let first = &recorded.photographs[0].file;
    let remedy = "say with --photographs where the slide's folder is now";
    let Some(given) = photographs else {
        let way = way.ok_or_else(|| Error::new(report, "does not say where its photographs are", remedy))?;
        let folder = report.join(way);
        return folder.canonicalize().map_err(|e| {
            Error::new(&folder, "the slide's folder is not where the report found it", remedy).caused_by(e)
        });
    };
    let last = way.and_then(|w| Path::new(w).file_name()).map(|n| n.to_string_lossy().into_owned());
    let names = [Some(String::new()), last, Some(recorded.slide.id.clone())];
    names
        .iter()
        .flatten()
        .filter(|name| name.is_empty() || inside(name).is_some_and(|n| n.components().count() == 1))
        .map(|name| given.join(name))
        .find(|folder| folder.join(first).is_file())
        .and_then(|folder| folder.canonicalize().ok())
        .ok_or_else(|| {
            Error::new(
                given,
                format!("holds neither \"{}\" nor a folder of this slide with it", plain(first)),
                "give the slide's folder, or the folder that holds it",
            )
        })
}

/// A file of the slide's folder, and of no other place.
fn found_in(slide: &Path, file: &str) -> Result<PathBuf> {
    let path = slide.join(file);
    let gone = |e: std::io::Error| {
        let remedy = "put it back, or say with --photographs where the slide's folder is now";
        Error::new(&path, "is gone, or cannot be read", remedy).caused_by(e)
    };
    let real = path.canonicalize().map_err(gone)?;
    if !real.starts_with(slide) || !real.is_file() {
        return Err(Error::new(
            &path,
            "is not a file of the slide's folder",
            "put the photograph itself there, not a link to another place",
        ));
    }
    Ok(real)
}

/// A path with `/` between names that stays in the folder it is joined to; None for any other.
pub(super) fn inside(path: &str) -> Option<PathBuf> {
    let usable = !path.is_empty() && !path.contains(['\\', '\0']);
    let names = Path::new(path);
    let plain = path.split('/').all(|n| !n.is_empty() && n != "." && n != "..")
        && names.components().all(|c| matches!(c, Component::Normal(_)));
    (usable && plain).then(|| names.to_path_buf())
}

fn plain(text: &str) -> String {
    crate::slide::encoding::clean_text(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_ways_down_are_followed() {
        for path in ["A.jpg", "fields/A.jpg", ".hidden", "a b/ü 50%.jpg"] {
            assert_eq!(inside(path).as_deref(), Some(Path::new(path)));
        }
        for path in ["", "/etc/passwd", "../A.jpg", "a/../../b", "a//b", "./a", "a/", "C:\\a", "a\\b", "a\0"] {
            assert_eq!(inside(path), None, "{path:?}");
        }
    }
}
