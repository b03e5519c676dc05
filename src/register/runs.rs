//! Means over runs of pixels that begin at a fraction of one.

use crate::vectors::{Wide, wide};

/// Weights of the pixels under a run of `bin` shifted ones: 1 - f, 1, ..., 1, f, or all 1 without a fraction.
pub(super) fn weight(k: usize, bin: usize, fraction: f32) -> f32 {
    if k == 0 {
        1.0 - fraction
    } else if k == bin {
        fraction
    } else {
        1.0
    }
}

/// Weighted means of runs of `bin` columns.
pub(super) fn along_row(out: &mut [f32], sums: &[f32], bin: usize, fx: f32, scale: f32) {
    match (bin, fx > 0.0) {
        (1, true) => wide(Runs::<1> { out, sums, fx, scale }),
        (2, true) => wide(Runs::<2> { out, sums, fx, scale }),
        (3, true) => wide(Runs::<3> { out, sums, fx, scale }),
        (_, true) => {
            for (cell, out) in out.iter_mut().enumerate() {
                let run = &sums[cell * bin..cell * bin + bin + 1];
                *out = run.iter().enumerate().map(|(k, s)| weight(k, bin, fx) * s).sum::<f32>() * scale;
            }
        }
        (1, false) => out.copy_from_slice(sums),
        (2, false) => out.iter_mut().zip(sums.chunks_exact(2)).for_each(|(out, run)| *out = (run[0] + run[1]) * scale),
        (_, false) => {
            out.iter_mut().zip(sums.chunks_exact(bin)).for_each(|(out, run)| *out = run.iter().sum::<f32>() * scale);
        }
    }
}

/// Weighted means of shifted runs of `BIN` columns.
struct Runs<'a, const BIN: usize> {
    out: &'a mut [f32],
    sums: &'a [f32],
    fx: f32,
    scale: f32,
}

impl<const BIN: usize> Wide for Runs<'_, BIN> {
    #[inline(always)]
    fn run(self) {
        let Self { out, sums, fx, scale } = self;
        let next = sums[BIN..].iter().step_by(BIN);
        for ((out, run), next) in out.iter_mut().zip(sums.chunks_exact(BIN)).zip(next) {
            let first = (1.0 - fx) * run[0];
            *out = (run[1..].iter().fold(first, |sum, s| sum + s) + fx * next) * scale;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs of the usual lengths have loops of their own: they give what the weights do, to the last bit.
    #[test]
    fn means_of_runs_are_those_of_their_weights() {
        let sums: Vec<f32> = (0..61).map(|i| (i as f32 * 0.7173).sin().abs()).collect();
        for bin in 1..=5 {
            for fx in [0.0_f32, 0.31, 0.86] {
                let (mut out, scale) = (vec![0.0; 12], 1.0 / (bin * bin) as f32);
                along_row(&mut out, &sums[..12 * bin + usize::from(fx > 0.0)], bin, fx, scale);
                for (cell, out) in out.iter().enumerate() {
                    let run = bin + usize::from(fx > 0.0);
                    let mean: f32 = (0..run).map(|k| weight(k, bin, fx) * sums[cell * bin + k]).sum();
                    assert_eq!(out.to_bits(), (mean * scale).to_bits(), "{bin} {fx} {cell}");
                }
            }
        }
    }
}
