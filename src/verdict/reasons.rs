//! Each limit against what was measured: probability, met or not, and a sentence for it.

mod in_doubt;
mod plucked;
mod wording;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measured::significant;
use crate::section::defects::DefectKind;
use crate::section::totals::Tally;
use crate::slide::record::Impregnation;
use crate::thickness::{Thickness, ThicknessSurface};
use crate::verdict::conformance::{
    Met, largest_conformance, poisson_at_most, poisson_rate_interval, share_of_draws, sum_conformance,
};
use crate::verdict::limits::{Limit, Limits};
use crate::verdict::reasons::in_doubt::InDoubt;
use crate::verdict::reasons::wording::clause;
pub use crate::verdict::reasons::wording::percent;

/// Relative standard uncertainty of a bubble's diameter. Assumed (house value), common to all bubbles.
pub const DIAMETER_U: f64 = 0.04;
/// Relative standard uncertainty of plucked and bubble areas. Assumed (house value), common to all.
pub const AREA_U: f64 = 0.10;
/// Relative standard uncertainty of scratch lengths. Assumed (house value), common to all.
pub const LENGTH_U: f64 = 0.05;

/// Which end of the thickness band a reason is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The thinnest place against the lower limit.
    Thinnest,
    /// The thickest place against the upper limit.
    Thickest,
}

/// One limit and how the section stands to it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    /// Which limit.
    pub limit: Limit,
    /// Which end of the band, for thickness; null for the others.
    pub side: Option<Side>,
    /// What was measured, in `unit`; null when it is not known.
    pub measured: Option<f64>,
    /// Least and greatest allowed value, in `unit`; null where it is open.
    pub allowed: [Option<f64>; 2],
    /// um, per_mm2, fraction or mm_per_mm2.
    pub unit: String,
    /// Probability that the limit is met (JCGM 106:2012), 0..=1; null when it was not judged.
    pub conformance_probability: Option<f64>,
    /// Whether it is met: at 0.95 or more true, at 0.05 or less false, null between them and when it was not judged.
    pub met: Option<bool>,
    /// 95 % interval for the whole section if the fields are a fair sample of it (a count only); null for the others.
    pub section_interval: Option<[f64; 2]>,
    /// The same in words.
    pub sentence: String,
    /// True when the limit was not judged although something was found that it would apply to, or must be known.
    pub missing: bool,
}

impl Reason {
    /// Missed for certain.
    #[must_use]
    pub fn missed(&self) -> bool {
        self.met == Some(false)
    }

    /// A limit on defects that could not be judged, and need not be.
    #[must_use]
    pub fn is_unjudged_defect(&self) -> bool {
        let of_thickness = matches!(self.limit, Limit::Thickness | Limit::RangeAcross);
        !of_thickness && self.conformance_probability.is_none() && !self.missing
    }

    /// Judged, and neither met nor missed for certain.
    #[must_use]
    pub fn undetermined(&self) -> bool {
        self.conformance_probability.is_some() && self.met.is_none()
    }
}

/// Every limit in the order of [`Limit`]; thickness gives one reason for each end of the band that is not surely met.
#[must_use]
pub fn reasons(limits: &Limits, thickness: &Thickness, tally: &Tally, impregnation: Impregnation) -> Vec<Reason> {
    let mut out = thickness_reasons(limits, thickness);
    out.push(range_reason(limits, thickness));
    out.extend(defect_reasons(limits, tally, impregnation));
    out
}

fn reason(limit: Limit, allowed: [Option<f64>; 2], measured: Option<f64>, p: Option<f64>, sentence: String) -> Reason {
    Reason {
        limit,
        side: None,
        measured,
        allowed,
        unit: limit.unit().into(),
        conformance_probability: p,
        met: Met::from_probability(p).as_bool(),
        section_interval: None,
        sentence,
        missing: false,
    }
}

