//! How likely chance alone is: distributions from a library, and shuffles from a fixed seed.

use rand::seq::SliceRandom as _;
use rand::{Rng, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

/// Most values that are drawn for one probability.
const MOST_DRAWN: usize = 400_000_000;

/// Two-sided probability of a `t` or one further out with `df` degrees of freedom, and None for fewer than one.
#[must_use]
pub fn student_two_sided(t: f64, df: f64) -> Option<f64> {
    StudentsT::new(0.0, 1.0, df).ok().map(|d| 2.0 * d.cdf(-t.abs()))
}

/// The `t` that 95 % lie within, both sides together.
#[must_use]
pub fn student_95(df: f64) -> Option<f64> {
    StudentsT::new(0.0, 1.0, df).ok().map(|d| d.inverse_cdf(0.975))
}

/// Probability of an `f` so large or larger.
#[must_use]
pub fn fisher_above(f: f64, df1: f64, df2: f64) -> Option<f64> {
    FisherSnedecor::new(df1, df2).ok().map(|d| d.sf(f))
}

/// The `f` that 95 % lie below.
#[must_use]
pub fn fisher_95(df1: f64, df2: f64) -> Option<f64> {
    FisherSnedecor::new(df1, df2).ok().map(|d| d.inverse_cdf(0.95))
}

/// How many rounds of `cost` drawn values each there are time for, `most` at most and 199 at least.
#[must_use]
pub fn affordable(cost: usize, most: usize) -> usize {
    most.min(MOST_DRAWN / cost.max(1)).max(199)
}

/// Dice that fall the same way every time.
#[must_use]
pub fn dice() -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(0x7468_696e_7072_6f6f)
}

/// Share of `rounds` (at least one) in which `as_much` holds of what `draw` makes, the observed one counted among
/// them: never zero (Davison and Hinkley 1997, Bootstrap Methods and their Application, equation 4.11). The same every time.
#[must_use]
pub fn share_of_rounds(rounds: usize, mut as_much: impl FnMut(&mut ChaCha8Rng) -> bool) -> f64 {
    let mut dice = dice();
    let hits = (0..rounds).filter(|_| as_much(&mut dice)).count();
    (hits + 1) as f64 / (rounds + 1) as f64
}

/// Lays values in a random order.
pub fn shuffle<T>(values: &mut [T], dice: &mut impl Rng) {
    values.shuffle(dice);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tables of the t and F distributions in the NIST/SEMATECH e-Handbook 1.3.6.7.2 and 1.3.6.7.3.
    #[test]
    fn tables_of_the_handbook() {
        for (df, t) in [(1.0, 12.706), (10.0, 2.228), (30.0, 2.042)] {
            assert!((student_95(df).unwrap() - t).abs() < 5e-4, "{df}");
            assert!((student_two_sided(t, df).unwrap() - 0.05).abs() < 1e-4);
        }
        for (a, b, f) in [(2.0, 12.0, 3.885), (2.0, 6.0, 5.143), (1.0, 10.0, 4.965)] {
            assert!((fisher_95(a, b).unwrap() - f).abs() < 6e-4, "{a} {b}");
            assert!((fisher_above(f, a, b).unwrap() - 0.05).abs() < 1e-4);
        }
        assert_eq!(student_95(0.0), None);
    }

    #[test]
    fn a_share_is_never_zero_and_the_same_every_time() {
        assert!((share_of_rounds(999, |_| false) - 0.001).abs() < 1e-12);
        let coin = || share_of_rounds(1999, |dice| dice.next_u32() & 1 == 0);
        assert!((coin() - 0.5).abs() < 0.04);
        assert_eq!(coin().to_bits(), coin().to_bits());
    }
}
