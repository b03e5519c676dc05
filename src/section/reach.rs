//! How far each crossed photograph of a turned stage reaches: where some do not, the others tell what they would show.
//!
//! A frame that turns leaves its corners. A crystal there is seen at fewer positions, and where these separate what all of them
//! separate, it turns bright and dark as they say: that is what stands for the positions that do not show it. A frame that is only
//! shifted leaves a strip of some pixels, of which nothing is made: a hundredth of a pixel would decide how wide it is.

use std::collections::BTreeMap;

use ndarray::Array2;

use crate::section::extinction::{AngleDesign, Separation};
use crate::slide::photograph::mask;

/// Photographs of which a bit is kept for every cell, the first ones: a place must be shown by all others.
pub(crate) const KEPT: usize = u16::BITS as usize;

/// Which crossed photographs do not show a cell.
pub(crate) struct Reach {
    /// Whether the frames turned.
    turned: bool,
    /// One bit a photograph, set where the cell lies beyond its frame.
    pub(crate) beyond: Array2<u16>,
    /// Cells, row by row, that a photograph of which no bit is kept does not show.
    lost: Vec<usize>,
    /// Whether any bit is set.
    any: bool,
}

/// What the photographs that show a cell tell of the others.
struct Told {
    /// Those that show it, each with what it adds to the three terms.
    shown: Vec<(usize, [f64; 3])>,
    /// Those that do not, each with what the terms come to there.
    hidden: Vec<(usize, [f64; 3])>,
}

impl Reach {
    /// Of photographs that all show everything, on a grid of (rows, columns).
    pub(crate) fn whole(dim: (usize, usize), turned: bool) -> Self {
        Self { turned, beyond: Array2::zeros(dim), lost: Vec::new(), any: false }
    }

    /// Takes where photograph `index` does not reach from its [`mask`] bits.
    pub(crate) fn note(&mut self, index: usize, mask: &Array2<u8>) {
        let outside = mask.iter().enumerate().filter(|(_, m)| **m & mask::OUTSIDE != 0).map(|(i, _)| i);
        if index < KEPT {
            let beyond = self.beyond.as_slice_mut().expect("standard layout");
            for i in outside {
                beyond[i] |= 1 << index;
                self.any = true;
            }
        } else {
            self.lost.extend(outside);
        }
    }

    /// Completes crossed over plane light (`ratio[photograph][channel]`) where the photographs that show a cell separate what all of
    /// them separate: the others are given what follows from those. `scales` puts each photograph on one exposure. Calls `untold`
    /// with each other cell that some photograph does not show, row by row.
    pub(crate) fn complete(
        &self,
        design: &AngleDesign,
        scales: &[f64],
        ratio: &mut [[Array2<f32>; 3]],
        mut untold: impl FnMut(usize),
    ) {
        self.lost.iter().for_each(|i| untold(*i));
        if !self.any {
            return;
        }
        let mut by_bits: BTreeMap<u16, Option<Told>> = BTreeMap::new();
        let mut cells: Vec<&mut [f32]> =
            ratio.iter_mut().flatten().map(|r| r.as_slice_mut().expect("standard layout")).collect();
        for (i, bits) in self.beyond.iter().enumerate().filter(|(_, bits)| **bits != 0) {
            let told = by_bits.entry(*bits).or_insert_with(|| if self.turned { Told::by(design, *bits) } else { None });
            let Some(told) = told else {
                untold(i);
                continue;
            };
            for c in 0..3 {
                let mut terms = [0.0; 3];
                for (photograph, weights) in &told.shown {
                    let light = f64::from(cells[3 * photograph + c][i]) * scales[*photograph];
                    terms.iter_mut().zip(weights).for_each(|(t, w)| *t += w * light);
                }
                for (photograph, waves) in &told.hidden {
                    let light: f64 = terms.iter().zip(waves).map(|(t, w)| t * w).sum();
                    cells[3 * photograph + c][i] = (light / scales[*photograph]) as f32;
                }
            }
        }
    }
}

