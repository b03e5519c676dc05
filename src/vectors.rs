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

/// Adds `weight` times a row to another, up to the end of the shorter.
pub(crate) struct AddWeighted<'a> {
    pub(crate) to: &'a mut [f32],
    pub(crate) row: &'a [f32],
    pub(crate) weight: f32,
}

impl Wide for AddWeighted<'_> {
    #[inline(always)]
    fn run(self) {
        for (o, v) in self.to.iter_mut().zip(self.row) {
            *o += self.weight * v;
        }
    }
}

/// Raises a row to another where that is higher; what is not a number is passed over.
pub(crate) struct RaiseTo<'a>(pub(crate) &'a mut [f32], pub(crate) &'a [f32]);

impl Wide for RaiseTo<'_> {
    #[inline(always)]
    fn run(self) {
        for (o, v) in self.0.iter_mut().zip(self.1) {
            *o = if *v > *o { *v } else { *o };
        }
    }
}

/// Lowers a row to another where that is lower; what is not a number is passed over.
pub(crate) struct LowerTo<'a>(pub(crate) &'a mut [f32], pub(crate) &'a [f32]);

impl Wide for LowerTo<'_> {
    #[inline(always)]
    fn run(self) {
        for (o, v) in self.0.iter_mut().zip(self.1) {
            *o = if *v < *o { *v } else { *o };
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
        wide(AddWeighted { to: &mut ours, row: &b, weight: 0.37 });
        assert!(same(&ours, &|a, b| a + 0.37 * b));
        ours.copy_from_slice(&a);
        wide(RaiseTo(&mut ours, &b));
        assert!(same(&ours, &f32::max));
        ours.copy_from_slice(&a);
        wide(LowerTo(&mut ours, &b));
        assert!(same(&ours, &f32::min));
    }
}
