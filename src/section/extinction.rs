//! How each spot brightens and goes dark as the polars turn: I(a) = leak + c/2·(1 - cos 4(φ - a)) in crossed over plane light.
//!
//! With three or more different angles the extinction term separates exactly; with two angles 45° apart the colour c does,
//! since sin² + cos² = 1; with one only its chromaticity is known.

use nalgebra::{Matrix3, Vector3};
use ndarray::Array2;
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::section::crossed_light::CrossedLight;
use crate::section::reach::{KEPT, Reach};
use crate::slide::photograph::{LinearPlanes, mask};
use crate::vectors::{WeightedSum, wide};

/// What a set of crossed photographs separates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Separation {
    /// Colour, extinction position and leak.
    Full,
    /// Colour, when the polars do not leak (two angles 45° apart).
    Pair,
    /// Chromaticity only; brightness is a lower bound.
    Single,
}

/// Share of a field's darkest cells that the polars' leak is read from when the angles do not separate it.
const DARKEST: f64 = 0.01;

/// Least-squares design of a series of angles.
#[derive(Clone, Debug)]
pub struct AngleDesign {
    /// Angles, radians.
    pub angles: Vec<f64>,
    /// What the series separates.
    pub separation: Separation,
    /// What each photograph adds to the mean, cos 4a and sin 4a terms. `Pair`: half the sum, half the difference, nothing.
    /// `Single`: the mean, nothing, nothing.
    inverse: Vec<[f64; 3]>,
}

/// Smallest eigenvalue of the normal matrix, per photograph, at which a series counts as separating all three terms:
/// three angles spread over 22.5° or more reach it, two angles and their repeats do not.
const WELL_CONDITIONED: f64 = 0.02;

/// Share of a wave of twice the rate that must be left over where the model is to be tested; four angles 22.5° apart leave all of it.
const LEFT_OVER: f64 = 0.1;

impl AngleDesign {
    /// The design of a series of polar angles in radians.
    #[must_use]
    pub fn new(angles: &[f64]) -> Self {
        let rows: Vec<Vector3<f64>> =
            angles.iter().map(|a| Vector3::new(1.0, (4.0 * a).cos(), (4.0 * a).sin())).collect();
        let normal: Matrix3<f64> = rows.iter().map(|r| r * r.transpose()).sum();
        let smallest = normal.symmetric_eigenvalues().min() / angles.len().max(1) as f64;
        if angles.len() >= 3 && smallest > WELL_CONDITIONED {
            let inverse = normal.try_inverse().expect("well conditioned");
            let inverse = rows.iter().map(|r| (inverse * r).into()).collect();
            return Self { angles: angles.to_vec(), separation: Separation::Full, inverse };
        }
        // cos 4(a - a0) is +1 where the series repeats its first angle and -1 where it is 45° from it.
        let against_first: Vec<f64> = angles.iter().map(|a| (4.0 * (a - angles[0])).cos()).collect();
        let opposite = against_first.iter().filter(|c| **c < 0.0).count();
        let pair = opposite > 0 && against_first.iter().all(|c| c.abs() > 0.985);
        let separation = if pair { Separation::Pair } else { Separation::Single };
        let same = angles.len() - opposite;
        let inverse = against_first
            .iter()
            .map(|c| match separation {
                Separation::Pair if *c > 0.0 => [0.5 / same as f64, 0.5 / same as f64, 0.0],
                Separation::Pair => [0.5 / opposite as f64, -0.5 / opposite as f64, 0.0],
                _ => [1.0 / angles.len() as f64, 0.0, 0.0],
            })
            .collect();
        Self { angles: angles.to_vec(), separation, inverse }
    }

    /// Whether the series shows when light does not follow the model: part of a wave of twice the rate, which any bent curve of the
    /// camera adds, is left over by the fit. Angles 30° apart do not: 4a takes three values only, and three terms fit any three.
    #[must_use]
    pub fn over_determined(&self) -> bool {
        if self.separation != Separation::Full {
            return false;
        }
        let left: f64 = [f64::cos as fn(f64) -> f64, f64::sin]
            .iter()
            .map(|wave| {
                let of = |a: &f64| wave(8.0 * a);
                let b = self.terms(self.angles.iter().map(of));
                let fitted = |a: &f64| b[0] + b[1] * (4.0 * a).cos() + b[2] * (4.0 * a).sin();
                self.angles.iter().map(|a| (of(a) - fitted(a)).powi(2)).sum::<f64>()
            })
            .sum();
        left > LEFT_OVER * self.angles.len() as f64
    }

    /// Mean, cos 4a and sin 4a terms of a series of intensities, one an angle.
    #[must_use]
    pub fn terms(&self, intensities: impl Iterator<Item = f64>) -> [f64; 3] {
        let mut b = [0.0; 3];
        for (row, i) in self.inverse.iter().zip(intensities) {
            for k in 0..3 {
                b[k] += row[k] * i;
            }
        }
        b
    }

