//! Coarse grooves: straight lines across the frosting, brighter or darker than it, left by a grain coarser than the grit wanted.

use crate::section::cells::sample;
use crate::section::grit::GritBound;
use crate::section::ridge::{LineField, RidgeBasis, direction};
use ndarray::Array2;
use serde::{Deserialize, Serialize};

use crate::frosting::geometry::{Point, distance};
use crate::frosting::grid::Grid;
use crate::frosting::patches::Face;
use crate::frosting::surface::{Region, Surface};

/// Stretch that a line must answer along, share of the short side.
const STRETCH: f64 = 0.13;
/// Mean response of such a stretch, in local scatters, that frosting does not reach (measured on rendered frosting of three
/// kinds without grooves).
const ANSWERS: f32 = 0.95;
/// Candidates of each sign that are looked at.
const MOST_TRIED: usize = 80;
/// Least depth of a groove, log light, and least depth over its standard error (the search picks the best of a million lines).
const LEAST_DEPTH: f64 = 0.05;
const LEAST_SURE: f64 = 8.0;
/// Least length of a groove, share of the short side.
const LEAST_LENGTH: f64 = 0.2;
/// Least scatter of the line response, log light: finer than this is noise.
const FLOOR: f32 = 0.012;

/// One groove.
#[derive(Clone, Debug, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Groove {
    /// Ends, pixels.
    pub ends_px: [Point; 2],
    /// Length, pixels.
    pub length_px: f64,
    /// Direction, degrees anticlockwise from the picture's right, 0..180.
    pub direction_deg: f64,
    /// Width at half its depth, pixels, with what the camera adds.
    pub width_px: f64,
    /// Whether it is brighter than the frosting.
    pub bright: bool,
    /// Finest grit that can have left it; null without a scale, or when it is no wider than the camera makes any line.
    pub grit: Option<GritBound>,
}

/// Grooves in the frosted part, longest first. `um_per_px` is the scale, when it is known.
#[must_use]
pub fn find(grid: &Grid, region: &Region, surface: &Surface, face: &Face, um_per_px: Option<f64>) -> Vec<Groove> {
    // Off the border by two blurs more, off clear places and what shines.
    let plain = Array2::from_shape_fn(grid.light.dim(), |at| {
        f64::from(region.depth[at]) > region.inset + 5.0 && surface.over_frosted[at] > 0.0
    });
    let mut disturbed = face.shine.clone();
    for at in face.places.iter().flat_map(|p| &p.cells) {
        disturbed[*at] = true;
    }
    let disturbed = crate::frosting::patches::grown(&disturbed, (0.05 * region.short) as usize + 1);
    let plain = ndarray::Zip::from(&plain).and(&disturbed).map_collect(|p, d| *p && !*d);
    let mut log = Array2::<f32>::zeros(grid.light.dim());
    ndarray::Zip::from(&mut log).and(&grid.light).and(&surface.over_frosted).and(&plain).for_each(
        |l, light, over, p| {
            if *p && *over > 0.0 {
                *l = light.max(1e-4).ln();
            }
        },
    );
    flatten(&mut log, &plain);
    let length = (STRETCH * region.short).round().max(18.0) as usize;
    let mut found: Vec<(f64, Groove)> = Vec::new();
    for bright in [false, true] {
        let signed = if bright { log.mapv(|v| -v) } else { log.clone() };
        let basis = RidgeBasis::of(&signed, (0.1 * region.short) as usize, FLOOR);
        let field = LineField::search(&basis, length);
        let search = Search { field: &field, basis: &basis, log: &signed, plain: &plain, short: region.short };
        found.extend(search.lines().iter().filter_map(|l| groove(l, &signed, grid, bright, um_per_px)));
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<Groove> = Vec::new();
    for (_, g) in found {
        let middle = [0, 1].map(|k| (g.ends_px[0][k] + g.ends_px[1][k]) / 2.0);
        // The flanks of a bright groove look like dark ones: of lines side by side the deepest stays.
        let beside = |o: &Groove| {
            let turn = (g.direction_deg - o.direction_deg).rem_euclid(180.0);
            let [a, b] = o.ends_px;
            let along = [(b[0] - a[0]) / o.length_px, (b[1] - a[1]) / o.length_px];
            let off = ((middle[0] - a[0]) * along[1] - (middle[1] - a[1]) * along[0]).abs();
            turn.min(180.0 - turn) < 12.0 && off < (0.03 * region.short).max(7.0) * grid.bin as f64
        };
        if !kept.iter().any(beside) {
            kept.push(g);
        }
    }
    kept.sort_by(|a, b| b.length_px.total_cmp(&a.length_px));
    kept
}

/// Light without its slow changes; cells that do not count become zero.
fn flatten(log: &mut Array2<f32>, plain: &Array2<bool>) {
    let slow = crate::frosting::grid::smooth(log, plain, 9.0);
    ndarray::Zip::from(log)
        .and(&slow)
        .and(plain)
        .for_each(|l, s, p| *l = if *p { (*l - s).clamp(-0.6, 0.6) } else { 0.0 });
}

/// What a line is sought in.
struct Search<'a> {
    field: &'a LineField,
    basis: &'a RidgeBasis,
    /// Log light without its slow changes, the groove dark.
    log: &'a Array2<f32>,
    /// Cells that may bear a groove.
    plain: &'a Array2<bool>,
    short: f64,
}

