//! What lies inside a patch, away from its border.

use image::GrayImage;
use imageproc::distance_transform::Norm;
use imageproc::morphology::erode;
use ndarray::Array2;

use super::patch::Patch;
use super::usual::Usual;
use crate::section::cells::median;
use crate::section::light_field::FieldLight;

/// What is seen inside a patch.
pub(super) struct Inside {
    /// Mean log transmission.
    pub(super) level: f64,
    /// Mean light between crossed polars over the whole patch, as in [`FieldLight::lit`].
    pub(super) lit: f64,
    /// See [`super::Hole::detail`].
    pub(super) detail: f64,
    /// See [`super::Hole::tint`].
    pub(super) tint: f64,
    /// See [`super::Hole::not_brown`].
    pub(super) not_brown: f64,
    /// See [`super::Hole::passed`].
    pub(super) passed: Vec<f64>,
    /// See [`super::Hole::specks`].
    pub(super) specks: f64,
    /// See [`super::Hole::ground`].
    pub(super) ground: f64,
}

impl Inside {
    /// Of a patch; None when it is all border.
    pub(super) fn of(light: &FieldLight, detail: &Array2<f32>, usual: &Usual, patch: &Patch) -> Option<Self> {
        let within = eroded(&patch.mask);
        let cells: Vec<[usize; 2]> = patch.cells(&within).collect();
        if cells.len() < 6 {
            return None;
        }
        let mean = |f: &dyn Fn([usize; 2]) -> f64| cells.iter().map(|at| f(*at)).sum::<f64>() / cells.len() as f64;
        let tint = [0, 1].map(|k| mean(&|at| f64::from(light.plane.tint[k][at])) as f32);
        let all: Vec<[usize; 2]> = patch.cells(&patch.mask).collect();
        let lit = all.iter().map(|at| f64::from(light.lit[*at])).sum::<f64>() / all.len() as f64;

        let deep: Vec<[usize; 2]> = patch.cells(&deep(within)).collect();
        let passed = light
            .crossed
            .iter()
            .map(|r| {
                let sum: f32 = deep.iter().map(|at| r[0][*at] + r[1][*at] + r[2][*at]).sum();
                f64::from(sum / deep.len() as f32)
            })
            .collect();
        let mut roughness: Vec<f64> = deep.iter().map(|at| f64::from(detail[*at]).sqrt() / usual.quiet).collect();
        Some(Self {
            level: mean(&|at| f64::from(light.plane.coarse[at])),
            lit,
            detail: mean(&|at| f64::from(detail[at])).sqrt() / usual.quiet,
            tint: f64::from(usual.tinted(tint)),
            not_brown: f64::from(usual.not_brown(tint)),
            passed,
            specks: roughness.iter().filter(|d| **d > 3.0).count() as f64 / roughness.len().max(1) as f64,
            ground: median(&mut roughness),
        })
    }
}

fn count(mask: &GrayImage) -> usize {
    mask.iter().filter(|v| **v > 0).count()
}

/// Without its border.
fn eroded(mask: &GrayImage) -> GrayImage {
    let inner = erode(mask, Norm::LInf, 2);
    if count(&inner) < 24 { erode(mask, Norm::LInf, 1) } else { inner }
}

/// Well away from the wall, whose light and dirt reach in.
fn deep(mut mask: GrayImage) -> GrayImage {
    for _ in 0..3 {
        let deeper = erode(&mask, Norm::LInf, 1);
        if count(&deeper) < 60 {
            break;
        }
        mask = deeper;
    }
    mask
}