    /// What the mean, cos 4a and sin 4a terms each come to at an angle, radians: light there is the sum of the terms so weighted.
    #[must_use]
    pub fn waves(&self, angle: f64) -> [f64; 3] {
        match self.separation {
            Separation::Full => [1.0, (4.0 * angle).cos(), (4.0 * angle).sin()],
            Separation::Pair => [1.0, (4.0 * (angle - self.angles[0])).cos().signum(), 0.0],
            Separation::Single => [1.0, 0.0, 0.0],
        }
    }

    /// Colour c from the terms of one channel and the phase (cosine, sine) shared by all channels.
    ///
    /// `Full`: twice the amplitude along the phase; `Pair`: the sum of both; `Single`: the intensity, c at most.
    #[must_use]
    pub fn colour(&self, terms: [f64; 3], phase: [f64; 2]) -> f64 {
        match self.separation {
            Separation::Full => 2.0 * (terms[1] * phase[0] + terms[2] * phase[1]),
            Separation::Pair => 2.0 * terms[0],
            Separation::Single => terms[0],
        }
    }
}

/// Per-cell terms of the extinction model on a binned grid, crossed over plane light.
#[derive(Clone, Debug)]
pub struct ExtinctionPlanes {
    /// Binning.
    pub bin: usize,
    /// The angles and what they separate.
    pub design: AngleDesign,
    /// Crossed over plane light, one (height, width) plane a photograph and channel: `ratio[photograph][channel]`.
    /// On one exposure scale when EXIF gives it; otherwise with one unknown common factor. Beyond a photograph's frame what
    /// follows from the others.
    pub ratio: Vec<[Array2<f32>; 3]>,
    /// Mean, cos 4a and sin 4a terms (see [`AngleDesign::terms`]): `terms[k][channel]`.
    pub terms: [[Array2<f32>; 3]; 3],
    /// Plane light.
    pub plane: LinearPlanes,
    /// Bits of [`mask`] united over all photographs; outside is what the photographs that show it tell less of than all do.
    pub mask: Array2<u8>,
    /// One bit a crossed photograph (the first 16): it does not show the cell.
    pub beyond: Array2<u16>,
    /// One bit a crossed photograph (the first 16): clipped there.
    pub clipped: Array2<u16>,
}

/// Plane light below this share of full scale is too dark to divide by (opaque grains, the frame).
const TOO_DARK: f32 = 0.02;

impl ExtinctionPlanes {
    /// Takes the light of a registered field at a binning and separates the terms.
    #[must_use]
    pub fn new(stack: &FieldStack, bin: usize) -> Self {
        Self::over(stack, bin, &CrossedLight::NotYet)
    }

    /// The same of crossed light that may have been made already.
    pub(crate) fn over(stack: &FieldStack, bin: usize, crossed: &CrossedLight) -> Self {
        let plane = stack.plane_light(bin);
        let dim = plane.dim();
        let mut united = plane.mask.clone();
        united.zip_mut_with(&plane.rgb[1], |m, g| {
            if *g < TOO_DARK {
                *m |= mask::DARK;
            }
        });
        let mut clipped = Array2::<u16>::zeros(dim);
        let scales = exposure_scales(stack);
        let mut reach = Reach::whole(dim, frames_turned(stack));
        let mut ratio: Vec<[Array2<f32>; 3]> = (0..stack.crossed.len())
            .map(|i| {
                let mut light = crossed.one(stack, i, bin);
                // A crossed photograph is dark where the crystal is out: only clipping and the frame count against it.
                reach.note(i, &light.mask);
                if i < KEPT {
                    clipped.zip_mut_with(&light.mask, |c, l| *c |= u16::from(l & mask::CLIPPED != 0) << i);
                }
                for c in 0..3 {
                    let scale = scales[i] as f32;
                    let parts = light.rgb[c].as_slice_mut().expect("standard layout").par_chunks_mut(PART);
                    let plane = plane.rgb[c].as_slice().expect("standard layout").par_chunks(PART);
                    parts.zip(plane).for_each(|(light, plane)| {
                        light.iter_mut().zip(plane).for_each(|(x, p)| *x *= scale / p.max(TOO_DARK));
                    });
                }
                light.rgb
            })
            .collect();
        let angles: Vec<f64> = stack.crossed.iter().map(|c| c.angle.radians()).collect();
        let design = AngleDesign::new(&angles);
        let cells = united.as_slice_mut().expect("standard layout");
        reach.complete(&design, &vec![1.0; scales.len()], &mut ratio, |i| cells[i] |= mask::OUTSIDE);
        let terms = separate(&design, &ratio);
        Self { bin, design, ratio, terms, plane, mask: united, beyond: reach.beyond, clipped }
    }