/// A straight stretch: a point on it, its direction, and from where to where along it, cells.
#[derive(Clone, Copy)]
struct Line {
    at: Point,
    angle: f64,
    reach: [f64; 2],
}

impl Line {
    fn along(&self) -> [f64; 2] {
        [self.angle.cos(), self.angle.sin()]
    }

    fn point(&self, t: f64, off: f64) -> Point {
        let [x, y] = self.along();
        [self.at[0] + t * x - off * y, self.at[1] + t * y + off * x]
    }
}

impl Search<'_> {
    fn lines(&self) -> Vec<Line> {
        let mut seeds: Vec<(f32, [usize; 2])> = self
            .field
            .value
            .indexed_iter()
            .filter(|(at, v)| **v > ANSWERS && self.plain[*at])
            .map(|((y, x), v)| (*v, [y, x]))
            .collect();
        seeds.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut used = Array2::from_elem(self.plain.dim(), false);
        let mut out = Vec::new();
        let mut tried = 0;
        for (_, at) in seeds {
            if used[at] {
                continue;
            }
            tried += 1;
            if tried > MOST_TRIED {
                break;
            }
            let [dx, dy] = direction(usize::from(self.field.direction[at]));
            let half = STRETCH * self.short;
            let mut line = Line { at: [at[1] as f64, at[0] as f64], angle: dy.atan2(dx), reach: [-half, half] };
            line = self.turned(line, 0.05);
            line.reach = [-self.runs(&line, -1.0), self.runs(&line, 1.0)];
            line = self.turned(line, 0.02);
            line.reach = [-self.runs(&line, -1.0), self.runs(&line, 1.0)];
            // Whatever comes of it, the cells beside are spent.
            let [from, to] = [line.reach[0].min(-8.0) as i32, line.reach[1].max(8.0) as i32];
            for k in from..=to {
                for off in -5..=5 {
                    if let Some(cell) = self.cell(line.point(f64::from(k), f64::from(off))) {
                        used[cell] = true;
                    }
                }
            }
            let length = line.reach[1] - line.reach[0];
            if length >= LEAST_LENGTH * self.short && self.is_one(&line) {
                out.push(line);
            }
        }
        out
    }

    fn cell(&self, p: Point) -> Option<[usize; 2]> {
        let (rows, columns) = self.plain.dim();
        let (x, y) = (p[0].round(), p[1].round());
        (x >= 0.0 && y >= 0.0 && x < columns as f64 && y < rows as f64).then_some([y as usize, x as usize])
    }

    fn is_plain(&self, p: Point) -> bool {
        self.cell(p).is_some_and(|at| self.plain[at])
    }

    /// The line turned by up to `most` radians and shifted so that it answers best.
    fn turned(&self, line: Line, most: f64) -> Line {
        let mut best = (f64::MIN, line);
        for turn in -5..=5 {
            for shift in -4..=4 {
                let off = 0.5 * f64::from(shift);
                let other = Line { at: line.point(0.0, off), angle: line.angle + most * f64::from(turn) / 5.0, ..line };
                let along = other.along();
                let steps = ((line.reach[1] - line.reach[0]) / 2.0).max(4.0) as usize;
                let mut sum = 0.0;
                for k in 0..=steps {
                    let t = line.reach[0] + (line.reach[1] - line.reach[0]) * k as f64 / steps as f64;
                    let p = other.point(t, 0.0);
                    sum += f64::from(self.basis.response(p[0], p[1], along).unwrap_or(-0.6));
                }
                if sum / steps as f64 > best.0 {
                    best = (sum / steps as f64, other);
                }
            }
        }
        best.1
    }

    /// How far the line goes on from its point: until its response over a short stretch fails three times.
    fn runs(&self, line: &Line, sign: f64) -> f64 {
        const STEP: usize = 5;
        let along = line.along();
        let (mut k, mut missed, mut end) = (0.0, 0, 0.0);
        while missed < 3 {
            let mut sum = 0.0;
            for i in 0..STEP {
                let p = line.point(sign * (k + i as f64), 0.0);
                sum += if self.is_plain(p) { self.basis.response(p[0], p[1], along).unwrap_or(-1.0) } else { -1.0 };
            }
            k += STEP as f64;
            if sum / STEP as f32 > 0.5 {
                (missed, end) = (0, k - 0.5 * STEP as f64);
            } else {
                missed += 1;
            }
        }
        end
    }

    /// Whether it is a groove and no chance row of grains: darker than its flanks all along, by more than chance gives.
    fn is_one(&self, line: &Line) -> bool {
        const PARTS: usize = 10;
        let [from, to] = line.reach;
        let mut all = Vec::new();
        let mut parts = [0.0; PARTS];
        let steps = (to - from) as usize;
        for k in 0..steps {
            let t = from + k as f64;
            let value = |off: f64| {
                let p = line.point(t, off);
                f64::from(sample(self.log, p[0], p[1]).unwrap_or(0.0))
            };
            let flanks = (value(-5.0) + value(-4.0) + value(4.0) + value(5.0)) / 4.0;
            let step = flanks - (value(-0.5) + value(0.5)) / 2.0;
            all.push(step);
            parts[k * PARTS / steps] += step * PARTS as f64 / steps as f64;
        }
        let n = all.len() as f64;
        let mean = all.iter().sum::<f64>() / n;
        let sd = (all.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / n).sqrt();
        // Neighbouring cells share their grain: every third counts.
        let sure = mean / (sd / (n / 3.0).sqrt()).max(1e-9);
        let steady = parts.iter().filter(|p| **p > 0.45 * mean).count();
        mean > LEAST_DEPTH && sure > LEAST_SURE && steady >= PARTS - 1
    }
}

