//! What is seen along a course that may be a thread.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::section::beside::{ANOTHER, crystals_along, distance};
use crate::section::cells::median;
use crate::section::fibres::course::{Course, STEP};
use crate::section::fibres::profile::{Profile, WINDOW};
use crate::section::line_search::LineSearch;
use crate::section::plane_light::PlaneLight;
use crate::section::sides::Sides;
use crate::section::trace::BREAK_EVEN;

/// A line that may be a thread, with what was seen along it.
#[derive(Clone, Debug)]
pub struct Thread {
    /// Its course from end to end, pixels.
    pub course_px: Vec<[f64; 2]>,
    /// Length along it, µm (at the scale used).
    pub length_um: f64,
    /// Width from edge to edge at half depth, µm.
    pub width_um: f64,
    /// Middle depth over its windows, log units.
    pub depth: f64,
    /// Scatter of the depth from window to window, share of the depth.
    pub unevenness: f64,
    /// Sum of (response - break-even), cells.
    pub evidence: f64,
    /// Mean response, local scatters.
    pub strength: f64,
    /// Share of its length where it is seen.
    pub fill: f64,
    /// Scatter of its sideways place about a smooth course, cells.
    pub roughness: f64,
    /// Root mean square of the change of direction from one six cells to the next, radians.
    pub kinks: f64,
    /// Greatest distance from its chord, share of the chord.
    pub bow: f64,
    /// It comes back to where it began.
    pub closed: bool,
    /// Difference of plane light between its two sides, share of the depth.
    pub step: f64,
    /// Share of its length where its two sides are different colours between crossed polars.
    pub divides: f64,
    /// Crystals along it.
    pub crystals: f64,
    /// Share of its length outside the crystal that holds most of it.
    pub elsewhere: f64,
    /// Share of its length that lets no light through.
    pub black: f64,
    /// How much browner it is than its sides in plane light: blue over green, log units.
    pub brown: f64,
    /// It was seen on the broad cells.
    pub broad: bool,
    /// Lower third of how much brighter than both of its sides it is between crossed polars, at its brightest angle; roots of light.
    pub shine: f64,
    /// Mean response over that of the strongest line parallel to it.
    pub outstanding: f64,
    /// Share of its length that something else explains (a bubble's rim, ink).
    pub covered: f64,
    /// How sure that it is a thread, 0..=1.
    pub confidence: f64,
}

/// Points averaged on either side of one, for the smooth course.
const SMOOTH: usize = 3;
/// Sideways places where parallel lines are looked for, cells on either side.
const COMPANY: [f64; 7] = [4.5, 6.0, 7.5, 9.0, 10.5, 12.0, 14.0];
/// Confidence from what plane light shows from which the crystals along it are asked.
const CONSIDERED: f64 = 0.01;
/// Places beside the edge of a thread where its sides are looked at, µm; at least so many cells from its middle.
const ASIDE: [(f64, f64); 3] = [(4.0, 2.5), (7.0, 3.5), (10.0, 4.5)];

/// Side of a cell from which a search is a broad one, µm.
const BROAD_FROM_UM: f64 = 6.5;

/// How much browner the middle of a course is than its sides: the middle of its points.
fn brownness(course: &Course, width_cells: f64, light: &PlaneLight, search: &LineSearch) -> f64 {
    let blue = |p: [f64; 2]| light.tint_at(1, p.map(|v| search.px(v)));
    let aside = 0.5 * width_cells + 2.0;
    let browner = (0..course.points.len()).step_by(2).filter_map(|i| {
        let (p, t) = (course.points[i], course.tangent(i));
        let beside = |o: f64| blue([p[0] - o * t[1], p[1] + o * t[0]]);
        Some(0.5 * (beside(aside)? + beside(-aside)?) - blue(p)?)
    });
    median(&mut Vec::from_iter(browner))
}

