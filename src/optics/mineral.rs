//! Birefringence of the rock-forming minerals that stand beside quartz, and how cuts through a crystal are distributed.

/// A mineral with the range of its largest birefringence at 589.3 nm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mineral {
    /// Name.
    pub name: &'static str,
    /// Lower bound of the largest birefringence.
    pub low: f64,
    /// Upper bound of the largest birefringence.
    pub high: f64,
    /// Where the range is from.
    pub source: &'static str,
}

/// Minerals for the chart, the mixture and `reference_mineral`, ascending birefringence.
pub const MINERALS: [Mineral; 9] = [
    Mineral {
        name: "microcline",
        low: 0.005,
        high: 0.008,
        source: "Nesse, Introduction to Optical Mineralogy (1991), fig. C.1",
    },
    Mineral { name: "orthoclase", low: 0.005, high: 0.008, source: "handbook value, from memory" },
    Mineral { name: "quartz", low: 0.0091, high: 0.0091, source: "Ghosh 1999 at 589.3 nm" },
    Mineral { name: "plagioclase", low: 0.007, high: 0.013, source: "handbook value, from memory" },
    Mineral { name: "biotite", low: 0.027, high: 0.045, source: "FU Berlin course notes" },
    Mineral { name: "olivine", low: 0.033, high: 0.052, source: "Nesse (1991), fig. C.1" },
    Mineral { name: "muscovite", low: 0.035, high: 0.049, source: "university course notes" },
    Mineral { name: "zircon", low: 0.055, high: 0.055, source: "handbook tables" },
    Mineral { name: "calcite", low: 0.172, high: 0.172, source: "indices 1.658 / 1.486, handbook" },
];

/// Share of random cuts through a uniaxial crystal whose retardation is at most `x` of the largest one.
///
/// c-axes uniform on the sphere and Γ/Γmax = sin²θ give F(x) = 1 - √(1 - x), density 1/(2√(1 - x)), mean 2/3, median 3/4.
/// For quartz sin²θ departs from the exact index ellipsoid by at most 0.0022 of the maximum.
#[must_use]
pub fn share_below(x: f64) -> f64 {
    1.0 - (1.0 - x.clamp(0.0, 1.0)).sqrt()
}

/// Expected largest Γ/Γmax among `n` random cuts: 1 - 2/((n + 1)(n + 2)).
#[must_use]
pub fn expected_largest(n: usize) -> f64 {
    let n = n as f64;
    1.0 - 2.0 / ((n + 1.0) * (n + 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_near_the_maximum() {
        for (x, above) in [(0.90, 0.316), (0.95, 0.224), (0.98, 0.141), (0.99, 0.100)] {
            assert!((1.0 - share_below(x) - above).abs() < 5e-4, "{x}");
        }
        assert!((share_below(0.75) - 0.5).abs() < 1e-12, "the median cut shows three quarters");
    }

    #[test]
    fn largest_of_n_grains() {
        for (n, largest) in [(5, 0.9524), (10, 0.9848), (20, 0.9957), (50, 0.9992)] {
            assert!((expected_largest(n) - largest).abs() < 1e-4, "{n}");
        }
    }

    /// Grains for a 95 % chance that the highest reaches a share of the true maximum: 8, 12, 20, 29 for 0.90 to 0.99.
    #[test]
    fn grains_needed() {
        for (x, n) in [(0.90, 8), (0.95, 12), (0.98, 20), (0.99, 29)] {
            let missed = |n: i32| share_below(x).powi(n);
            assert!(missed(n) <= 0.05 && missed(n - 1) > 0.05, "{x}");
        }
    }
}
