//! The gleam in the middle of a ball of gas: small or out of focus it is a black disc, and its middle alone passes light.
//!
//! Light that meets the ball near its axis goes through, the nearer the straighter (ray optics, as for the rim); a round opaque grain
//! is as black in its middle as anywhere. What is looked at is light itself: in log transmission so black a disc is cut off.

use super::circle::Circle;
use crate::section::plane_light::PlaneLight;

/// Sectors that are looked at.
const SECTORS: usize = 8;
/// Where the middle ends and where the black may lie, shares of the radius.
const MIDDLE: f64 = 0.22;
/// See [`MIDDLE`].
const BLACK: [f64; 2] = [0.3, 0.85];
/// Least log ratio of the middle over the black of a sector: half as much again is plain to the eye, a fifth is noise. House value.
const LEAST: f64 = 0.25;
/// Least that the middle is brighter than the black, share of the light about the circle: an opaque grain differs by the noise of the
/// darkest codes only. House value.
const LEAST_LIGHT: f64 = 0.01;
/// Where the light about it is taken, shares of the radius.
const ABOUT: [f64; 2] = [1.2, 1.5];

/// What was seen of a gleam.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Gleam {
    /// Share of the sectors whose black is darker than the middle.
    pub(super) share: f64,
    /// Depth of the black under the middle, log units, as the median sector has it.
    pub(super) depth: f64,
}

/// The gleam in the middle of a circle, by linear light on coarse cells; None where too few cells show it.
pub(super) fn gleam(light: &PlaneLight, circle: Circle) -> Option<Gleam> {
    let [red, green, blue] = &light.unflattened;
    let cell = light.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y, radius) = (to_cell(circle.x), to_cell(circle.y), circle.radius / cell);
    // A ring of the black one cell wide at the least, and a middle of its own.
    let steps = (((BLACK[1] - BLACK[0]) * radius).ceil() as usize).max(2);
    let at = |step: usize| radius * (BLACK[0] + (BLACK[1] - BLACK[0]) * step as f64 / steps as f64);
    let middle_radius = (MIDDLE * radius).max(0.8);
    let (rows, columns) = red.dim();
    let reach = ABOUT[1] * radius;
    let range = |c: f64, n: usize| {
        ((c - reach).floor().max(0.0) as usize)..(((c + reach).ceil() + 1.0).max(0.0) as usize).min(n)
    };
    let (mut middle, mut about) = ((0.0_f64, 0.0_f64), (0.0_f64, 0.0_f64));
    let mut rings = vec![[(0.0_f64, 0.0_f64); SECTORS]; steps];
    for j in range(y, rows) {
        for i in range(x, columns) {
            let (u, v) = (i as f64 - x, j as f64 - y);
            let r = u.hypot(v);
            let value = f64::from(red[[j, i]] + green[[j, i]] + blue[[j, i]]);
            if r <= middle_radius {
                middle = (middle.0 + value, middle.1 + 1.0);
            } else if (at(0)..at(steps)).contains(&r) {
                let step = ((r - at(0)) / (at(steps) - at(0)) * steps as f64) as usize;
                let turn = v.atan2(u) / std::f64::consts::TAU + 0.5;
                let sector = ((turn * SECTORS as f64) as usize).min(SECTORS - 1);
                let sum = &mut rings[step.min(steps - 1)][sector];
                *sum = (sum.0 + value, sum.1 + 1.0);
            } else if (ABOUT[0] * radius..reach).contains(&r) {
                about = (about.0 + value, about.1 + 1.0);
            }
        }
    }
    let mean = |(sum, count): (f64, f64)| (count > 0.0).then(|| (sum / count).max(1e-6));
    let (middle, about) = (mean(middle)?, mean(about)?);
    let blackest = |sector: usize| rings.iter().filter_map(|ring| mean(ring[sector])).min_by(f64::total_cmp);
    let black: Vec<f64> = (0..SECTORS).filter_map(blackest).collect();
    let gleams = |black: f64| (middle / black).ln() > LEAST && middle - black > LEAST_LIGHT * about;
    let share = black.iter().filter(|b| gleams(**b)).count() as f64 / black.len().max(1) as f64;
    let mut depths: Vec<f64> = black.iter().map(|b| (middle / b).ln()).collect();
    if depths.len() < SECTORS / 2 {
        return None;
    }
    depths.sort_by(f64::total_cmp);
    Some(Gleam { share, depth: depths[depths.len() / 2] })
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::slide::photograph::LinearPlanes;

    fn disc(light_at: impl Fn(f64) -> f32) -> PlaneLight {
        let plane = Array2::from_shape_fn((120, 120), |(y, x)| {
            let r = (x as f64 - 60.0).hypot(y as f64 - 60.0);
            if r > 9.0 { 0.6 } else { light_at(r) }
        });
        let planes =
            LinearPlanes { bin: 1, rgb: [plane.clone(), plane.clone(), plane], mask: Array2::zeros((120, 120)) };
        PlaneLight::from_planes(&planes, Some(2.6))
    }

    #[test]
    fn a_black_ball_gleams_in_its_middle_and_an_opaque_grain_does_not() {
        let circle = Circle { x: 60.0, y: 60.0, radius: 9.0 };
        let ball = gleam(&disc(|r| if r < 2.0 { 0.02 } else { 0.003 }), circle).expect("enough cells");
        assert_eq!(ball.share, 1.0);
        assert!((ball.depth - (0.02_f64 / 0.003).ln()).abs() < 0.3, "{ball:?}");
        let noise = |r: f64| if r < 2.0 { 0.0008 } else { 0.0003 };
        let grain = gleam(&disc(noise), circle).expect("enough cells");
        assert_eq!(grain.share, 0.0, "{grain:?}");
        // Light at one side is no gleam.
        let notched = gleam(&disc(|r| if r > 7.0 { 0.05 } else { 0.003 }), circle).expect("enough cells");
        assert_eq!(notched.share, 0.0, "{notched:?}");
    }
}
