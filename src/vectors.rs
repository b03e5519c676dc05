//! Loops over rows of samples with the widest vectors that the machine has.
//!
//! The program is built for any machine; what implements [`Wide`] is compiled once more for newer ones and chosen while it
//! runs. Sums are not reordered and products not fused, so the results are the same to the last bit on every machine.

use pulp::{Arch, Simd, WithSimd};

/// A loop that gains from wide vectors. Implement it with `#[inline(always)]` on `run`, and on what it calls.
pub(crate) trait Wide {
    /// The loop.
    fn run(self);
}

struct Chosen<W>(W);

impl<W: Wide> WithSimd for Chosen<W> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        self.0.run();
    }
}

/// Runs a loop with the machine's own vectors.
#[inline]
pub(crate) fn wide(work: impl Wide) {
    Arch::new().dispatch(Chosen(work));
}

/// Cells that [`WeightedSum`] keeps in registers.
const BLOCK: usize = 32;

/// Adds to a row the weighted sum of some others, each at least as long: weight after weight, as one row at a time would.
pub(crate) struct WeightedSum<'a, R> {
    pub(crate) to: &'a mut [f32],
    /// The row of each weight.
    pub(crate) row: R,
    pub(crate) weights: &'a [f32],
}

impl<'a, R: Fn(usize) -> &'a [f32]> Wide for WeightedSum<'_, R> {
    #[inline(always)]
    fn run(self) {
        let Self { to, row, weights } = self;
        let whole = to.len() / BLOCK * BLOCK;
        let mut at = 0;
        while at < whole {
            let out: &mut [f32; BLOCK] = (&mut to[at..at + BLOCK]).try_into().expect("a block");
            let mut sums = *out;
            for (k, weight) in weights.iter().enumerate() {
                let cells: &[f32; BLOCK] = row(k)[at..at + BLOCK].try_into().expect("a block");
                for (sum, cell) in sums.iter_mut().zip(cells) {
                    *sum += weight * cell;
                }
            }
            *out = sums;
            at += BLOCK;
        }
        for (k, weight) in weights.iter().enumerate() {
            let n = to.len();
            for (sum, cell) in to[whole..].iter_mut().zip(&row(k)[whole..n]) {
                *sum += weight * cell;
            }
        }
    }
}

/// Makes a row of the highest of some others, or of the lowest, each at least as long; of what is no number, that of the first row counts.
pub(crate) struct Extreme<'a, const HIGHEST: bool> {
    pub(crate) to: &'a mut [f32],
    pub(crate) rows: &'a [&'a [f32]],
}

impl<const HIGHEST: bool> Wide for Extreme<'_, HIGHEST> {
    #[inline(always)]
    fn run(self) {
        let Self { to, rows } = self;
        let Some((first, others)) = rows.split_first() else { return };
        let better = |a: f32, b: f32| if HIGHEST { a > b } else { a < b };
        let whole = to.len() / BLOCK * BLOCK;
        let mut at = 0;
        while at < whole {
            let mut found: [f32; BLOCK] = first[at..at + BLOCK].try_into().expect("a block");
            for row in others {
                let cells: &[f32; BLOCK] = row[at..at + BLOCK].try_into().expect("a block");
                for (found, cell) in found.iter_mut().zip(cells) {
                    *found = if better(*cell, *found) { *cell } else { *found };
                }
            }
            to[at..at + BLOCK].copy_from_slice(&found);
            at += BLOCK;
        }
        for x in whole..to.len() {
            to[x] = others.iter().fold(first[x], |found, row| if better(row[x], found) { row[x] } else { found });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_are_the_same_to_the_last_bit() {
        let a: Vec<f32> = (0..1003).map(|i| (i as f32 * 0.7173).sin()).collect();
        let b: Vec<f32> = (0..1003).map(|i| (i as f32 * 1.313).cos()).collect();
        let same = |ours: &[f32], expected: &dyn Fn(f32, f32) -> f32| {
            ours.iter().zip(a.iter().zip(&b)).all(|(o, (a, b))| o.to_bits() == expected(*a, *b).to_bits())
        };
        let mut ours = a.clone();
        wide(WeightedSum { to: &mut ours, row: |k| [&b[..], &a[..]][k], weights: &[0.37, -0.61] });
        assert!(same(&ours, &|a, b| a + 0.37 * b + -0.61 * a));
        wide(Extreme::<true> { to: &mut ours, rows: &[&a, &b] });
        assert!(same(&ours, &f32::max));
        wide(Extreme::<false> { to: &mut ours, rows: &[&a, &b] });
        assert!(same(&ours, &f32::min));
    }
}
