//! Where each kind of defect that is present usually comes from, and what cures it.
//!
//! Common practice of the trade; no source gives it as a norm.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::section::sets::Passes;
use crate::section::totals::Tally;
use crate::slide::record::{Finish, Impregnation, SlideRecord};

/// Kinds of things whose causes are named: what is judged, and what is only seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CauseKind {
    /// Bubbles.
    Bubbles,
    /// Plucked areas.
    Plucks,
    /// Scratches.
    Scratches,
    /// Fibres; they are not judged.
    Fibres,
    /// Areas that have come off the glass; they are not judged.
    Lifted,
}

/// A kind of defect with its usual causes and its cure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Cause {
    /// The kind.
    pub kind: CauseKind,
    /// Where it usually comes from, one sentence.
    pub causes: String,
    /// What cures it here and what keeps it out of the next section, one or two sentences.
    pub cure: String,
}

/// Of every kind that was found; empty when nothing was.
pub(super) fn causes(record: &SlideRecord, tally: &Tally) -> Vec<Cause> {
    let mut out = Vec::new();
    if !tally.bubbles.is_empty() {
        out.push(bubbles(record.finish));
    }
    if !tally.plucks.is_empty() || tally.ambiguous_plucks > 0 || tally.plucks_at_one_position > 0 {
        out.push(plucks(record, tally));
    }
    if tally.scratches_found > 0 {
        out.push(scratches(record, tally));
    }
    if !tally.fibres.is_empty() {
        out.push(fibres(record.finish));
    }
    if !tally.lifted.is_empty() {
        out.push(lifted());
    }
    if record.untouchable {
        for cause in &mut out {
            cause.cure = "This section is not to be touched: leave it, and note it on its record.".into();
        }
    }
    out
}

fn bubbles(finish: Finish) -> Cause {
    let bond = "air stirred into the resin or not drawn off under vacuum, a damp or rough chip, or pressing too fast";
    let (causes, cure) = match finish {
        Finish::Covered => (
            format!(
                "Above the grains when focusing up, they lie in the cover cement: trapped as the cover was lowered, or boiled \
                 out of overheated cement. Below the grains, they lie in the bond: {bond}."
            ),
            "In the cement: lift the cover and cover again. In the bond: there is no cure in place, remake; next time let the \
             resin stand under vacuum, dry the chip well and lower it at an angle.",
        ),
        Finish::Uncovered | Finish::Polished => (
            format!("Without a cover they lie in the bond under the rock: {bond}."),
            "There is no cure in place, and rock over a bubble tears out as it thins. Next time let the resin stand under \
             vacuum, dry the chip well, lower it at an angle and press the bubbles to the edge.",
        ),
    };
    Cause { kind: CauseKind::Bubbles, causes, cure: cure.into() }
}

fn fibres(finish: Finish) -> Cause {
    let cure = match finish {
        Finish::Covered => {
            "Clean the cover and look again: one that stays lies under it, sharp where the focus is near the grains. Lift the \
             cover, clean the section and cover anew, with lint-free wipes and clean cement."
        }
        Finish::Uncovered | Finish::Polished => {
            "Clean the section with a lint-free wipe and photograph it again; before it is covered none may lie on it."
        }
    };
    Cause {
        kind: CauseKind::Fibres,
        causes:
            "Shed by clothing or a paper towel, or a hair; between crossed polars many are as coloured as a mineral."
                .into(),
        cure: cure.into(),
    }
}

fn lifted() -> Cause {
    Cause {
        kind: CauseKind::Lifted,
        causes: "Damp or greasy glass, resin badly mixed, a shock of heat or cold, or a wheel that snatched.".into(),
        cure: "None but a remake; into a tiny one thin resin can be wicked under vacuum. It is never ground: it tears out. Next time \
               clean and dry glass and chip, weigh the resin, and warm and cool slowly."
            .into(),
    }
}

fn plucks(record: &SlideRecord, tally: &Tally) -> Cause {
    let weak = match record.impregnation {
        Impregnation::None => "rock that was not impregnated",
        Impregnation::Clear | Impregnation::Blue => "resin that did not reach or did not hold the grain",
    };
    let mut causes =
        format!("Usually {weak}, coarse grit kept too long, a lap too dry, or soft and hard minerals side by side.");
    if tally.ambiguous_plucks > 0 {
        causes += " Some holes may be the rock's own: pores, which clear resin does not mark, or isotropic minerals, as garnet. Reflected light \
                   tells, and dyed resin a pore.";
    }
    if tally.plucks_at_one_position > 0 {
        causes += " Some may be grains at extinction: a second crossed photograph 45 degrees away tells.";
    }
    Cause {
        kind: CauseKind::Plucks,
        causes,
        cure: "What is gone does not come back; resin cured into the surface keeps the neighbours while there is rock to grind. \
               Next time impregnate the slab under vacuum before cutting, and change early to the finer grit."
            .into(),
    }
}

