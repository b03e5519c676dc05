//! Which crystals may be quartz by their looks: colourless, clear and even in plane light, no twin lamellae.

use crate::section::crystals::Crystal;

/// Chroma (log channel ratios) at which a crystal is half as likely to be colourless: a tint that the eye sees.
const TINT: f64 = 0.05;
/// Log of plane light below the slide's clear crystals at which a crystal is half as likely to be clear.
const DARKENING: f64 = 0.12;
/// Scatter of log plane light inside, over that of the slide's clear crystals, at which it is half as likely to be clear.
const CLOUDINESS: f64 = 2.5;

/// Probability that a perfectly clear crystal is quartz: clear feldspar exists.
pub const CLEAR: f64 = 0.9;
/// Cells at which a clean patch is as likely a scrap of something cut up as a crystal of its own.
const SMALL: f64 = 30.0;

/// Sets how likely each crystal is quartz, from its looks against the slide's own clear crystals.
///
/// It never decides: retardation does, later, against the distribution that quartz must follow.
#[must_use]
pub fn judge(mut crystals: Vec<Crystal>) -> Vec<Crystal> {
    let Some(reference) = Reference::of(&crystals) else {
        return crystals;
    };
    for crystal in &mut crystals {
        let ratio = |c: usize| (crystal.plane[c].max(1e-3) / crystal.plane[1].max(1e-3)).ln();
        let tint = (ratio(0) - reference.red).hypot(ratio(2) - reference.blue);
        let darkening = (reference.level - crystal.plane[1].max(1e-3).ln()).max(0.0);
        let cloudiness = crystal.plane_scatter / reference.scatter;
        let half = |x: f64, at: f64| 1.0 / (1.0 + (x / at).powi(4));
        let looks = half(tint, TINT) * half(darkening, DARKENING) * half(cloudiness, CLOUDINESS);
        let size = crystal.cells as f64 / (crystal.cells as f64 + SMALL);
        crystal.quartz = CLEAR * looks * size * if crystal.twinned { 0.1 } else { 1.0 };
    }
    crystals
}

/// What clear crystals of this field look like in plane light.
struct Reference {
    red: f64,
    blue: f64,
    level: f64,
    scatter: f64,
}

impl Reference {
    /// The brighter and smoother half of the crystals that light up between crossed polars, by area.
    fn of(crystals: &[Crystal]) -> Option<Self> {
        let light = |c: &Crystal| c.ratio.iter().map(|r| r[1]).fold(0.0, f64::max);
        let brightest = crystals.iter().map(light).fold(0.0, f64::max);
        let mut lit: Vec<&Crystal> = crystals.iter().filter(|c| light(c) > 0.1 * brightest).collect();
        if lit.is_empty() {
            return None;
        }
        let score = |c: &Crystal| c.plane[1].max(1e-3).ln() - 2.0 * c.plane_scatter;
        lit.sort_by(|a, b| score(b).total_cmp(&score(a)));
        let clear = &lit[..lit.len().div_ceil(2)];
        let median = |f: &dyn Fn(&Crystal) -> f64| {
            let mut v: Vec<f64> = clear.iter().map(|c| f(c)).collect();
            v.sort_by(f64::total_cmp);
            v[v.len() / 2]
        };
        Some(Self {
            red: median(&|c| (c.plane[0].max(1e-3) / c.plane[1].max(1e-3)).ln()),
            blue: median(&|c| (c.plane[2].max(1e-3) / c.plane[1].max(1e-3)).ln()),
            level: median(&|c| c.plane[1].max(1e-3).ln()),
            scatter: median(&|c| c.plane_scatter).max(0.01),
        })
    }
}
