//! One explanation of the colours: a lamp with its gains and a share of quartz, and what it says of each grain.

use std::sync::Arc;

use rayon::prelude::*;

use crate::thickness::gains::{self, GainPrior, Gains};
use crate::thickness::grain::Grain;
use crate::thickness::likelihood::{Evidence, NONE, SHARES};
use crate::thickness::path::{ColourPath, PATHS, grid};
use crate::thickness::surface;
use crate::thickness::yardstick::Yardstick;

/// Paths that are fitted again with their channels' mean wavelengths and mixing let loose: a camera of its own dyes may seem far from its
/// path before.
const CLOSER: usize = 64;
/// Draws of the paths that are kept.
const KEPT: usize = 12;
/// Grains that lamps are compared on, at the most.
const COMPARED: usize = 90;

/// One explanation and its probability.
pub(crate) struct Component {
    /// The lamp's path.
    pub(crate) path: Arc<ColourPath>,
    /// Its gains.
    pub(crate) gains: Gains,
    /// Index into [`SHARES`].
    pub(crate) shares: usize,
    /// Log probability of each grain over the thickness grid.
    pub(crate) logs: Vec<Vec<f32>>,
    /// Log weight by lamp and gains alone.
    prior: f64,
    /// Log evidence over all thicknesses, with `prior`.
    pub(crate) log_weight: f64,
}

impl Component {
    /// Log probability of one grain at a thickness, between the points of the grid.
    pub(crate) fn log_probability(&self, grain: usize, thickness_um: f64) -> f64 {
        let row = &self.logs[grain];
        let x = surface::point(thickness_um).clamp(0.0, (grid::COUNT - 2) as f64);
        let i = x as usize;
        let t = x - i as f64;
        f64::from(row[i]) * (1.0 - t) + f64::from(row[i + 1]) * t
    }

    /// Log probability of all grains at one common thickness, over the grid.
    pub(crate) fn common(&self, of: impl Fn(usize) -> bool) -> Vec<f64> {
        let mut sum = vec![0.0; grid::COUNT];
        for (_, row) in self.logs.iter().enumerate().filter(|(g, _)| of(*g)) {
            for (s, l) in sum.iter_mut().zip(row) {
                *s += f64::from(*l);
            }
        }
        sum
    }
}

/// A lamp's path with the gains fitted to it.
#[derive(Clone)]
pub(crate) struct LampFit {
    /// The path as computed.
    pub(crate) path: &'static ColourPath,
    /// Its gains and stretches.
    pub(crate) gains: Gains,
    /// How much it counts among the lamps.
    pub(crate) weight: f64,
}

/// The lamps that explain the grains, best first, with their gains.
///
/// All are compared as they are; the best few are fitted again with their channels' mean wavelengths let loose, and those that
/// are kept are drawn from what is left by their probability, so that they are as different as the evidence leaves them.
pub(crate) fn lamps(grains: &[Grain], prior: GainPrior) -> Vec<LampFit> {
    let chosen = gains::chosen(grains);
    let mut fits = all_lamps(&chosen, prior);
    fits.truncate(CLOSER);
    let compared = compared(&chosen);
    fits = fits.into_par_iter().map(|(p, g)| (p, gains::fit(&compared, p, prior, &[g.as_start()]))).collect();
    fits.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
    let best = fits[0].1.cost;
    let likelihood = |cost: f64| (-0.5 * (cost - best)).exp();
    let total: f64 = fits.iter().map(|f| likelihood(f.1.cost)).sum();
    // In the order of the family, equal steps of the summed probability meet each neighbourhood in its due share.
    fits.sort_by_key(|f| std::ptr::from_ref(f.0));
    let mut sum = 0.0;
    let mut kept: Vec<LampFit> = Vec::new();
    for (path, gains) in fits {
        let before = (sum * KEPT as f64 + 0.5).floor();
        sum += likelihood(gains.cost) / total;
        let hits = (sum * KEPT as f64 + 0.5).floor() - before;
        if hits > 0.0 {
            kept.push(LampFit { path, gains, weight: hits / KEPT as f64 });
        }
    }
    if chosen.len() > COMPARED {
        kept = kept
            .into_par_iter()
            .map(|k| LampFit { gains: gains::fit(&chosen, k.path, prior, &[k.gains.as_start()]), ..k })
            .collect();
    }
    kept.sort_by(|a, b| a.gains.cost.total_cmp(&b.gains.cost));
    kept
}

/// Some of the chosen grains, large and small ones alike.
fn compared<'a>(chosen: &[&'a Grain]) -> Vec<&'a Grain> {
    let every = chosen.len().div_ceil(COMPARED);
    chosen.iter().copied().step_by(every).collect()
}

