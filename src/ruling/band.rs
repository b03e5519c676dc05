//! From a place that may hold lines to the band that they fill: direction to a hundredth of a degree, rough spacing, and how far
//! the lines reach.

use super::plane::{Frame, Plane, STEP, Strips, flattened};
use super::refused::Refused;
use super::spectrum::{Seed, TILE, repeats, sharpness};

/// A band of lines, straightened: the lines stand upright in its strips.
pub(crate) struct Band {
    /// The whole picture along the lines.
    pub(crate) strips: Strips,
    /// First and last strip that the lines fill together, both included.
    pub(crate) rows: [usize; 2],
    /// Columns that were looked at first.
    pub(crate) window: [usize; 2],
    /// Rough spacing, pixels.
    pub(crate) pitch: f64,
    /// Light across the lines: the middle half of the strips' values, averaged; lines stand up, whichever way they shine.
    pub(crate) profile: Vec<f32>,
    /// -1 when the lines are dark, 1 when they are bright.
    pub(crate) sign: f32,
    /// How far the lines are from straight, pixels.
    pub(crate) crooked: f64,
}

/// Slow changes of the light are taken off by a mean over this many spacings.
pub(crate) const FLAT_OVER: f64 = 3.0;

/// Share of the strongest strip from which a strip is filled by the lines: where every second line is a longer one, half of it is left
/// beyond the short ones.
const FILLED: f64 = 0.58;

/// Direction and spacing within the tile of a seed, in the pixels of its level. None when nothing repeats in it.
fn in_tile(plane: &Plane, seed: &Seed) -> Option<(f64, f64)> {
    let scale = f64::from(1_u32 << seed.level);
    let origin = seed.centre.map(|c| (c + 0.5) / scale - 0.5);
    let half = 0.47 * TILE as f64;
    let tall = (2.0 * half) as usize;
    let of =
        |angle: f64, v: [f64; 2]| Strips::cut(plane, Frame { angle, origin }, [-half, half], v, (v[1] - v[0]) as usize);
    let mut angle = seed.angle;
    for (reach, step) in [(2.0_f64, 0.4_f64), (0.4, 0.1)] {
        let count = (reach / step).round() as i32;
        angle = (-count..=count)
            .map(|k| angle + (f64::from(k) * step).to_radians())
            .map(|a| (a, sharpness(&of(a, [-half, half]).light)))
            .max_by(|p, q| p.1.total_cmp(&q.1))?
            .0;
    }
    // Lines may be shorter than the tile.
    let third = tall as f64 / 3.0;
    [[-half, half], [-half, -half + third], [-third / 2.0, third / 2.0], [half - third, half]]
        .into_iter()
        .filter_map(|v| repeats(&flattened(of(angle, v).light.row(0).to_slice()?, 40.0 / STEP), 1.9 / STEP, f64::MAX))
        .max_by(|p, q| p.1.total_cmp(&q.1))
        .map(|(lag, _)| (angle, lag * STEP))
}

/// Where lines are followed from: a stretch of parallel lines whose direction and distance are roughly known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Start {
    /// Its middle is the origin.
    pub(crate) frame: Frame,
    /// Half of its size across the lines, pixels.
    pub(crate) across: f64,
    /// Where it begins and ends along the lines, pixels.
    pub(crate) along: [f64; 2],
    /// Distance from line to line, pixels.
    pub(crate) pitch: f64,
}

impl Start {
    /// From a seed; `levels` are the picture and its halvings.
    pub(crate) fn at(levels: &[Plane], seed: &Seed) -> Option<Self> {
        let (angle, local) = in_tile(&levels[seed.level as usize], seed)?;
        let scale = f64::from(1_u32 << seed.level);
        let half = 0.47 * TILE as f64 * scale;
        Some(Self {
            frame: Frame { angle, origin: seed.centre },
            across: half,
            along: [-half, half],
            pitch: local * scale,
        })
    }

