//! Bubbles: circles that are dark all round, with a wide rim (a ball of gas) or a mere wall (a flat one in the cement).
//!
//! Light that meets a ball of air in resin of index n beyond b/R = 1/n of its middle is totally reflected, so a rim of a
//! third of the radius is black; nearer the middle it passes and shows what lies below.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::burnt;
use crate::section::filter::separable;
use crate::section::light_field::{Between, FieldLight, box_mean, in_proportion, shrink};
use crate::section::odds::Odds;
use crate::section::ridge::{OF_NOISE, sharpest};
use crate::section::shape::fit_circle;

/// A circle that may be a bubble, pixels of the plane photograph, with what was seen along it.
#[derive(Clone, Copy, Debug)]
pub struct Ring {
    /// Centre x, pixels.
    pub x: f64,
    /// Centre y, pixels.
    pub y: f64,
    /// Outer radius of the rim, pixels.
    pub radius: f64,
    /// Share of the directions that can be judged in which a dark rim lies between brighter outside and inside.
    pub share: f64,
    /// Share of all directions that can be judged (in the picture, not black outside).
    pub judged: f64,
    /// Robust scatter of the rim's outer edge about the circle, share of the radius.
    pub roughness: f64,
    /// Median depth of the rim under its outside, log units.
    pub depth: f64,
    /// Median depth of the rim under the inside, log units.
    pub inner_depth: f64,
    /// Width of the rim at half its depth, share of the radius.
    pub rim_width: f64,
    /// Scatter of the rim's depth from direction to direction over its median.
    pub unevenness: f64,
    /// Share of the inside that stays out in every crossed picture.
    pub inside_out: f64,
    /// How sure that it is a bubble, 0..=1.
    pub confidence: f64,
}

/// Smallest bubble looked for, µm: somewhat under the 25 µm that count.
const SMALLEST_UM: f64 = 22.0;
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
/// Depth from which a wall is seen, log units, in a quiet rock and in any; in between so many times the scatter about it more.
const SEEN: [f64; 2] = [0.05, 0.22];
/// See [`SEEN`].
const SEEN_OVER_SCATTER: f64 = 3.0;
/// Rise outward from which it is an edge, log units, in a quiet rock and in any; in between so many times the usual rise.
const EDGE: [f32; 2] = [0.04, 0.12];
/// See [`EDGE`].
const EDGE_OVER_USUAL: f32 = 5.0;
/// Votes, of one a full circle of clear edges would give, from which a circle is measured.
const LEAST_VOTES: f32 = 0.17;
/// Candidates measured in an octave of a usual field; of a larger one more, see [`in_proportion`].
const CANDIDATES: usize = 110;

/// Scatter of the edge about its circle, share of the radius, beyond which no further pass makes it one.
const FAR_FROM_ROUND: f64 = 0.11;
/// Movement of a circle from one pass to the next, share of the radius, below which it is settled.
const SETTLED: f64 = 0.004;
/// Confidence below which a circle is not even listed.
const CONSIDERED: f64 = 0.01;

/// Finds circles that may be bubbles, likeliest first; those under a confidence of a half are not bubbles.
#[must_use]
pub fn find(light: &FieldLight) -> Vec<Ring> {
    let mut rings: Vec<Ring> = candidates(light).into_par_iter().filter_map(|c| measure(light, c)).collect();
    // Figures beside a scale bar are round too.
    rings.retain(|r| {
        let inked = |k: usize| {
            let (s, c) = (std::f64::consts::TAU * k as f64 / 16.0).sin_cos();
            burnt::covers(&light.burnt, r.x + 0.9 * r.radius * c, r.y + 0.9 * r.radius * s)
        };
        (0..16).filter(|k| inked(*k)).count() < 5
    });
    rings.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    claim(rings)
}

/// A circle that many edges point to, pixels.
#[derive(Clone, Copy)]
struct Candidate {
    x: f64,
    y: f64,
    radius: f64,
    votes: f32,
}

