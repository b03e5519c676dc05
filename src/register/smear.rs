//! Photographs smeared along one direction, as when the camera or the stage moves while the shutter is open.
//!
//! A boundary of grains is as sharp as the lens, whichever way it runs; out of focus, all are wider alike. Where the picture moved,
//! those across the movement are wide and those along it stay sharp. So the sharpest boundaries of each direction are
//! compared: texture and foliation change how many there are, not how sharp the sharpest are. Where few large crystals are seen
//! most boundaries of a direction may be inclined, and wide in any photograph; then a few upright ones, specks and holes are
//! still sharp, and a movement leaves nothing sharp across it.

use std::f64::consts::PI;

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::register::boundaries::{self, DIRECTIONS};
use crate::slide::photograph::Photograph;

/// Shares of the boundaries of a direction that are taken for its sharpest, of which the one that tells the least movement counts. House
/// values; see docs/robustness.md.
const SHARPEST: [f64; 3] = [0.02, 0.05, 0.2];
/// Boundaries of a direction that are enough to tell, ...
const FEWEST: usize = 100;
/// ... and directions that must have them.
const FEWEST_DIRECTIONS: usize = 6;
/// Places on boundaries of a direction from which its width is taken as it is: with fewer, widths differ by chance, and less is made of
/// them by the root of their number (house value).
const ENOUGH: f64 = 400.0;
/// Least square of the narrowest width beside the mean square: no boundary is sharper than the lens.
const LEAST_WIDTH: f64 = 0.05;
/// Widest over narrowest direction from which a photograph was smeared. House value, between what still photographs and
/// those smeared by 5 pixels and more reach; see docs/robustness.md.
const SMEARED: f64 = 1.3;

/// [`unevenness`] of each photograph of a field.
#[derive(Clone, Debug)]
pub(crate) struct Unevenness {
    plane: Option<f64>,
    /// In the order of [`FieldStack::crossed`].
    crossed: Vec<Option<f64>>,
}

impl Unevenness {
    /// Of the photographs of a field as they are.
    pub(crate) fn of(stack: &FieldStack) -> Self {
        let (plane, crossed) = rayon::join(
            || unevenness(&stack.plane),
            || stack.crossed.par_iter().map(|c| unevenness(&c.photograph)).collect(),
        );
        Self { plane, crossed }
    }

    /// The most smeared photograph of the field; None when all stood still or too little is seen to tell.
    pub(crate) fn worst(&self, stack: &FieldStack) -> Option<Smeared> {
        let photographs = std::iter::once(&stack.plane).chain(stack.crossed.iter().map(|c| &c.photograph));
        let (worst, _) = photographs
            .zip(std::iter::once(&self.plane).chain(&self.crossed))
            .filter_map(|(p, ratio)| Some((p, (*ratio)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, ratio)| is_smeared(Some(*ratio)))?;
        let plane_stood_still = self.plane.is_some() && !is_smeared(self.plane);
        Some(Smeared { file: worst.record.file.clone(), plane_stood_still })
    }

    /// Which crossed photographs are smeared, where the plane-light one is not: all light is held against that.
    fn of_crossed(&self) -> Vec<bool> {
        self.crossed.iter().map(|ratio| is_smeared(*ratio) && !is_smeared(self.plane)).collect()
    }
}

fn is_smeared(ratio: Option<f64>) -> bool {
    ratio.is_some_and(|ratio| ratio > SMEARED)
}

impl FieldStack {
    /// The most smeared photograph of this field; None when all stood still or too little is seen to tell.
    #[must_use]
    pub fn smeared(&self) -> Option<Smeared> {
        Unevenness::of(self).worst(self)
    }

    /// Leaves out the crossed photographs that are smeared, where the others suffice, each with a warning; else the most smeared
    /// photograph. `suffice` is asked of the polars' positions in all photographs and in the others, radians.
    pub(crate) fn leave_out_smeared(
        &mut self,
        uneven: &Unevenness,
        suffice: impl FnOnce(&[f64], &[f64]) -> bool,
    ) -> Option<Smeared> {
        let worst = uneven.worst(self)?;
        let smeared = uneven.of_crossed();
        let all: Vec<f64> = self.crossed.iter().map(|c| c.angle.radians()).collect();
        let still: Vec<f64> = all.iter().zip(&smeared).filter(|(_, smeared)| !**smeared).map(|(a, _)| *a).collect();
        if still.len() == all.len() || still.is_empty() || !suffice(&all, &still) {
            return Some(worst);
        }
        let mut at = smeared.into_iter();
        for left_out in self.crossed.extract_if(.., |_| at.next().is_some_and(|smeared| smeared)) {
            let mut record = left_out.photograph.record;
            let why = "smeared along one direction, as when the camera or the stage moves";
            self.warnings.push(format!(
                "{} is {why}: it was left out, and the field measured by its other crossed photographs",
                record.file
            ));
            record.warnings.push(format!("{why}: left out"));
            self.left_out.push(record);
        }
        None
    }
}

/// A photograph that is smeared along one direction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Smeared {
    /// Its file.
    pub file: String,
    /// The plane-light photograph is seen to have stood still: what shows in plane light can be judged.
    pub plane_stood_still: bool,
}