    /// Straightens the picture along the lines and finds how far they reach.
    pub(crate) fn follow(&self, plane: &Plane) -> Result<Band, Refused> {
        let Self { mut frame, across, along, pitch } = *self;
        let tall = match pitch {
            p if p < 12.0 => 4,
            p if p < 100.0 => 8,
            _ => 16,
        };
        for _ in 0..3 {
            let local = Strips::cut(plane, frame, [-across, across], along, tall);
            let seen = Seen::of(&local, [0, local.columns() - 1], [0, local.count() - 1], pitch);
            frame.angle -= seen.lean(&local, pitch).atan();
        }
        // Once more over more of the lines' length, before the whole picture is straightened.
        let more = (along[1] - along[0]).max(60.0);
        let longer = [along[0] - more, along[1] + more];
        let local = Strips::cut(plane, frame, [-across, across], longer, tall);
        let row_at = |s: &Strips, v: f64| (((v - s.v0) / tall as f64).max(0.0) as usize).min(s.count() - 1);
        let seen = Seen::of(&local, [0, local.columns() - 1], along.map(|v| row_at(&local, v)), pitch);
        frame.angle -= seen.lean(&local, pitch).atan();
        if seen.rows[1] - seen.rows[0] < 2 {
            return Err(Refused::NothingRepeats);
        }
        let profile = flattened(&between(&local, seen.rows), FLAT_OVER * pitch / STEP);
        repeats(&profile, 0.7 * pitch / STEP, 1.5 * pitch / STEP).ok_or(Refused::NothingRepeats)?;

        let strips = Strips::whole(plane, frame, tall);
        let clamp = |u: f64| (strips.column(u).round().max(0.0) as usize).min(strips.columns() - 1);
        let window = [clamp(-across), clamp(across)];
        let seen = Seen::of(&strips, window, along.map(|v| row_at(&strips, v)), pitch);
        let crooked = seen.crooked(&strips, pitch);
        finish(strips, seen.rows, window, pitch, crooked)
    }
}

/// How much of the lines each strip shows.
struct Seen {
    flat: Vec<Vec<f32>>,
    reference: Vec<f64>,
    share: Vec<f64>,
    /// First and last strip that the lines fill.
    rows: [usize; 2],
}

impl Seen {
    /// By the mean of the strips from `rows[0]` to `rows[1]`, then by the mean of those that are like it.
    fn of(strips: &Strips, window: [usize; 2], from: [usize; 2], pitch: f64) -> Self {
        let flat: Vec<Vec<f32>> = (0..strips.count())
            .map(|r| {
                let line = strips.light.row(r);
                let part = &line.to_slice().expect("standard layout")[window[0]..=window[1]];
                let mut flat = flattened(part, FLAT_OVER * pitch / STEP);
                flat.iter_mut().for_each(|v| *v = if v.is_finite() { *v } else { 0.0 });
                flat
            })
            .collect();
        let mut of = Self { flat, reference: Vec::new(), share: Vec::new(), rows: from };
        for _ in 0..2 {
            of.reference = mean_of(&of.flat[of.rows[0]..=of.rows[1]]);
            let norm: f64 = of.reference.iter().map(|v| v * v).sum::<f64>().max(1e-30);
            of.share = of.flat.iter().map(|x| dot(x, &of.reference) / norm).collect();
            let smooth = threes(&of.share);
            let best = (from[0]..=from[1]).max_by(|a, b| smooth[*a].total_cmp(&smooth[*b])).unwrap_or(from[0]);
            of.rows = reach(&smooth, best, FILLED * smooth[best]);
        }
        of
    }

    /// Place along the lines of each strip that they fill, its shift across, and its weight.
    fn shifts(&self, strips: &Strips, pitch: f64) -> Vec<[f64; 3]> {
        let slope = derivative(&self.reference);
        let steep: f64 = slope.iter().map(|v| v * v).sum::<f64>().max(1e-30);
        (self.rows[0]..=self.rows[1])
            .filter(|r| self.share[*r] > 0.2)
            .map(|r| {
                let share = self.share[r];
                let both = self.flat[r].iter().zip(&self.reference).zip(&slope);
                let rest: f64 = both.map(|((x, t), d)| (f64::from(*x) - share * t) * d).sum();
                let shift = (-rest / (share * steep) * STEP).clamp(-pitch / 4.0, pitch / 4.0);
                [strips.middle(r), shift, share]
            })
            .collect()
    }

    /// How far the lines lean over in the strips: pixels across for a pixel along.
    fn lean(&self, strips: &Strips, pitch: f64) -> f64 {
        leaning(&self.shifts(strips, pitch))
    }

    /// How far the lines are from straight: usual shift of a strip, pixels.
    fn crooked(&self, strips: &Strips, pitch: f64) -> f64 {
        let points = self.shifts(strips, pitch);
        if points.len() < 3 {
            return 0.0;
        }
        let slope = leaning(&points);
        let median = |mut all: Vec<f64>| {
            all.sort_by(f64::total_cmp);
            all[all.len() / 2]
        };
        let rest: Vec<f64> = points.iter().map(|p| p[1] - slope * p[0]).collect();
        let middle = median(rest.clone());
        1.4826 * median(rest.iter().map(|r| (r - middle).abs()).collect())
    }
}

