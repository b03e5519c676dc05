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
            let least = if from == k { 0.0 } else { CLEAR_LINE };
            octave(light, &levels[k].0, levels[k].1, &Lines { all: &lines[from], least, cell: levels[from].1 })
        })
        .collect()
}

/// Dark lines that vote for circles of an octave.
struct Lines<'a> {
    all: &'a [Voter],
    /// Weight beyond which one votes.
    least: f32,
    /// Side of their cells, pixels.
    cell: f64,
}

fn octave(light: &PlaneLight, log: &Array2<f32>, cell: f64, lines: &Lines<'_>) -> Vec<Candidate> {
    let (rows, columns) = log.dim();
    let radii: Vec<f64> = (0..RADII)
        .map(|k| LEAST_RADIUS * 2.1_f64.powf(k as f64 / (RADII - 1) as f64))
        .filter(|r| 2.0 * r * cell >= light.px(SMALLEST_UM))
        .collect();
    if radii.is_empty() {
        return Vec::new();
    }
    let edges = edges(log);
    let finer = lines.cell / cell;
    let margin = (radii[radii.len() - 1] * 0.7) as isize;
    let (h, w) = (rows + 2 * margin as usize, columns + 2 * margin as usize);
    let cast_of = |r: f64| -> Array2<f32> {
        let mut votes = vec![0.0_f32; h * w];
        let mut cast = |x: f64, y: f64, weight: f32| {
            let (i, j) = (nearest(x) + margin, nearest(y) + margin);
            if i >= 0 && j >= 0 && i < w as isize && j < h as isize {
                votes[j as usize * w + i as usize] += weight;
            }
        };
        for e in &edges {
            // Brighter outward: the centre lies down the slope.
            let [x, y, nx, ny] = e.line();
            cast(x - r * nx, y - r * ny, e.weight);
        }
        for e in lines.all.iter().filter(|e| e.weight > lines.least) {
            let [x, y, nx, ny] = e.line();
            let at = r - 0.5 * finer;
            let (x, y) = ((x + 0.5) * finer - 0.5, (y + 0.5) * finer - 0.5);
            let weight = 0.5 * finer as f32 * e.weight;
            cast(x - at * nx, y - at * ny, weight);
            cast(x + at * nx, y + at * ny, weight);
        }
        let scale = 1.0 / (std::f64::consts::TAU * r) as f32;
        smooth(&mut votes, w, if r > 5.5 { 2 } else { 1 });
        votes.iter_mut().for_each(|v| *v *= scale);
        Array2::from_shape_vec((h, w), votes).expect("as long")
    };
    // A peak stands out of the next smaller and larger radius too: no more than these are held at a time.
    let mut found = Vec::new();
    let (mut smaller, mut votes) = (None, cast_of(radii[0]));
    for (k, radius) in radii.iter().enumerate() {
        let larger = radii.get(k + 1).map(|r| cast_of(*r));
        let beside: Vec<&[f32]> = smaller.iter().chain([&votes]).chain(&larger).map(cells_of).collect();
        let at = |v: usize| (v as f64 - margin as f64) * cell + (cell - 1.0) / 2.0;
        let circle = |i: usize, j: usize| Circle { x: at(i), y: at(j), radius: radius * cell };
        found.extend(peaks(&votes, &beside, circle));
        let Some(larger) = larger else { break };
        smaller = Some(std::mem::replace(&mut votes, larger));
    }
    found.sort_by(|a, b| b.votes.total_cmp(&a.votes));
    // The loudest, and of the others those that stand out where many lines of the rock vote.
    let mut quiet = found.split_off(found.len().min(in_proportion(CANDIDATES, light)));
    quiet.sort_by(|a, b| b.outstanding.total_cmp(&a.outstanding));
    quiet.truncate(in_proportion(OUTSTANDING, light));
    found.extend(quiet);
    found
}

fn cells_of(votes: &Array2<f32>) -> &[f32] {
    votes.as_slice().expect("standard layout")
}

/// Places whose votes no place next to them surpasses, in none of the planes `beside`, with the circle that `circle` makes of each.
fn peaks(votes: &Array2<f32>, beside: &[&[f32]], circle: impl Fn(usize, usize) -> Circle + Sync) -> Vec<Candidate> {
    let (h, w) = votes.dim();
    let about = box_mean(votes, BESIDE);
    let votes = cells_of(votes);
    (1..h - 1)
        .into_par_iter()
        .flat_map_iter(|j| {
            let (about, circle) = (&about, &circle);
            (1..w - 1).filter_map(move |i| {
                let v = votes[j * w + i];
                let surpassed =
                    |other: &[f32]| (0..3).any(|dj| (0..3).any(|di| other[(j + dj - 1) * w + i + di - 1] > v));
                if v < LEAST_VOTES || beside.iter().any(|other| surpassed(other)) {
                    return None;
                }
                let about = about[[j, i]];
                Some(Candidate { circle: circle(i, j), votes: v, outstanding: (v - about) / (about + FEW).sqrt() })
            })
        })
        .collect()
}

/// The whole number nearest to a place; halves go away from zero, as `round` has it, which is a call on most machines.
fn nearest(v: f64) -> isize {
    let whole = v as i32;
    let rest = v - f64::from(whole);
    whole as isize + isize::from(rest >= 0.5) - isize::from(rest <= -0.5)
}

/// A place where the picture has a direction.
struct Voter {
    x: u32,
    y: u32,
    nx: f32,
    ny: f32,
    weight: f32,
}

impl Voter {
    /// Where it is, cells, and the unit vector across it.
    fn line(&self) -> [f64; 4] {
        [f64::from(self.x), f64::from(self.y), f64::from(self.nx), f64::from(self.ny)]
    }
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
                    x: x as u32,
                    y: y as u32,
                    nx: gx / magnitude,
                    ny: gy / magnitude,
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
                    x: x as u32,
                    y: y as u32,
                    nx,
                    ny,
                    weight: (value / (2.0 * STEEP)).max(clear).min(1.0),
                });
            }
        }
    }
    out
}

/// Sum over a square of side 2·reach + 1, of rows of `w`; none at the frame.
fn smooth(votes: &mut [f32], w: usize, reach: usize) {
    let mut across = vec![0.0_f32; votes.len()];
    for (across, votes) in across.chunks_exact_mut(w).zip(votes.chunks_exact(w)) {
        for x in reach..w - reach {
            across[x] = votes[x - reach..=x + reach].iter().sum();
        }
    }
    votes.fill(0.0);
    let h = votes.len() / w;
    for (y, out) in votes.chunks_exact_mut(w).enumerate().take(h - reach).skip(reach) {
        for from in across[(y - reach) * w..(y + reach + 1) * w].chunks_exact(w) {
            out.iter_mut().zip(from).for_each(|(o, v)| *o += v);
        }
    }
}
