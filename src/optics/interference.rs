//! Interference colours between crossed polars, forward: retardation to colour.

use crate::optics::lamp::{Lamp, wavelengths};
use crate::optics::observer::{WhiteScaling, camera_weights, xyy};
use crate::optics::{quartz, srgb};
use crate::units::Nanometres;

/// Transmittance of a crystal at 45° between crossed polars, sin²(πΓ/λ), on the wavelength grid.
///
/// `retardation` is that at 589.3 nm; `dispersion` says how birefringence changes with wavelength relative to 589.3 nm
/// (1 for none). Born & Wolf, Principles of Optics, ch. 15 (from memory; standard).
#[must_use]
pub fn transmittance(retardation: Nanometres, dispersion: impl Fn(Nanometres) -> f64) -> Vec<f64> {
    wavelengths()
        .map(|nm| {
            let phase = std::f64::consts::PI * retardation.nm() * dispersion(Nanometres::from_nm(nm)) / nm;
            phase.sin().powi(2)
        })
        .collect()
}

/// Retardations at which the orders of interference colour end under a lamp: where the light between crossed polars is
/// weakest (CIE 1931 luminance), up to `up_to`, each to about 0.1 nm.
///
/// `dispersion` as in [`transmittance`]. Without dispersion the first is at 551 nm under D65 and at 567 nm under A.
#[must_use]
pub fn order_ends(lamp: Lamp, dispersion: impl Fn(Nanometres) -> f64, up_to: Nanometres) -> Vec<Nanometres> {
    let spectrum = lamp.spectrum();
    let light = |nm: f64| xyy(&spectrum, &transmittance(Nanometres::from_nm(nm), &dispersion))[2];
    // One step more, so that an end right at the bound is seen. The first point is the black at zero, no end.
    let y: Vec<f64> = (1..=up_to.nm().floor() as u32 + 1).map(|nm| light(f64::from(nm))).collect();
    y.windows(3)
        .enumerate()
        .filter(|(_, w)| w[1] <= w[0] && w[1] < w[2])
        .map(|(i, w)| {
            // The lowest point of the parabola through three neighbours.
            let bend = w[0] - 2.0 * w[1] + w[2];
            Nanometres::from_nm((i + 2) as f64 + 0.5 * (w[0] - w[2]) / bend)
        })
        .filter(|end| end.nm() <= up_to.nm())
        .collect()
}

/// Interference colours of quartz under one lamp, as a white-balanced camera records them: linear sRGB over retardation,
/// the open field (plane light) being (1, 1, 1), cut at zero where the colour leaves sRGB.
#[derive(Clone, Debug)]
pub struct InterferenceColours {
    step_nm: f64,
    colours: Vec<[f64; 3]>,
}

impl InterferenceColours {
    /// Tabulates colours from 0 to `up_to` in steps of `step`.
    ///
    /// The table is made by the recurrence cos((k+1)a) = 2·cos(a)·cos(ka) - cos((k-1)a), with sin²(x) = (1 - cos 2x)/2.
    #[must_use]
    pub fn new(lamp: Lamp, scaling: WhiteScaling, step: Nanometres, up_to: Nanometres) -> Self {
        let weights = camera_weights(&lamp.spectrum(), scaling);
        Self::from_weights(&weights, step, up_to)
    }

    /// The same for any camera: `weights` take a transmittance on the wavelength grid to linear sRGB, white at (1, 1, 1).
    #[must_use]
    pub fn from_weights(weights: &[[f64; 3]], step: Nanometres, up_to: Nanometres) -> Self {
        let count = (up_to.nm() / step.nm()).ceil() as usize + 1;
        let mut colours = vec![[0.0; 3]; count];
        for (nm, w) in wavelengths().zip(weights) {
            let a = 2.0 * std::f64::consts::PI * step.nm() * quartz::dispersion(Nanometres::from_nm(nm)) / nm;
            let twice_cos = 2.0 * a.cos();
            let (mut before, mut now) = (a.cos(), 1.0);
            for colour in &mut colours {
                let t = 0.5 * (1.0 - now);
                for c in 0..3 {
                    colour[c] += w[c] * t;
                }
                (before, now) = (now, twice_cos * now - before);
            }
        }
        for colour in &mut colours {
            *colour = colour.map(|c| c.max(0.0));
        }
        Self { step_nm: step.nm(), colours }
    }

