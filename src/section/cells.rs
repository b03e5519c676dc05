//! Planes of cells: means over squares, and values between cells.

use ndarray::Array2;
use rayon::prelude::*;

use crate::vectors::{Wide, wide};

/// Mean over `by` by `by` cells; an incomplete last row or column is dropped.
#[must_use]
pub fn shrink(a: &Array2<f32>, by: usize) -> Array2<f32> {
    if by == 1 {
        return a.clone();
    }
    let (height, width) = a.dim();
    let (rows, columns) = (height / by, width / by);
    let mut out = Array2::<f32>::zeros((rows, columns));
    let source = a.as_slice().expect("standard layout");
    let scale = 1.0 / (by * by) as f32;
    out.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(j, row)| {
        for k in 0..by {
            let line = &source[(j * by + k) * width..];
            for (x, out) in row.iter_mut().enumerate() {
                *out += line[x * by..x * by + by].iter().sum::<f32>() * scale;
            }
        }
    });
    out
}

/// Mean over a square of side 2·reach + 1, truncated at the frame.
#[must_use]
pub fn box_mean(a: &Array2<f32>, reach: usize) -> Array2<f32> {
    let (rows, columns) = a.dim();
    let mut across = Array2::<f32>::zeros((rows, columns));
    let source = a.as_slice().expect("standard layout");
    let some = columns.max(1) * LANES;
    let made = across.as_slice_mut().expect("standard layout").par_chunks_mut(some);
    made.zip(source.par_chunks(some)).for_each(|(out, lines)| {
        if out.len() == some {
            wide(RunningMeans::<LANES> { lines, columns, reach, out });
        } else {
            for (out, lines) in out.chunks_mut(columns).zip(lines.chunks(columns)) {
                wide(RunningMeans::<1> { lines, columns, reach, out });
            }
        }
    });
    // Down the columns, a band of columns at a time so that rows stay in cache.
    let mut out = Array2::<f32>::zeros((rows, columns));
    let across = across.as_slice().expect("standard layout");
    let bands = rayon::current_num_threads().max(1);
    let band = rows.div_ceil(bands).max(1);
    out.as_slice_mut()
        .expect("standard layout")
        .par_chunks_mut(band * columns.max(1))
        .enumerate()
        .for_each(|(b, out)| wide(MeansDown { across, rows, columns, reach, first: b * band, out }));
    out
}

/// Rows that are gone along side by side, so that each waits for its own last sum only.
const LANES: usize = 8;

/// Means along rows over 2·reach + 1 cells, truncated at the frame.
struct RunningMeans<'a, const N: usize> {
    /// As many rows.
    lines: &'a [f32],
    columns: usize,
    reach: usize,
    out: &'a mut [f32],
}

impl<const N: usize> Wide for RunningMeans<'_, N> {
    #[inline(always)]
    fn run(self) {
        let Self { lines, columns, reach, out } = self;
        let line: [&[f32]; N] = std::array::from_fn(|k| &lines[k * columns..(k + 1) * columns]);
        let mut sums = [0.0_f64; N];
        for x in 0..reach.min(columns) {
            sums.iter_mut().zip(&line).for_each(|(sum, line)| *sum += f64::from(line[x]));
        }
        for x in 0..columns {
            if x + reach < columns {
                sums.iter_mut().zip(&line).for_each(|(sum, line)| *sum += f64::from(line[x + reach]));
            }
            if x > reach {
                sums.iter_mut().zip(&line).for_each(|(sum, line)| *sum -= f64::from(line[x - reach - 1]));
            }
            let n = ((x + reach).min(columns - 1) + 1 - x.saturating_sub(reach)) as f64;
            let means = sums.map(|sum| (sum / n) as f32);
            for (k, mean) in means.into_iter().enumerate() {
                out[k * columns + x] = mean;
            }
        }
    }
}

/// Means down the columns over 2·reach + 1 rows, truncated at the frame, of the rows from `first` on.
struct MeansDown<'a> {
    across: &'a [f32],
    rows: usize,
    columns: usize,
    reach: usize,
    first: usize,
    out: &'a mut [f32],
}

impl Wide for MeansDown<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { across, rows, columns, reach, first, out } = self;
        let line = |y: usize| &across[y * columns..(y + 1) * columns];
        let mut sums = vec![0.0_f64; columns];
        for y in first.saturating_sub(reach)..(first + reach).min(rows) {
            sums.iter_mut().zip(line(y)).for_each(|(s, v)| *s += f64::from(*v));
        }
        for (k, row) in out.chunks_mut(columns.max(1)).enumerate() {
            let y = first + k;
            if y + reach < rows {
                sums.iter_mut().zip(line(y + reach)).for_each(|(s, v)| *s += f64::from(*v));
            }
            if k > 0 && y > reach {
                sums.iter_mut().zip(line(y - reach - 1)).for_each(|(s, v)| *s -= f64::from(*v));
            }
            let n = ((y + reach).min(rows - 1) + 1 - y.saturating_sub(reach)) as f64;
            row.iter_mut().zip(&sums).for_each(|(o, s)| *o = (*s / n) as f32);
        }
    }
}

/// The middle one of some numbers, of an even number the upper one; 0 of none. They lose their order.
pub(crate) fn median(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let at = v.len() / 2;
    *v.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Bilinear value at (x, y) in cells of `a`; None outside.
#[must_use]
pub fn sample(a: &Array2<f32>, x: f64, y: f64) -> Option<f32> {
    Between::of(a).at(x, y)
}

/// Values between the cells of a plane.
#[derive(Clone, Copy)]
pub(crate) struct Between<'a> {
    cells: &'a [f32],
    rows: usize,
    columns: usize,
}

