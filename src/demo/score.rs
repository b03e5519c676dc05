//! Reports against truth. The rules of matching, so that a figure means something:
//!
//! * **Bubbles**: the centre within half the true radius (at least 3 px), the diameter 0.6 to 1.6 of the true one; nearest
//!   first, one to one. A bubble whose centre lies outside the frame may be found or not.
//! * **Plucked areas**: bounding boxes that overlap by at least 0.3 of their union, and an area 0.4 to 2.5 of the true one;
//!   best overlap first, one to one. A found one called ambiguous that hits nothing is not false: it does not count.
//! * **Scratches**: by length, chords sampled every 4 px. A sample counts when a chord of the other side passes within 4 px
//!   (and the true scratch's bow) with its direction within 6°. Recall is over the true length, precision over the found.
//! * **Fibres**: by count, courses sampled every 4 px. A sample lies on a course of the other side within 4 px and half of the true
//!   width. A true one is hit when half of its length is found (by however many pieces); a found one is false when less than half of
//!   its length lies on true ones, whatever their length.
//! * **Lifted areas**: by area, see [`match_lifted`].

mod lifted;

use serde::Deserialize;

use super::truth::{TrueBubble, TrueFibre, TruePluck, TrueScratch};
use crate::section::fibres::Fibre;

pub use self::lifted::{covered, match_lifted};

/// Distance between samples along a scratch, pixels.
const SAMPLE_PX: f64 = 4.0;
/// How far off a sample may be, pixels.
const NEAR_PX: f64 = 4.0;
/// How far off the direction may be, degrees.
const ALIKE_DEG: f64 = 6.0;

/// A bubble as reported.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct FoundBubble {
    /// Field.
    pub field: String,
    /// Centre, pixels.
    pub x_px: f64,
    /// Centre, pixels.
    pub y_px: f64,
    /// Diameter, pixels.
    pub diameter_px: f64,
}

/// A plucked area as reported.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct FoundPluck {
    /// Field.
    pub field: String,
    /// Area, square pixels.
    pub area_px: f64,
    /// Bounding box, pixels, half-open.
    pub box_px: [f64; 4],
    /// Does not count against the section.
    pub ambiguous: bool,
}

/// A scratch as reported.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct FoundScratch {
    /// Field.
    pub field: String,
    /// One end, pixels.
    pub x0_px: f64,
    /// One end, pixels.
    pub y0_px: f64,
    /// Other end, pixels.
    pub x1_px: f64,
    /// Other end, pixels.
    pub y1_px: f64,
}

impl From<&crate::section::defects::Bubble> for FoundBubble {
    fn from(b: &crate::section::defects::Bubble) -> Self {
        Self { field: b.field.clone(), x_px: b.x_px, y_px: b.y_px, diameter_px: b.diameter_px }
    }
}

impl From<&crate::section::defects::Pluck> for FoundPluck {
    fn from(p: &crate::section::defects::Pluck) -> Self {
        Self { field: p.field.clone(), area_px: p.area_px, box_px: p.box_px, ambiguous: p.ambiguous }
    }
}

impl From<&crate::section::defects::Scratch> for FoundScratch {
    fn from(s: &crate::section::defects::Scratch) -> Self {
        Self { field: s.field.clone(), x0_px: s.x0_px, y0_px: s.y0_px, x1_px: s.x1_px, y1_px: s.y1_px }
    }
}

/// What matched, by index.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Matches {
    /// (found, true) pairs.
    pub hits: Vec<(usize, usize)>,
    /// Found ones that are not there.
    pub false_found: Vec<usize>,
    /// True ones that were not found.
    pub missed: Vec<usize>,
}

/// Lengths that matched, pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LengthMatches {
    /// True length.
    pub true_px: f64,
    /// Of it, found.
    pub recalled_px: f64,
    /// Found length.
    pub found_px: f64,
    /// Of it, true.
    pub right_px: f64,
}

impl LengthMatches {
    /// Share of the true length that was found; None when there is none.
    #[must_use]
    pub fn recall(&self) -> Option<f64> {
        (self.true_px > 0.0).then(|| self.recalled_px / self.true_px)
    }

    /// Share of the found length that is true; None when nothing was found.
    #[must_use]
    pub fn precision(&self) -> Option<f64> {
        (self.found_px > 0.0).then(|| self.right_px / self.found_px)
    }