/// Every lamp as it is with its gains, best first, fitted to some of the chosen grains; none when there is no grain.
pub(crate) fn all_lamps(chosen: &[&Grain], prior: GainPrior) -> Vec<(&'static ColourPath, Gains)> {
    if chosen.is_empty() {
        return Vec::new();
    }
    let starts = gains::starts(chosen, prior);
    let compared = compared(chosen);
    let mut fits: Vec<(&'static ColourPath, Gains)> =
        PATHS.par_iter().map(|p| (p, gains::fit(&compared, p, prior.rigid(), &starts))).collect();
    fits.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
    fits
}

/// Every kept lamp with every share vector, weighted by evidence.
pub(crate) fn explain(grains: &[Grain], lamps: &[LampFit], yardstick: &Yardstick) -> Vec<Component> {
    let mut components: Vec<Component> = lamps
        .iter()
        .flat_map(|LampFit { path, gains, weight }| {
            let path = Arc::new(gains.along(path));
            let evidence = Evidence::new(grains, &path, gains.factors(), yardstick);
            (0..SHARES.len())
                .map(|s| Component {
                    path: path.clone(),
                    gains: gains.clone(),
                    shares: s,
                    logs: evidence.logs(grains, SHARES[s]),
                    prior: weight.ln(),
                    log_weight: 0.0,
                })
                .collect::<Vec<_>>()
        })
        .collect();
    // A lamp's colour fit is already in its cost: the evidence compares share vectors within one lamp.
    for lamp in components.chunks_mut(SHARES.len()) {
        let evidence: Vec<f64> =
            lamp.iter().map(|c| log_sum(&c.common(|_| true)) + SHARES[c.shares].prior.ln()).collect();
        let most = evidence.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let total = evidence.iter().map(|e| (e - most).exp()).sum::<f64>().ln() + most;
        for (c, e) in lamp.iter_mut().zip(evidence) {
            c.log_weight = c.prior + e - total;
        }
    }
    components.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    let most = components[0].log_weight;
    components.retain(|c| c.log_weight > most - 7.0);
    components
}

/// One lamp with one share vector.
pub(crate) fn under(grains: &[Grain], lamp: &LampFit, shares: usize, yardstick: &Yardstick) -> Component {
    let path = Arc::new(lamp.gains.along(lamp.path));
    let evidence = Evidence::new(grains, &path, lamp.gains.factors(), yardstick);
    Component {
        path,
        gains: lamp.gains.clone(),
        shares,
        logs: evidence.logs(grains, SHARES[shares]),
        prior: 0.0,
        log_weight: 0.0,
    }
}

/// Probability that there is no quartz at all, and the explanations with quartz.
pub(crate) fn with_quartz(components: Vec<Component>) -> (f64, Vec<Component>) {
    let total: f64 = components.iter().map(|c| c.log_weight.exp()).sum();
    let (none, with): (Vec<Component>, Vec<Component>) = components.into_iter().partition(|c| c.shares == NONE);
    (none.iter().map(|c| c.log_weight.exp()).sum::<f64>() / total, with)
}

/// Crystals of quartz, by their looks and votes, up to which doubt is largest and from which on there is none beside chance.
const FEW: (f64, f64) = (20.0, 35.0);
/// What log probabilities are divided by where crystals are few. House value, by how often the interval holds the truth on rendered
/// rocks of large crystals (docs/method.md).
const DOUBT_OF_FEW: f64 = 1.3;

/// Flattens the explanations where few crystals carry them: one that is taken for quartz or for feldspar by mistake, or whose colour a
/// flaw has changed, is not outvoted there.
pub(crate) fn doubted(mut components: Vec<Component>, grains: &[Grain]) -> Vec<Component> {
    let by = 1.0 / doubt(grains.iter().map(|g| g.weight * g.quartz).sum()) as f32;
    components.iter_mut().flat_map(|c| &mut c.logs).flatten().for_each(|log| *log *= by);
    components
}

/// What log probabilities are divided by where so many crystals carry them.
fn doubt(crystals: f64) -> f64 {
    let few = ((FEW.1 - crystals) / (FEW.1 - FEW.0)).clamp(0.0, 1.0);
    1.0 + (DOUBT_OF_FEW - 1.0) * few
}

/// Logarithm of the sum of exponentials.
pub(crate) fn log_sum(logs: &[f64]) -> f64 {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + logs.iter().map(|l| (l - most).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_crystals_are_doubted_and_many_are_not() {
        assert_eq!([0.0, 8.0, FEW.0].map(doubt), [DOUBT_OF_FEW; 3]);
        assert_eq!([FEW.1, 60.0, 4000.0].map(doubt), [1.0; 3]);
        let steps: Vec<f64> = (0..16).map(|k| doubt(FEW.0 + f64::from(k))).collect();
        assert!(steps.windows(2).all(|w| w[1] < w[0] && w[0] - w[1] < 0.03), "falls evenly: {steps:?}");
    }
}
