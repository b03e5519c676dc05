//! One type for a measured quantity, used everywhere and written to the report as it is.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A value with its standard uncertainty and coverage interval (JCGM 100:2008, JCGM 106:2012).
///
/// The unit is that of the field that holds it and stands in that field's name.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty (one standard deviation), same unit.
    pub standard_uncertainty: f64,
    /// Coverage interval, lower and upper bound, same unit.
    pub interval: [f64; 2],
    /// Coverage probability of `interval`.
    pub level: f64,
}

/// Half-width of the central 95 % interval of a normal distribution, in standard deviations.
const Z95: f64 = 1.959_963_984_540_054;

impl Measured {
    /// A normally distributed value with its central 95 % interval.
    #[must_use]
    pub fn normal(value: f64, standard_uncertainty: f64) -> Self {
        let half = Z95 * standard_uncertainty;
        Self { value, standard_uncertainty, interval: [value - half, value + half], level: 0.95 }
    }

    /// Median, standard deviation and central 95 % interval of equally likely draws.
    ///
    /// # Panics
    /// When `draws` is empty or holds a NaN.
    #[must_use]
    pub fn from_draws(draws: &[f64]) -> Self {
        assert!(!draws.is_empty(), "a distribution needs at least one draw");
        let mut sorted = draws.to_vec();
        sorted.sort_by(f64::total_cmp);
        assert!(sorted.iter().all(|d| d.is_finite()), "draws must be finite");
        let n = sorted.len() as f64;
        let mean = sorted.iter().sum::<f64>() / n;
        let variance = sorted.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        Self {
            value: quantile(&sorted, 0.5),
            standard_uncertainty: variance.sqrt(),
            interval: [quantile(&sorted, 0.025), quantile(&sorted, 0.975)],
            level: 0.95,
        }
    }

    /// The same quantity shifted by a known amount.
    #[must_use]
    pub fn shifted(self, by: f64) -> Self {
        Self { value: self.value + by, interval: self.interval.map(|b| b + by), ..self }
    }

    /// Value and interval to hundredths of the unit, as records state thicknesses in µm. Whoever prints fewer decimals starts from
    /// these, lest a sentence and the record beside it round one number to two.
    #[must_use]
    pub fn to_hundredths(self) -> Self {
        Self { value: round(self.value, 2), interval: self.interval.map(|b| round(b, 2)), ..self }
    }
}

/// Linearly interpolated quantile of an ascending slice; `p` in 0..=1.
///
/// # Panics
/// When `sorted` is empty.
#[must_use]
pub fn quantile(sorted: &[f64], p: f64) -> f64 {
    let last = sorted.len() - 1;
    let position = p.clamp(0.0, 1.0) * last as f64;
    let below = position.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * (position - below as f64)
}

/// The value that this share of all (0..=1) is no greater than; of an even number in the middle the upper one.
///
/// # Panics
/// When there is none.
pub(crate) fn quantile_of(mut values: Vec<f32>, share: f64) -> f32 {
    let at = ((values.len() as f64 * share) as usize).min(values.len() - 1);
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Rounded to so many decimals; never minus zero.
#[must_use]
pub fn round(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale + 0.0
}

/// Rounded to so many significant digits.
#[must_use]
pub fn significant(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    format!("{value:.*e}", usize::try_from(digits - 1).unwrap_or(0)).parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_keeps_what_the_number_means() {
        assert_eq!(round(29.9963, 2), 30.0);
        assert_eq!(round(-0.001, 2).to_bits(), 0.0_f64.to_bits());
        assert_eq!(significant(0.001_234_567, 4), 0.001_235);
        assert_eq!(significant(123_456.0, 4), 123_500.0);
        assert_eq!(significant(0.0, 4), 0.0);
    }
}
