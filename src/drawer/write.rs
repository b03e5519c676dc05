//! The tables of a drawer onto disk.

use std::fs;
use std::path::Path;

use crate::drawer::index::to_html;
use crate::drawer::record::DrawerRecord;
use crate::drawer::table::to_csv;
use crate::error::{Error, Result};

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
    let texts = [to_csv(record)?, to_html(record)?, record.to_json()];
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
