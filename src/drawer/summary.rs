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
    failures.chain(record.warnings.iter().map(String::as_str)).map(plain).collect()
}
