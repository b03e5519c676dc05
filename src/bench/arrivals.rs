//! What arrives in the watched folder: files that are whole, in the order in which they were taken.
//!
//! The folder is listed a few times a second, which works on network shares and in folders that a phone keeps in step,
//! where notices of changes do not. A file is taken when its size and time stood still between two looks and it decodes
//! to its end. Nothing in the folder is changed.

use std::collections::{BTreeMap, HashSet};
use std::fs::{self, Metadata};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use crate::error::{Error, Result};
use crate::slide::decode::{MAX_PIXELS, Reading, decode_photograph};
use crate::slide::names::{is_ignored, is_photograph};
use crate::slide::photograph::Exposure;

use super::sketch::Sketch;

/// Time between two looks at the folder, at the least.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// A file that stood still so long and is no whole photograph will not become one by waiting.
const GIVEN_UP_AFTER: Duration = Duration::from_secs(10);

/// Folders below the watched one that are looked into: a slide's, and a pass's in it.
const DEPTH: usize = 3;

/// Files that are looked at; a folder of more is no bench.
const MOST_FILES: usize = 20_000;

/// A photograph that arrived whole.
#[derive(Debug)]
pub struct Arrival {
    /// Path relative to the watched folder.
    pub relative: PathBuf,
    /// Its bytes as they were read, once.
    pub bytes: Vec<u8>,
    /// SHA-256 of the bytes, hexadecimal.
    pub sha256: String,
    /// Time of exposure by EXIF, seconds since some day of the camera's clock; None when not stated.
    pub taken_s: Option<i64>,
    /// When it was saved, by the file's time.
    pub saved: SystemTime,
    /// Exposure by EXIF.
    pub exposure: Option<Exposure>,
    /// Scale that the file states and that a microscope can have, µm per pixel.
    pub um_per_px: Option<f64>,
    /// The photograph as small as sorting needs it.
    pub sketch: Sketch,
}

/// What a look at the folder found.
#[derive(Debug)]
pub enum Found {
    /// A photograph, whole.
    Photograph(Box<Arrival>),
    /// A file that will not become a photograph, with the reason.
    Broken(PathBuf, String),
}

/// A file that was seen.
#[derive(Clone, Debug)]
struct Seen {
    length: u64,
    modified: Option<SystemTime>,
    still_since: Instant,
    looks: usize,
    /// Taken, or given up, in this state.
    done: bool,
}

/// The watched folder.
#[derive(Debug)]
pub struct Arrivals {
    dir: PathBuf,
    seen: BTreeMap<PathBuf, Seen>,
    taken: HashSet<(PathBuf, String)>,
    patience: Duration,
    listed_in: Duration,
}

impl Arrivals {
    /// Of a folder.
    ///
    /// # Errors
    /// When it is no folder that can be listed.
    pub fn of(dir: &Path) -> Result<Self> {
        let unreadable = |e: std::io::Error| {
            Error::new(dir, "cannot be listed", "give the folder that the camera saves into").caused_by(e)
        };
        let dir = dir.canonicalize().map_err(unreadable)?;
        fs::read_dir(&dir).map_err(unreadable)?;
        Ok(Self {
            dir,
            seen: BTreeMap::new(),
            taken: HashSet::new(),
            patience: GIVEN_UP_AFTER,
            listed_in: Duration::ZERO,
        })
    }

    /// The folder, absolute.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Whether a file is being written or waited for.
    #[must_use]
    pub fn waiting(&self) -> bool {
        self.seen.values().any(|s| !s.done)
    }

    /// The time to wait before the next look; longer where listing takes long, on a slow share.
    #[must_use]
    pub fn pause(&self) -> Duration {
        LOOK_EVERY.max(3 * self.listed_in)
    }

