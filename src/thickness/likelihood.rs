//! How probable each grain's colour is, for each retardation and for each thickness of the section.

use std::sync::LazyLock;

use rayon::prelude::*;

use crate::thickness::grain::Grain;
use crate::thickness::nearest::GainedPath;
use crate::thickness::path::{ColourPath, grid};
use crate::thickness::yardstick::{Kernel, Yardstick};

/// Shares of quartz among the colourless clear grains that are averaged over, with prior probabilities: none is ever fixed.
/// Most rocks that are measured hold clear quartz, and it is looked for by its clarity.
pub(crate) const SHARES: [Share; 5] = [
    Share { quartz: 0.93, prior: 0.4 },
    Share { quartz: 0.65, prior: 0.3 },
    Share { quartz: 0.38, prior: 0.2 },
    Share { quartz: 0.15, prior: 0.1 },
    Share { quartz: 0.0, prior: 0.1 },
];

/// Index of the share of a rock without quartz.
pub(crate) const NONE: usize = 4;

/// A share of quartz.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Share {
    pub(crate) quartz: f64,
    pub(crate) prior: f64,
}

/// Share of the mineral beside another one in what is not that: as much as feldspars have in what is not quartz.
const BESIDE_SHARE: f64 = 0.9;
/// Share of grains that are anything else, spread evenly up to this retardation.
const ELSE: f64 = 0.02;
const ELSE_UP_TO_NM: f64 = 1200.0;
/// Relative standard uncertainty of a grain's retardation that no colour shows: relief, tilt, thickness within the field.
const RETARDATION_U: f64 = 0.0025;
/// Density of colours that no retardation explains: evenly over the colours a camera records.
const STRAY: f64 = 0.01;

/// Density of ln A for A = sin² of a random azimuth, smoothed by 3 %: what one photograph shows of a crystal's brightness.
struct AnyAzimuth {
    density: Vec<f64>,
}

impl AnyAzimuth {
    const FIRST: f64 = -5.0;
    const STEP: f64 = 0.01;
    const SMOOTHING: f64 = 0.03;

    fn new() -> Self {
        let count = 540;
        let cumulative = |ln_a: f64| 2.0 / std::f64::consts::PI * ln_a.min(0.0).exp().sqrt().asin();
        let mass: Vec<f64> = (0..count)
            .map(|i| {
                let at = Self::FIRST + Self::STEP * i as f64;
                cumulative(at + Self::STEP / 2.0) - cumulative(at - Self::STEP / 2.0)
            })
            .collect();
        let reach = (4.0 * Self::SMOOTHING / Self::STEP) as i64;
        let kernel: Vec<f64> =
            (-reach..=reach).map(|k| (-0.5 * (k as f64 * Self::STEP / Self::SMOOTHING).powi(2)).exp()).collect();
        let total: f64 = kernel.iter().sum();
        let density = (0..count as i64)
            .map(|i| {
                (-reach..=reach)
                    .filter_map(|k| mass.get(usize::try_from(i + k).ok()?).map(|m| m * kernel[(k + reach) as usize]))
                    .sum::<f64>()
                    / total
                    / Self::STEP
            })
            .collect();
        Self { density }
    }

    fn at(&self, ln_a: f64) -> f64 {
        let i = ((ln_a - Self::FIRST) / Self::STEP).round();
        if i < 0.0 { 1e-3 } else { self.density.get(i as usize).copied().unwrap_or(0.0) }
    }
}

static ANY_AZIMUTH: LazyLock<AnyAzimuth> = LazyLock::new(AnyAzimuth::new);

/// How far a grain's colour is from one point of the path.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fit {
    /// Squared distance in standard deviations, brightness left free.
    pub(crate) chroma: f64,
    /// Brightness of the grain over that of the path.
    pub(crate) brightness: f64,
}

/// Products of a grain's colour g and a path's colour p by the inverse of the grain's variances.
struct Products {
    pp: f64,
    pg: f64,
    gg: f64,
    /// Product of the variances.
    determinant: f64,
}

impl Products {
    /// Of colours in linear R, G, B.
    #[inline(always)]
    fn of(grain: &Grain, path: [f64; 3]) -> Self {
        let sum = |v: &[f64; 3]| v[0] + v[1] + v[2];
        let level = sum(&grain.colour) / sum(&path).max(1e-9);
        let (mut pp, mut pg, mut gg, mut determinant) = (0.0, 0.0, 0.0, 1.0);
        for (g, p) in grain.colour.into_iter().zip(path) {
            let deviation = grain.chroma_u * g.max(level * p);
            let variance = deviation * deviation + grain.floor_u * grain.floor_u;
            let information = 1.0 / variance;
            determinant *= variance;
            pp += p * p * information;
            pg += p * g * information;
            gg += g * g * information;
        }
        Self { pp, pg, gg, determinant }
    }

