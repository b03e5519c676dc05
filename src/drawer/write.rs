//! The tables of a drawer onto disk.

use std::fs;
use std::path::Path;

use crate::drawer::index::to_html;
use crate::drawer::record::DrawerRecord;
use crate::drawer::table::to_csv;
use crate::error::{Error, Result};
use crate::report::write::THUMBNAIL;

/// The files of a drawer's tables; no slide's report may lie under one of these names.
pub const FILES: [&str; 3] = ["drawer.csv", "index.html", "drawer.json"];

/// Writes `drawer.csv`, `index.html` and `drawer.json` into `out`; each is put in place of an older one when all are written.
///
/// # Errors
/// When `out` cannot be made or written to.
pub fn write_tables(out: &Path, record: &DrawerRecord) -> Result<()> {
    let failed = |e: std::io::Error| {
        Error::new(
            out,
            "the tables cannot be written there",
            "check that the folder given with --out can be written to",
        )
        .caused_by(e)
    };
    let texts = [to_csv(record)?, to_html(record, |report| thumbnail(&out.join(report)))?, record.to_json()];
    fs::create_dir_all(out).map_err(failed)?;
    let draft = tempfile::Builder::new().prefix(".drawer-").tempdir_in(out).map_err(failed)?;
    for (name, text) in FILES.iter().zip(&texts) {
        fs::write(draft.path().join(name), text).map_err(failed)?;
    }
    for name in FILES {
        fs::rename(draft.path().join(name), out.join(name)).map_err(failed)?;
    }
    Ok(())
}

/// Longest thumbnail that is shown, bytes: a longer one is none that this program wrote.
const MOST_BYTES: u64 = 32 << 10;

/// The thumbnail in a report's folder; None when there is none or it is no JPEG of its size.
fn thumbnail(report: &Path) -> Option<Vec<u8>> {
    let file = report.join(THUMBNAIL);
    let size = fs::metadata(&file).ok().filter(std::fs::Metadata::is_file)?.len();
    let bytes = if size <= MOST_BYTES { fs::read(file).ok()? } else { return None };
    bytes.starts_with(&[0xff, 0xd8, 0xff]).then_some(bytes)
}
