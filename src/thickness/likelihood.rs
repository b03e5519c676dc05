//! How probable each grain's colour is, for each retardation and for each thickness of the section.

use std::sync::LazyLock;

use rayon::prelude::*;

use crate::optics::mineral::share_below;
use crate::section::clarity::CLEAR;
use crate::thickness::grain::Grain;
use crate::thickness::path::{ColourPath, grid};

/// Shares of quartz, plagioclase and alkali feldspar among the colourless clear grains.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shares {
    pub(crate) quartz: f64,
    pub(crate) plagioclase: f64,
    pub(crate) alkali_feldspar: f64,
    /// Prior probability of this vector: most rocks that are measured hold clear quartz, and it is looked for by its clarity.
    pub(crate) prior: f64,
}

/// Share vectors that are averaged over: none is ever fixed.
pub(crate) const SHARES: [Shares; 3] = [
    Shares { quartz: 0.95, plagioclase: 0.025, alkali_feldspar: 0.025, prior: 0.6 },
    Shares { quartz: 0.65, plagioclase: 0.2, alkali_feldspar: 0.15, prior: 0.3 },
    Shares { quartz: 0.35, plagioclase: 0.35, alkali_feldspar: 0.3, prior: 0.1 },
];

/// Index of the share vector of a rock whose clear grains are nearly all quartz.
pub(crate) const NEARLY_ALL_QUARTZ: usize = 0;

/// Largest birefringence of plagioclase (0.0070 to 0.0110, sodic to intermediate) and alkali feldspar (0.0055 to 0.0075)
/// over that of quartz, taken as even over the range.
const PLAGIOCLASE: (f64, f64) = (0.77, 1.2);
const ALKALI_FELDSPAR: (f64, f64) = (0.60, 0.82);
/// Share of grains that are anything else, spread evenly up to this retardation.
const ELSE: f64 = 0.02;
const ELSE_UP_TO_NM: f64 = 1200.0;
/// Relative standard uncertainty of a grain's retardation that no colour shows: relief, tilt, thickness within the field.
const RETARDATION_U: f64 = 0.005;
/// Density of colours that no retardation explains: evenly over the colours a camera records.
const STRAY: f64 = 0.01;

/// Probability mass per grid point of a random cut's retardation below the largest: `EDGE[k]` at k points below it.
static EDGE: LazyLock<Vec<f64>> = LazyLock::new(|| {
    (0..grid::COUNT)
        .map(|k| {
            let at = |k: f64| share_below((-k * grid::STEP).exp());
            if k == 0 { 1.0 - at(0.5) } else { at(k as f64 - 0.5) - at(k as f64 + 0.5) }
        })
        .collect()
});

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
    /// √(|D|·μᵀD⁻¹μ)·A: the volume that turns the distance into a density.
    volume: f64,
}

impl Fit {
    /// Distance of colour `grain` from `path` (gains applied), both linear R, G, B.
    pub(crate) fn new(grain: &Grain, path: [f64; 3]) -> Self {
        let sum = |v: &[f64; 3]| v[0] + v[1] + v[2];
        let level = sum(&grain.colour) / sum(&path).max(1e-9);
        let mut information = [0.0; 3];
        let mut determinant = 1.0;
        for c in 0..3 {
            let size = grain.colour[c].max(level * path[c]);
            let variance = (grain.chroma_u * size).powi(2) + grain.floor_u * grain.floor_u;
            information[c] = 1.0 / variance;
            determinant *= variance;
        }
        let (mut mm, mut ma, mut aa) = (0.0, 0.0, 0.0);
        for c in 0..3 {
            mm += path[c] * path[c] * information[c];
            ma += path[c] * grain.colour[c] * information[c];
            aa += grain.colour[c] * grain.colour[c] * information[c];
        }
        let brightness = (ma / mm.max(1e-30)).max(1e-6);
        Self {
            chroma: (aa - ma * ma / mm.max(1e-30)).max(0.0),
            brightness,
            volume: (determinant * mm).sqrt() * brightness,
        }
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

    fn density(&self, grain: &Grain) -> f64 {
        if self.chroma > 80.0 {
            return 0.0;
        }
        let ln_a = self.brightness.ln();
        let brightness = if grain.any_brightness {
            ANY_AZIMUTH.at(ln_a)
        } else {
            let z = ln_a / grain.brightness_u;
            (-0.5 * z * z).exp() / (grain.brightness_u * (2.0 * std::f64::consts::PI).sqrt())
        };
        (-0.5 * self.chroma).exp() * brightness / (2.0 * std::f64::consts::PI * self.volume)
    }
}

/// Density of one grain's colour at each retardation of the grid: first point and values.
struct Retardations {
    first: usize,
    density: Vec<f64>,
}

impl Retardations {
    fn new(grain: &Grain, path: &ColourPath, gains: [f64; 3]) -> Self {
        let all: Vec<f64> = path
            .colours
            .iter()
            .map(|p| Fit::new(grain, std::array::from_fn(|c| p[c] * gains[c])).density(grain))
            .collect();
        let all = smoothed(&all);
        let most = all.iter().copied().fold(0.0, f64::max);
        let counts = |d: &f64| *d > 1e-6 * most && *d > 0.0;
        let first = all.iter().position(counts).unwrap_or(0);
        let last = all.iter().rposition(counts).unwrap_or(0);
        Self { first, density: all[first..=last].to_vec() }
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
    quartz: Vec<f64>,
    plagioclase: Vec<f64>,
    alkali_feldspar: Vec<f64>,
    anything: f64,
}

impl GrainEvidence {
    fn new(grain: &Grain, path: &ColourPath, gains: [f64; 3]) -> Self {
        let r = Retardations::new(grain, path, gains);
        let edge = &*EDGE;
        let mut quartz = vec![0.0; grid::COUNT];
        let mut anything = 0.0;
        for (k, density) in r.density.iter().enumerate() {
            let m = r.first + k;
            anything += density * grid::nm(m as f64) * grid::STEP / ELSE_UP_TO_NM;
            for (q, e) in quartz[m..].iter_mut().zip(edge) {
                *q += density * e;
            }
        }
        let plagioclase = lowered(&quartz, PLAGIOCLASE);
        let alkali_feldspar = lowered(&quartz, ALKALI_FELDSPAR);
        Self { quartz, plagioclase, alkali_feldspar, anything }
    }

