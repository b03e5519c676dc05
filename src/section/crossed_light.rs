//! Crossed light on cells, made once where crystals and defects are looked for on the same ones.

use rayon::prelude::*;

use crate::register::FieldStack;
use crate::section::crystals::binning;
use crate::section::plane_light::coarse_bin;
use crate::slide::photograph::LinearPlanes;
use crate::timings::stage;
use crate::units::MicrometresPerPixel;

/// The crossed light of a field on the cells of one binning, where it was made already.
pub(crate) enum CrossedLight {
    /// It was not.
    NotYet,
    /// Every crossed photograph, in their order.
    Made(Vec<LinearPlanes>),
}

impl CrossedLight {
    /// Of a field whose crystals and defects are looked for on cells of one size; otherwise it is not made yet.
    pub(crate) fn of(stack: &FieldStack) -> Self {
        let bin = coarse_bin(stack.scale.map(MicrometresPerPixel::um_per_px));
        if binning(stack.scale) != bin {
            return Self::NotYet;
        }
        stage!("crossed light");
        Self::Made(all(stack, bin))
    }

    /// Crossed photograph `index` on cells of `bin` pixels.
    pub(crate) fn one(&self, stack: &FieldStack, index: usize, bin: usize) -> LinearPlanes {
        match self {
            Self::Made(planes) if planes[index].bin == bin => planes[index].clone(),
            _ => stack.crossed_light(index, bin),
        }
    }
}

/// Every crossed photograph of a field on cells of `bin` pixels.
pub(crate) fn all(stack: &FieldStack, bin: usize) -> Vec<LinearPlanes> {
    (0..stack.crossed.len()).into_par_iter().map(|i| stack.crossed_light(i, bin)).collect()
}
