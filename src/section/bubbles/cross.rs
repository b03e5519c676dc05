//! The black cross of a spherulite: fibres that radiate from a centre go out along both directions of the polars, whichever they are.
//!
//! Chalcedony fills round cavities so (handbook knowledge, from memory). Its outline is as round as a bubble's, and no crystal
//! goes on beneath it.

use nalgebra::{Matrix3, Vector3};

use super::circle::Circle;
use crate::section::cells::sample;
use crate::section::light_field::FieldLight;

/// Directions that are looked along.
const DIRECTIONS: usize = 32;
/// Where along them, share of the radius.
const RADII: [f64; 6] = [0.3, 0.42, 0.54, 0.66, 0.76, 0.86];
/// Least radius, cells: fewer show no arms.
const LEAST_CELLS: f64 = 5.0;
/// Least change along the circle for a cross, share of the mean light. House value.
const DISTINCT: f64 = 0.3;

/// Fewest of the directions that the photograph must show: the frame may cut a spherulite. House value.
const FEWEST: usize = DIRECTIONS * 5 / 8;

/// How much of the change of light around a circle is a cross with four dark arms, 0..=1; mean over the crossed pictures.
pub(super) fn extinction_cross(light: &FieldLight, circle: Circle) -> f64 {
    let cell = light.plane.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y, radius) = (to_cell(circle.x), to_cell(circle.y), circle.radius / cell);
    if light.crossed.is_empty() || radius < LEAST_CELLS {
        return 0.0;
    }
    let of_picture = |channels: &[ndarray::Array2<f32>; 3]| {
        let around: Vec<(f64, f64)> = (0..DIRECTIONS)
            .filter_map(|k| {
                let (sin, cos) = direction(k).sin_cos();
                let seen: Vec<f64> = RADII
                    .iter()
                    .filter_map(|r| {
                        let at = [x + r * radius * cos, y + r * radius * sin];
                        channels.iter().map(|c| sample(c, at[0], at[1]).map(f64::from)).sum::<Option<f64>>()
                    })
                    .collect();
                (seen.len() == RADII.len()).then(|| (direction(k), seen.iter().sum::<f64>() / seen.len() as f64))
            })
            .collect();
        if around.len() < FEWEST { 0.0 } else { share_of_a_cross(&around) }
    };
    light.crossed.iter().map(of_picture).sum::<f64>() / light.crossed.len() as f64
}

fn direction(k: usize) -> f64 {
    std::f64::consts::TAU * k as f64 / DIRECTIONS as f64
}

/// Share of the squares of the light's changes around a circle, (direction, light), that four equal arms explain; 0 where they are faint.
fn share_of_a_cross(around: &[(f64, f64)]) -> f64 {
    let mean = around.iter().map(|(_, v)| v).sum::<f64>() / around.len() as f64;
    let variance: f64 = around.iter().map(|(_, v)| (v - mean).powi(2)).sum();
    let wave = |at: f64| Vector3::new(1.0, (4.0 * at).cos(), (4.0 * at).sin());
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (at, light) in around {
        let wave = wave(*at);
        normal += wave * wave.transpose();
        right += wave * *light;
    }
    let Some(fitted) = normal.cholesky().map(|c| c.solve(&right)) else { return 0.0 };
    if fitted[1].hypot(fitted[2]) < DISTINCT * fitted[0] || variance <= 0.0 {
        return 0.0;
    }
    let left: f64 = around.iter().map(|(at, light)| (light - wave(*at).dot(&fitted)).powi(2)).sum();
    1.0 - left / variance
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light around a circle of which this many directions are seen.
    fn around(first: usize, seen: usize, light: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (first..first + seen).map(|k| direction(k % DIRECTIONS)).map(|at| (at, light(at))).collect()
    }

    #[test]
    fn four_dark_arms_are_a_cross_and_two_halves_are_none() {
        let arms = |at: f64| 0.02 + 0.3 * (2.0 * (at - 0.4)).sin().powi(2);
        let halves = |at: f64| if at < direction(13) { 0.1 } else { 0.5 };
        let even = |at: f64| 0.4 + 0.01 * (4.0 * at).cos();
        assert!(share_of_a_cross(&around(0, DIRECTIONS, halves)) < 0.1, "a boundary beneath a bubble");
        for (first, seen) in (0..DIRECTIONS).map(|first| (first, FEWEST)).chain([(0, DIRECTIONS)]) {
            assert!(share_of_a_cross(&around(first, seen, arms)) > 0.99, "{first}");
            assert!(share_of_a_cross(&around(first, seen, halves)) < 0.5, "a boundary is not marked down: {first}");
            assert!(share_of_a_cross(&around(first, seen, even)) < 1e-12, "one crystal beneath a bubble");
        }
    }
}