    /// Both together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            true_px: self.true_px + other.true_px,
            recalled_px: self.recalled_px + other.recalled_px,
            found_px: self.found_px + other.found_px,
            right_px: self.right_px + other.right_px,
        }
    }
}

/// Matches bubbles of one slide; `size_px` is the size of the photographs.
#[must_use]
pub fn match_bubbles(found: &[FoundBubble], truth: &[TrueBubble], size_px: [f64; 2]) -> Matches {
    let cost = |f: &FoundBubble, t: &TrueBubble| {
        let apart = (f.x_px - t.x_px).hypot(f.y_px - t.y_px);
        let ratio = f.diameter_px / t.diameter_px;
        let near = apart <= (0.25 * t.diameter_px).max(3.0) && (0.6..=1.6).contains(&ratio);
        (f.field == t.field && near).then_some(apart)
    };
    let outside = |t: &TrueBubble| t.x_px < 0.0 || t.y_px < 0.0 || t.x_px >= size_px[0] || t.y_px >= size_px[1];
    let mut matches = pair(found.len(), truth.len(), |i, j| cost(&found[i], &truth[j]));
    matches.missed.retain(|&j| !outside(&truth[j]));
    matches
}

/// Matches plucked areas of one slide.
#[must_use]
pub fn match_plucks(found: &[FoundPluck], truth: &[TruePluck]) -> Matches {
    let cost = |f: &FoundPluck, t: &TruePluck| {
        let overlap = overlap(f.box_px, t.box_px);
        let alike = overlap >= 0.3 && (0.4..=2.5).contains(&(f.area_px / t.area_px));
        (f.field == t.field && alike).then_some(-overlap)
    };
    let mut matches = pair(found.len(), truth.len(), |i, j| cost(&found[i], &truth[j]));
    matches.false_found.retain(|&i| !found[i].ambiguous);
    matches
}

/// Intersection over union of two boxes.
fn overlap(a: [f64; 4], b: [f64; 4]) -> f64 {
    let area = |c: [f64; 4]| (c[2] - c[0]).max(0.0) * (c[3] - c[1]).max(0.0);
    let common = area([a[0].max(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].min(b[3])]);
    let union = area(a) + area(b) - common;
    if union > 0.0 { common / union } else { 0.0 }
}

/// Pairs one to one, cheapest first.
fn pair(found: usize, truth: usize, cost: impl Fn(usize, usize) -> Option<f64>) -> Matches {
    let mut all: Vec<(f64, usize, usize)> = (0..found)
        .flat_map(|i| (0..truth).map(move |j| (i, j)))
        .filter_map(|(i, j)| Some((cost(i, j)?, i, j)))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut used, mut hit) = (vec![false; found], vec![false; truth]);
    let mut hits = Vec::new();
    for (_, i, j) in all {
        if !used[i] && !hit[j] {
            (used[i], hit[j]) = (true, true);
            hits.push((i, j));
        }
    }
    let rest = |taken: &[bool]| (0..taken.len()).filter(|&k| !taken[k]).collect();
    Matches { hits, false_found: rest(&used), missed: rest(&hit) }
}

/// Points every [`SAMPLE_PX`] along a course.
fn sampled(course: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let along = |w: &[[f64; 2]]| {
        let n = ((w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]) / SAMPLE_PX).ceil().max(1.0);
        let (a, b) = (w[0], w[1]);
        (0..n as usize).map(move |k| [0, 1].map(|i| a[i] + (k as f64 + 0.5) / n * (b[i] - a[i])))
    };
    course.windows(2).flat_map(along).collect()
}

/// Whether a point lies within `reach` of a course.
fn lies_on(p: [f64; 2], course: &[[f64; 2]], reach: f64) -> bool {
    course.windows(2).any(|w| {
        let (dx, dy) = (w[1][0] - w[0][0], w[1][1] - w[0][1]);
        let t = (((p[0] - w[0][0]) * dx + (p[1] - w[0][1]) * dy) / (dx * dx + dy * dy).max(1e-9)).clamp(0.0, 1.0);
        (p[0] - w[0][0] - t * dx).hypot(p[1] - w[0][1] - t * dy) <= reach
    })
}

