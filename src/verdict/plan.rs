//! The regrind plan: how much to take off, where, and when to stop.
//!
//! Better too thick than too thin: the plan aims at the target plus what the measurement may be wrong by, rounds down,
//! never touches a place that is already there, and keeps the probability of going below the lower limit anywhere
//! under [`MISSED_UP_TO`]. No rate per stroke is given: none is published, and it varies with grit, rock and pressure.

use std::cmp::Ordering;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::slide::record::{Corner, SlideRecord};
use crate::thickness::{FieldThickness, ThicknessSurface};
use crate::verdict::conformance::{MISSED_UP_TO, share_of_draws};
use crate::verdict::flat_lap::{self, FlatLap};
use crate::verdict::limits::Limits;

/// Least that going back one grit takes off with the scratches, µm (common practice is 3 to 10 µm; no published source).
pub const SCRATCH_DEPTH_UM: f64 = 3.0;
/// Removals are given in steps of this, rounded down, µm: a grinding micrometer shows no more.
const STEP_UM: f64 = 0.5;
/// One-sided 95 % quantile of the normal distribution.
const Z_ONE_SIDED: f64 = 1.644_853_626_951_472_2;
/// Thickness at which common practice stops the wheel and goes on by hand, µm (several laboratories' hand-outs; no norm).
const WHEEL_STOP_UM: f64 = 40.0;

/// Where the wheel is to stop on the way to a target, µm: as far above a thicker one as 40 is above 30.
pub(super) fn wheel_stop_um(target_um: f64) -> f64 {
    WHEEL_STOP_UM.max(target_um + 10.0)
}

/// A value for each corner of the section, section side up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct AtCorners {
    /// x = 0, y = height.
    pub top_left: f64,
    /// x = width, y = height.
    pub top_right: f64,
    /// x = 0, y = 0.
    pub bottom_left: f64,
    /// x = width, y = 0.
    pub bottom_right: f64,
}

/// The corners in the order of [`AtCorners`] and of `ThicknessSurface::at_corners_um`.
pub const CORNERS: [Corner; 4] = [Corner::TopLeft, Corner::TopRight, Corner::BottomLeft, Corner::BottomRight];

impl AtCorners {
    /// From values in the order of [`CORNERS`].
    #[must_use]
    pub const fn from_array([top_left, top_right, bottom_left, bottom_right]: [f64; 4]) -> Self {
        Self { top_left, top_right, bottom_left, bottom_right }
    }

    /// In the order of [`CORNERS`].
    #[must_use]
    pub const fn to_array(self) -> [f64; 4] {
        [self.top_left, self.top_right, self.bottom_left, self.bottom_right]
    }
}

/// How much rock to take off, µm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Removal {
    /// Mean over the section, µm.
    pub mean: f64,
    /// At each corner, µm; null when thickness at the corners is not known.
    pub at_each_corner: Option<AtCorners>,
    /// At the centre of a curved section, µm; null when the section is a plane as far as is known.
    pub at_centre: Option<f64>,
}

/// What to do at the lap.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RegrindPlan {
    /// How much to take off, µm.
    pub remove_um: Removal,
    /// The corner where the section is thickest, as photographed section side up; null when it is even or not known.
    pub high_corner: Option<Corner>,
    /// Where the high corner is, from the bevelled corner; null when either is not known.
    pub relative_to_mark: Option<String>,
    /// What the grinding micrometer reads when it is done, µm; null when its last reading was not given.
    pub micrometer_target_um: Option<f64>,
    /// The plan in sentences for the bench.
    pub sentences: Vec<String>,
}

