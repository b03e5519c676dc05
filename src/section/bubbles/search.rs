//! Where circles may lie: edges and thin lines vote for the centres that they point to.

use ndarray::Array2;
use rayon::prelude::*;

use super::SMALLEST_UM;
use super::circle::Circle;
use crate::section::cells::{box_mean, shrink};
use crate::section::filter::separable;
use crate::section::plane_light::{PlaneLight, in_proportion};
use crate::section::ridge::{OF_NOISE, sharpest};

/// Radii searched within an octave of sizes.
const RADII: usize = 9;
/// Smallest radius of an octave, cells of its level.
const LEAST_RADIUS: f64 = 3.6;
/// Log units per cell beyond which a steeper edge votes no louder.
const STEEP: f32 = 0.25;
/// Octaves by which walls are looked for at a finer resolution than the circle they belong to.
const FINER: usize = 3;
/// Weight from which a line at a finer resolution votes: there are many.
const CLEAR_LINE: f32 = 0.4;
/// Half the side of the square that says what lines the rock shows, cells.
const ABOUT: usize = 24;
/// Least scatter of the line response, log units: the camera's noise.
const QUIETEST: f32 = 0.03;
/// Scatters from which a line votes in full, however pale.
const CLEARLY: f32 = 6.0;
/// Votes, of one a full circle of clear edges would give, from which a circle is measured.
const LEAST_VOTES: f32 = 0.12;
/// Candidates measured per field and octave.
const CANDIDATES: usize = 110;
/// Further ones of fewer votes that stand out of those about them.
const OUTSTANDING: usize = 60;
/// Half the side of the square that says how many votes chance gives, cells.
const BESIDE: usize = 7;
/// Votes that chance gives anywhere.
const FEW: f32 = 0.02;

/// A circle that many edges point to.
#[derive(Clone, Copy)]
pub(super) struct Candidate {
    pub(super) circle: Circle,
    /// Votes for it, of one that a full circle of clear edges would give.
    votes: f32,
    /// How far its votes stand out of those about it, in scatters of chance.
    outstanding: f32,
}

/// Votes of edges and of thin lines for centres, an octave of radii at a time, each at the resolution that fits it.
pub(super) fn candidates(light: &PlaneLight) -> Vec<Candidate> {
    let mut levels: Vec<(Array2<f32>, f64)> = vec![(light.coarse.clone(), light.bin as f64)];
    while levels.last().is_some_and(|(a, _)| a.dim().0.min(a.dim().1) >= 32) && levels.len() < 7 {
        let (last, cell) = &levels[levels.len() - 1];
        let next = (shrink(last, 2), cell * 2.0);
        levels.push(next);
    }
    let lines: Vec<Vec<Voter>> = levels.par_iter().map(|(a, _)| thin_lines(a)).collect();
    (0..levels.len())
        .into_par_iter()
        .flat_map_iter(|k| {
            // A thin wall is gone at the resolution of a large circle: it is seen at a finer one.
            let from = k.saturating_sub(FINER);
            let seen: Vec<&Voter> = lines[from].iter().filter(|v| from == k || v.weight > CLEAR_LINE).collect();
            octave(light, &levels[k].0, levels[k].1, &seen, levels[from].1)
        })
        .collect()
}

fn octave(light: &PlaneLight, log: &Array2<f32>, cell: f64, lines: &[&Voter], line_cell: f64) -> Vec<Candidate> {
    let (rows, columns) = log.dim();
    let radii: Vec<f64> = (0..RADII)
        .map(|k| LEAST_RADIUS * 2.1_f64.powf(k as f64 / (RADII - 1) as f64))
        .filter(|r| 2.0 * r * cell >= light.px(SMALLEST_UM))
        .collect();
    if radii.is_empty() {
        return Vec::new();
    }
    let edges = edges(log);
    let finer = line_cell / cell;
    let margin = (radii[radii.len() - 1] * 0.7) as isize;
    let (h, w) = (rows + 2 * margin as usize, columns + 2 * margin as usize);
    let mut found = Vec::new();
    let mut previous: Vec<Vec<f32>> = Vec::new();
    for r in &radii {
        let mut votes = vec![0.0_f32; h * w];
        let mut cast = |x: f64, y: f64, weight: f32| {
            let (i, j) = (nearest(x) + margin, nearest(y) + margin);
            if i >= 0 && j >= 0 && i < w as isize && j < h as isize {
                votes[j as usize * w + i as usize] += weight;
            }
        };
        for e in &edges {
            // Brighter outward: the centre lies down the slope.
            cast(e.x - r * e.nx, e.y - r * e.ny, e.weight);
        }
        for e in lines {
            let at = r - 0.5 * finer;
            let (x, y) = ((e.x + 0.5) * finer - 0.5, (e.y + 0.5) * finer - 0.5);
            let weight = 0.5 * finer as f32 * e.weight;
            cast(x - at * e.nx, y - at * e.ny, weight);
            cast(x + at * e.nx, y + at * e.ny, weight);
        }
        let scale = 1.0 / (std::f64::consts::TAU * r) as f32;
        let reach = if *r > 5.5 { 2 } else { 1 };
        previous.push(smooth(&votes, h, w, reach).into_iter().map(|v| v * scale).collect());
    }
    for (k, votes) in previous.iter().enumerate() {
        let about = box_mean(&Array2::from_shape_vec((h, w), votes.clone()).expect("as long"), BESIDE);
        for j in 1..h - 1 {
            for i in 1..w - 1 {
                let v = votes[j * w + i];
                if v < LEAST_VOTES {
                    continue;
                }
                let mut peak = true;
                for other in &previous[k.saturating_sub(1)..(k + 2).min(previous.len())] {
                    for dj in 0..3 {
                        for di in 0..3 {
                            peak &= other[(j + dj - 1) * w + i + di - 1] <= v;
                        }
                    }
                }
                if peak {
                    let at = |v: usize| (v as f64 - margin as f64) * cell + (cell - 1.0) / 2.0;
                    let circle = Circle { x: at(i), y: at(j), radius: radii[k] * cell };
                    found.push(Candidate {
                        circle,
                        votes: v,
                        outstanding: (v - about[[j, i]]) / (about[[j, i]] + FEW).sqrt(),
                    });
                }
            }
        }
    }
    found.sort_by(|a, b| b.votes.total_cmp(&a.votes));
    // The loudest, and of the others those that stand out where many lines of the rock vote.
    let mut quiet = found.split_off(found.len().min(in_proportion(CANDIDATES, light)));
    quiet.sort_by(|a, b| b.outstanding.total_cmp(&a.outstanding));
    quiet.truncate(in_proportion(OUTSTANDING, light));
    found.extend(quiet);
    found
}