    /// Probability density of the colour at a grid point of thickness.
    fn at(&self, i: usize, quartz: f64, shares: Shares) -> f64 {
        let known = shares.quartz + shares.plagioclase + shares.alkali_feldspar;
        // Looks speak for quartz; the shares say what clear grains are when looks do not tell.
        let q = quartz * shares.quartz / known;
        let feldspar = 1.0 - ELSE - q * (1.0 - ELSE);
        let p = shares.plagioclase / (shares.plagioclase + shares.alkali_feldspar);
        let dirty = 0.5 * (1.0 - quartz / CLEAR).powi(2);
        q * (1.0 - ELSE) * self.quartz[i]
            + (feldspar - dirty).max(0.0) * (p * self.plagioclase[i] + (1.0 - p) * self.alkali_feldspar[i])
            + (ELSE + dirty) * self.anything
            + STRAY
    }

    /// Share of `at` that is quartz.
    pub(crate) fn quartz_share(&self, i: usize, quartz: f64, shares: Shares) -> f64 {
        let known = shares.quartz + shares.plagioclase + shares.alkali_feldspar;
        quartz * shares.quartz / known * (1.0 - ELSE) * self.quartz[i] / self.at(i, quartz, shares)
    }
}

/// Mean of a thickness profile over ceilings spread evenly over a range of ratios to quartz.
fn lowered(profile: &[f64], (low, high): (f64, f64)) -> Vec<f64> {
    let from = (low.ln() / grid::STEP).round() as i64;
    let to = (high.ln() / grid::STEP).round() as i64;
    let count = (to - from + 1) as f64;
    // The density at thickness i with ceiling ratio r is that of quartz at i + ln r: a running mean over shifts.
    let mut sums = Vec::with_capacity(profile.len() + 1);
    sums.push(0.0);
    for p in profile {
        sums.push(sums.last().expect("not empty") + p);
    }
    let n = profile.len() as i64;
    (0..n)
        .map(|i| {
            let a = (i + from).clamp(0, n);
            let b = (i + to + 1).clamp(0, n);
            (sums[b as usize] - sums[a as usize]) / count
        })
        .collect()
}

/// Log of each grain's probability over the thickness grid for one path, gains and share vector; rows of `COUNT`.
pub(crate) struct Evidence {
    /// One per grain.
    pub(crate) grains: Vec<GrainEvidence>,
}

impl Evidence {
    /// Computes it for all grains on all cores.
    pub(crate) fn new(grains: &[Grain], path: &ColourPath, gains: [f64; 3]) -> Self {
        Self { grains: grains.par_iter().map(|g| GrainEvidence::new(g, path, gains)).collect() }
    }

    /// Log probability of each grain over the grid, for one share vector.
    pub(crate) fn logs(&self, grains: &[Grain], shares: Shares) -> Vec<Vec<f32>> {
        self.grains
            .par_iter()
            .zip(grains)
            .map(|(e, g)| (0..grid::COUNT).map(|i| e.at(i, g.quartz, shares).ln() as f32).collect())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_is_a_distribution() {
        let total: f64 = EDGE.iter().sum();
        assert!((total - 1.0).abs() < 0.01, "{total}");
        let below = EDGE.iter().skip((0.1_f64.recip().ln() / grid::STEP) as usize).sum::<f64>();
        assert!((below - share_below(0.1)).abs() < 0.01, "a tenth of the largest retardation: {below}");
    }

    #[test]
    fn one_azimuth_is_a_distribution_with_its_mass_near_full_brightness() {
        let total: f64 = ANY_AZIMUTH.density.iter().sum::<f64>() * AnyAzimuth::STEP;
        assert!((total - 1.0).abs() < 0.06, "{total}");
        assert!(ANY_AZIMUTH.at(-0.02) > 3.0 * ANY_AZIMUTH.at(-0.7), "most grains are near 45° or near extinction");
    }
}