impl Told {
    /// Where the photographs of `bits` do not show a cell; None where the others do not separate what all do, or nothing but a tint.
    fn by(design: &AngleDesign, bits: u16) -> Option<Self> {
        let hidden = |a: &usize| *a < KEPT && bits & (1 << a) != 0;
        let (hidden, shown): (Vec<usize>, Vec<usize>) = (0..design.angles.len()).partition(hidden);
        let own = AngleDesign::new(&shown.iter().map(|a| design.angles[*a]).collect::<Vec<_>>());
        if own.separation != design.separation || own.separation == Separation::Single {
            return None;
        }
        let adds = |k: usize| own.terms((0..shown.len()).map(|j| f64::from(u8::from(j == k))));
        Some(Self {
            shown: shown.iter().enumerate().map(|(k, a)| (*a, adds(k))).collect(),
            hidden: hidden.iter().map(|a| (*a, own.waves(design.angles[*a]))).collect(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEAK: f64 = 0.004;

    /// Light of a crystal of colour `c` that is out at `phi`, between polars at `angle`, radians.
    fn light(c: f64, phi: f64, angle: f64) -> f64 {
        LEAK + c * (2.0 * (phi - angle)).sin().powi(2)
    }

    /// Two cells, of which the second is not shown by the photographs of `hidden`: what they are completed to, and the untold cells.
    fn completed(degrees: &[f64], hidden: &[usize], leak: f64) -> (Vec<f32>, Vec<f32>, Vec<usize>) {
        let angles: Vec<f64> = degrees.iter().map(|d| d.to_radians()).collect();
        let design = AngleDesign::new(&angles);
        let scales: Vec<f64> = (0..angles.len()).map(|i| 1.0 + 0.1 * i as f64).collect();
        let truth: Vec<f32> =
            angles.iter().zip(&scales).map(|(a, s)| ((light(0.7, 0.3, *a) + leak - LEAK) / s) as f32).collect();
        let mut reach = Reach::whole((1, 2), true);
        let mut ratio: Vec<[Array2<f32>; 3]> = Vec::new();
        for (i, t) in truth.iter().enumerate() {
            let shown = if hidden.contains(&i) { 0.0 } else { *t };
            ratio.push(std::array::from_fn(|_| Array2::from_shape_vec((1, 2), vec![*t, shown]).expect("two cells")));
            let bits = if hidden.contains(&i) { mask::OUTSIDE } else { 0 };
            reach.note(i, &Array2::from_shape_vec((1, 2), vec![0, bits]).expect("two cells"));
        }
        let mut untold = Vec::new();
        reach.complete(&design, &scales, &mut ratio, |i| untold.push(i));
        (truth, ratio.iter().map(|r| r[1][[0, 1]]).collect(), untold)
    }

    /// I(67.5) = I(0) + I(45) - I(22.5) for any crystal (the sine's own).
    #[test]
    fn positions_that_do_not_show_a_crystal_follow_from_three_that_do() {
        let four = [0.0, 22.5, 45.0, 67.5];
        let six = [0.0, 15.0, 30.0, 45.0, 60.0, 75.0];
        for (degrees, hidden) in [(&four[..], &[3][..]), (&four, &[0]), (&six, &[2]), (&six, &[1, 3, 4])] {
            let (truth, found, untold) = completed(degrees, hidden, LEAK);
            assert!(untold.is_empty(), "{degrees:?} {hidden:?}");
            for (t, f) in truth.iter().zip(&found) {
                assert!((t - f).abs() < 1e-5, "{degrees:?} {hidden:?}: {t} {f}");
            }
        }
    }

    #[test]
    fn a_repeated_position_stands_for_its_repeat() {
        let (truth, found, untold) = completed(&[0.0, 45.0, 90.0], &[2], 0.0);
        assert!(untold.is_empty());
        assert!((truth[2] - found[2]).abs() < 1e-6);
    }

    #[test]
    fn where_too_few_positions_are_left_nothing_is_made_up() {
        for (degrees, hidden) in [
            (&[0.0, 22.5, 45.0, 67.5][..], &[0, 1][..]),
            (&[0.0, 30.0, 60.0], &[1]),
            (&[0.0, 45.0], &[1]),
            (&[0.0, 90.0], &[1]),
            (&[45.0], &[0]),
        ] {
            let (truth, found, untold) = completed(degrees, hidden, LEAK);
            assert_eq!(untold, [1], "{degrees:?} {hidden:?}");
            for (i, (t, f)) in truth.iter().zip(&found).enumerate() {
                assert_eq!(*f, if hidden.contains(&i) { 0.0 } else { *t });
            }
        }
    }

    #[test]
    fn the_strip_that_a_shift_leaves_is_not_completed() {
        let design = AngleDesign::new(&[0.0_f64, 22.5, 45.0, 67.5].map(f64::to_radians));
        let mut reach = Reach::whole((1, 2), false);
        reach.note(3, &Array2::from_shape_vec((1, 2), vec![mask::OUTSIDE, 0]).expect("two cells"));
        let mut ratio: Vec<[Array2<f32>; 3]> = (0..4).map(|_| std::array::from_fn(|_| Array2::ones((1, 2)))).collect();
        let mut untold = Vec::new();
        reach.complete(&design, &[1.0; 4], &mut ratio, |i| untold.push(i));
        assert_eq!(untold, [0]);
    }

    #[test]
    fn a_seventeenth_photograph_must_show_the_place() {
        let angles: Vec<f64> = (0..18).map(|i| f64::from(5 * i).to_radians()).collect();
        let mut reach = Reach::whole((1, 2), true);
        reach.note(16, &Array2::from_shape_vec((1, 2), vec![0, mask::OUTSIDE]).expect("two cells"));
        let mut ratio: Vec<[Array2<f32>; 3]> =
            angles.iter().map(|_| std::array::from_fn(|_| Array2::zeros((1, 2)))).collect();
        let mut untold = Vec::new();
        reach.complete(&AngleDesign::new(&angles), &[1.0; 18], &mut ratio, |i| untold.push(i));
        assert_eq!(untold, [1]);
    }
}
