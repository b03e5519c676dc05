//! A maker's contrast curve on top of the sRGB curve, and its undoing.
//!
//! With angles 22.5° apart every crystal must give I(0) + I(45) = I(22.5) + I(67.5) in linear light; with more, a pure
//! second harmonic. What departs from it measures the curve. Angles 30° apart fit any three values and measure nothing.

use crate::optics::srgb::{decode, encode};
use crate::thickness::grain::{FieldCrystals, undone};

/// A contrast curve in encoded values: v' = v + 2κ·v·(1 - v)·(2v - 1), whose slope at mid-grey is 1 + κ.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToneCurve {
    /// Extra slope at mid-grey; 0 is none.
    pub contrast: f64,
    /// Standard uncertainty of `contrast`.
    pub contrast_u: f64,
}

/// Contrast of a camera about which the pictures say nothing: most apply little on top of sRGB (common practice, no source).
const PRIOR_U: f64 = 0.12;
/// Range that is looked through.
const RANGE: std::ops::RangeInclusive<i32> = -8..=24;
/// What a step of it is worth.
const STEP: f64 = 0.02;

impl ToneCurve {
    /// Plain sRGB.
    pub const NONE: Self = Self { contrast: 0.0, contrast_u: 0.0 };

    /// Linear light without the curve, from linear light as decoded with the sRGB curve alone.
    #[must_use]
    pub fn undo(self, linear: f64) -> f64 {
        if self.contrast == 0.0 {
            return linear;
        }
        let shown = encode(linear.clamp(0.0, 1.0));
        let k = 2.0 * self.contrast;
        let mut v = shown;
        for _ in 0..6 {
            let f = v + k * v * (1.0 - v) * (2.0 * v - 1.0) - shown;
            let slope = 1.0 + k * (-6.0 * v * v + 6.0 * v - 1.0);
            v = (v - f / slope.max(0.2)).clamp(0.0, 1.0);
        }
        decode(v)
    }

    /// Whether it lies at an end of what is looked through, so that it is none that a camera has.
    #[must_use]
    pub fn beyond_cameras(self) -> bool {
        let [least, most] = [*RANGE.start(), *RANGE.end()].map(|k| f64::from(k) * STEP);
        self.contrast < least + 0.5 * STEP || self.contrast > most - 0.5 * STEP
    }

    /// Ratio of two lights without the curve.
    #[must_use]
    pub fn ratio(self, crossed: f64, plane: f64) -> f64 {
        self.undo(crossed) / self.undo(plane).max(1e-4)
    }

    /// Estimates the curve from how far crystals depart from a pure extinction term. Without redundant angles: the prior.
    #[must_use]
    pub fn estimate(fields: &[FieldCrystals]) -> Self {
        let redundant = |f: &FieldCrystals| f.crystals.design.over_determined();
        if !fields.iter().any(redundant) {
            return Self { contrast: 0.0, contrast_u: PRIOR_U };
        }
        let cost = |contrast: f64| {
            let tone = Self { contrast, contrast_u: 0.0 };
            let mut departures = Vec::new();
            for field in fields.iter().filter(|f| redundant(f)) {
                for crystal in &field.crystals.crystals {
                    if crystal.clipped.iter().chain(&crystal.unseen).any(|c| *c > 0.02) || crystal.coherence < 0.9 {
                        continue;
                    }
                    for c in 0..3 {
                        let i: Vec<f64> =
                            (0..crystal.ratio.len()).map(|a| undone(field, crystal, tone, a, c)).collect();
                        let design = &field.crystals.design;
                        let b = design.terms(i.iter().copied());
                        let left: f64 = design
                            .angles
                            .iter()
                            .zip(&i)
                            .map(|(a, i)| (i - b[0] - b[1] * (4.0 * a).cos() - b[2] * (4.0 * a).sin()).powi(2))
                            .sum();
                        let size = b[1].hypot(b[2]);
                        if size > 0.03 {
                            departures.push((left / i.len() as f64).sqrt() / size);
                        }
                    }
                }
            }
            departures
        };
        let steps: Vec<f64> = RANGE.map(|k| f64::from(k) * STEP).collect();
        let robust = |d: &[f64], scale: f64| d.iter().map(|r| (1.0 + (r / scale).powi(2)).ln()).sum::<f64>();
        let plain = cost(0.0);
        if plain.len() < 12 {
            return Self { contrast: 0.0, contrast_u: PRIOR_U };
        }
        let all: Vec<Vec<f64>> = steps.iter().map(|k| cost(*k)).collect();
        let median = |d: &[f64]| {
            let mut d = d.to_vec();
            d.sort_by(f64::total_cmp);
            d[d.len() / 2]
        };
        let scale = all.iter().map(|d| median(d)).fold(f64::INFINITY, f64::min).max(0.002);
        // Channels of one crystal share its dirt: a third of the residuals count.
        let costs: Vec<f64> =
            all.iter().zip(&steps).map(|(d, k)| robust(d, scale) / 3.0 + 0.5 * (k / PRIOR_U).powi(2)).collect();
        let best = (0..costs.len()).min_by(|a, b| costs[*a].total_cmp(&costs[*b])).expect("steps");
        let least = costs[best];
        let weight: Vec<f64> = costs.iter().map(|c| (least - c).exp()).collect();
        let total: f64 = weight.iter().sum();
        let mean = weight.iter().zip(&steps).map(|(w, k)| w * k).sum::<f64>() / total;
        let variance = weight.iter().zip(&steps).map(|(w, k)| w * (k - mean).powi(2)).sum::<f64>() / total;
        Self { contrast: mean, contrast_u: variance.sqrt().max(0.008) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undoing_takes_back_the_curve() {
        for contrast in [-0.1, 0.1, 0.3] {
            let tone = ToneCurve { contrast, contrast_u: 0.0 };
            for linear in [0.0, 0.002, 0.05, 0.18, 0.5, 0.9, 1.0] {
                let v = encode(linear);
                let shown = decode(v + 2.0 * contrast * v * (1.0 - v) * (2.0 * v - 1.0));
                assert!((tone.undo(shown) - linear).abs() < 1e-6, "{contrast} {linear}: {}", tone.undo(shown));
            }
        }
    }
}