fn thickness_reasons(limits: &Limits, thickness: &Thickness) -> Vec<Reason> {
    let (low, high) = (limits.thickness_min_um, limits.thickness_max_um);
    let allowed = [Some(low), Some(high)];
    let surface = match thickness {
        Thickness::Measured(surface) => surface,
        Thickness::NotMeasurable { why, .. } => {
            let sentence = format!("The thickness could not be measured: {}", clause(why));
            return vec![Reason { missing: true, ..reason(Limit::Thickness, allowed, None, None, sentence) }];
        }
    };
    let at_least = share_of_draws(&surface.extremes_um, |e| e[0] >= low);
    let at_most = share_of_draws(&surface.extremes_um, |e| e[1] <= high);
    let both = share_of_draws(&surface.extremes_um, |e| e[0] >= low && e[1] <= high);
    let thin = Reason {
        side: Some(Side::Thinnest),
        ..reason(
            Limit::Thickness,
            allowed,
            Some(surface.at_thinnest_um.value),
            at_least,
            thickness_sentence(surface, Side::Thinnest, at_least, low),
        )
    };
    let thick = Reason {
        side: Some(Side::Thickest),
        ..reason(
            Limit::Thickness,
            allowed,
            Some(surface.at_thickest_um.value),
            at_most,
            thickness_sentence(surface, Side::Thickest, at_most, high),
        )
    };
    let doubtful: Vec<Reason> = [thin, thick].into_iter().filter(|r| r.met != Some(true)).collect();
    if !doubtful.is_empty() {
        return doubtful;
    }
    let sentence = if Met::from_probability(both) == Met::Yes {
        format!(
            "{} from {:.1} to {:.1} µm, within {low} to {high} µm.",
            if surface.gradient_um_per_mm.is_some() {
                "The section measures"
            } else {
                "What was photographed measures"
            },
            surface.at_thinnest_um.to_hundredths().value,
            surface.at_thickest_um.to_hundredths().value
        )
    } else {
        format!(
            "The thickness, {:.1} to {:.1} µm, is not known well enough to say that it stays within {low} to {high} µm \
             everywhere.",
            surface.at_thinnest_um.to_hundredths().interval[0],
            surface.at_thickest_um.to_hundredths().interval[1]
        )
    };
    vec![reason(Limit::Thickness, allowed, Some(surface.mean_um.value), both, sentence)]
}

fn thickness_sentence(surface: &ThicknessSurface, side: Side, p: Option<f64>, limit: f64) -> String {
    let (place, value, bound) = match side {
        Side::Thinnest => ("thinnest", surface.at_thinnest_um, "at least"),
        Side::Thickest => ("thickest", surface.at_thickest_um, "at most"),
    };
    let fields = surface.per_field.iter().filter(|field| field.thickness_um.is_some()).count();
    let place = match (surface.gradient_um_per_mm, fields) {
        (Some(_), _) => format!("The {place} place measures"),
        (None, 2..) => format!("The {place} of {fields} fields measures"),
        (None, _) => "The section measures".into(),
    };
    let value = value.to_hundredths();
    let [l, h] = value.interval;
    let measured = format!("{place} {:.1} µm (95 %: {l:.1} to {h:.1})", value.value);
    match Met::from_probability(p) {
        Met::Undetermined => format!("{measured}; whether that is {bound} {limit} µm cannot be said for certain."),
        _ => format!("{measured}; {bound} {limit} µm is allowed."),
    }
}

fn range_reason(limits: &Limits, thickness: &Thickness) -> Reason {
    let allowed = [None, Some(limits.range_um)];
    let range = match thickness {
        Thickness::Measured(surface) => surface.range_across_um.map(|r| (surface, r)),
        Thickness::NotMeasurable { .. } => None,
    };
    let Some((surface, range)) = range else {
        let why = match thickness {
            Thickness::Measured(_) => "the fields do not span the section",
            Thickness::NotMeasurable { .. } => "the thickness could not be measured",
        };
        let sentence = format!("The range across the section was not judged: {why}.");
        return reason(Limit::RangeAcross, allowed, None, None, sentence);
    };
    let p = share_of_draws(&surface.extremes_um, |e| e[1] - e[0] <= limits.range_um);
    let shown = range.to_hundredths();
    let [l, h] = shown.interval;
    let sentence = match Met::from_probability(p) {
        Met::Undetermined => format!(
            "Across the section the thickness changes by {:.1} µm (95 %: {l:.1} to {h:.1}); whether that is within \
             {} µm cannot be said for certain.",
            shown.value, limits.range_um
        ),
        _ => format!(
            "Across the section the thickness changes by {:.1} µm; {} µm is allowed.",
            shown.value, limits.range_um
        ),
    };
    reason(Limit::RangeAcross, allowed, Some(range.value), p, sentence)
}

