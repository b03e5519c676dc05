//! What lies beside a line: which crystals it passes, and lines that keep it company.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::light_field::{FieldLight, sample};
use crate::section::ridge::RidgeBasis;
use crate::section::trace::{BREAK_EVEN, Path};

/// Crossed pictures as one vector a coarse cell, for telling crystals apart.
pub(crate) struct Sides {
    planes: Vec<Array2<f32>>,
    /// Coarse cells per cell of the line search.
    ratio: f64,
    offset: f64,
}

impl Sides {
    /// Of a field, for a line search on cells of `bin` pixels.
    pub(crate) fn of(light: &FieldLight, bin: usize) -> Self {
        let planes = light
            .crossed
            .par_iter()
            .zip(&light.levels.beside)
            .flat_map_iter(|(r, bright)| r.iter().map(move |c| c.mapv(|v| (v / bright).max(0.0).sqrt().min(1.5))))
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

/// Difference of crossed colours from which two places are two crystals, or two parts of a twin.
const ANOTHER: f32 = 0.10;
/// Difference of crossed colours up to which two places are parts of one crystal, however far apart.
const THE_SAME: f32 = 0.045;
/// Length of the windows that crystals along a line are told in, µm; at least [`LEAST_STEP`] cells of the line search.
const STEP_UM: f64 = 9.0;
/// See [`STEP_UM`].
const LEAST_STEP: f64 = 2.0;
/// Length from which a crystal counts as crossed, µm.
const LEAST_CROSSED_UM: f64 = 40.0;
/// Windows looked at beyond either end.
const BEYOND: usize = 5;
/// Places beside a line where its sides are looked at, µm; at least so many cells, so that the line itself is not seen.
const ASIDE: [(f64, f64); 3] = [(6.0, 3.0), (8.5, 4.0), (11.0, 5.0)];

fn distance(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().max(1) as f32;
    (a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / n).sqrt()
}

/// Crystals along a line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Crossed {
    /// Crystals that it crosses; the lamellae of a twin are one.
    pub(crate) crystals: f64,
    /// Evidence for the line outside the crystal that holds most of it.
    pub(crate) elsewhere: f64,
    /// The same outside the two crystals that hold most of it.
    pub(crate) farther: f64,
    /// Share of its ends where its crystal ends too; an end on the frame is none.
    pub(crate) bounded: f64,
    /// Share of its length where the two sides are different colours.
    pub(crate) divides: f64,
    /// Ends on the frame, 0..=2.
    pub(crate) cut: f64,
}

/// Which crystals a path passes; `cell_um` is the side of a cell of the line search.
pub(crate) fn crossed(path: &Path, basis: &RidgeBasis, sides: &Sides, cell_um: f64) -> Crossed {
    let [from, to] = path.ends;
    let step = (STEP_UM / cell_um).max(LEAST_STEP);
    let least_windows = (LEAST_CROSSED_UM / (step * cell_um)).round().max(3.0) as usize;
    let count = ((to - from) / step).ceil().max(1.0) as usize + 2 * BEYOND;
    let place = |k: usize| from + (k as f64 - BEYOND as f64 + 0.5) * step;
    let aside = ASIDE.map(|(um, cells)| (um / cell_um).max(cells));
    let look = |s: f64, side: f64| -> Option<Vec<f32>> {
        // Off the line, three places averaged against specks.
        let spots: Option<Vec<Vec<f32>>> = aside.iter().map(|o| sides.at(path.at(s, side * o))).collect();
        let spots = spots?;
        Some((0..spots[0].len()).map(|i| spots.iter().map(|v| v[i]).sum::<f32>() / 3.0).collect())
    };
    // Evidence within each window.
    let seen: Vec<f64> = (0..count)
        .map(|k| {
            let n = step.round().max(1.0);
            let places = (0..n as usize).map(|i| place(k) + (i as f64 + 0.5) / n * step - step / 2.0);
            let sum: f64 = places.filter_map(|s| path.response(basis, s, 0.0)).map(|r| r - BREAK_EVEN).sum();
            sum * step / n
        })
        .collect();
    let both: Vec<[Option<Vec<f32>>; 2]> = (0..count).map(|k| [look(place(k), 1.0), look(place(k), -1.0)]).collect();
    let inside = BEYOND..count - BEYOND;
    let (mut differ, mut n) = (0.0, 0.0);
    for pair in &both[inside.clone()] {
        if let [Some(l), Some(r)] = pair {
            n += 1.0;
            differ += f64::from(u8::from(distance(l, r) > ANOTHER));
        }
    }
    let mut found =
        Crossed { crystals: f64::INFINITY, elsewhere: f64::INFINITY, farther: f64::INFINITY, ..Crossed::default() };
    let mut bounded = [[false; 2]; 2];
    for side in 0..2 {
        let colours: Vec<Option<&[f32]>> = both.iter().map(|p| p[side].as_deref()).collect();
        let crystal = crystals_along(&colours);
        let last = crystal.iter().flatten().copied().max();
        let mut within: Vec<f64> = (0..last.map_or(0, |l| l + 1))
            .filter_map(|c| {
                let windows: Vec<usize> = inside.clone().filter(|k| crystal[*k] == Some(c)).collect();
                let evidence: f64 = windows.iter().map(|k| seen[*k]).sum();
                (windows.len() >= least_windows && evidence > 0.0).then_some(evidence)
            })
            .collect();
        within.sort_by(|a, b| b.total_cmp(a));
        found.crystals = found.crystals.min(within.len().max(1) as f64);
        found.elsewhere = found.elsewhere.min(within.iter().skip(1).sum());
        found.farther = found.farther.min(within.iter().skip(2).sum());
        let known = |at: std::ops::Range<usize>| at.filter_map(|k| crystal[k]).collect::<Vec<usize>>();
        let parted = |out: Vec<usize>, within: Vec<usize>| {
            !out.is_empty() && !within.is_empty() && out.iter().all(|o| !within.contains(o))
        };
        bounded[side] = [
            parted(known(0..BEYOND - 1), known(BEYOND + 1..(BEYOND + 5).min(count))),
            parted(known(count - BEYOND + 1..count), known((count - BEYOND).saturating_sub(5)..count - BEYOND - 1)),
        ];
    }
    let (rows, columns) = basis.scatter.dim();
    let on_frame = |s: f64| {
        let p = path.at(s, 0.0);
        p[0] < FRAME || p[1] < FRAME || p[0] > columns as f64 - 1.0 - FRAME || p[1] > rows as f64 - 1.0 - FRAME
    };
    let free: Vec<usize> = (0..2).filter(|e| !on_frame(path.ends[*e])).collect();
    found.cut = 2.0 - free.len() as f64;
    found.bounded = free.iter().map(|e| f64::from(u8::from(bounded[0][*e] || bounded[1][*e])) / 2.0).sum();
    found.divides = if n > 0.0 { differ / n } else { 0.0 };
    found
}

/// Distance from the frame within which an end may be the frame's, cells.
pub(crate) const FRAME: f64 = 8.0;

/// Windows after which a colour that comes back is another crystal's: lamellae are narrow, some 60 µm at most.
const RECURS: usize = 4;

/// Windows across which lamellae of the very same colour are of one crystal: some 130 µm.
const WIDE: usize = 14;
/// Root of the share of bright crystals' light under which a colour is out.
const OUT: f32 = 0.3;

/// Numbers the crystals along one side of a line; None where a window is of no lasting colour.
///
/// Colours that take turns are lamellae of one crystal: what recurs soon spans all that lies between.
fn crystals_along(colours: &[Option<&[f32]>]) -> Vec<Option<usize>> {
    let mut known: Vec<(Vec<f32>, f32)> = Vec::new();
    let of_window: Vec<Option<usize>> = colours
        .iter()
        .map(|colour| {
            let v = (*colour)?;
            let nearest = known
                .iter()
                .enumerate()
                .map(|(i, (mean, _))| (distance(mean, v), i))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .filter(|(d, _)| *d <= ANOTHER);
            let Some((_, i)) = nearest else {
                known.push((v.to_vec(), 1.0));
                return Some(known.len() - 1);
            };
            let (mean, count) = &mut known[i];
            *count = (*count + 1.0).min(12.0);
            for (m, x) in mean.iter_mut().zip(v) {
                *m += (x - *m) / *count;
            }
            Some(i)
        })
        .collect();
    // Where each colour is seen again and again: colour, first and last window, how often.
    let mut spans: Vec<(usize, usize, usize, usize)> = Vec::new();
    for (k, colour) in of_window.iter().enumerate() {
        let Some(c) = *colour else { continue };
        match spans.iter_mut().rev().find(|s| s.0 == c && k <= s.2 + RECURS) {
            Some(s) => (s.2, s.3) = (k, s.3 + 1),
            None => spans.push((c, k, k, 1)),
        }
    }
    // Windows on a border mix two colours: what is seen less than three times is no crystal's.
    spans.retain(|s| s.3 >= 3);
    let means: Vec<Vec<f32>> = spans
        .iter()
        .map(|s| {
            let seen: Vec<&[f32]> =
                (s.1..=s.2).filter(|k| of_window[*k] == Some(s.0)).filter_map(|k| colours[k]).collect();
            (0..seen[0].len()).map(|i| seen.iter().map(|v| v[i]).sum::<f32>() / seen.len() as f32).collect()
        })
        .collect();
    // The very same colour a little farther on: wide lamellae, or one crystal again. What is out at every angle is no
    // lamella but a pore or the like, and all of them look the same.
    let dark = |i: usize| means[i].iter().all(|v| *v < OUT);
    let reach: Vec<usize> = (0..spans.len())
        .map(|i| {
            let again = (0..spans.len())
                .filter(|j| spans[*j].1 <= spans[i].2 + WIDE && !dark(i) && distance(&means[i], &means[*j]) < THE_SAME);
            again.map(|j| spans[j].2).max().unwrap_or(spans[i].2).max(spans[i].2)
        })
        .collect();
    let mut order: Vec<usize> = (0..spans.len()).collect();
    order.sort_unstable_by_key(|i| spans[*i].1);
    let mut merged: Vec<(usize, usize)> = Vec::new();
    for i in order {
        match merged.last_mut() {
            // Touching by a window is a border that is crossed at a slant.
            Some(m) if spans[i].1 + 1 < m.1 => m.1 = m.1.max(reach[i]),
            _ => merged.push((spans[i].1, reach[i])),
        }
    }
    (0..colours.len())
        .map(|k| {
            let c = of_window[k]?;
            let span = spans.iter().find(|s| s.0 == c && s.1 <= k && k <= s.2)?;
            merged.iter().position(|m| span.1 >= m.0 && span.2 <= m.1)
        })
        .collect()
}

/// Lines beside a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Company {
    /// Share of its windows beside which two or more parallel lines run that are at least half as strong.
    pub(crate) accompanied: f64,
    /// Its mean response over that of the strongest line parallel to it over its whole length, 0.1 to 10.
    pub(crate) outstanding: f64,
    /// How many scatters its mean response lies above those of the lines parallel to it over its whole length.
    pub(crate) scatters: f64,
}

