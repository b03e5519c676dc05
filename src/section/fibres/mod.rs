//! Fibres: threads of cloth or paper that lie over the section: long, smooth, as dark from end to end, over grain and border alike.

mod course;
mod judgement;
mod looks;
mod profile;
#[cfg(test)]
mod tests;

use std::collections::HashMap;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::section::line_search::{LineSearch, WIDE_CELL_UM, bin_of};
use crate::section::plane_light::{PlaneLight, in_proportion};
use crate::section::scratches::Line;
use crate::section::sides::Sides;

pub(crate) use self::course::Course;
use self::course::courses;
pub use self::looks::Thread;

/// A textile fibre, a hair or a thread of dust on the section or under its cover. It is seen, and not judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fibre {
    /// Name of the field.
    pub field: String,
    /// Its course from end to end, pixels, open.
    pub course_px: Vec<[f64; 2]>,
    /// Length along it, pixels.
    pub length_px: f64,
    /// Length along it, µm; null without a scale.
    pub length_um: Option<f64>,
    /// Width, µm; null without a scale.
    pub width_um: Option<f64>,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// Side of a cell of a third search, for wide threads, µm: lines of 8 to 32 µm.
const BROAD_CELL_UM: f64 = 8.0;
/// Shortest thread looked for, µm. Shorter pieces are not told from cracks and needles.
pub(crate) const SHORTEST_UM: f64 = 180.0;
/// Widest thread, µm: textile fibres are 8 to 40 (common practice, no source), blurred somewhat more.
const WIDEST_UM: f64 = 50.0;
/// Least length over width of a thread; laths of feldspar and flakes of mica are stouter.
const SLENDER: f64 = 6.0;
/// Share of its length that may be explained otherwise.
const EXPLAINED: f64 = 0.4;
/// Confidence from which a thread is called a fibre: what cries wolf is switched off.
pub(crate) const CALLED_FROM: f64 = 0.8;
/// Most courses followed in a usual field and search.
const MOST: usize = 180;
/// Evidence under which a course is not kept.
const LEAST_EVIDENCE: f64 = 14.0;

/// The cells on which threads are looked for, pixels: those of the wide search for scratches, and broader ones.
pub(crate) fn bins(um_per_px: f64) -> [usize; 2] {
    let fine = bin_of(WIDE_CELL_UM, um_per_px);
    [fine, bin_of(BROAD_CELL_UM, um_per_px).max(fine + 1)]
}

/// Bent dark courses of one search, as plane light alone shows them.
pub(crate) fn followed(light: &PlaneLight, search: &LineSearch) -> Vec<Course> {
    let shortest = SHORTEST_UM / (light.um_per_px * search.bin as f64);
    courses(&search.basis, in_proportion(MOST, light), shortest, LEAST_EVIDENCE)
        .into_iter()
        .flat_map(|c| looks::steady_parts(c, search, shortest))
        .collect()
}

/// Threads along the courses of one search, each judged by itself. `hidden` says of a pixel that what lies there is explained
/// otherwise.
pub(crate) fn threads_along(
    courses: &[Course],
    light: &PlaneLight,
    search: &LineSearch,
    sides: Sides<'_>,
    hidden: &(dyn Fn(f64, f64) -> bool + Sync),
) -> Vec<Thread> {
    let measured = |course: &Course| Thread::measure(course.clone(), light, search, sides, hidden);
    courses.par_iter().map(measured).filter(Thread::is_one).collect()
}

/// Threads, likeliest first and each once: what a better one covers is dropped.
pub(crate) fn settled(mut threads: Vec<Thread>, um_per_px: f64) -> Vec<Thread> {
    let order = |t: &Thread| (t.confidence, t.evidence);
    threads.sort_by(|a, b| order(b).partial_cmp(&order(a)).expect("finite"));
    let mut kept: Vec<Thread> = Vec::new();
    let mut near = Near::default();
    for thread in threads {
        let covered = thread.course_px.iter().filter(|p| near.covers(**p)).count();
        if 2 * covered < thread.course_px.len() {
            near.mark(&thread.course_px, 0.5 * thread.width_um / um_per_px + BESIDE_UM / um_per_px + 2.0);
            kept.push(thread);
        }
    }
    kept
}

/// Share of the one that runs along the other from which a scratch and a thread are the same dark line.
const SAME: f64 = 0.7;
/// Bow up to which such a line is a scratch: threads bend.
const STRAIGHT: f64 = 0.03;

/// What was called a scratch as well as a thread is called by one name: straight it is a scratch, bent it is a thread.
pub(crate) fn told_apart(lines: &mut Vec<Line>, threads: &mut Vec<Thread>, um_per_px: f64) {
    let reach = |t: &Thread| 0.5 * t.width_um / um_per_px + 3.0;
    threads.retain(|t| {
        t.bow > STRAIGHT
            || !lines.iter().any(|l| {
                let along = t.course_px.iter().filter(|p| off(**p, l.ends) < reach(t)).count();
                along as f64 > SAME * t.course_px.len() as f64
            })
    });
    lines.retain(|l| !threads.iter().any(|t| covered(&t.course_px, l.ends, reach(t)) > SAME));
}