/// Width of the sharpest boundaries in the direction where they are widest, over that where they are narrowest, by the wave that all
/// directions follow: 1 for a photograph that stood still, and nearer to 1 the fewer are seen. None when too few are seen.
#[must_use]
pub fn unevenness(photograph: &Photograph) -> Option<f64> {
    let found = boundaries::widths(photograph, 1)?;
    let by_share = SHARPEST.map(|share| {
        let widths = std::array::from_fn(|k| {
            let widths = &found[k];
            let at = (share * widths.len() as f64) as usize;
            (widths.len() >= FEWEST).then(|| (f64::from(widths[at]), widths.len()))
        });
        widest_over_narrowest(&widths)
    });
    // None for one share is None for all: they rest on the same boundaries.
    by_share.into_iter().flatten().min_by(f64::total_cmp)
}

/// Ratio of the widest to the narrowest of the wave that follows the directions' squared widths best (widths in pixels, each with the
/// number of its places; None where too few are seen), nearer to 1 the fewer places it rests on.
///
/// A movement by m along a direction φ adds m²·cos²(θ - φ) to the square of a boundary's width, θ being where its step points: a wave
/// of twice the turn, widest across the narrowest. What a few crystals make of single directions is no such wave.
fn widest_over_narrowest(widths: &[Option<(f64, usize)>; DIRECTIONS]) -> Option<f64> {
    let seen: Vec<(Vector3<f64>, f64, f64)> = widths
        .iter()
        .enumerate()
        .filter_map(|(k, seen)| {
            let (width, places) = (*seen)?;
            let twice = 2.0 * PI * (k as f64 + 0.5) / DIRECTIONS as f64;
            Some((Vector3::new(1.0, twice.cos(), twice.sin()), width * width, (places as f64).min(ENOUGH)))
        })
        .collect();
    if seen.len() < FEWEST_DIRECTIONS {
        return None;
    }
    let left: Matrix3<f64> = seen.iter().map(|(terms, _, weight)| *weight * terms * terms.transpose()).sum();
    let right: Vector3<f64> = seen.iter().map(|(terms, squared, weight)| *weight * *squared * terms).sum();
    let wave = left.lu().solve(&right)?;
    let weights: f64 = seen.iter().map(|(_, _, weight)| weight).sum();
    // What is no wave says how large a wave is by chance.
    let left_over: f64 = seen.iter().map(|(terms, squared, weight)| weight * (squared - wave.dot(terms)).powi(2)).sum();
    let by_chance = 4.0 * left_over / weights / (seen.len() - 3) as f64;
    let (mean, swing) = (wave[0], (wave[1].powi(2) + wave[2].powi(2) - by_chance).max(0.0).sqrt());
    let sure = (weights / seen.len() as f64 / ENOUGH).sqrt();
    let ratio = ((mean + swing) / (mean - swing).max(LEAST_WIDTH * mean)).sqrt();
    Some(1.0 + sure * (ratio - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::register::boundaries::tests::grains;
    use crate::slide::Curve;
    use crate::slide::folder::{FieldPhotographs, FieldPlan};
    use crate::slide::photograph::{Role, Samples};
    use crate::slide::record::Turned;

    #[test]
    fn a_movement_is_seen_and_foliation_is_none() {
        for (seed, stretch) in [(1, 1.0), (2, 2.0), (3, 3.0)] {
            let still = unevenness(&grains(seed, stretch, [0.0, 0.0])).expect("enough boundaries");
            assert!(still < 1.2, "stretched {stretch}: {still}");
        }
        for (seed, smear) in [(4, [9.0, 0.0]), (5, [0.0, 8.0]), (6, [7.0, 7.0]), (7, [-6.0, 9.0])] {
            let moved = unevenness(&grains(seed, 1.0, smear)).expect("enough boundaries");
            assert!(moved > SMEARED, "{smear:?}: {moved}");
        }
    }

    #[test]
    fn where_a_few_boundaries_across_it_are_sharp_nothing_moved() {
        let (still, moved) = (grains(9, 1.0, [0.0, 0.0]), grains(9, 1.0, [9.0, 0.0]));
        let [Samples::Eight(sharp), Samples::Eight(wide)] = [&still.samples, &moved.samples] else {
            panic!("8 bit was asked for")
        };
        // A fifth of the rows still: as inclined boundaries among upright ones.
        let split = still.width * 3 * (still.height / 5);
        let codes = sharp[..split].iter().chain(&wide[split..]).copied().collect();
        let (w, h) = (still.width, still.height);
        let some = Photograph::from_samples("a", Role::Crossed, w, h, Samples::Eight(codes), &Curve::Srgb);
        let [all, some] = [unevenness(&moved), unevenness(&some)].map(|u| u.expect("enough boundaries"));
        assert!(all > SMEARED && some < 1.2, "all wide: {all}, a fifth sharp: {some}");
    }

    /// Widths of all directions of boundaries that a lens draws `still` pixels wide and a movement along `towards` widens by `moved` pixels.
    fn moved(still: f64, moved: f64, towards: f64) -> [f64; DIRECTIONS] {
        std::array::from_fn(|k| still.hypot(moved * (PI * (k as f64 + 0.5) / DIRECTIONS as f64 - towards).cos()))
    }

    #[test]
    fn a_movement_is_told_whichever_way_it_went() {
        for towards in [0.0, 0.3, 1.0, 1.6, 2.9] {
            let widths = moved(3.0, 4.0, towards);
            let told = widest_over_narrowest(&widths.map(|w| Some((w, 4000)))).expect("all directions");
            assert!((told - 5.0 / 3.0).abs() < 1e-9, "towards {towards}: √(3² + 4²) over 3, not {told}");
            let mut gaps = widths.map(|w| Some((w, 4000)));
            (gaps[1], gaps[6]) = (None, None);
            let told = widest_over_narrowest(&gaps).expect("six directions");
            assert!((told - 5.0 / 3.0).abs() < 1e-9, "the other two follow from six: {told}");
        }
    }

    #[test]
    fn what_is_no_wave_is_no_movement() {
        let mut widths = [Some((3.0, 1000)); DIRECTIONS];
        widths[2] = Some((4.5, 1000));
        let one = widest_over_narrowest(&widths).expect("all directions");
        assert!(one < 1.1, "one direction's inclined boundaries: {one}");
        let wave: [Option<(f64, usize)>; DIRECTIONS] = std::array::from_fn(|k| Some(([3.0, 4.0][k % 2], 1000)));
        let four = widest_over_narrowest(&wave).expect("all directions");
        assert!((four - 1.0).abs() < 1e-9, "wide and narrow in turns: {four}");
    }

    #[test]
    fn little_is_made_of_few_boundaries() {
        let of = |places: usize| {
            widest_over_narrowest(&moved(3.0, 4.0, 1.0).map(|w| Some((w, places)))).expect("enough directions")
        };
        assert!((of(400) - 5.0 / 3.0).abs() < 1e-9 && (of(4000) - 5.0 / 3.0).abs() < 1e-9, "5 over 3");
        assert!((of(100) - 4.0 / 3.0).abs() < 1e-9, "half as much by a quarter of the places: {}", of(100));
        let mut five = [Some((3.0, 1000)); DIRECTIONS];
        (five[0], five[3], five[4]) = (None, None, None);
        assert_eq!(widest_over_narrowest(&five), None);
    }

    #[test]
    fn what_shows_in_plane_light_can_be_judged_where_only_crossed_photographs_moved() {
        let plan =
            FieldPlan { name: "A".into(), centre_mm: None, plane: "p.jpg".into(), crossed: Vec::new(), blank: None };
        let smeared = |plane: [f64; 2], crossed: [f64; 2]| {
            let mut crossed = grains(8, 1.0, crossed);
            crossed.record.file = "c.jpg".into();
            let mut plane = grains(8, 1.0, plane);
            plane.record.file = "p.jpg".into();
            let photographs = FieldPhotographs { plane, crossed: vec![crossed], blank: None };
            let stack = FieldStack::register(&plan, photographs, None, Turned::Polars).unwrap();
            stack.smeared().map(|s| (s.file, s.plane_stood_still))
        };
        let (still, moved) = ([0.0, 0.0], [9.0, 0.0]);
        assert_eq!(smeared(still, still), None);
        assert_eq!(smeared(still, moved), Some(("c.jpg".to_owned(), true)));
        assert_eq!(smeared(moved, still), Some(("p.jpg".to_owned(), false)));
    }

    #[test]
    fn an_empty_picture_tells_nothing() {
        let even = Samples::Eight(vec![100; 3 * 200 * 200]);
        assert_eq!(unevenness(&Photograph::from_samples("a", Role::Plane, 200, 200, even, &Curve::Srgb)), None);
        let tiny = Samples::Eight(vec![100; 3 * 8 * 200]);
        assert_eq!(unevenness(&Photograph::from_samples("a", Role::Plane, 8, 200, tiny, &Curve::Srgb)), None);
    }
}
