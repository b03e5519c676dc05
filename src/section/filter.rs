//! Separable filters over a picture, row by row.

use ndarray::Array2;
use rayon::prelude::*;

use crate::vectors::{WeightedSum, wide};

/// Separable correlation; the frame is continued by its edge cells.
#[must_use]
pub fn separable(a: &Array2<f32>, across: &[f32], down: &[f32]) -> Array2<f32> {
    let middle = along_rows(a, across);
    let columns = a.dim().1.max(1);
    let mut out = Array2::<f32>::zeros(a.dim());
    let rows = out.as_slice_mut().expect("standard layout").par_chunks_mut(columns);
    rows.enumerate().for_each(|(y, out)| down_to(out, &middle, down, y));
    out
}

/// Correlation along every row; see [`separable`].
pub(super) fn along_rows(a: &Array2<f32>, kernel: &[f32]) -> Array2<f32> {
    let columns = a.dim().1.max(1);
    let source = a.as_slice().expect("standard layout");
    let reach = kernel.len() / 2;
    let mut made = Array2::<f32>::zeros(a.dim());
    let rows = made.as_slice_mut().expect("standard layout").par_chunks_mut(columns);
    rows.zip(source.par_chunks(columns)).for_each_init(Vec::new, |padded: &mut Vec<f32>, (out, line)| {
        padded.clear();
        padded.extend(std::iter::repeat_n(line[0], reach));
        padded.extend_from_slice(line);
        padded.extend(std::iter::repeat_n(line[columns - 1], reach));
        let padded: &[f32] = padded;
        wide(WeightedSum { to: out, row: |k| &padded[k..], weights: kernel });
    });
    made
}

/// Adds to `out`, the row `y` of the result, the correlation down the columns; see [`separable`].
pub(super) fn down_to(out: &mut [f32], a: &Array2<f32>, kernel: &[f32], y: usize) {
    let (rows, columns) = a.dim();
    let source = a.as_slice().expect("standard layout");
    let reach = kernel.len() as isize / 2;
    let row = |k: usize| {
        let j = (y as isize + k as isize - reach).clamp(0, rows as isize - 1) as usize;
        &source[j * columns..(j + 1) * columns]
    };
    wide(WeightedSum { to: out, row, weights: kernel });
}
