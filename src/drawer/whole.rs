//! A drawer from folder to table.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use crate::draft::sweep;
use crate::drawer::collate::{failed, failure_row, reason, row_of};
use crate::drawer::find::slides_in;
use crate::drawer::progress::{Progress, Step};
use crate::drawer::record::{DrawerRecord, SlideRow};
use crate::drawer::resume::is_finished;
use crate::drawer::run::{in_flight, unharmed};
use crate::drawer::write::FILES;
use crate::error::{Error, Result};
use crate::house::House;
use crate::report::write::{DRAFT, folder_name, way};
use crate::slide::Slide;

/// Held while a drawer is checked into a folder, or tables are written there.
const LOCK: &str = ".drawer.lock";

/// A drawer to check.
#[derive(Debug)]
pub struct Drawer<'a> {
    /// The folder with the slides' folders, at any depth.
    pub folder: &'a Path,
    /// Where the reports and tables go.
    pub out: &'a Path,
    /// What the slides are judged by.
    pub house: &'a House,
    /// How many cores are used, and how many slides are in flight at most.
    pub jobs: NonZeroUsize,
}

/// A drawer that was checked.
#[derive(Debug)]
pub struct CheckedDrawer {
    /// The table.
    pub record: DrawerRecord,
    /// How many slides were checked, kept and failed.
    pub progress: Progress,
}

/// Checks every slide that is not finished yet. `check` writes the report of a slide folder into [`Drawer::out`], whole or
/// not at all; `told` hears of every slide that is through, one at a time.
///
/// # Errors
/// When the drawer holds no slides, or `out` cannot be used; a slide that fails is a row of the table.
pub fn check_drawer(
    drawer: &Drawer,
    check: impl Fn(&Path) -> Result<()> + Sync,
    told: impl Fn(&Progress) + Sync,
) -> Result<CheckedDrawer> {
    let found = slides_in(drawer.folder, drawer.out)?;
    let base = drawer.folder.canonicalize().ok();
    let base = base.as_deref();
    let (out, _lock) = claim(drawer.out)?;
    let mut ids: Vec<Result<String>> = found.slides.iter().map(|slide| Slide::id(slide)).collect();
    refuse_shared(&mut ids, &found.slides);
    let slides: Vec<(&PathBuf, Result<String>)> = found.slides.iter().zip(ids).collect();

    let progress = Mutex::new(Progress { all: slides.len(), ..Progress::default() });
    let rows = in_flight(&slides, drawer.jobs, |(dir, id)| {
        let mut step = Step::Failed;
        let place = || dir.canonicalize().map_or_else(|_| dir.to_string_lossy().into_owned(), |at| way(&out, &at));
        let row = match id {
            Err(error) => here(failed(dir, &out, error, base)),
            Ok(id) => unharmed(dir, || {
                if is_finished(dir, drawer.out, id, drawer.house) {
                    step = Step::Kept;
                } else {
                    check(dir)?;
                    step = Step::Checked;
                }
                row_of(&out.join(folder_name(id)), &out)
            })
            .unwrap_or_else(|error| {
                step = Step::Failed;
                let name = folder_name(id);
                let older = row_of(&out.join(&name), &out).is_ok_and(|older| older.folder == place());
                let older =
                    if older { format!(" (the report in {name} is of an earlier check)") } else { String::new() };
                let failure = reason(&error, base) + &older;
                here(SlideRow { id: id.clone(), ..failure_row(place(), failure) })
            }),
        };
        let mut progress = progress.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        progress.count(step);
        told(&progress);
        row
    })?;
    let unread = found.unread.iter().map(|(dir, error)| here(failed(dir, &out, error, base)));
    let rows = rows.into_iter().chain(unread).collect();
    let empty = found.empty.iter().filter_map(|dir| dir.canonicalize().ok()).map(|dir| way(&out, &dir)).collect();
    Ok(CheckedDrawer {
        record: DrawerRecord::of(rows, Vec::new(), now()).passing_over(empty),
        progress: progress.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner),
    })
}

/// This second, as the records tell it.
fn now() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// A failure of this drawer, now.
fn here(row: SlideRow) -> SlideRow {
    SlideRow { failed_at: Some(now()), failed_in: Some(".".into()), ..row }
}

/// Makes the folder for the reports this run's own, and clears away what a run that was stopped left half written.
fn claim(out: &Path) -> Result<(PathBuf, File)> {
    let (place, lock) = locked(out)?;
    let failed = |e| unwritable(out, e);
    for entry in fs::read_dir(&place).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        // Tables are only written under the lock.
        if name.starts_with(".drawer-") && entry.path().is_dir() {
            fs::remove_dir_all(entry.path()).map_err(failed)?;
        }
    }
    // A report may be just being written, by a check of one slide.
    sweep(&place, DRAFT);
    Ok((place, lock))
}

fn unwritable(out: &Path, e: std::io::Error) -> Error {
    Error::new(out, "cannot be written to", "check the folder given with --out").caused_by(e)
}

/// Makes the folder where there is none, and keeps other drawers and collations off it for as long as the file lives.
///
/// # Errors
/// When it cannot be made or written to, or another run is writing to it.
pub(crate) fn locked(out: &Path) -> Result<(PathBuf, File)> {
    let failed = |e| unwritable(out, e);
    fs::create_dir_all(out).map_err(failed)?;
    let place = out.canonicalize().map_err(failed)?;
    let lock = File::options().create(true).truncate(false).write(true).open(place.join(LOCK)).map_err(failed)?;
    match lock.try_lock() {
        Err(TryLockError::WouldBlock) => {
            return Err(Error::new(
                out,
                "is being written to by another run of thinproof",
                "wait for it, or give another folder with --out",
            ));
        }
        // Where the file system knows no locks there is nothing to be told by them.
        Err(TryLockError::Error(_)) | Ok(()) => {}
    }
    Ok((place, lock))
}

/// Slides whose reports would lie in one folder all fail: whichever was written last would pass for the others.
fn refuse_shared(ids: &mut [Result<String>], slides: &[PathBuf]) {
    let mut by_name: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (n, id) in ids.iter().enumerate() {
        if let Ok(id) = id {
            // Many file systems do not tell upper from lower case.
            by_name.entry(folder_name(id).to_lowercase()).or_default().push(n);
        }
    }
    for (name, those) in &by_name {
        let taken = FILES.contains(&name.as_str());
        if !taken && those.len() == 1 {
            continue;
        }
        for &n in those {
            let Ok(id) = &ids[n] else { continue };
            let what = match those.iter().find(|other| **other != n) {
                Some(&other) => {
                    format!("has the id {id}, and so has the slide in {}", slides[other].display())
                }
                None => format!("has the id {id}, which is the name of one of the drawer's tables"),
            };
            // As the file system knows it, so that the reason can be told from the drawer.
            let dir = slides[n].canonicalize().unwrap_or_else(|_| slides[n].clone());
            ids[n] = Err(Error::new(dir, what, "give each slide an id of its own, [slide] id in its slide.toml"));
        }
    }
}
