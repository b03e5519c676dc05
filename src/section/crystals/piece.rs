//! One clean patch with its mean colour, its extinction and its looks.

use ndarray::Array2;

use super::Crystal;
use super::joining::merged;
use crate::section::extinction::{ExtinctionPlanes, Separation};
use crate::section::reach::KEPT;

/// A piece narrower than this, cells, and [`LAMELLA_LENGTH`] times as long as wide is shaped like a twin lamella.
const LAMELLA_WIDTH: f64 = 9.0;
/// See [`LAMELLA_WIDTH`].
const LAMELLA_LENGTH: f64 = 2.5;

/// A connected clean patch.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    pub(crate) label: u32,
    pub(crate) crystal: Crystal,
    /// Colour c summed over channels.
    pub(super) brightness: f64,
    pub(super) colour: [f64; 3],
    /// Extinction phase 4φ, as cosine and sine; zeros where it is not known.
    pub(super) phase: [f64; 2],
    /// Direction of its long axis, radians.
    pub(super) axis: f64,
    /// Narrow and long.
    pub(super) lamella: bool,
}

impl Piece {
    /// One piece of parts that were measured each by itself: means by area, its shape that of the largest part.
    ///
    /// # Panics
    /// When there are no parts.
    pub(crate) fn of_parts(parts: &[&Self]) -> Self {
        let area = |p: &Self| p.crystal.area_px;
        let largest = parts.iter().max_by(|a, b| area(a).total_cmp(&area(b))).expect("a piece has a part");
        let total: f64 = parts.iter().map(|p| area(p)).sum();
        let mean = |f: &dyn Fn(&Self) -> f64| parts.iter().map(|p| f(p) * area(p) / total).sum::<f64>();
        let phase = [0, 1].map(|k| mean(&|p| p.phase[k]));
        let length = phase[0].hypot(phase[1]).max(1e-12);
        Self {
            crystal: merged(parts.iter().map(|p| &p.crystal)),
            brightness: mean(&|p| p.brightness),
            colour: std::array::from_fn(|c| mean(&|p| p.colour[c])),
            phase: phase.map(|p| p / length),
            ..(*largest).clone()
        }
    }

