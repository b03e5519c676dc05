//! The thin wall of a flat bubble: a circle among lines of the rock that are as dark and more in number.
//!
//! No single direction can be believed there; that many dark lines lie on one circle can.

use rand::{RngExt, SeedableRng};

use super::circle::{Circle, Ray, Unrolled, edge_reach};
use crate::section::oval::Oval;
use crate::section::plane_light::PlaneLight;
use crate::section::shape::fit_circle;
use crate::vectors::{Wide, wide};

/// How far on either side a wall is paler again, µm.
const FLANK_UM: f64 = 4.5;
/// Lines kept in a direction, darkest first.
const LINES: usize = 2;
/// Faintest line, log units.
const FAINTEST: f32 = 0.02;
/// How far the centre and the radius of a candidate may be off, shares of its radius.
const OFF: f64 = 0.4;
/// Circles drawn through three lines.
const DRAWS: usize = 90;
/// Directions that take part in the draws.
const DIRECTIONS: usize = 64;
/// Share of the directions with a line on the circle from which it is looked at.
const LEAST: f64 = 0.35;

/// A dark line that a ray crosses.
#[derive(Clone, Copy)]
struct Dip {
    direction: usize,
    /// Distance from the centre, pixels.
    at: f64,
    depth: f32,
}

/// Dark lines across the rays within a band of distances from the centre, pixels.
fn dips(light: &PlaneLight, rays: &[Ray<'_>], step: f64, band: [f64; 2]) -> Vec<Dip> {
    let flank = ((light.px(FLANK_UM) / step).round() as usize).max(2);
    let last = rays[0].light.len().saturating_sub(flank + 2);
    let (from, to) = (((band[0] / step) as usize).max(flank + 1), ((band[1] / step) as usize).min(last));
    let mut all = Vec::new();
    for (direction, ray) in rays.iter().enumerate() {
        let l = ray.light;
        let depth = |i: usize| l[i - flank].min(l[i + flank]) - l[i];
        let first = all.len();
        for i in from..=to {
            let d = depth(i);
            // Comparisons fail outside the picture.
            if d > FAINTEST && d >= depth(i - 1) && d > depth(i + 1) {
                all.push(Dip { direction, at: i as f64 * step, depth: d });
            }
        }
        all[first..].sort_by(|a, b| b.depth.total_cmp(&a.depth));
        all.truncate(first + LINES);
    }
    all
}

/// How far a wall may lie off its circle, pixels: what a pixel shows, and how round bubbles are.
fn tolerance(step: f64, radius: f64) -> f64 {
    1.2 * step.max(0.8) + 0.012 * radius
}

/// The circle on which the most directions have a dark line; None when there is none.
///
/// `around` is the light round the candidate out to its [`edge_reach`].
pub(super) fn circle(light: &PlaneLight, candidate: Circle, around: &Unrolled) -> Option<Circle> {
    let Circle { x, y, radius } = candidate;
    let (rays, step) = (around.rays(edge_reach(radius)), around.step);
    let all = dips(light, &rays, step, [(1.0 - OFF) * radius, (1.0 + OFF) * radius]);
    let stride = rays.len().div_ceil(DIRECTIONS);
    let points: Vec<(usize, [f64; 2])> = all
        .iter()
        .filter(|d| d.direction % stride == 0)
        .map(|d| (d.direction / stride, [d.at * rays[d.direction].cos, d.at * rays[d.direction].sin]))
        .collect();
    let n = rays.len().div_ceil(stride);
    if points.len() < 12 {
        return None;
    }
    // By direction; no number where there is none, which is near no circle.
    let mut lines = [const { [[f64::NAN; DIRECTIONS]; 2] }; LINES];
    let mut before = 0;
    for (k, (direction, p)) in points.iter().enumerate() {
        if points[before].0 != *direction {
            before = k;
        }
        for c in 0..2 {
            lines[k - before][c][*direction] = p[c];
        }
    }
    let near = tolerance(step, radius);
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let mut best: (usize, [f64; 3]) = (0, [0.0; 3]);
    for _ in 0..DRAWS {
        let drawn: [(usize, [f64; 2]); 3] = std::array::from_fn(|_| points[dice.random_range(0..points.len())]);
        let apart = |a: usize, b: usize| a.abs_diff(b).min(n - a.abs_diff(b));
        if (0..3).any(|k| apart(drawn[k].0, drawn[(k + 1) % 3].0) < n / 8) {
            continue;
        }
        let Some(c) = through(drawn.map(|d| d.1)) else { continue };
        if c[0].hypot(c[1]) > OFF * radius || (c[2] / radius - 1.0).abs() > OFF {
            continue;
        }
        let mut count = 0;
        wide(OnCircle { lines: &lines, circle: c, near, count: &mut count });
        if count as usize > best.0 {
            best = (count as usize, c);
        }
    }
    if (best.0 as f64) < LEAST * n as f64 {
        return None;
    }
    let [mut cx, mut cy, mut r] = best.1;
    for _ in 0..2 {
        let on: Vec<[f64; 2]> = all
            .iter()
            .map(|d| [d.at * rays[d.direction].cos, d.at * rays[d.direction].sin])
            .filter(|p| ((p[0] - cx).hypot(p[1] - cy) - r).abs() < 1.5 * near)
            .collect();
        [cx, cy, r, _] = fit_circle(&on, near)?;
    }
    Some(Circle { x: x + cx, y: y + cy, radius: r })
}

/// Counts the directions in which a line lies near a circle.
struct OnCircle<'a> {
    /// Of the darkest line of each direction its x and y, then of the next.
    lines: &'a [[[f64; DIRECTIONS]; 2]; LINES],
    circle: [f64; 3],
    near: f64,
    count: &'a mut u64,
}