/// Votes of edges and of thin lines for centres, an octave of radii at a time, each at the resolution that fits it.
fn candidates(light: &FieldLight) -> Vec<Candidate> {
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

fn octave(light: &FieldLight, log: &Array2<f32>, cell: f64, lines: &[&Voter], line_cell: f64) -> Vec<Candidate> {
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
            let (i, j) = (x.round() as isize + margin, y.round() as isize + margin);
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
                    found.push(Candidate { x: at(i), y: at(j), radius: radii[k] * cell, votes: v });
                }
            }
        }
    }
    found.sort_by(|a, b| b.votes.total_cmp(&a.votes));
    found.truncate(in_proportion(CANDIDATES, light));
    found
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

/// Light along one direction from the centre outward.
struct Ray {
    /// Log transmission at 0, step, 2·step ... ; NaN outside the picture.
    light: Vec<f32>,
    cos: f64,
    sin: f64,
}

/// Unrolled light round a centre out to `reach` pixels.
fn unroll(light: &FieldLight, x: f64, y: f64, radius: f64, reach: f64) -> (Vec<Ray>, f64) {
    let directions = ((std::f64::consts::TAU * radius / 1.5) as usize).clamp(32, 160);
    // Large ones are read from the coarse cells: the rim is many cells wide and specks average out.
    let coarse = radius > 14.0 * light.bin as f64;
    let (cells, cell) = if coarse { (&light.coarse, light.bin as f64) } else { (&light.fine, 1.0) };
    let cells = Between::of(cells);
    let step = (radius / 40.0).clamp(0.5 * cell, 0.8 * cell.max(1.0));
    let count = (reach / step).ceil() as usize;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y, stride) = (to_cell(x), to_cell(y), step / cell);
    let rays = (0..directions)
        .map(|k| {
            let (sin, cos) = (std::f64::consts::TAU * k as f64 / directions as f64).sin_cos();
            let (dx, dy) = (stride * cos, stride * sin);
            let light =
                (0..count + 1).map(|i| cells.at(x + i as f64 * dx, y + i as f64 * dy).unwrap_or(f32::NAN)).collect();
            Ray { light, cos, sin }
        })
        .collect();
    (rays, step)
}

/// Fits the circle to its outer edge and measures what is along it.
fn measure(light: &FieldLight, candidate: Candidate) -> Option<Ring> {
    let Candidate { mut x, mut y, mut radius, .. } = candidate;
    let mut roughness = f64::INFINITY;
    for pass in 0..4 {
        let slack = if pass == 0 { 0.3 } else { 0.18 };
        let (rays, step) = unroll(light, x, y, radius, 1.5 * radius + 3.0);
        let least = least_edge(&rays, step, radius);
        let edge: Vec<[f64; 2]> = rays
            .iter()
            .filter_map(|ray| {
                let r = outer_edge(ray, step, radius, slack, least)?;
                Some([x + r * ray.cos, y + r * ray.sin])
            })
            .collect();
        if edge.len() < rays.len() / 4 {
            return None;
        }
        let [cx, cy, r, _] = fit_circle(&edge, (0.05 * radius).max(0.7))?;
        if (cx - x).hypot(cy - y) > 0.5 * radius || !(0.6..1.6).contains(&(r / radius)) {
            return None;
        }
        let moved = (cx - x).hypot(cy - y) + (r - radius).abs();
        (x, y, radius) = (cx, cy, r);
        let mut off: Vec<f64> = edge.iter().map(|p| ((p[0] - x).hypot(p[1] - y) - radius).abs() / radius).collect();
        off.sort_by(f64::total_cmp);
        roughness = off[off.len() * 7 / 10];
        if pass == 1 && roughness > FAR_FROM_ROUND {
            return None;
        }
        // Another pass would find the same edge.
        if pass > 0 && moved < SETTLED * radius {
            break;
        }
    }
    if 2.0 * radius < light.px(SMALLEST_UM) {
        return None;
    }
    let ring = look(light, x, y, radius, roughness, |_, _| false)?;
    (ring.confidence > CONSIDERED).then_some(ring)
}

/// Samples on either side between which a rise is taken.
fn rise_reach(step: f64, radius: f64) -> usize {
    ((0.04 * radius / step).round() as usize).max(if step < 0.6 { 2 } else { 1 })
}

