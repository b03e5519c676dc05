//! Scratches: straight or gently bowed dark lines that keep their direction across the rock's crystals.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::light_field::{FieldLight, sample, shrink};
use crate::section::ridge::{LineField, RidgeBasis, direction};
use crate::section::trace::{BREAK_EVEN, Path, block_peak, follow};

/// A line that may be a scratch, with what was seen along it. Lengths are in cells of the line search unless they say otherwise.
#[derive(Clone, Debug)]
pub struct Line {
    /// Ends of its chord, pixels.
    pub ends: [[f64; 2]; 2],
    /// Length of the chord, µm (at the scale used).
    pub length_um: f64,
    /// Width as depth integrated across over greatest depth, less the search's own blur, µm.
    pub width_um: f64,
    /// Depth at the middle, log units.
    pub depth: f64,
    /// Sum of (response - break-even).
    pub evidence: f64,
    /// Mean response, local scatters.
    pub strength: f64,
    /// Share of its length where it is seen.
    pub fill: f64,
    /// Scatter of its sideways place over short stretches, cells.
    pub roughness: f64,
    /// Height of the arc over the chord, share of the length.
    pub bow: f64,
    /// Share of its windows beside which two or more parallel lines run.
    pub accompanied: f64,
    /// Share of its windows beside which any parallel line runs.
    pub companied: f64,
    /// Share of its ends that lie where a crystal ends.
    pub bounded: f64,
    /// Crystals that it crosses.
    pub crystals: f64,
    /// Share of its length where the two sides are different crystals.
    pub divides: f64,
    /// How sure that it is a scratch, 0..=1.
    pub confidence: f64,
    path: Path,
}

/// Side of a cell of the line search, µm.
const CELL_UM: f64 = 1.6;
/// Mean response over a stretch that starts a trace.
const SEED: f32 = 0.62;
/// Stretch of the search, cells.
const STRETCH: usize = 48;
/// Most traces followed in a field.
const MOST: usize = 600;
/// Shortest scratch looked for, µm: 200 µm and over count.
const SHORTEST_UM: f64 = 130.0;
/// Windows along a line in which its company and its crystals are judged, cells.
const WINDOW: f64 = 32.0;
/// How far beside a line its company is looked for, µm.
const COMPANY_UM: f64 = 75.0;

/// Finds lines, likeliest first. `hidden` says of a pixel that what lies there is explained otherwise (a bubble's rim).
#[must_use]
pub fn find(light: &FieldLight, hidden: &(dyn Fn(f64, f64) -> bool + Sync)) -> Vec<Line> {
    let bin = ((CELL_UM / light.um_per_px).round() as usize).max(1);
    let log = shrink(&light.fine, bin);
    if log.dim().0 < 2 * STRETCH || log.dim().1 < 2 * STRETCH {
        return Vec::new();
    }
    let basis = RidgeBasis::of(&log, 30, 0.018);
    let field = LineField::search(&basis, STRETCH);
    let seeds = seeds(&field);
    let sides = Sides::of(light, bin);
    let mut taken = Footprint::new(log.dim());
    let mut lines: Vec<Line> = Vec::new();
    // Best first, a batch at a time: what a better trace has covered is not followed again.
    let mut queue = seeds.into_iter().peekable();
    let mut followed = 0;
    while queue.peek().is_some() && followed < MOST {
        let mut batch = Vec::new();
        while batch.len() < 24 {
            let Some((x, y)) = queue.next() else { break };
            let d = direction(usize::from(field.direction[[y, x]]));
            if !taken.covers(x as f64, y as f64, d) {
                // Seeds of the same line sit close together: hold them apart within a batch too.
                let apart = batch.iter().all(|(i, j): &(usize, usize)| {
                    let (dx, dy) = (x as f64 - *i as f64, y as f64 - *j as f64);
                    dx.hypot(dy) > 40.0 || (dx * d[1] - dy * d[0]).abs() > 6.0
                });
                if apart {
                    batch.push((x, y));
                } else {
                    taken.put_back.push((x, y));
                }
            }
        }
        followed += batch.len();
        let paths: Vec<Path> = batch.par_iter().filter_map(|(x, y)| follow(&basis, &field, *x, *y)).collect();
        for path in paths {
            taken.mark(&path);
            if path.evidence > 14.0 && path.length() * bin as f64 * light.um_per_px > 0.6 * SHORTEST_UM {
                lines.push(Line::start(path));
            }
        }
    }
    let mut lines = join(lines, &basis);
    lines.par_iter_mut().for_each(|l| l.measure(light, &log, &basis, &sides, bin, hidden));
    lines.retain(|l| l.length_um >= SHORTEST_UM);
    lines.sort_by(|a, b| (b.confidence, b.evidence).partial_cmp(&(a.confidence, a.evidence)).expect("finite"));
    once_each(lines)
}