/// The whole number nearest to a place; halves go away from zero, as `round` has it, which is a call on most machines.
fn nearest(v: f64) -> isize {
    let whole = v as i32;
    let rest = v - f64::from(whole);
    whole as isize + isize::from(rest >= 0.5) - isize::from(rest <= -0.5)
}

/// A place where the picture has a direction.
struct Voter {
    x: f64,
    y: f64,
    nx: f64,
    ny: f64,
    weight: f32,
}

/// Edges with the direction in which it grows brighter.
fn edges(log: &Array2<f32>) -> Vec<Voter> {
    let (rows, columns) = log.dim();
    let s = log.as_slice().expect("standard layout");
    let mut out = Vec::new();
    for y in 1..rows.saturating_sub(1) {
        for x in 1..columns - 1 {
            let v = |dy: usize, dx: usize| s[(y + dy - 1) * columns + x + dx - 1];
            let gx = (3.0 * (v(0, 2) - v(0, 0)) + 10.0 * (v(1, 2) - v(1, 0)) + 3.0 * (v(2, 2) - v(2, 0))) / 32.0;
            let gy = (3.0 * (v(2, 0) - v(0, 0)) + 10.0 * (v(2, 1) - v(0, 1)) + 3.0 * (v(2, 2) - v(0, 2))) / 32.0;
            let magnitude = (gx * gx + gy * gy).sqrt();
            if magnitude > 0.06 {
                out.push(Voter {
                    x: x as f64,
                    y: y as f64,
                    nx: f64::from(gx / magnitude),
                    ny: f64::from(gy / magnitude),
                    weight: magnitude.min(STEEP) / STEEP / 2.0,
                });
            }
        }
    }
    out
}

/// Middles of dark lines with the direction across them.
fn thin_lines(log: &Array2<f32>) -> Vec<Voter> {
    let smooth = [0.25_f32, 0.5, 0.25];
    let second = [1.0_f32, -2.0, 1.0];
    let first = [-0.5_f32, 0.0, 0.5];
    let xx = separable(log, &second, &smooth);
    let yy = separable(log, &smooth, &second);
    let xy = separable(log, &first, &first);
    let (rows, columns) = log.dim();
    // What the rock about it shows: from the mean root, which a few strong edges do not raise.
    let mut roots = Array2::<f32>::zeros((rows, columns));
    ndarray::Zip::from(&mut roots).and(&xx).and(&xy).and(&yy).for_each(|r, &xx, &xy, &yy| {
        *r = sharpest(xx, xy, yy).0.clamp(0.0, 0.6).sqrt();
    });
    let scatter = box_mean(&roots, ABOUT).mapv(|r| (OF_NOISE * r * r).max(QUIETEST));
    let mut out = Vec::new();
    for y in 1..rows.saturating_sub(1) {
        for x in 1..columns - 1 {
            let at = [y, x];
            let (value, nx, ny) = sharpest(xx[at], xy[at], yy[at]);
            let clear = value / (CLEARLY * scatter[at]);
            if value > 0.12 || clear > CLEAR_LINE {
                out.push(Voter {
                    x: x as f64,
                    y: y as f64,
                    nx: f64::from(nx),
                    ny: f64::from(ny),
                    weight: (value / (2.0 * STEEP)).max(clear).min(1.0),
                });
            }
        }
    }
    out
}

/// Sum over a square of side 2·reach + 1.
fn smooth(votes: &[f32], h: usize, w: usize, reach: usize) -> Vec<f32> {
    let mut across = vec![0.0_f32; h * w];
    for y in 0..h {
        for x in reach..w - reach {
            let at = y * w + x;
            across[at] = votes[at - reach..=at + reach].iter().sum();
        }
    }
    let mut out = vec![0.0_f32; h * w];
    for y in reach..h - reach {
        for k in 0..=2 * reach {
            let from = &across[(y + k - reach) * w..(y + k - reach + 1) * w];
            for (o, v) in out[y * w..(y + 1) * w].iter_mut().zip(from) {
                *o += v;
            }
        }
    }
    out
}