/// Rise from which an edge is told from what the rock about it shows, log units.
fn least_edge(rays: &[Ray], step: f64, radius: f64) -> f32 {
    let reach = rise_reach(step, radius);
    let mut rises: Vec<f32> = rays
        .iter()
        .flat_map(|r| {
            r.light.iter().zip(&r.light[(2 * reach).min(r.light.len())..]).step_by(3).map(|(a, b)| (b - a).abs())
        })
        .filter(|d| !d.is_nan())
        .collect();
    if rises.is_empty() {
        return EDGE[1];
    }
    let at = rises.len() / 2;
    let usual = *rises.select_nth_unstable_by(at, f32::total_cmp).1;
    (EDGE_OVER_USUAL * usual).clamp(EDGE[0], EDGE[1])
}

/// Radius of the steepest rise outward within `slack` of the expected one, at least `least`.
fn outer_edge(ray: &Ray, step: f64, radius: f64, slack: f64, least: f32) -> Option<f64> {
    let reach = rise_reach(step, radius);
    let from = (((1.0 - slack) * radius - 1.0) / step).max(reach as f64 + 1.0) as usize;
    let to = (((1.0 + slack) * radius + 1.0) / step) as usize;
    let rise = |i: usize| -> f32 {
        if i < reach || i + reach >= ray.light.len() { f32::NAN } else { ray.light[i + reach] - ray.light[i - reach] }
    };
    let (mut best, mut at) = (least, None);
    for i in from..=to {
        let v = rise(i);
        if v > best {
            (best, at) = (v, Some(i));
        }
    }
    let at = at?;
    let (a, b, c) = (rise(at - 1), best, rise(at + 1));
    let bend = a - 2.0 * b + c;
    let shift = if bend < -1e-6 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some((at as f64 + f64::from(if shift.is_nan() { 0.0 } else { shift })) * step)
}

/// What is seen along a circle; directions for which `taken` says so belong to another bubble.
fn look(
    light: &FieldLight,
    x: f64,
    y: f64,
    radius: f64,
    roughness: f64,
    taken: impl Fn(f64, f64) -> bool,
) -> Option<Ring> {
    let outer = 1.22 * radius + 2.5;
    let (rays, step) = unroll(light, x, y, radius, outer + step_room(radius));
    let index = |r: f64| ((r / step).round() as usize).min(rays[0].light.len() - 1);
    let blur = 0.06 * radius + 1.0;
    let outside = (index(radius + blur), index(outer));
    let rim = (index((0.72 * radius).min(radius - 2.5).max(0.0)), index(radius));
    let core = (0, index((0.5 * radius).min(radius - 4.0).max(0.3 * radius)));
    if rim.0 >= rim.1 || outside.0 >= outside.1 {
        return None;
    }
    let mut core_light: Vec<f32> =
        rays.iter().flat_map(|r| r.light[core.0..=core.1].iter().copied()).filter(|v| !v.is_nan()).collect();
    // The inside as a whole: the middle is where the view passes even a ball.
    let core_level = if core_light.len() < 8 {
        f32::NAN
    } else {
        let at = core_light.len() * 7 / 10;
        *core_light.select_nth_unstable_by(at, f32::total_cmp).1
    };
    let mut judged = 0_usize;
    let (mut depths, mut inner_depths, mut widths, mut scatters) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for ray in &rays {
        if taken(x + radius * ray.cos, y + radius * ray.sin) {
            continue;
        }
        let Some(out) = middle(&ray.light[outside.0..=outside.1]) else { continue };
        let rim_light = &ray.light[rim.0..=rim.1];
        if rim_light.iter().any(|v| v.is_nan()) {
            continue;
        }
        let mut sorted = rim_light.to_vec();
        sorted.sort_by(f32::total_cmp);
        let dark = sorted[sorted.len() / 8];
        // Black outside (an opaque grain, another bubble's rim): nothing can be told.
        if out < -1.3 {
            continue;
        }
        // Just inside the rim's darkest place.
        let darkest = rim.0 + rim_light.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |p| p.0);
        let back = (0..darkest.saturating_sub(index(0.1 * radius)))
            .rev()
            .map(|i| ray.light[i])
            .take(index(0.5 * radius))
            .filter(|v| !v.is_nan())
            .fold(f32::NEG_INFINITY, f32::max);
        judged += 1;
        let depth = out - dark;
        let inner = back.max(core_level).min(out + 0.3) - dark;
        depths.push(f64::from(depth));
        inner_depths.push(f64::from(inner));
        let half = dark + depth / 2.0;
        let width = (0..=rim.1).rev().take_while(|i| *i >= darkest || ray.light[*i] < half).count();
        widths.push(width as f64 * step / radius);
        scatters.push(f64::from(scatter(&ray.light[outside.0..=outside.1], out)));
    }
    if judged < 8 {
        return None;
    }
    let least = (SEEN[0] + SEEN_OVER_SCATTER * median(&mut scatters)).min(SEEN[1]);
    let seen = depths.iter().zip(&inner_depths).filter(|(d, i)| **d > least && **i > 0.7 * least).count();
    let share = seen as f64 / judged as f64;
    let judged_share = judged as f64 / rays.len() as f64;
    let depth = median(&mut depths);
    let inner_depth = median(&mut inner_depths);
    let rim_width = median(&mut widths);
    let mut spread: Vec<f64> = depths.iter().map(|d| (d - depth).abs()).collect();
    let unevenness = median(&mut spread) / depth.max(0.05);
    let mut ring = Ring {
        x,
        y,
        radius,
        share,
        judged: judged_share,
        roughness,
        depth,
        inner_depth,
        rim_width,
        unevenness,
        inside_out: inside_out(light, x, y, radius),
        confidence: 0.0,
    };
    ring.confidence = ring.odds().probability();
    Some(ring)
}

