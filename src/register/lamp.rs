//! How the lamp lights the frame: a smooth fall-off in camera coordinates that stays while the stage turns.

use nalgebra::{Matrix6, Vector6};

use crate::register::grid::still_light;
use crate::slide::photograph::{Photograph, mask};

/// Blocks along the longer side from which the fall-off is taken.
const BLOCKS: usize = 24;

/// Relative light of the lamp over the frame: exp of a quadratic in x and y, 1 at the centre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampField {
    /// Coefficients of u, v, u², uv and v² in log light, with u and v pixels from the centre over half the longer side.
    pub coefficients: [f64; 5],
    centre: [f64; 2],
    half: f64,
}

/// Light of a blank over that of its section's clear parts below which it shows no bare glass under the same lamp and settings: glass
/// alone is at least as bright. House value.
const LEAST_GLASS: f64 = 0.6;

/// Whether a blank is too dark to be bare glass under the lamp and settings of its section's plane-light photograph.
pub(crate) fn too_dark_for_glass(blank: &Photograph, plane: &Photograph) -> bool {
    clear_level(blank) < LEAST_GLASS * clear_level(plane)
}

/// Light that a tenth of the frame exceeds, linear, sum of channels; 0 where there is no pixel.
fn clear_level(photograph: &Photograph) -> f64 {
    let bin = (photograph.width.max(photograph.height) / (BLOCKS * 16)).max(1);
    let planes = still_light(photograph, bin);
    let mut light: Vec<f32> =
        planes.rgb[0].indexed_iter().map(|(at, r)| r + planes.rgb[1][at] + planes.rgb[2][at]).collect();
    if light.is_empty() {
        return 0.0;
    }
    let at = light.len() * 9 / 10;
    f64::from(*light.select_nth_unstable_by(at, f32::total_cmp).1)
}

impl LampField {
    /// Relative light at pixel (x, y) of the camera; 1 at the centre of the frame.
    #[must_use]
    pub fn at(&self, [x, y]: [f64; 2]) -> f64 {
        let (u, v) = ((x - self.centre[0]) / self.half, (y - self.centre[1]) / self.half);
        let [a, b, c, d, e] = self.coefficients;
        (a * u + b * v + c * u * u + d * u * v + e * v * v).exp()
    }

    /// Fits the fall-off to a blank, or to the clear parts of a plane-light photograph.
    ///
    /// Every block gives the light that a tenth of it exceeds: clear grains rather than dark ones. A quadratic through
    /// their logarithms follows, blocks far below it weighing less, as those have no clear grain. `None` when fewer than
    /// a dozen blocks are usable.
    #[must_use]
    pub fn fit(photograph: &Photograph) -> Option<Self> {
        let longer = photograph.width.max(photograph.height);
        let bin = (longer / (BLOCKS * 16)).max(1);
        let planes = still_light(photograph, bin);
        let (h, w) = planes.dim();
        let side = (w.max(h) / BLOCKS).max(2);
        let half = longer as f64 / 2.0;
        let centre = crate::register::grid::centre(photograph.width, photograph.height);
        let mut points = Vec::new();
        for top in (0..h.saturating_sub(side - 1)).step_by(side) {
            for left in (0..w.saturating_sub(side - 1)).step_by(side) {
                let mut light: Vec<f32> = (top..top + side)
                    .flat_map(|y| (left..left + side).map(move |x| (y, x)))
                    .filter(|&at| planes.mask[at] & mask::CLIPPED == 0)
                    .map(|at| planes.rgb.iter().map(|p| p[at]).sum::<f32>() / 3.0)
                    .collect();
                if light.len() * 2 < side * side {
                    continue;
                }
                light.sort_by(f32::total_cmp);
                let bright = f64::from(light[light.len() * 9 / 10]);
                if bright > 1e-3 {
                    let middle = |start: usize| (start as f64 + side as f64 / 2.0) * bin as f64 - 0.5;
                    let u = (middle(left) - centre[0]) / half;
                    let v = (middle(top) - centre[1]) / half;
                    points.push((Vector6::new(1.0, u, v, u * u, u * v, v * v), bright.ln()));
                }
            }
        }
        if points.len() < 12 {
            return None;
        }
        let mut solution = Vector6::zeros();
        let mut width = f64::INFINITY;
        for _ in 0..12 {
            let mut normal = Matrix6::identity() * 1e-9;
            let mut right = Vector6::zeros();
            for (row, value) in &points {
                let residual = value - row.dot(&solution);
                let weight = if residual < 0.0 { 1.0 / (1.0 + (residual / width).powi(2)) } else { 1.0 };
                normal += row * row.transpose() * weight;
                right += row * (weight * value);
            }
            solution = normal.cholesky()?.solve(&right);
            let mut residuals: Vec<f64> =
                points.iter().map(|(row, value)| (value - row.dot(&solution)).abs()).collect();
            residuals.sort_by(f64::total_cmp);
            width = (1.5 * residuals[residuals.len() / 2]).max(0.005);
        }
        let coefficients = [solution[1], solution[2], solution[3], solution[4], solution[5]];
        coefficients.iter().all(|c| c.is_finite()).then_some(Self { coefficients, centre, half })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::Curve;
    use crate::slide::photograph::{Role, Samples};

    #[test]
    fn bare_glass_is_as_bright_as_the_clear_parts_of_a_section() {
        let of = |light: &dyn Fn(usize) -> u16| {
            let codes = (0..320 * 240).flat_map(|i| [light(i % 320); 3]).collect();
            Photograph::from_samples("p", Role::Plane, 320, 240, Samples::Sixteen(codes), &Curve::Linear)
        };
        let section = of(&|x| if x / 20 % 2 == 0 { 40_000 } else { 9_000 });
        assert!(!too_dark_for_glass(&of(&|_| 44_000), &section));
        assert!(!too_dark_for_glass(&of(&|_| 34_000), &section), "a lamp that sank a little");
        assert!(too_dark_for_glass(&of(&|_| 12_000), &section), "another exposure");
        assert!(too_dark_for_glass(&of(&|_| 0), &section), "a lens cap");
    }

    #[test]
    fn a_known_fall_off_comes_back_from_between_dark_grains() {
        let (w, h) = (480, 360);
        let truth = |x: f64, y: f64| {
            let (u, v) = ((x - 239.5) / 240.0, (y - 179.5) / 240.0);
            (0.1 * u - 0.3 * u * u - 0.25 * v * v).exp()
        };
        let codes = (0..w * h)
            .flat_map(|i| {
                let (x, y) = (i % w, i / w);
                let grain = [1.0, 0.8, 0.3, 0.97][(x / 30 * 7 + y / 20 * 3) % 4];
                [(45_000.0 * grain * truth(x as f64, y as f64)) as u16; 3]
            })
            .collect();
        let p = Photograph::from_samples("p", Role::Plane, w, h, Samples::Sixteen(codes), &Curve::Linear);
        let lamp = LampField::fit(&p).unwrap();
        for at in [[20.0, 20.0], [460.0, 30.0], [240.0, 340.0], [30.0, 330.0]] {
            let expected = truth(at[0], at[1]) / truth(239.5, 179.5);
            assert!((lamp.at(at) / expected - 1.0).abs() < 0.03, "{at:?}: {} {expected}", lamp.at(at));
        }
    }
}
