//! Follows a dark line that bends: from its darkest places a step at a time, along the arc that answers best.

use std::collections::HashMap;

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::ridge::{RidgeBasis, Steered};
use crate::section::trace::BREAK_EVEN;

/// Distance between the points of a course, cells.
pub(super) const STEP: f64 = 2.0;
/// Turns tried at each step: so many either way, each of [`TURN`] radians. The tightest arc has a radius of 7 cells.
const TURNS: usize = 3;
/// See [`TURNS`].
const TURN: f64 = 0.09;
/// Steps that an arc is looked at ahead.
const AHEAD: usize = 4;
/// What a change of the turn by a radian costs, local scatters, for its square: threads are stiff.
const STIFF: f64 = 10.0;
/// Evidence lost after which a course is given up: some twenty cells of nothing.
const PATIENCE: f64 = 12.0;
/// Response at which a course may begin, local scatters.
const SEED: f32 = 0.9;
/// Reach of the straight look that ranks beginnings, cells either way.
const RANKED_OVER: f64 = 9.0;
/// Mean response under which a course is not kept, local scatters: fibres stand out of the rock's own lines.
const LEAST_STRENGTH: f64 = 1.1;
/// Longest course to either side, steps.
const LONGEST: usize = 3000;
/// Side of the squares by which a course that comes back to itself is noticed, cells, and after how many steps that is.
const CLOSED: (f64, i64) = (4.0, 14);

/// A dark line that may bend.
#[derive(Clone, Debug)]
pub(crate) struct Course {
    /// Points from end to end, about [`STEP`] apart, cells.
    pub(super) points: Vec<[f64; 2]>,
    /// Sum of (response - break-even) over its length.
    pub(super) evidence: f64,
    /// It comes back to where it was.
    pub(super) closed: bool,
}

impl Course {
    /// Length along it, cells.
    pub(super) fn length(&self) -> f64 {
        self.points.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum()
    }

    /// The part of it from one point to another (half-open).
    pub(super) fn part(&self, range: std::ops::Range<usize>) -> Self {
        let closed = self.closed && 2 * range.len() > self.points.len();
        Self { points: self.points[range].to_vec(), evidence: 0.0, closed }
    }

    /// How far it turns about point `i`, from three points before it to three after, radians; 0 near the ends.
    pub(super) fn turn(&self, i: usize) -> f64 {
        let p = &self.points;
        if i < 3 || i + 3 >= p.len() {
            return 0.0;
        }
        let heading = |a: [f64; 2], b: [f64; 2]| (b[1] - a[1]).atan2(b[0] - a[0]);
        wrapped(heading(p[i], p[i + 3]) - heading(p[i - 3], p[i]))
    }

    /// Unit tangent at point `i`.
    pub(super) fn tangent(&self, i: usize) -> [f64; 2] {
        let (a, b) = (self.points[i.saturating_sub(2)], self.points[(i + 2).min(self.points.len() - 1)]);
        let n = (b[0] - a[0]).hypot(b[1] - a[1]).max(1e-9);
        [(b[0] - a[0]) / n, (b[1] - a[1]) / n]
    }
}

