//! What a large field is measured against, from patches spread over it: all of it where it is small enough.

use std::sync::Arc;

use ndarray::Array2;

use crate::error::Result;
use crate::section::crystals::CleanLevels;
use crate::section::extinction::ExtinctionPlanes;
use crate::section::light_field::{CrossedLevels, FieldLight, smoothed_sums};
use crate::section::plane_light::PlaneLight;
use crate::section::plucks::{Usual, fine_detail};
use crate::section::white::White;
use crate::slide::photograph::LinearPlanes;
use crate::slide::scan::Window;
use crate::windows::cut::Cutter;
use crate::windows::grid::{Grid, widened};

/// Side of a patch, pixels, up to what windows are aligned to.
const PATCH: usize = 768;
/// Most cells of the patches together: some 40 planes of them are held.
const MOST_CELLS: usize = 2_500_000;

/// Levels of a field.
pub(super) struct Levels {
    /// Between crossed polars.
    pub(super) crossed: CrossedLevels,
    /// Of its clear crystals.
    pub(super) usual: Usual,
    /// By which its crystals are told.
    pub(super) clean: CleanLevels,
    /// Light that the polars leak, where the angles do not separate it.
    pub(super) leak: [f64; 3],
}

impl Levels {
    /// From patches of about `pixels` together, laid side by side as if they were the field.
    pub(super) fn of(cutter: &Cutter, white: &White, grid: &Grid, bin: usize, pixels: usize) -> Result<Self> {
        let size = cutter.size();
        let sheet = Sheet::new(size, PATCH.next_multiple_of(grid.align), pixels.min(MOST_CELLS * bin * bin));
        let mut light: Option<LightSheet> = None;
        let mut planes: Option<ExtinctionPlanes> = None;
        for (patch, at) in sheet.patches() {
            let window = widened(patch, grid.align, size);
            let stack = cutter.window(window)?;
            let corner = [patch.x - window.x, patch.y - window.y];
            let own = FieldLight::within(&stack, white, None, [window.x, window.y]);
            let from = Cut { corner, size: [patch.width, patch.height], at };
            light.get_or_insert_with(|| LightSheet::like(&own, sheet.size())).lay(&own, from);
            let own = ExtinctionPlanes::new(&stack, bin);
            let all = planes.get_or_insert_with(|| empty_planes(&own, sheet.size()));
            for (to, part) in all.terms.iter_mut().flatten().zip(own.terms.iter().flatten()) {
                lay(to, part, from, bin);
            }
            for (to, part) in all.ratio.iter_mut().flatten().zip(own.ratio.iter().flatten()) {
                lay(to, part, from, bin);
            }
            lay(&mut all.mask, &own.mask, from, bin);
        }
        let (light, planes) = (light.expect("a field has a patch"), planes.expect("a field has a patch"));
        let (light, detail) = light.light();
        Ok(Self {
            usual: Usual::of(&light, &detail),
            crossed: light.levels,
            clean: CleanLevels::of(&planes).0,
            leak: planes.leak(),
        })
    }
}

/// Patches of a field laid side by side.
struct Sheet {
    xs: Vec<[usize; 2]>,
    ys: Vec<[usize; 2]>,
}

impl Sheet {
    /// All patches of `side` pixels, or as many of them, evenly spread, as have no more than `pixels` together.
    fn new(size: [usize; 2], side: usize, pixels: usize) -> Self {
        let all =
            |n: usize| -> Vec<[usize; 2]> { (0..n).step_by(side).map(|from| [from, side.min(n - from)]).collect() };
        let (mut xs, mut ys) = (all(size[0]), all(size[1]));
        if size[0] * size[1] > pixels {
            let share = (pixels as f64 / (size[0] * size[1]) as f64).sqrt();
            for list in [&mut xs, &mut ys] {
                // A narrow last one would be a step in the sheet.
                if list.len() > 1 && list.last().is_some_and(|p| p[1] < side) {
                    list.pop();
                }
                let n = ((list.len() as f64 * share).floor() as usize).max(1);
                *list = (0..n).map(|k| list[(2 * k + 1) * list.len() / (2 * n)]).collect();
            }
        }
        Self { xs, ys }
    }

    fn size(&self) -> [usize; 2] {
        [&self.xs, &self.ys].map(|list| list.iter().map(|p| p[1]).sum())
    }

