//! One table from reports that were made elsewhere.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::drawer::order::by_id;
use crate::drawer::record::{DrawerRecord, SlideRow};
use crate::drawer::reported::{Reported, from_here};
use crate::error::{Error, Result};
use crate::report::write::way;

/// The table that a drawer's failures are told in.
pub const TABLE: &str = "drawer.json";

const ADVICE: &str = "give a folder that thinproof check wrote a report into";

/// A longer file is none that this program wrote, bytes.
const MAX_BYTES: u64 = 256 << 20;

/// A row with what tells whether it still holds.
struct Told {
    row: SlideRow,
    /// The folder of the table or of the reports that it came from, as the file system knows it.
    from: PathBuf,
    /// When it was told; None when that is no time.
    at: Option<Timestamp>,
}

impl Told {
    /// What it is told of: of two drawers, as they came from two machines, the same way may lead to two slides.
    fn slide(&self) -> (PathBuf, String) {
        (self.from.clone(), self.row.folder.clone())
    }
}

/// The row of the report in the folder `report`, which is told of as seen from the absolute folder `out`.
///
/// # Errors
/// When it cannot be read or is no report of form 1.
pub fn row_of(report: &Path, out: &Path) -> Result<SlideRow> {
    reported_in(report).and_then(|reported| row_as_seen(reported, report, out))
}

fn row_as_seen(reported: Reported, report: &Path, out: &Path) -> Result<SlideRow> {
    let here = report.canonicalize().map_err(|e| Error::new(report, "cannot be opened", ADVICE).caused_by(e))?;
    Ok(reported.row(&way(out, &here)))
}

fn reported_in(report: &Path) -> Result<Reported> {
    let json = report.join("report.json");
    let reported: Reported = read(&json, ADVICE)?;
    if reported.schema_version.split('.').next() == Some("1") {
        return Ok(reported);
    }
    Err(Error::new(
        &json,
        "is a report of another form than 1, which this version does not know",
        "collate it with the version that wrote it",
    ))
}

/// The table of these folders: each holds a report, or is the output of a drawer and holds many; a drawer's own `drawer.json` is
/// taken for its failures. `out` is where the table is going to be, and is made.
///
/// A report that cannot be read is a row that says so; what a drawer could not check stays in the table with its reason, until a
/// later report of the same slide lies in that drawer's folder. A report from before the failure is none any more.
///
/// # Errors
/// When `out` cannot be made, or a folder holds no report at all.
pub fn collate(given: &[PathBuf], out: &Path, made_at: String) -> Result<DrawerRecord> {
    let unusable = |e: std::io::Error| {
        Error::new(out, "cannot be made", "check that the folder given with --out can be written to").caused_by(e)
    };
    fs::create_dir_all(out).map_err(unusable)?;
    let out = out.canonicalize().map_err(unusable)?;
    let (mut reports, mut failures, mut passed_over) = (BTreeSet::new(), Vec::new(), Vec::new());
    for path in given {
        let (found, table) =
            if path.is_file() { (Vec::new(), path.clone()) } else { (reports_in(path)?, path.join(TABLE)) };
        let failed = if table.is_file() { failures_of(&table, &out, &mut passed_over)? } else { Vec::new() };
        if path.is_dir() && found.is_empty() && failed.is_empty() {
            return Err(Error::new(path, "holds no report", "give report folders, or a folder that holds them"));
        }
        reports.extend(found);
        failures.extend(failed);
    }
    let (mut told, mut judged) = (Vec::new(), Judged::default());
    for report in &reports {
        let from = report.parent().unwrap_or(report).to_path_buf();
        let read = reported_in(report).and_then(|reported| {
            let at = reported.made_at.parse().ok();
            judged.hear(&reported);
            Ok((row_as_seen(reported, report, &out)?, at))
        });
        let (row, at) = read.unwrap_or_else(|error| (failed(report, &out, &error, report.parent()), None));
        told.push(Told { row, from, at });
    }
    let rows = that_hold(told, failures);
    let mut warnings = told_twice(&rows);
    warnings.extend(judged.warning());
    passed_over.sort();
    passed_over.dedup();
    Ok(DrawerRecord::of(rows, warnings, made_at).passing_over(passed_over))
}