fn step_room(radius: f64) -> f64 {
    0.1 * radius + 2.0
}

/// Median of a stretch; None when most of it is outside the picture.
fn middle(stretch: &[f32]) -> Option<f32> {
    let mut v: Vec<f32> = stretch.iter().copied().filter(|v| !v.is_nan()).collect();
    if v.len() * 2 < stretch.len() || v.is_empty() {
        return None;
    }
    let at = v.len() / 2;
    Some(*v.select_nth_unstable_by(at, f32::total_cmp).1)
}

/// Standard deviation as the median distance from the middle tells it.
fn scatter(stretch: &[f32], middle: f32) -> f32 {
    let mut off: Vec<f32> = stretch.iter().filter(|v| !v.is_nan()).map(|v| (v - middle).abs()).collect();
    let at = off.len() / 2;
    if off.is_empty() { 0.0 } else { 1.48 * *off.select_nth_unstable_by(at, f32::total_cmp).1 }
}

fn median(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let at = v.len() / 2;
    *v.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Share of the inside that is out in every crossed picture.
fn inside_out(light: &FieldLight, x: f64, y: f64, radius: f64) -> f64 {
    let (rows, columns) = light.lit.dim();
    let cell = light.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (cx, cy, r) = (to_cell(x), to_cell(y), (0.62 * radius / cell).max(1.0));
    let (mut out, mut all) = (0, 0);
    for j in (cy - r).max(0.0) as usize..=((cy + r).max(0.0) as usize).min(rows.saturating_sub(1)) {
        for i in (cx - r).max(0.0) as usize..=((cx + r).max(0.0) as usize).min(columns.saturating_sub(1)) {
            if (i as f64 - cx).hypot(j as f64 - cy) <= r {
                all += 1;
                out += usize::from(light.lit[[j, i]] < 0.06);
            }
        }
    }
    if all == 0 { 0.0 } else { f64::from(out as u32) / f64::from(all as u32) }
}

impl Ring {
    /// What speaks for a bubble and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        let thin = f64::from(u8::from(self.rim_width < 0.25));
        let roughness = self.roughness.min(0.12);
        let pale = ((0.32 - self.inner_depth) / 0.1).clamp(0.0, 1.0);
        Odds::before(6.8)
            .with("seen all round", self.share - 0.8, 5.7)
            .with("depth", (self.inner_depth.max(0.05) / 0.45).ln(), 0.9)
            // Surface tension makes it round: an edge that wanders by more than a few per cent of the radius is a grain's.
            .with("not round", roughness, -150.0)
            // A flat one's wall is sharp, so that its edge is known still better.
            .with("wall not round", thin * roughness, -39.0)
            // A pale circle is a bubble's only when it is one: in a clean rock many outlines are as pale.
            .with("pale and not round", pale * roughness, -100.0)
            // Total reflection blackens the outer third; a rim of more than half the radius is no bubble's.
            .with("rim too wide", (self.rim_width - 0.52).max(0.0), -6.2)
            // And dark alike all round.
            .with("uneven", (self.unevenness - 0.25).max(0.0), -2.5)
            .with("hardly judged", (self.judged - 0.6).min(0.0), 9.0)
            // A round hole or a vesicle is out all over; through a bubble the rock shows.
            .with("out inside", self.inside_out, -3.5)
            .with("few pixels", (1.0 / self.radius).min(0.3), -10.6)
    }
}

