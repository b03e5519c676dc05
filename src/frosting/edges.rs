//! Edges of the picture as points with a direction, the straight lines they lie on, and how far a line is covered by them.

use crate::section::cells::box_mean;
use crate::section::filter::separable;
use ndarray::Array2;
use rayon::prelude::*;

use crate::frosting::geometry::{Point, distance};

/// Blur before the slope is taken, cells: noise and fine grain drop out, the edge of a glass does not.
const BLUR: f64 = 1.4;
/// Half the side of the square whose mean slope an edge must stand out from, cells.
const AROUND: usize = 14;
/// Directions of a line over half a turn.
const DIRECTIONS: usize = 180;
/// Lines that are kept.
const MOST_LINES: usize = 56;
/// An edge lies on a line when its normal is within this of the line's, radians.
const ASIDE: f64 = 0.22;

/// Where the light changes across, cell by cell.
pub struct Edges {
    /// Slope of the logarithm of light, per cell, x and y.
    pub slope: [Array2<f32>; 2],
    /// Strength of an edge over its surroundings where it is the crest of the slope; 0 elsewhere.
    pub strength: Array2<f32>,
}

impl Edges {
    /// Of light in cells.
    #[must_use]
    pub fn of(light: &Array2<f32>) -> Self {
        let (rows, columns) = light.dim();
        let mut all: Vec<f32> = light.iter().copied().collect();
        let at = (all.len() * 19 / 20).min(all.len().saturating_sub(1));
        let bright = *all.select_nth_unstable_by(at, f32::total_cmp).1;
        let floor = (0.04 * bright).max(1e-4);
        let log = light.mapv(|l| (l + floor).ln());
        let reach = (3.0 * BLUR).ceil() as i32;
        let gauss: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (f64::from(k) / BLUR).powi(2)).exp()).collect();
        let total: f64 = gauss.iter().sum();
        let smooth: Vec<f32> = gauss.iter().map(|g| (g / total) as f32).collect();
        let first: Vec<f32> =
            gauss.iter().zip(-reach..=reach).map(|(g, k)| (g / total * f64::from(k) / (BLUR * BLUR)) as f32).collect();
        let slope = [separable(&log, &first, &smooth), separable(&log, &smooth, &first)];
        let mut size = slope[0].clone();
        size.zip_mut_with(&slope[1], |a, b| *a = a.hypot(*b));
        // From the mean of the root, so that a strong edge does not drown a faint one beside it.
        let around = box_mean(&size.mapv(f32::sqrt), AROUND).mapv(|r| r * r);
        let mut sorted: Vec<f32> = size.iter().copied().collect();
        let middle = sorted.len() / 2;
        let usual = *sorted.select_nth_unstable_by(middle, f32::total_cmp).1;
        let least = (2.0 * usual).max(0.006);
        let mut strength = Array2::<f32>::zeros((rows, columns));
        for y in 2..rows.saturating_sub(2) {
            for x in 2..columns.saturating_sub(2) {
                let s = size[[y, x]];
                if s < least {
                    continue;
                }
                let (nx, ny) = (slope[0][[y, x]] / s, slope[1][[y, x]] / s);
                let beside = |d: f32| {
                    crate::section::cells::sample(&size, f64::from(x as f32 + d * nx), f64::from(y as f32 + d * ny))
                        .unwrap_or(0.0)
                };
                // A crest half-way between two cells is kept in both.
                if s >= 0.999 * beside(1.0) && s >= 0.999 * beside(-1.0) {
                    let over = s / (1.6 * around[[y, x]] + 0.5 * least);
                    strength[[y, x]] = if over > 1.0 { over.min(2.5) } else { 0.0 };
                }
            }
        }
        Self { slope, strength }
    }

    /// Whether an edge crosses within a cell and a half of `p` whose normal is within [`ASIDE`] of `normal`.
    fn near(&self, p: Point, normal: [f64; 2]) -> bool {
        let (rows, columns) = self.strength.dim();
        for k in -2..=2 {
            let (x, y) = (p[0] + 0.75 * f64::from(k) * normal[0], p[1] + 0.75 * f64::from(k) * normal[1]);
            let (x, y) = (x.round(), y.round());
            if x < 0.0 || y < 0.0 || x >= columns as f64 || y >= rows as f64 {
                continue;
            }
            let at = [y as usize, x as usize];
            if self.strength[at] > 0.0 && self.leans(at, normal) < ASIDE {
                return true;
            }
        }
        false
    }

    /// Angle between the normal of the edge in a cell and another, radians, 0..=π/2.
    fn leans(&self, at: [usize; 2], normal: [f64; 2]) -> f64 {
        let (gx, gy) = (f64::from(self.slope[0][at]), f64::from(self.slope[1][at]));
        let cos = ((gx * normal[0] + gy * normal[1]) / gx.hypot(gy).max(1e-12)).abs();
        cos.min(1.0).acos()
    }

    /// Share of the way from a to b that runs along an edge, 0..=1; 0 for a way of no length.
    #[must_use]
    pub fn support(&self, a: Point, b: Point) -> f64 {
        let length = distance(a, b);
        if length < 2.0 {
            return 0.0;
        }
        let normal = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
        let steps = (length / 2.0).ceil() as usize;
        let met = (0..=steps)
            .filter(|k| {
                let t = *k as f64 / steps as f64;
                self.near([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])], normal)
            })
            .count();
        met as f64 / (steps + 1) as f64
    }

    /// The straight lines that most edges lie on, as unit normal x, y and distance, strongest first (Hough transform).
    #[must_use]
    pub fn lines(&self) -> Vec<[f64; 3]> {
        let (rows, columns) = self.strength.dim();
        let diagonal = (rows as f64).hypot(columns as f64);
        let half = (diagonal / 1.5).ceil() as usize + 2;
        let bins = 2 * half + 1;
        let points: Vec<(f64, f64, f64, f32)> = self
            .strength
            .indexed_iter()
            .filter(|(_, s)| **s > 0.0)
            .map(|((y, x), s)| {
                let angle = f64::from(self.slope[1][[y, x]]).atan2(f64::from(self.slope[0][[y, x]]));
                (x as f64, y as f64, angle, *s)
            })
            .collect();
        let mut votes = vec![0.0_f32; DIRECTIONS * bins];
        votes.par_chunks_mut(bins).enumerate().for_each(|(k, row)| {
            let theta = std::f64::consts::PI * k as f64 / DIRECTIONS as f64;
            let (s, c) = theta.sin_cos();
            for (x, y, angle, strength) in &points {
                let off = (angle - theta).rem_euclid(std::f64::consts::PI);
                if off.min(std::f64::consts::PI - off) < 0.09 {
                    let at = (x * c + y * s) / 1.5 + half as f64;
                    row[at.round() as usize] += strength;
                }
            }
        });
        let mut lines: Vec<[f64; 3]> = Vec::new();
        let mut tried = 0;
        while lines.len() < MOST_LINES && tried < 10 * MOST_LINES {
            tried += 1;
            let Some((at, most)) = votes.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)) else { break };
            if *most < 0.03 * diagonal as f32 {
                break;
            }
            let (k, r) = (at / bins, at % bins);
            let theta = std::f64::consts::PI * k as f64 / DIRECTIONS as f64;
            let line = [theta.cos(), theta.sin(), 1.5 * (r as f64 - half as f64)];
            let line = settle(line, &points);
            if !lines.iter().any(|other| same(*other, line, [columns as f64, rows as f64])) {
                lines.push(line);
            }
            // Around the crest nothing more is taken; half a turn on, distance changes its sign.
            for dk in -3_i64..=3 {
                let turned = k as i64 + dk;
                let wraps = turned.rem_euclid(DIRECTIONS as i64) as usize;
                let r = if turned == wraps as i64 { r } else { bins - 1 - r };
                for i in r.saturating_sub(3)..(r + 4).min(bins) {
                    votes[wraps * bins + i] = 0.0;
                }
            }
        }
        lines
    }
}

