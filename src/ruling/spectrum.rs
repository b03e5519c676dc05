//! Where a picture may hold parallel lines, and their direction: power spectra of tiles at several sizes.
//!
//! Parallel lines send their power along one ray of the spectrum, whatever their spacing. The power is taken against the
//! median on its ring, so that rock, dust and blur, which favour no direction, come out as one.

use ndarray::Array2;
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

use super::plane::Plane;

/// Side of a tile, pixels of its level.
pub(crate) const TILE: usize = 128;
/// Directions over half a turn.
const DIRECTIONS: usize = 180;
/// Rings that are too coarse to be lines.
const FIRST_RING: usize = 3;
/// Power over its ring's median at which it counts: isotropic noise exceeds it on 0.4 % of the places.
const COUNTS_FROM: f32 = 8.0;

/// Standard deviation that rounding three channels to 8 bit leaves in the root of light.
const ROUNDING: f32 = 0.0008;

/// A place where there may be parallel lines.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seed {
    /// Halvings of the picture at which it was seen.
    pub(crate) level: u32,
    /// Middle of the tile, pixels of the photograph.
    pub(crate) centre: [f64; 2],
    /// Angle of the normal, radians from +x towards +y (down), 0 to π.
    pub(crate) angle: f64,
    /// Logarithm of power along the ray, summed.
    pub(crate) score: f32,
}