/// Best first, each bubble takes its stretch of rim; what is left with too little of its own is not another one.
fn claim(rings: Vec<Ring>) -> Vec<Ring> {
    let mut kept: Vec<Ring> = Vec::new();
    'next: for ring in rings {
        for k in &kept {
            let apart = (k.x - ring.x).hypot(k.y - ring.y);
            let (small, large) = (k.radius.min(ring.radius), k.radius.max(ring.radius));
            // The same circle, or the inner edge of its rim, or a bright core within it.
            if apart < 0.45 * large && small > 0.35 * large {
                continue 'next;
            }
            if apart < 0.3 * large || apart + small < 0.8 * large && ring.radius == small && ring.depth < 0.6 {
                continue 'next;
            }
        }
        // Points of the rim that lie on a better ring's own rim.
        let own = (0..48)
            .filter(|k| {
                let (s, c) = (std::f64::consts::TAU * f64::from(*k) / 48.0).sin_cos();
                let (px, py) = (ring.x + ring.radius * c, ring.y + ring.radius * s);
                !kept.iter().any(|k| {
                    let at = (px - k.x).hypot(py - k.y) / k.radius;
                    (1.0 - k.rim_width.max(0.12)..1.06).contains(&at)
                })
            })
            .count();
        if own >= 26 {
            kept.push(ring);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::photograph::LinearPlanes;

    fn bubbles(light: &FieldLight) -> Vec<Ring> {
        find(light).into_iter().filter(|r| r.confidence >= 0.5).collect()
    }

    /// Plane light of a scene given as transmittance; one crossed picture that shines evenly.
    pub(crate) fn scene(rows: usize, columns: usize, f: impl Fn(f64, f64) -> f64) -> FieldLight {
        let plane = Array2::from_shape_fn((rows, columns), |(y, x)| {
            let mut sum = 0.0;
            for k in 0..9 {
                let (u, v) = (f64::from(k % 3) / 3.0 - 1.0 / 3.0, f64::from(k / 3) / 3.0 - 1.0 / 3.0);
                sum += f(x as f64 + u, y as f64 + v) / 9.0;
            }
            (0.8 * sum) as f32
        });
        let mask = Array2::zeros((rows, columns));
        let plane = LinearPlanes { bin: 1, rgb: [plane.clone(), plane.clone(), plane], mask };
        let bin = coarse_bin(Some(1.6));
        let (r, c) = (rows / bin, columns / bin);
        let even = Array2::from_shape_fn((r, c), |(y, x)| if (x / 7 + y / 7) % 2 == 0 { 0.3 } else { 0.2 });
        let crossed = LinearPlanes { bin, rgb: [even.clone(), even.clone(), even], mask: Array2::zeros((r, c)) };
        FieldLight::from_planes(&plane, &[crossed], &[0.0], Some(1.6))
    }
    use crate::section::light_field::coarse_bin;

    /// Transmittance of a ball of air in resin by ray optics: collimated light on a lens of aperture `na`.
    fn ball(b: f64, n: f64, na: f64) -> f64 {
        if b >= 1.0 {
            return 1.0;
        }
        if n * b >= 1.0 {
            return 0.0;
        }
        let deviation = 2.0 * ((n * b).asin() - b.asin());
        // What passes the aperture fades over the condenser's own cone, here as wide as the aperture.
        let out = n * deviation.sin() / na;
        (1.0 - 0.5 * out).clamp(0.0, 1.0)
    }

    #[test]
    fn a_ball_of_air_is_found_with_its_diameter_and_its_rim() {
        for radius in [9.0, 22.0, 60.0] {
            let light = scene(260, 300, |x, y| ball((x - 140.3).hypot(y - 121.8) / radius, 1.54, 0.25));
            let found = bubbles(&light);
            assert_eq!(found.len(), 1, "{found:?}");
            let b = found[0];
            assert!((b.radius / radius - 1.0).abs() < 0.05, "{radius}: {b:?}");
            assert!((b.x - 140.3).abs() < 0.06 * radius && (b.y - 121.8).abs() < 0.06 * radius);
            // Total reflection outside b/R = 1/n leaves a rim of at least 0.35 of the radius.
            assert!(b.rim_width > 1.0 - 1.0 / 1.54 - 0.05, "{b:?}");
        }
    }

    /// Ray optics: with n·sin(deviation) = aperture, the bright core in resin of n = 1.54 ends at these b/R (computed with
    /// other code).
    #[test]
    fn the_rays_bend_as_computed_elsewhere() {
        for (na, core) in [(0.04, 0.024), (0.10, 0.060), (0.25, 0.148), (0.40, 0.232)] {
            let half = |b: f64| ball(b, 1.54, na) - 0.5;
            assert!(half(core - 0.001) > 0.0 && half(core + 0.001) < 0.0, "{na}");
        }
    }

    /// Under a condenser wide open all light passes that is not totally reflected: what is black begins at b/R = 1/n.
    #[test]
    fn the_rim_is_as_wide_as_total_reflection_makes_it() {
        for n in [1.515_f64, 1.54, 1.66] {
            for radius in [25.0, 60.0] {
                let light = scene(260, 300, |x, y| {
                    let b = (x - 140.3).hypot(y - 121.8) / radius;
                    if b < 1.0 && n * b >= 1.0 { 0.0 } else { 1.0 }
                });
                let found = bubbles(&light);
                assert_eq!(found.len(), 1, "{found:?}");
                assert!((found[0].radius / radius - 1.0).abs() < 0.03, "{n}: {:?}", found[0]);
                let rim = 1.0 - 1.0 / n;
                assert!((found[0].rim_width - rim).abs() < 0.04, "{n}: {} against {rim}", found[0].rim_width);
            }
        }
    }

    #[test]
    fn a_flat_one_that_shows_only_its_wall_is_found() {
        let light = scene(240, 260, |x, y| {
            let d = ((x - 120.0).hypot(y - 110.0) - 40.0).abs();
            1.0 - 0.6 * (-0.5 * (d / 1.3) * (d / 1.3)).exp()
        });
        let found = bubbles(&light);
        assert_eq!(found.len(), 1);
        assert!((found[0].radius - 40.0).abs() < 2.5, "{:?}", found[0]);
        assert!(found[0].rim_width < 0.2);
    }

    #[test]
    fn a_ball_cut_by_the_frame_and_two_that_overlap_are_found() {
        let light = scene(240, 300, |x, y| {
            let one = |cx: f64, cy: f64, r: f64| ball((x - cx).hypot(y - cy) / r, 1.54, 0.25);
            one(6.0, 120.0, 30.0) * one(150.0, 100.0, 28.0) * one(185.0, 112.0, 24.0)
        });
        let found = bubbles(&light);
        assert_eq!(found.len(), 3, "{found:?}");
    }

    #[test]
    fn dark_discs_squares_and_straight_lines_are_no_bubbles() {
        let disc = scene(200, 200, |x, y| if (x - 100.0).hypot(y - 90.0) < 25.0 { 0.03 } else { 1.0 });
        assert!(bubbles(&disc).is_empty(), "an opaque round grain");
        let square = scene(200, 200, |x, y| {
            let d: f64 = (x - 100.0).abs().max((y - 90.0).abs());
            if (d - 30.0).abs() < 1.5 { 0.4 } else { 1.0 }
        });
        assert!(bubbles(&square).is_empty(), "a square outline");
        let comb = scene(200, 200, |x, y| if (x + 0.4 * y).rem_euclid(17.0) < 2.0 { 0.5 } else { 1.0 });
        assert!(bubbles(&comb).is_empty(), "cleavage");
    }
}
