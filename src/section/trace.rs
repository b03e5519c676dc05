//! Follows one line through a field: a straight or gently bowed path, its ends where the evidence for it is greatest.

use crate::section::ridge::{LineField, PLACES, Responses, RidgeBasis, Steered, direction};
use crate::vectors::wide;

/// Length of the stretches whose sideways place is fitted, cells.
const BLOCK: f64 = 16.0;
/// Response below which a line loses evidence, local scatters.
pub const BREAK_EVEN: f64 = 0.35;
/// Evidence lost after which a line is given up: some fifty cells of nothing.
const PATIENCE: f64 = 30.0;
/// Farthest that a path is looked for beside the fitted one, cells.
const SIDEWAYS: f64 = 3.0;
/// Spacing of the sideways places that are tried, cells; the response is a few cells wide.
const STRIDE: f64 = 0.75;
/// Length from which a bow can be told from a turn, cells.
const BOWED_FROM: f64 = 110.0;

/// A path: points at s along a chord direction with a sideways parabola.
#[derive(Clone, Copy, Debug)]
pub struct Path {
    /// Where it was first seen, cells.
    pub origin: [f64; 2],
    /// Unit vector along.
    pub along: [f64; 2],
    /// Sideways offset: constant, slope, curvature.
    pub sideways: [f64; 3],
    /// Ends, cells along from the origin.
    pub ends: [f64; 2],
    /// Sum of (response - break-even) from end to end.
    pub evidence: f64,
}

impl Path {
    /// Point at s, shifted sideways by `off`, cells.
    #[must_use]
    pub fn at(&self, s: f64, off: f64) -> [f64; 2] {
        let [a, b, c] = self.sideways;
        let w = a + b * s + c * s * s + off;
        [self.origin[0] + s * self.along[0] - w * self.along[1], self.origin[1] + s * self.along[1] + w * self.along[0]]
    }

    /// Unit tangent at s.
    #[must_use]
    pub fn tangent(&self, s: f64) -> [f64; 2] {
        let slope = self.sideways[1] + 2.0 * self.sideways[2] * s;
        let scale = 1.0 / (1.0 + slope * slope).sqrt();
        [(self.along[0] - slope * self.along[1]) * scale, (self.along[1] + slope * self.along[0]) * scale]
    }

    /// Length from end to end, cells.
    #[must_use]
    pub fn length(&self) -> f64 {
        let [a, b] = [self.at(self.ends[0], 0.0), self.at(self.ends[1], 0.0)];
        (a[0] - b[0]).hypot(a[1] - b[1])
    }

    /// Height of the arc over its chord, cells.
    #[must_use]
    pub fn bow(&self) -> f64 {
        self.sideways[2].abs() * (self.ends[1] - self.ends[0]).powi(2) / 4.0
    }

    /// What gives the responses at s across the path, `stride` cells apart from `first` on; see [`Responses`].
    pub(crate) fn responses_across<'a>(
        &self,
        basis: &'a RidgeBasis,
        s: f64,
        [first, stride]: [f64; 2],
        out: &'a mut [f32],
    ) -> Responses<'a> {
        let [a, b, c] = self.sideways;
        let at = [self.origin[0] + s * self.along[0], self.origin[1] + s * self.along[1]];
        let to = Steered::along(self.tangent(s));
        Responses { basis, at, along: self.along, sideways: a + b * s + c * s * s, first, stride, to, out }
    }

    /// Response along the path at s, None outside the picture.
    #[must_use]
    pub fn response(&self, basis: &RidgeBasis, s: f64, off: f64) -> Option<f64> {
        let p = self.at(s, off);
        basis.response(p[0], p[1], self.tangent(s)).map(f64::from)
    }
}

/// Follows the line through a place where the search saw one.
#[must_use]
pub fn follow(basis: &RidgeBasis, field: &LineField, x: usize, y: usize) -> Option<Path> {
    let along = direction(usize::from(field.direction[[y, x]]));
    let mut path = Path { origin: [x as f64, y as f64], along, sideways: [0.0; 3], ends: [-24.0, 24.0], evidence: 0.0 };
    let mut last = 0.0;
    for round in 0..5 {
        refit(basis, &mut path);
        extend(basis, &mut path);
        if path.evidence <= 0.0 {
            return None;
        }
        if round > 1 && (path.length() - last).abs() < 3.0 {
            break;
        }
        last = path.length();
    }
    Some(path)
}

