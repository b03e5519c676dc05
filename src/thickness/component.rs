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
/// Paths that are tried with vivid colours too, the best of them as they are: with 48 pictures of vivid colours are measured less closely.
const TRIED_VIVIDLY: usize = 80;
/// Draws of the paths that are kept.
const KEPT: usize = 12;
/// Grains that lamps are compared on, at the most.
pub(crate) const COMPARED: usize = 90;

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
    /// Log evidence over all thicknesses, with what its lamp counts for.
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
    let mut fits = plain_and_vivid_paths(&chosen, prior);
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
    let every = chosen.len().div_ceil(COMPARED).max(1);
    chosen.iter().copied().step_by(every).collect()
}

/// The whole family but for vivid colours, with gains, best first, fitted to some of the chosen grains; none when there is no grain.
pub(crate) fn plain_paths(chosen: &[&Grain], prior: GainPrior) -> Vec<(&'static ColourPath, Gains)> {
    if chosen.is_empty() {
        return Vec::new();
    }
    let starts = gains::starts(chosen, prior);
    let compared = compared(chosen);
    let plain: Vec<&ColourPath> = PATHS.iter().filter(|p| !p.is_vivid()).collect();
    let mut fits: Vec<(&'static ColourPath, Gains)> =
        plain.into_par_iter().map(|p| (p, gains::fit(&compared, p, prior.rigid(), &starts))).collect();
    fits.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
    fits
}

/// The same, and the best of them as cameras store them that make colours vivid.
///
/// At one position of the polars a grain has any brightness, and tints alone do not tell a thicker section from a thinner one in vivid
/// colours: where most grains are seen so, no camera is taken for vivid.
pub(crate) fn plain_and_vivid_paths(chosen: &[&Grain], prior: GainPrior) -> Vec<(&'static ColourPath, Gains)> {
    let mut fits = plain_paths(chosen, prior);
    let compared = compared(chosen);
    if 2 * compared.iter().filter(|g| g.any_brightness).count() >= compared.len() {
        return fits;
    }
    let best = fits.iter().filter(|(path, _)| path.vivid_versions().next().is_some()).take(TRIED_VIVIDLY);
    let vivid: Vec<_> = best.flat_map(|(path, gains)| path.vivid_versions().map(|v| (v, gains.as_start()))).collect();
    fits.par_extend(vivid.into_par_iter().map(|(p, start)| (p, gains::fit(&compared, p, prior.rigid(), &[start]))));
    fits.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
    fits
}

/// Every kept lamp with every share vector, weighted by evidence.
pub(crate) fn explain(grains: &[Grain], lamps: &[LampFit], prior: GainPrior, yardstick: &Yardstick) -> Vec<Component> {
    let mut components: Vec<Component> = if grains.iter().all(|g| g.any_brightness) {
        by_brightness(grains, lamps, prior, yardstick)
    } else {
        // A lamp's colour fit is already in its cost: the evidence compares share vectors within one lamp.
        lamps
            .iter()
            .flat_map(|lamp| {
                let (components, total) = with_every_share(grains, lamp, yardstick);
                weighed(components, lamp.weight.ln() - total)
            })
            .collect()
    };
    drop_improbable(&mut components);
    components.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    components
}

/// Log probability below the best explanation's from which on another cannot count: a thousandth.
const IMPROBABLE: f64 = 7.0;
/// The same for an exposure of a lamp from which on those still farther from the likeliest are not asked after.
const HOPELESS: f64 = 2.0 * IMPROBABLE;

/// Drops what is a thousand times less probable than the best.
fn drop_improbable(components: &mut Vec<Component>) {
    let most = components.iter().map(|c| c.log_weight).fold(f64::NEG_INFINITY, f64::max);
    components.retain(|c| c.log_weight > most - IMPROBABLE);
}

/// One lamp with every share vector, weighted by evidence, and the log of their sum.
fn with_every_share(grains: &[Grain], lamp: &LampFit, yardstick: &Yardstick) -> (Vec<Component>, f64) {
    let path = Arc::new(lamp.gains.along(lamp.path));
    let evidence = Evidence::new(grains, &path, lamp.gains.factors(), yardstick);
    let components: Vec<Component> = (0..SHARES.len())
        .map(|s| {
            let mut component = Component {
                path: path.clone(),
                gains: lamp.gains.clone(),
                shares: s,
                logs: evidence.logs(grains, SHARES[s]),
                log_weight: 0.0,
            };
            component.log_weight = log_sum(&component.common(|_| true)) + SHARES[s].prior.ln();
            component
        })
        .collect();
    let total = log_sum(&components.iter().map(|c| c.log_weight).collect::<Vec<_>>());
    (components, total)
}

/// Components with a log weight added.
fn weighed(mut components: Vec<Component>, by: f64) -> Vec<Component> {
    components.iter_mut().for_each(|c| c.log_weight += by);
    components
}

/// Step between gains that all channels share, log units, that are tried where every grain was seen at one angle only: little wider than
/// the distribution of brightness is smoothed.
const LEVEL_STEP: f64 = 0.04;
/// How many steps up and down from the likeliest where exposure is not known.
const LEVELS: i32 = 4;
/// Steps from the recorded exposure that are tried where there is one: from what an analyser keeps back to what labels of shutter times leave.
const RECORDED: std::ops::RangeInclusive<i32> = -20..=2;
/// What an analyser may keep back of the light that plane light was photographed without it, log units, as likely as nothing: a fifth;
/// and the standard deviation of how much farther it goes (house values; what sheets of film pass stands in `gains.rs`).
const KEPT_BACK: f64 = 0.22;
const FARTHER_U: f64 = 0.25;

/// Shares of which quartz is the greater part.
const MOSTLY_QUARTZ: usize = 2;

/// Log prior probability of such a gain.
fn level_prior(log: f64, prior: GainPrior) -> f64 {
    let outside = log - log.clamp(-KEPT_BACK, 0.0);
    let outside = outside / if outside < 0.0 { prior.common_u.max(FARTHER_U) } else { prior.common_u };
    -0.5 * outside * outside
}

/// Every lamp under several exposures, where every grain was seen at one angle only.
///
/// A cost by tints alone does not say how bright crystals of random azimuth would be under a lamp. What their brightness adds
/// is how much likelier colours are with it than were each crystal's brightness anything. It counts by how probable it is that most
/// crystals are quartz: how bright feldspars of unknown composition would be tells little of a lamp.
fn by_brightness(grains: &[Grain], lamps: &[LampFit], prior: GainPrior, yardstick: &Yardstick) -> Vec<Component> {
    let tints: Vec<Grain> = grains.iter().map(Grain::by_tint).collect();
    let by_tint: Vec<(f64, f64)> = lamps
        .iter()
        .map(|lamp| {
            let (shares, total) = with_every_share(&tints, lamp, yardstick);
            let mostly = shares.iter().filter(|c| c.shares < MOSTLY_QUARTZ).map(|c| (c.log_weight - total).exp());
            (total, lamp.weight * mostly.sum::<f64>())
        })
        .collect();
    let mostly_quartz: f64 = by_tint.iter().map(|(_, mostly)| mostly).sum();
    let mut explained = Vec::new();
    for (lamp, (by_tint, _)) in lamps.iter().zip(by_tint) {
        let here = lamp.gains.log.mean();
        let (from, steps) = if prior.common_u < 1.0 { (0.0, RECORDED) } else { (here, -LEVELS..=LEVELS) };
        let levels: Vec<f64> = steps.map(|k| from + LEVEL_STEP * f64::from(k)).collect();
        let (down, up) = levels.split_at(levels.partition_point(|level| *level < here));
        // The farther from where it is likeliest, the less likely an exposure: each way ends where it cannot count.
        let mut most = f64::NEG_INFINITY;
        for way in [&mut up.iter() as &mut dyn Iterator<Item = &f64>, &mut down.iter().rev()] {
            for level in way {
                let gains = Gains { log: lamp.gains.log.add_scalar(level - here), ..lamp.gains.clone() };
                let (components, total) = with_every_share(grains, &LampFit { gains, ..lamp.clone() }, yardstick);
                let weight = lamp.weight.ln() + level_prior(*level, prior) + mostly_quartz * (total - by_tint);
                explained.extend(weighed(components, weight - total));
                // Each holds a row a grain: those that cannot count are not kept until the last.
                drop_improbable(&mut explained);
                most = most.max(weight);
                if weight < most - HOPELESS {
                    break;
                }
            }
        }
    }
    explained
}

/// One lamp with one share vector.
pub(crate) fn under(grains: &[Grain], lamp: &LampFit, shares: usize, yardstick: &Yardstick) -> Component {
    let path = Arc::new(lamp.gains.along(lamp.path));
    let evidence = Evidence::new(grains, &path, lamp.gains.factors(), yardstick);
    Component { path, gains: lamp.gains.clone(), shares, logs: evidence.logs(grains, SHARES[shares]), log_weight: 0.0 }
}

/// Probability that there is no quartz at all, and the explanations with quartz; one where nothing explains the grains.
///
/// Weights are held against the largest: where no explanation is good, all of them are too small for a number.
pub(crate) fn with_quartz(components: Vec<Component>) -> (f64, Vec<Component>) {
    let most = components.iter().map(|c| c.log_weight).fold(f64::NEG_INFINITY, f64::max);
    let weight = |components: &[Component]| -> f64 { components.iter().map(|c| (c.log_weight - most).exp()).sum() };
    let total = weight(&components);
    let (none, with): (Vec<Component>, Vec<Component>) = components.into_iter().partition(|c| c.shares == NONE);
    if total > 0.0 { (weight(&none) / total, with) } else { (1.0, Vec::new()) }
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
    use crate::optics::mineral::share_below;

    /// Quartz cut in all directions, each crystal at one random azimuth, `log_level` brighter than its exposure says. The fractions
    /// of multiples of two irrationals spread cuts and azimuths evenly (Weyl; from memory).
    fn at_one_position(path: &ColourPath, thickness_um: f64, log_level: f64) -> Vec<Grain> {
        let grain = |k: usize| {
            let [cut, azimuth] = [std::f64::consts::SQRT_2, std::f64::consts::E].map(|r| (r * k as f64).fract());
            let x = 1.0 - (1.0 - cut).powi(2);
            assert!((share_below(x) - cut).abs() < 1e-9, "cuts are random");
            let at = grid::point(9.1 * thickness_um * x).clamp(0.0, (grid::COUNT - 1) as f64) as usize;
            let light = (std::f64::consts::FRAC_PI_2 * azimuth).sin().powi(2) * log_level.exp();
            Grain { any_brightness: true, ..Grain::coloured(path.colours[at].map(|c| c * light)) }
        };
        (1..=120).map(grain).collect()
    }

    #[test]
    fn how_bright_crystals_of_random_azimuth_are_tells_the_exposure() {
        let path = PATHS.first().expect("the family has lamps");
        for log_level in [-0.2, -0.12, -0.04] {
            let grains = at_one_position(path, 32.0, log_level);
            let (prior, start) = (GainPrior::EXIF, gains::starts(&[], GainPrior::EXIF));
            let gains = gains::fit(&gains::chosen(&grains), path, prior.rigid(), &start);
            let lamp = LampFit { path, gains, weight: 1.0 };
            let best = &explain(&grains, &[lamp], prior, &Yardstick::quartz())[0];
            let found = best.gains.log.mean();
            assert!(
                (found - log_level).abs() < 0.021,
                "{found} where the light is {log_level}: another step is nearer"
            );
        }
    }

    #[test]
    fn what_an_analyser_keeps_back_is_as_likely_as_nothing_and_more_light_than_recorded_is_not() {
        let at = |log| level_prior(log, GainPrior::EXIF);
        assert_eq!([0.0, -0.1, -KEPT_BACK].map(at), [0.0; 3]);
        assert!(at(0.04) < -1.0, "labels of shutter times leave some 3 %");
        // Half of the light kept back is less likely, not beyond belief; nine tenths is.
        assert!((-2.5..-1.0).contains(&at(0.5_f64.ln())) && at(0.1_f64.ln()) < -20.0);
    }

    #[test]
    fn few_crystals_are_doubted_and_many_are_not() {
        assert_eq!([0.0, 8.0, FEW.0].map(doubt), [DOUBT_OF_FEW; 3]);
        assert_eq!([FEW.1, 60.0, 4000.0].map(doubt), [1.0; 3]);
        let steps: Vec<f64> = (0..16).map(|k| doubt(FEW.0 + f64::from(k))).collect();
        assert!(steps.windows(2).all(|w| w[1] < w[0] && w[0] - w[1] < 0.03), "falls evenly: {steps:?}");
    }
}
