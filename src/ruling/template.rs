//! The mean look of a line across, and where each line lies by it.

use super::plane::STEP;

/// Samples of a template per pixel.
const FINE: f64 = 4.0;

/// Mean light across a line, at [`FINE`] places a pixel; zero is its middle.
#[derive(Clone, Debug)]
pub(crate) struct Template {
    values: Vec<f64>,
    half: f64,
    /// Half-width that holds the line, pixels.
    pub(crate) window: f64,
}

/// A line found: its middle, and its depth and likeness against the template.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Found {
    /// Place across the lines, pixels.
    pub(crate) at: f64,
    /// Depth over that of the template.
    pub(crate) depth: f64,
    /// Correlation with the template.
    pub(crate) likeness: f64,
}

impl Template {
    /// Mean of a profile, whose first sample lies at `u0`, about these places, out to `half` pixels.
    pub(crate) fn fold(profile: &[f32], u0: f64, half: f64, lines: &[f64]) -> Self {
        let n = (2.0 * half * FINE).ceil() as usize + 1;
        let mut sums = vec![[0.0_f64; 2]; n];
        for at in lines {
            let first = ((at - half - u0) / STEP).ceil().max(0.0) as usize;
            let last = (((at + half - u0) / STEP).floor().max(0.0) as usize).min(profile.len().saturating_sub(1));
            for (i, v) in profile.iter().enumerate().take(last + 1).skip(first) {
                if !v.is_finite() {
                    continue;
                }
                let x = (u0 + i as f64 * STEP - at + half) * FINE;
                let (k, f) = (x as usize, x.fract());
                for (bin, w) in [(k, 1.0 - f), (k + 1, f)] {
                    if let Some(s) = sums.get_mut(bin) {
                        s[0] += w * f64::from(*v);
                        s[1] += w;
                    }
                }
            }
        }
        let raw: Vec<Option<f64>> = sums.iter().map(|s| (s[1] > 0.05).then(|| s[0] / s[1])).collect();
        let filled = fill(&raw);
        // A little smoothing: neighbouring samples lie two places apart.
        let values: Vec<f64> = (0..n)
            .map(|i| {
                let (a, b, c) = (filled[i.saturating_sub(1)], filled[i], filled[(i + 1).min(n - 1)]);
                0.25 * a + 0.5 * b + 0.25 * c
            })
            .collect();
        let mut template = Self { values, half, window: half };
        template.window = template.width();
        template
    }

    /// Half-width beyond which the line is less than a tenth of its height, and a pixel more; at most half a spacing.
    fn width(&self) -> f64 {
        let floor = self.floor();
        let peak = self.peak() - floor;
        let far = self
            .values
            .iter()
            .enumerate()
            .filter(|(_, v)| **v - floor > 0.15 * peak)
            .map(|(i, _)| (i as f64 / FINE - self.half).abs())
            .fold(0.0, f64::max);
        (far + 1.0).max(1.5).min(self.half)
    }

    /// Level between the lines.
    pub(crate) fn floor(&self) -> f64 {
        let mut sorted = self.values.clone();
        sorted.sort_by(f64::total_cmp);
        sorted[sorted.len() / 4]
    }

    /// Height of the line.
    pub(crate) fn peak(&self) -> f64 {
        self.values.iter().copied().fold(f64::MIN, f64::max)
    }

    /// Height of the line over the level between the lines.
    pub(crate) fn height(&self) -> f64 {
        self.peak() - self.floor()
    }

    /// Width at half height, pixels.
    pub(crate) fn full_width(&self) -> f64 {
        let half = self.floor() + 0.5 * self.height();
        self.values.iter().filter(|v| **v > half).count() as f64 / FINE
    }

    /// Place of the highest value, pixels from zero.
    pub(crate) fn tallest(&self) -> f64 {
        let top = (0..self.values.len()).max_by(|a, b| self.values[*a].total_cmp(&self.values[*b])).unwrap_or(0);
        top as f64 / FINE - self.half
    }

    fn at(&self, d: f64) -> f64 {
        let x = ((d + self.half) * FINE).clamp(0.0, (self.values.len() - 1) as f64);
        let i = (x as usize).min(self.values.len() - 2);
        self.values[i] + (self.values[i + 1] - self.values[i]) * (x - i as f64)
    }