/// Whether two lines run within a cell and a half of each other all over the picture.
fn same(a: [f64; 3], b: [f64; 3], size: [f64; 2]) -> bool {
    let cos = a[0] * b[0] + a[1] * b[1];
    let middle = [size[0] / 2.0, size[1] / 2.0];
    // Where line a comes nearest to the middle of the picture, and half the picture on either way.
    let off = a[2] - a[0] * middle[0] - a[1] * middle[1];
    let foot = [middle[0] + off * a[0], middle[1] + off * a[1]];
    let apart = |t: f64| {
        let p = [foot[0] - t * a[1], foot[1] + t * a[0]];
        (b[0] * p[0] + b[1] * p[1] - b[2]).abs()
    };
    let half = 0.3 * size[0].min(size[1]);
    cos.abs() > 0.99 && apart(-half) < 1.5 && apart(half) < 1.5
}

/// The line moved to the edges near it: least squares, twice.
fn settle(mut line: [f64; 3], points: &[(f64, f64, f64, f32)]) -> [f64; 3] {
    for width in [3.0, 2.0] {
        let [nx, ny, d] = line;
        let near: Vec<(f64, f64)> = points
            .iter()
            .filter(|(x, y, angle, _)| {
                (nx * x + ny * y - d).abs() < width && (angle.cos() * nx + angle.sin() * ny).abs() > 0.97
            })
            .map(|(x, y, ..)| (*x, *y))
            .collect();
        if near.len() < 8 {
            return line;
        }
        let n = near.len() as f64;
        let (mx, my) = near.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (x, y) in &near {
            xx += (x - mx).powi(2);
            xy += (x - mx) * (y - my);
            yy += (y - my).powi(2);
        }
        // Across the line the points scatter least.
        let along = 0.5 * (2.0 * xy).atan2(xx - yy);
        let normal = [-along.sin(), along.cos()];
        if (normal[0] * nx + normal[1] * ny).abs() < 0.99 {
            return line;
        }
        line = [normal[0], normal[1], normal[0] * mx + normal[1] * my];
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_of_a_half_plane_is_its_strongest_line() {
        for degrees in [0.0_f64, 31.0, 90.0, 140.0, 178.0] {
            let (s, c) = degrees.to_radians().sin_cos();
            let light = Array2::from_shape_fn((140, 180), |(y, x)| {
                let d = (x as f64 - 90.0) * c + (y as f64 - 70.0) * s - 5.0;
                (0.1 + 0.4 * (d + 0.5).clamp(0.0, 1.0)) as f32
            });
            let edges = Edges::of(&light);
            let [nx, ny, d] = edges.lines()[0];
            let sign = (nx * c + ny * s).signum();
            assert!((nx * c + ny * s).abs() > 0.9998, "{degrees}: {nx} {ny}");
            assert!((sign * d - (90.0 * c + 70.0 * s + 5.0)).abs() < 1.0, "{degrees}: {d}");
            let on = |t: f64, off: f64| [90.0 + (5.0 + off) * c - t * s, 70.0 + (5.0 + off) * s + t * c];
            let seen = edges.support(on(-40.0, 0.0), on(40.0, 0.0));
            assert!(seen > 0.9, "{degrees}: {seen}");
            assert!(edges.support(on(-40.0, 12.0), on(40.0, 12.0)) < 0.05);
        }
    }
}