impl<'a> Between<'a> {
    pub(crate) fn of(a: &'a Array2<f32>) -> Self {
        let (rows, columns) = a.dim();
        Self { cells: a.as_slice().expect("standard layout"), rows, columns }
    }

    /// Bilinear values at (x + i·dx, y + i·dy) in cells for i from 0 on; NaN outside.
    pub(crate) fn along(&self, [x, y]: [f64; 2], [dx, dy]: [f64; 2], out: &mut [f32]) {
        let Self { cells, rows, columns } = *self;
        let last = out.len().saturating_sub(1) as f64;
        let within = |from: f64, step: f64, cells: usize| {
            let (a, b) = (from, from + last * step);
            // Half a cell clear of the frame, where rounding does not matter.
            a.min(b) >= 0.5 && a.max(b) <= cells as f64 - 1.5
        };
        if !within(x, dx, columns) || !within(y, dy, rows) || i32::try_from(cells.len()).is_err() {
            for (i, out) in out.iter_mut().enumerate() {
                *out = self.at(x + i as f64 * dx, y + i as f64 * dy).unwrap_or(f32::NAN);
            }
            return;
        }
        wide(Along { cells, columns, from: [x, y], step: [dx, dy], out });
    }

    /// Bilinear value at (x, y) in cells; None outside.
    #[inline]
    pub(crate) fn at(&self, x: f64, y: f64) -> Option<f32> {
        let Self { cells: s, rows, columns } = *self;
        if !(x >= 0.0 && y >= 0.0) || x > (columns - 1) as f64 || y > (rows - 1) as f64 {
            return None;
        }
        // Places as u32: to and from 64 bits without a sign it takes several steps.
        let (i, j) =
            ((x as u32).min((columns as u32).saturating_sub(2)), (y as u32).min((rows as u32).saturating_sub(2)));
        let (u, v) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
        let k = j as usize * columns + i as usize;
        let (above, below) = (&s[k..k + 2], &s[k + columns..k + columns + 2]);
        let top = above[0] + (above[1] - above[0]) * u;
        let bottom = below[0] + (below[1] - below[0]) * u;
        Some(top + (bottom - top) * v)
    }
}

/// Bilinear values along a ray that lies within the plane, see [`Between::along`].
struct Along<'a> {
    /// Fewer than an `i32` counts.
    cells: &'a [f32],
    columns: usize,
    from: [f64; 2],
    step: [f64; 2],
    out: &'a mut [f32],
}

impl Wide for Along<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { cells, columns, from: [x, y], step: [dx, dy], out } = self;
        let last = (cells.len() - columns - 2) as i32;
        // A few samples at a time: where they are, then what is there, then what lies between. Of these only the second is not done
        // many at a time.
        for (part, out) in out.chunks_mut(SAMPLES).enumerate() {
            let (mut cell, mut u, mut v) = ([0_i32; SAMPLES], [0.0_f32; SAMPLES], [0.0_f32; SAMPLES]);
            for k in 0..SAMPLES {
                let i = f64::from((part * SAMPLES + k) as i32);
                let (x, y) = (x + i * dx, y + i * dy);
                let (i, j) = (x as i32, y as i32);
                (u[k], v[k]) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
                // Samples beyond the last may lie outside: they are read anywhere.
                cell[k] = j.wrapping_mul(columns as i32).wrapping_add(i).clamp(0, last);
            }
            let mut corners = [[0.0_f32; SAMPLES]; 4];
            for k in 0..SAMPLES {
                let cell = cell[k] as usize;
                let (above, below) = (&cells[cell..cell + 2], &cells[cell + columns..cell + columns + 2]);
                (corners[0][k], corners[1][k]) = (above[0], above[1]);
                (corners[2][k], corners[3][k]) = (below[0], below[1]);
            }
            let [a, b, c, d] = corners;
            let mut samples = [0.0_f32; SAMPLES];
            for k in 0..SAMPLES {
                let top = a[k] + (b[k] - a[k]) * u[k];
                let bottom = c[k] + (d[k] - c[k]) * u[k];
                samples[k] = top + (bottom - top) * v[k];
            }
            out.copy_from_slice(&samples[..out.len()]);
        }
    }
}

/// Samples along a ray that are taken at a time.
const SAMPLES: usize = 16;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_along_a_ray_are_those_of_its_places() {
        let cells = Array2::from_shape_fn((23, 31), |(y, x)| ((7 * x + 11 * y) % 13) as f32 + 0.25 * x as f32);
        let between = Between::of(&cells);
        for (from, step) in [
            ([15.2, 11.7], [0.31, -0.22]),
            ([15.2, 11.7], [0.9, 0.4]),
            ([0.0, 0.0], [1.0, 0.7]),
            ([30.0, 22.0], [-0.5, 0.0]),
            ([2.0, 20.0], [-0.3, 0.3]),
        ] {
            let mut along = vec![0.0; 24];
            between.along(from, step, &mut along);
            for (i, value) in along.iter().enumerate() {
                let at = between.at(from[0] + i as f64 * step[0], from[1] + i as f64 * step[1]);
                assert_eq!(value.to_bits(), at.unwrap_or(f32::NAN).to_bits(), "{from:?} {step:?} {i}");
            }
        }
    }
}