fn scratches(record: &SlideRecord, tally: &Tally) -> Cause {
    let in_sets: usize = tally.scratch_sets.iter().map(|s| s.scratches).sum();
    let stray = tally.scratches_found.saturating_sub(in_sets);
    let carried = "a grain of coarser grit carried over on plate, holder or section";
    let left = "damage of a coarser step that the next one was too short to take off, or a coarse plate not washed";
    let causes = if tally.scratch_sets.is_empty() {
        format!("Single ones without a common direction: usually {carried}.")
    } else {
        let several = tally.scratch_sets.len() > 1 || tally.scratch_sets.iter().any(|s| s.passes == Passes::Several);
        let passes = if several { "Of several passes" } else { "Of one pass" };
        let strays =
            if stray > 0 { format!(" The {stray} that run otherwise: usually {carried}.") } else { String::new() };
        format!("{passes}: usually {left}.{strays}")
    };
    let cure = match record.finish {
        Finish::Covered => {
            "Under the cover they stay; they lie in the rock's surface and only grinding takes them. Next time wash everything \
             before each change of grit."
        }
        Finish::Uncovered | Finish::Polished => {
            "With rock to spare go back one grit and work across them until none is left; without, the cement of a cover hides \
             shallow ones. Wash everything before each change of grit."
        }
    };
    Cause { kind: CauseKind::Scratches, causes, cure: cure.into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::defects::Scratch;
    use crate::section::totals::{Weighed, WeighedBubble};
    use crate::verdict::fixture::record;

    fn bubbly() -> Tally {
        Tally {
            bubbles: vec![WeighedBubble { diameter_um: Some(90.0), share: 0.01, confidence: 0.9 }],
            ..Tally::default()
        }
    }

    #[test]
    fn what_is_not_there_has_no_cause() {
        assert!(causes(&record(), &Tally::default()).is_empty());
    }

    #[test]
    fn a_bubble_without_a_cover_lies_in_the_bond() {
        let mut bare = record();
        bare.finish = Finish::Uncovered;
        let of_bare = causes(&bare, &bubbly());
        assert!(of_bare[0].causes.contains("bond") && !of_bare[0].causes.contains("cement"), "{of_bare:?}");
        let covered = SlideRecord { finish: Finish::Covered, ..bare };
        let of_covered = causes(&covered, &bubbly());
        assert!(
            of_covered[0].cure.contains("lift the cover") && of_covered[0].cure.contains("remake"),
            "{of_covered:?}"
        );
    }

    #[test]
    fn a_fibre_under_a_cover_is_got_at_by_lifting_it() {
        let tally = Tally { fibres: vec![Some(800.0)], ..Tally::default() };
        let mut slide = record();
        slide.finish = Finish::Uncovered;
        let of_bare = causes(&slide, &tally);
        assert!(of_bare[0].kind == CauseKind::Fibres && !of_bare[0].cure.contains("Lift"), "{of_bare:?}");
        slide.finish = Finish::Covered;
        assert!(causes(&slide, &tally)[0].cure.contains("Lift the cover"));
    }

    #[test]
    fn what_has_lifted_is_made_again_and_never_ground() {
        let found = causes(&record(), &Tally { lifted: vec![Some(9e4)], ..Tally::default() });
        assert!(found[0].kind == CauseKind::Lifted && found[0].cure.contains("remake"), "{found:?}");
        assert!(found[0].cure.contains("never ground"));
    }

    #[test]
    fn what_must_not_be_touched_is_not_to_be_cured() {
        let held = SlideRecord { untouchable: true, ..record() };
        let tally = Tally { plucks: vec![Weighed { share: 0.01, confidence: 0.9 }], ..bubbly() };
        let found = causes(&held, &tally);
        assert_eq!(found.len(), 2);
        assert!(found.iter().all(|c| c.cure.contains("not to be touched")));
    }

    #[test]
    fn a_single_scratch_is_a_carried_grain_and_a_set_is_not() {
        let stray = Tally { scratches_found: 2, ..Tally::default() };
        assert!(causes(&record(), &stray)[0].causes.contains("carried over"));
        let parallel: Vec<Scratch> = (0..4)
            .map(|k| Scratch {
                field: "A".into(),
                x0_px: 0.0,
                y0_px: 40.0 * f64::from(k),
                x1_px: 300.0,
                y1_px: 40.0 * f64::from(k),
                length_um: Some(300.0),
                width_um: Some(6.0),
                confidence: 0.9,
            })
            .collect();
        let sets = crate::section::sets::sets(&parallel.iter().collect::<Vec<_>>(), None);
        let of_set = causes(&record(), &Tally { scratches_found: 4, scratch_sets: sets, ..Tally::default() });
        assert!(of_set[0].causes.starts_with("Of one pass") && !of_set[0].causes.contains("carried"), "{of_set:?}");
    }
}
