//! Phase correlation: where one picture lies on another, and how sure that is.
//!
//! The window stands still while the picture moves under it, so a shift comes out a few percent small: who needs a tenth
//! of a pixel moves the picture by what was found and correlates again.

use std::sync::{LazyLock, Mutex, PoisonError};

use ndarray::ArrayView2;
use rayon::prelude::*;
use rustfft::{FftDirection, FftPlanner, num_complex::Complex32};

/// Highest frequency that counts, cycles per cell: a Gaussian of this width lets lines and outlines through and not the noise.
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
    /// A row for each horizontal frequency: transposed, as the transform leaves it.
    values: Vec<Complex32>,
    /// Width and height of the ground that the picture was laid on.
    size: (usize, usize),
}

impl Spectrum {
    /// Of a picture of any size; it is laid on a ground whose sides have small factors, on which transforms are quick.
    pub(crate) fn of(picture: &ArrayView2<'_, f32>) -> Self {
        let (h, w) = picture.dim();
        let (rows, columns) = (window(h), window(w));
        let total: f32 = rows.iter().sum::<f32>() * columns.iter().sum::<f32>();
        let along = |row: ndarray::ArrayView1<'_, f32>| row.iter().zip(&columns).map(|(v, c)| v * c).sum::<f32>();
        let weighted: f32 = picture.rows().into_iter().zip(&rows).map(|(row, r)| r * along(row)).sum();
        let mean = weighted / total.max(f32::MIN_POSITIVE);
        let (width, height) = (smooth(w), smooth(h));
        let mut values = vec![Complex32::default(); width * height];
        for ((out, row), r) in values.chunks_mut(width.max(1)).zip(picture.rows()).zip(&rows) {
            for ((out, v), c) in out.iter_mut().zip(row).zip(&columns) {
                out.re = (v - mean) * r * c;
            }
        }
        Self { values: transform(values, (width, height), FftDirection::Forward), size: (width, height) }
    }

    /// Width and height of the ground that the picture was laid on, round which a correlation goes.
    pub(crate) fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Correlates `other` against this one and finds the highest peak within `reach` cells each way.
    ///
    /// # Panics
    /// When the two are not of one size.
    pub(crate) fn peak(&self, other: &Self, reach: f64) -> Peak {
        let (w, h) = self.size;
        assert_eq!(other.size, (w, h), "pictures of one size");
        let pass = |n: usize| -> Vec<f32> {
            (0..n).map(|i| (-0.5 * frequency(i, n) * frequency(i, n) / (PASS * PASS)).exp()).collect()
        };
        let (pass_x, pass_y) = (pass(w), pass(h));
        let mut product = Vec::with_capacity(w * h);
        for ((base, other), px) in self.values.chunks(h).zip(other.values.chunks(h)).zip(&pass_x) {
            product.extend(base.iter().zip(other).zip(&pass_y).map(|((base, other), py)| {
                let cross = other * base.conj();
                let norm = cross.norm_sqr().sqrt();
                if norm > 0.0 { cross * (px * py / norm) } else { Complex32::default() }
            }));
        }
        let surface = transform(product, (h, w), FftDirection::Inverse);
        let n = surface.len() as f64;
        let (mut sum, mut squares) = (0.0, 0.0);
        for row in surface.chunks(w) {
            sum += row.iter().map(|v| f64::from(v.re)).sum::<f64>();
            squares += row.iter().map(|v| f64::from(v.re).powi(2)).sum::<f64>();
        }
        let mean = sum / n;
        let variance = (squares / n - mean * mean).max(0.0);
        let within = |n: usize| (0..n).filter(move |i| signed(*i, n).abs() <= reach);
        let mut best = (f32::NEG_INFINITY, 0, 0);
        for y in within(h) {
            for x in within(w) {
                let v = surface[y * w + x].re;
                if v > best.0 {
                    best = (v, x, y);
                }
            }
        }
        let (top, x, y) = best;
        let at = |x: usize, y: usize| surface[(y % h) * w + x % w].re;
        let along_x = vertex(at(x + w - 1, y), top, at(x + 1, y));
        let along_y = vertex(at(x, y + h - 1), top, at(x, y + 1));
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

/// Plans of transforms, made once for every length.
static PLANS: LazyLock<Mutex<FftPlanner<f32>>> = LazyLock::new(|| Mutex::new(FftPlanner::new()));

/// Transforms a picture of (width, height), row by row; what comes back is transposed.
fn transform(mut values: Vec<Complex32>, (width, height): (usize, usize), direction: FftDirection) -> Vec<Complex32> {
    let plan = |n: usize| PLANS.lock().unwrap_or_else(PoisonError::into_inner).plan_fft(n, direction);
    let along = |values: &mut [Complex32], n: usize| {
        let plan = plan(n);
        // Some rows at a time, so that the work space is not asked for each.
        values.par_chunks_mut(16 * n).for_each(|rows| plan.process(rows));
    };
    along(&mut values, width);
    let mut turned = vec![Complex32::default(); values.len()];
    transpose::transpose(&values, &mut turned, width, height);
    along(&mut turned, height);
    turned
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

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
        let base = Spectrum::of(&dots([0.0, 0.0]).view());
        for shift in [[0.0, 0.0], [3.3, -2.6], [-7.5, 4.2], [0.25, 11.8]] {
            let peak = base.peak(&Spectrum::of(&dots(shift).view()), 20.0);
            for c in 0..2 {
                let allowed = 0.05 + 0.04 * shift[c].abs();
                assert!((peak.shift[c] - shift[c]).abs() < allowed, "{shift:?} {peak:?}");
            }
            assert!(peak.height > 10.0);
        }
    }
}