fn defect_reasons(limits: &Limits, tally: &Tally, impregnation: Impregnation) -> Vec<Reason> {
    let unjudged = |kind: DefectKind| tally.unjudged.iter().find(|(k, _)| *k == kind).map(|(_, why)| why.as_str());
    let t = &tally.totals;
    let shares: Vec<(f64, f64)> = tally.bubbles.iter().map(|b| (b.share, b.confidence)).collect();
    let diameters: Option<Vec<(f64, f64)>> =
        tally.bubbles.iter().map(|b| Some((b.diameter_um?, b.confidence))).collect();
    let no_bubbles = unjudged(DefectKind::Bubbles);
    let found = !tally.bubbles.is_empty() || tally.found_unjudged[0] > 0;
    let wanted = tally.moved || found;
    let upper = |limit: f64| [None, Some(limit)];
    let largest = match (no_bubbles, diameters) {
        (Some(why), _) => not_judged(Limit::LargestBubble, upper(limits.largest_bubble_um), why, wanted),
        (None, None) => not_judged(Limit::LargestBubble, upper(limits.largest_bubble_um), NO_SCALE, found),
        (None, Some(d)) => {
            let p = largest_conformance(&d, DIAMETER_U, limits.largest_bubble_um);
            // Rounded as the record is, so that table and sentence never differ.
            let sentence = match t.largest_bubble_um.map(|um| significant(um, 4)) {
                Some(largest) => {
                    format!("The largest bubble is {largest:.0} µm across; {} µm is allowed.", limits.largest_bubble_um)
                }
                None => "No bubble was found.".into(),
            };
            reason(Limit::LargestBubble, upper(limits.largest_bubble_um), t.largest_bubble_um, Some(p), sentence)
        }
    };

    let count = match (no_bubbles, tally.bubble_area_mm2) {
        (Some(why), _) => not_judged(Limit::BubblesPerMm2, upper(limits.bubbles_per_mm2), why, wanted),
        (None, None) => {
            let mut r = not_judged(Limit::BubblesPerMm2, upper(limits.bubbles_per_mm2), NO_SCALE, found);
            if !found {
                r.sentence = "No bubble was found.".into();
            }
            r
        }
        (None, Some(area)) => count_reason(limits, tally, area),
    };

    let bubble_area = match no_bubbles {
        Some(why) => not_judged(Limit::BubbleArea, upper(limits.bubble_area_fraction), why, wanted),
        None => {
            share_reason(Limit::BubbleArea, limits.bubble_area_fraction, t.bubble_area_fraction, &shares, |share| {
                format!("Bubbles take {} of the area", percent(share))
            })
        }
    };
    let plucked = match unjudged(DefectKind::Plucks) {
        Some(why) => plucked::not_judged_area(limits, tally, impregnation, why),
        None => plucked::area(limits, tally),
    };
    let scratched = match unjudged(DefectKind::Scratches) {
        Some(why) => {
            let seen = tally.is_unsharp() || tally.scratches_found > 0;
            not_judged(Limit::Scratches, upper(limits.scratch_mm_per_mm2), why, seen)
        }
        None if t.scratch_mm_per_mm2.is_none() => {
            not_judged(Limit::Scratches, upper(limits.scratch_mm_per_mm2), NO_SCALE, tally.scratches_found > 0)
        }
        None => scratched(limits, tally),
    };
    vec![largest, count, bubble_area, plucked, scratched]
}

