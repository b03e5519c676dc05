//! Holes full of slurry: rock flour and grit of the grinding that resin or cement took in.
//!
//! They are dirty and brown in plane light, and black between crossed polars but for flour and grit, which sparkle at every position. A
//! dirty isotropic mineral, as garnet, does not sparkle, unless small crystals lie in it: such a hole is told, and never for certain.

use image::{GrayImage, Luma};
use imageproc::distance_transform::Norm;
use imageproc::morphology::{close, open};
use ndarray::Array2;

use super::patch::Patch;
use super::{Hole, SURELY_OUT, Usual, is_large_enough, labelled, patch, patches};
use crate::measured::quantile_of;
use crate::section::cells::box_mean;
use crate::section::defects::REPORTED;
use crate::section::light_field::FieldLight;
use crate::section::unjudged::LEAST_TURN_DEG;

/// Half the side of the square over which specks of light are passed over, µm.
const OVER_UM: f64 = 5.0;
/// Share of such a square that is dark between crossed polars.
const MOSTLY_OUT: f32 = 0.6;
/// Plane light under the clear level from which a cell is an opaque grain's, log units: a fifth of the light.
const OPAQUE: f32 = -1.6;
/// Share of a hole that is dark at every position: the rest sparkles. House values, as all below: on 206 slides by three renderers that know
/// nothing of the program 51 of 86 pieces of such holes look so, one other hole and two of 2062 dark places of the rock.
const DARK: std::ops::Range<f64> = 0.9..0.993;
/// Largest light between crossed polars half of it passes at one position more than at another, share of bright crystals.
const SWING: f64 = 0.0025;
/// Largest light that half of it passes at any position, share of bright crystals.
const LIGHT: f64 = 0.012;
/// Scatter of fine detail, over that of the field's quietest clear patches, that half of it has at least.
const ROUGH: f64 = 2.0;
/// Share of it that specks take up at least.
const SPECKS: f64 = 0.25;
/// Plane light of half of it against the field's clear level, log units.
const LEVEL: std::ops::Range<f64> = -0.5..0.03;
/// The same of its darkest tenth at most.
const DARKEST: f64 = -0.15;

/// Adds the holes that are full of slurry to those that were found, in place of what is less likely a hole within them.
pub(super) fn found(light: &FieldLight, detail: &Array2<f32>, usual: &Usual, holes: &mut Vec<Hole>, least: f64) {
    // At one position every crystal at extinction is as dark.
    if light.angle_spread_deg < LEAST_TURN_DEG {
        return;
    }
    let cell_um = light.plane.um_per_px * light.plane.bin as f64;
    let cells = |um: f64| ((um / cell_um).round() as usize).max(1);
    let out = light.lit.mapv(|lit| if lit < SURELY_OUT { 1.0 } else { 0.0 });
    let share = box_mean(&out, cells(OVER_UM));
    let (rows, columns) = light.lit.dim();
    let dark = GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
        let at = [y as usize, x as usize];
        let below = light.plane.coarse[at] - usual.level;
        Luma([if share[at] > MOSTLY_OUT && below > OPAQUE && !light.outside[at] { 255 } else { 0 }])
    });
    let labels = labelled(&open(&close(&dark, Norm::L1, 1), Norm::L1, cells(OVER_UM) as u8));
    let cell = light.plane.bin as f64;
    for region in patches(&labels, least) {
        let Some(hole) = full(light, detail, usual, &region) else { continue };
        let within = |h: &Hole| {
            let [x, y] = h.centroid.map(|v| (v / cell).max(0.0) as usize);
            labels.get([y, x]) == Some(&region.label)
        };
        if holes.iter().all(|h| h.confidence < REPORTED || !within(h)) {
            holes.retain(|h| !within(h));
            holes.push(hole);
        }
    }
}

/// The hole that a dark region is when it is full of slurry.
fn full(light: &FieldLight, detail: &Array2<f32>, usual: &Usual, region: &Patch) -> Option<Hole> {
    let at: Vec<[usize; 2]> = region.cells(&region.mask).collect();
    let dark = at.iter().filter(|at| light.lit[**at] < SURELY_OUT).count() as f64 / at.len() as f64;
    if !DARK.contains(&dark) {
        return None;
    }
    let of =
        |share: f64, value: &dyn Fn([usize; 2]) -> f32| quantile_of(at.iter().map(|at| value(*at)).collect(), share);
    let passed = light.crossed.iter().zip(&usual.bright).map(|(rgb, (none, bright))| {
        let sum = of(0.5, &|at| rgb[0][at] + rgb[1][at] + rgb[2][at]);
        f64::from((sum - none) / (bright - none))
    });
    let (least, most) = passed.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), v| (l.min(v), m.max(v)));
    let below = |share| f64::from(of(share, &|at| light.plane.coarse[at]) - usual.level);
    if most - least >= SWING || most >= LIGHT || !LEVEL.contains(&below(0.5)) || below(0.1) >= DARKEST {
        return None;
    }
    let looks = patch::look(light, detail, usual, region).filter(|h| is_large_enough(light, h))?;
    let rough = looks.ground > ROUGH && looks.specks > SPECKS && looks.confidence < REPORTED;
    rough.then(|| {
        let hole = Hole { slurry: true, ..looks };
        Hole { confidence: hole.odds().probability(), ..hole }
    })
}

#[cfg(test)]
mod tests {
    use super::super::drawn::{self, DARK, RADIUS, WHOLE, clear, from_the_middle};
    use super::super::find;
    use super::*;

    /// A dirty brown place without light between crossed polars but for specks of which one lies in each square of so many pixels.
    fn photographs(sparkles_every: Option<usize>) -> FieldLight {
        let plane = |x: usize, y: usize, channel: usize| {
            if from_the_middle(x, y) >= RADIUS {
                return clear(x, y);
            }
            let scattered = ((x / 3) * 73 + (y / 3) * 151 + ((x / 3) * (y / 3)) % 89) % 7;
            0.65 * if scattered < 3 { 0.55 } else { 0.95 } * [1.0, 0.95, 0.85][channel]
        };
        let speck = |x: usize, y: usize| sparkles_every.is_some_and(|every| x % every < 2 && y % every < 2);
        let dark = |x: usize, y: usize| if speck(x, y) { 0.3 } else { DARK };
        drawn::field(plane, |x, y| (from_the_middle(x, y) < RADIUS).then(|| dark(x, y)))
    }

    #[test]
    fn a_dirty_place_that_sparkles_in_the_dark_is_a_hole_or_an_isotropic_mineral() {
        let called = |every| -> Vec<Hole> {
            find(&photographs(every)).into_iter().filter(|h| h.confidence >= REPORTED).collect()
        };
        let holes = called(Some(18));
        let places: Vec<_> = holes.iter().map(|h| (h.centroid, h.area, h.confidence)).collect();
        assert_eq!(holes.len(), 1, "{places:?}");
        assert!((holes[0].area / WHOLE - 1.0).abs() < 0.2, "{places:?} of {WHOLE}");
        assert!(holes[0].slurry && holes[0].may_be_isotropic(), "never for certain");
        assert!(called(None).iter().all(|h| !h.slurry), "a dirty garnet");
    }
}