/// All places, the strongest first; `levels` are the picture and its halvings.
pub(crate) fn seeds(levels: &[Plane]) -> Vec<Seed> {
    let mut planner = FftPlanner::new();
    let fft = planner.plan_fft_forward(TILE);
    let window: Vec<f32> =
        (0..TILE).map(|i| 0.5 - 0.5 * (std::f32::consts::TAU * (i as f32 + 0.5) / TILE as f32).cos()).collect();
    let energy = window.iter().map(|w| w * w).sum::<f32>().powi(2);
    let rays = Rays::new();
    let mut found: Vec<Seed> = Vec::new();
    for (level, plane) in levels.iter().enumerate() {
        let starts = |n: usize| -> Vec<usize> {
            if n < TILE {
                return vec![0];
            }
            let count = (n - TILE).div_ceil(TILE / 2).max(1);
            let mut all: Vec<usize> = (0..=count).map(|k| (n - TILE) * k / count).collect();
            all.dedup();
            all
        };
        let (xs, ys) = (starts(plane.width()), starts(plane.height()));
        let tiles: Vec<(usize, usize)> = ys.iter().flat_map(|y| xs.iter().map(move |x| (*x, *y))).collect();
        found.par_extend(tiles.into_par_iter().flat_map_iter(|(x, y)| {
            let power = tile_power(plane, x, y, &window, &fft);
            rays.best(&power, energy * ROUNDING * ROUNDING / 4_f32.powi(level as i32)).into_iter().map(
                move |(angle, score)| {
                    let scale = f64::from(1_u32 << level);
                    let centre = [x, y].map(|v| (v as f64 + TILE as f64 / 2.0) * scale - 0.5);
                    Seed { level: level as u32, centre, angle, score }
                },
            )
        }));
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found
}

/// Power of a tile, rows and columns as the transform leaves them.
fn tile_power(plane: &Plane, x0: usize, y0: usize, window: &[f32], fft: &Arc<dyn Fft<f32>>) -> Vec<f32> {
    let (h, w) = plane.root.dim();
    let (rows, columns) = (TILE.min(h - y0), TILE.min(w - x0));
    let of_tile = (0..rows * columns).map(|k| plane.root[[y0 + k / columns, x0 + k % columns]]);
    let mean = of_tile.sum::<f32>() / (rows * columns).max(1) as f32;
    let mut tile = vec![Complex32::default(); TILE * TILE];
    for j in 0..rows {
        for i in 0..columns {
            tile[j * TILE + i].re = (plane.root[[y0 + j, x0 + i]] - mean) * window[i] * window[j];
        }
    }
    fft.process(&mut tile);
    let mut turned = vec![Complex32::default(); TILE * TILE];
    for j in 0..TILE {
        for i in 0..TILE {
            turned[i * TILE + j] = tile[j * TILE + i];
        }
    }
    fft.process(&mut turned);
    let mut power = vec![0.0; TILE * TILE];
    for i in 0..TILE {
        for j in 0..TILE {
            power[j * TILE + i] = turned[i * TILE + j].norm_sqr();
        }
    }
    power
}

/// Where rays through the middle of a spectrum meet its places.
struct Rays {
    /// Ring of each place, 0 where it does not count.
    ring: Vec<u8>,
    /// For each direction the places on its ray.
    places: Vec<Vec<usize>>,
}

impl Rays {
    fn new() -> Self {
        let half = TILE as i32 / 2;
        let signed = |i: usize| if (i as i32) < half { i as i32 } else { i as i32 - TILE as i32 };
        let ring = (0..TILE * TILE)
            .map(|at| {
                let (x, y) = (signed(at % TILE), signed(at / TILE));
                let r = f64::from(x).hypot(f64::from(y)).round() as usize;
                // Half of the plane: the other half is the same.
                let upper = y > 0 || (y == 0 && x > 0);
                if upper && (FIRST_RING..TILE * 7 / 10).contains(&r) { r as u8 } else { 0 }
            })
            .collect();
        let places = (0..DIRECTIONS)
            .map(|k| {
                let a = std::f64::consts::PI * k as f64 / DIRECTIONS as f64;
                let mut of: Vec<usize> = Vec::new();
                for r in FIRST_RING..TILE * 7 / 10 {
                    let (x, y) = ((r as f64 * a.cos()).round() as i32, (r as f64 * a.sin()).round() as i32);
                    if x.abs() >= half || y.abs() >= half {
                        break;
                    }
                    // Light of the left half is found at its mirror place.
                    let (x, y) = if y > 0 || (y == 0 && x > 0) { (x, y) } else { (-x, -y) };
                    of.push((y.rem_euclid(TILE as i32) as usize) * TILE + x.rem_euclid(TILE as i32) as usize);
                }
                of
            })
            .collect();
        Self { ring, places }
    }

    /// The strongest direction and the strongest one well away from it, with their scores.
    ///
    /// `floor` is the power that rounding to 8 bit leaves: no ring is emptier, whatever a codec smoothed away.
    fn best(&self, power: &[f32], floor: f32) -> Vec<(f64, f32)> {
        let mut rings: Vec<Vec<f32>> = vec![Vec::new(); TILE];
        for (p, r) in power.iter().zip(&self.ring) {
            if *r > 0 {
                rings[usize::from(*r)].push(*p);
            }
        }
        let medians: Vec<f32> = rings
            .iter_mut()
            .map(|ring| {
                if ring.is_empty() {
                    return f32::MAX;
                }
                let middle = ring.len() / 2;
                (*ring.select_nth_unstable_by(middle, f32::total_cmp).1).max(floor)
            })
            .collect();
        let scores: Vec<f32> = self
            .places
            .iter()
            .map(|places| {
                places
                    .iter()
                    .map(|at| (power[*at] / (COUNTS_FROM * medians[usize::from(self.ring[*at])])).ln().max(0.0))
                    .sum()
            })
            .collect();
        let peak = |allowed: &dyn Fn(usize) -> bool| {
            (0..DIRECTIONS).filter(|k| allowed(*k)).max_by(|a, b| scores[*a].total_cmp(&scores[*b]))
        };
        let Some(first) = peak(&|_| true) else { return Vec::new() };
        let apart = |a: usize, b: usize| {
            let d = a.abs_diff(b);
            d.min(DIRECTIONS - d)
        };
        let second = peak(&|k| apart(k, first) > 20);
        std::iter::once(first)
            .chain(second)
            .filter(|k| scores[*k] > 3.0)
            .map(|k| (std::f64::consts::PI * k as f64 / DIRECTIONS as f64, scores[k]))
            .collect()
    }
}

/// The picture and its halvings, as long as a tile fits.
pub(crate) fn levels(first: Plane) -> Vec<Plane> {
    let mut all = vec![first];
    while all.len() < 5 {
        let next = all.last().expect("not empty").halved();
        if next.width().min(next.height()) < TILE / 2 || next.width().max(next.height()) < TILE {
            break;
        }
        all.push(next);
    }
    all
}

/// Spacing of what repeats in a line of samples: the shortest lag, from `least` to `most`, at which it is most like itself again,
/// in samples, and how alike (0..=1). None when nothing repeats.
pub(crate) fn repeats(line: &[f32], least: f64, most: f64) -> Option<(f64, f64)> {
    let good: Vec<f64> = line.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
    let n = good.len();
    if n < 16 {
        return None;
    }
    let mean = good.iter().sum::<f64>() / n as f64;
    let x: Vec<f64> = good.iter().map(|v| v - mean).collect();
    let longest = (n * 2 / 5).min((most as usize).saturating_add(2));
    let like = |lag: usize| {
        let (a, b) = (&x[..n - lag], &x[lag..]);
        let dot: f64 = a.iter().zip(b).map(|(p, q)| p * q).sum();
        let (p, q): (f64, f64) = (a.iter().map(|v| v * v).sum(), b.iter().map(|v| v * v).sum());
        dot / (p * q).sqrt().max(1e-30)
    };
    let r: Vec<f64> = (0..=longest).map(like).collect();
    let peaks: Vec<usize> =
        (2..longest).filter(|k| *k as f64 >= least && r[*k] >= r[k - 1] && r[*k] > r[k + 1] && r[*k] > 0.0).collect();
    // The centre peak's own shoulder is none: it must have gone down before.
    let down = (1..longest).find(|k| r[*k] < 0.5 * r[0] || r[*k] < r[*k + 1])?;
    let best = peaks.iter().filter(|k| **k > down).map(|k| r[*k]).fold(0.0, f64::max);
    if best < 0.25 {
        return None;
    }
    let first = *peaks.iter().find(|k| **k > down && r[**k] > 0.75 * best)?;
    let (a, b, c) = (r[first - 1], r[first], r[first + 1]);
    let shift = 0.5 * (a - c) / (a - 2.0 * b + c).min(-1e-12);
    let mut lag = first as f64 + shift.clamp(-0.5, 0.5);
    // Each further return tells it more finely.
    for times in 2..200_usize {
        let about = (lag * times as f64).round() as usize;
        if about + 2 >= longest {
            break;
        }
        let reach = ((lag / 4.0) as usize).max(1);
        let Some(top) = (about.saturating_sub(reach).max(1)..=(about + reach).min(longest - 1))
            .max_by(|p, q| r[*p].total_cmp(&r[*q]))
        else {
            break;
        };
        if r[top] < 0.4 * best {
            break;
        }
        let (a, b, c) = (r[top - 1], r[top], r[top + 1]);
        let shift = 0.5 * (a - c) / (a - 2.0 * b + c).min(-1e-12);
        lag = (top as f64 + shift.clamp(-0.5, 0.5)) / times as f64;
    }
    Some((lag, r[first]))
}

/// Sum of squares of a tile seen along a direction: largest where its lines stand upright.
pub(crate) fn sharpness(lines: &Array2<f32>) -> f64 {
    let columns = lines.ncols();
    let means: Vec<f64> = (0..columns)
        .filter_map(|i| {
            let good: Vec<f32> = lines.column(i).iter().copied().filter(|v| v.is_finite()).collect();
            (!good.is_empty()).then(|| good.iter().map(|v| f64::from(*v)).sum::<f64>() / good.len() as f64)
        })
        .collect();
    // Differences weigh fine lines above slow changes.
    means.windows(3).map(|w| (w[2] - w[0]).powi(2)).sum()
}