    /// Crossed over plane light of the darkest `share` of the good cells, R, G, B: what the polars leak, at most.
    #[must_use]
    pub fn darkest(&self, share: f64) -> [f64; 3] {
        std::array::from_fn(|c| {
            let least = |i: usize| self.ratio.iter().map(move |r| r[c].as_slice().expect("standard layout")[i]);
            let mut v: Vec<f32> = self
                .mask
                .iter()
                .enumerate()
                .filter(|(_, m)| **m == 0)
                .map(|(i, _)| least(i).fold(f32::INFINITY, f32::min))
                .collect();
            if v.is_empty() {
                return 0.0;
            }
            let at = ((v.len() as f64 * share) as usize).min(v.len() - 1);
            f64::from(*v.select_nth_unstable_by(at, f32::total_cmp).1)
        })
    }

    /// Light that the polars leak, crossed over plane, R, G, B, where the angles do not separate it; zeros where they do.
    #[must_use]
    pub fn leak(&self) -> [f64; 3] {
        match self.design.separation {
            Separation::Full => [0.0; 3],
            _ => self.darkest(DARKEST),
        }
    }

    /// (rows, columns) of the grid.
    #[must_use]
    pub fn dim(&self) -> (usize, usize) {
        self.mask.dim()
    }
}

/// Whether the picture turned from one crossed photograph to another, as with a turned stage.
pub(crate) fn frames_turned(stack: &FieldStack) -> bool {
    stack.crossed.iter().any(|c| c.placement.turn != 0.0)
}

/// Factor that puts each crossed photograph on the plane one's exposure; where one is unknown, all are taken as equal.
pub(crate) fn exposure_scales(stack: &FieldStack) -> Vec<f64> {
    let known: Option<Vec<f64>> = stack.crossed.iter().map(|c| c.relative_exposure.map(|r| 1.0 / r)).collect();
    known.unwrap_or_else(|| vec![1.0; stack.crossed.len()])
}

/// Cells that are worked on at a time.
const PART: usize = 1 << 13;

fn separate(design: &AngleDesign, ratio: &[[Array2<f32>; 3]]) -> [[Array2<f32>; 3]; 3] {
    let dim = ratio[0][0].dim();
    let weights: Vec<[f32; 3]> = design.inverse.iter().map(|w| w.map(|v| v as f32)).collect();
    std::array::from_fn(|k| {
        std::array::from_fn(|c| {
            let mut out = Array2::<f32>::zeros(dim);
            let planes: Vec<&[f32]> = ratio.iter().map(|r| r[c].as_slice().expect("standard layout")).collect();
            let weights: Vec<f32> = weights.iter().map(|w| w[k]).collect();
            let parts = out.as_slice_mut().expect("standard layout").par_chunks_mut(PART);
            parts.enumerate().for_each(|(i, to)| {
                let row = |photograph: usize| {
                    &planes[photograph][i * PART..i * PART + PART.min(planes[photograph].len() - i * PART)]
                };
                wide(WeightedSum { to, row, weights: &weights });
            });
            out
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn design(degrees: &[f64]) -> AngleDesign {
        AngleDesign::new(&degrees.iter().map(|d| d.to_radians()).collect::<Vec<_>>())
    }

    #[test]
    fn four_angles_separate_the_extinction_term_exactly() {
        let d = design(&[0.0, 22.5, 45.0, 67.5]);
        assert_eq!(d.separation, Separation::Full);
        let (c, phi, leak) = (0.83, 0.41, 0.006);
        let b = d.terms(d.angles.iter().map(|a| leak + c * (2.0 * (phi - a)).sin().powi(2)));
        assert!((2.0 * b[1].hypot(b[2]) - c).abs() < 1e-12, "amplitude");
        assert!((b[0] - c / 2.0 - leak).abs() < 1e-12, "leak");
        assert!(((-b[2]).atan2(-b[1]) / 4.0 - phi).abs() < 1e-12, "extinction position");
    }

    #[test]
    fn what_a_series_separates() {
        for (angles, expected) in [
            (vec![45.0], Separation::Single),
            (vec![0.0, 45.0], Separation::Pair),
            (vec![10.0, 55.0], Separation::Pair),
            (vec![0.0, 90.0], Separation::Single),
            (vec![0.0, 30.0], Separation::Single),
            (vec![0.0, 45.0, 90.0], Separation::Pair),
            (vec![0.0, 30.0, 60.0], Separation::Full),
            (vec![0.0, 15.0, 30.0, 45.0, 60.0, 75.0], Separation::Full),
        ] {
            assert_eq!(design(&angles).separation, expected, "{angles:?}");
        }
    }

    #[test]
    fn three_directions_however_often_repeated_do_not_test_the_model() {
        for (angles, expected) in [
            (vec![0.0, 22.5, 45.0, 67.5], true),
            (vec![0.0, 15.0, 30.0, 45.0, 60.0, 75.0], true),
            (vec![0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0], true),
            (vec![0.0, 30.0, 60.0], false),
            (vec![0.0, 30.0, 60.0, 90.0, 120.0, 150.0], false),
            (vec![0.3, 29.8, 60.1, 90.2, 119.9, 149.7], false),
            (vec![0.0, 22.5, 45.0, 90.0], false),
            (vec![0.0, 45.0], false),
        ] {
            assert_eq!(design(&angles).over_determined(), expected, "{angles:?}");
        }
    }
}