    #[inline(always)]
    fn fit(&self) -> Fit {
        let Self { pp, pg, gg, .. } = self;
        Fit { chroma: (gg - pg * pg / pp.max(1e-30)).max(0.0), brightness: (pg / pp.max(1e-30)).max(1e-6) }
    }
}

/// Squared distance beyond which a colour has no density.
pub(crate) const FARTHEST: f64 = 80.0;

/// Density of a grain's colour at `path` (gains applied), both linear R, G, B.
pub(crate) fn density(grain: &Grain, path: [f64; 3]) -> f64 {
    let products = Products::of(grain, path);
    let Fit { chroma, brightness } = products.fit();
    if chroma > FARTHEST {
        return 0.0;
    }
    // √(|D|·pᵀD⁻¹p)·A turns the distance into a density.
    let volume = (products.determinant * products.pp).sqrt() * brightness;
    let ln_a = brightness.ln();
    let of_brightness = if grain.any_brightness {
        ANY_AZIMUTH.at(ln_a)
    } else {
        let z = ln_a / grain.brightness_u;
        (-0.5 * z * z).exp() / (grain.brightness_u * (2.0 * std::f64::consts::PI).sqrt())
    };
    (-0.5 * chroma).exp() * of_brightness / (2.0 * std::f64::consts::PI * volume)
}

impl Fit {
    /// Of colour `grain` to `path` (gains applied), both linear R, G, B.
    #[inline(always)]
    pub(crate) fn new(grain: &Grain, path: [f64; 3]) -> Self {
        Products::of(grain, path).fit()
    }

    /// Squared distance in standard deviations with brightness counted, as far as it is known.
    pub(crate) fn distance(&self, grain: &Grain) -> f64 {
        let off = self.brightness.ln() / grain.brightness_u;
        if !grain.any_brightness {
            self.chroma + off * off
        } else if off > 0.0 {
            self.chroma + (off / 2.0).powi(2)
        } else {
            self.chroma
        }
    }

    /// Whether the distance may be less than `best`; sparing of logarithms: |ln b| is at least 1 - b and at least 1 - 1/b.
    pub(crate) fn may_be_nearer(&self, grain: &Grain, best: f64) -> bool {
        let b = self.brightness;
        let least = match (b > 1.0, grain.any_brightness) {
            (true, false) => (1.0 - 1.0 / b) / grain.brightness_u,
            (true, true) => (1.0 - 1.0 / b) / (2.0 * grain.brightness_u),
            (false, false) => (1.0 - b) / grain.brightness_u,
            (false, true) => 0.0,
        };
        self.chroma + least * least < best
    }
}

/// Density of one grain's colour at each retardation of the grid: first point and values.
struct Retardations {
    first: usize,
    density: Vec<f32>,
}

impl Retardations {
    fn new(grain: &Grain, path: &GainedPath) -> Self {
        let all = smoothed(&path.densities(grain));
        let most = all.iter().copied().fold(0.0, f64::max);
        let counts = |d: &f64| *d > 1e-6 * most && *d > 0.0;
        let first = all.iter().position(counts).unwrap_or(0);
        let last = all.iter().rposition(counts).unwrap_or(0);
        Self { first, density: all[first..=last].iter().map(|d| *d as f32).collect() }
    }

    /// Probability of the colour where any retardation is as likely as another.
    fn anything(&self) -> f64 {
        let at = |k: usize| grid::nm((self.first + k) as f64) * grid::STEP / ELSE_UP_TO_NM;
        self.density.iter().enumerate().map(|(k, density)| f64::from(*density) * at(k)).sum()
    }
}

/// Smooths a density over the grid by [`RETARDATION_U`].
fn smoothed(density: &[f64]) -> Vec<f64> {
    const REACH: usize = 4;
    let weight: Vec<f64> =
        (0..=REACH).map(|k| (-0.5 * (k as f64 * grid::STEP / RETARDATION_U).powi(2)).exp()).collect();
    let total = weight[0] + 2.0 * weight[1..].iter().sum::<f64>();
    let n = density.len();
    (0..n)
        .map(|i| {
            let side = |k: usize| density[i.saturating_sub(k)] + density[(i + k).min(n - 1)];
            (density[i] * weight[0] + (1..=REACH).map(|k| side(k) * weight[k]).sum::<f64>()) / total
        })
        .collect()
}