fn scratched(limits: &Limits, tally: &Tally) -> Reason {
    let allowed = limits.scratch_mm_per_mm2;
    let total = tally.totals.scratch_mm_per_mm2;
    let InDoubt { p, adds } = InDoubt::of(&tally.scratches, &tally.scratches_in_doubt, LENGTH_U, allowed);
    let runs = format!("Scratches run {:.2} mm per mm²", total.unwrap_or(0.0));
    let sentence = match (adds, tally.scratches.is_empty()) {
        (Some(more), true) => {
            format!("No scratch is certain, and doubtful lines would add {more:.2} mm per mm²; {allowed} is allowed.")
        }
        (Some(more), false) => {
            format!("{runs}, and doubtful lines would add {more:.2}; {allowed} is allowed.")
        }
        (None, true) => "No scratch was found.".into(),
        (None, false) => format!("{runs}; {allowed} is allowed{}.", doubt(p)),
    };
    reason(Limit::Scratches, [None, Some(allowed)], total, Some(p), sentence)
}

const NO_SCALE: &str = "the photographs have no scale";

fn count_reason(limits: &Limits, tally: &Tally, area: f64) -> Reason {
    let most = limits.bubbles_per_mm2 * area;
    let each: Vec<(f64, f64)> = tally.bubbles.iter().map(|b| (1.0, b.confidence)).collect();
    let photographed = sum_conformance(&each, 0.0, most);
    // One bubble in a field smaller than a pinhead does not condemn a section: a count misses its limit only when it
    // does so for the section that the fields are a sample of.
    let expected: f64 = each.iter().map(|(_, c)| c).sum();
    let p = photographed.max(poisson_at_most(expected, most));
    let counted = tally.totals.bubbles_per_mm2.map_or(0, |rate| (rate * area).round() as usize);
    let sentence = if each.is_empty() {
        format!("No bubble was found on {area:.1} mm².")
    } else {
        format!(
            "{counted} bubble{} on {area:.1} mm², {:.2} per mm²; {} is allowed{}.",
            if counted == 1 { "" } else { "s" },
            counted as f64 / area,
            limits.bubbles_per_mm2,
            doubt(p)
        )
    };
    Reason {
        section_interval: Some(poisson_rate_interval(counted, area)),
        ..reason(
            Limit::BubblesPerMm2,
            [None, Some(limits.bubbles_per_mm2)],
            tally.totals.bubbles_per_mm2,
            Some(p),
            sentence,
        )
    }
}

fn share_reason(
    limit: Limit,
    allowed: f64,
    total: Option<f64>,
    findings: &[(f64, f64)],
    words: impl Fn(f64) -> String,
) -> Reason {
    let Some(total) = total else {
        return not_judged(limit, [None, Some(allowed)], "no area was looked at", false);
    };
    let p = sum_conformance(findings, AREA_U, allowed);
    let sentence = match (limit, findings.is_empty()) {
        (Limit::PluckedArea, true) => "No plucked place was found.".into(),
        (_, true) => "No bubble was found.".into(),
        _ => format!("{}; {} is allowed{}.", words(total), percent(allowed), doubt(p)),
    };
    reason(limit, [None, Some(allowed)], Some(total), Some(p), sentence)
}

fn not_judged(limit: Limit, allowed: [Option<f64>; 2], why: &str, missing: bool) -> Reason {
    let what = match limit {
        Limit::LargestBubble => "The size of bubbles",
        Limit::BubblesPerMm2 => "The number of bubbles per mm²",
        Limit::BubbleArea => "The area of bubbles",
        Limit::PluckedArea => "The plucked area",
        Limit::Scratches => "The length of scratches",
        Limit::Thickness | Limit::RangeAcross => "The thickness",
    };
    // A reason that names its kind ("scratches: 6 µm per pixel is too coarse") does not need it twice.
    let names_its_kind = |kind: &str| ["bubbles", "plucked grains", "scratches"].contains(&kind);
    let why = why.split_once(": ").filter(|(kind, _)| names_its_kind(kind)).map_or(why, |(_, rest)| rest);
    Reason {
        missing,
        ..reason(limit, allowed, None, None, format!("{what} was not judged: {}.", why.trim_end_matches('.')))
    }
}

fn doubt(p: f64) -> &'static str {
    if Met::from_probability(Some(p)) == Met::Undetermined { ", and it is not certain which it is" } else { "" }
}

#[cfg(test)]
mod tests;
