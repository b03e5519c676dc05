//! Which slides need no second check: those whose report is that of their photographs, settings and this program.
//!
//! Everything is compared by content: SHA-256 of every photograph and of `slide.toml`, the scale, the limits as they came out, the
//! program's version and sources. No date is looked at.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io;
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::house::House;
use crate::measured::significant;
use crate::report::record::{SCHEMA_VERSION, Tool};
use crate::report::write::{THUMBNAIL, folder_name, seen_from};
use crate::report::{Report, beside};
use crate::slide::decode::hexadecimal;
use crate::verdict::LimitUsed;

/// Whether the report of the slide in `dir` lies in `<out>/<id>/`, whole, and a check would give it again.
///
/// Whatever cannot be read is no such report: the check will say what is wrong.
#[must_use]
pub fn is_finished(dir: &Path, out: &Path, id: &str, house: &House) -> bool {
    finished(dir, out, id, house).unwrap_or(false)
}

fn finished(dir: &Path, out: &Path, id: &str, house: &House) -> Option<bool> {
    let folder = out.join(folder_name(id));
    let json = fs::read_to_string(folder.join("report.json")).ok()?;
    let report: Report = serde_json::from_str(&json).ok()?;
    if report.schema_version != SCHEMA_VERSION || report.tool != Tool::this() || report.slide.id != id {
        return Some(false);
    }
    let (slide, limits) = house.slide(dir).ok()?;
    if slide.record.id != id
        || slide.slide_toml_sha256 != report.read_from.slide_toml_sha256
        || seen_from(out, id, dir).ok()? != report.read_from.folder
        || !slide.warnings.iter().all(|w| report.warnings.contains(w))
        || slide.record.scale_source != report.slide.scale_source
        || slide.record.um_per_px.map(|s| significant(s, 6)) != report.slide.um_per_px
        || as_written(&limits.used)? != report.limits
    {
        return Some(false);
    }
    // The page last: it is the longest to read but for the photographs.
    let page = fs::read_to_string(folder.join("report.html")).ok()?;
    if !beside::belongs(&page, &json, &report.made_at) {
        return Some(false);
    }
    if !is_jpeg(&fs::read(folder.join(THUMBNAIL)).ok()?) {
        return Some(false);
    }
    let recorded: BTreeSet<_> =
        report.photographs.iter().map(|p| (p.field.clone(), p.file.clone(), p.sha256.clone())).collect();
    let mut found = BTreeSet::new();
    for field in &slide.fields {
        let crossed = field.crossed.iter().map(|(path, _)| path);
        for path in std::iter::once(&field.plane).chain(crossed).chain(&field.blank) {
            let file = path.strip_prefix(&slide.dir).unwrap_or(path).to_string_lossy().replace('\\', "/");
            let photograph = (field.name.clone(), file, sha256(path).ok()?);
            if !recorded.contains(&photograph) {
                return Some(false);
            }
            found.insert(photograph);
        }
    }
    Some(found == recorded)
}

/// Whether these are the bytes of a whole JPEG file, by its two ends.
fn is_jpeg(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xff, 0xd8, 0xff]) && bytes.ends_with(&[0xff, 0xd9])
}

/// Limits as they come back from JSON: a number may differ in its last bit from what was written.
fn as_written(limits: &[LimitUsed]) -> Option<Vec<LimitUsed>> {
    serde_json::from_str(&serde_json::to_string(limits).ok()?).ok()
}

/// SHA-256 of a file of any length, hexadecimal.
fn sha256(path: &Path) -> io::Result<String> {
    let mut digest = Sha256::new();
    io::copy(&mut File::open(path)?, &mut Sink(&mut digest))?;
    Ok(hexadecimal(&digest.finalize()))
}

struct Sink<'a>(&'a mut Sha256);

impl io::Write for Sink<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 example.
    #[test]
    fn a_file_has_its_own_checksum() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("a"), "abc").unwrap();
        let found = sha256(&dir.path().join("a")).unwrap();
        assert_eq!(found, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