/// Median and 1.48 times the median distance from it.
fn spread(v: &[f64]) -> (f64, f64) {
    let middle = median(&mut v.to_vec());
    (middle, 1.48 * median(&mut Vec::from_iter(v.iter().map(|x| (x - middle).abs()))))
}

impl Thread {
    pub(super) fn measure(
        course: Course,
        light: &PlaneLight,
        search: &LineSearch,
        sides: Sides<'_>,
        hidden: &(dyn Fn(f64, f64) -> bool + Sync),
    ) -> Self {
        let (course, roughness) = on_its_crest(course, search);
        let cell_um = light.um_per_px * search.bin as f64;
        let n = course.points.len();
        let frames: Vec<([f64; 2], [f64; 2])> = (0..n)
            .map(|i| {
                let t = course.tangent(i);
                (t, [-t[1], t[0]])
            })
            .collect();
        let to = |i: usize, off: f64| {
            let (p, (_, across)) = (course.points[i], frames[i]);
            [p[0] + off * across[0], p[1] + off * across[1]]
        };
        let response = |i: usize, off: f64| {
            let p = to(i, off);
            search.basis.response(p[0], p[1], frames[i].0).map_or(0.0, f64::from)
        };
        let own: Vec<f64> = (0..n).map(|i| response(i, 0.0)).collect();
        let covered = course.points.iter().filter(|p| hidden(search.px(p[0]), search.px(p[1]))).count();
        let profile = Profile::along(n, search, to);
        let (depth, scatter) = spread(&profile.depths);
        let mut thread = Self {
            length_um: course.length() * cell_um,
            width_um: profile.width_cells * cell_um,
            depth,
            unevenness: (scatter / depth.max(0.02)).min(3.0),
            evidence: own.iter().map(|r| STEP * (r - BREAK_EVEN)).sum(),
            strength: own.iter().sum::<f64>() / n.max(1) as f64,
            fill: own.iter().filter(|r| **r > BREAK_EVEN).count() as f64 / n.max(1) as f64,
            roughness,
            kinks: 0.0,
            bow: 0.0,
            closed: course.closed,
            step: profile.step / (depth.max(0.0) + 0.05),
            divides: 0.0,
            crystals: 1.0,
            elsewhere: 0.0,
            black: profile.black,
            brown: brownness(&course, profile.width_cells, light, search),
            broad: cell_um > BROAD_FROM_UM,
            shine: 0.0,
            outstanding: 1.0,
            covered: covered as f64 / n.max(1) as f64,
            confidence: 0.0,
            course_px: course.points.iter().map(|p| p.map(|v| search.px(v))).collect(),
        };
        thread.bends(&course);
        let others = COMPANY.iter().flat_map(|o| [*o, -o]).map(|o| {
            let whole = profile.width_cells.max(2.0) - 2.0 + o.abs();
            (0..n).map(|i| response(i, whole * o.signum())).sum::<f64>() / n.max(1) as f64
        });
        thread.outstanding = (thread.strength / others.fold(0.05, f64::max)).clamp(0.1, 10.0);
        thread.confidence = thread.odds().probability();
        if thread.confidence > CONSIDERED {
            let edge = 0.5 * profile.width_cells;
            let aside = ASIDE.map(|(um, cells)| (edge + um / cell_um).max(cells));
            thread.crystals_beside(n, aside, sides, to);
            thread.confidence = thread.odds().probability();
        }
        thread
    }

    /// How it bends.
    fn bends(&mut self, course: &Course) {
        let p = &course.points;
        // From one stretch to the next, and how that changes: an arc has none of it.
        let turns: Vec<f64> = (3..p.len().saturating_sub(3)).map(|i| course.turn(i)).collect();
        let changes: Vec<f64> = (3..turns.len()).map(|i| (turns[i] - turns[i - 3]).powi(2)).collect();
        self.kinks = (changes.iter().sum::<f64>() / changes.len().max(1) as f64).sqrt();
        let (a, b) = (p[0], p[p.len() - 1]);
        let chord = (b[0] - a[0]).hypot(b[1] - a[1]).max(1.0);
        let off = |q: &[f64; 2]| ((q[0] - a[0]) * (b[1] - a[1]) - (q[1] - a[1]) * (b[0] - a[0])).abs() / chord;
        self.bow = p.iter().map(off).fold(0.0, f64::max) / chord;
    }