    /// Depth and likeness of a line at `at`, with the sum of squares that is left: a level of its own when there is room for one.
    fn fit(&self, profile: &[f32], u0: f64, at: f64) -> Option<(f64, f64, f64, f64)> {
        let first = ((at - self.window - u0) / STEP).ceil();
        let last = ((at + self.window - u0) / STEP).floor();
        if first < 0.0 || last as usize >= profile.len() || last - first < 3.0 {
            return None;
        }
        let own_level = self.window > 3.0;
        let (mut n, mut x, mut t, mut xx, mut tt, mut xt) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for (i, v) in profile.iter().enumerate().take(last as usize + 1).skip(first as usize) {
            if !v.is_finite() {
                return None;
            }
            let (v, k) = (f64::from(*v), self.at(u0 + i as f64 * STEP - at));
            n += 1.0;
            x += v;
            t += k;
            xx += v * v;
            tt += k * k;
            xt += v * k;
        }
        if own_level {
            xx -= x * x / n;
            tt -= t * t / n;
            xt -= x * t / n;
        }
        let level = if own_level { x / n } else { 0.0 };
        let depth = xt / tt.max(1e-30);
        let likeness = xt / (xx * tt).sqrt().max(1e-30);
        Some((depth, likeness, xx - depth * xt, level - if own_level { depth * t / n } else { 0.0 }))
    }

    /// The line nearest to where it is expected, at most `range` pixels off.
    pub(crate) fn find(&self, profile: &[f32], u0: f64, expected: f64, range: f64) -> Option<Found> {
        let steps = (range / 0.25).ceil().max(1.0) as i32;
        let step = range / f64::from(steps);
        let (mut at, _) = (-steps..=steps)
            .filter_map(|k| {
                let at = expected + f64::from(k) * step;
                let (depth, likeness, ..) = self.fit(profile, u0, at)?;
                (depth > 0.0).then_some((at, likeness * depth.min(1.5)))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        // Gauss-Newton on place, depth and level.
        for _ in 0..6 {
            let (depth, _, _, level) = self.fit(profile, u0, at)?;
            if depth <= 0.0 {
                return None;
            }
            let first = ((at - self.window - u0) / STEP).ceil() as usize;
            let last = ((at + self.window - u0) / STEP).floor() as usize;
            let own_level = self.window > 3.0;
            let mut rows: Vec<[f64; 4]> = Vec::with_capacity(last - first + 1);
            for (i, v) in profile.iter().enumerate().take(last + 1).skip(first) {
                let d = u0 + i as f64 * STEP - at;
                let slope = (self.at(d + 0.25) - self.at(d - 0.25)) / 0.5;
                let t = self.at(d);
                rows.push([-depth * slope, t, 1.0, f64::from(*v) - depth * t - if own_level { level } else { 0.0 }]);
            }
            let shift = first_of_fit(&rows, if own_level { 3 } else { 2 })?.clamp(-0.5, 0.5);
            at += shift;
            if (at - expected).abs() > range + 0.5 {
                return None;
            }
            if shift.abs() < 1e-4 {
                break;
            }
        }
        let (depth, likeness, ..) = self.fit(profile, u0, at)?;
        ((at - expected).abs() <= range + 0.25).then_some(Found { at, depth, likeness })
    }

    /// Depth of a line at a fixed place in a line of samples; None where samples are missing.
    pub(crate) fn depth(&self, profile: &[f32], u0: f64, at: f64) -> Option<f64> {
        self.fit(profile, u0, at).map(|f| f.0)
    }
}

/// First unknown of a least-squares fit with two or three unknowns; the last entry of each row is what is fitted.
fn first_of_fit(rows: &[[f64; 4]], unknowns: usize) -> Option<f64> {
    let mut normal = nalgebra::DMatrix::<f64>::zeros(unknowns, unknowns);
    let mut right = nalgebra::DVector::<f64>::zeros(unknowns);
    for row in rows {
        for i in 0..unknowns {
            right[i] += row[i] * row[3];
            for j in 0..unknowns {
                normal[(i, j)] += row[i] * row[j];
            }
        }
    }
    normal.lu().solve(&right).map(|x| x[0])
}

fn fill(raw: &[Option<f64>]) -> Vec<f64> {
    let known: Vec<(usize, f64)> = raw.iter().enumerate().filter_map(|(i, v)| v.map(|v| (i, v))).collect();
    (0..raw.len())
        .map(|i| {
            let after = known.partition_point(|k| k.0 < i);
            match (after.checked_sub(1).map(|k| known[k]), known.get(after).copied()) {
                (_, Some((j, v))) if j == i => v,
                (Some((a, va)), Some((b, vb))) => va + (vb - va) * (i - a) as f64 / (b - a) as f64,
                (Some((_, v)), None) | (None, Some((_, v))) => v,
                (None, None) => 0.0,
            }
        })
        .collect()
}
