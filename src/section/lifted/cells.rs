//! The tint of plane light in cells that smooth the rock's specks and keep bands of colour apart.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::light_field::FieldLight;

/// Side of a cell, µm: a band is two of them wide at least.
const CELL_UM: f64 = 8.0;
/// Darkest log light, and strongest tint, that is colourless rock under a film: three times what a film does to light, and what
/// it does to colour under a warm lamp.
const DARKEST: f32 = -0.5;
const STRONGEST: f32 = 0.3;

/// Tints in cells.
pub(super) struct TintCells {
    /// Coarse cells along the side of a cell.
    pub(super) by: usize,
    /// ln(red / green) and ln(blue / green), the field's usual tint taken off.
    pub(super) tint: Array2<[f32; 2]>,
    /// ln(green).
    pub(super) green: Array2<f32>,
    /// Where half of the cell at least is pale rock.
    pub(super) seen: Array2<bool>,
}

impl TintCells {
    pub(super) fn of(light: &FieldLight) -> Self {
        let by = ((CELL_UM / (light.plane.um_per_px * light.plane.bin as f64)).round() as usize).max(1);
        let (rows, columns) = light.plane.coarse.dim();
        let dim = (rows / by, columns / by);
        let means: Vec<Option<[f32; 3]>> = (0..dim.0)
            .into_par_iter()
            .flat_map_iter(|y| (0..dim.1).map(move |x| mean(light, [y * by, x * by], by)))
            .collect();
        let usual = [0, 1].map(|k| median(means.iter().flatten().map(|m| m[k]).collect()));
        let cell = |f: &dyn Fn([f32; 3]) -> [f32; 2]| means.iter().map(|m| m.map_or([0.0; 2], f)).collect();
        let tint = cell(&|m| [m[0] - usual[0], m[1] - usual[1]]);
        let of = |v: Vec<f32>| Array2::from_shape_vec(dim, v).expect("one value a cell");
        Self {
            by,
            tint: Array2::from_shape_vec(dim, tint).expect("one value a cell"),
            green: of(means.iter().map(|m| m.map_or(0.0, |m| m[2])).collect()),
            seen: Array2::from_shape_vec(dim, means.iter().map(Option::is_some).collect()).expect("one value a cell"),
        }
    }
}

#[cfg(test)]
impl TintCells {
    /// Pale rock all over, with this tint at column x and row y.
    pub(super) fn tinted(dim: (usize, usize), tint: impl Fn(usize, usize) -> [f32; 2]) -> Self {
        Self {
            by: 3,
            tint: Array2::from_shape_fn(dim, |(y, x)| tint(x, y)),
            green: Array2::zeros(dim),
            seen: Array2::from_elem(dim, true),
        }
    }
}

/// Mean tint and green of the pale coarse cells of a cell; None when they are fewer than half.
fn mean(light: &FieldLight, [top, left]: [usize; 2], by: usize) -> Option<[f32; 3]> {
    let (mut sum, mut n) = ([0.0_f32; 3], 0_usize);
    for y in top..top + by {
        for x in left..left + by {
            let (r, b) = (light.plane.tint[0][[y, x]], light.plane.tint[1][[y, x]]);
            // The lightest channel is known; green lies under it by its tints.
            let green = light.plane.coarse[[y, x]] - r.max(b).max(0.0);
            if green > DARKEST && r.abs() < STRONGEST && b.abs() < STRONGEST {
                sum = [sum[0] + r, sum[1] + b, sum[2] + green];
                n += 1;
            }
        }
    }
    (2 * n >= by * by).then(|| sum.map(|v| v / n as f32))
}

fn median(mut v: Vec<f32>) -> f32 {
    if v.is_empty() {
        return 0.0;
    }
    let at = v.len() / 2;
    *v.select_nth_unstable_by(at, f32::total_cmp).1
}