/// The groove in pixels.
fn groove(line: &Line, log: &Array2<f32>, grid: &Grid, bright: bool, um_per_px: Option<f64>) -> Option<(f64, Groove)> {
    let ends = line.reach.map(|t| line.point(t, 0.0));
    let [x, y] = line.along();
    let (depth, width) = profile(log, ends, [-y, x])?;
    let bin = grid.bin as f64;
    let groove = Groove {
        ends_px: ends.map(|e| e.map(|v| grid.pixel(v))),
        length_px: distance(ends[0], ends[1]) * bin,
        direction_deg: (-y).atan2(x).to_degrees().rem_euclid(180.0),
        width_px: width * bin,
        bright,
        grit: um_per_px.and_then(|s| GritBound::of(width * bin * s, s * bin)),
    };
    Some((depth, groove))
}

/// Depth of the mean profile across, log light, and its full width at half of it, cells.
fn profile(log: &Array2<f32>, ends: [Point; 2], normal: [f64; 2]) -> Option<(f64, f64)> {
    const REACH: i32 = 24;
    let length = distance(ends[0], ends[1]);
    let steps = length as usize;
    let profile: Vec<f64> = (-REACH..=REACH)
        .map(|o| {
            let off = f64::from(o) / 4.0;
            let mut sum = 0.0;
            for k in 0..=steps {
                let t = k as f64 / steps.max(1) as f64;
                let p = [0, 1].map(|i| ends[0][i] + t * (ends[1][i] - ends[0][i]) + off * normal[i]);
                sum += f64::from(sample(log, p[0], p[1]).unwrap_or(0.0));
            }
            sum / (steps + 1) as f64
        })
        .collect();
    let edge = (profile[..6].iter().sum::<f64>() + profile[profile.len() - 6..].iter().sum::<f64>()) / 12.0;
    let lowest = (8..profile.len() - 8).min_by(|a, b| profile[*a].total_cmp(&profile[*b]))?;
    let depth = edge - profile[lowest];
    if depth < 0.02 {
        return None;
    }
    let half = edge - depth / 2.0;
    let out = |step: isize| {
        let mut i = lowest as isize;
        while i > 0 && i < profile.len() as isize - 1 && profile[i as usize] < half {
            i += step;
        }
        i
    };
    Some((depth, (out(1) - out(-1)) as f64 / 4.0))
}
