//! Which folders of a drawer are slides.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::slide::manifest;
use crate::slide::names::{is_ignored, is_photograph, is_unread_picture, read_name};

/// What a drawer holds.
#[derive(Debug, Default)]
pub struct Found {
    /// The slide folders, in the order of their paths.
    pub slides: Vec<PathBuf>,
    /// Folders that could not be looked into, with the reason.
    pub unread: Vec<(PathBuf, Error)>,
    /// Folders in which nothing lies: of no slide, or of one whose photographs were never put there.
    pub empty: Vec<PathBuf>,
}

/// The slide folders in `drawer`, at any depth, and `drawer` itself when it is one. `out` is passed over.
///
/// A folder is a slide when it holds `slide.toml` (what lies below is its own then), a photograph whose name says what it is,
/// or photographs and no folder; pictures of kinds that are not read, and links that lead nowhere, make it one too, so that it is
/// told why it cannot be checked. Hidden folders, bags of an archive and what a link leads to twice are passed over.
///
/// # Errors
/// When `drawer` is no folder that can be read, or holds no slide at all.
pub fn slides_in(drawer: &Path, out: &Path) -> Result<Found> {
    let advice = "give the folder that holds the slides' folders";
    if !drawer.is_dir() {
        return Err(Error::new(drawer, "is not a folder", advice));
    }
    let out = out.canonicalize().ok();
    let mut walk = Walk { found: Found::default(), seen: out.iter().cloned().collect(), out };
    // Reports among the slides are one thing, slides among the reports another: a drawer is never its own output.
    if drawer.canonicalize().is_ok_and(|d| walk.seen.contains(&d)) {
        return Err(Error::new(drawer, "is the folder for the reports too", "give another folder with --out"));
    }
    walk.enter(drawer, false);
    let mut found = walk.found;
    found.slides.sort();
    found.unread.sort_by(|a, b| a.0.cmp(&b.0));
    found.empty.sort();
    if found.slides.is_empty() && found.unread.is_empty() {
        return Err(Error::new(drawer, "holds no folder with photographs", advice));
    }
    Ok(found)
}

struct Walk {
    found: Found,
    /// Folders that were looked into, as the file system knows them.
    seen: BTreeSet<PathBuf>,
    /// Where the reports go, when that is there already.
    out: Option<PathBuf>,
}

/// What file managers leave in a folder that was looked at.
const LEFT_BEHIND: [&str; 2] = ["Thumbs.db", "desktop.ini"];

impl Walk {
    /// Looks into a folder; `within` a slide, only what can be checked counts.
    fn enter(&mut self, dir: &Path, within: bool) {
        if let Err(e) = self.look(dir, within) {
            let error = Error::new(dir, "cannot be read", "check that the folder may be read").caused_by(e);
            self.found.unread.push((dir.to_path_buf(), error));
        }
    }

    fn look(&mut self, dir: &Path, within: bool) -> std::io::Result<()> {
        if !self.seen.insert(dir.canonicalize()?) {
            return Ok(());
        }
        let (mut folders, mut photographs, mut told) = (Vec::new(), false, false);
        let (mut unread, mut unread_told, mut empty) = (false, false, true);
        for entry in fs::read_dir(dir)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            empty &= name.starts_with('.') || LEFT_BEHIND.contains(&name.as_str());
            // Through links: a drawer may be put together from them.
            let Ok(kind) = fs::metadata(entry.path()) else {
                if is_photograph(&name) && !is_ignored(&name) {
                    unread = true;
                    unread_told |= read_name(&name).is_some();
                }
                continue;
            };
            if kind.is_dir() && !name.starts_with('.') {
                folders.push(entry.path());
            } else if kind.is_file() && name == "bagit.txt" {
                return Ok(());
            } else if kind.is_file() && is_photograph(&name) && !is_ignored(&name) {
                photographs = true;
                told |= read_name(&name).is_some();
            } else if kind.is_file() && is_unread_picture(&name) && !is_ignored(&name) {
                unread = true;
                unread_told |= read_name(&name).is_some();
            }
        }
        let holds_out =
            || self.out.as_ref().zip(dir.canonicalize().ok()).is_some_and(|(out, dir)| out.starts_with(dir));
        if empty && !within && !holds_out() {
            self.found.empty.push(dir.to_path_buf());
        }
        let described = dir.join(manifest::FILE).exists();
        let is_slide = described || told || (photographs && folders.is_empty()) || (unread_told && !within);
        if is_slide {
            self.found.slides.push(dir.to_path_buf());
        }
        let before = self.found.slides.len();
        if !described {
            // Which of two ways to one folder counts must not hang on the order of the listing.
            folders.sort();
            folders.iter().for_each(|folder| self.enter(folder, within || is_slide));
        }
        // Pictures that are not read are of a slide where nothing below is one.
        if unread && !within && !is_slide && self.found.slides.len() == before {
            self.found.slides.push(dir.to_path_buf());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(base: &Path, files: &[&str]) {
        for file in files {
            let path = base.join(file);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, "").unwrap();
        }
    }