    /// One look at the folder: what has become whole since the last, oldest first. What was there at the first look is
    /// given in one go, ordered by EXIF time, then by the file's time, then by name.
    ///
    /// # Errors
    /// When the folder cannot be listed any more.
    pub fn look(&mut self) -> Result<Vec<Found>> {
        let begun = Instant::now();
        let mut files = Vec::new();
        list(&self.dir, &self.dir, DEPTH, &mut files)
            .map_err(|e| Error::new(&self.dir, "cannot be listed", "see whether it is still there").caused_by(e))?;
        self.listed_in = begun.elapsed();
        let now = Instant::now();
        let there: HashSet<&PathBuf> = files.iter().map(|(path, _)| path).collect();
        self.seen.retain(|path, _| there.contains(path));
        let mut ready = Vec::new();
        for (path, metadata) in &files {
            let (length, modified) = (metadata.len(), metadata.modified().ok());
            let seen = self.seen.entry(path.clone()).or_insert(Seen {
                length,
                modified,
                still_since: now,
                looks: 0,
                done: false,
            });
            if (seen.length, seen.modified) == (length, modified) {
                seen.looks += 1;
            } else {
                *seen = Seen { length, modified, still_since: now, looks: 1, done: false };
            }
            if !seen.done && seen.looks >= 2 {
                ready.push(path.clone());
            }
        }
        let mut found = Vec::new();
        for path in ready {
            found.extend(self.try_to_take(&path, now));
        }
        found.sort_by_key(|f| match f {
            Found::Photograph(a) => (0, a.taken_s.unwrap_or(i64::MAX), Some(a.saved), a.relative.clone()),
            Found::Broken(path, _) => (1, 0, None, path.clone()),
        });
        Ok(found)
    }

    /// Reads a file that stood still; None while it is waited for, and when it was taken already.
    fn try_to_take(&mut self, relative: &Path, now: Instant) -> Option<Found> {
        let seen = self.seen.get_mut(relative)?;
        let path = self.dir.join(relative);
        let given_up = now.duration_since(seen.still_since) >= self.patience;
        // What was not whole is not decoded again at every look.
        if !seen.looks.is_power_of_two() && !given_up {
            return None;
        }
        match taken_whole(&path, relative) {
            Ok(arrival) => {
                // Written to while it was read: the next looks see it again.
                let now_is = fs::metadata(&path).ok().map(|m| (m.len(), m.modified().ok()));
                if now_is != Some((seen.length, seen.modified)) || arrival.bytes.len() as u64 != seen.length {
                    return None;
                }
                seen.done = true;
                let new = self.taken.insert((relative.to_path_buf(), arrival.sha256.clone()));
                new.then(|| Found::Photograph(Box::new(arrival)))
            }
            Err(error) if given_up => {
                seen.done = true;
                let said = format!("{}; {}", error.what, error.remedy);
                Some(Found::Broken(relative.to_path_buf(), said))
            }
            Err(_) => None,
        }
    }
}

/// Reads and decodes one photograph to its end.
///
/// # Errors
/// When it is no whole photograph.
pub fn taken_whole(path: &Path, relative: &Path) -> Result<Arrival> {
    let unreadable = |e: std::io::Error| {
        Error::new(path, "cannot be read", "check that the file is there and may be read").caused_by(e)
    };
    let metadata = fs::metadata(path).map_err(unreadable)?;
    if metadata.len() > MOST_BYTES {
        return Err(Error::new(path, "is too large to be a photograph", "save it at the camera's own size"));
    }
    let bytes = fs::read(path).map_err(unreadable)?;
    let file = relative.to_string_lossy().replace('\\', "/");
    let photograph = decode_photograph(path, &bytes, &Reading::alone(&file, MAX_PIXELS))?;
    let facts = crate::slide::exif::file_facts(&bytes);
    Ok(Arrival {
        relative: relative.to_path_buf(),
        sha256: photograph.record.sha256.clone(),
        bytes,
        taken_s: facts.taken_at.as_deref().and_then(exif_seconds),
        saved: metadata.modified().unwrap_or_else(|_| SystemTime::now()),
        exposure: facts.exposure,
        um_per_px: facts.resolution.map(|r| r.um_per_px),
        sketch: Sketch::of(&photograph),
    })
}

/// A longer file is not read into memory, bytes.
const MOST_BYTES: u64 = 4 << 30;

/// `2031:02:03 04:05:06` as seconds on the camera's own clock; None when it is no time.
#[must_use]
pub fn exif_seconds(text: &str) -> Option<i64> {
    let civil = jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", text.trim()).ok()?;
    let stamp = jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()?;
    (civil.year() > 1970).then(|| stamp.as_second())
}