impl Wide for OnCircle<'_> {
    #[inline(always)]
    fn run(self) {
        let [x, y, radius] = self.circle;
        // Not `hypot`, which would take most of the time here.
        let off = |px: f64, py: f64| (((px - x).powi(2) + (py - y).powi(2)).sqrt() - radius).abs();
        let [first, second] = self.lines;
        for k in 0..DIRECTIONS {
            let on = (off(first[0][k], first[1][k]) < self.near) | (off(second[0][k], second[1][k]) < self.near);
            *self.count += u64::from(on);
        }
    }
}

/// Circle through three points; None when they lie on a line.
fn through([a, b, c]: [[f64; 2]; 3]) -> Option<[f64; 3]> {
    let (bx, by, cx, cy) = (b[0] - a[0], b[1] - a[1], c[0] - a[0], c[1] - a[1]);
    let d = 2.0 * (bx * cy - by * cx);
    if d.abs() < 1e-6 {
        return None;
    }
    let (bb, cc) = (bx * bx + by * by, cx * cx + cy * cy);
    let (ux, uy) = ((cy * bb - by * cc) / d, (bx * cc - cx * bb) / d);
    Some([a[0] + ux, a[1] + uy, ux.hypot(uy)])
}

/// Share of the rays that have a dark line on one oval, just within the radius, over what chance would put there.
pub(super) fn on_circle(light: &PlaneLight, rays: &[Ray<'_>], step: f64, radius: f64, oval: Oval) -> f64 {
    let band = [0.6 * radius, 1.15 * radius + step];
    let mut all = dips(light, rays, step, band);
    all.iter_mut().for_each(|d| d.at /= oval.at(rays[d.direction].cos, rays[d.direction].sin));
    let near = tolerance(step, radius);
    let n = rays.iter().filter(|r| r.light.get((radius / step) as usize).is_some_and(|v| v.is_finite())).count();
    if n < 8 {
        return 0.0;
    }
    let count = |at: f64| {
        let (mut count, mut last) = (0_usize, usize::MAX);
        for d in &all {
            if d.direction != last && (d.at - at).abs() < near {
                (count, last) = (count + 1, d.direction);
            }
        }
        count
    };
    let (mut at, mut most) = (radius, 0);
    let mut r = radius - 1.2 * light.px(FLANK_UM) - near;
    while r <= radius + 0.5 * near {
        let c = count(r);
        if c > most {
            (at, most) = (r, c);
        }
        r += 0.5 * near;
    }
    let elsewhere = all.iter().filter(|d| (d.at - at).abs() > 2.0 * near).count() as f64;
    let room = (band[1] - band[0] - 4.0 * near).max(near);
    let chance = (elsewhere / n as f64 * 2.0 * near / room).clamp(0.02, 0.9);
    (most as f64 / n as f64 - chance) / (1.0 - chance)
}
