//! The circle of a candidate: light along rays from its centre, and the fit to its outer edge.

use super::wall::look;
use super::{CONSIDERED, Ring, SMALLEST_UM};
use super::{blurred, thin};
use crate::section::cells::Between;
use crate::section::light_field::FieldLight;
use crate::section::oval::Departure;
use crate::section::plane_light::PlaneLight;
use crate::section::shape::fit_circle;

/// Rise outward from which it is an edge, log units, in a quiet rock and in any; in between so many times the usual rise.
const EDGE: [f32; 2] = [0.04, 0.12];
/// See [`EDGE`].
const EDGE_OVER_USUAL: f32 = 5.0;
/// One search for an outer edge, shares of the radius.
#[derive(Clone, Copy)]
struct Pass {
    /// How far from the circle of the pass before the edge is looked for.
    slack: f64,
    /// Scatter of the edge about its circle beyond which no further pass makes it one.
    roughest: f64,
}

/// Passes of a candidate, whose circle is roughly known, and of a circle through the dark lines of a wall.
///
/// House values: of 24,629 candidates on 30 rendered fields those that were bubbles by a probability of 0.05 and over scattered by no
/// more than 0.15, 0.087 and by their wall 0.071; half of all scatter by more than 0.20,
/// 0.13 and 0.087. Bounds of 0.095 for the later passes and 0.08 for a wall lost one bubble on 120 other fields.
const BY_EDGE: [Pass; 4] = [
    Pass { slack: 0.3, roughest: 0.17 },
    Pass { slack: 0.18, roughest: 0.11 },
    Pass { slack: 0.18, roughest: 0.11 },
    Pass { slack: 0.18, roughest: 0.11 },
];
/// See [`BY_EDGE`].
const BY_WALL: [Pass; 2] = [Pass { slack: 0.1, roughest: 0.09 }; 2];
/// Movement of a circle from one pass to the next, share of the radius, below which it is settled.
const SETTLED: f64 = 0.004;

/// Confidence from which a circle fitted to its edge needs no other fit.
const CERTAIN: f64 = 0.9;

/// Light along one direction from the centre outward.
pub(super) struct Ray<'a> {
    /// Log transmission at 0, step, 2·step ... ; NaN outside the picture.
    pub(super) light: &'a [f32],
    pub(super) cos: f64,
    pub(super) sin: f64,
}

/// Light round a centre.
pub(super) struct Unrolled {
    /// Ray after ray.
    light: Vec<f32>,
    /// Cosine and sine of each ray's direction.
    directions: Vec<[f64; 2]>,
    /// Samples of a ray.
    samples: usize,
    /// Distance from sample to sample, pixels.
    pub(super) step: f64,
}

impl Unrolled {
    /// The rays out to `reach` pixels, no farther than they were unrolled.
    pub(super) fn rays(&self, reach: f64) -> Vec<Ray<'_>> {
        let used = samples(reach, self.step).min(self.samples);
        let lights = self.light.chunks_exact(self.samples);
        lights.zip(&self.directions).map(|(light, &[cos, sin])| Ray { light: &light[..used], cos, sin }).collect()
    }

    /// Whether they were unrolled out to `reach` pixels.
    fn reaches(&self, reach: f64) -> bool {
        samples(reach, self.step) <= self.samples
    }
}

/// Samples of a ray out to `reach` pixels.
fn samples(reach: f64, step: f64) -> usize {
    (reach / step).ceil() as usize + 1
}

/// How far a circle's outer edge is looked for, pixels from its centre.
pub(super) fn edge_reach(radius: f64) -> f64 {
    1.5 * radius + 3.0
}

/// How many directions a circle is looked at in.
pub(super) fn directions(radius: f64) -> usize {
    ((std::f64::consts::TAU * radius / 1.5) as usize).clamp(32, 160)
}

/// Unrolled light round a centre out to `reach` pixels.
pub(super) fn unroll(light: &PlaneLight, circle: Circle, reach: f64) -> Unrolled {
    let Circle { x, y, radius } = circle;
    let directions = directions(radius);
    // Large ones are read from the coarse cells: the rim is many cells wide and specks average out.
    let coarse = radius > 14.0 * light.bin as f64;
    let (cells, cell) = if coarse { (&light.coarse, light.bin as f64) } else { (&light.fine, 1.0) };
    let cells = Between::of(cells);
    let step = (radius / 40.0).clamp(0.5 * cell, 0.8 * cell.max(1.0));
    let samples = samples(reach, step);
    let to_cell = |v: f64| (v - (cell - 1.0) / 2.0) / cell;
    let (x, y, stride) = (to_cell(x), to_cell(y), step / cell);
    let mut light = vec![0.0; directions * samples];
    let rays = light.chunks_exact_mut(samples).enumerate().map(|(k, light)| {
        let (sin, cos) = (std::f64::consts::TAU * k as f64 / directions as f64).sin_cos();
        cells.along([x, y], [stride * cos, stride * sin], light);
        [cos, sin]
    });
    let directions = rays.collect();
    Unrolled { light, directions, samples, step }
}

/// The rays of a circle out to `reach` pixels, from what was unrolled round it before where that is enough.
pub(super) fn unrolled(light: &PlaneLight, circle: Circle, reach: f64, before: Option<Unrolled>) -> Unrolled {
    before.filter(|u| u.reaches(reach)).unwrap_or_else(|| unroll(light, circle, reach))
}

