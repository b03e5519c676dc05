//! Fields that need not be equally thick, where their places do not carry a plane.
//!
//! Each field has its own thickness, scattered around a mean by a share that is found with it: fields that agree hold each other
//! up, fields that differ are told apart.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use crate::thickness::component::{Component, log_sum};
use crate::thickness::path::grid;
use crate::thickness::surface::{DRAWS, RANGE_UM, point, thickness_um};

/// Scatters of the fields around their mean that are tried, as shares of the thickness, equally likely beforehand: an even section, a
/// slight wedge, and what a hand does.
const SCATTERS: [f64; 5] = [0.001, 0.01, 0.03, 0.08, 0.2];

const SEED: u64 = 0x6170_6172;

/// One equally likely state of fields that need not be equally thick.
pub(crate) struct FieldsDraw {
    /// Mean over the fields, µm.
    pub(crate) mean_um: f64,
    /// The least and the greatest of them, µm.
    pub(crate) extremes_um: [f64; 2],
}

/// Equally likely states of the fields `apart`; `field_of` gives each grain's field.
pub(crate) fn draw(
    components: &[Component],
    field_of: impl Fn(usize) -> usize + Sync,
    apart: &[usize],
) -> Vec<FieldsDraw> {
    let kernels = SCATTERS.map(kernel);
    // A component's weight came from one thickness of all grains: it is weighed anew by what it says of fields that may differ.
    let explained: Vec<(Vec<Vec<f64>>, Vec<State>)> = components
        .par_iter()
        .map(|c| {
            let fields: Vec<Vec<f64>> =
                apart.iter().map(|f| within_range(&c.common(|grain| field_of(grain) == *f))).collect();
            let together = log_sum(&within_range(&c.common(|grain| apart.contains(&field_of(grain)))));
            let states = kernels.iter().map(|k| State::of(&fields, k, c.log_weight - together)).collect();
            (fields, states)
        })
        .collect();
    let (fields, states): (Vec<_>, Vec<_>) = explained.into_iter().unzip();
    let states = states.concat();
    let most = states.iter().map(|s| s.log_weight).fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = states.iter().map(|s| (s.log_weight - most).exp()).collect();
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    (0..DRAWS)
        .map(|_| {
            let k = pick(&weights, &mut rng);
            let (state, kernel) = (&states[k], &kernels[k % kernels.len()]);
            let mean = pick(&state.means, &mut rng);
            let each: Vec<f64> = fields[k / kernels.len()]
                .iter()
                .map(|log| {
                    let near = shares(&around(log, kernel, mean));
                    let at = mean as f64 + pick(&near, &mut rng) as f64 - (kernel.len() as f64 - 1.0);
                    thickness_um(first() as f64 + at + rng.random::<f64>() - 0.5)
                })
                .collect();
            let bound = |f: fn(f64, f64) -> f64| each.iter().copied().reduce(f).unwrap_or(f64::NAN);
            FieldsDraw {
                mean_um: each.iter().sum::<f64>() / each.len() as f64,
                extremes_um: [bound(f64::min), bound(f64::max)],
            }
        })
        .collect()
}

/// One explanation with one scatter.
#[derive(Clone)]
struct State {
    log_weight: f64,
    /// Probability of each mean on the grid.
    means: Vec<f64>,
}

impl State {
    fn of(fields: &[Vec<f64>], kernel: &[f64], log_prior: f64) -> Self {
        let n = fields.first().map_or(0, Vec::len);
        let logs: Vec<f64> =
            (0..n).map(|mean| fields.iter().map(|log| log_sum(&around(log, kernel, mean))).sum()).collect();
        Self { log_weight: log_prior + log_sum(&logs), means: shares(&logs) }
    }
}

fn first() -> usize {
    point(RANGE_UM.0).round() as usize
}

fn within_range(log: &[f64]) -> Vec<f64> {
    log[first()..=(point(RANGE_UM.1).round() as usize)].to_vec()
}

/// Log probability of a distance from the mean, in steps of the grid, on one side; the other is alike.
fn kernel(scatter: f64) -> Vec<f64> {
    let steps = scatter / grid::STEP;
    let reach = (3.0 * steps).ceil() as usize;
    let bell = |k: usize| -0.5 * (k as f64 / steps).powi(2);
    let total: f64 = (0..=reach).map(|k| bell(k).exp() * if k == 0 { 1.0 } else { 2.0 }).sum();
    (0..=reach).map(|k| bell(k) - total.ln()).collect()
}

/// Log of a field's probability times that of its distance from the mean, from the farthest below to the farthest above.
fn around(log: &[f64], kernel: &[f64], mean: usize) -> Vec<f64> {
    let reach = kernel.len() as isize - 1;
    (-reach..=reach)
        .map(|k| {
            let at = usize::try_from(mean as isize + k).ok().and_then(|i| log.get(i));
            at.map_or(f64::NEG_INFINITY, |l| l + kernel[k.unsigned_abs()])
        })
        .collect()
}

/// Probabilities from their logs, up to a factor.
fn shares(logs: &[f64]) -> Vec<f64> {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    logs.iter().map(|l| (l - most).exp()).collect()
}

/// Index drawn in proportion to weights.
fn pick(weights: &[f64], rng: &mut ChaCha8Rng) -> usize {
    let mut left = rng.random::<f64>() * weights.iter().sum::<f64>();
    for (i, w) in weights.iter().enumerate() {
        left -= w;
        if left < 0.0 {
            return i;
        }
    }
    weights.len() - 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scatter_is_a_distribution() {
        for scatter in SCATTERS {
            let k = kernel(scatter);
            let total: f64 = k.iter().enumerate().map(|(i, l)| l.exp() * if i == 0 { 1.0 } else { 2.0 }).sum();
            assert!((total - 1.0).abs() < 1e-9, "{scatter}: {total}");
        }
    }

    /// Two fields that each say for certain where they lie keep it, and the mean lies between.
    #[test]
    fn fields_that_differ_are_told_apart() {
        let n = 600;
        let field = |at: f64| (0..n).map(|i| -0.5 * ((i as f64 - at) / 2.0_f64).powi(2)).collect::<Vec<f64>>();
        let fields = vec![field(250.0), field(320.0)];
        let best = SCATTERS
            .iter()
            .map(|s| (State::of(&fields, &kernel(*s), 0.0), *s))
            .max_by(|a, b| a.0.log_weight.total_cmp(&b.0.log_weight))
            .unwrap();
        assert!(best.1 >= 0.08, "a scatter of {}", best.1);
        let mean: f64 =
            best.0.means.iter().enumerate().map(|(i, p)| p * i as f64).sum::<f64>() / best.0.means.iter().sum::<f64>();
        assert!((mean - 285.0).abs() < 5.0, "{mean}");
        let alike = vec![field(250.0), field(251.0)];
        let narrow = State::of(&alike, &kernel(SCATTERS[1]), 0.0).log_weight;
        let wide = State::of(&alike, &kernel(SCATTERS[4]), 0.0).log_weight;
        assert!(narrow > wide, "fields that agree are one thickness");
    }
}
