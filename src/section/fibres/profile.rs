//! Plane light across a course, window by window: how dark the line is, how wide, and what lies on either side.

use crate::section::cells::sample;
use crate::section::line_search::LineSearch;

/// Points in a window of depth.
pub(super) const WINDOW: usize = 4;
/// Half of the profile across, cells, and its spacing.
const PROFILE: (f64, f64) = (12.0, 0.5);

/// Plane light across a course.
pub(super) struct Profile {
    /// Depth of each window, log units.
    pub(super) depths: Vec<f64>,
    /// Width from edge to edge at half of the greatest depth, less the cell's own, cells.
    pub(super) width_cells: f64,
    /// Mean difference of the two sides, log units.
    pub(super) step: f64,
    /// Share of the windows that let no light through.
    pub(super) black: f64,
}

/// Log transmission under which a window lets no light through: a tenth. Fibres are transparent.
const OPAQUE: f64 = -2.3;

impl Profile {
    /// Of a course of `n` points; `to` gives the place, cells, so many cells beside a point.
    pub(super) fn along(n: usize, search: &LineSearch, to: impl Fn(usize, f64) -> [f64; 2]) -> Self {
        let (half, spacing) = PROFILE;
        let count = (2.0 * half / spacing) as usize + 1;
        let middle = count / 2;
        let off = |k: usize| k as f64 * spacing - half;
        let mut whole = vec![0.0; count];
        let (mut depths, mut steps, mut black) = (Vec::new(), Vec::new(), 0.0);
        let windows = (n / WINDOW).max(1);
        let mut rows = Vec::with_capacity(windows);
        for w in 0..windows {
            let mut row = vec![0.0; count];
            let members = w * WINDOW..((w + 1) * WINDOW).min(n);
            let m = members.len().max(1) as f64;
            for i in members {
                for (k, v) in row.iter_mut().enumerate() {
                    let p = to(i, off(k));
                    *v += f64::from(sample(&search.log, p[0], p[1]).unwrap_or(0.0)) / m;
                }
            }
            whole.iter_mut().zip(&row).for_each(|(a, v)| *a += v / windows as f64);
            rows.push(row);
        }
        let within = |row: &[f64], from: f64, to: f64| {
            let v: Vec<f64> = (0..count).filter(|k| off(*k) >= from && off(*k) <= to).map(|k| row[k]).collect();
            v.iter().sum::<f64>() / v.len().max(1) as f64
        };
        // The width first: its flanks lie outside it.
        let level = 0.5 * (within(&whole, -half, -half + 4.0) + within(&whole, half - 4.0, half));
        let drop = |k: usize| (level - whole[k]).max(0.0);
        let reach = (7.0 / spacing) as usize;
        let greatest = (middle - reach..=middle + reach).map(drop).fold(0.0, f64::max);
        let edge = |way: isize| {
            // The farthest place in reach that is half as dark as the darkest, without a gap of full light before it.
            let (mut last, mut k, mut gap) = (middle, middle as isize, 0);
            while (k - middle as isize).unsigned_abs() < reach {
                k += way;
                let here = k as usize;
                if drop(here) >= 0.5 * greatest {
                    (last, gap) = (here, 0);
                } else if drop(here) < 0.15 * greatest {
                    gap += 1;
                    if gap > 2 {
                        break;
                    }
                }
            }
            off(last).abs() + 0.25
        };
        let width = edge(1) + edge(-1);
        let width_cells = (width * width - 1.5).max(0.3).sqrt();
        let flank = (0.5 * width + 1.5).clamp(3.0, half - 3.0);
        for row in &rows {
            let (l, r) = (within(row, -flank - 2.5, -flank), within(row, flank, flank + 2.5));
            let inner = (0.5 * width).clamp(0.75, 4.0);
            let own = (0..count).filter(|k| off(*k).abs() <= inner).map(|k| row[k]).fold(f64::INFINITY, f64::min);
            depths.push(0.5 * (l + r) - own);
            steps.push((l - r).abs());
            black += f64::from(u8::from(own < OPAQUE)) / rows.len() as f64;
        }
        Self { depths, width_cells, step: steps.iter().sum::<f64>() / steps.len().max(1) as f64, black }
    }
}