    /// Linear sRGB at a retardation (589.3 nm), linearly interpolated; the end of the table beyond it.
    #[must_use]
    pub fn colour(&self, retardation: Nanometres) -> [f64; 3] {
        let position = (retardation.nm() / self.step_nm).clamp(0.0, (self.colours.len() - 1) as f64);
        let below = (position as usize).min(self.colours.len() - 2);
        let t = position - below as f64;
        std::array::from_fn(|c| self.colours[below][c] * (1.0 - t) + self.colours[below + 1][c] * t)
    }

    /// sRGB code values (0 to 255) at a retardation, colours beyond sRGB cut.
    #[must_use]
    pub fn code(&self, retardation: Nanometres) -> [u8; 3] {
        self.colour(retardation).map(srgb::code)
    }

    /// Largest tabulated retardation.
    #[must_use]
    pub fn up_to(&self) -> Nanometres {
        Nanometres::from_nm(self.step_nm * (self.colours.len() - 1) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn luminance(lamp: &[f64], nm: f64) -> f64 {
        xyy(lamp, &transmittance(Nanometres::from_nm(nm), |_| 1.0))[2]
    }

    /// Luminance minimum between first and second order with Γ constant: 551 nm (D65), 567 nm (A).
    #[test]
    fn the_end_of_the_first_order_depends_on_the_lamp() {
        for (lamp, minimum, maximum) in [(Lamp::D65, 551, 275), (Lamp::A, 567, 283)] {
            let spectrum = lamp.spectrum();
            let y = |nm: i32| luminance(&spectrum, f64::from(nm));
            let lowest = (500..620).min_by(|a, b| y(*a).total_cmp(&y(*b))).unwrap();
            let highest = (220..340).max_by(|a, b| y(*a).total_cmp(&y(*b))).unwrap();
            assert_eq!((lowest, highest), (minimum, maximum), "{lamp}");
        }
    }

    /// Luminance minima computed with an independent program (numpy, colour-science): 551, 1106, 1666 nm under D65,
    /// 567, 1137, 1711 nm under A.
    #[test]
    fn orders_end_where_the_light_is_weakest() {
        for (lamp, ends) in [(Lamp::D65, [551.0, 1106.0, 1666.0]), (Lamp::A, [567.0, 1137.0, 1711.0])] {
            let ours = order_ends(lamp, |_| 1.0, Nanometres::from_nm(1750.0));
            assert_eq!(ours.len(), 3, "{lamp}: {ours:?}");
            for (ours, end) in ours.iter().zip(ends) {
                assert!((ours.nm() - end).abs() < 0.6, "{lamp}: {ours:?}");
            }
        }
    }

    #[test]
    fn the_recurrence_agrees_with_the_direct_sum() {
        let lamp = Lamp::Planck(2900.0);
        let weights = camera_weights(&lamp.spectrum(), WhiteScaling::Channels);
        let table = InterferenceColours::from_weights(&weights, Nanometres::from_nm(2.0), Nanometres::from_nm(1500.0));
        for nm in [0.0, 2.0, 100.0, 274.0, 560.0, 1498.0] {
            let t = transmittance(Nanometres::from_nm(nm), quartz::dispersion);
            let direct: [f64; 3] =
                std::array::from_fn(|c| t.iter().zip(&weights).map(|(t, w)| t * w[c]).sum::<f64>().max(0.0));
            let ours = table.colour(Nanometres::from_nm(nm));
            for c in 0..3 {
                assert!((ours[c] - direct[c]).abs() < 1e-9, "{nm} nm, channel {c}: {} and {}", ours[c], direct[c]);
            }
        }
    }
}