/// Distance of a point from a segment.
fn off(p: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let t = (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy).max(1e-9)).clamp(0.0, 1.0);
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

/// Share of a chord that runs along a course within `reach` pixels.
fn covered(course: &[[f64; 2]], [a, b]: [[f64; 2]; 2], reach: f64) -> f64 {
    const SAMPLES: usize = 40;
    let at = |k: usize| [0, 1].map(|i| a[i] + (k as f64 + 0.5) / SAMPLES as f64 * (b[i] - a[i]));
    let beside = |p: [f64; 2]| course.windows(2).any(|w| off(p, [w[0], w[1]]) < reach);
    (0..SAMPLES).filter(|k| beside(at(*k))).count() as f64 / SAMPLES as f64
}

/// How far beside a thread its own edges and halos may be taken for another, µm.
const BESIDE_UM: f64 = 6.0;

/// Points of courses with the reach about each, found again by the square they lie in.
#[derive(Default)]
struct Near(HashMap<[i64; 2], Vec<([f64; 2], f64)>>);

impl Near {
    /// Side of a square, pixels; no reach is greater than it.
    const SQUARE: f64 = 48.0;

    fn square(p: [f64; 2]) -> [i64; 2] {
        p.map(|v| (v / Self::SQUARE).floor() as i64)
    }

    fn mark(&mut self, course: &[[f64; 2]], reach: f64) {
        for p in course {
            self.0.entry(Self::square(*p)).or_default().push((*p, reach.min(Self::SQUARE)));
        }
    }

    fn covers(&self, p: [f64; 2]) -> bool {
        let [x, y] = Self::square(p);
        (-1..=1).flat_map(|j| (-1..=1).map(move |i| [x + i, y + j])).any(|s| {
            self.0.get(&s).is_some_and(|near| near.iter().any(|(q, reach)| (p[0] - q[0]).hypot(p[1] - q[1]) < *reach))
        })
    }
}

impl Thread {
    /// Whether it has the form of a thread at all: long, slender and open, and mostly nothing else's line.
    fn is_one(&self) -> bool {
        self.length_um >= SHORTEST_UM
            && self.width_um <= WIDEST_UM
            && self.length_um >= SLENDER * self.width_um
            && !self.closed
            && self.covered <= EXPLAINED
    }

    /// The same in the pixels of a field in which this one's window begins at `origin`.
    pub(crate) fn moved(mut self, origin: [f64; 2]) -> Self {
        self.course_px.iter_mut().for_each(|p| *p = [p[0] + origin[0], p[1] + origin[1]]);
        self
    }
}

impl Fibre {
    pub(crate) fn of(thread: &Thread, field: &str, scale_known: bool) -> Self {
        let course_px = cornered(&thread.course_px, 0.7);
        let bound = |f: fn(f64, f64) -> f64, i: usize, start: f64| course_px.iter().map(|p| p[i]).fold(start, f);
        Self {
            field: field.to_owned(),
            length_px: thread.course_px.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum(),
            length_um: scale_known.then_some(thread.length_um),
            width_um: scale_known.then_some(thread.width_um),
            box_px: [
                bound(f64::min, 0, f64::INFINITY),
                bound(f64::min, 1, f64::INFINITY),
                bound(f64::max, 0, f64::NEG_INFINITY) + 1.0,
                bound(f64::max, 1, f64::NEG_INFINITY) + 1.0,
            ],
            confidence: thread.confidence,
            course_px,
        }
    }

    /// Pieces of its course of some sixty pixels, as chords from end to end.
    pub(crate) fn chords(&self) -> Vec<[[f64; 2]; 2]> {
        let mut out = Vec::new();
        let (mut from, mut gone) = (self.course_px[0], 0.0);
        for w in self.course_px.windows(2) {
            gone += (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]);
            if gone >= 60.0 {
                out.push([from, w[1]]);
                (from, gone) = (w[1], 0.0);
            }
        }
        out
    }
}

/// Fewest corners that stay within `tolerance` of an open course (Douglas-Peucker).
fn cornered(points: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    let (Some(a), Some(b)) = (points.first(), points.last()) else { return Vec::new() };
    if points.len() < 3 {
        return points.to_vec();
    }
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    let off = |p: &[f64; 2]| {
        if length < 1e-9 {
            (p[0] - a[0]).hypot(p[1] - a[1])
        } else {
            ((p[0] - a[0]) * dy - (p[1] - a[1]) * dx).abs() / length
        }
    };
    let inner = points[1..points.len() - 1].iter().map(off).enumerate();
    match inner.max_by(|p, q| p.1.total_cmp(&q.1)) {
        Some((i, worst)) if worst > tolerance => {
            let mut out = cornered(&points[..i + 2], tolerance);
            out.pop();
            out.extend(cornered(&points[i + 1..], tolerance));
            out
        }
        _ => vec![*a, *b],
    }
}
