//! What is seen along a circle: how deep and how wide its rim is, in how many directions, and what lies within and beyond.

use ndarray::Array2;

use super::circle::{Circle, Unrolled, directions, unrolled};
use super::cross::extinction_cross;
use super::gleam::gleam;
use super::judgement::THIN;
use super::thin::on_circle;
use super::{CONSIDERED, Ring};
use crate::section::cells::sample;
use crate::section::light_field::FieldLight;
use crate::section::oval::Departure;
use crate::section::plane_light::PlaneLight;

/// Depth from which a wall is seen, log units, in a quiet rock and in any; in between so many times the scatter about it more.
const SEEN: [f64; 2] = [0.05, 0.22];
/// See [`SEEN`].
const SEEN_OVER_SCATTER: f64 = 3.0;
/// Width of a rim, share of the radius, and depth, log units, from which it is that of a ball of gas: total reflection blackens the outer
/// third (1 - 1/1.54 = 0.35, ray optics), which in a filling is a mere coat.
const BALL: [f64; 2] = [0.3, 0.7];
/// Depth of a rim from which it may be that of a black ball, log units: a fifth of the light about it. House value.
const OF_A_BALL: f64 = 1.6;
/// Share of the directions that is as good as all.
const SEEN_ALL_ROUND: f64 = 0.8;
/// Light between crossed polars below which a cell is out, share of bright crystals.
const OUT: f32 = 0.06;
/// Difference between crossed polars from which two places are not of one crystal, share of bright crystals.
const PARTED: f32 = 0.15;

/// What plane light shows along a circle; `around` is what was unrolled round it before.
pub(super) fn look(light: &PlaneLight, circle: Circle, departure: Departure, around: Option<Unrolled>) -> Option<Ring> {
    let Circle { x, y, radius } = circle;
    let outer = 1.22 * radius + 2.5;
    let reach = outer + step_room(radius);
    let around = unrolled(light, circle, reach, around);
    let (rays, step) = (around.rays(reach), around.step);
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
        let Some(out) = middle(&ray.light[outside.0..=outside.1]) else { continue };
        let rim_light = &ray.light[rim.0..=rim.1];
        if rim_light.iter().any(|v| v.is_nan()) {
            continue;
        }
        let mut darkest_first = rim_light.to_vec();
        let at = darkest_first.len() / 8;
        let dark = *darkest_first.select_nth_unstable_by(at, f32::total_cmp).1;
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
    // Too black or too blurred to be looked into ray by ray: a ball all the same where light comes through its middle.
    let (share, inner_depth) =
        match (depth > OF_A_BALL && share < SEEN_ALL_ROUND).then(|| gleam(light, circle)).flatten() {
            Some(gleam) if gleam.share > share => (gleam.share, gleam.depth),
            _ => (share, inner_depth),
        };
    let mut spread: Vec<f64> = depths.iter().map(|d| (d - depth).abs()).collect();
    let unevenness = median(&mut spread) / depth.max(0.05);
    Some(Ring {
        x,
        y,
        radius,
        share,
        judged: judged_share,
        roughness: departure.roughness,
        oval: departure.oval.amplitude(),
        depth,
        inner_depth,
        rim_width,
        unevenness,
        inside_out: 0.0,
        tint_step: 0.0,
        rim_tint: 0.0,
        on_circle: if rim_width < THIN { on_circle(light, &rays, step, radius, departure.oval) } else { 0.0 },
        divides: 0.0,
        cross: 0.0,
        confidence: 0.0,
    })
}

