//! What a table takes from the reports.

use std::path::{Component, Path};

use serde::Deserialize;

use crate::drawer::record::{CheckedRow, DefectsInShort, SlideInShort, SlideRow, ThicknessInShort};
use crate::measured::round;
use crate::report::record::Tool;
use crate::section::totals::{COUNTED_FROM, DefectTotals};
use crate::verdict::{Outcome, RegrindPlan};

/// What a table takes from a `report.json`; a report of a later version may hold more.
#[derive(Debug, Deserialize)]
pub(super) struct Reported {
    pub(super) schema_version: String,
    pub(super) slide: ReportedSlide,
    read_from: Option<ReportedPlace>,
    verdict: ReportedVerdict,
    thickness: ThicknessInShort,
    defects: ReportedDefects,
    regrind_plan: Option<RegrindPlan>,
    fields: Vec<ReportedField>,
    /// As JSON: a later version may know limits that this one does not.
    #[serde(default)]
    pub(super) limits: Vec<serde_json::Value>,
    warnings: Vec<String>,
    tool: Tool,
    pub(super) made_at: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct ReportedSlide {
    pub(super) id: String,
    #[serde(default)]
    pub(super) polish_to_come: bool,
    #[serde(flatten)]
    pub(super) short: SlideInShort,
}

#[derive(Debug, Deserialize)]
struct ReportedField {
    name: String,
}

#[derive(Debug, Deserialize)]
struct ReportedPlace {
    folder: String,
}

#[derive(Debug, Deserialize)]
struct ReportedVerdict {
    outcome: Outcome,
    why: String,
    next_steps: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct ReportedDefects {
    bubbles: Vec<Finding>,
    plucks: Vec<Finding>,
    scratches: Vec<ScratchFinding>,
    scratch_sets: Vec<SetFinding>,
    totals: DefectTotals,
    unjudged: Vec<UnjudgedKind>,
}

#[derive(Debug, Deserialize)]
struct Finding {
    confidence: f64,
    #[serde(default)]
    ambiguous: bool,
}

#[derive(Debug, Deserialize)]
struct ScratchFinding {
    x0_px: f64,
    y0_px: f64,
    x1_px: f64,
    y1_px: f64,
    confidence: f64,
}

#[derive(Debug, Deserialize)]
struct SetFinding {
    direction_deg: f64,
}

impl ReportedDefects {
    /// Direction of the longest set, which comes first, or of the longest scratch.
    fn scratches_deg(&self) -> Option<f64> {
        let span = |s: &ScratchFinding| (s.x1_px - s.x0_px, s.y0_px - s.y1_px);
        let length = |s: &ScratchFinding| span(s).0.hypot(span(s).1);
        let longest = self
            .scratches
            .iter()
            .filter(|s| s.confidence >= COUNTED_FROM)
            .max_by(|a, b| length(a).total_cmp(&length(b)))
            .map(|s| round(span(s).1.atan2(span(s).0).to_degrees().rem_euclid(180.0), 1).rem_euclid(180.0));
        self.scratch_sets.first().map(|set| set.direction_deg).or(longest)
    }
}

#[derive(Debug, Deserialize)]
struct UnjudgedKind {
    field: String,
    kind: String,
}

impl Reported {
    /// The row of a report that lies in the folder `report`, as seen from the table.
    pub(super) fn row(self, report: &str) -> SlideRow {
        let defects = &self.defects;
        // None found is only known where a field could have shown one.
        let known = |kind: &str, found: usize| {
            let shows =
                |field: &ReportedField| !defects.unjudged.iter().any(|u| u.kind == kind && u.field == field.name);
            (found > 0 || self.fields.iter().any(shows)).then_some(found)
        };
        let counted = |all: &[Finding], ambiguous: bool| {
            all.iter().filter(|f| f.confidence >= COUNTED_FROM && f.ambiguous == ambiguous).count()
        };
        let bubbles = known("bubbles", counted(&defects.bubbles, false));
        let plucks = known("plucks", counted(&defects.plucks, false));
        let ambiguous_plucks = known("plucks", counted(&defects.plucks, true));
        let scratches = known("scratches", defects.scratches.iter().filter(|s| s.confidence >= COUNTED_FROM).count());
        let scratches_deg = defects.scratches_deg();
        let mut unjudged: Vec<String> = self.defects.unjudged.into_iter().map(|u| u.kind).collect();
        unjudged.sort();
        unjudged.dedup();
        SlideRow {
            id: self.slide.id,
            folder: self.read_from.map_or_else(String::new, |place| from_here(report, &place.folder)),
            report: Some(report.to_owned()),
            failure: None,
            failed_at: None,
            failed_in: None,
            checked: Some(CheckedRow {
                outcome: self.verdict.outcome,
                why: self.verdict.why,
                next_steps: self.verdict.next_steps,
                slide: self.slide.short,
                thickness: self.thickness,
                defects: DefectsInShort {
                    bubbles,
                    plucks,
                    ambiguous_plucks,
                    scratches,
                    scratches_deg,
                    totals: self.defects.totals,
                    unjudged,
                },
                regrind_plan: self.regrind_plan,
                warnings: self.warnings.len(),
                tool: self.tool,
            }),
        }
    }
}

/// A way that is told from `first`, told from where `first` is told from.
pub(super) fn from_here(first: &str, then: &str) -> String {
    if Path::new(then).is_absolute() {
        return then.to_owned();
    }
    let joined = Path::new(first).join(then);
    let mut way: Vec<String> = Vec::new();
    for part in joined.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if way.last().is_some_and(|last| last != "..") => {
                way.pop();
            }
            part => way.push(part.as_os_str().to_string_lossy().into_owned()),
        }
    }
    let way = way.join("/");
    match way.strip_prefix("//") {
        Some(absolute) => format!("/{absolute}"),
        None if way.is_empty() => ".".into(),
        None => way,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ways_are_followed_in_the_mind() {
        for (first, then, way) in [
            ("LM-1", "../../slides/LM-1", "../slides/LM-1"),
            ("../part1/LM-1", "../../slides/LM-1", "../slides/LM-1"),
            ("LM-1", "..", "."),
            ("LM-1", "/slides/LM-1", "/slides/LM-1"),
            ("/reports/LM-1", "../../slides", "/slides"),
            ("../..", "../a", "../../../a"),
        ] {
            assert_eq!(from_here(first, then), way, "{first} and {then}");
        }
    }
}