    /// Measures the patch of these cells (indices row by row into the planes, at least one): shares of plane light, places in pixels.
    pub(crate) fn measure(planes: &ExtinctionPlanes, label: u32, cells: &[u32]) -> Self {
        let columns = planes.dim().1;
        fn of(plane: &Array2<f32>) -> &[f32] {
            plane.as_slice().expect("standard layout")
        }
        let terms_of = planes.terms.each_ref().map(|channels| channels.each_ref().map(of));
        let plane_of = planes.plane.rgb.each_ref().map(of);
        let flat = |p: &[f32], i: u32| f64::from(p[i as usize]);
        let cell_colour = |i: u32| -> [f64; 3] {
            let terms: [[f64; 3]; 3] = std::array::from_fn(|c| std::array::from_fn(|k| flat(terms_of[k][c], i)));
            let phase = unit(&terms);
            std::array::from_fn(|c| planes.design.colour(terms[c], phase))
        };
        let colours: Vec<[f64; 3]> = cells.iter().map(|i| cell_colour(*i)).collect();
        let mut brightness: Vec<(f64, usize)> =
            colours.iter().map(|c| c.iter().sum::<f64>()).enumerate().map(|(k, b)| (b, k)).collect();
        brightness.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The middle 70 % by brightness: pits, specks and seams at the edge fall out on both sides.
        let trim = brightness.len() * 15 / 100;
        let kept = &brightness[trim..brightness.len() - trim];
        let n = kept.len() as f64;
        let kept_cells: Vec<u32> = kept.iter().map(|(_, k)| cells[*k]).collect();
        // Three planes at a time: each sum waits for its own last addition only.
        let means = |planes: [&[f32]; 3]| {
            let mut sums = [0.0; 3];
            for i in &kept_cells {
                sums.iter_mut().zip(planes).for_each(|(sum, plane)| *sum += flat(plane, *i));
            }
            sums.map(|sum| sum / n)
        };
        let ratio: Vec<[f64; 3]> = planes.ratio.iter().map(|r| means(r.each_ref().map(of))).collect();
        let terms_by = terms_of.map(means);
        let terms: [[f64; 3]; 3] = std::array::from_fn(|c| std::array::from_fn(|k| terms_by[k][c]));
        let phase = unit(&terms);
        let of_mean: f64 = (0..3).map(|c| planes.design.colour(terms[c], phase)).sum();
        let colour: [f64; 3] = {
            let mut sum = [0.0; 3];
            for (_, k) in kept {
                for (sum, c) in sum.iter_mut().zip(colours[*k]) {
                    *sum += c / n;
                }
            }
            sum
        };
        let mean_of: f64 = colour.iter().sum();
        let logs: Vec<f64> = kept.iter().map(|(b, _)| b.max(1e-4).ln()).collect();
        let plane_logs: Vec<f64> = cells.iter().map(|i| flat(plane_of[1], *i).max(1e-3).ln()).collect();
        let share = |flags: &Array2<u16>, bit: u16| {
            let flags = flags.as_slice().expect("standard layout");
            cells.iter().filter(|i| flags[**i as usize] & bit != 0).count() as f64 / cells.len() as f64
        };
        let clipped = (0..planes.ratio.len()).map(|a| share(&planes.clipped, 1 << a.min(KEPT - 1))).collect();
        let unseen =
            (0..planes.ratio.len()).map(|a| if a < KEPT { share(&planes.beyond, 1 << a) } else { 0.0 }).collect();
        let (axis, length, width) = shape(cells, columns);
        let plane_gradient = gradient(plane_of[1], columns, cells);
        let log = |c: usize, i: u32| flat(plane_of[c], i).max(1e-3).ln();
        let looks = [
            median(cells.iter().map(|i| log(0, *i) - log(1, *i)).collect()),
            median(plane_logs.clone()),
            median(cells.iter().map(|i| log(2, *i) - log(1, *i)).collect()),
        ];
        let plane_mottle = median(plane_logs.iter().map(|l| (l - looks[1]).abs()).collect());
        let b = planes.bin as f64;
        let at = |v: f64| b * v + (b - 1.0) / 2.0;
        let crystal = Crystal {
            x_px: at(cells.iter().map(|i| (*i as usize % columns) as f64).sum::<f64>() / cells.len() as f64),
            y_px: at(cells.iter().map(|i| (*i as usize / columns) as f64).sum::<f64>() / cells.len() as f64),
            area_px: cells.len() as f64 * b * b,
            ratio,
            clipped,
            unseen,
            plane: means(plane_of),
            coherence: if planes.design.separation == Separation::Full {
                (of_mean / mean_of).clamp(0.0, 1.0)
            } else {
                1.0
            },
            scatter: deviation(&logs),
            looks,
            plane_mottle,
            plane_gradient,
            long_axis: [(2.0 * axis).cos(), (2.0 * axis).sin()].map(|c| c * (1.0 - width / length)),
            wholeness: (cells.len() as f64 / (0.25 * std::f64::consts::PI * length * width)).min(1.0),
            cells: kept.len(),
            twinned: false,
            cut_by_frame: false,
            alike: 0,
            alike_cells: kept.len(),
            colourless: 0.5,
            quartz: 0.5,
            parts: vec![label],
        };
        let phase = if planes.design.separation == Separation::Full { phase } else { [0.0, 0.0] };
        let lamella = width < LAMELLA_WIDTH && length > LAMELLA_LENGTH * width;
        Self { label, crystal, brightness: mean_of, colour, phase, axis, lamella }
    }