impl Ring {
    /// With what the crossed pictures show of it, and how sure it is then; `bright` is what [`bright`] says.
    pub(super) fn judged(mut self, light: &FieldLight, bright: &[f32]) -> Self {
        let circle = Circle { x: self.x, y: self.y, radius: self.radius };
        [self.inside_out, self.tint_step, self.rim_tint] = against_outside(light, circle);
        // Nothing speaks for a bubble any more from here: the dearest is asked of those that are left.
        if self.rim_width < THIN && self.odds().probability() > CONSIDERED {
            self.divides = divides(light, bright, circle, self.rim_width * self.radius);
        }
        // A round filling lets light through all over; a ball turns it away, and what little passes its middle may make a cross too.
        let ball = self.rim_width > BALL[0] && self.depth > BALL[1];
        if !ball && self.odds().probability() > CONSIDERED {
            self.cross = extinction_cross(light, circle);
        }
        self.confidence = self.odds().probability();
        self
    }
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

/// Where the rim's tint is taken, shares of the radius: between the blur of its edge and what a black ball's middle passes.
const RIM: [f64; 2] = [0.75, 0.95];

/// How much more of the inside than of what lies about it is out in every crossed picture, shares of both; how far their tints
/// lie apart, log units; and the rim's from that of what lies about it, log units.
fn against_outside(light: &FieldLight, circle: Circle) -> [f64; 3] {
    let (rows, columns) = light.lit.dim();
    let cell = light.plane.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (cx, cy, radius) = (to_cell(circle.x), to_cell(circle.y), circle.radius / cell);
    let (inner, outer) = ((0.62 * radius).max(1.0), [1.1 * radius + 1.0, 1.4 * radius + 2.0]);
    let (mut out, mut all, mut tint) = ([0_u32; 3], [0_u32; 3], [[0.0_f64; 2]; 3]);
    for j in (cy - outer[1]).max(0.0) as usize..=((cy + outer[1]).max(0.0) as usize).min(rows.saturating_sub(1)) {
        for i in (cx - outer[1]).max(0.0) as usize..=((cx + outer[1]).max(0.0) as usize).min(columns.saturating_sub(1))
        {
            let at = (i as f64 - cx).hypot(j as f64 - cy);
            let part = if at <= inner {
                0
            } else if (outer[0]..=outer[1]).contains(&at) {
                1
            } else if (RIM[0] * radius..=RIM[1] * radius).contains(&at) {
                2
            } else {
                continue;
            };
            all[part] += 1;
            out[part] += u32::from(light.lit[[j, i]] < OUT);
            tint[part].iter_mut().zip(&light.plane.tint).for_each(|(sum, tint)| *sum += f64::from(tint[[j, i]]));
        }
    }
    let mean = |k: usize, sum: f64| sum / f64::from(all[k].max(1));
    let more_out = mean(0, f64::from(out[0])) - mean(1, f64::from(out[1]));
    let from_outside = |k: usize| {
        let [red, blue] = [0, 1].map(|c| mean(k, tint[k][c]) - mean(1, tint[1][c]));
        if all[k] == 0 || all[1] == 0 { 0.0 } else { red.hypot(blue) }
    };
    [more_out.max(0.0), from_outside(0), from_outside(2)]
}

/// Sum of channels of bright crystals in each crossed picture.
pub(super) fn bright(light: &FieldLight) -> Vec<f32> {
    let (_, columns) = light.lit.dim();
    let of = |r: &[Array2<f32>; 3]| {
        let at = (0..r[0].len()).step_by(7).map(|i| [i / columns, i % columns]);
        let mut v: Vec<f32> = at.filter(|at| !light.outside[*at]).map(|at| r[0][at] + r[1][at] + r[2][at]).collect();
        let n = v.len();
        if n == 0 { 1.0 } else { v.select_nth_unstable_by(n * 9 / 10, f32::total_cmp).1.max(1e-4) }
    };
    light.crossed.iter().map(of).collect()
}

/// Share of the directions in which a rim parts two colours between crossed polars, of those in which it can be told.
///
/// A bubble lies above or below the rock, whose crystals go on beneath its rim; the outline of a grain, a filling or a pore
/// parts what it bounds.
fn divides(light: &FieldLight, bright: &[f32], circle: Circle, rim_px: f64) -> f64 {
    let cell = light.plane.bin as f64;
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y) = (to_cell(circle.x), to_cell(circle.y));
    let inner = ((circle.radius - rim_px) / cell - 1.5).max(0.3 * circle.radius / cell);
    let outer = circle.radius / cell + 1.5;
    let (mut parted, mut told) = (0_u32, 0_u32);
    let directions = directions(circle.radius);
    for k in 0..directions {
        let (sin, cos) = (std::f64::consts::TAU * k as f64 / directions as f64).sin_cos();
        let ends = [inner, outer].map(|r| [x + r * cos, y + r * sin]);
        let mut most: Option<f32> = None;
        for (r, bright) in light.crossed.iter().zip(bright) {
            let mut apart = 0.0;
            for channel in r {
                let [Some(a), Some(b)] = ends.map(|p| sample(channel, p[0], p[1])) else { continue };
                apart += (a - b).abs();
            }
            most = Some(most.unwrap_or(0.0).max(apart / bright));
        }
        let inside = light.plane.coarse.dim();
        let within =
            ends.iter().all(|p| p[0] >= 0.0 && p[1] >= 0.0 && p[0] < inside.1 as f64 && p[1] < inside.0 as f64);
        if let (Some(apart), true) = (most, within) {
            told += 1;
            parted += u32::from(apart > PARTED);
        }
    }
    if told == 0 { 0.0 } else { f64::from(parted) / f64::from(told) }
}
