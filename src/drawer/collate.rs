//! One table from reports that were made elsewhere.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use crate::drawer::order::by_id;
use crate::drawer::record::{DrawerRecord, SlideRow};
use crate::drawer::reported::{Reported, from_here};
use crate::error::{Error, Result};
use crate::report::write::way;

/// A longer file is none that this program wrote, bytes.
const MAX_BYTES: u64 = 256 << 20;

/// The row of the report in the folder `report`, which is told of as seen from the absolute folder `out`.
///
/// # Errors
/// When it cannot be read or is no report of form 1.
pub fn row_of(report: &Path, out: &Path) -> Result<SlideRow> {
    let json = report.join("report.json");
    let advice = "give a folder that thinproof check wrote a report into";
    let reported: Reported = read(&json, advice)?;
    if reported.schema_version.split('.').next() != Some("1") {
        return Err(Error::new(
            &json,
            "is a report of another form than 1, which this version does not know",
            "collate it with the version that wrote it",
        ));
    }
    let here = report.canonicalize().map_err(|e| Error::new(report, "cannot be opened", advice).caused_by(e))?;
    Ok(reported.row(&way(out, &here)))
}

/// The table of these folders: each holds a report, or is the output of a drawer and holds many. `out` is where the table is
/// going to be, and is made.
///
/// A report that cannot be read is a row that says so; what a drawer could not check stays in the table with its reason.
///
/// # Errors
/// When `out` cannot be made, or a folder holds no report at all.
pub fn collate(folders: &[PathBuf], out: &Path, made_at: String) -> Result<DrawerRecord> {
    let unusable = |e: std::io::Error| {
        Error::new(out, "cannot be made", "check that the folder given with --out can be written to").caused_by(e)
    };
    fs::create_dir_all(out).map_err(unusable)?;
    let out = out.canonicalize().map_err(unusable)?;
    let mut reports = BTreeSet::new();
    let mut rows = Vec::new();
    for folder in folders {
        let found = reports_in(folder)?;
        let table = folder.join("drawer.json");
        let failures = if table.is_file() { failures_of(&table, &out)? } else { Vec::new() };
        if found.is_empty() && failures.is_empty() {
            return Err(Error::new(folder, "holds no report", "give report folders, or a folder that holds them"));
        }
        reports.extend(found);
        rows.extend(failures);
    }
    for report in &reports {
        rows.push(row_of(report, &out).unwrap_or_else(|error| failed(report, &out, &error, report.parent())));
    }
    // A slide that could not be checked once, and could later, is no failure.
    let checked: BTreeSet<String> = rows.iter().filter(|r| r.checked.is_some()).map(|r| r.folder.clone()).collect();
    rows.retain(|r| r.checked.is_some() || !checked.contains(&r.folder));
    rows.sort_by(|a, b| by_id(&a.id, &b.id).then_with(|| a.folder.cmp(&b.folder)));
    rows.dedup();
    let warnings = told_twice(&rows);
    Ok(DrawerRecord::of(rows, warnings, made_at))
}

/// The report folders at or directly in a folder, as the file system knows them.
fn reports_in(folder: &Path) -> Result<Vec<PathBuf>> {
    let failed = |e: std::io::Error| {
        Error::new(folder, "cannot be read", "give report folders, or a folder that holds them").caused_by(e)
    };
    if folder.join("report.json").is_file() {
        return Ok(vec![folder.canonicalize().map_err(failed)?]);
    }
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        if !hidden && entry.path().join("report.json").is_file() {
            found.push(entry.path().canonicalize().map_err(failed)?);
        }
    }
    Ok(found)
}

/// The slides that a drawer could not check, told as seen from `out`.
fn failures_of(table: &Path, out: &Path) -> Result<Vec<SlideRow>> {
    let record: DrawerRecord = read(table, "check that drawer again")?;
    let here = table.parent().unwrap_or(Path::new("."));
    let here = here.canonicalize().map_err(|e| Error::new(table, "cannot be opened", "check the disk").caused_by(e))?;
    let here = way(out, &here);
    let failures = record.slides.into_iter().filter(|row| row.checked.is_none());
    Ok(failures.map(|row| SlideRow { folder: from_here(&here, &row.folder), ..row }).collect())
}

fn read<T: serde::de::DeserializeOwned>(path: &Path, advice: &str) -> Result<T> {
    let failed = |e: std::io::Error| Error::new(path, "cannot be read", advice).caused_by(e);
    if fs::metadata(path).map_err(failed)?.len() > MAX_BYTES {
        return Err(Error::new(path, "is far longer than any that thinproof writes", advice));
    }
    let text = fs::read_to_string(path).map_err(failed)?;
    serde_json::from_str(&text).map_err(|e| Error::new(path, "was not written by thinproof", advice).caused_by(e))
}

/// The row of a folder with which something went wrong. Paths under `base` are told from there.
pub(super) fn failed(folder: &Path, out: &Path, error: &Error, base: Option<&Path>) -> SlideRow {
    let name = folder.file_name().map_or_else(|| "slide".into(), |n| n.to_string_lossy().into_owned());
    let place = folder.canonicalize().map_or_else(|_| folder.to_string_lossy().replace('\\', "/"), |at| way(out, &at));
    SlideRow { id: name, folder: place, report: None, failure: Some(reason(error, base)), checked: None }
}

/// What went wrong, with paths under `base` told from there: a reason does not hang on where a drawer stands.
pub(super) fn reason(error: &Error, base: Option<&Path>) -> String {
    let said = error.chain();
    base.into_iter()
        .fold(said, |said, base| said.replace(&format!("{}{}", base.display(), std::path::MAIN_SEPARATOR), ""))
}

/// A warning for each id that more than one report bears.
fn told_twice(rows: &[SlideRow]) -> Vec<String> {
    let mut by: BTreeMap<&str, usize> = BTreeMap::new();
    for row in rows.iter().filter(|r| r.checked.is_some()) {
        *by.entry(&row.id).or_default() += 1;
    }
    by.retain(|_, n| *n > 1);
    by.iter().map(|(id, n)| format!("{n} reports are of a slide with the id {id}: see which is meant.")).collect()
}