    /// The same where its window lies in the field: `origin` is the window's upper left corner.
    pub(crate) fn moved(mut self, origin: [f64; 2]) -> Self {
        self.crystal.x_px += origin[0];
        self.crystal.y_px += origin[1];
        self
    }

    /// Same colour within what dirt does to it.
    pub(super) fn same_colour(&self, other: &Self) -> bool {
        (0..3).all(|c| {
            let (a, b) = (self.colour[c], other.colour[c]);
            (a - b).abs() < 0.05 * (a.abs() + b.abs()) / 2.0 + 0.008
        })
    }

    /// Cosine of the difference of 4φ.
    pub(super) fn phase_agreement(&self, other: &Self) -> f64 {
        self.phase[0] * other.phase[0] + self.phase[1] * other.phase[1]
    }
}

/// Means over cells of the second moments xx, yy and xy of the change of log light from the neighbour on one side to that on the other.
fn gradient(plane: &[f32], columns: usize, cells: &[u32]) -> [f64; 3] {
    let log = |i: usize| plane[i].max(1e-3).ln();
    let mut sum = [0.0; 3];
    for i in cells {
        let i = *i as usize;
        // Clean cells keep off the frame.
        let [x, y] = [log(i + 1) - log(i - 1), log(i + columns) - log(i - columns)].map(f64::from);
        sum.iter_mut().zip([x * x, y * y, x * y]).for_each(|(sum, product)| *sum += product);
    }
    sum.map(|s| s / cells.len() as f64)
}

/// Direction of the long axis (radians), length and width (cells) of the ellipse with the same second moments.
fn shape(cells: &[u32], columns: usize) -> (f64, f64, f64) {
    let n = cells.len() as f64;
    let at = |i: &u32| ((*i as usize % columns) as f64, (*i as usize / columns) as f64);
    let (sx, sy) = cells.iter().map(at).fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let (mx, my) = (sx / n, sy / n);
    let (mut xx, mut yy, mut xy) = (1.0 / 12.0, 1.0 / 12.0, 0.0);
    for (x, y) in cells.iter().map(at) {
        xx += (x - mx).powi(2) / n;
        yy += (y - my).powi(2) / n;
        xy += (x - mx) * (y - my) / n;
    }
    let root = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
    let axis = 0.5 * (2.0 * xy).atan2(xx - yy);
    (axis, 4.0 * ((xx + yy + root) / 2.0).sqrt(), 4.0 * ((xx + yy - root) / 2.0).max(0.0).sqrt())
}

/// Cosine and sine of the phase of all channels' summed extinction term.
pub(super) fn unit(terms: &[[f64; 3]; 3]) -> [f64; 2] {
    let (x, y) = terms.iter().fold((0.0, 0.0), |(x, y), t| (x + t[1], y + t[2]));
    let length = x.hypot(y).max(1e-12);
    [x / length, y / length]
}

fn median(mut values: Vec<f64>) -> f64 {
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

fn deviation(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light that grows by e^s from cell to cell changes by 2s from one neighbour to the other, however bright it is.
    #[test]
    fn second_moments_of_a_slope_are_those_of_its_gradient() {
        let (columns, rows, slope) = (20, 16, [0.03_f64, -0.01]);
        let light = |i: usize| 0.7 * (slope[0] * (i % columns) as f64 + slope[1] * (i / columns) as f64).exp();
        let plane: Vec<f32> = (0..columns * rows).map(|i| light(i) as f32).collect();
        let inside: Vec<u32> =
            (0..plane.len() as u32).filter(|i| (2..18).contains(&(i % 20)) && (2..14).contains(&(i / 20))).collect();
        let found = gradient(&plane, columns, &inside);
        let [x, y] = slope.map(|s| 2.0 * s);
        for (found, expected) in found.into_iter().zip([x * x, y * y, x * y]) {
            assert!((found - expected).abs() < 1e-6, "{found} {expected}");
        }
    }
}
