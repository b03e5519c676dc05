//! A film of air between two faces of glass: how much light it passes, and the colours that makes.
//!
//! Film under a rock that has come off its glass shows these as Newton's colours.

use std::f64::consts::PI;

use crate::optics::lamp::wavelengths;
use crate::units::Nanometres;

/// Refractive index on either side of the film: resin and glass, 1.52 to 1.54 (common practice, no source).
pub const INDEX: f64 = 1.53;

/// Share of light that one face between air and a medium of this index sends back at right angles, ((n - 1)/(n + 1))².
///
/// Fresnel; Born & Wolf, Principles of Optics, 1.5.3 (from memory; standard).
#[must_use]
pub fn reflectance(index: f64) -> f64 {
    ((index - 1.0) / (index + 1.0)).powi(2)
}

/// Share of light of a wavelength that a film of air of this thickness passes at right angles, between faces of `reflectance`.
///
/// Airy's formula 1/(1 + F·sin²(δ/2)) with F = 4R/(1 - R)² and δ/2 = 2πd/λ; Born & Wolf, Principles of Optics, 7.6.1 (from
/// memory; standard).
#[must_use]
pub fn passed(thickness: Nanometres, wavelength: Nanometres, reflectance: f64) -> f64 {
    let finesse = 4.0 * reflectance / (1.0 - reflectance).powi(2);
    let phase = 2.0 * PI * thickness.nm() / wavelength.nm();
    1.0 / (1.0 + finesse * phase.sin().powi(2))
}

/// Natural logarithm of red, green and blue that a film passes, as a white-balanced camera records it: no film is (0, 0, 0).
///
/// `weights` take a transmittance on the wavelength grid to linear sRGB, white at (1, 1, 1)
/// ([`camera_weights`](crate::optics::observer::camera_weights)).
#[must_use]
pub fn log_colour(weights: &[[f64; 3]], thickness: Nanometres) -> [f64; 3] {
    let r = reflectance(INDEX);
    let mut light = [0.0; 3];
    for (nm, weight) in wavelengths().zip(weights) {
        let t = passed(thickness, Nanometres::from_nm(nm), r);
        for c in 0..3 {
            light[c] += weight[c] * t;
        }
    }
    light.map(f64::ln)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::Lamp;
    use crate::optics::observer::{WhiteScaling, camera_weights};

    fn nm(v: f64) -> Nanometres {
        Nanometres::from_nm(v)
    }

    /// Window glass of 1.5 sends back 4 % (Born & Wolf 1.5.3, from memory).
    #[test]
    fn a_face_of_glass_sends_back_four_per_cent() {
        assert!((reflectance(1.5) - 0.04).abs() < 1e-12);
        assert!((reflectance(1.53) - 0.0439).abs() < 1e-4);
    }

    /// Against the sum over beams that went to and fro k times: amplitude (1 - R)·Rᵏ, phase k·δ.
    #[test]
    fn airys_formula_is_the_sum_over_all_beams() {
        for r in [0.0439_f64, 0.3, 0.8] {
            for d in [0.0, 40.0, 137.5, 275.0, 411.0, 1234.5] {
                let delta = 4.0 * PI * d / 550.0;
                let (mut re, mut im) = (0.0, 0.0);
                for k in 0..400 {
                    let amplitude = (1.0 - r) * r.powi(k);
                    re += amplitude * (f64::from(k) * delta).cos();
                    im += amplitude * (f64::from(k) * delta).sin();
                }
                let ours = passed(nm(d), nm(550.0), r);
                assert!((ours - (re * re + im * im)).abs() < 1e-9, "R {r}, {d} nm: {ours}");
            }
        }
    }

    #[test]
    fn a_quarter_of_a_wave_is_darkest_and_a_half_as_clear_as_none() {
        let r = reflectance(INDEX);
        assert!((passed(nm(275.0), nm(550.0), r) - 1.0).abs() < 1e-12);
        let least = ((1.0 - r) / (1.0 + r)).powi(2);
        assert!((passed(nm(137.5), nm(550.0), r) - least).abs() < 1e-12);
        assert!((1.0 - least - 0.161).abs() < 0.001, "the band is {least}");
    }

    /// The mean over all phases is 1/√(1 + F) (elementary integral): what a thick film passes without any colour.
    #[test]
    fn a_thick_film_is_grey() {
        let weights = camera_weights(&Lamp::Planck(2900.0).spectrum(), WhiteScaling::Channels);
        let r = reflectance(INDEX);
        let grey = (1.0 + 4.0 * r / (1.0 - r).powi(2)).powf(-0.5);
        for channel in log_colour(&weights, nm(12_000.0)) {
            assert!((channel - grey.ln()).abs() < 0.01, "{channel} for {}", grey.ln());
        }
    }
}