/// Local maxima of the search, best first.
fn seeds(field: &LineField) -> Vec<(usize, usize)> {
    let (rows, columns) = field.value.dim();
    let mut found: Vec<(f32, usize, usize)> = (3..rows.saturating_sub(3))
        .into_par_iter()
        .flat_map_iter(|y| {
            let v = &field.value;
            (3..columns - 3).filter_map(move |x| {
                let here = v[[y, x]];
                if here < SEED {
                    return None;
                }
                for dy in 0..5 {
                    for dx in 0..5 {
                        if v[[y + dy - 2, x + dx - 2]] > here {
                            return None;
                        }
                    }
                }
                Some((here, x, y))
            })
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    found.into_iter().map(|(_, x, y)| (x, y)).collect()
}

/// What traces have covered already, with their direction.
struct Footprint {
    direction: Array2<u8>,
    put_back: Vec<(usize, usize)>,
}

impl Footprint {
    fn new(dim: (usize, usize)) -> Self {
        Self { direction: Array2::from_elem(dim, u8::MAX), put_back: Vec::new() }
    }

    fn code(along: [f64; 2]) -> u8 {
        (along[1].atan2(along[0]).rem_euclid(std::f64::consts::PI) / std::f64::consts::PI * 180.0) as u8
    }

    fn mark(&mut self, path: &Path) {
        let (rows, columns) = self.direction.dim();
        let mut s = path.ends[0];
        while s <= path.ends[1] {
            let code = Self::code(path.tangent(s));
            for k in -3..=3 {
                let p = path.at(s, f64::from(k));
                let (x, y) = (p[0].round(), p[1].round());
                if x >= 0.0 && y >= 0.0 && (x as usize) < columns && (y as usize) < rows {
                    self.direction[[y as usize, x as usize]] = code;
                }
            }
            s += 1.0;
        }
    }

    fn covers(&self, x: f64, y: f64, along: [f64; 2]) -> bool {
        let there = self.direction[[y as usize, x as usize]];
        if there == u8::MAX {
            return false;
        }
        let d = (f64::from(there) - f64::from(Self::code(along))).rem_euclid(180.0);
        d.min(180.0 - d) < 10.0
    }
}

/// Pieces on one chord become one line when the gap is shorter than the shorter piece.
fn join(mut lines: Vec<Line>, basis: &RidgeBasis) -> Vec<Line> {
    lines.sort_by(|a, b| b.path.evidence.total_cmp(&a.path.evidence));
    let mut i = 0;
    while i < lines.len() {
        let mut j = i + 1;
        let mut grown = false;
        while j < lines.len() {
            if let Some(path) = joined(&lines[i].path, &lines[j].path, basis) {
                lines[i].path = path;
                lines.remove(j);
                grown = true;
            } else {
                j += 1;
            }
        }
        if !grown {
            i += 1;
        }
    }
    lines
}

fn joined(a: &Path, b: &Path, basis: &RidgeBasis) -> Option<Path> {
    // b's ends in a's frame.
    let local = |p: [f64; 2]| {
        let (dx, dy) = (p[0] - a.origin[0], p[1] - a.origin[1]);
        let s = dx * a.along[0] + dy * a.along[1];
        let w = -dx * a.along[1] + dy * a.along[0];
        (s, w)
    };
    let [p, q] = [local(b.at(b.ends[0], 0.0)), local(b.at(b.ends[1], 0.0))];
    let (from, to) = (p.0.min(q.0), p.0.max(q.0));
    let gap = (from - a.ends[1]).max(a.ends[0] - to);
    let shorter = a.length().min(b.length());
    if gap > shorter.min(160.0) || gap < -0.3 * shorter {
        return None;
    }
    // Both pieces within a little of one parabola: refit through both.
    let mut points: Vec<(f64, f64)> = Vec::new();
    for k in 0..=8 {
        let u = f64::from(k) / 8.0;
        let s = a.ends[0] + u * (a.ends[1] - a.ends[0]);
        points.push((s, a.sideways[0] + a.sideways[1] * s + a.sideways[2] * s * s));
        points.push(local(b.at(b.ends[0] + u * (b.ends[1] - b.ends[0]), 0.0)));
    }
    let span = (a.ends[1].max(to) - a.ends[0].min(from)).max(1.0);
    let mut normal = nalgebra::Matrix3::<f64>::identity() * 1e-9;
    normal[(2, 2)] += 0.5;
    let mut right = nalgebra::Vector3::<f64>::zeros();
    for (s, w) in &points {
        let v = nalgebra::Vector3::new(1.0, s / span, (s / span).powi(2));
        normal += v * v.transpose();
        right += v * *w;
    }
    let t = normal.cholesky()?.solve(&right);
    let terms = [t[0], t[1] / span, t[2] / (span * span)];
    let worst = points.iter().map(|(s, w)| (w - terms[0] - terms[1] * s - terms[2] * s * s).abs()).fold(0.0, f64::max);
    if worst > 1.6 {
        return None;
    }
    let mut path = Path { sideways: terms, ends: [a.ends[0].min(from), a.ends[1].max(to)], ..*a };
    path.evidence = 0.0;
    let mut s = path.ends[0] + 0.5;
    while s < path.ends[1] {
        path.evidence += path.response(basis, s, 0.0).unwrap_or(0.0) - BREAK_EVEN;
        s += 1.0;
    }
    (path.evidence > 0.6 * (a.evidence.max(b.evidence))).then_some(path)
}

/// Drops a line most of which a better one covers.
fn once_each(lines: Vec<Line>) -> Vec<Line> {
    let mut kept: Vec<Line> = Vec::new();
    for line in lines {
        let covered = (0..24)
            .filter(|k| {
                let u = (f64::from(*k) + 0.5) / 24.0;
                let p: [f64; 2] = std::array::from_fn(|i| line.ends[0][i] + u * (line.ends[1][i] - line.ends[0][i]));
                kept.iter().any(|l| {
                    let (dx, dy) = (l.ends[1][0] - l.ends[0][0], l.ends[1][1] - l.ends[0][1]);
                    let n = dx.hypot(dy).max(1e-9);
                    let (ex, ey) = (p[0] - l.ends[0][0], p[1] - l.ends[0][1]);
                    let s = (ex * dx + ey * dy) / n;
                    let w = (ex * dy - ey * dx).abs() / n;
                    s > -4.0 && s < n + 4.0 && w < 5.0
                })
            })
            .count();
        if covered < 14 {
            kept.push(line);
        }
    }
    kept
}

/// Crossed pictures as one vector a coarse cell, for telling crystals apart.
struct Sides {
    planes: Vec<Array2<f32>>,
    /// Coarse cells per cell of the line search.
    ratio: f64,
    offset: f64,
}

impl Sides {
    fn of(light: &FieldLight, bin: usize) -> Self {
        let planes = light
            .crossed
            .par_iter()
            .flat_map_iter(|r| {
                let bright = {
                    let mut v: Vec<f32> = r[1].iter().step_by(11).copied().collect();
                    let at = v.len().saturating_sub(1) * 9 / 10;
                    if v.is_empty() { 1.0 } else { v.select_nth_unstable_by(at, f32::total_cmp).1.max(1e-4) }
                };
                r.iter().map(move |c| c.mapv(|v| (v / bright).max(0.0).sqrt().min(1.5)))
            })
            .collect();
        let ratio = bin as f64 / light.bin as f64;
        Self { planes, ratio, offset: (ratio - 1.0) / 2.0 }
    }

    /// Colours at a point given in cells of the line search.
    fn at(&self, p: [f64; 2]) -> Option<Vec<f32>> {
        self.planes
            .iter()
            .map(|a| sample(a, p[0] * self.ratio + self.offset, p[1] * self.ratio + self.offset))
            .collect()
    }
}

fn distance(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().max(1) as f32;
    (a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / n).sqrt()
}

/// Windows that crystals along a line are told in, cells.
const STEP: f64 = 6.0;
/// Windows that a line must be seen through for a crystal to count as crossed: some 40 µm.
const LEAST_WINDOWS: usize = 4;

/// Numbers the runs of alike colours; a single odd window does not part them.
fn runs(colours: &[Option<&[f32]>]) -> Vec<usize> {
    let mut number = 0;
    let mut mean: Option<(Vec<f32>, f32)> = None;
    let mut out = vec![0; colours.len()];
    let mut k = 0;
    while k < colours.len() {
        out[k] = number;
        if let Some(v) = colours[k] {
            match &mut mean {
                None => mean = Some((v.to_vec(), 1.0)),
                Some((m, count)) => {
                    if distance(m, v) <= ANOTHER {
                        *count = (*count + 1.0).min(6.0);
                        for (m, x) in m.iter_mut().zip(v) {
                            *m += (x - *m) / *count;
                        }
                    } else {
                        // Another crystal when the next window agrees that it is not the old one.
                        let next = colours.get(k + 1).copied().flatten();
                        if next.is_none_or(|w| distance(m, w) > ANOTHER) {
                            number += 1;
                            out[k] = number;
                            // The next window is clear of the border: it stands for the new crystal.
                            mean = Some((next.unwrap_or(v).to_vec(), 1.0));
                        }
                    }
                }
            }
        }
        k += 1;
    }
    out
}

/// Difference of crossed colours from which two places are two crystals.
const ANOTHER: f32 = 0.10;

impl Line {
    fn start(path: Path) -> Self {
        Self {
            ends: [[0.0; 2]; 2],
            length_um: 0.0,
            width_um: 0.0,
            depth: 0.0,
            evidence: path.evidence,
            strength: 0.0,
            fill: 0.0,
            roughness: 0.0,
            bow: 0.0,
            accompanied: 0.0,
            companied: 0.0,
            bounded: 0.0,
            crystals: 1.0,
            divides: 0.0,
            confidence: 0.0,
            path,
        }
    }

    fn measure(
        &mut self,
        light: &FieldLight,
        log: &Array2<f32>,
        basis: &RidgeBasis,
        sides: &Sides,
        bin: usize,
        hidden: &(dyn Fn(f64, f64) -> bool + Sync),
    ) {
        let path = self.path;
        let cell_um = light.um_per_px * bin as f64;
        let to_px = |v: f64| v * bin as f64 + (bin as f64 - 1.0) / 2.0;
        self.ends = path.ends.map(|s| path.at(s, 0.0).map(to_px));
        self.length_um = path.length() * cell_um;
        self.evidence = path.evidence;
        let [from, to] = path.ends;
        let span = (to - from).max(1.0);
        self.bow = path.bow() / span;

        let (mut sum, mut seen, mut n, mut covered) = (0.0, 0.0, 0.0_f64, 0.0);
        let mut across = [0.0_f64; 25];
        let mut s = from + 0.5;
        while s < to {
            if let Some(r) = path.response(basis, s, 0.0) {
                n += 1.0;
                let p = path.at(s, 0.0);
                if hidden(to_px(p[0]), to_px(p[1])) {
                    covered += 1.0;
                } else {
                    sum += r;
                    seen += f64::from(u8::from(r > BREAK_EVEN));
                }
                for (k, a) in across.iter_mut().enumerate() {
                    let q = path.at(s, (k as f64 - 12.0) * 0.5);
                    *a += f64::from(sample(log, q[0], q[1]).unwrap_or(0.0));
                }
            }
            s += 1.0;
        }
        let n = n.max(1.0);
        self.strength = sum / n;
        self.fill = seen / n;
        let flank = (across[0] + across[1] + across[2] + across[22] + across[23] + across[24]) / 6.0 / n;
        self.depth = (flank - across[11..=13].iter().fold(f64::INFINITY, |a, b| a.min(*b)) / n).max(0.0);
        let integral: f64 = across[5..=19].iter().map(|a| (flank - a / n).max(0.0) * 0.5).sum();
        // A cell's own width adds in quadrature.
        let equivalent = integral / self.depth.max(1e-4);
        self.width_um = (equivalent * equivalent - 0.8).max(0.16).sqrt() * cell_um;

        // Sideways scatter over short stretches, against the fitted path.
        let mut squares = Vec::new();
        let blocks = (span / 9.0).floor().max(1.0);
        for k in 0..blocks as usize {
            let a = from + k as f64 * span / blocks;
            if let Some((off, strength)) = block_peak(basis, &path, a, a + span / blocks, 2.5)
                && strength > 0.7
            {
                squares.push(off.abs());
            }
        }
        squares.sort_by(f64::total_cmp);
        self.roughness = if squares.len() < 4 { 0.6 } else { 1.48 * squares[squares.len() / 2] };

        self.neighbours(basis, sides);
        self.confidence = self.judge(covered / n);
        // Company only ever speaks against a line: not asked where it can no longer matter.
        if self.confidence > 0.3 {
            self.company(basis, COMPANY_UM / cell_um);
            self.confidence = self.judge(covered / n);
        }
    }

    /// Parallel lines beside it, window by window.
    fn company(&mut self, basis: &RidgeBasis, reach: f64) {
        let path = self.path;
        let [from, to] = path.ends;
        let windows = ((to - from) / WINDOW).round().max(1.0);
        let size = (to - from) / windows;
        let reach = reach.round() as i32;
        let (mut accompanied, mut companied) = (0.0, 0.0);
        for w in 0..windows as usize {
            let a = from + w as f64 * size;
            let mut profile = vec![0.0; 2 * reach as usize + 1];
            let mut n = 0.0;
            let mut s = a + 1.0;
            while s < a + size {
                for (k, p) in profile.iter_mut().enumerate() {
                    *p += path.response(basis, s, k as f64 - f64::from(reach)).unwrap_or(0.0);
                }
                n += 1.0;
                s += 2.0;
            }
            profile.iter_mut().for_each(|p| *p /= f64::max(n, 1.0));
            let middle = reach as usize;
            let own = profile[middle - 1..=middle + 1].iter().copied().fold(0.0, f64::max);
            let bar = (0.5 * own).max(0.3);
            let others = (1..profile.len() - 1)
                .filter(|k| k.abs_diff(middle) > 4)
                .filter(|k| profile[*k] > bar && profile[*k] >= profile[k - 1] && profile[*k] > profile[k + 1])
                .count();
            accompanied += f64::from(u8::from(others >= 2));
            companied += f64::from(u8::from(others >= 1));
        }
        self.companied = companied / windows;
        self.accompanied = accompanied / windows;
    }

    /// Crystals along it and across it, and whether it ends where they do.
    fn neighbours(&mut self, basis: &RidgeBasis, sides: &Sides) {
        let path = self.path;
        let [from, to] = path.ends;
        // Windows of a few cells, some beyond either end.
        let beyond = 5_usize;
        let count = ((to - from) / STEP).ceil().max(1.0) as usize + 2 * beyond;
        let place = |k: usize| from + (k as f64 - beyond as f64 + 0.5) * STEP;
        let look = |s: f64, side: f64| -> Option<Vec<f32>> {
            // Off the line, three places averaged against specks.
            let spots: Option<Vec<Vec<f32>>> = [4.0, 5.5, 7.0].iter().map(|o| sides.at(path.at(s, side * o))).collect();
            let spots = spots?;
            Some((0..spots[0].len()).map(|i| spots.iter().map(|v| v[i]).sum::<f32>() / 3.0).collect())
        };
        let seen: Vec<f64> = (0..count)
            .map(|k| {
                let s = place(k);
                [-2.0, 0.0, 2.0].iter().filter_map(|d| path.response(basis, s + d, 0.0)).sum::<f64>() / 3.0
            })
            .collect();
        let both: Vec<[Option<Vec<f32>>; 2]> =
            (0..count).map(|k| [look(place(k), 1.0), look(place(k), -1.0)]).collect();
        let inside = beyond..count - beyond;
        let (mut differ, mut n) = (0.0, 0.0);
        for pair in &both[inside.clone()] {
            if let [Some(l), Some(r)] = pair {
                n += 1.0;
                differ += f64::from(u8::from(distance(l, r) > ANOTHER));
            }
        }
        self.divides = if n > 0.0 { differ / n } else { 0.0 };
        let mut crossed = [0.0_f64; 2];
        let mut bounded = [[false; 2]; 2];
        for side in 0..2 {
            let run = runs(&both.iter().map(|p| p[side].as_deref()).collect::<Vec<_>>());
            let last = run.iter().copied().max().unwrap_or(0);
            for r in 0..=last {
                let within: Vec<usize> = inside.clone().filter(|k| run[*k] == r).collect();
                let strength = within.iter().map(|k| seen[*k]).sum::<f64>() / within.len().max(1) as f64;
                if within.len() >= LEAST_WINDOWS && strength > BREAK_EVEN {
                    crossed[side] += 1.0;
                }
            }
            // Another crystal a little beyond the end than a little before it.
            bounded[side] = [run[1] != run[beyond + 3], run[count - 2] != run[count - beyond - 4]];
        }
        self.crystals = crossed[0].min(crossed[1]).max(1.0);
        self.bounded = (0..2).map(|e| f64::from(u8::from(bounded[0][e] || bounded[1][e])) / 2.0).sum();
    }

    /// How sure, from cues that add up in log odds.
    fn judge(&self, covered: f64) -> f64 {
        let mut odds = -1.5;
        odds += 1.6 * (self.evidence / 45.0).ln().clamp(-1.5, 1.6);
        odds += 5.0 * (self.fill - 0.7);
        // Straight within a fraction of a cell; joints and boundaries wander.
        odds -= 5.0 * (self.roughness - 0.45).max(0.0);
        odds += 0.8 * (self.crystals.min(6.0) - 2.0);
        // Company is cleavage or lamellae, unless it crosses crystal after crystal.
        let company = if self.crystals >= 4.0 { 0.3 } else { 1.0 };
        odds -= 6.0 * company * (self.accompanied - 0.25).max(0.0);
        odds -= 8.0 * (self.divides - 0.6).max(0.0);
        odds -= 200.0 * (self.bow - 0.012).max(0.0);
        odds -= 4.0 * covered;
        // Within one crystal, and the more so where it ends with it, a line is the crystal's own.
        if self.crystals < 3.0 {
            let own = if self.crystals < 2.0 { 1.0 } else { 0.5 };
            let short = (480.0 / self.length_um.max(1.0)).min(1.5);
            odds -= own * short * (1.0 + 2.0 * self.bounded + 1.5 * self.companied);
        }
        // Wider than any scratch of the trade and black: a crack that opened, the edge of an opaque grain.
        odds -= 1.5 * ((self.width_um - 8.0) / 2.0).clamp(0.0, 3.0);
        1.0 / (1.0 + (-odds).exp())
    }
}
