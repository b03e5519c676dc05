//! The few lines that a person at the bench reads in two seconds.

use std::fmt::Write as _;
use std::path::Path;

use crate::error::{disguises, shown};
use crate::report::record::Report;
use crate::report::words;
use crate::verdict::Outcome;

/// So many steps are printed; all of them stand in the report.
const STEPS: usize = 3;

/// Verdict, thickness with its interval, what to do, and where the report is. Plain text, control characters escaped.
#[must_use]
pub fn lines(report: &Report, page: &Path) -> String {
    let mut out = String::new();
    let headline = words::headline(report.verdict.outcome).to_uppercase();
    // Writing into a String cannot fail.
    let _ = writeln!(out, "{}  {headline}", shown(&report.slide.id));
    let _ = writeln!(out, "  why        {}", shown(&report.verdict.why));
    let thickness = match report.thickness.why.as_deref() {
        // The verdict has just said it.
        Some(why) if report.verdict.why.contains(why) => "not measured".into(),
        _ => words::thickness_line(report),
    };
    let _ = writeln!(out, "  thickness  {}", shown(&thickness));
    let steps = &report.verdict.next_steps;
    for (n, step) in steps.iter().take(STEPS).enumerate() {
        let more = match steps.len().saturating_sub(STEPS) {
            more if more > 0 && n + 1 == STEPS => format!(" And {more} more in the report."),
            _ => String::new(),
        };
        let _ = writeln!(out, "  {}  {}{more}", if n == 0 { "do       " } else { "         " }, shown(step));
    }
    // A pass that stands on photographs with something wrong about them is read no further at the bench.
    if report.verdict.outcome == Outcome::Pass && !report.warnings.is_empty() {
        let of = match report.warnings.len() {
            1 => "one thing".to_owned(),
            n => format!("{n} things"),
        };
        let _ = writeln!(out, "  warned     of {of} about the photographs: see the report");
    }
    // Where something is to be ground or opened, the first of the cautions; all of them stand in the report.
    if matches!(report.verdict.outcome, Outcome::Regrind | Outcome::Remake | Outcome::Recover)
        && report.cautions.len() > 2
        && let Some(first) = report.cautions.first()
    {
        let _ = writeln!(out, "  care       {} More in the report; your laboratory's rules come first.", shown(first));
    }
    let _ = writeln!(out, "  report     {}", shown(&page.display().to_string()));
    out
}

/// Text from outside without control characters (terminal escapes, line breaks, direction overrides).
#[must_use]
pub fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || disguises(c) { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_moves_the_cursor() {
        assert_eq!(plain("a\u{1b}[31mb\r\nc\u{202e}d\u{9b}e"), "a [31mb  c d e");
    }
}
