//! One table from reports that were made elsewhere.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::drawer::alike::{Judged, alike};
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
    /// The folder of reports that it came from, as the file system knows it.
    from: PathBuf,
    /// When it was told; None when that is no time.
    at: Option<Timestamp>,
    /// What it was judged by; None for a failure.
    judged: Option<Judged>,
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

/// The table of these folders: each holds a report, or is the output of a drawer or of a collation and holds or names many.
/// `out` is where the table is going to be, and is made.
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
    let mut heard = Heard::default();
    for path in given {
        let reports = reports_in(path)?;
        let table = path.join(TABLE);
        if reports.is_empty() && !table.is_file() {
            return Err(Error::new(path, "holds no report", "give report folders, or a folder that holds them"));
        }
        heard.reports.extend(reports);
        if table.is_file() {
            heard.table(&table, &out);
        }
    }
    if heard.reports.is_empty() && heard.failures.is_empty() {
        let first = given.first().map_or(out.as_path(), PathBuf::as_path);
        return Err(Error::new(first, "holds no report", "give report folders, or a folder that holds them"));
    }
    let reports = heard.reports.iter().map(|report| told_in(report, &out, &made_at)).collect();
    let told = that_hold(reports, heard.failures);
    let mut warnings = heard.warnings;
    warnings.extend(alike(told.iter().filter_map(|t| Some((t.row.id.as_str(), t.judged.as_ref()?)))));
    let rows: Vec<SlideRow> = told.into_iter().map(|told| told.row).collect();
    warnings.extend(told_twice(&rows));
    heard.passed_over.sort();
    heard.passed_over.dedup();
    Ok(DrawerRecord::of(rows, warnings, made_at).passing_over(heard.passed_over))
}

/// What the folders and tables that were given hold.
#[derive(Default)]
struct Heard {
    reports: BTreeSet<PathBuf>,
    failures: Vec<Told>,
    passed_over: Vec<String>,
    warnings: Vec<String>,
}

impl Heard {
    /// Takes from a table the slides that could not be checked, told as seen from `out`, its empty folders, and the way to its reports.
    fn table(&mut self, path: &Path, out: &Path) {
        let known = read::<DrawerRecord>(path, "check that drawer again").and_then(|record| {
            let form = record.schema_version.split('.').next() == Some("1");
            let place = path.canonicalize().ok().and_then(|at| at.parent().map(Path::to_path_buf));
            let unknown = || Error::new(path, "is a table of another form than 1", "check that drawer again");
            place.filter(|_| form).map(|place| (record, place)).ok_or_else(unknown)
        });
        let (record, place) = match known {
            Ok(known) => known,
            Err(error) => return self.warnings.push(format!("What failed there is not told: {}.", error.chain())),
        };
        let here = way(out, &place);
        for row in &record.slides {
            let report = row.report.as_deref().filter(|_| row.checked.is_some()).map(|report| place.join(report));
            match report.map(|report| (report.join("report.json").is_file(), report.canonicalize())) {
                Some((true, Ok(report))) => drop(self.reports.insert(report)),
                Some(_) => {
                    self.warnings.push(format!("The report of {} is not where {} has it.", row.id, path.display()));
                }
                None => {}
            }
        }
        let full = |folder: &String| fs::read_dir(out.join(folder)).is_ok_and(|mut entries| entries.next().is_some());
        let empty = record.passed_over.iter().map(|folder| from_here(&here, folder));
        self.passed_over.extend(empty.filter(|folder| !full(folder)));
        for row in record.slides.into_iter().filter(|row| row.checked.is_none()) {
            // A report that could not be read is read again where it lies; neither was told by the first versions.
            let Some(failed_in) = row.failed_in.clone().or(row.failed_at.is_none().then(|| ".".into())) else {
                continue;
            };
            let failed_at = row.failed_at.clone().unwrap_or_else(|| record.made_at.clone());
            let from = place.join(&failed_in);
            self.failures.push(Told {
                at: failed_at.parse().ok(),
                from: from.canonicalize().unwrap_or(from),
                row: SlideRow {
                    id: row.id,
                    failed_at: Some(failed_at),
                    failed_in: Some(from_here(&here, &failed_in)),
                    ..failure_row(
                        from_here(&here, &row.folder),
                        row.failure.unwrap_or_else(|| "for no reason given".into()),
                    )
                },
                judged: None,
            });
        }
    }
}

/// What the report in a folder tells, or now that it cannot be read.
fn told_in(report: &Path, out: &Path, now: &str) -> Told {
    let from = report.parent().unwrap_or(report).to_path_buf();
    let read = reported_in(report).and_then(|reported| {
        let (at, judged) = (reported.made_at.parse().ok(), Judged::of(&reported));
        Ok((row_as_seen(reported, report, out)?, at, judged))
    });
    match read {
        Ok((row, at, judged)) => Told { row, from, at, judged: Some(judged) },
        Err(error) => {
            let row = failed(report, out, &error, report.parent());
            Told { row: SlideRow { failed_at: Some(now.to_owned()), ..row }, from, at: None, judged: None }
        }
    }
}

/// Of each slide of a drawer what was told last, its report or its failure; where no time tells, both.
fn that_hold(reports: Vec<Told>, failures: Vec<Told>) -> Vec<Told> {
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
    // Of several failures of one slide the last is told.
    let older = |f: &Told| failed.get(&f.slide()).zip(f.at).is_some_and(|(last, at)| *last > at);
    let holding = reports.into_iter().filter(|r| !withdrawn(r));
    let mut told: Vec<Told> = holding.chain(failures.into_iter().filter(|f| !older(f))).collect();
    let order = |t: &Told| (t.row.folder.clone(), t.from.clone(), t.at);
    told.sort_by(|a, b| by_id(&a.row.id, &b.row.id).then_with(|| order(a).cmp(&order(b))));
    // A table that was collated before tells what it heard.
    told.dedup_by(|a, b| a.row == b.row);
    told
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
    SlideRow { id: name, ..failure_row(place, reason(error, base)) }
}

/// A row of a slide that could not be checked, whose id, time and drawer are still to be told.
pub(super) fn failure_row(folder: String, failure: String) -> SlideRow {
    SlideRow {
        id: String::new(),
        folder,
        report: None,
        failure: Some(failure),
        failed_at: None,
        failed_in: None,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawer::record::tests::{failed, row};

    fn told(row: SlideRow, from: &str, at: Option<&str>) -> Told {
        Told { row, from: from.into(), at: at.map(|at| at.parse().unwrap()), judged: None }
    }

    /// Ids of the rows that hold, with whether each was checked.
    fn hold(reports: Vec<Told>, failures: Vec<Told>) -> Vec<(String, bool)> {
        that_hold(reports, failures).into_iter().map(|t| (t.row.id, t.row.checked.is_some())).collect()
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
        let both = || vec![twice("2000-01-01T10:00:00Z"), twice("2000-01-01T09:00:00Z")];
        let last = that_hold(Vec::new(), both());
        assert_eq!(last.len(), 1, "the last of several");
        assert_eq!(last[0].row.failed_at.as_deref(), AFTER);
        let rows = that_hold(vec![told(row("LM-1"), "a", AFTER)], vec![told(failed("LM-1", "damaged"), "b", BEFORE)]);
        let rows: Vec<SlideRow> = rows.into_iter().map(|t| t.row).collect();
        let said = told_twice(&rows);
        assert_eq!(said, ["LM-1 has a report, and could not be checked elsewhere: see which is meant."]);
    }
}
