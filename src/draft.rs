//! Folders in which something is written before it is moved into its place, and what killed runs left of them.
//!
//! Each holds a file that its run keeps locked. The system lets go of the lock when a run ends, however it ends: a folder whose
//! lock is free is nobody's.

use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::time::Duration;

use tempfile::TempDir;

/// The file that is kept locked.
const LOCK: &str = ".lock";

/// How long a folder without a lock may lie before it counts as left behind.
const STALE: Duration = Duration::from_secs(24 * 3600);

/// A folder of a run's own, which goes when this does.
#[derive(Debug)]
pub(crate) struct Draft {
    // Let go of before the folder is removed: not every system removes a file that is open.
    lock: Option<File>,
    folder: TempDir,
}

impl Draft {
    /// Makes a folder in `place` whose name begins with `prefix`, after clearing away what killed runs left there.
    pub(crate) fn begin(place: &Path, prefix: &str) -> io::Result<Self> {
        sweep(place, prefix);
        let folder = tempfile::Builder::new().prefix(prefix).tempdir_in(place)?;
        // It gets its name when it is locked, so that nobody finds it free meanwhile. Where there are no locks its age counts.
        let unnamed = folder.path().join(".unlocked");
        let lock = File::create(&unnamed)?;
        let lock = match lock.try_lock() {
            Ok(()) => fs::rename(&unnamed, folder.path().join(LOCK)).map(|()| Some(lock))?,
            Err(_) => None,
        };
        Ok(Self { lock, folder })
    }

    /// The folder.
    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        self.lock.take();
    }
}

/// Removes what killed runs left behind. What cannot be removed does no harm.
pub(crate) fn sweep(place: &Path, prefix: &str) {
    let Ok(entries) = fs::read_dir(place) else { return };
    for entry in entries.flatten().filter(|e| e.file_name().to_string_lossy().starts_with(prefix)) {
        let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
        if is_folder && (is_free(&entry.path()) || is_old(&entry)) {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

/// Whether its run is at an end: the lock can be had.
fn is_free(folder: &Path) -> bool {
    File::options().write(true).open(folder.join(LOCK)).is_ok_and(|lock| lock.try_lock().is_ok())
}

/// Whether it has lain for a day. A lock that is held counts more.
fn is_old(entry: &fs::DirEntry) -> bool {
    let age = entry.metadata().and_then(|found| found.modified()).ok().and_then(|at| at.elapsed().ok());
    age.is_some_and(|age| age > STALE) && !entry.path().join(LOCK).exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_killed_run_left_is_cleared_away_and_what_is_in_use_stays() {
        let place = tempfile::tempdir().unwrap();
        let names = || {
            let mut all: Vec<String> = fs::read_dir(place.path())
                .unwrap()
                .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
                .collect();
            all.sort();
            all
        };
        let other = Draft::begin(place.path(), ".bag-").unwrap();
        let other_name = other.path().file_name().unwrap().to_string_lossy().into_owned();
        // As a killed run leaves it: the file is there and nobody holds it.
        fs::create_dir_all(place.path().join(".bag-killed/LM-0142/data")).unwrap();
        fs::write(place.path().join(".bag-killed").join(LOCK), "").unwrap();
        for kept in [".bag-new", ".report-killed", "LM-0142"] {
            fs::create_dir(place.path().join(kept)).unwrap();
        }
        fs::write(place.path().join(".report-killed").join(LOCK), "").unwrap();
        fs::write(place.path().join(".bag-list"), "mine").unwrap();
        let own = Draft::begin(place.path(), ".bag-").unwrap();
        assert!(!place.path().join(".bag-killed").exists(), "{:?}", names());
        assert!(other.path().join(LOCK).exists(), "the other run is writing");
        drop(own);
        assert_eq!(names().len(), 5, "{:?}", names());
        assert!(names().contains(&other_name));
        drop(other);
        assert_eq!(names(), [".bag-list", ".bag-new", ".report-killed", "LM-0142"]);
    }

    #[cfg(unix)]
    #[test]
    fn without_a_lock_a_day_is_waited() {
        let place = tempfile::tempdir().unwrap();
        for name in [".bag-old", ".bag-new"] {
            fs::create_dir(place.path().join(name)).unwrap();
        }
        let old = std::time::SystemTime::now() - 2 * STALE;
        File::open(place.path().join(".bag-old")).unwrap().set_modified(old).unwrap();
        drop(Draft::begin(place.path(), ".bag-").unwrap());
        assert!(!place.path().join(".bag-old").exists() && place.path().join(".bag-new").exists());
    }
}
