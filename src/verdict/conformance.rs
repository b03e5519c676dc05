//! How probable it is that a limit is met, given an uncertain measurement (JCGM 106:2012).
//!
//! The limits concern what was photographed. For thickness the probability is counted over equally likely surfaces.
//! For defects it is counted over which of the findings are real (each with its confidence, independent of each other)
//! and over one common relative error of their sizes. What that says of the rest of the section is a question of
//! sampling: [`poisson_rate_interval`] answers it beside the verdict, not within it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A limit is met at this conformance probability or more.
pub const MET_FROM: f64 = 0.95;
/// A limit is missed at this conformance probability or less.
pub const MISSED_UP_TO: f64 = 0.05;

/// Draws over which defect limits are counted.
const DRAWS: usize = 4000;
/// Seed of those draws: the same findings always give the same verdict.
const SEED: u64 = 0x5ec7_1014;

/// Whether a limit is met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Met {
    /// Conformance probability [`MET_FROM`] or more.
    Yes,
    /// Conformance probability [`MISSED_UP_TO`] or less.
    No,
    /// Between the two, or not known at all.
    Undetermined,
}

impl Met {
    /// From a conformance probability; None when it is not known.
    #[must_use]
    pub fn from_probability(probability: Option<f64>) -> Self {
        match probability {
            Some(p) if p >= MET_FROM => Self::Yes,
            Some(p) if p <= MISSED_UP_TO => Self::No,
            _ => Self::Undetermined,
        }
    }

    /// True, false, or None when undetermined.
    #[must_use]
    pub fn as_bool(self) -> Option<bool> {
        match self {
            Self::Yes => Some(true),
            Self::No => Some(false),
            Self::Undetermined => None,
        }
    }
}

/// Standard normal distribution function.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Probability that a normally distributed quantity lies between two limits, either of which may be open
/// (JCGM 106:2012, 7.2 to 7.5).
#[must_use]
pub fn normal_conformance(value: f64, standard_uncertainty: f64, lower: Option<f64>, upper: Option<f64>) -> f64 {
    let cdf = |limit: f64| {
        if standard_uncertainty > 0.0 {
            normal_cdf((limit - value) / standard_uncertainty)
        } else {
            f64::from(u8::from(value <= limit))
        }
    };
    // At zero uncertainty a value on the lower limit conforms, as does one on the upper.
    let below = lower.map_or(0.0, |l| if standard_uncertainty > 0.0 { cdf(l) } else { f64::from(u8::from(value < l)) });
    (upper.map_or(1.0, cdf) - below).clamp(0.0, 1.0)
}

/// Share of equally likely draws that conform; None when there are no draws.
pub fn share_of_draws<T>(draws: &[T], conforms: impl Fn(&T) -> bool) -> Option<f64> {
    (!draws.is_empty()).then(|| draws.iter().filter(|d| conforms(d)).count() as f64 / draws.len() as f64)
}

