//! Is a value steady from one section to the next?

use rand_distr::{Distribution as _, StandardNormal};

use crate::grinder::FEWEST_CHARTED;
use crate::grinder::chance::{affordable, dice};
use crate::grinder::ewma::{WIDTH, ewma, spread};
use crate::grinder::individuals::{Individuals, Signal};

/// Steady series that are drawn for comparison.
const ROUNDS: usize = 4999;

/// A chart of values in the order made.
#[derive(Clone, Debug, PartialEq)]
pub struct Steady {
    /// Limits of single values and moving ranges.
    pub limits: Individuals,
    /// Exponentially weighted averages, one a value.
    pub averages: Vec<f64>,
    /// Distance of the limits of each average from the mean.
    pub average_reach: Vec<f64>,
    /// Signals of single values and moving ranges.
    pub signals: Vec<Vec<Signal>>,
    /// Whether each average is beyond its limits.
    pub average_out: Vec<bool>,
    /// Probability that as long a series of a steady process strays as far somewhere, in a value, a step or an average.
    pub chance: f64,
}

/// How far a series strays at most: a value, a step and an average, each over what a steady one spreads.
fn strays(values: &[f64], limits: &Individuals) -> [f64; 3] {
    let value = values.iter().map(|v| (v - limits.mean).abs() / limits.sigma).fold(0.0, f64::max);
    let step = values.windows(2).map(|w| (w[1] - w[0]).abs() / limits.sigma).fold(0.0, f64::max);
    let mut average = (limits.mean, 0.0_f64);
    for (i, v) in values.iter().enumerate() {
        average.0 += super::ewma::WEIGHT * (v - average.0);
        // What the spread lacks of its end is nothing after some fifty values.
        let reach = limits.sigma * if i < 50 { spread(i + 1) } else { spread(50) };
        average.1 = average.1.max((average.0 - limits.mean).abs() / reach);
    }
    [value, step, average.1]
}

impl Steady {
    /// The chart of values in the order made. None for fewer than [`FEWEST_CHARTED`], or when they do not differ.
    ///
    /// With many values some leave the usual limits by chance alone, so that these only mark the chart, and `chance` says
    /// what may be made of them: the three ways of straying are compared with those of drawn steady series (normal, as long,
    /// their limits by the same rule), and the least of the three probabilities is taken three times (Bonferroni).
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < FEWEST_CHARTED {
            return None;
        }
        let limits = Individuals::of(values)?;
        let averages = ewma(values, limits.mean);
        let average_reach: Vec<f64> = (1..=values.len()).map(|n| WIDTH * limits.sigma * spread(n)).collect();
        let found = strays(values, &limits);
        let (rounds, mut dice) = (affordable(8 * values.len(), ROUNDS), dice());
        // The observed series counts among them, as in `share_of_rounds`.
        let mut as_far = [1_usize; 3];
        for _ in 0..rounds {
            let drawn: Vec<f64> = (0..values.len()).map(|_| StandardNormal.sample(&mut dice)).collect();
            if let Some(limits) = Individuals::of(&drawn) {
                for (n, (drawn, found)) in as_far.iter_mut().zip(strays(&drawn, &limits).into_iter().zip(found)) {
                    *n += usize::from(drawn >= found);
                }
            }
        }
        let least = as_far.into_iter().min().unwrap_or(rounds) as f64 / (rounds + 1) as f64;
        Some(Self {
            signals: limits.signals(values),
            average_out: averages.iter().zip(&average_reach).map(|(a, r)| (a - limits.mean).abs() > *r).collect(),
            limits,
            averages,
            average_reach,
            chance: (3.0 * least).min(1.0),
        })
    }

    /// The places where something is out of the ordinary.
    pub fn out(&self) -> impl Iterator<Item = usize> {
        (0..self.signals.len()).filter(|&i| !self.signals[i].is_empty() || self.average_out[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;

    fn noise(seed: u64, n: usize) -> Vec<f64> {
        let mut dice = ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut dice)).collect()
    }

    #[test]
    fn steady_series_are_called_unsteady_as_often_as_said() {
        let chances: Vec<f64> = (0..60).map(|s| Steady::of(&noise(s, 40)).unwrap().chance).collect();
        let below = |p: f64| chances.iter().filter(|c| **c < p).count();
        // Bonferroni errs toward silence: at most 5 % are below 0.05, give or take three standard deviations of a binomial.
        assert!(below(0.05) <= 3 + 5 && below(0.01) <= 1 + 2, "{chances:?}");
        assert!(below(0.9) > 20, "it is a probability and not one for all");
    }

    #[test]
    fn a_small_lasting_shift_is_seen_in_the_average() {
        let mut values = noise(5, 40);
        values[20..].iter_mut().for_each(|v| *v += 2.0);
        let chart = Steady::of(&values).unwrap();
        assert!(chart.chance < 0.01, "{}", chart.chance);
        assert!(chart.average_out.iter().any(|o| *o) && chart.out().next().is_some());
    }

    #[test]
    fn one_wild_value_is_seen() {
        let mut values = noise(6, 30);
        values[11] += 9.0;
        let chart = Steady::of(&values).unwrap();
        assert!(chart.chance < 0.01 && chart.signals[11].contains(&Signal::BeyondLimits), "{chart:?}");
    }
}