/// Means of three neighbours.
pub(crate) fn threes(values: &[f64]) -> Vec<f64> {
    (0..values.len())
        .map(|i| {
            let part = &values[i.saturating_sub(1)..(i + 2).min(values.len())];
            part.iter().sum::<f64>() / part.len() as f64
        })
        .collect()
}

fn finish(strips: Strips, rows: [usize; 2], window: [usize; 2], pitch: f64, crooked: f64) -> Result<Band, Refused> {
    if rows[1] - rows[0] < 2 {
        return Err(Refused::NothingRepeats);
    }
    let mut profile = flattened(&between(&strips, rows), FLAT_OVER * pitch / STEP);
    // Lines are the narrower of the two: the longer tail is theirs.
    let part: Vec<f64> =
        profile[window[0]..=window[1]].iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
    let mean = part.iter().sum::<f64>() / part.len().max(1) as f64;
    let skew: f64 = part.iter().map(|v| (v - mean).powi(3)).sum();
    let sign = if skew > 0.0 { 1.0 } else { -1.0 };
    profile.iter_mut().for_each(|v| *v *= sign);
    // The tile's own estimate is a few per mille off: all of its returns at full resolution tell it better.
    let again = repeats(&profile[window[0]..=window[1]], 0.7 * pitch / STEP, f64::MAX).map(|(lag, _)| lag * STEP);
    let pitch = again.filter(|p| (p / pitch - 1.0).abs() < 0.1).unwrap_or(pitch);
    Ok(Band { strips, rows, window, pitch, profile, sign, crooked })
}

/// Mean of the middle half of the values at each column: dust and digits on a few strips do not count.
pub(crate) fn between(strips: &Strips, rows: [usize; 2]) -> Vec<f32> {
    let mut values: Vec<f32> = Vec::with_capacity(rows[1] - rows[0] + 1);
    (0..strips.columns())
        .map(|i| {
            values.clear();
            values.extend((rows[0]..=rows[1]).map(|r| strips.light[[r, i]]).filter(|v| v.is_finite()));
            if 2 * values.len() <= rows[1] - rows[0] {
                return f32::NAN;
            }
            values.sort_by(f32::total_cmp);
            let cut = values.len() / 4;
            let kept = &values[cut..values.len() - cut];
            kept.iter().sum::<f32>() / kept.len() as f32
        })
        .collect()
}

fn mean_of(lines: &[Vec<f32>]) -> Vec<f64> {
    let mut mean = vec![0.0; lines[0].len()];
    for line in lines {
        for (m, v) in mean.iter_mut().zip(line) {
            *m += f64::from(*v) / lines.len() as f64;
        }
    }
    mean
}

fn derivative(line: &[f64]) -> Vec<f64> {
    let n = line.len();
    (0..n).map(|i| (line[(i + 1).min(n - 1)] - line[i.saturating_sub(1)]) / 2.0).collect()
}

fn dot(a: &[f32], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(p, q)| f64::from(*p) * q).sum()
}

/// Indices round `best` whose value stays above `least`; up to two below it in a row are passed over.
pub(crate) fn reach(values: &[f64], best: usize, least: f64) -> [usize; 2] {
    let (mut lo, mut hi) = (best, best);
    while let Some(next) = (1..=3).map_while(|k| lo.checked_sub(k)).find(|i| values[*i] > least) {
        lo = next;
    }
    while let Some(next) = (hi + 1..values.len()).take(3).find(|i| values[*i] > least) {
        hi = next;
    }
    [lo, hi]
}

/// Slope of shift over place, weighted; strips that lie far off are left out the second time.
fn leaning(points: &[[f64; 3]]) -> f64 {
    let mut kept: Vec<[f64; 3]> = points.to_vec();
    let mut slope = 0.0;
    for _ in 0..3 {
        if kept.len() < 3 {
            return 0.0;
        }
        let w: f64 = kept.iter().map(|p| p[2]).sum();
        let [mv, ms] = [0, 1].map(|k| kept.iter().map(|p| p[2] * p[k]).sum::<f64>() / w);
        let (mut vv, mut vs) = (0.0, 0.0);
        for p in &kept {
            vv += p[2] * (p[0] - mv).powi(2);
            vs += p[2] * (p[0] - mv) * (p[1] - ms);
        }
        slope = vs / vv.max(1e-12);
        let off = |p: &[f64; 3]| (p[1] - ms - slope * (p[0] - mv)).abs();
        let mut all: Vec<f64> = kept.iter().map(off).collect();
        all.sort_by(f64::total_cmp);
        let limit = (4.0 * all[all.len() / 2]).max(1e-6);
        kept.retain(|p| off(p) <= limit);
    }
    slope
}