/// Probability that the sum over the real ones among `findings` stays at or below `limit`.
///
/// Each finding is (contribution, confidence). Real or not is drawn for each on its own; the sizes share one relative
/// error of standard deviation `relative_u` (an outline drawn a little too wide is so everywhere), which is the cautious
/// case. No findings: 1.
#[must_use]
pub fn sum_conformance(findings: &[(f64, f64)], relative_u: f64, limit: f64) -> f64 {
    if findings.is_empty() {
        return 1.0;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let conforming = (0..DRAWS)
        .filter(|_| {
            let size_error: f64 = StandardNormal.sample(&mut rng);
            let sum: f64 =
                findings.iter().filter(|(_, confidence)| rng.random::<f64>() < *confidence).map(|(size, _)| size).sum();
            sum * (1.0 + relative_u * size_error).max(0.0) <= limit
        })
        .count();
    conforming as f64 / DRAWS as f64
}

/// Probability that no real one among `findings` is larger than `limit`; each is (size, confidence), its size normally
/// distributed with the relative standard uncertainty `relative_u`.
#[must_use]
pub fn largest_conformance(findings: &[(f64, f64)], relative_u: f64, limit: f64) -> f64 {
    findings
        .iter()
        .map(|(size, confidence)| {
            1.0 - confidence * (1.0 - normal_conformance(*size, relative_u * size, None, Some(limit)))
        })
        .product()
}

/// Central 95 % interval of the rate behind `count` events on `area`, exact for a Poisson process
/// (F. Garwood, Biometrika 28, 437-442, 1936): what the section as a whole may hold when the fields are a fair sample of it.
#[must_use]
pub fn poisson_rate_interval(count: usize, area: f64) -> [f64; 2] {
    const TAIL: f64 = 0.025;
    // Solves tail(mean) = TAIL for a tail that falls (or rises) with the mean, by bisection.
    let solve = |at_most: usize, target: f64| {
        let (mut low, mut high) = (0.0_f64, count as f64 + 10.0 * (count as f64 + 1.0).sqrt() + 10.0);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if poisson_cdf(at_most, middle) > target {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    };
    let lower = if count == 0 { 0.0 } else { solve(count - 1, 1.0 - TAIL) };
    [lower / area, solve(count, TAIL) / area]
}

/// Probability that the mean of a Poisson count is at most `most` after `count` events were seen (the count may be an
/// expected number, not whole), with the prior of H. Jeffreys for a rate: gamma of shape `count` + 1/2.
#[must_use]
pub fn poisson_at_most(count: f64, most: f64) -> f64 {
    gamma_cdf(count + 0.5, most)
}

/// Regularised lower incomplete gamma function by its series (Abramowitz & Stegun 6.5.29); `shape` > 0.
fn gamma_cdf(shape: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let log_term = shape * x.ln() - x - libm::lgamma(shape + 1.0);
    if log_term < -600.0 {
        // Both the first term and the tail beyond it are too small for a double: all of the distribution lies on one side.
        return if x > shape { 1.0 } else { 0.0 };
    }
    let mut term = log_term.exp();
    let (mut sum, mut n) = (term, shape);
    // Terms grow until n passes x, then fall at least geometrically.
    while n <= x || term > 1e-16 * sum {
        n += 1.0;
        term *= x / n;
        sum += term;
        if n > x + 10_000.0 {
            break;
        }
    }
    sum.min(1.0)
}

/// Probability of at most `count` events of a Poisson process with this mean.
fn poisson_cdf(count: usize, mean: f64) -> f64 {
    if mean <= 0.0 {
        return 1.0;
    }
    let term = |k: f64| (k * mean.ln() - mean - libm::lgamma(k + 1.0)).exp();
    (0..=count).map(|k| term(k as f64)).sum::<f64>().min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_distribution_has_its_analytic_values() {
        for (z, p) in
            [(0.0, 0.5), (1.0, 0.841_344_746_068_543), (1.644_853_626_951_47, 0.95), (-1.959_963_984_540_05, 0.025)]
        {
            assert!((normal_cdf(z) - p).abs() < 1e-12, "z = {z}");
        }
        assert!((normal_conformance(30.0, 2.5, Some(25.0), Some(35.0)) - 0.954_499_736_103_642).abs() < 1e-12);
        assert_eq!(normal_conformance(35.0, 0.0, Some(25.0), Some(35.0)), 1.0);
        assert_eq!(normal_conformance(25.0, 0.0, Some(25.0), Some(35.0)), 1.0);
        assert_eq!(normal_conformance(35.1, 0.0, Some(25.0), Some(35.0)), 0.0);
    }

    /// JCGM 106:2012's worked example of a Zener diode's breakdown voltage, quoted from memory: best estimate -5.47 V,
    /// standard uncertainty 0.05 V, upper limit -5.40 V, conformance probability 0.92.
    #[test]
    fn jcgm_106_zener_diode() {
        let p = normal_conformance(-5.47, 0.05, None, Some(-5.40));
        assert!((p - 0.92).abs() < 0.005, "{p}");
        assert_eq!(Met::from_probability(Some(p)), Met::Undetermined);
    }

    /// Garwood's table as widely reprinted, quoted from memory.
    #[test]
    fn garwood_interval_has_its_published_values() {
        for (n, lower, upper) in [
            (0, 0.0, 3.689),
            (1, 0.0253, 5.572),
            (2, 0.2422, 7.225),
            (5, 1.623, 11.668),
            (10, 4.795, 18.390),
            (100, 81.36, 121.63),
        ] {
            let [l, u] = poisson_rate_interval(n, 1.0);
            assert!((l - lower).abs() < 6e-3 && (u - upper).abs() < 6e-3, "{n}: {l} {u}");
        }
        let [l, u] = poisson_rate_interval(10, 4.0);
        assert!((l - 4.795 / 4.0).abs() < 1e-3 && (u - 18.390 / 4.0).abs() < 1e-3);
    }

    #[test]
    fn gamma_distribution_has_its_analytic_values() {
        // Shape 1: 1 - exp(-x). Shape 1/2: erf(sqrt x). Whole shape k: one minus the Poisson distribution at k - 1.
        assert!((gamma_cdf(1.0, 3.0) - (1.0 - (-3.0_f64).exp())).abs() < 1e-12);
        assert!((gamma_cdf(0.5, 2.0) - libm::erf(2.0_f64.sqrt())).abs() < 1e-12);
        assert!((gamma_cdf(5.0, 7.5) - (1.0 - poisson_cdf(4, 7.5))).abs() < 1e-12);
        assert!((gamma_cdf(60.0, 2000.0) - 1.0).abs() < 1e-12);
        assert!(poisson_at_most(0.0, 2.0) > 0.95 && poisson_at_most(1.0, 0.6) > 0.05);
    }

    #[test]
    fn count_over_uncertain_findings_is_the_binomial() {
        // 12 findings of confidence 0.9 and a limit of 10.5: P(N <= 10) of Binomial(12, 0.9) is 0.340 998 ...
        let exact = 1.0 - 12.0 * 0.9_f64.powi(11) * 0.1 - 0.9_f64.powi(12);
        let counted = sum_conformance(&[(1.0, 0.9); 12], 0.0, 10.5);
        assert!((counted - exact).abs() < 0.02, "{counted} against {exact}");
    }

    #[test]
    fn sure_findings_leave_only_the_size_error() {
        // 0.012 ± 10 % against 0.010: z = (1/1.2 - 1) / 0.1.
        let exact = normal_cdf((0.010 / 0.012 - 1.0) / 0.1);
        let counted = sum_conformance(&[(0.012, 1.0)], 0.1, 0.010);
        assert!((counted - exact).abs() < 0.01, "{counted} against {exact}");
        assert_eq!(sum_conformance(&[], 0.1, 0.010), 1.0);
    }

    #[test]
    fn largest_of_several_needs_all_to_conform() {
        let one = largest_conformance(&[(200.0, 1.0)], 0.04, 200.0);
        assert!((one - 0.5).abs() < 1e-12);
        assert!((largest_conformance(&[(200.0, 1.0), (200.0, 1.0)], 0.04, 200.0) - 0.25).abs() < 1e-12);
        assert!((largest_conformance(&[(900.0, 0.6)], 0.04, 200.0) - 0.4).abs() < 1e-9);
    }
}