/// Of each slide of a drawer what was told last, its report or its failure; where no time tells, both.
fn that_hold(reports: Vec<Told>, failures: Vec<Told>) -> Vec<SlideRow> {
    let last = |told: &[Told]| {
        let mut last: HashMap<(PathBuf, String), Timestamp> = HashMap::new();
        for told in told {
            let Some(at) = told.at else { continue };
            let known = last.entry(told.slide()).or_insert(at);
            *known = at.max(*known);
        }
        last
    };
    let reported = last(&reports);
    // Of the same second, the failure counts: it is the one that must not be lost.
    let mended = |f: &Told| reported.get(&f.slide()).zip(f.at).is_some_and(|(report, failure)| *report > failure);
    let failures: Vec<Told> = failures.into_iter().filter(|f| !mended(f)).collect();
    let failed = last(&failures);
    let withdrawn = |r: &Told| failed.get(&r.slide()).zip(r.at).is_some_and(|(failure, report)| *failure >= report);
    let holding = reports.into_iter().filter(|r| !withdrawn(r));
    let mut rows: Vec<SlideRow> = holding.chain(failures).map(|told| told.row).collect();
    rows.sort_by(|a, b| by_id(&a.id, &b.id).then_with(|| a.folder.cmp(&b.folder)));
    // A table that was collated before tells what it heard.
    rows.dedup();
    rows
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

/// The slides that a drawer could not check, told as seen from `out`, and into `passed_over` its empty folders.
fn failures_of(table: &Path, out: &Path, passed_over: &mut Vec<String>) -> Result<Vec<Told>> {
    let record: DrawerRecord = read(table, "check that drawer again")?;
    let table =
        table.canonicalize().map_err(|e| Error::new(table, "cannot be opened", "check the disk").caused_by(e))?;
    let from = table.parent().unwrap_or(Path::new(".")).to_path_buf();
    let here = way(out, &from);
    passed_over.extend(record.passed_over.iter().map(|folder| from_here(&here, folder)));
    let failures = record.slides.into_iter().filter(|row| row.checked.is_none()).map(|row| {
        let failed_at = row.failed_at.unwrap_or_else(|| record.made_at.clone());
        let at = failed_at.parse().ok();
        let row = SlideRow { folder: from_here(&here, &row.folder), failed_at: Some(failed_at), ..row };
        Told { row, from: from.clone(), at }
    });
    Ok(failures.collect())
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
    SlideRow {
        id: name,
        folder: place,
        report: None,
        failure: Some(reason(error, base)),
        failed_at: None,
        checked: None,
    }
}

/// What went wrong, with paths under `base` told from there: a reason does not hang on where a drawer stands.
pub(super) fn reason(error: &Error, base: Option<&Path>) -> String {
    let said = error.chain();
    base.into_iter()
        .fold(said, |said, base| said.replace(&format!("{}{}", base.display(), std::path::MAIN_SEPARATOR), ""))
}

/// A warning for each id that more than one row bears, a report among them.
fn told_twice(rows: &[SlideRow]) -> Vec<String> {
    let mut by: BTreeMap<&str, [usize; 2]> = BTreeMap::new();
    for row in rows {
        by.entry(&row.id).or_default()[usize::from(row.checked.is_none())] += 1;
    }
    by.iter()
        .filter_map(|(id, [reports, failures])| match (reports, failures) {
            (0 | 1, 0) | (0, _) => None,
            (n, 0) => Some(format!("{n} reports are of a slide with the id {id}: see which is meant.")),
            (1, _) => Some(format!("{id} has a report, and could not be checked elsewhere: see which is meant.")),
            (n, _) => Some(format!("{id} has {n} reports, and could not be checked elsewhere: see which is meant.")),
        })
        .collect()
}

/// The limits of the reports, to tell whether all were judged alike.
#[derive(Default)]
struct Judged {
    /// Ids by all limits but that of thickness.
    others: BTreeMap<String, Vec<String>>,
    /// Ids by the limit of thickness, for each target: that follows the slide.
    thickness: BTreeMap<String, BTreeMap<String, Vec<String>>>,
}

impl Judged {
    fn hear(&mut self, report: &Reported) {
        let is_thickness = |limit: &&serde_json::Value| limit["limit"] == "thickness";
        let text = |limits: Vec<&serde_json::Value>| {
            let told: Vec<String> = limits.iter().map(|l| format!("{} {}", l["limit"], l["allowed"])).collect();
            told.join(", ")
        };
        let (thickness, others): (Vec<_>, Vec<_>) = report.limits.iter().partition(is_thickness);
        let id = || report.slide.id.clone();
        self.others.entry(text(others)).or_default().push(id());
        let target = format!("{} {}", report.slide.short.target_um, report.slide.polish_to_come);
        self.thickness.entry(target).or_default().entry(text(thickness)).or_default().push(id());
    }

    /// What is said when they differ, with a slide of each kind.
    fn warning(&self) -> Option<String> {
        let kinds = std::iter::once(&self.others).chain(self.thickness.values()).find(|kinds| kinds.len() > 1)?;
        let told: Vec<String> = kinds
            .values()
            .filter_map(|ids| match ids.as_slice() {
                [] => None,
                [one] => Some(one.clone()),
                [first, rest @ ..] => Some(format!("{first} and {} more", rest.len())),
            })
            .collect();
        Some(format!(
            "The reports were not all judged by the same limits: {}. Check them again with one --limits file before comparing verdicts.",
            told.join(" by one set, ") + " by another"
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawer::record::tests::{failed, row};
    use crate::report::cases::report_of;

    fn told(row: SlideRow, from: &str, at: Option<&str>) -> Told {
        Told { row, from: from.into(), at: at.map(|at| at.parse().unwrap()) }
    }

    /// Ids of the rows that hold, with whether each was checked.
    fn hold(reports: Vec<Told>, failures: Vec<Told>) -> Vec<(String, bool)> {
        that_hold(reports, failures).into_iter().map(|r| (r.id, r.checked.is_some())).collect()
    }

    const BEFORE: Option<&str> = Some("2000-01-01T09:00:00Z");
    const AFTER: Option<&str> = Some("2000-01-01T10:00:00Z");

    #[test]
    fn of_a_slide_of_a_drawer_holds_what_was_told_last() {
        let both = |report: Option<&str>, failure: Option<&str>| {
            hold(vec![told(row("LM-1"), "a", report)], vec![told(failed("LM-1", "damaged"), "a", failure)])
        };
        let one = |checked: bool| vec![("LM-1".to_owned(), checked)];
        assert_eq!(both(BEFORE, AFTER), one(false), "damaged since");
        assert_eq!(both(AFTER, BEFORE), one(true), "mended since");
        assert_eq!(both(AFTER, AFTER), one(false), "of one second, the failure is not lost");
        for (report, failure) in [(None, AFTER), (AFTER, None), (None, None)] {
            assert_eq!(both(report, failure).len(), 2, "without a time nothing is dropped");
        }
    }

    #[test]
    fn the_same_way_on_two_machines_leads_to_two_slides() {
        let reports = vec![told(row("LM-1"), "a", AFTER)];
        let failures = vec![told(failed("LM-1", "damaged"), "b", BEFORE)];
        assert_eq!(hold(reports, failures).len(), 2);
        let twice = |at: &str| {
            let row = SlideRow { failed_at: Some(at.into()), ..failed("LM-1", "damaged") };
            told(row, "b", Some(at))
        };
        assert_eq!(hold(Vec::new(), vec![twice("2000-01-01T09:00:00Z"), twice("2000-01-01T09:00:00Z")]).len(), 1);
        assert_eq!(hold(Vec::new(), vec![twice("2000-01-01T09:00:00Z"), twice("2000-01-01T10:00:00Z")]).len(), 2);
        let rows = that_hold(vec![told(row("LM-1"), "a", AFTER)], vec![told(failed("LM-1", "damaged"), "b", BEFORE)]);
        let said = told_twice(&rows);
        assert_eq!(said, ["LM-1 has a report, and could not be checked elsewhere: see which is meant."]);
    }

    #[test]
    fn limits_are_the_same_where_only_the_target_differs() {
        let report = |id: &str, target: f64, range: f64| -> Reported {
            let mut json = serde_json::to_value(report_of("regrind")).unwrap();
            json["slide"]["id"] = id.into();
            json["slide"]["target_um"] = target.into();
            for limit in json["limits"].as_array_mut().unwrap() {
                match limit["limit"].as_str().unwrap() {
                    "thickness" => limit["allowed"] = serde_json::json!([target - 5.0, target + 5.0]),
                    "range_across" => limit["allowed"] = serde_json::json!([null, range]),
                    _ => {}
                }
            }
            serde_json::from_value(json).unwrap()
        };
        let warning = |reports: &[Reported]| {
            let mut judged = Judged::default();
            reports.iter().for_each(|r| judged.hear(r));
            judged.warning()
        };
        assert_eq!(warning(&[report("a", 30.0, 6.0), report("b", 20.0, 6.0), report("c", 30.0, 6.0)]), None);
        let said = warning(&[report("a", 30.0, 6.0), report("b", 30.0, 4.0), report("c", 30.0, 6.0)]).unwrap();
        assert!(said.contains("not all judged by the same limits") && said.contains("a and 1 more by"), "{said}");
        let mut other = report("d", 30.0, 6.0);
        other.limits[0]["allowed"] = serde_json::json!([26.0, 34.0]);
        assert_eq!(other.limits[0]["limit"], "thickness");
        assert!(warning(&[report("a", 30.0, 6.0), other]).is_some());
    }
}
