//! Straight dark courses that may be scratches, as plane light alone shows them.

use std::collections::VecDeque;

use ndarray::Array2;
use rayon::prelude::*;

use super::SHORTEST_UM;
use crate::section::cells::Between;
use crate::section::line_search::{LineSearch, STRETCH};
use crate::section::plane_light::{PlaneLight, in_proportion};
use crate::section::ridge::{LineField, RidgeBasis, direction};
use crate::section::trace::{BREAK_EVEN, Path, block_peak, follow, straight_evidence};

/// Mean response over a stretch that starts a trace.
const SEED: f32 = 0.58;
/// Most traces followed in a usual field; of a larger one more, see [`in_proportion`].
const MOST: usize = 800;
/// Evidence under which a trace is not kept.
const LEAST_EVIDENCE: f64 = 14.0;

/// A straight or gently bowed dark course, with what plane light shows along it. Lengths are in cells of the line search.
pub(crate) struct Straight {
    /// Where it runs.
    pub(super) path: Path,
    /// Response at every cell along it, from half a cell after its beginning on; NaN outside the picture.
    pub(super) responses: Vec<f64>,
    /// Depth at the middle, log units.
    pub(super) depth: f64,
    /// Width as depth integrated across over greatest depth, less the search's own blur.
    pub(super) width: f64,
    /// Scatter of its sideways place over short stretches.
    pub(super) roughness: f64,
}

/// Straight dark courses of one search, as plane light alone shows them.
pub(crate) fn followed(light: &PlaneLight, search: &LineSearch) -> Vec<Straight> {
    let LineSearch { basis, bin, .. } = search;
    let field = LineField::search(basis, STRETCH);
    let seeds = seeds(&field, basis);
    let mut taken = Footprint::new(search.log.dim());
    let mut kept: Vec<Path> = Vec::new();
    // Best first, a batch at a time: what a better trace has covered is not followed again.
    let mut queue: VecDeque<(usize, usize)> = seeds.into();
    let mut followed = 0;
    let most = in_proportion(MOST, light);
    while !queue.is_empty() && followed < most {
        let mut batch = Vec::new();
        let mut later = Vec::new();
        while batch.len() < 24 {
            let Some((x, y)) = queue.pop_front() else { break };
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
                    later.push((x, y));
                }
            }
        }
        // They come first in the next batch, unless this one covers them.
        later.into_iter().rev().for_each(|s| queue.push_front(s));
        followed += batch.len();
        let paths: Vec<Path> = batch.par_iter().filter_map(|(x, y)| follow(basis, &field, *x, *y)).collect();
        for path in paths {
            taken.mark(&path);
            if path.evidence > LEAST_EVIDENCE && path.length() * *bin as f64 * light.um_per_px > 0.6 * SHORTEST_UM {
                kept.push(path);
            }
        }
    }
    let mut paths = join(kept, basis);
    let cell_um = light.um_per_px * *bin as f64;
    paths.retain(|p| p.length() * cell_um >= SHORTEST_UM);
    paths.into_par_iter().map(|path| Straight::along(path, search)).collect()
}

/// Local maxima of the search, those on the line with the most evidence first: in a rock full of lamellae the short ones
/// would otherwise use up all the traces.
fn seeds(field: &LineField, basis: &RidgeBasis) -> Vec<(usize, usize)> {
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
                Some((straight_evidence(basis, field, x, y) as f32, x, y))
            })
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    found.into_iter().map(|(_, x, y)| (x, y)).collect()
}

/// What traces have covered already, with their direction.
struct Footprint {
    direction: Array2<u8>,
}

impl Footprint {
    fn new(dim: (usize, usize)) -> Self {
        Self { direction: Array2::from_elem(dim, u8::MAX) }
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
fn join(mut paths: Vec<Path>, basis: &RidgeBasis) -> Vec<Path> {
    paths.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let mut i = 0;
    while i < paths.len() {
        let mut j = i + 1;
        let mut grown = false;
        while j < paths.len() {
            if let Some(path) = joined(&paths[i], &paths[j], basis) {
                paths[i] = path;
                paths.remove(j);
                grown = true;
            } else {
                j += 1;
            }
        }
        if !grown {
            i += 1;
        }
    }
    paths
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

impl Straight {
    fn along(path: Path, LineSearch { log, basis, .. }: &LineSearch) -> Self {
        let [from, to] = path.ends;
        let span = (to - from).max(1.0);
        let log = Between::of(log);
        let mut responses = Vec::with_capacity(span as usize + 1);
        let mut n = 0.0_f64;
        let mut across = [0.0_f64; 25];
        let mut s = from + 0.5;
        while s < to {
            let response = path.response(basis, s, 0.0);
            if response.is_some() {
                n += 1.0;
                for (k, a) in across.iter_mut().enumerate() {
                    let q = path.at(s, (k as f64 - 12.0) * 0.5);
                    *a += f64::from(log.at(q[0], q[1]).unwrap_or(0.0));
                }
            }
            responses.push(response.unwrap_or(f64::NAN));
            s += 1.0;
        }
        let n = n.max(1.0);
        let flank = (across[0] + across[1] + across[2] + across[22] + across[23] + across[24]) / 6.0 / n;
        let depth = (flank - across[11..=13].iter().fold(f64::INFINITY, |a, b| a.min(*b)) / n).max(0.0);
        let integral: f64 = across[5..=19].iter().map(|a| (flank - a / n).max(0.0) * 0.5).sum();
        // A cell's own width adds in quadrature.
        let equivalent = integral / depth.max(1e-4);
        let width = (equivalent * equivalent - 0.8).max(0.16).sqrt();

        // Sideways scatter over short stretches, against the fitted path.
        let mut off = Vec::new();
        let blocks = (span / 9.0).floor().max(1.0);
        for k in 0..blocks as usize {
            let a = from + k as f64 * span / blocks;
            if let Some((sideways, strength)) = block_peak(basis, &path, a, a + span / blocks, 2.5)
                && strength > 0.7
            {
                off.push(sideways.abs());
            }
        }
        off.sort_by(f64::total_cmp);
        let roughness = if off.len() < 4 { 0.6 } else { 1.48 * off[off.len() / 2] };
        Self { path, responses, depth, width, roughness }
    }
}