impl Company {
    /// A line that stands alone.
    pub(crate) const NONE: Self = Self { accompanied: 0.0, outstanding: 10.0, scatters: 15.0 };
}

/// Windows in which company is judged, cells.
const WINDOW: f64 = 32.0;

/// Parallel lines within `reach` cells of a path, window by window.
pub(crate) fn company(path: &Path, basis: &RidgeBasis, reach: f64) -> Company {
    let [from, to] = path.ends;
    let windows = ((to - from) / WINDOW).round().max(1.0);
    let size = (to - from) / windows;
    let reach = reach.round() as i32;
    let mut accompanied = 0.0;
    let mut whole = vec![0.0; 2 * reach as usize + 1];
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
        whole.iter_mut().zip(&profile).for_each(|(a, p)| *a += p / windows);
        let middle = reach as usize;
        let own = profile[middle - 1..=middle + 1].iter().copied().fold(0.0, f64::max);
        let peaks = |bar: f64| {
            (1..profile.len() - 1)
                .filter(|k| k.abs_diff(middle) > 4)
                .filter(|k| profile[*k] > bar && profile[*k] >= profile[k - 1] && profile[*k] > profile[k + 1])
                .count()
        };
        let others = peaks((0.5 * own).max(0.3));
        accompanied += f64::from(u8::from(others >= 2)) / windows;
    }
    let middle = reach as usize;
    let own = whole[middle - 1..=middle + 1].iter().copied().fold(0.0, f64::max);
    let others: Vec<f64> = (0..whole.len()).filter(|k| k.abs_diff(middle) > 5).map(|k| whole[k]).collect();
    let n = others.len().max(1) as f64;
    let mean = others.iter().sum::<f64>() / n;
    let scatter = (others.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / n).sqrt().max(0.02);
    let strongest = others.iter().copied().fold(0.05, f64::max);
    Company { accompanied, outstanding: (own / strongest).clamp(0.1, 10.0), scatters: (own - mean) / scatter }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn along(colours: &[f32]) -> Vec<Option<usize>> {
        let vectors: Vec<[f32; 1]> = colours.iter().map(|c| [*c]).collect();
        crystals_along(&vectors.iter().map(|v| Some(v.as_slice())).collect::<Vec<_>>())
    }

    #[test]
    fn lamellae_that_take_turns_are_one_crystal() {
        let found = along(&[0.2, 0.8, 0.2, 0.8, 0.8, 0.2, 0.8, 0.2]);
        assert!(found.iter().all(|c| *c == Some(0)), "{found:?}");
    }

    #[test]
    fn crystals_one_after_another_are_counted_and_their_border_is_not() {
        let found = along(&[0.2, 0.2, 0.2, 0.2, 0.55, 0.8, 0.8, 0.8, 0.4, 0.4, 0.41, 0.4]);
        assert_eq!(found[0], Some(0));
        assert_eq!(found[6], Some(1));
        assert_eq!(found[11], Some(2));
    }
}
