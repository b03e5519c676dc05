//! The words that the terminal and the page share.

use crate::report::record::{Report, ThicknessStatus};
use crate::thickness::QUARTZ_NAME;
use crate::verdict::Outcome;
use crate::verdict::causes::CauseKind;
use crate::verdict::limits::Limit;

/// The verdict in a word or three.
#[must_use]
pub const fn headline(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "Pass",
        Outcome::Regrind => "Regrind",
        Outcome::Recover => "Lift the cover",
        Outcome::Remake => "Remake",
        Outcome::Undetermined => "Not decided",
    }
}

/// "31.2 µm (95 %: 30.8 to 31.6), 140 quartz grains" (or "140 grains of orthoclase"), or why there is none.
#[must_use]
pub fn thickness_line(report: &Report) -> String {
    let t = &report.thickness;
    match (t.status, t.mean_um, t.ci95_um) {
        (ThicknessStatus::Measured, Some(mean), Some([low, high])) => {
            let grains = t.quartz_grains.unwrap_or(0);
            let range = t.range_across_um.map_or_else(String::new, |r| format!(", {r:.1} µm across the section"));
            let s = if grains == 1 { "" } else { "s" };
            let grains = other_than_quartz(report).map_or_else(
                || format!("{grains} quartz grain{s}"),
                |mineral| format!("{grains} grain{s} of {mineral}"),
            );
            format!("{mean:.1} µm (95 %: {low:.1} to {high:.1}){range}, {grains}")
        }
        _ => format!("not measured: {}", t.why.as_deref().unwrap_or("no reason given")),
    }
}

/// The mineral that thickness was measured by, when it was measured and by another than quartz.
#[must_use]
pub fn other_than_quartz(report: &Report) -> Option<&str> {
    report.thickness.mineral.as_deref().filter(|mineral| *mineral != QUARTZ_NAME)
}

/// A limit in words.
#[must_use]
pub const fn limit(limit: Limit) -> &'static str {
    match limit {
        Limit::Thickness => "Thickness everywhere",
        Limit::RangeAcross => "Range across the section",
        Limit::LargestBubble => "Largest bubble",
        Limit::BubblesPerMm2 => "Number of bubbles",
        Limit::BubbleArea => "Area of bubbles",
        Limit::PluckedArea => "Plucked area",
        Limit::Scratches => "Scratches",
    }
}

/// A kind of defect as a heading.
#[must_use]
pub const fn kind(kind: CauseKind) -> &'static str {
    match kind {
        CauseKind::Bubbles => "Bubbles",
        CauseKind::Plucks => "Plucked places",
        CauseKind::Scratches => "Scratches",
        CauseKind::Fibres => "Fibres",
        CauseKind::Lifted => "Lifted places",
    }
}

/// A unit as printed.
#[must_use]
pub fn unit(unit: &str) -> &str {
    match unit {
        "um" => "µm",
        "per_mm2" => "per mm²",
        "mm_per_mm2" => "mm per mm²",
        other => other,
    }
}
