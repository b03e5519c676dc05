//! A BagIt 1.0 bag being filled: RFC 8493, "The BagIt File Packaging Format (V1.0)", 2018.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::archive::digest::{self, Digests};
use crate::archive::recorded::Recorded;
use crate::error::{Error, Result};
use crate::report::terminal::plain;

/// The declaration that makes a folder a bag (RFC 8493, 2.1.1).
pub(super) const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
/// Manifest of the payload (2.1.3).
pub(super) const MANIFEST: &str = "manifest-sha512.txt";
/// Manifest of everything else (2.2.1).
pub(super) const TAG_MANIFEST: &str = "tagmanifest-sha512.txt";

/// A bag being filled, in a folder of its own.
#[derive(Debug)]
pub(super) struct Bag {
    folder: PathBuf,
    payload: Vec<(String, Digests)>,
}

/// A file that was put into the payload.
#[derive(Debug)]
pub(super) struct Payload {
    /// Length, bytes.
    pub(super) bytes: u64,
    /// SHA-256 of what was stored.
    pub(super) sha256: String,
}

impl Bag {
    /// An empty bag in `folder`, which must not be there yet.
    pub(super) fn begin(folder: &Path) -> io::Result<Self> {
        fs::create_dir(folder)?;
        Ok(Self { folder: folder.to_path_buf(), payload: Vec::new() })
    }

    /// Copies a file to `to`, a place under `data/`, with the time of its last change.
    pub(super) fn take(&mut self, from: &Path, to: &str) -> Result<Payload> {
        let failed = |e: io::Error| {
            Error::new(from, "cannot be copied into the bag", "check that it may be read and that the disk has room")
                .caused_by(e)
        };
        let source = File::open(from).map_err(failed)?;
        let changed = source.metadata().and_then(|m| m.modified());
        let target = self.create(to).map_err(failed)?;
        let digests = digest::pass_on(&source, &target).map_err(failed)?;
        if let Ok(time) = changed {
            // A file system without times keeps the file all the same.
            let _ = target.set_modified(time);
        }
        target.sync_all().map_err(failed)?;
        let stored = Payload { bytes: digests.bytes, sha256: digests.sha256.clone() };
        self.payload.push((to.into(), digests));
        Ok(stored)
    }

    /// Writes a payload file of the archive's own.
    pub(super) fn add(&mut self, to: &str, text: &[u8]) -> io::Result<()> {
        let digests = self.write(to, text)?;
        self.payload.push((to.into(), digests));
        Ok(())
    }

    /// Writes manifests and tag files.
    pub(super) fn finish(mut self, recorded: &Recorded, now: Timestamp) -> io::Result<()> {
        self.payload.sort_by(|a, b| a.0.cmp(&b.0));
        let octets: u64 = self.payload.iter().map(|(_, d)| d.bytes).sum();
        let info = information(recorded, now, octets, self.payload.len());
        let manifest = manifest(&self.payload);
        let mut tags = Vec::new();
        for (name, text) in [("bag-info.txt", info.as_str()), ("bagit.txt", DECLARATION), (MANIFEST, &manifest)] {
            tags.push((name.to_owned(), self.write(name, text.as_bytes())?));
        }
        self.write(TAG_MANIFEST, self::manifest(&tags).as_bytes())?;
        Ok(())
    }

    fn write(&self, to: &str, text: &[u8]) -> io::Result<Digests> {
        let file = self.create(to)?;
        let digests = digest::pass_on(text, &file)?;
        file.sync_all()?;
        Ok(digests)
    }

    /// Makes a file that is not there yet, with the folders above it.
    fn create(&self, to: &str) -> io::Result<File> {
        let place = self.folder.join(to);
        if let Some(above) = place.parent() {
            fs::create_dir_all(above)?;
        }
        File::create_new(place)
    }
}

/// `bag-info.txt` (2.2.2).
fn information(recorded: &Recorded, now: Timestamp, octets: u64, files: usize) -> String {
    let kept = recorded.archive.clone().unwrap_or_default();
    let day = now.to_string();
    let mut lines = vec![
        ("Bag-Software-Agent", format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"))),
        ("Bagging-Date", day.get(..10).unwrap_or(&day).to_owned()),
        ("Payload-Oxum", format!("{octets}.{files}")),
        ("External-Identifier", recorded.slide.id.clone()),
        ("External-Description", format!("Thin section {}: its photographs and the report on them", recorded.slide.id)),
    ];
    let more =
        [("Sample", kept.sample), ("IGSN", kept.igsn), ("Collection", kept.collection), ("Licence", kept.licence)];
    lines.extend(more.into_iter().filter_map(|(label, value)| Some((label, value?))));
    lines.into_iter().map(|(label, value)| format!("{label}: {}\n", plain(&value))).collect()
}

/// Lines of a manifest: digest, two spaces, path.
fn manifest(files: &[(String, Digests)]) -> String {
    files.iter().map(|(path, digests)| format!("{}  {}\n", digests.sha512, encoded(path))).collect()
}

/// A path as a manifest writes it: per cent, line feed and carriage return in code, and nothing else (2.1.3).
pub(super) fn encoded(path: &str) -> String {
    path.replace('%', "%25").replace('\n', "%0A").replace('\r', "%0D")
}

/// A path as a manifest means it.
pub(super) fn decoded(path: &str) -> String {
    path.replace("%0A", "\n").replace("%0a", "\n").replace("%0D", "\r").replace("%0d", "\r").replace("%25", "%")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_coded_as_the_standard_says_and_back() {
        assert_eq!(encoded("data/slide/A 50%\r\n é.jpg"), "data/slide/A 50%25%0D%0A é.jpg");
        for path in ["plain.jpg", "50%.jpg", "%0A.jpg", "a\nb", "%25", "100%25%"] {
            assert_eq!(decoded(&encoded(path)), path);
        }
    }
}