/// The photographs below a folder, relative to `root`; hidden and half-named files, links and small copies are passed over.
fn list(root: &Path, dir: &Path, depth: usize, out: &mut Vec<(PathBuf, Metadata)>) -> std::io::Result<()> {
    for entry in fs::read_dir(dir)? {
        let Ok(entry) = entry else { continue };
        let name = entry.file_name().to_string_lossy().into_owned();
        let Ok(kind) = entry.file_type() else { continue };
        if out.len() >= MOST_FILES || name.starts_with('.') {
            continue;
        }
        if kind.is_dir() && depth > 1 {
            // A folder that goes away meanwhile is none of ours.
            let _ = list(root, &entry.path(), depth - 1, out);
        } else if kind.is_file() && is_photograph(&name) && !is_ignored(&name) {
            let path = entry.path();
            if let (Ok(relative), Ok(metadata)) = (path.strip_prefix(root), entry.metadata()) {
                out.push((relative.to_path_buf(), metadata));
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::codecs::jpeg::JpegEncoder;

    fn jpeg(shade: u8) -> Vec<u8> {
        let mut bytes = Vec::new();
        let rgb: Vec<u8> = (0..96 * 80 * 3).map(|i| shade.wrapping_add((i * i % 61) as u8)).collect();
        JpegEncoder::new(&mut bytes).encode(&rgb, 96, 80, image::ExtendedColorType::Rgb8).unwrap();
        bytes
    }

    fn taken(found: &[Found]) -> Vec<String> {
        let name = |f: &Found| match f {
            Found::Photograph(a) => a.relative.display().to_string(),
            Found::Broken(path, why) => format!("{}: {why}", path.display()),
        };
        found.iter().map(name).collect()
    }

    #[test]
    fn a_half_written_file_is_waited_for() {
        let dir = tempfile::tempdir().unwrap();
        let mut arrivals = Arrivals::of(dir.path()).unwrap();
        let (path, whole) = (dir.path().join("A_ppl.jpg"), jpeg(90));
        fs::write(&path, &whole[..whole.len() / 2]).unwrap();
        for _ in 0..5 {
            assert!(arrivals.look().unwrap().is_empty(), "half of it is no photograph");
        }
        assert!(arrivals.waiting());
        fs::write(&path, &whole).unwrap();
        assert!(arrivals.look().unwrap().is_empty(), "it may still be written to");
        assert_eq!(taken(&arrivals.look().unwrap()), ["A_ppl.jpg"]);
        assert!(!arrivals.waiting() && arrivals.look().unwrap().is_empty(), "once");
        // The same name again with another picture is another photograph.
        fs::write(&path, jpeg(140)).unwrap();
        arrivals.look().unwrap();
        assert_eq!(taken(&arrivals.look().unwrap()), ["A_ppl.jpg"]);
    }

    #[test]
    fn what_stays_broken_is_named_and_what_is_no_photograph_is_passed_over() {
        let dir = tempfile::tempdir().unwrap();
        let whole = jpeg(90);
        fs::create_dir(dir.path().join("LM-0142")).unwrap();
        for (name, bytes) in [
            ("torn.jpg", &whole[..whole.len() - 40]),
            ("b.jpg.part", &whole),
            (".hidden.jpg", &whole),
            ("A_thumb.jpg", &whole),
            ("notes.txt", &whole),
            ("LM-0142/A_ppl.jpg", &whole),
        ] {
            fs::write(dir.path().join(name), bytes).unwrap();
        }
        let mut arrivals = Arrivals::of(dir.path()).unwrap();
        arrivals.patience = Duration::from_millis(300);
        let mut all = Vec::new();
        let begun = Instant::now();
        while arrivals.look().unwrap().into_iter().map(|f| all.push(f)).count() == 0 || arrivals.waiting() {
            assert!(begun.elapsed() < Duration::from_secs(20));
            std::thread::sleep(Duration::from_millis(20));
        }
        let all = taken(&all);
        assert_eq!(all.len(), 2, "{all:?}");
        assert_eq!(all[0], Path::new("LM-0142").join("A_ppl.jpg").display().to_string());
        assert!(all[1].starts_with("torn.jpg: "), "{all:?}");
        // Repaired, it is taken.
        fs::write(dir.path().join("torn.jpg"), jpeg(30)).unwrap();
        arrivals.look().unwrap();
        assert_eq!(taken(&arrivals.look().unwrap()), ["torn.jpg"]);
    }

    #[test]
    fn times_of_exposure_are_read_as_the_camera_writes_them() {
        assert_eq!(exif_seconds("1970:01:02 00:00:10"), None, "a clock that was never set");
        let [a, b] = ["2031:02:03 04:05:06", "2031:02:03 04:06:06"].map(|t| exif_seconds(t).unwrap());
        assert_eq!(b - a, 60);
        assert_eq!(exif_seconds("0000:00:00 00:00:00"), None);
        assert_eq!(exif_seconds("yesterday"), None);
    }
}
