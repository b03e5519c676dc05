//! Phase correlation: where one picture lies on another, and how sure that is.
//!
//! The window stands still while the picture moves under it, so a shift comes out a few percent small: who needs a tenth
//! of a pixel moves the picture by what was found and correlates again.

use ndarray::{Array2, Axis};
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex32};

/// Highest frequency that counts, cycles per cell: a Gaussian of this width lets the lines through and not the noise.
const PASS: f32 = 0.13;

/// A found shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Peak {
    /// Where `other` shows what `base` shows at the origin: other(x + shift) = base(x), cells.
    pub(crate) shift: [f64; 2],
    /// Height over the mean of the correlation in units of its standard deviation.
    pub(crate) height: f64,
}

/// Fourier transform of a picture, windowed and without its mean; compare only those of one size.
#[derive(Clone, Debug)]
pub(crate) struct Spectrum {
    values: Array2<Complex32>,
}

impl Spectrum {
    /// Of a picture of any size; it is laid on a ground whose sides have small factors, on which transforms are quick.
    pub(crate) fn of(picture: &Array2<f32>) -> Self {
        let (h, w) = picture.dim();
        let (rows, columns) = (window(h), window(w));
        let total: f32 = rows.iter().sum::<f32>() * columns.iter().sum::<f32>();
        let weighted: f32 = picture.indexed_iter().map(|((y, x), v)| v * rows[y] * columns[x]).sum();
        let mean = weighted / total.max(f32::MIN_POSITIVE);
        let mut values = Array2::zeros((smooth(h), smooth(w)));
        for ((y, x), v) in picture.indexed_iter() {
            values[[y, x]] = Complex32::new((v - mean) * rows[y] * columns[x], 0.0);
        }
        transform(&mut values, false);
        Self { values }
    }

    /// Width and height of the ground that the picture was laid on, round which a correlation goes.
    pub(crate) fn size(&self) -> (usize, usize) {
        (self.values.ncols(), self.values.nrows())
    }

    /// Correlates `other` against this one and finds the highest peak within `reach` cells each way.
    ///
    /// # Panics
    /// When the two are not of one size.
    pub(crate) fn peak(&self, other: &Self, reach: f64) -> Peak {
        let (h, w) = self.values.dim();
        assert_eq!(other.values.dim(), (h, w), "pictures of one size");
        let mut product = Array2::zeros((h, w));
        for ((y, x), out) in product.indexed_iter_mut() {
            let cross = other.values[[y, x]] * self.values[[y, x]].conj();
            let (fy, fx) = (frequency(y, h), frequency(x, w));
            let pass = (-0.5 * (fx * fx + fy * fy) / (PASS * PASS)).exp();
            let norm = cross.norm();
            if norm > 0.0 {
                *out = cross * (pass / norm);
            }
        }
        transform(&mut product, true);
        let surface = product.mapv(|v| v.re);
        let n = surface.len() as f64;
        let mean = surface.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let variance = surface.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n;
        let mut best = (f32::NEG_INFINITY, 0, 0);
        for ((y, x), &v) in surface.indexed_iter() {
            if v > best.0 && signed(x, w).abs() <= reach && signed(y, h).abs() <= reach {
                best = (v, x, y);
            }
        }
        let (top, x, y) = best;
        let along_x = vertex(surface[[y, (x + w - 1) % w]], top, surface[[y, (x + 1) % w]]);
        let along_y = vertex(surface[[(y + h - 1) % h, x]], top, surface[[(y + 1) % h, x]]);
        Peak {
            shift: [signed(x, w) + along_x, signed(y, h) + along_y],
            height: (f64::from(top) - mean) / variance.sqrt().max(1e-12),
        }
    }
}

/// The next length with no factor above 5.
fn smooth(n: usize) -> usize {
    (n.max(1)..)
        .find(|&m| {
            let mut rest = m;
            for factor in [2, 3, 5] {
                while rest % factor == 0 {
                    rest /= factor;
                }
            }
            rest == 1
        })
        .unwrap_or(n)
}

/// Tapers to nothing over an eighth of the length at either end (Tukey).
fn window(n: usize) -> Vec<f32> {
    let taper = (n as f32 / 8.0).max(1.0);
    (0..n)
        .map(|i| {
            let from_edge = (i as f32 + 0.5).min(n as f32 - i as f32 - 0.5);
            if from_edge >= taper { 1.0 } else { 0.5 - 0.5 * (std::f32::consts::PI * from_edge / taper).cos() }
        })
        .collect()
}

fn signed(i: usize, n: usize) -> f64 {
    if i > n / 2 { i as f64 - n as f64 } else { i as f64 }
}

fn frequency(i: usize, n: usize) -> f32 {
    (signed(i, n) / n as f64) as f32
}

/// Top of the parabola through three values, from the middle one; the peak is a Gaussian, so in their logarithms
/// where all are positive.
fn vertex(left: f32, middle: f32, right: f32) -> f64 {
    let positive = left > 0.0 && middle > 0.0 && right > 0.0;
    let [l, m, r] = [left, middle, right].map(|v| f64::from(if positive { v.ln() } else { v }));
    let bend = l - 2.0 * m + r;
    if bend >= 0.0 { 0.0 } else { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) }
}

fn transform(values: &mut Array2<Complex32>, inverse: bool) {
    let mut planner = FftPlanner::new();
    for _ in 0..2 {
        let n = values.ncols();
        let fft = if inverse { planner.plan_fft_inverse(n) } else { planner.plan_fft_forward(n) };
        values.axis_iter_mut(Axis(0)).into_par_iter().for_each(|mut row| {
            if let Some(row) = row.as_slice_mut() {
                fft.process(row);
            }
        });
        *values = values.t().as_standard_layout().into_owned();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dots(shift: [f64; 2]) -> Array2<f32> {
        Array2::from_shape_fn((96, 128), |(y, x)| {
            (0..40)
                .map(|k| {
                    let (cx, cy) = (f64::from(k * 37 % 128) + shift[0], f64::from(k * 53 % 96) + shift[1]);
                    let r2 = (x as f64 - cx).powi(2) + (y as f64 - cy).powi(2);
                    (-r2 / 4.5).exp() as f32
                })
                .sum()
        })
    }

    #[test]
    fn a_shift_is_found_the_closer_the_smaller_it_is() {
        let base = Spectrum::of(&dots([0.0, 0.0]));
        for shift in [[0.0, 0.0], [3.3, -2.6], [-7.5, 4.2], [0.25, 11.8]] {
            let peak = base.peak(&Spectrum::of(&dots(shift)), 20.0);
            for c in 0..2 {
                let allowed = 0.05 + 0.04 * shift[c].abs();
                assert!((peak.shift[c] - shift[c]).abs() < allowed, "{shift:?} {peak:?}");
            }
            assert!(peak.height > 10.0);
        }
    }
}
