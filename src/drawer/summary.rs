//! What the terminal says of a drawer.

use std::fmt::Write as _;
use std::path::Path;

use crate::drawer::record::{Counts, DrawerRecord};
use crate::grinder::record::Found;
use crate::report::terminal::plain;

/// The counts that are not nought, in the order in which they count, and where the tables are.
#[must_use]
pub fn lines(record: &DrawerRecord, kept: usize, out: &Path) -> String {
    let Counts { slides, pass, regrind, recover, remake, undetermined, failed } = record.counts;
    let mut text = format!("{slides} slide{}", if slides == 1 { "" } else { "s" });
    if kept > 0 {
        // Writing into a String cannot fail.
        let _ = write!(text, ", of which {kept} had their report already");
    }
    text.push('\n');
    for (n, what) in [
        (failed, "could not be checked"),
        (remake, "remake"),
        (regrind, "regrind"),
        (recover, "lift the cover"),
        (undetermined, "not decided"),
        (pass, "pass"),
    ] {
        if n > 0 {
            let _ = writeln!(text, "{n:6}  {what}");
        }
    }
    for said in record.grinder.statements.iter().filter(|s| s.found == Found::Signal) {
        let _ = writeln!(text, "{}", plain(&said.sentence));
    }
    let _ = writeln!(text, "page    {}", plain(&out.join("index.html").display().to_string()));
    let _ = writeln!(text, "table   {}", plain(&out.join("drawer.csv").display().to_string()));
    text
}

/// A line for each slide that could not be checked, and for each warning.
#[must_use]
pub fn complaints(record: &DrawerRecord) -> Vec<String> {
    let failures = record.slides.iter().filter_map(|row| row.failure.as_deref());
    let warnings = record.warnings.iter().map(String::as_str);
    failures.chain(warnings).chain(of_empty(&record.passed_over).as_deref()).map(plain).collect()
}

/// How many folders in which nothing lies are named.
const NAMED: usize = 4;

/// What is said of folders in which nothing lies; None when there are none.
#[must_use]
pub fn of_empty(folders: &[String]) -> Option<String> {
    // The way out of the reports' folder says nothing to who reads the sentence elsewhere.
    let shown = folders.iter().take(NAMED).map(|f| f.trim_start_matches("../")).collect::<Vec<_>>().join(", ");
    match folders.len() {
        0 => None,
        1 => Some(format!("{shown} is empty: if it is to be a slide, its photographs are missing.")),
        n if n <= NAMED => Some(format!("{shown} are empty: if they are to be slides, their photographs are missing.")),
        n => Some(format!(
            "{shown} and {} more folders are empty: if they are to be slides, their photographs are missing.",
            n - NAMED
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_folders_are_named_and_no_more_than_a_few() {
        let said = |n: usize| of_empty(&(0..n).map(|i| format!("../LM-{i}")).collect::<Vec<_>>());
        assert_eq!(said(0), None);
        assert!(said(1).unwrap().starts_with("LM-0 is empty: "));
        assert!(said(4).unwrap().starts_with("LM-0, LM-1, LM-2, LM-3 are empty: "));
        assert!(said(6).unwrap().starts_with("LM-0, LM-1, LM-2, LM-3 and 2 more folders are empty: "));
    }
}
