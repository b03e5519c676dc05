//! What is said about defects that set in or grow more from section to section.

use super::{nothing, p, sentence};
use crate::grinder::findings::{Grinder, KINDS, OnsetOf};
use crate::grinder::record::{Found, Statement, Subject};
use crate::grinder::{CHANCE, FEWEST_FOR_ONSET, Section};
use crate::section::defects::DefectKind;

pub(super) fn defects(kind: DefectKind, found: Option<&OnsetOf>, grinder: &Grinder) -> Statement {
    let (about, index) = match kind {
        DefectKind::Scratches => (Subject::Scratches, 0),
        DefectKind::Bubbles => (Subject::Bubbles, 1),
        DefectKind::Plucks => (Subject::Plucks, 2),
    };
    let sections: Vec<&Section> = grinder.batch.runs.iter().flatten().collect();
    let known = sections.iter().filter(|s| s.left[index].is_some()).count();
    let word = crate::verdict::advice::kind_words(kind);
    let Some(OnsetOf { sections: those, values, onset, direction }) = found else {
        let text = if known >= FEWEST_FOR_ONSET {
            let same = sections.iter().filter_map(|s| s.left[index]).next().unwrap_or(0.0);
            let all = if same > 0.0 { "all sections carry the same of them" } else { "no section carries any" };
            return Statement {
                found: Found::Nothing,
                sentence: sentence("", &format!("{word} do not begin anywhere: {all} ({known} slides).")),
                ..nothing(about, known)
            };
        } else {
            format!(
                "from where on there are more {word} takes {FEWEST_FOR_ONSET} sections in sequence; {known} could show them."
            )
        };
        return Statement { sentence: sentence("", &text), ..nothing(about, known) };
    };
    let first = sections[those[onset.at]];
    let place = first.sequence.map_or_else(String::new, |n| format!(" (place {n})"));
    let signal = onset.chance * KINDS.len() as f64 <= CHANCE;
    let evidence = format!(
        "Ranks of {} sections by sequence, before and from {}{place} on: {} of {} carry {word} before, {} of {} from there on; \
         as sharp a change for the worse anywhere in a shuffled order: {} (three kinds are looked at).",
        values.len(),
        first.id,
        onset.carry[0],
        onset.sections[0],
        onset.carry[1],
        onset.sections[1],
        p(onset.chance),
    );
    let (text, to_do) = if signal {
        let directed = direction.filter(|(_, chance)| *chance <= CHANCE);
        let one_way = directed.is_some_and(|(mean, _)| mean.spread_deg() <= ONE_WAY_DEG);
        let way = directed.map_or_else(String::new, |(mean, chance)| {
            format!(
                "; {} {:.0}° from the width, give or take {:.0}° ({})",
                if one_way { "all run near one direction," } else { "more of them run near" },
                mean.axis_deg,
                mean.spread_deg(),
                p(chance)
            )
        });
        let text = format!(
            "{word} from {}{place} on: {} of {} sections carry them, {} of {} before ({}){way}.",
            first.id,
            onset.carry[1],
            onset.sections[1],
            onset.carry[0],
            onset.sections[0],
            p(onset.chance)
        );
        (text, vec![cure(kind, one_way).to_owned()])
    } else {
        let text =
            format!("no section from which on there are more {word} ({} slides, {}).", values.len(), p(onset.chance));
        (text, Vec::new())
    };
    Statement {
        about,
        found: if signal { Found::Signal } else { Found::Nothing },
        sentence: sentence("", &text),
        what_to_do: to_do,
        evidence,
        chance: Some(onset.chance),
        sections: values.len(),
    }
}

/// Spread of directions, one standard deviation, up to which scratches run one way. House value.
const ONE_WAY_DEG: f64 = 25.0;

/// Where to look (common practice, no source).
const fn cure(kind: DefectKind, one_way: bool) -> &'static str {
    match kind {
        DefectKind::Scratches if one_way => {
            "Wash or change the plate used last, and look for a grain of coarser grit carried over: one edge drawn one way leaves them."
        }
        DefectKind::Scratches => {
            "Wash or change the plate and the slurry, and clean sections between grits: coarser grit is being carried over."
        }
        DefectKind::Bubbles => {
            "Look at what changed in the bonding: resin batch, its time under vacuum, dryness of the chips, pressure."
        }
        DefectKind::Plucks => {
            "Look at what changed in impregnation and coarse grinding: resin batch, vacuum, wear of the wheel, feed."
        }
    }
}
