//! The black cross of a spherulite: fibres that radiate from a centre go out along both directions of the polars, whichever they are.
//!
//! Chalcedony fills round cavities so (handbook knowledge, from memory). Its outline is as round as a bubble's, and no crystal
//! goes on beneath it.

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

/// How much of the change of light around a circle is a cross with four dark arms, 0..=1; mean over the crossed pictures.
pub(super) fn extinction_cross(light: &FieldLight, circle: Circle) -> f64 {
    let cell = light.plane.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y, radius) = (to_cell(circle.x), to_cell(circle.y), circle.radius / cell);
    if light.crossed.is_empty() || radius < LEAST_CELLS {
        return 0.0;
    }
    let of_picture = |channels: &[ndarray::Array2<f32>; 3]| {
        let around: Option<Vec<f64>> = (0..DIRECTIONS)
            .map(|k| {
                let (sin, cos) = direction(k).sin_cos();
                let seen: Vec<f64> = RADII
                    .iter()
                    .filter_map(|r| {
                        let at = [x + r * radius * cos, y + r * radius * sin];
                        channels.iter().map(|c| sample(c, at[0], at[1]).map(f64::from)).sum::<Option<f64>>()
                    })
                    .collect();
                (seen.len() == RADII.len()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
            })
            .collect();
        around.map_or(0.0, |around| share_of_a_cross(&around))
    };
    light.crossed.iter().map(of_picture).sum::<f64>() / light.crossed.len() as f64
}

fn direction(k: usize) -> f64 {
    std::f64::consts::TAU * k as f64 / DIRECTIONS as f64
}

/// Share of the squares of the light's changes around a circle that four equal arms explain; 0 where they are faint.
fn share_of_a_cross(around: &[f64]) -> f64 {
    let n = around.len() as f64;
    let mean = around.iter().sum::<f64>() / n;
    let variance = around.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    let wave =
        |f: fn(f64) -> f64| 2.0 / n * around.iter().enumerate().map(|(k, v)| v * f(4.0 * direction(k))).sum::<f64>();
    let amplitude = wave(f64::cos).hypot(wave(f64::sin));
    if amplitude < DISTINCT * mean || variance <= 0.0 { 0.0 } else { 0.5 * amplitude * amplitude / variance }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_dark_arms_are_a_cross_and_two_halves_are_none() {
        let arms: Vec<f64> = (0..DIRECTIONS).map(|k| 0.02 + 0.3 * (2.0 * (direction(k) - 0.4)).sin().powi(2)).collect();
        assert!(share_of_a_cross(&arms) > 0.99);
        let halves: Vec<f64> = (0..DIRECTIONS).map(|k| if k < 13 { 0.1 } else { 0.5 }).collect();
        assert!(share_of_a_cross(&halves) < 0.1, "a boundary beneath a bubble");
        let even: Vec<f64> = (0..DIRECTIONS).map(|k| 0.4 + 0.01 * (4.0 * direction(k)).cos()).collect();
        assert!(share_of_a_cross(&even) < 1e-12, "one crystal beneath a bubble");
    }
}