/// The probability of one grain's colour over the thickness grid, split by what the grain may be.
pub(crate) struct GrainEvidence {
    /// As the mineral that thickness is measured by.
    quartz: Vec<f32>,
    /// As the minerals that are known to lie beside it, with their shares.
    beside: Vec<(Vec<f32>, f32)>,
    anything: f64,
}

/// Weights of quartz, of the minerals beside it, and what is as likely at any thickness.
struct Weights {
    quartz: f32,
    other: f32,
    constant: f32,
}

impl GrainEvidence {
    fn new(grain: &Grain, path: &GainedPath, yardstick: &Yardstick) -> Self {
        let r = Retardations::new(grain, path);
        Self {
            quartz: yardstick.kernel.over_thickness(r.first, &r.density),
            beside: yardstick
                .beside
                .iter()
                .map(|(k, share)| (k.over_thickness(r.first, &r.density), *share as f32))
                .collect(),
            anything: r.anything(),
        }
    }

    /// What counts how much where this share of the clear colourless grains is quartz.
    fn weights(&self, looks: f64, share: Share) -> Weights {
        // Looks give odds against the other colourless grains, were both equally common.
        let (yes, no) = (share.quartz * looks, (1.0 - share.quartz) * (1.0 - looks));
        let quartz = yes / (yes + no) * (1.0 - ELSE);
        let other = 1.0 - ELSE - quartz;
        let unknown = 1.0 - self.beside.iter().map(|(_, share)| f64::from(*share)).sum::<f64>();
        let constant = (ELSE + other * unknown) * self.anything + STRAY;
        Weights { quartz: quartz as f32, other: other as f32, constant: constant as f32 }
    }

    /// Probability density of the colour at a grid point of thickness, and how much of it is quartz.
    fn at(&self, i: usize, weights: &Weights) -> (f32, f32) {
        let quartz = weights.quartz * self.quartz[i];
        let beside: f32 = self.beside.iter().map(|(p, share)| share * p[i]).sum();
        (quartz + weights.other * beside + weights.constant, quartz)
    }

    /// Probability density of the colour over the thickness grid where a share of all grains is another mineral (`kernel`), most of the
    /// rest the mineral beside it, and what is left anything.
    pub(crate) fn instead(
        grain: &Grain,
        path: &GainedPath,
        (kernel, beside): (&Kernel, &Kernel),
        share: f64,
    ) -> Vec<f64> {
        let r = Retardations::new(grain, path);
        let anything = r.anything();
        let (of_it, of_beside) = ((1.0 - ELSE) * share, (1.0 - ELSE) * (1.0 - share) * BESIDE_SHARE);
        let it = kernel.over_thickness(r.first, &r.density);
        let beside = beside.over_thickness(r.first, &r.density);
        let rest = 1.0 - of_it - of_beside;
        it.into_iter()
            .map(f64::from)
            .zip(beside)
            .map(|(p, b)| of_it * p + of_beside * f64::from(b) + rest * anything + STRAY)
            .collect()
    }

    /// How likely it is quartz, at a grid point of thickness.
    pub(crate) fn quartz_share(&self, i: usize, looks: f64, share: Share) -> f64 {
        let (all, quartz) = self.at(i, &self.weights(looks, share));
        f64::from(quartz / all)
    }
}

/// Log of each grain's probability over the thickness grid for one path, gains and share vector; rows of `COUNT`.
pub(crate) struct Evidence {
    /// One per grain.
    pub(crate) grains: Vec<GrainEvidence>,
}

impl Evidence {
    /// Computes it for all grains on all cores.
    pub(crate) fn new(grains: &[Grain], path: &ColourPath, gains: [f64; 3], yardstick: &Yardstick) -> Self {
        let path = GainedPath::new(path, gains);
        Self { grains: grains.par_iter().map(|g| GrainEvidence::new(g, &path, yardstick)).collect() }
    }

    /// Log probability of each grain over the grid, for one share vector.
    pub(crate) fn logs(&self, grains: &[Grain], share: Share) -> Vec<Vec<f32>> {
        self.grains
            .par_iter()
            .zip(grains)
            .map(|(e, g)| {
                let (weights, vote) = (e.weights(g.quartz, share), g.weight as f32);
                (0..grid::COUNT).map(|i| vote * e.at(i, &weights).0.ln()).collect()
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_azimuth_is_a_distribution_with_its_mass_near_full_brightness() {
        let total: f64 = ANY_AZIMUTH.density.iter().sum::<f64>() * AnyAzimuth::STEP;
        assert!((total - 1.0).abs() < 0.06, "{total}");
        assert!(ANY_AZIMUTH.at(-0.02) > 3.0 * ANY_AZIMUTH.at(-0.7), "most grains are near 45° or near extinction");
    }
}