    /// Each patch in the field, and where it is laid.
    fn patches(&self) -> Vec<(Window, [usize; 2])> {
        let mut out = Vec::new();
        let mut top = 0;
        for [y, height] in &self.ys {
            let mut left = 0;
            for [x, width] in &self.xs {
                out.push((Window { x: *x, y: *y, width: *width, height: *height }, [left, top]));
                left += width;
            }
            top += height;
        }
        out
    }
}

/// What is laid where, pixels: the part of a window from `corner` on, of `size`, at `at` in the sheet.
#[derive(Clone, Copy)]
struct Cut {
    corner: [usize; 2],
    size: [usize; 2],
    at: [usize; 2],
}

/// Lays the cells of a part.
fn lay<T: Copy>(to: &mut Array2<T>, part: &Array2<T>, Cut { corner, size, at }: Cut, bin: usize) {
    let (rows, columns) = to.dim();
    for y in 0..(size[1] / bin).min(rows.saturating_sub(at[1] / bin)) {
        for x in 0..(size[0] / bin).min(columns.saturating_sub(at[0] / bin)) {
            to[[at[1] / bin + y, at[0] / bin + x]] = part[[corner[1] / bin + y, corner[0] / bin + x]];
        }
    }
}

/// Coarse light of the sheet.
struct LightSheet {
    plane: PlaneLight,
    crossed: Vec<[Array2<f32>; 3]>,
    outside: Array2<bool>,
    angle_spread_deg: f64,
    detail: Array2<f32>,
}

impl LightSheet {
    fn like(own: &FieldLight, size: [usize; 2]) -> Self {
        let bin = own.plane.bin;
        let dim = (size[1] / bin, size[0] / bin);
        let zeros = || Array2::<f32>::zeros(dim);
        let plane = PlaneLight {
            um_per_px: own.plane.um_per_px,
            scale_known: own.plane.scale_known,
            fine: Array2::zeros((0, 0)),
            bin,
            coarse: zeros(),
            tint: [zeros(), zeros()],
            unflattened: std::array::from_fn(|_| Array2::zeros((0, 0))),
            burnt: Vec::new(),
        };
        Self {
            plane,
            crossed: own.crossed.iter().map(|_| [zeros(), zeros(), zeros()]).collect(),
            outside: Array2::from_elem(dim, false),
            angle_spread_deg: own.angle_spread_deg,
            detail: zeros(),
        }
    }

    fn lay(&mut self, own: &FieldLight, from: Cut) {
        let bin = self.plane.bin;
        lay(&mut self.plane.coarse, &own.plane.coarse, from, bin);
        lay(&mut self.outside, &own.outside, from, bin);
        lay(&mut self.detail, &fine_detail(own), from, bin);
        for (to, part) in self.plane.tint.iter_mut().zip(&own.plane.tint) {
            lay(to, part, from, bin);
        }
        for (to, part) in self.crossed.iter_mut().flatten().zip(own.crossed.iter().flatten()) {
            lay(to, part, from, bin);
        }
    }

    /// With its levels, and its detail.
    fn light(self) -> (FieldLight, Array2<f32>) {
        let Self { plane, crossed, outside, angle_spread_deg, detail } = self;
        let sums = smoothed_sums(&crossed);
        let levels = CrossedLevels::of(&crossed, &sums, &outside);
        let lit = levels.lit(&sums, outside.dim());
        // A whole section is scanned with turned polars: where a photograph does not reach, nothing stands for it.
        let partly = outside.clone();
        let light = FieldLight { plane: Arc::new(plane), crossed, lit, levels, outside, partly, angle_spread_deg };
        (light, detail)
    }
}

fn empty_planes(own: &ExtinctionPlanes, size: [usize; 2]) -> ExtinctionPlanes {
    let dim = (size[1] / own.bin, size[0] / own.bin);
    let three = || std::array::from_fn(|_| Array2::<f32>::zeros(dim));
    ExtinctionPlanes {
        bin: own.bin,
        design: own.design.clone(),
        ratio: own.ratio.iter().map(|_| three()).collect(),
        terms: std::array::from_fn(|_| three()),
        plane: LinearPlanes {
            bin: own.bin,
            rgb: std::array::from_fn(|_| Array2::zeros((0, 0))),
            mask: Array2::zeros((0, 0)),
        },
        mask: Array2::zeros(dim),
        beyond: Array2::zeros((0, 0)),
        clipped: Array2::zeros((0, 0)),
    }
}
