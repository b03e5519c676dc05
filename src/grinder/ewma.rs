//! Exponentially weighted moving average: it sees small and lasting changes that single values hide.
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4.

/// Weight of the newest value (the handbook's example; its advice is 0.2 to 0.3).
pub const WEIGHT: f64 = 0.3;
/// Standard deviations of the average from its mean to its limits.
pub const WIDTH: f64 = 3.0;

/// The averages of values in the order they were made, from `start` on.
#[must_use]
pub fn ewma(values: &[f64], start: f64) -> Vec<f64> {
    values
        .iter()
        .scan(start, |average, value| {
            *average += WEIGHT * (value - *average);
            Some(*average)
        })
        .collect()
}

/// Standard deviation of the `n`-th average (from 1) over that of a value. It grows toward sqrt(w / (2 - w)).
#[must_use]
pub fn spread(n: usize) -> f64 {
    let left = (1.0 - WEIGHT).powi(2 * i32::try_from(n).unwrap_or(i32::MAX / 2));
    (WEIGHT / (2.0 - WEIGHT) * (1.0 - left)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.3.2.4: values, their averages and the limits.
    #[test]
    fn worked_example_of_the_handbook() {
        let values = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
            53.6, 52.1,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        for (found, told) in ewma(&values, 50.0).iter().zip(printed) {
            assert!((found - told).abs() < 0.0051, "{found} {told}");
        }
        let half = WIDTH * 2.0539 * spread(1000);
        assert!((50.0 + half - 52.5884).abs() < 1e-3 && (50.0 - half - 47.4115).abs() < 1e-3, "{half}");
    }

    #[test]
    fn the_first_average_spreads_as_much_as_its_weight() {
        assert!((spread(1) - WEIGHT).abs() < 1e-12);
        // Two steps by hand: w^2 + (w (1 - w))^2.
        assert!((spread(2).powi(2) - (0.09 + 0.0441)).abs() < 1e-12);
    }
}
