//! The light of one field made ready for looking: plane light, and what is bright and what stays out between crossed polars.

use std::sync::Arc;

use ndarray::Array2;
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::section::cells::box_mean;
use crate::section::crossed_light::{self, CrossedLight};
use crate::section::extinction::{AngleDesign, exposure_scales, frames_turned};
use crate::section::plane_light::{BLACK, PlaneLight, coarse_bin};
use crate::section::reach::Reach;
use crate::section::white::White;
use crate::slide::photograph::LinearPlanes;
use crate::units::MicrometresPerPixel;

/// A field's plane light with its crossed pictures in the same coarse cells.
pub struct FieldLight {
    /// Plane light.
    pub plane: Arc<PlaneLight>,
    /// Crossed over plane of each crossed photograph, coarse cells, linear R, G, B, on the photograph's own scale; beyond its frame what
    /// follows from the others.
    pub crossed: Vec<[Array2<f32>; 3]>,
    /// Largest of the crossed pictures' brightness per cell: 0 as dark as the darkest of the field, 1 as its bright crystals.
    pub lit: Array2<f32>,
    /// What dark and bright is between crossed polars, over the whole field.
    pub(crate) levels: CrossedLevels,
    /// Cells of which the crossed pictures that show them tell less than all do.
    pub outside: Array2<bool>,
    /// Cells that some crossed picture does not show: what stands for it there tells nothing of how dark its darkest places are.
    pub(crate) partly: Array2<bool>,
    /// Pairwise widest difference of the crossed angles, degrees, 0..=45; 0 for a single one.
    pub angle_spread_deg: f64,
}

impl FieldLight {
    /// Area in which something could have been seen: inside every photograph and not black in plane light, square pixels.
    pub(crate) fn seen_area(&self) -> f64 {
        let (height, width) = self.plane.fine.dim();
        self.seen_area_within([0, 0], [width, height])
    }

    /// The same of the pixels from `from` to `to` (half-open), which lie on the coarse grid.
    pub(crate) fn seen_area_within(&self, from: [usize; 2], to: [usize; 2]) -> f64 {
        let (rows, columns) = self.plane.coarse.dim();
        let [low, high] = [from, to].map(|p| [(p[0] / self.plane.bin).min(columns), (p[1] / self.plane.bin).min(rows)]);
        let cells = (low[1]..high[1]).flat_map(|y| (low[0]..high[0]).map(move |x| [y, x]));
        let (mut all, mut unseen) = (0_usize, 0_usize);
        for at in cells {
            all += 1;
            unseen += usize::from(self.outside[at] || self.plane.coarse[at] <= BLACK + 0.05);
        }
        let cells = all.max(1);
        ((to[0] - from[0]) * (to[1] - from[1])) as f64 * (1.0 - unseen as f64 / cells as f64)
    }

    /// From a registered field.
    #[must_use]
    pub fn of(stack: &FieldStack) -> Self {
        let (plane, crossed) = rayon::join(|| PlaneLight::of(&stack.plane, stack.scale), || crossed_light(stack));
        Self::with(Arc::new(plane), crossed, &Positions::of(stack), None)
    }

    /// From a registered field whose plane light was made ready before.
    #[must_use]
    pub fn over(plane: Arc<PlaneLight>, stack: &FieldStack) -> Self {
        Self::over_made(plane, stack, &CrossedLight::NotYet)
    }

    /// The same with crossed light that may have been made already.
    pub(crate) fn over_made(plane: Arc<PlaneLight>, stack: &FieldStack, crossed: &CrossedLight) -> Self {
        let positions = Positions::of(stack);
        match crossed {
            CrossedLight::Made(made) if made.iter().all(|m| m.bin == plane.bin) => {
                Self::with(plane, made.clone(), &positions, None)
            }
            _ => Self::with(plane, crossed_light(stack), &positions, None),
        }
    }