/// An angle within half a turn of zero, radians.
fn wrapped(angle: f64) -> f64 {
    (angle + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI
}

/// The courses of a field, from its darkest lines on: `most` are followed, those of `shortest` cells and over are kept.
pub(super) fn courses(basis: &RidgeBasis, most: usize, shortest: f64, least_evidence: f64) -> Vec<Course> {
    let mut taken = Taken(Array2::from_elem(basis.scatter.dim(), u8::MAX));
    let mut out = Vec::new();
    let mut followed = 0;
    for (at, along) in seeds(basis) {
        if followed == most {
            break;
        }
        if taken.covers(at, along) {
            continue;
        }
        followed += 1;
        let course = follow(basis, at, along);
        taken.mark(&course);
        let length = course.length();
        let strong = course.evidence >= (LEAST_STRENGTH - BREAK_EVEN) * length;
        if strong && course.evidence >= least_evidence && length >= shortest {
            out.push(course);
        }
    }
    out
}

/// Cells on the crest of a dark line with its direction, those that go on strongly both ways first.
fn seeds(basis: &RidgeBasis) -> Vec<([f64; 2], [f64; 2])> {
    let (rows, columns) = basis.scatter.dim();
    let mut found: Vec<(f32, usize, usize, [f64; 2])> = (3..rows.saturating_sub(3))
        .into_par_iter()
        .flat_map_iter(|y| {
            (3..columns.saturating_sub(3)).filter_map(move |x| {
                let (value, across) = basis.crest(x, y);
                if value < SEED {
                    return None;
                }
                let [nx, ny] = across;
                let beside = |sign: f32| {
                    let step = |v: f32| (sign * v).round() as isize;
                    basis.crest(x.wrapping_add_signed(step(nx)), y.wrapping_add_signed(step(ny))).0
                };
                if beside(1.0) > value || beside(-1.0) >= value {
                    return None;
                }
                let along = [-f64::from(ny), f64::from(nx)];
                let steered = Steered::along(along);
                let mut sum = 0.0;
                let mut s = -RANKED_OVER;
                while s <= RANKED_OVER {
                    sum += basis.steered(x as f64 + s * along[0], y as f64 + s * along[1], steered).unwrap_or(0.0);
                    s += 3.0;
                }
                Some((sum, x, y, along))
            })
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    found.into_iter().map(|(_, x, y, along)| ([x as f64, y as f64], along)).collect()
}

/// Both ways from a place.
fn follow(basis: &RidgeBasis, at: [f64; 2], along: [f64; 2]) -> Course {
    let mut been = Been::default();
    let (mut points, ahead, closed) = one_way(basis, at, along, 1, &mut been);
    if closed {
        points.insert(0, at);
        return Course { points, evidence: ahead, closed };
    }
    let (back, behind, closed) = one_way(basis, at, along.map(|v| -v), -1, &mut been);
    let mut whole: Vec<[f64; 2]> = back.into_iter().rev().collect();
    whole.push(at);
    whole.append(&mut points);
    Course { points: whole, evidence: ahead + behind, closed }
}

/// Where a course has been: steps from its beginning, counted either way, and headings by square.
#[derive(Default)]
struct Been(HashMap<[i64; 2], (i64, [f64; 2])>);

impl Been {
    /// Whether the course was here before, much earlier and in this direction; else it has been now.
    fn again(&mut self, at: [f64; 2], heading: [f64; 2], step: i64) -> bool {
        let square = |v: f64| (v / CLOSED.0).floor() as i64;
        let (before, way) = *self.0.entry(at.map(square)).or_insert((step, heading));
        (step - before).abs() > CLOSED.1 && (way[0] * heading[0] + way[1] * heading[1]).abs() > 0.7
    }
}

/// A turn at one step, with sine and cosine of its half and of its whole.
#[derive(Clone, Copy)]
struct Turn {
    angle: f64,
    half: (f64, f64),
    whole: (f64, f64),
}

impl Turn {
    fn of(angle: f64) -> Self {
        Self { angle, half: (0.5 * angle).sin_cos(), whole: angle.sin_cos() }
    }
}

fn rotated(v: [f64; 2], (sin, cos): (f64, f64)) -> [f64; 2] {
    [v[0] * cos - v[1] * sin, v[0] * sin + v[1] * cos]
}

/// Points one way up to where the evidence is greatest, that evidence, and whether they come back to where the course was.
fn one_way(
    basis: &RidgeBasis,
    start: [f64; 2],
    along: [f64; 2],
    way: i64,
    been: &mut Been,
) -> (Vec<[f64; 2]>, f64, bool) {
    let turns: [Turn; 2 * TURNS + 1] = std::array::from_fn(|k| Turn::of((k as f64 - TURNS as f64) * TURN));
    let response = |p: [f64; 2], d: [f64; 2]| basis.response(p[0], p[1], d).map(f64::from);
    let (mut at, mut heading, mut last) = (start, along, 0.0);
    let mut points = Vec::new();
    let (mut sum, mut best, mut kept) = (0.0, 0.0, 0);
    while points.len() < LONGEST {
        let mut chosen: Option<(f64, usize)> = None;
        for (k, Turn { angle, half, whole }) in turns.iter().enumerate() {
            let (mut q, mut d, mut mean) = (at, heading, 0.0);
            let mut n = 0.0;
            for _ in 0..AHEAD {
                let middle = rotated(d, *half);
                q = [q[0] + STEP * middle[0], q[1] + STEP * middle[1]];
                d = rotated(d, *whole);
                let Some(r) = response(q, d) else { break };
                mean += r;
                n += 1.0;
            }
            if n > 0.0 {
                let score = mean / n - STIFF * (angle - last).powi(2);
                if chosen.is_none_or(|(s, _)| score > s) {
                    chosen = Some((score, k));
                }
            }
        }
        let Some((_, k)) = chosen else { break };
        let Turn { angle, half, whole } = turns[k];
        let middle = rotated(heading, half);
        at = [at[0] + STEP * middle[0], at[1] + STEP * middle[1]];
        heading = rotated(heading, whole);
        last = 0.5 * (last + angle);
        let across = [-heading[1], heading[0]];
        let beside = |at: [f64; 2], off: f64| response([at[0] + off * across[0], at[1] + off * across[1]], heading);
        let Some(mut here) = beside(at, 0.0) else { break };
        // Back to the crest, a little at a time.
        if let (Some(l), Some(r)) = (beside(at, -0.8), beside(at, 0.8)) {
            let bend = l - 2.0 * here + r;
            let off = if bend < -1e-6 { (0.4 * (l - r) / bend).clamp(-0.4, 0.4) } else { 0.0 };
            at = [at[0] + off * across[0], at[1] + off * across[1]];
            here = here.max(beside(at, 0.0).unwrap_or(here));
        }
        points.push(at);
        sum += STEP * (here - BREAK_EVEN);
        if sum > best {
            (best, kept) = (sum, points.len());
        }
        if sum < best - PATIENCE {
            break;
        }
        if been.again(at, heading, way * points.len() as i64) {
            return (points, sum, true);
        }
    }
    points.truncate(kept);
    (points, best, false)
}

/// What courses have covered already, with their direction in degrees.
struct Taken(Array2<u8>);

impl Taken {
    fn code(along: [f64; 2]) -> u8 {
        along[1].atan2(along[0]).to_degrees().rem_euclid(180.0) as u8
    }

    fn mark(&mut self, course: &Course) {
        let (rows, columns) = self.0.dim();
        for i in 0..course.points.len() {
            let (p, code) = (course.points[i], Self::code(course.tangent(i)));
            for dy in -3..=3_i32 {
                for dx in -3..=3_i32 {
                    let (x, y) = (p[0].round() + f64::from(dx), p[1].round() + f64::from(dy));
                    let inside = x >= 0.0 && y >= 0.0 && (x as usize) < columns && (y as usize) < rows;
                    if dx * dx + dy * dy <= 9 && inside {
                        self.0[[y as usize, x as usize]] = code;
                    }
                }
            }
        }
    }

    fn covers(&self, at: [f64; 2], along: [f64; 2]) -> bool {
        let there = self.0[[at[1] as usize, at[0] as usize]];
        let d = (f64::from(there) - f64::from(Self::code(along))).rem_euclid(180.0);
        there != u8::MAX && d.min(180.0 - d) < 25.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dark Gaussian line along a circle.
    fn arc(radius: f64, turn: f64, sd: f64) -> Array2<f32> {
        Array2::from_shape_fn((220, 260), |(y, x)| {
            let (dx, dy) = (x as f64 - 130.0, y as f64 - 110.0);
            let there = dy.atan2(dx).rem_euclid(std::f64::consts::TAU) < turn;
            let off = dx.hypot(dy) - radius;
            if there { (-0.3 * (-0.5 * (off / sd).powi(2)).exp()) as f32 } else { 0.0 }
        })
    }

    #[test]
    fn an_arc_is_followed_from_end_to_end_on_its_radius() {
        for radius in [25.0, 60.0, 90.0] {
            let basis = RidgeBasis::of(&arc(radius, 3.0, 1.2), 20, 0.03);
            let found = courses(&basis, 50, 40.0, 10.0);
            let course = found.iter().max_by(|a, b| a.length().total_cmp(&b.length())).expect("the arc");
            assert!((course.length() / (3.0 * radius) - 1.0).abs() < 0.1, "{radius}: {}", course.length());
            assert!(!course.closed);
            for p in &course.points[2..course.points.len() - 2] {
                let off = (p[0] - 130.0).hypot(p[1] - 110.0) - radius;
                assert!(off.abs() < 0.8, "{radius}: {off} off");
            }
        }
    }

    #[test]
    fn a_ring_is_closed() {
        let basis = RidgeBasis::of(&arc(40.0, 7.0, 1.2), 20, 0.03);
        let found = courses(&basis, 50, 40.0, 10.0);
        assert!(found[0].closed, "{:?}", found[0].points.len());
    }

    #[test]
    fn on_an_empty_field_nothing_is_followed() {
        let basis = RidgeBasis::of(&Array2::zeros((220, 260)), 20, 0.03);
        assert!(courses(&basis, 50, 20.0, 5.0).is_empty());
    }
}