/// Matches fibres of one field; `um_per_px` is its scale. The pairs in `hits` name for each true one the first piece on it.
#[must_use]
pub fn match_fibres(found: &[Fibre], truth: &[TrueFibre], um_per_px: f64) -> Matches {
    let reach = |t: &TrueFibre| NEAR_PX + 0.5 * t.width_um / um_per_px;
    let share = |points: &[[f64; 2]], on: &dyn Fn([f64; 2]) -> bool| {
        points.iter().filter(|p| on(**p)).count() as f64 / points.len().max(1) as f64
    };
    let mut matches = Matches::default();
    for (j, t) in truth.iter().enumerate() {
        let own: Vec<(usize, &Fibre)> = found.iter().enumerate().filter(|(_, f)| f.field == t.field).collect();
        let on = |p: [f64; 2]| own.iter().any(|(_, f)| lies_on(p, &f.course_px, reach(t)));
        if share(&sampled(&t.course_px), &on) < 0.5 {
            matches.missed.push(j);
        } else {
            let piece = |f: &Fibre| share(&sampled(&f.course_px), &|p| lies_on(p, &t.course_px, reach(t)));
            let best = own.iter().max_by(|a, b| piece(a.1).total_cmp(&piece(b.1)));
            matches.hits.extend(best.map(|(i, _)| (*i, j)));
        }
    }
    for (i, f) in found.iter().enumerate() {
        let on = |p: [f64; 2]| truth.iter().any(|t| t.field == f.field && lies_on(p, &t.course_px, reach(t)));
        if share(&sampled(&f.course_px), &on) < 0.5 {
            matches.false_found.push(i);
        }
    }
    matches
}

struct Chord<'a> {
    field: &'a str,
    from: [f64; 2],
    to: [f64; 2],
    bow: f64,
}

impl Chord<'_> {
    fn length(&self) -> f64 {
        (self.to[0] - self.from[0]).hypot(self.to[1] - self.from[1])
    }

    fn alike(&self, other: &Chord) -> bool {
        let [a, b] = [self, other].map(|c| (c.to[1] - c.from[1]).atan2(c.to[0] - c.from[0]));
        let turn = (a - b).to_degrees().rem_euclid(180.0);
        self.field == other.field && turn.min(180.0 - turn) <= ALIKE_DEG
    }

    fn distance(&self, p: [f64; 2]) -> f64 {
        let (dx, dy) = (self.to[0] - self.from[0], self.to[1] - self.from[1]);
        let t = ((p[0] - self.from[0]) * dx + (p[1] - self.from[1]) * dy) / (dx * dx + dy * dy).max(1e-9);
        let t = t.clamp(0.0, 1.0);
        (p[0] - self.from[0] - t * dx).hypot(p[1] - self.from[1] - t * dy)
    }

    /// Length of this chord that lies along one of `others`.
    fn covered(&self, others: &[Chord]) -> f64 {
        let n = (self.length() / SAMPLE_PX).ceil().max(1.0) as usize;
        let near: Vec<&Chord> = others.iter().filter(|o| self.alike(o)).collect();
        let count = (0..n)
            .filter(|k| {
                let t = (*k as f64 + 0.5) / n as f64;
                let p = [0, 1].map(|c| self.from[c] + t * (self.to[c] - self.from[c]));
                near.iter().any(|o| o.distance(p) <= NEAR_PX + self.bow.max(o.bow))
            })
            .count();
        self.length() * count as f64 / n as f64
    }
}

/// Matches scratches of one slide by length.
#[must_use]
pub fn match_scratches(found: &[FoundScratch], truth: &[TrueScratch]) -> LengthMatches {
    let found: Vec<Chord> = found
        .iter()
        .map(|s| Chord { field: &s.field, from: [s.x0_px, s.y0_px], to: [s.x1_px, s.y1_px], bow: 0.0 })
        .collect();
    let truth: Vec<Chord> = truth
        .iter()
        .map(|s| Chord { field: &s.field, from: [s.x0_px, s.y0_px], to: [s.x1_px, s.y1_px], bow: s.bow_px })
        .collect();
    LengthMatches {
        true_px: truth.iter().map(Chord::length).sum(),
        recalled_px: truth.iter().map(|t| t.covered(&found)).sum(),
        found_px: found.iter().map(Chord::length).sum(),
        right_px: found.iter().map(|f| f.covered(&truth)).sum(),
    }
}

#[cfg(test)]
mod tests;