    /// What lies on both sides between crossed polars, and whether the thread itself shines.
    fn crystals_beside(&mut self, n: usize, aside: [f64; 3], sides: Sides<'_>, to: impl Fn(usize, f64) -> [f64; 2]) {
        let mean = |spots: &[Vec<f32>]| -> Option<Vec<f32>> {
            let first = spots.first()?;
            Some((0..first.len()).map(|k| spots.iter().map(|s| s[k]).sum::<f32>() / spots.len() as f32).collect())
        };
        let (mut differ, mut seen) = (0.0, 0.0_f64);
        let mut palettes = Vec::with_capacity(n.div_ceil(2));
        let mut shines = Vec::new();
        for i in (0..n).step_by(2) {
            let look =
                |side: f64| -> Vec<Vec<f32>> { aside.iter().filter_map(|o| sides.at(to(i, side * o))).collect() };
            let (left, right) = (look(1.0), look(-1.0));
            if let (Some(l), Some(r)) = (mean(&left), mean(&right)) {
                seen += 1.0;
                differ += f64::from(u8::from(distance(&l, &r) > ANOTHER));
                if let Some(own) = sides.at(to(i, 0.0)).filter(|own| own.len() >= 3) {
                    let over = (0..own.len() / 3)
                        .map(|x| (3 * x..3 * x + 3).map(|k| f64::from(own[k] - l[k].max(r[k]))).sum::<f64>() / 3.0);
                    shines.push(over.fold(f64::NEG_INFINITY, f64::max));
                }
            }
            palettes.push(left.into_iter().chain(right).collect());
        }
        self.divides = if seen > 0.0 { differ / seen } else { 0.0 };
        shines.sort_by(f64::total_cmp);
        self.shine = shines.get(shines.len() / 3).map_or(0.0, |s| s.clamp(-0.5, 0.8));
        let along = crystals_along(&palettes);
        let mut lengths: BTreeMap<Option<usize>, usize> = BTreeMap::new();
        for c in &along {
            *lengths.entry(*c).or_insert(0) += 1;
        }
        let restless = lengths.remove(&None).unwrap_or(0);
        let whole: Vec<usize> = lengths.values().copied().filter(|l| *l >= 4).collect();
        let most = whole.iter().copied().max().unwrap_or(0);
        // Where no colour lasts there are many small crystals.
        self.crystals = (whole.len() as f64 + (restless as f64 / 6.0).floor().min(2.0)).max(1.0);
        self.elsewhere = 1.0 - most as f64 / along.len().max(1) as f64;
    }
}

/// Windows whose middle depth a part is compared with.
const REFERENCE: usize = 6;
/// Ratio of a window's depth to that of its part, logarithm: up to the first it is the same line, from the second it is another.
const ALIKE: [f64; 2] = [0.4, 0.8];
/// Turn over twelve cells from which a line has a corner, radians.
const CORNER: f64 = 0.55;

