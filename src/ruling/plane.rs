//! The light of a photograph as one plane, coarser copies of it, and strips of it along any direction.

use crate::slide::Photograph;
use ndarray::Array2;
use rayon::prelude::*;

/// Step of a strip's samples across the lines, pixels: finer than the pixels are when seen at 45 degrees.
pub(crate) const STEP: f64 = 0.5;

/// Root of linear light: noise of light is even in it, and a line's middle stays where it is.
pub(crate) struct Plane {
    /// (rows, columns).
    pub(crate) root: Array2<f32>,
}

impl Plane {
    /// Of a photograph; green counts twice.
    pub(crate) fn of(photograph: &Photograph) -> Self {
        let (w, h) = (photograph.width, photograph.height);
        let mut root = Array2::<f32>::zeros((h, w));
        let rows = root.as_slice_mut().expect("standard layout");
        rows.par_chunks_mut(w.max(1)).enumerate().for_each(|(y, row)| {
            for (x, out) in row.iter_mut().enumerate() {
                let [r, g, b] = [0, 1, 2].map(|c| photograph.light(x, y, c));
                *out = (0.25 * r + 0.5 * g + 0.25 * b).max(0.0).sqrt();
            }
        });
        Self { root }
    }

    pub(crate) fn width(&self) -> usize {
        self.root.ncols()
    }

    pub(crate) fn height(&self) -> usize {
        self.root.nrows()
    }

    /// Half as fine: means of 2 by 2.
    pub(crate) fn halved(&self) -> Self {
        let (h, w) = (self.height() / 2, self.width() / 2);
        let a = &self.root;
        let root = Array2::from_shape_fn((h, w), |(y, x)| {
            0.25 * (a[[2 * y, 2 * x]] + a[[2 * y, 2 * x + 1]] + a[[2 * y + 1, 2 * x]] + a[[2 * y + 1, 2 * x + 1]])
        });
        Self { root }
    }

    /// Linear interpolation at a place; None outside.
    pub(crate) fn at(&self, x: f64, y: f64) -> Option<f32> {
        let (w, h) = (self.width(), self.height());
        if !(x >= 0.0 && y >= 0.0) || x > (w - 1) as f64 || y > (h - 1) as f64 {
            return None;
        }
        let (i, j) = ((x as usize).min(w - 2), (y as usize).min(h - 2));
        let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let a = &self.root;
        let top = a[[j, i]] + (a[[j, i + 1]] - a[[j, i]]) * fx;
        let below = a[[j + 1, i]] + (a[[j + 1, i + 1]] - a[[j + 1, i]]) * fx;
        Some(top + (below - top) * fy)
    }
}

/// A direction across the lines, with its origin in the middle of the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Frame {
    /// Angle of the normal of the lines, radians, from +x towards +y (down).
    pub(crate) angle: f64,
    /// Pixel that is u = v = 0.
    pub(crate) origin: [f64; 2],
}

impl Frame {
    /// Pixel at `u` across and `v` along the lines.
    pub(crate) fn pixel(&self, u: f64, v: f64) -> [f64; 2] {
        let (s, c) = self.angle.sin_cos();
        [self.origin[0] + u * c - v * s, self.origin[1] + u * s + v * c]
    }

    /// Place across and along the lines of a pixel.
    pub(crate) fn place(&self, x: f64, y: f64) -> [f64; 2] {
        let (s, c) = self.angle.sin_cos();
        let (dx, dy) = (x - self.origin[0], y - self.origin[1]);
        [dx * c + dy * s, -dx * s + dy * c]
    }
}

/// Part of a picture seen along a direction: a row a strip, a column each [`STEP`] across the lines.
///
/// What lies outside the picture is NaN.
pub(crate) struct Strips {
    pub(crate) frame: Frame,
    /// Place of the first column, pixels across the lines.
    pub(crate) u0: f64,
    /// Upper end of the first strip, pixels along the lines.
    pub(crate) v0: f64,
    /// Height of a strip, pixels.
    pub(crate) tall: usize,
    /// (strips, columns).
    pub(crate) light: Array2<f32>,
}

