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
    /// Optic axial angle 2V, lower and upper bound, degrees; zeros when uniaxial (handbook values, from memory).
    pub two_v: (f64, f64),
}

/// Minerals for the chart, the mixture and `reference_mineral`, ascending birefringence.
pub const MINERALS: [Mineral; 9] = [
    Mineral {
        name: "microcline",
        low: 0.005,
        high: 0.008,
        source: "Nesse, Introduction to Optical Mineralogy (1991), fig. C.1",
        two_v: (66.0, 84.0),
    },
    Mineral { name: "orthoclase", low: 0.005, high: 0.008, source: "handbook value, from memory", two_v: (35.0, 75.0) },
    Mineral { name: "quartz", low: 0.0091, high: 0.0091, source: "Ghosh 1999 at 589.3 nm", two_v: (0.0, 0.0) },
    Mineral {
        name: "plagioclase",
        low: 0.007,
        high: 0.013,
        source: "handbook value, from memory",
        two_v: (75.0, 90.0),
    },
    Mineral { name: "biotite", low: 0.027, high: 0.045, source: "FU Berlin course notes", two_v: (0.0, 25.0) },
    Mineral { name: "olivine", low: 0.033, high: 0.052, source: "Nesse (1991), fig. C.1", two_v: (80.0, 90.0) },
    Mineral { name: "muscovite", low: 0.035, high: 0.049, source: "university course notes", two_v: (30.0, 47.0) },
    Mineral { name: "zircon", low: 0.055, high: 0.055, source: "handbook tables", two_v: (0.0, 0.0) },
    Mineral { name: "calcite", low: 0.172, high: 0.172, source: "indices 1.658 / 1.486, handbook", two_v: (0.0, 0.0) },
];

/// Share of random cuts through a uniaxial crystal whose retardation is at most `x` of the largest one.
///
/// c-axes uniform on the sphere and Γ/Γmax = sin²θ give F(x) = 1 - √(1 - x), density 1/(2√(1 - x)), mean 2/3, median 3/4.
/// For quartz sin²θ departs from the exact index ellipsoid by at most 0.0022 of the maximum.
#[must_use]
pub fn share_below(x: f64) -> f64 {
    1.0 - (1.0 - x.clamp(0.0, 1.0)).sqrt()
}

/// Share of random cuts of a biaxial crystal whose Γ/Γmax is at most `x`, for each of `xs` (ascending), averaged over optic
/// axial angles 2V spread evenly between two bounds (degrees).
///
/// Γ/Γmax = sin θ₁ sin θ₂ with θ the angles between the direction of view and the optic axes (textbook; from memory). Other
/// than in a uniaxial crystal few cuts come near the maximum: it is one direction, not a circle of them.
#[must_use]
pub fn biaxial_shares_below(xs: &[f64], two_v: (f64, f64)) -> Vec<f64> {
    const AXES: usize = 7;
    const COSINES: usize = 160;
    const AZIMUTHS: usize = 80;
    let mut seen: Vec<f64> = Vec::with_capacity(AXES * COSINES * AZIMUTHS);
    for a in 0..AXES {
        let v = 0.5 * (two_v.0 + (two_v.1 - two_v.0) * (a as f64 + 0.5) / AXES as f64).to_radians();
        let (sin, cos) = v.sin_cos();
        for i in 0..COSINES {
            let z = (i as f64 + 0.5) / COSINES as f64;
            let r = (1.0 - z * z).sqrt();
            for j in 0..AZIMUTHS {
                let x = r * ((j as f64 + 0.5) / AZIMUTHS as f64 * std::f64::consts::PI).cos();
                let sine = |c: f64| (1.0 - c * c).max(0.0).sqrt();
                seen.push(sine(x * sin + z * cos) * sine(z * cos - x * sin));
            }
        }
    }
    seen.sort_by(f64::total_cmp);
    let n = seen.len() as f64;
    xs.iter().map(|x| seen.partition_point(|s| s <= x) as f64 / n).collect()
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
    fn a_biaxial_crystal_with_no_axial_angle_is_uniaxial() {
        let xs = [0.1, 0.25, 0.5, 0.75, 0.9, 0.98];
        for (x, share) in xs.iter().zip(biaxial_shares_below(&xs, (0.0, 0.0))) {
            assert!((share - share_below(*x)).abs() < 0.01, "{x}: {share}");
        }
    }

    #[test]
    fn few_biaxial_cuts_come_near_the_maximum() {
        let near = 1.0 - biaxial_shares_below(&[0.95], (80.0, 90.0))[0];
        // Around the optic normal x falls as 1 - (θ₁² + θ₂²)/2 for 2V = 90°: a cap of 1 - cos 0.316 = 0.050 of the sphere's half.
        assert!((near - 0.05).abs() < 0.01, "{near}");
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