/// Evidence along the straight line through a place where the search saw one, from every other cell: it only ranks.
#[must_use]
pub fn straight_evidence(basis: &RidgeBasis, field: &LineField, x: usize, y: usize) -> f64 {
    let along = direction(usize::from(field.direction[[y, x]]));
    let at = [x as f64, y as f64];
    let to = Steered::along(along);
    let one_way = |side: f64| {
        // Counted along the line, in the way that lies a quarter turn after this one.
        let before = [side * along[1], -side * along[0]];
        let (mut some, mut known) = ([0.0_f32; PLACES], 0..0);
        let response = |place: usize| {
            if !known.contains(&place) {
                known = place..place + PLACES;
                let first = EVERY_OTHER * place as f64 + 0.5;
                wide(Responses {
                    basis,
                    at,
                    along: before,
                    sideways: 0.0,
                    first,
                    stride: EVERY_OTHER,
                    to,
                    out: &mut some,
                });
            }
            Some(some[place - known.start]).filter(|r| !r.is_nan()).map(f64::from)
        };
        most_evidence(response, EVERY_OTHER).0
    };
    [1.0, -1.0].map(one_way).iter().sum()
}

/// Stride of the places that rank a line, cells.
const EVERY_OTHER: f64 = 2.0;

/// Fits the sideways course to the strongest response of each block.
fn refit(basis: &RidgeBasis, path: &mut Path) {
    let [from, to] = path.ends;
    let span = to - from;
    let blocks = (span / BLOCK).round().max(3.0) as usize;
    let size = span / blocks as f64;
    let mut points: Vec<(f64, f64, f64)> = Vec::with_capacity(blocks);
    for k in 0..blocks {
        let (a, b) = (from + k as f64 * size, from + (k + 1) as f64 * size);
        if let Some((off, strength)) = block_peak(basis, path, a, b, SIDEWAYS) {
            let s = (a + b) / 2.0;
            let [p, q, r] = path.sideways;
            points.push((s, p + q * s + r * s * s + off, strength.max(0.02)));
        }
    }
    if points.len() < 2 {
        return;
    }
    let bowed = span > BOWED_FROM && points.len() >= 5;
    let mut terms = path.sideways;
    for _ in 0..4 {
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let mut right = nalgebra::Vector3::<f64>::zeros();
        for (s, w, strength) in &points {
            let u = s / span;
            let fit = terms[0] + terms[1] * s + terms[2] * s * s;
            let weight = strength / (1.0 + ((w - fit) / 1.0).powi(2));
            let basis = nalgebra::Vector3::new(1.0, u, u * u);
            normal += weight * basis * basis.transpose();
            right += weight * *w * basis;
        }
        // A straight line unless the blocks say otherwise.
        normal[(2, 2)] += if bowed { 1e-4 } else { 1e6 };
        normal[(1, 1)] += 1e-6;
        normal[(0, 0)] += 1e-6;
        let Some(solved) = normal.cholesky().map(|c| c.solve(&right)) else { return };
        terms = [solved[0], solved[1] / span, solved[2] / (span * span)];
    }
    path.sideways = terms;
}

/// Sideways place of the strongest mean response between a and b, and that response over the block's mean.
#[must_use]
pub fn block_peak(basis: &RidgeBasis, path: &Path, a: f64, b: f64, sideways: f64) -> Option<(f64, f64)> {
    let steps = (2.0 * sideways / STRIDE).round() as usize;
    let mut sums = vec![0.0; steps + 1];
    let mut across = vec![0.0; steps + 1];
    let mut count = 0.0;
    let mut s = a + 0.5;
    while s < b {
        wide(path.responses_across(basis, s, [-sideways, STRIDE], &mut across));
        let mut whole = true;
        for (sum, r) in sums.iter_mut().zip(&across) {
            if r.is_nan() {
                whole = false;
            } else {
                *sum += f64::from(*r);
            }
        }
        if whole {
            count += 1.0;
        }
        s += 2.0;
    }
    if count < 2.0 {
        return None;
    }
    let (best, value) = sums.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let shift = if best > 0 && best < steps {
        let (l, r) = (sums[best - 1], sums[best + 1]);
        let bend = l - 2.0 * value + r;
        if bend < -1e-9 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    } else {
        0.0
    };
    Some(((best as f64 + shift) * STRIDE - sideways, value / count))
}

/// The greatest running evidence along a way, and how far on it is reached, cells; `response` is that at a place of those that lie
/// `stride` cells apart from half a cell on, None outside the picture.
#[inline]
fn most_evidence(mut response: impl FnMut(usize) -> Option<f64>, stride: f64) -> (f64, f64) {
    let (mut sum, mut best, mut at) = (0.0, 0.0, 0.0);
    let mut place = 0;
    while let Some(r) = response(place) {
        sum += stride * (r - BREAK_EVEN);
        if sum > best {
            (best, at) = (sum, stride * place as f64 + 0.5 + 0.5);
        }
        if sum < best - PATIENCE {
            break;
        }
        place += 1;
    }
    (best, at)
}

/// Ends where the running evidence is greatest on either side.
fn extend(basis: &RidgeBasis, path: &mut Path) {
    let middle = (path.ends[0] + path.ends[1]) / 2.0;
    let mut total = 0.0;
    for side in [1.0, -1.0] {
        let (best, at) = most_evidence(|k| path.response(basis, middle + side * (k as f64 + 0.5), 0.0), 1.0);
        total += best;
        path.ends[usize::from(side > 0.0)] = middle + side * at;
    }
    path.evidence = total;
}
