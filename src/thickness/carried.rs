//! Which grains carried the measurement, and whether they lie as random crystals do.

use crate::optics::mineral::share_below;
use crate::thickness::nearest::GainedPath;
use crate::thickness::yardstick::Yardstick;
use crate::thickness::{component, grain, likelihood, path, surface};

/// Kolmogorov's distribution exceeds this once in a thousand (from memory: 1.949).
const KOLMOGOROV_001: f64 = 1.949;

/// Fewest grains whose spread says anything.
const FEWEST: usize = 12;

/// How retardations are spread against those of randomly lying crystals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Spread {
    /// As random cuts are, or too few to tell.
    Random,
    /// Too many low ones, with Kolmogorov's √n·D.
    TooLow(f64),
    /// Too many high ones.
    TooHigh,
}

/// Which grains carried the measurement.
pub(crate) struct Carried {
    /// How likely each grain is quartz, given the thickness.
    pub(crate) probability: Vec<f64>,
    /// Retardation of each grain and its standard uncertainty, nm.
    pub(crate) retardation: Vec<(f64, f64)>,
}

impl Carried {
    /// Weighs each grain at the thickness where it lies, under one explanation.
    pub(crate) fn count(
        grains: &[grain::Grain],
        component: &component::Component,
        yardstick: &Yardstick,
        thickness_um: impl Fn(usize) -> f64,
    ) -> Self {
        let gains = component.gains.factors();
        let evidence = likelihood::Evidence::new(grains, &component.path, gains, yardstick);
        let at = |i: usize| (surface::point(thickness_um(i)).round() as usize).min(path::grid::COUNT - 1);
        let shares = likelihood::SHARES[component.shares];
        let probability: Vec<f64> = evidence
            .grains
            .iter()
            .zip(grains)
            .enumerate()
            .map(|(i, (e, g))| e.quartz_share(at(i), g.quartz, shares))
            .collect();
        let gained = GainedPath::new(&component.path, gains);
        let retardation = grains
            .iter()
            .map(|g| {
                let (at, _) = gained.nearest(g, None);
                let nm = path::grid::nm(at as f64);
                (nm, nm * g.chroma_u.hypot(0.5 * g.brightness_u))
            })
            .collect();
        Self { probability, retardation }
    }

    /// Whether the quartz grains' retardations are spread as those of random cuts: Kolmogorov-Smirnov at about p = 0.001.
    ///
    /// Cuts across the c-axis (under a tenth of the largest retardation) are left out: holes and glass fall there too.
    /// `thickness_um` gives the thickness at a grain, None for grains that are left out.
    pub(crate) fn spread(&self, thickness_um: impl Fn(usize) -> Option<f64>) -> Spread {
        let mut x: Vec<f64> = self
            .retardation
            .iter()
            .enumerate()
            .filter_map(|(i, (nm, _))| Some(nm / path::grid::nm(surface::point(thickness_um(i)?))))
            .filter(|x| (0.1..1.1).contains(x))
            .map(|x| x.min(1.0))
            .collect();
        if x.len() < FEWEST {
            return Spread::Random;
        }
        x.sort_by(f64::total_cmp);
        let n = x.len() as f64;
        let low = share_below(0.1);
        let (mut below, mut above) = (0.0_f64, 0.0_f64);
        for (i, x) in x.iter().enumerate() {
            let expected = (share_below(*x) - low) / (1.0 - low);
            below = below.max((i + 1) as f64 / n - expected);
            above = above.max(expected - i as f64 / n);
        }
        let (below, above) = (below * n.sqrt(), above * n.sqrt());
        if below.max(above) < KOLMOGOROV_001 {
            Spread::Random
        } else if below > above {
            Spread::TooLow(below)
        } else {
            Spread::TooHigh
        }
    }

    /// How many of some grains are more likely quartz than anything else.
    pub(crate) fn number(&self, of: impl Fn(usize) -> bool) -> usize {
        self.probability.iter().enumerate().filter(|(i, p)| of(*i) && **p > 0.5).count()
    }
}