/// Makes the plan, or None when what must come off would likely leave the section too thin.
///
/// `scratched`: at least [`SCRATCH_DEPTH_UM`] must come off everywhere.
#[must_use]
pub fn regrind(
    record: &SlideRecord,
    surface: &ThicknessSurface,
    limits: &Limits,
    scratched: bool,
) -> Option<RegrindPlan> {
    let least = if scratched { SCRATCH_DEPTH_UM } else { 0.0 };
    let aim = limits.target_um + Z_ONE_SIDED * surface.mean_um.standard_uncertainty;
    let wedge = surface.thickens_toward.is_some();
    let corners = surface.at_corners_um.filter(|_| wedge).map(|c| c.map(|m| m.value));

    // The draws' own chance of being too thin already: the plan must not add to it, and cannot take it away.
    let before = share_of_draws(&surface.extremes_um, |e| e[0] < limits.thickness_min_um)?;
    let allowed = MISSED_UP_TO.max(before);

    let candidate = |aim: f64| -> Removal {
        let off = |thickness: f64| round_down((thickness - aim).max(least));
        match corners {
            Some(at) => {
                let at = at.map(off);
                let mean = at.iter().sum::<f64>() / 4.0;
                Removal { mean, at_each_corner: Some(AtCorners::from_array(at)), at_centre: None }
            }
            None => {
                let mean = off(surface.mean_um.value);
                let at_each_corner = surface.at_corners_um.map(|_| AtCorners::from_array([mean; 4]));
                Removal { mean, at_each_corner, at_centre: None }
            }
        }
    };
    let lap = FlatLap::of(surface, least);
    let lowest = match &lap {
        Some(_) => Some(surface.at_thinnest_um.value),
        None => corners.map(|at| at.into_iter().fold(f64::INFINITY, f64::min)),
    };
    // A wedge whose thin corner is under the target is left a little inclined, unless that alone would miss the range.
    let level = lowest.map_or(aim, |thinnest| {
        let u = surface.range_across_um.map_or(0.0, |r| r.standard_uncertainty);
        aim.min(thinnest + (limits.range_um - Z_ONE_SIDED * u - STEP_UM).max(0.0)).max(thinnest.min(aim))
    });

    let highest = surface.at_thickest_um.value;
    let mut at = level;
    let remove_um = loop {
        let (removal, left) = match &lap {
            Some(lap) => (lap.removal(at), lap.left(at)),
            None => {
                let removal = candidate(at);
                (removal, after(record, surface, &removal))
            }
        };
        if share_of_draws(&left, |e| e[0] < limits.thickness_min_um)? <= allowed {
            break removal;
        }
        if at > highest {
            return None;
        }
        at += STEP_UM;
    };
    if remove_um.mean <= 0.0 || before > 0.5 {
        return None;
    }

    // On a section that is bent more than tilted no corner is to be pressed.
    let high_corner = corners.filter(|_| lap.as_ref().is_none_or(FlatLap::is_wedge)).map(|at| highest_corner(&at));
    let relative_to_mark = high_corner.and_then(|corner| Some(from_mark(corner, record.mark_corner?, record)));
    let micrometer_target_um = record.micrometer_um.map(|reading| reading - remove_um.mean);
    let mut plan =
        RegrindPlan { remove_um, high_corner, relative_to_mark, micrometer_target_um, sentences: Vec::new() };
    plan.sentences = sentences(&plan, record, surface);
    Some(plan)
}

/// Least and greatest thickness of each draw after a removal that is bilinear between the corners, µm.
#[must_use]
pub fn after(record: &SlideRecord, surface: &ThicknessSurface, removal: &Removal) -> Vec<[f64; 2]> {
    match (removal.at_each_corner, record.width_mm, record.height_mm) {
        (Some(off), Some(width), Some(height)) if surface.gradient_um_per_mm.is_some() => surface
            .draws
            .iter()
            .map(|draw| draw.less(off.to_array(), [width, height]).extremes_over([width, height]))
            .collect(),
        _ => surface.extremes_um.iter().map(|e| e.map(|t| t - removal.mean)).collect(),
    }
}

fn highest_corner(at: &[f64; 4]) -> Corner {
    let highest = (0..4).max_by(|a, b| at[*a].total_cmp(&at[*b])).unwrap_or(0);
    CORNERS[highest]
}

pub(super) fn round_down(value: f64) -> f64 {
    // A hair of tolerance, so that 6.0 computed as 5.999… stays 6.0.
    (value / STEP_UM + 1e-9).floor() * STEP_UM
}

/// Where a corner is, said from the bevelled one: nobody at the bench knows which way up a left or a right was meant.
#[must_use]
pub fn from_mark(corner: Corner, mark: Corner, record: &SlideRecord) -> String {
    let (x, y) = position(corner);
    let (mx, my) = position(mark);
    match (x != mx, y != my) {
        (false, false) => "the bevelled corner itself".into(),
        (true, true) => "the corner diagonally opposite the bevelled one".into(),
        (along_width, _) => match (record.width_mm, record.height_mm) {
            (Some(w), Some(h)) if (w - h).abs() > 0.02 * w.max(h) => {
                let edge = if along_width == (w > h) { "long" } else { "short" };
                format!("the corner next to the bevelled one along the {edge} edge")
            }
            // No long edge to go by: the way round, seen with the rock up.
            _ => {
                let clockwise = [(false, true), (true, true), (true, false), (false, false)];
                let place = |p| clockwise.iter().position(|c| *c == p).unwrap_or(0);
                let way = if (place((mx, my)) + 1) % 4 == place((x, y)) { "clockwise" } else { "anticlockwise" };
                format!("the next corner {way} from the bevelled one, seen with the rock up")
            }
        },
    }
}