    fn names(base: &Path) -> Vec<String> {
        let found = slides_in(base, &base.join("out")).unwrap();
        found.slides.iter().map(|s| s.strip_prefix(base).unwrap().to_string_lossy().replace('\\', "/")).collect()
    }

    #[test]
    fn slides_are_found_at_any_depth_and_nothing_else_is() {
        let base = tempfile::tempdir().unwrap();
        let base = base.path();
        put(
            base,
            &[
                "drawer.jpg",
                "a/A_ppl.jpg",
                "box/2/b/A_ppl.jpg",
                "box/2/b/small/thumbs.jpg",
                "box/2/c/slide.toml",
                "box/2/c/pictures/A_ppl.jpg",
                "box/IMG_1.png",
                "box/d/IMG_2.png",
                "box/notes/list.txt",
                ".trash/A_ppl.jpg",
                "out/x/A_ppl.jpg",
                "bags/e/bagit.txt",
                "bags/e/data/slide/A_ppl.jpg",
            ],
        );
        assert_eq!(names(base), ["a", "box/2/b", "box/2/c", "box/d"]);
    }

    #[test]
    fn what_may_be_a_slide_and_cannot_be_read_is_found_too() {
        let base = tempfile::tempdir().unwrap();
        let base = base.path();
        put(base, &["a/A_ppl.jpg", "a/raw/IMG_1.dng", "b/IMG_1.HEIC", "b/IMG_2.HEIC", "c/notes/list.txt"]);
        put(base, &["f/A_ppl.heic", "f/notes/n.txt", "g/IMG_1.HEIC", "g/small/IMG_thumb.jpg"]);
        put(base, &["h/._A_ppl.heic", "i/Thumbs.db", "j/IMG_1.dng", "j/k/A_ppl.jpg"]);
        for empty in ["a/old", "d", "e/.hidden"] {
            fs::create_dir_all(base.join(empty)).unwrap();
        }
        assert_eq!(names(base), ["a", "b", "f", "g", "j/k"], "raw files within a slide are its own");
        let found = slides_in(base, &base.join("out")).unwrap();
        let empty = ["d", "e", "h", "i"].map(|name| base.join(name));
        assert_eq!(found.empty, empty, "and so is an empty folder within it");
        fs::create_dir_all(base.join("d/.out")).unwrap();
        let found = slides_in(base, &base.join("d/.out")).unwrap();
        assert!(!found.empty.contains(&base.join("d")), "it holds the reports");
    }

    #[cfg(unix)]
    #[test]
    fn links_that_lead_nowhere_are_of_a_slide() {
        let base = tempfile::tempdir().unwrap();
        let base = base.path();
        put(base, &["a/A_ppl.jpg", "b/notes.txt"]);
        std::os::unix::fs::symlink(base.join("gone/A_ppl.jpg"), base.join("b/A_ppl.jpg")).unwrap();
        assert_eq!(names(base), ["a", "b"]);
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_once() {
        let base = tempfile::tempdir().unwrap();
        let base = base.path();
        put(base, &["a/A_ppl.jpg"]);
        std::os::unix::fs::symlink(base, base.join("z-loop")).unwrap();
        std::os::unix::fs::symlink(base.join("a"), base.join("b")).unwrap();
        std::os::unix::fs::symlink(base.join("nowhere"), base.join("c")).unwrap();
        assert_eq!(names(base), ["a"]);
    }

    #[test]
    fn an_empty_drawer_is_told_of() {
        let base = tempfile::tempdir().unwrap();
        put(base.path(), &["a/notes.txt"]);
        let said = slides_in(base.path(), &base.path().join("out")).unwrap_err().to_string();
        assert!(said.contains("holds no folder with photographs"), "{said}");
        let said = slides_in(&base.path().join("b"), &base.path().join("out")).unwrap_err().to_string();
        assert!(said.contains("is not a folder"), "{said}");
        let said = slides_in(base.path(), base.path()).unwrap_err().to_string();
        assert!(said.contains("give another folder with --out"), "{said}");
    }
}