    /// A window of a field, by what was found over all of it: `at` is its upper left corner.
    #[must_use]
    pub(crate) fn within(stack: &FieldStack, white: &White, levels: Option<&CrossedLevels>, at: [usize; 2]) -> Self {
        let um_per_px = stack.scale.map(MicrometresPerPixel::um_per_px);
        let plane = PlaneLight::flattened(&stack.plane_light(1), um_per_px, white, at);
        Self::with(Arc::new(plane), crossed_light(stack), &Positions::of(stack), levels)
    }

    /// From linear light: plane light whole, crossed pictures binned by [`coarse_bin`].
    ///
    /// # Panics
    /// When the crossed pictures are not on the coarse grid of the plane one.
    #[must_use]
    pub fn from_planes(
        plane: &LinearPlanes,
        crossed: &[LinearPlanes],
        angles_deg: &[f64],
        um_per_px: Option<f64>,
    ) -> Self {
        let positions =
            Positions { angles_deg: angles_deg.to_vec(), scales: vec![1.0; angles_deg.len()], turned: false };
        Self::with(Arc::new(PlaneLight::from_planes(plane, um_per_px)), crossed.to_vec(), &positions, None)
    }

    /// With crossed light on the coarse cells of the plane one; `levels` are found in the picture itself where none are given.
    fn with(
        plane: Arc<PlaneLight>,
        crossed: Vec<LinearPlanes>,
        Positions { angles_deg, scales, turned }: &Positions,
        levels: Option<&CrossedLevels>,
    ) -> Self {
        let (rows, columns) = plane.coarse.dim();
        let mut reach = Reach::whole((rows, columns), *turned);
        crossed.iter().enumerate().for_each(|(i, x)| reach.note(i, &x.mask));
        // They become the ratios: a second copy of them would be the most that is held of a field.
        let mut ratios: Vec<[Array2<f32>; 3]> = crossed
            .into_par_iter()
            .map(|x| {
                let mut ratio = x.rgb;
                for (r, plane) in ratio.iter_mut().zip(&plane.unflattened) {
                    assert_eq!(r.dim(), (rows, columns), "crossed pictures on the coarse grid");
                    r.zip_mut_with(plane, |r, p| *r /= p.max(0.02));
                }
                ratio
            })
            .collect();
        let mut outside = Array2::from_elem((rows, columns), false);
        let design = AngleDesign::new(&angles_deg.iter().map(|a| a.to_radians()).collect::<Vec<_>>());
        let cells = outside.as_slice_mut().expect("standard layout");
        reach.complete(&design, scales, &mut ratios, |i| cells[i] = true);
        let partly = reach.beyond.mapv(|bits| bits != 0);
        let sums = smoothed_sums(&ratios);
        let levels = levels.cloned().unwrap_or_else(|| CrossedLevels::of(&ratios, &sums, &outside));
        let lit = levels.lit(&sums, outside.dim());
        let mut spread = 0.0_f64;
        for a in angles_deg {
            for b in angles_deg {
                let d = (a - b).rem_euclid(90.0);
                spread = spread.max(d.min(90.0 - d));
            }
        }
        Self { plane, crossed: ratios, lit, levels, outside, partly, angle_spread_deg: spread }
    }
}

fn crossed_light(stack: &FieldStack) -> Vec<LinearPlanes> {
    let bin = coarse_bin(stack.scale.map(MicrometresPerPixel::um_per_px));
    crossed_light::all(stack, bin)
}

/// Where the polars stood for each crossed picture, and how it was exposed.
struct Positions {
    /// Angles, degrees.
    angles_deg: Vec<f64>,
    /// Factors that put each picture on one exposure.
    scales: Vec<f64>,
    /// Whether the picture turned with the stage.
    turned: bool,
}

impl Positions {
    fn of(stack: &FieldStack) -> Self {
        Self {
            angles_deg: stack.crossed.iter().map(|c| c.angle.deg()).collect(),
            scales: exposure_scales(stack),
            turned: frames_turned(stack),
        }
    }
}

