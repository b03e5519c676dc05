//! What a collection keeps: a slide's untouched photographs with their report, one bag a slide.
//!
//! A bag is a BagIt 1.0 folder (RFC 8493) with SHA-512 manifests, whose payload is an RO-Crate 1.2. It is written beside its
//! place, read back, and only then moved there: whole or not at all, and never over an older one.
//!
//! ```text
//! <slide id>/
//!   bagit.txt, bag-info.txt, manifest-sha512.txt, tagmanifest-sha512.txt
//!   data/
//!     ro-crate-metadata.json
//!     report/   report.html, report.json
//!     slide/    slide.toml and the photographs, under the names that the report gives them: a slide folder again
//! ```

mod bag;
mod crate_metadata;
mod digest;
mod parcel;
mod recorded;
mod verify;

use std::fs;
use std::path::{Path, PathBuf};

use crate::archive::bag::{Bag, Payload};
use crate::archive::parcel::Parcel;
use crate::draft::Draft;
use crate::error::{Error, Result};
use crate::report::write::folder_name;

pub use crate::archive::verify::{Condition, Difference, bags_in, verify};

/// Puts the bag of one report folder into `to` and gives the bag's folder back. `photographs` is where the photographs are
/// now, when they are no longer where the report's way leads: the slide's folder, or the folder that holds it.
///
/// # Errors
/// When the report or a photograph is missing, a photograph or `slide.toml` is no longer what the report read, the bag is
/// there already, `to` lies in the slide's or the report's own folder, or it cannot be written to. Nothing is left in `to` then.
pub fn archive(report: &Path, photographs: Option<&Path>, to: &Path) -> Result<PathBuf> {
    let parcel = Parcel::gather(report, photographs)?;
    let name = folder_name(&parcel.recorded.slide.id);
    let place = to.join(&name);
    if place.symlink_metadata().is_ok() {
        return Err(Error::new(
            &place,
            "is there already, and a bag is never written over",
            "give another folder with --to, or move the older bag away",
        ));
    }
    let failed = |e: std::io::Error| {
        Error::new(&place, "the bag cannot be written there", "check that the folder given with --to can be written to")
            .caused_by(e)
    };
    parcel.keeps_out(to)?;
    fs::create_dir_all(to).map_err(failed)?;
    let draft = Draft::begin(to, ".bag-").map_err(failed)?;
    let folder = draft.path().join(&name);
    let now = jiff::Timestamp::now();
    let mut bag = Bag::begin(&folder).map_err(failed)?;
    let mut stored = Vec::with_capacity(parcel.files.len());
    for file in &parcel.files {
        let Payload { bytes, sha256 } = bag.take(&file.from, &file.to)?;
        if file.sha256.as_ref().is_some_and(|expected| *expected != sha256) {
            return Err(Error::new(
                &file.from,
                format!(
                    "is no longer the file that {} read: its SHA-256 is another",
                    report.join("report.json").display()
                ),
                "put the untouched file back, or check the slide again and archive that report",
            ));
        }
        stored.push(bytes);
    }
    let metadata = crate_metadata::of(&parcel, &stored, now);
    bag.add("data/ro-crate-metadata.json", metadata.as_bytes()).map_err(failed)?;
    bag.finish(&parcel.recorded, now).map_err(failed)?;
    let condition = verify(&folder)?;
    if !condition.whole() {
        return Err(Error::new(&place, "the bag read back is not what was written", "check the disk, and try again"));
    }
    fs::rename(&folder, &place).map_err(failed)?;
    Ok(place)
}

#[cfg(test)]
mod tests;
