//! The plucked area: what is called plucked, what is in doubt, and what one position of the polars cannot tell.

use super::in_doubt::InDoubt;
use super::{AREA_U, Reason, not_judged, percent, share_reason};
use crate::section::totals::Tally;
use crate::slide::record::Impregnation;
use crate::verdict::conformance::Met;
use crate::verdict::limits::{Limit, Limits};

/// Of fields that can be judged.
pub(super) fn area(limits: &Limits, tally: &Tally) -> Reason {
    let allowed = limits.pluck_area_fraction;
    let total = tally.totals.pluck_area_fraction;
    let words = |share| format!("Plucked places take {} of the area", percent(share));
    let called: Vec<(f64, f64)> = tally.plucks.iter().map(|w| (w.share, w.confidence)).collect();
    let r = share_reason(Limit::PluckedArea, allowed, total, &called, words);
    let InDoubt { p, adds: Some(more) } = InDoubt::of(&tally.plucks, &tally.plucks_in_doubt, AREA_U, allowed) else {
        return r;
    };
    let found = total.filter(|t| *t > 0.0).map_or_else(|| "No place is plucked for certain".into(), words);
    let holes = if tally.plucks_in_doubt.len() == 1 { "one doubtful hole" } else { "doubtful holes" };
    let sentence = format!("{found}, and {holes} would take {} more; {} is allowed.", percent(more), percent(allowed));
    Reason { conformance_probability: Some(p), met: Met::from_probability(Some(p)).as_bool(), sentence, ..r }
}

/// One position of the polars does not judge plucked places; where some are seen all the same, the limit must be known.
///
/// In clear resin a second position would not tell them from the rock's own pores, and those do not count. Nor does a pixel too coarse
/// for small ones judge the area, but what is plucked for certain asks to be looked at closer.
pub(super) fn not_judged_area(limits: &Limits, tally: &Tally, impregnation: Impregnation, why: &str) -> Reason {
    let at_one = if impregnation == Impregnation::Clear { 0 } else { tally.plucks_at_one_position };
    let seen = at_one.max(tally.found_unjudged[1]);
    let mut r =
        not_judged(Limit::PluckedArea, [None, Some(limits.pluck_area_fraction)], why, tally.is_unsharp() || seen > 0);
    match seen {
        0 => {}
        1 => r.sentence.push_str(" One place looks like such a hole."),
        n => r.sentence.push_str(&format!(" {n} places look like such holes.")),
    }
    r
}