/// (far along x, far along y).
const fn position(corner: Corner) -> (bool, bool) {
    match corner {
        Corner::TopLeft => (false, true),
        Corner::TopRight => (true, true),
        Corner::BottomLeft => (false, false),
        Corner::BottomRight => (true, false),
    }
}

fn sentences(plan: &RegrindPlan, record: &SlideRecord, surface: &ThicknessSurface) -> Vec<String> {
    let mut out = Vec::new();
    let mean = plan.remove_um.mean;
    match (plan.remove_um.at_each_corner, plan.high_corner) {
        (Some(_), None) if plan.remove_um.at_centre.is_some() => {
            out.extend(flat_lap::sentences(&plan.remove_um, surface, record));
        }
        (Some(at), Some(high)) => {
            let at = at.to_array();
            let most = at.into_iter().fold(0.0, f64::max);
            let high_is = plan.relative_to_mark.as_deref();
            out.push(match high_is {
                Some(name) => format!("Press on the high corner, {name}: take {} off there.", micrometres(most)),
                None => format!(
                    "Press on the high corner that the drawing marks: take {} off there. (Name the bevelled corner as \
                     mark_corner in slide.toml and the report says where that is from it.)",
                    micrometres(most)
                ),
            });
            if let Some(mark) = record.mark_corner {
                let others: Vec<String> = CORNERS
                    .iter()
                    .zip(at)
                    .filter(|(corner, _)| **corner != high)
                    .map(|(corner, off)| {
                        let what = if off > 0.0 { micrometres(off) } else { "nothing".into() };
                        format!("{what} at {}", from_mark(*corner, mark, record).replace(" itself", ""))
                    })
                    .collect();
                out.push(format!("Take {}.", others.join("; ")));
            }
            if let Some(centre) = plan.remove_um.at_centre {
                out.push(format!(
                    "It is bent as well as tilted: {} comes off at the centre, on a true plate.",
                    if centre > 0.0 { micrometres(centre) } else { "nothing".into() }
                ));
            }
        }
        _ => out.push(match uneven(surface) {
            Some((thick, thin)) => format!(
                "Take no more than {} off anywhere: the section is thick at field {thick} and thin at {thin}. Three fields that do not \
                 lie on one line, with centre_mm in slide.toml, tell which corner to press.",
                micrometres(mean)
            ),
            None => format!("Take {} off, evenly.", micrometres(mean)),
        }),
    }
    let stop = wheel_stop_um(record.target_um);
    if surface.mean_um.value > stop && mean > 2.0 * STEP_UM {
        out.push(format!("Stop the wheel at about {stop:.0} µm and finish by hand."));
    }
    if let Some(reading) = plan.micrometer_target_um {
        out.push(format!("The micrometer should then read {reading:.1} µm."));
    }
    out.push("Stop short of it, wash, dry and look again: too thick can be mended, too thin cannot.".into());
    out
}

/// Difference between fields above which a section without a known gradient is not to be ground evenly, µm.
pub(crate) const UNEVEN_UM: f64 = 2.0;

/// Names of the thickest and the thinnest field, where they differ and the gradient is not known.
fn uneven(surface: &ThicknessSurface) -> Option<(&str, &str)> {
    if surface.gradient_um_per_mm.is_some() {
        return None;
    }
    let of = |f: &FieldThickness| f.thickness_um.map(|t| t.value);
    let known = || surface.per_field.iter().filter(|f| f.thickness_um.is_some());
    let thick = known().max_by(|a, b| of(a).partial_cmp(&of(b)).unwrap_or(Ordering::Equal))?;
    let thin = known().min_by(|a, b| of(a).partial_cmp(&of(b)).unwrap_or(Ordering::Equal))?;
    (of(thick)? - of(thin)? > UNEVEN_UM).then_some((&thick.name, &thin.name))
}

/// "6 µm", "6.5 µm": steps of half a micrometre carry no more digits.
pub(super) fn micrometres(value: f64) -> String {
    if (value - value.round()).abs() < 0.05 { format!("{value:.0} µm") } else { format!("{value:.1} µm") }
}

#[cfg(test)]
mod tests;
