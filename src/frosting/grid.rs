//! The photograph in cells: light, fine texture and what is burnt out.

use crate::slide::photograph::{Photograph, mask};
use ndarray::Array2;
use rayon::prelude::*;

/// Longest side of the grid, cells.
const LONGEST: usize = 1200;

/// A photograph in square cells of `bin` pixels; cell (i, j) has its centre at pixel bin·i + (bin - 1)/2.
pub struct Grid {
    /// Side of a cell, pixels.
    pub bin: usize,
    /// Mean linear light of the three channels, 0..=1 of full scale.
    pub light: Array2<f32>,
    /// Root mean square of what differs from pixel to pixel, over the cell's light.
    pub texture: Array2<f32>,
    /// Share of the cell's pixels with a clipped channel, 0..=1.
    pub clipped: Array2<f32>,
}

impl Grid {
    /// Of a whole photograph.
    #[must_use]
    pub fn of(photograph: &Photograph) -> Self {
        let (w, h) = (photograph.width, photograph.height);
        let masks = photograph.code_masks();
        let mut fine = Array2::<f32>::zeros((h, w));
        let mut burnt = Array2::<u8>::zeros((h, w));
        fine.as_slice_mut()
            .expect("standard layout")
            .par_chunks_mut(w.max(1))
            .zip(burnt.as_slice_mut().expect("standard layout").par_chunks_mut(w.max(1)))
            .enumerate()
            .for_each(|(y, (row, burnt))| {
                for x in 0..w {
                    let codes = [0, 1, 2].map(|c| usize::from(photograph.code(x, y, c)));
                    row[x] = codes.iter().map(|c| photograph.to_linear[*c]).sum::<f32>() / 3.0;
                    burnt[x] = u8::from(codes.iter().any(|c| masks[*c] & mask::CLIPPED != 0));
                }
            });
        Self::from_light(&fine, &burnt)
    }

    /// From light at full resolution and whether each pixel is clipped.
    #[must_use]
    pub fn from_light(fine: &Array2<f32>, burnt: &Array2<u8>) -> Self {
        let (h, w) = fine.dim();
        let bin = h.max(w).div_ceil(LONGEST).max(1);
        let (rows, columns) = (h / bin, w / bin);
        let mut light = Array2::<f32>::zeros((rows, columns));
        let mut texture = Array2::<f32>::zeros((rows, columns));
        let mut clipped = Array2::<f32>::zeros((rows, columns));
        let n = (bin * bin) as f32;
        for j in 0..rows {
            for i in 0..columns {
                let (mut sum, mut square, mut hot) = (0.0, 0.0, 0.0);
                for y in j * bin..(j + 1) * bin {
                    for x in i * bin..(i + 1) * bin {
                        sum += fine[[y, x]];
                        hot += f32::from(burnt[[y, x]]);
                        square += bump(fine, y, x).powi(2);
                    }
                }
                light[[j, i]] = sum / n;
                clipped[[j, i]] = hot / n;
                texture[[j, i]] = (square / n).sqrt() / (sum / n).max(1e-4);
            }
        }
        Self { bin, light, texture, clipped }
    }

    /// Pixel of a place in cells.
    #[must_use]
    pub fn pixel(&self, cell: f64) -> f64 {
        let bin = self.bin as f64;
        cell * bin + (bin - 1.0) / 2.0
    }
}

/// Response to what differs from pixel to pixel and neither to a slope nor to a straight edge along either axis:
/// the mixed second difference, scaled to the standard deviation of white noise.
fn bump(fine: &Array2<f32>, y: usize, x: usize) -> f32 {
    let (h, w) = fine.dim();
    if y == 0 || x == 0 || y + 1 >= h || x + 1 >= w {
        return 0.0;
    }
    let at = |dy: usize, dx: usize| fine[[y + dy - 1, x + dx - 1]];
    let sum =
        at(0, 0) + at(0, 2) + at(2, 0) + at(2, 2) - 2.0 * (at(0, 1) + at(1, 0) + at(1, 2) + at(2, 1)) + 4.0 * at(1, 1);
    sum / 6.0
}

/// Gaussian mean over the cells that count, by two passes; 0 where none is near.
#[must_use]
pub fn smooth(values: &Array2<f32>, counts: &Array2<bool>, sd: f64) -> Array2<f32> {
    let reach = (2.5 * sd).ceil() as i32;
    let kernel: Vec<f32> = (-reach..=reach).map(|k| (-0.5 * (f64::from(k) / sd).powi(2)).exp() as f32).collect();
    let weight = counts.mapv(|c| f32::from(u8::from(c)));
    let weighted = values * &weight;
    let (top, bottom) = rayon::join(
        || crate::section::filter::separable(&weighted, &kernel, &kernel),
        || crate::section::filter::separable(&weight, &kernel, &kernel),
    );
    let mut out = top;
    out.zip_mut_with(&bottom, |v, w| *v = if *w > 1e-6 { *v / *w } else { 0.0 });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texture_answers_to_noise_and_to_no_slope() {
        let slope = Array2::from_shape_fn((120, 160), |(y, x)| 0.3 + 0.002 * x as f32 + 0.001 * y as f32);
        let none = Array2::zeros((120, 160));
        let flat = Grid::from_light(&slope, &none);
        assert!(flat.texture.iter().all(|t| *t < 1e-4));
        // A chequerboard of ± 0.1 of its mean: the mixed difference is 16 times its amplitude, over 6.
        let board = Array2::from_shape_fn((120, 160), |(y, x)| 0.5 * if (x + y) % 2 == 0 { 1.1 } else { 0.9 });
        let grid = Grid::from_light(&board, &none);
        let lanes = Array2::from_shape_fn((120, 160), |(_, x)| 0.5 * if x % 2 == 0 { 1.1 } else { 0.9 });
        let lined = Grid::from_light(&lanes, &none);
        let mid = [60, 80];
        let expected = 0.05 * 16.0 / 6.0 / board[mid];
        assert!((grid.texture[mid] - expected).abs() < 1e-4 && lined.texture[mid] < 1e-4, "{}", grid.texture[mid]);
    }

    #[test]
    fn cells_are_means_of_their_pixels() {
        let fine = Array2::from_shape_fn((1000, 2500), |(y, x)| (x + y) as f32 / 3000.0);
        let grid = Grid::from_light(&fine, &Array2::zeros((1000, 2500)));
        assert_eq!((grid.bin, grid.light.dim()), (3, (333, 833)));
        let (x, y) = (grid.pixel(100.0), grid.pixel(50.0));
        assert!((f64::from(grid.light[[50, 100]]) - (x + y) / 3000.0).abs() < 1e-5);
    }

    #[test]
    fn smoothing_takes_nothing_from_cells_that_do_not_count() {
        let values = Array2::from_shape_fn((40, 40), |(_, x)| if x < 20 { 0.2 } else { 9.0 });
        let counts = Array2::from_shape_fn((40, 40), |(_, x)| x < 20);
        let s = smooth(&values, &counts, 3.0);
        assert!((s[[20, 19]] - 0.2).abs() < 1e-6);
    }
}