/// What dark and bright is between crossed polars, over a whole field.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CrossedLevels {
    /// Sum of channels of the bright crystals in each crossed picture.
    bright: Vec<f32>,
    /// Darkest and bright of the brightest of the pictures, each over its bright crystals.
    range: [f32; 2],
    /// Green of the darkest and of bright crystals in each picture.
    pub(crate) green: Vec<[f32; 2]>,
    /// Green of bright crystals in each picture, by which colours beside a line are told.
    pub(crate) beside: Vec<f32>,
}

impl CrossedLevels {
    /// Of crossed over plane light and its [`smoothed_sums`].
    pub(crate) fn of(ratios: &[[Array2<f32>; 3]], sums: &[Array2<f32>], outside: &Array2<bool>) -> Self {
        // Exposure and gain differ from picture to picture where nothing says otherwise; the bright crystals are common.
        let bright: Vec<f32> = sums.iter().map(|s| percentile(s, outside, 0.95).max(1e-4)).collect();
        let brightest = brightest(sums, &bright, outside.dim());
        let low = percentile(&brightest, outside, 0.002);
        let high = percentile(&brightest, outside, 0.9).max(low + 1e-4);
        let green = ratios
            .iter()
            .map(|x| {
                let mut all: Vec<f32> = x[1].iter().step_by(13).copied().collect();
                if all.is_empty() {
                    return [0.0, 1.0];
                }
                let at = all.len() * 9 / 10;
                let bright = *all.select_nth_unstable_by(at, f32::total_cmp).1;
                let at = all.len() / 100;
                [*all.select_nth_unstable_by(at, f32::total_cmp).1, bright]
            })
            .collect();
        let beside = ratios
            .iter()
            .map(|r| {
                let mut v: Vec<f32> = r[1].iter().step_by(11).copied().collect();
                let at = v.len().saturating_sub(1) * 9 / 10;
                if v.is_empty() { 1.0 } else { v.select_nth_unstable_by(at, f32::total_cmp).1.max(1e-4) }
            })
            .collect();
        Self { bright, range: [low, high], green, beside }
    }

    /// Brightest of the crossed pictures at every cell, between the field's darkest (0) and its bright crystals (1).
    pub(crate) fn lit(&self, sums: &[Array2<f32>], dim: (usize, usize)) -> Array2<f32> {
        let [low, high] = self.range;
        let mut brightest = brightest(sums, &self.bright, dim);
        brightest.mapv_inplace(|b| (b - low) / (high - low));
        brightest
    }
}

/// Each crossed picture's channels summed and smoothed over 3 by 3 cells, so that noise does not light a hole.
pub(crate) fn smoothed_sums(ratios: &[[Array2<f32>; 3]]) -> Vec<Array2<f32>> {
    ratios
        .iter()
        .map(|r| {
            let mut sum = &r[0] + &r[1];
            sum += &r[2];
            box_mean(&sum, 1)
        })
        .collect()
}

fn brightest(sums: &[Array2<f32>], tops: &[f32], dim: (usize, usize)) -> Array2<f32> {
    let mut brightest = Array2::<f32>::zeros(dim);
    for (sum, top) in sums.iter().zip(tops) {
        brightest.zip_mut_with(sum, |b, s| *b = b.max(s / top));
    }
    brightest
}

/// Quantile of the cells that are not outside, from a seventh of them.
fn percentile(a: &Array2<f32>, outside: &Array2<bool>, p: f64) -> f32 {
    let mut v: Vec<f32> = a.iter().zip(outside).step_by(7).filter(|(_, o)| !**o).map(|(v, _)| *v).collect();
    if v.is_empty() {
        return 0.0;
    }
    let at = ((v.len() - 1) as f64 * p).round() as usize;
    *v.select_nth_unstable_by(at, f32::total_cmp).1
}