/// A circle, pixels of the plane photograph.
#[derive(Clone, Copy)]
pub(super) struct Circle {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) radius: f64,
}

/// A candidate as plane light draws it.
pub(crate) struct Drawn {
    /// By its outer edge.
    edge: Option<Ring>,
    /// By its wall, a thin dark line.
    wall: Option<Ring>,
}

impl Drawn {
    /// Fits the circle of a candidate to its outer edge and to its wall, and looks along both.
    pub(super) fn of(light: &PlaneLight, candidate: Circle) -> Self {
        let seen = |circle: Circle, around: Unrolled, passes: &[Pass]| {
            let Settled { circle, departure, around } = settle(light, circle, around, passes)?;
            look(light, circle, departure, around)
        };
        let around = |circle: Circle| unroll(light, circle, edge_reach(circle.radius));
        let first = around(candidate);
        let wall = thin::circle(light, candidate, &first).and_then(|c| seen(c, around(c), &BY_WALL));
        Self { edge: seen(candidate, first, &BY_EDGE), wall }
    }

    /// What it is by the crossed pictures: by its edge, or where that is not sure by the better of both.
    pub(super) fn judged(&self, light: &FieldLight, bright: &[f32]) -> Option<Ring> {
        let by_edge = self.edge.map(|r| r.judged(light, bright));
        if by_edge.is_some_and(|r| r.confidence > CERTAIN) {
            return by_edge;
        }
        let by_wall = self.wall.map(|r| r.judged(light, bright));
        let better = by_edge.into_iter().chain(by_wall).max_by(|a, b| a.confidence.total_cmp(&b.confidence))?;
        (better.confidence > CONSIDERED).then_some(better)
    }
}

/// A circle fitted to an outer edge.
struct Settled {
    circle: Circle,
    /// How the edge departs from it.
    departure: Departure,
    /// Light round it, where it was looked at already.
    around: Option<Unrolled>,
}

/// The circle of the outer edge by one pass after another; `around` is the light round the circle out to its [`edge_reach`].
fn settle(light: &PlaneLight, circle: Circle, around: Unrolled, passes: &[Pass]) -> Option<Settled> {
    let Circle { mut x, mut y, mut radius } = circle;
    let mut departure = None;
    let mut around = Some(around);
    for (k, pass) in passes.iter().enumerate() {
        let reach = edge_reach(radius);
        let unrolled = around.take().unwrap_or_else(|| unroll(light, Circle { x, y, radius }, reach));
        let (rays, step) = (unrolled.rays(reach), unrolled.step);
        let least = least_edge(&rays, step, radius);
        let edge: Vec<[f64; 2]> = rays
            .iter()
            .filter_map(|ray| {
                let r = outer_edge(ray, step, radius, pass.slack, least)?;
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
        let seen = Departure::of(&edge, [x, y], radius);
        departure = Some(seen);
        if seen.roughness > pass.roughest {
            return None;
        }
        // Another pass would find the same edge.
        if k > 0 && moved < SETTLED * radius {
            break;
        }
    }
    if 2.0 * radius < light.px(SMALLEST_UM) {
        return None;
    }
    let circle = Circle { x, y, radius };
    let around = unroll(light, circle, edge_reach(radius));
    let departure = departure?;
    let sharper = blurred::settle(circle, &around, departure.roughness);
    Some(match sharper {
        Some((circle, departure)) => Settled { circle, departure, around: None },
        None => Settled { circle, departure, around: Some(around) },
    })
}

/// Samples on either side between which a rise is taken.
fn rise_reach(step: f64, radius: f64) -> usize {
    ((0.04 * radius / step).round() as usize).max(if step < 0.6 { 2 } else { 1 })
}

/// Rise from which an edge is told from what the rock about it shows, log units.
fn least_edge(rays: &[Ray<'_>], step: f64, radius: f64) -> f32 {
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

/// Radius of the rim's outer edge within `slack` of the expected one, from a rise of at least `least` in log light.
///
/// Log light shows the edge against any outside, but lens and focus spread light itself, not its logarithm: a blurred edge
/// is steepest where it stands in linear light, and in log light farther in, the more so the blacker the rim.
fn outer_edge(ray: &Ray<'_>, step: f64, radius: f64, slack: f64, least: f32) -> Option<f64> {
    let reach = rise_reach(step, radius);
    let from = (((1.0 - slack) * radius - 1.0) / step).max(reach as f64 + 1.0) as usize;
    let to = (((1.0 + slack) * radius + 1.0) / step) as usize;
    let within = |i: usize| i >= reach && i + reach < ray.light.len();
    let rise = |i: usize| if within(i) { ray.light[i + reach] - ray.light[i - reach] } else { f32::NAN };
    let (mut best, mut at) = (least, None);
    for i in from..=to {
        let v = rise(i);
        if v > best {
            (best, at) = (v, Some(i));
        }
    }
    let rise = |i: usize| if within(i) { ray.light[i + reach].exp() - ray.light[i - reach].exp() } else { f32::NAN };
    let mut at = at?;
    while rise(at + 1) > rise(at) {
        at += 1;
    }
    Some((at as f64 + summit([rise(at - 1), rise(at), rise(at + 1)])) * step)
}

/// How far from the middle of three samples the parabola through them is highest, samples; 0 where they make no summit.
pub(super) fn summit([a, b, c]: [f32; 3]) -> f64 {
    let bend = a - 2.0 * b + c;
    let shift = if bend < -1e-6 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    f64::from(if shift.is_nan() { 0.0 } else { shift })
}
