//! A sitting's slides kept as slide folders that can be checked again.

use std::collections::{HashMap, HashSet};
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use toml::Table;

use crate::error::{Error, Result};
use crate::report::write::folder_name;

use super::history::Reading;
use super::sheet::sheet_of;
use super::visit::{BenchSlide, Field};

/// Keeps slides below a folder: the first pass of `LM-0142` in `LM-0142`, the second in `LM-0142-pass-2`.
#[derive(Debug)]
pub struct Keeper {
    dir: PathBuf,
    /// Folders that this sitting made; no other is written to.
    made: HashSet<PathBuf>,
    /// Photographs that are there already.
    copied: HashSet<PathBuf>,
}

impl Keeper {
    /// Of a folder, which is made when it is missing.
    ///
    /// # Errors
    /// When it cannot be made, or lies in the watched folder, where nothing is changed.
    pub fn new(dir: &Path, watched: &Path) -> Result<Self> {
        // Looked at before it is made, so that nothing is made in the watched folder.
        let there = dir.ancestors().find_map(|a| a.canonicalize().ok());
        let there = there.or_else(|| std::env::current_dir().ok()).unwrap_or_default();
        if there.starts_with(watched) {
            return Err(Error::new(dir, "lies in the watched folder, where nothing is changed", "give another --save"));
        }
        fs::create_dir_all(dir).map_err(|e| unwritable(dir, e))?;
        Ok(Self { dir: dir.to_path_buf(), made: HashSet::new(), copied: HashSet::new() })
    }

    /// Writes what is new of a slide: photographs, `slide.toml` of each pass, and `passes.csv` with what was measured.
    ///
    /// # Errors
    /// When a folder of that name was there before this sitting, or something cannot be written.
    pub fn keep(&mut self, slide: &BenchSlide, said: &Table, readings: &[Reading]) -> Result<()> {
        let base = folder_name(&slide.id);
        for (n, pass) in slide.passes.iter().enumerate() {
            let name = if n == 0 { base.clone() } else { format!("{base}-pass-{}", n + 1) };
            let dir = self.dir.join(&name);
            self.make(&dir)?;
            let id = if n == 0 { slide.id.clone() } else { format!("{}-pass-{}", slide.id, n + 1) };
            let (sheet, names) = sheet_of(pass, &id, said.clone(), false);
            self.copy(&dir, pass.fields.iter().flat_map(Field::shots).map(|s| s.copy.as_path()), &names)?;
            replace(&dir.join("slide.toml"), &sheet.text())?;
        }
        let mut csv = String::from("pass,thickness_um,low_um,high_um\n");
        for r in readings {
            let [low, high] = r.thickness_um.interval;
            // Writing into a String cannot fail.
            let _ = writeln!(csv, "{},{:.2},{low:.2},{high:.2}", r.pass, r.thickness_um.value);
        }
        replace(&self.dir.join(&base).join("passes.csv"), &csv)
    }

    fn make(&mut self, dir: &Path) -> Result<()> {
        if self.made.contains(dir) {
            return Ok(());
        }
        match fs::create_dir(dir) {
            Ok(()) => {
                self.made.insert(dir.to_path_buf());
                Ok(())
            }
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => Err(Error::new(
                dir,
                "was there before this sitting and is left as it is",
                "give another --save, or move it away",
            )),
            Err(e) => Err(unwritable(dir, e)),
        }
    }

    fn copy<'a>(
        &mut self,
        dir: &Path,
        copies: impl Iterator<Item = &'a Path>,
        names: &HashMap<PathBuf, String>,
    ) -> Result<()> {
        for copy in copies {
            let to = dir.join(&names[copy]);
            if !self.copied.contains(&to) {
                fs::copy(copy, &to).map_err(|e| unwritable(&to, e))?;
                self.copied.insert(to);
            }
        }
        Ok(())
    }
}

/// Writes a text beside its place and moves it there, so that it is never half written.
pub(super) fn replace(path: &Path, text: &str) -> Result<()> {
    let dir = path.parent().unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(dir).map_err(|e| unwritable(path, e))?;
    file.write_all(text.as_bytes()).map_err(|e| unwritable(path, e))?;
    file.persist(path).map_err(|e| unwritable(path, e.error))?;
    Ok(())
}

fn unwritable(path: &Path, e: std::io::Error) -> Error {
    Error::new(path, "cannot be written", "see that there is room and that it may be written to").caused_by(e)
}