impl Strips {
    /// Means over strips `tall` pixels high, from (u0, v0) to (u1, v1).
    pub(crate) fn cut(plane: &Plane, frame: Frame, u: [f64; 2], v: [f64; 2], tall: usize) -> Self {
        // On whole steps, so that an upright scale is read where its pixels are.
        let u0 = (u[0] / STEP).floor() * STEP;
        let columns = (((u[1] - u0) / STEP).floor().max(0.0) as usize) + 1;
        let rows = ((v[1] - v[0]) / tall as f64).floor().max(1.0) as usize;
        let mut light = Array2::<f32>::zeros((rows, columns));
        let (s, c) = frame.angle.sin_cos();
        light.as_slice_mut().expect("standard layout").par_chunks_mut(columns).enumerate().for_each(|(row, out)| {
            let mut count = vec![0_u32; columns];
            for k in 0..tall {
                let along = v[0] + (row * tall + k) as f64 + 0.5;
                let [x0, y0] = frame.pixel(u0, along);
                for (i, (sum, n)) in out.iter_mut().zip(&mut count).enumerate() {
                    let d = i as f64 * STEP;
                    if let Some(value) = plane.at(x0 + d * c, y0 + d * s) {
                        *sum += value;
                        *n += 1;
                    }
                }
            }
            for (sum, n) in out.iter_mut().zip(count) {
                *sum = if 2 * n as usize >= tall { *sum / n as f32 } else { f32::NAN };
            }
        });
        Self { frame, u0, v0: v[0], tall, light }
    }

    /// The whole picture.
    pub(crate) fn whole(plane: &Plane, frame: Frame, tall: usize) -> Self {
        let (w, h) = (plane.width() as f64 - 1.0, plane.height() as f64 - 1.0);
        let corners = [[0.0, 0.0], [w, 0.0], [0.0, h], [w, h]].map(|[x, y]| frame.place(x, y));
        let span = |k: usize| {
            let of = corners.iter().map(|c| c[k]);
            [of.clone().fold(f64::MAX, f64::min), of.fold(f64::MIN, f64::max)]
        };
        Self::cut(plane, frame, span(0), span(1), tall)
    }

    pub(crate) fn count(&self) -> usize {
        self.light.nrows()
    }

    pub(crate) fn columns(&self) -> usize {
        self.light.ncols()
    }

    /// Middle of a strip, pixels along the lines.
    pub(crate) fn middle(&self, row: usize) -> f64 {
        self.v0 + (row as f64 + 0.5) * self.tall as f64
    }

    /// Column of a place across the lines.
    pub(crate) fn column(&self, u: f64) -> f64 {
        (u - self.u0) / STEP
    }

    /// Place across the lines of a column.
    pub(crate) fn place(&self, column: f64) -> f64 {
        self.u0 + column * STEP
    }

    /// A strip without its slow changes: the running mean over `width` pixels taken off. NaN stays NaN.
    pub(crate) fn flat(&self, row: usize, width: f64) -> Vec<f32> {
        flattened(self.light.row(row).to_slice().expect("standard layout"), (width / STEP).max(2.0))
    }
}

/// A line of samples less its running mean over `width` samples.
///
/// Where the known samples end the window stays as wide and moves no further: over a whole number of spacings the mean of even
/// lines is the same wherever it lies, and the lines at the ends are not pulled aside.
pub(crate) fn flattened(line: &[f32], width: f64) -> Vec<f32> {
    let n = line.len();
    let known = |i: &usize| line[*i].is_finite();
    let Some((first, last)) = (0..n).find(known).zip((0..n).rev().find(known)) else { return vec![f32::NAN; n] };
    let mut sums = vec![0.0_f64; n + 1];
    let mut counts = vec![0_u32; n + 1];
    for (i, v) in line.iter().enumerate() {
        let good = v.is_finite();
        sums[i + 1] = sums[i] + if good { f64::from(*v) } else { 0.0 };
        counts[i + 1] = counts[i] + u32::from(good);
    }
    // The running sum between fractional places, so that the window may be any number of periods.
    let at = |x: f64, of: &dyn Fn(usize) -> f64| {
        let i = (x as usize).min(n - 1);
        of(i) + (of(i + 1) - of(i)) * (x - i as f64)
    };
    let (begin, end) = (first as f64, last as f64 + 1.0);
    (0..n)
        .map(|i| {
            let lo = (i as f64 + 0.5 - width / 2.0).min(end - width).max(begin);
            let hi = (lo + width).min(end);
            let count = at(hi, &|k| f64::from(counts[k])) - at(lo, &|k| f64::from(counts[k]));
            let sum = at(hi, &|k| sums[k]) - at(lo, &|k| sums[k]);
            if count < 1.0 { f32::NAN } else { (f64::from(line[i]) - sum / count) as f32 }
        })
        .collect()
}
