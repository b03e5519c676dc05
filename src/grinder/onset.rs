//! From which section on are there more defects?

use crate::grinder::FEWEST_FOR_ONSET;
use crate::grinder::chance::{affordable, share_of_rounds, shuffle};

/// Fewest sections before a change.
const FEWEST_BEFORE: usize = 4;
/// Fewest sections from a change on.
const FEWEST_AFTER: usize = 3;
/// Orders that are shuffled for comparison.
const ROUNDS: usize = 4999;

/// A change for the worse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// Index of the first section from which there are more.
    pub at: usize,
    /// Mean before and from there on.
    pub means: [f64; 2],
    /// Sections that carry any, before and from there on.
    pub carry: [usize; 2],
    /// How many sections there are before and from there on.
    pub sections: [usize; 2],
    /// Probability that a shuffled order shows as sharp a change for the worse anywhere.
    pub chance: f64,
}

impl Onset {
    /// From values in the order made. None for fewer than [`FEWEST_FOR_ONSET`], or when they do not differ.
    ///
    /// At each place the ranks before and from there on are compared (W. J. Conover, Practical Nonparametric Statistics:
    /// Mann-Whitney's test with ties); the sharpest change is compared with that of shuffled orders, which pays for having
    /// looked everywhere (A. N. Pettitt 1979, A non-parametric approach to the change-point problem).
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < FEWEST_FOR_ONSET {
            return None;
        }
        let ranks = ranks(values);
        let (found, at) = sharpest(&ranks)?;
        let mut order = ranks;
        let chance = share_of_rounds(affordable(4 * values.len(), ROUNDS), |dice| {
            shuffle(&mut order, dice);
            sharpest(&order).is_some_and(|(z, _)| z >= found - 1e-9)
        });
        let (before, after) = values.split_at(at);
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let carry = |v: &[f64]| v.iter().filter(|v| **v > 0.0).count();
        Some(Self {
            at,
            means: [mean(before), mean(after)],
            carry: [carry(before), carry(after)],
            sections: [before.len(), after.len()],
            chance,
        })
    }
}

/// Ranks from 1, equal values sharing theirs.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut from = 0;
    while from < order.len() {
        let tied = order[from..].iter().take_while(|i| values[**i] <= values[order[from]]).count();
        for &i in &order[from..from + tied] {
            ranks[i] = from as f64 + (tied as f64 + 1.0) / 2.0;
        }
        from += tied;
    }
    ranks
}

/// The sharpest rise of the ranks, in standard deviations, and where; None when all are equal.
fn sharpest(ranks: &[f64]) -> Option<(f64, usize)> {
    let n = ranks.len() as f64;
    let mean = (n + 1.0) / 2.0;
    let variance = ranks.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (n - 1.0);
    if variance <= 0.0 {
        return None;
    }
    let mut best: Option<(f64, usize)> = None;
    let mut after = 0.0;
    for at in (FEWEST_BEFORE..ranks.len()).rev() {
        after += ranks[at] - mean;
        let m = (ranks.len() - at) as f64;
        if ranks.len() - at < FEWEST_AFTER {
            continue;
        }
        // A sum of m ranks drawn from n without putting back spreads by m (n - m) / n of their variance.
        let z = after / (variance * m * (n - m) / n).sqrt();
        if best.is_none_or(|(b, _)| z > b) {
            best = Some((z, at));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grinder::tests::known;
    use rand::SeedableRng as _;

    #[test]
    fn ranks_with_ties_are_shared() {
        assert_eq!(ranks(&[3.0, 0.0, 0.0, 7.0, 3.0, 3.0]), [4.0, 1.5, 1.5, 6.0, 4.0, 4.0]);
    }

    /// Reference by scipy's Mann-Whitney test with ties and no correction for continuity: `fixtures/grinder_statistics.py`.
    #[test]
    fn the_statistic_is_that_of_a_reference_library() {
        let known = known("onset");
        let values: Vec<f64> = serde_json::from_value(known["values"].clone()).unwrap();
        let (z, at) = sharpest(&ranks(&values)).unwrap();
        assert_eq!(at as u64, known["at"].as_u64().unwrap());
        assert!((z - known["z"].as_f64().unwrap()).abs() < 1e-9, "{z}");
    }

    #[test]
    fn a_change_is_found_where_it_is() {
        let values: Vec<f64> = (0..40)
            .map(|i| if i >= 30 { 0.8 + 0.1 * f64::from(i % 3) } else { f64::from(u8::from(i % 11 == 5)) * 0.2 })
            .collect();
        let onset = Onset::of(&values).unwrap();
        assert_eq!((onset.at, onset.sections, onset.carry[1]), (30, [30, 10], 10));
        assert!(onset.chance < 0.001, "{onset:?}");
    }

    #[test]
    fn a_shuffled_order_rarely_shows_one() {
        let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        let mut values: Vec<f64> = (0..30).map(|i| if i % 3 == 0 { f64::from(i) } else { 0.0 }).collect();
        let often = (0..60)
            .filter(|_| {
                shuffle(&mut values, &mut dice);
                Onset::of(&values).unwrap().chance <= 0.05
            })
            .count();
        assert!(often <= 3 + 5, "{often} of 60 at 5 %");
    }

    #[test]
    fn nothing_from_too_few_or_from_equals() {
        assert_eq!(Onset::of(&[0.0; 20]), None);
        assert_eq!(Onset::of(&[0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0]), None);
    }
}