/// Parts of a course along which it is one line: about as dark from window to window and without a corner. Where a thread meets a
/// border or a scratch the course may run on along that.
pub(super) fn steady_parts(course: Course, search: &LineSearch, shortest: f64) -> Vec<Course> {
    let (course, _) = on_its_crest(course, search);
    let n = course.points.len();
    let to = |i: usize, off: f64| {
        let (p, t) = (course.points[i], course.tangent(i));
        [p[0] - off * t[1], p[1] + off * t[0]]
    };
    let depths = Profile::along(n, search, to).depths;
    let corner = |w: usize| (w * WINDOW..((w + 1) * WINDOW).min(n)).any(|i| course.turn(i).abs() > CORNER);
    let corners: Vec<bool> = (0..depths.len()).map(corner).collect();
    let least = (shortest / (STEP * WINDOW as f64)).floor().max(2.0) as usize;
    let mut out = Vec::new();
    let mut open: Vec<Range<usize>> = std::iter::once(0..depths.len()).collect();
    while let Some(range) = open.pop() {
        if range.len() < least {
            continue;
        }
        let mut best = (0.0, range.start..range.start);
        for start in range.clone().step_by(REFERENCE / 2) {
            let block = start..(start + REFERENCE).min(range.end);
            let reference = median(&mut depths[block].to_vec());
            if reference < LEAST_DEPTH {
                continue;
            }
            // The run of windows with the greatest sum.
            let (mut sum, mut from) = (0.0, range.start);
            for w in range.clone() {
                let ratio = (depths[w].max(1e-3) / reference).ln().abs();
                sum += if corners[w] {
                    -4.0
                } else if ratio < ALIKE[0] {
                    1.0
                } else if ratio < ALIKE[1] {
                    0.0
                } else {
                    -1.5
                };
                if sum <= 0.0 {
                    (sum, from) = (0.0, w + 1);
                } else if sum > best.0 {
                    best = (sum, from..w + 1);
                }
            }
        }
        let (_, found) = best;
        if found.is_empty() {
            continue;
        }
        if found.len() >= least {
            let last = if found.end == depths.len() { n } else { found.end * WINDOW };
            out.push(course.part(found.start * WINDOW..last.min(n)));
        }
        open.push(range.start..found.start);
        open.push(found.end..range.end);
    }
    out
}

/// Depth under which a window shows no line, log units.
const LEAST_DEPTH: f64 = 0.015;

/// Moves a course onto the crest of the line and smooths it; also how much the crest scatters about the smooth course, cells.
fn on_its_crest(course: Course, search: &LineSearch) -> (Course, f64) {
    let n = course.points.len();
    const OFFS: [f64; 5] = [-1.5, -0.75, 0.0, 0.75, 1.5];
    let smooth = |v: &dyn Fn(usize) -> f64, i: usize| {
        let (a, b) = (i.saturating_sub(SMOOTH), (i + SMOOTH).min(n - 1));
        // As far one way as the other, so that ends do not move.
        let reach = (i - a).min(b - i);
        (i - reach..=i + reach).map(v).sum::<f64>() / (2 * reach + 1) as f64
    };
    let points: Vec<[f64; 2]> = (0..n).map(|i| [0, 1].map(|k| smooth(&|j| course.points[j][k], i))).collect();
    let course = Course { points, ..course };
    let peaks: Vec<f64> = (0..n)
        .map(|i| {
            let (p, t) = (course.points[i], course.tangent(i));
            let at = OFFS.map(|o| {
                search.basis.response(p[0] - o * t[1], p[1] + o * t[0], t).map_or(f64::NEG_INFINITY, f64::from)
            });
            let best = (0..OFFS.len()).max_by(|a, b| at[*a].total_cmp(&at[*b])).unwrap_or(2);
            let bend = if (1..4).contains(&best) { at[best - 1] - 2.0 * at[best] + at[best + 1] } else { 0.0 };
            let shift = if bend < -1e-6 { (0.5 * (at[best - 1] - at[best + 1]) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            OFFS[best] + 0.75 * shift
        })
        .collect();
    let even: Vec<f64> = (0..n).map(|i| smooth(&|j| peaks[j], i)).collect();
    let roughness = 1.48 * median(&mut Vec::from_iter(peaks.iter().zip(&even).map(|(p, e)| (p - e).abs())));
    let points = (0..n)
        .map(|i| {
            let (p, t) = (course.points[i], course.tangent(i));
            [p[0] - even[i] * t[1], p[1] + even[i] * t[0]]
        })
        .collect();
    (Course { points, ..course }, roughness)
}
