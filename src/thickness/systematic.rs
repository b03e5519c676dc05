//! What all grains share and no number of grains averages out: gains, the camera's tone curve, and a floor.

use crate::thickness::balance::Alike;
use crate::thickness::gains::GainPrior;
use crate::thickness::grain::FieldCrystals;
use crate::thickness::tone::ToneCurve;
use crate::thickness::yardstick::Yardstick;
use crate::thickness::{component, gains, grain, path, surface};

/// Standard uncertainty that remains on ideal photographs, µm: lamp and path that the family does not hold.
const FLOOR_UM: f64 = 0.03;
/// The same as a share of the thickness (birefringence of natural quartz, tilt of the light).
const FLOOR_SHARE: f64 = 0.0015;

/// The same where the colours are those of a dyed sensor: each make has its own dyes, and its channels' mean wavelengths differ by
/// some nanometres from the one that is tried (house value).
const DYES_SHARE: f64 = 0.006;
/// The same from one photograph of unknown exposure, where the brightest grains stand for the level of light.
const LEVEL_SHARE: f64 = 0.012;

/// Median distance of grains from the best path, standard deviations, that their stated uncertainties lead one to expect
/// (two degrees of freedom: the median of chi is 1.18).
pub(crate) const EXPECTED_MISFIT: f64 = 1.18;
/// Uncertainties are never taken as smaller than this share of the stated ones: scatter along the path is not seen.
pub(crate) const LEAST_MISFIT: f64 = 0.45;

/// Contrasts that are tried where the angles do not tell.
const CONTRASTS: [f64; 6] = [-0.08, 0.0, 0.08, 0.16, 0.24, 0.32];
/// A contrast known better than this is left alone.
const KNOWN: f64 = 0.05;
/// Lamp, exposure and curve are told apart by chroma alone here: evidence counts for less by this factor.
const CHROMA_ALONE: f64 = 3.0;
/// Paths that are tried with each contrast, at the most.
const TRIED: usize = 10;

/// Relative standard uncertainty of thickness from what all grains share: gains, tone curve, the floor.
pub(crate) fn systematic_share(
    alike: &Alike<'_>,
    grains: &[grain::Grain],
    (lamps, shares): (&[component::LampFit], usize),
    prior: GainPrior,
    tone: ToneCurve,
    yardstick: &Yardstick,
    thickness_um: f64,
) -> f64 {
    let component::LampFit { path, gains: fitted, .. } = &lamps[0];
    let at = |grains: &[grain::Grain], gains: gains::Gains| {
        let lamp = component::LampFit { path, gains, weight: 1.0 };
        let component = component::under(grains, &lamp, shares, yardstick);
        let near = surface::point(thickness_um);
        let mut posterior = surface::common_posterior(&[component], |_| true);
        // Another mode is another explanation, not a shift of this one.
        for (i, p) in posterior.iter_mut().enumerate() {
            if (i as f64 - near).abs() > 40.0 {
                *p = 0.0;
            }
        }
        let total: f64 = posterior.iter().sum::<f64>().max(1e-300);
        posterior.iter().enumerate().map(|(i, p)| p * (i as f64 - near)).sum::<f64>() / total * path::grid::STEP
    };
    let mut variance = FLOOR_SHARE.powi(2) + (FLOOR_UM / thickness_um).powi(2);
    let dyed: f64 = lamps.iter().filter(|l| l.path.scaling.is_dyed()).map(|l| l.weight).sum();
    variance += dyed * DYES_SHARE.powi(2);
    if prior.common_u > 1.0 && grains.iter().all(|g| g.any_brightness) {
        variance += LEVEL_SHARE.powi(2);
    }
    let eigen = fitted.covariance.symmetric_eigen();
    for k in 0..fitted.covariance.nrows() {
        let direction = eigen.eigenvectors.column(k) * eigen.eigenvalues[k].max(0.0).sqrt().min(0.3);
        let shift = 0.5 * (at(grains, fitted.moved(&direction)) - at(grains, fitted.moved(&-direction)));
        variance += alike.told_apart as f64 * shift * shift;
    }
    if tone.contrast_u > 0.0 {
        let shifted = |sign: f64| {
            let other = ToneCurve { contrast: tone.contrast + sign * tone.contrast_u, contrast_u: 0.0 };
            let grains = grain::gather(&alike.fields, other).grains;
            let refit = gains::fit(&gains::chosen(&grains), path, prior, &[fitted.as_start()]);
            at(&grains, refit)
        };
        let shift = 0.5 * (shifted(1.0) - shifted(-1.0));
        variance += shift * shift;
    }
    variance.sqrt()
}

/// The tone curve where no angle tells: the contrast under which the grains' colours follow the interference colours best.
pub(crate) fn tone_by_colours(fields: &[FieldCrystals], prior: GainPrior, tone: ToneCurve) -> ToneCurve {
    if tone.contrast_u < KNOWN {
        return tone;
    }
    let plain = grain::gather(fields, tone).grains;
    let mut paths = component::plain_and_vivid_paths(&gains::chosen(&plain), prior);
    if paths.is_empty() {
        return tone;
    }
    let unit = (paths[0].1.misfit / EXPECTED_MISFIT).max(LEAST_MISFIT).powi(2) * CHROMA_ALONE;
    paths.truncate(TRIED);
    let costs: Vec<f64> = CONTRASTS
        .iter()
        .map(|contrast| {
            let grains = grain::gather(fields, ToneCurve { contrast: *contrast, contrast_u: 0.0 }).grains;
            let chosen = gains::chosen(&grains);
            paths
                .iter()
                .map(|(path, fitted)| gains::fit(&chosen, path, prior.rigid(), &[fitted.as_start()]).cost)
                .fold(f64::INFINITY, f64::min)
                / unit
                + (contrast / tone.contrast_u).powi(2)
        })
        .collect();
    let least = costs.iter().copied().fold(f64::INFINITY, f64::min);
    let weights: Vec<f64> = costs.iter().map(|c| (-0.5 * (c - least)).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean = weights.iter().zip(CONTRASTS).map(|(w, k)| w * k).sum::<f64>() / total;
    let variance = weights.iter().zip(CONTRASTS).map(|(w, k)| w * (k - mean).powi(2)).sum::<f64>() / total;
    // The steps are coarse: what lies between them is not known better than a fraction of one.
    ToneCurve { contrast: mean, contrast_u: variance.sqrt().max(0.3 * (CONTRASTS[1] - CONTRASTS[0])) }
}
