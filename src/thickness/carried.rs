//! Which grains carried the measurement, and whether they lie as random crystals do.

use crate::optics::mineral::share_below;
use crate::thickness::yardstick::Yardstick;
use crate::thickness::{component, gains, grain, likelihood, path, surface};

/// Kolmogorov's distribution exceeds this once in a thousand (from memory: 1.949).
const KOLMOGOROV_001: f64 = 1.949;

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
        let evidence = likelihood::Evidence::new(grains, component.path, gains, yardstick);
        let at = |i: usize| (surface::point(thickness_um(i)).round() as usize).min(path::grid::COUNT - 1);
        let shares = likelihood::SHARES[component.shares];
        let probability: Vec<f64> = evidence
            .grains
            .iter()
            .zip(grains)
            .enumerate()
            .map(|(i, (e, g))| e.quartz_share(at(i), g.quartz, shares))
            .collect();
        let retardation = grains
            .iter()
            .map(|g| {
                let (at, _) = gains::nearest(g, component.path, gains);
                let nm = path::grid::nm(at as f64);
                (nm, nm * g.chroma_u.hypot(0.5 * g.brightness_u))
            })
            .collect();
        Self { probability, retardation }
    }

    /// Whether the quartz grains' retardations depart from those of random cuts: Kolmogorov-Smirnov at about p = 0.001.
    ///
    /// Cuts across the c-axis (under a tenth of the largest retardation) are left out: holes and glass fall there too.
    /// `thickness_um` gives the thickness at a grain, None for grains that are left out.
    pub(crate) fn one_sided(&self, thickness_um: impl Fn(usize) -> Option<f64>) -> bool {
        let mut x: Vec<f64> = self
            .retardation
            .iter()
            .enumerate()
            .filter_map(|(i, (nm, _))| Some(nm / path::grid::nm(surface::point(thickness_um(i)?))))
            .filter(|x| (0.1..1.1).contains(x))
            .map(|x| x.min(1.0))
            .collect();
        if x.len() < 12 {
            return false;
        }
        x.sort_by(f64::total_cmp);
        let n = x.len() as f64;
        let low = share_below(0.1);
        let departure = x
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let f = (share_below(*x) - low) / (1.0 - low);
                (f - i as f64 / n).abs().max((f - (i + 1) as f64 / n).abs())
            })
            .fold(0.0, f64::max);
        departure * n.sqrt() > KOLMOGOROV_001
    }

    /// How many of some grains are more likely quartz than anything else.
    pub(crate) fn number(&self, of: impl Fn(usize) -> bool) -> usize {
        self.probability.iter().enumerate().filter(|(i, p)| of(*i) && **p > 0.5).count()
    }
}