/// How many spacings may make up one of the lines that show (common practice, no source).
const FINER: [f64; 4] = [2.0, 4.0, 5.0, 10.0];

impl Band {
    /// A place where the same direction holds finer lines, a whole number of which make up one distance: along the lines, and
    /// across from `u[0]` to `u[1]`. Short lines stand beside the far ends of long ones.
    ///
    /// `height` is that of the lines that are known: much fainter ones are noise.
    pub(crate) fn finer(&self, pitch: f64, height: f64, u: [f64; 2]) -> Option<Start> {
        let strips = &self.strips;
        let filled = self.rows[1] - self.rows[0] + 1;
        let from = self.rows[0].saturating_sub(3 * filled);
        let to = (self.rows[1] + 3 * filled).min(strips.count() - 1);
        let wide = (8.0 * pitch).max(120.0).min(u[1] - u[0]);
        let parts = ((u[1] - u[0]) / wide * 1.5).ceil().max(1.0) as usize;
        let mut best: Option<(f64, Start)> = None;
        for part in 0..parts {
            let shift = if parts > 1 { part as f64 / (parts - 1) as f64 } else { 0.0 };
            let begin = u[0] + (u[1] - u[0] - wide) * shift;
            let columns = [begin, begin + wide].map(|u| (strips.column(u).max(0.0) as usize).min(strips.columns() - 1));
            for tall in [2, 6] {
                for first in (from..=to.saturating_sub(tall - 1)).step_by(tall / 2) {
                    let rows = [first, first + tall - 1];
                    let Some((likeness, parts)) = self.finer_in(pitch, height, rows, columns) else { continue };
                    if best.is_none_or(|(l, _)| likeness > l) {
                        let (v0, v1) = (strips.middle(rows[0]), strips.middle(rows[1]));
                        let half = 0.5 * (v1 - v0 + strips.tall as f64);
                        let origin = strips.frame.pixel(begin + wide / 2.0, f64::midpoint(v0, v1));
                        let frame = Frame { angle: strips.frame.angle, origin };
                        let start = Start { frame, across: wide / 2.0, along: [-half, half], pitch: pitch / parts };
                        best = Some((likeness, start));
                    }
                }
            }
        }
        best.map(|b| b.1)
    }

    /// How alike finer lines are on some strips, and how many of their spacings make up `pitch`.
    fn finer_in(&self, pitch: f64, height: f64, rows: [usize; 2], columns: [usize; 2]) -> Option<(f64, f64)> {
        if columns[1] < columns[0] + 32 {
            return None;
        }
        let flat = |rows: [usize; 2]| flattened(&means(&self.strips, rows, columns), pitch / STEP);
        let line = flat(rows);
        let squares: Vec<f64> = line.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v).powi(2)).collect();
        let strength = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
        if strength < (0.06 * height).max(0.001) {
            return None;
        }
        let (lag, likeness) = repeats(&line, 2.2 / STEP, 1.2 * pitch / STEP)?;
        let times = pitch / (lag * STEP);
        let parts = FINER.into_iter().find(|w| (times / w - 1.0).abs() < 0.02)?;
        // Noise may repeat by chance, but not the same above and below.
        let half = f64::midpoint(rows[0] as f64, rows[1] as f64).ceil() as usize;
        let alike = correlation(&flat([rows[0], half - 1]), &flat([half, rows[1]]));
        (likeness > 0.35 && alike > 0.5).then_some((likeness, parts))
    }
}

/// Mean light of strips between two columns.
fn means(strips: &Strips, rows: [usize; 2], columns: [usize; 2]) -> Vec<f32> {
    (columns[0]..=columns[1])
        .map(|i| (rows[0]..=rows[1]).map(|r| strips.light[[r, i]]).sum::<f32>() / (rows[1] - rows[0] + 1) as f32)
        .collect()
}

/// Correlation of what is known in both.
fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let both: Vec<(f64, f64)> = a
        .iter()
        .zip(b)
        .filter(|(p, q)| p.is_finite() && q.is_finite())
        .map(|(p, q)| (f64::from(*p), f64::from(*q)))
        .collect();
    let n = both.len().max(1) as f64;
    let (ma, mb) = (both.iter().map(|v| v.0).sum::<f64>() / n, both.iter().map(|v| v.1).sum::<f64>() / n);
    let [mut ab, mut aa, mut bb] = [0.0; 3];
    for (p, q) in both {
        ab += (p - ma) * (q - mb);
        aa += (p - ma).powi(2);
        bb += (q - mb).powi(2);
    }
    ab / (aa * bb).sqrt().max(1e-30)
}
