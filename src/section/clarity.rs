//! Which crystals may be quartz by their looks: colourless, clear and whole in plane light, no twin lamellae.
//!
//! Quartz has neither cleavage nor lamellae and does not alter: its crystals stay whole and clear. Feldspar is cut up by both
//! and clouds over. None of this is certain for one crystal; retardation weighs in later.

use crate::section::crystals::{Crystal, alike};
use crate::section::extinction::{AngleDesign, Separation};

/// Chroma (log channel ratios) at which a crystal is half as likely to be colourless: a tint that the eye sees.
const TINT: f64 = 0.07;
/// Log of plane light below the slide's clear crystals at which a crystal is half as likely to be one of the colourless ones.
const DARKENING: f64 = 0.25;

/// Log odds of quartz against another colourless crystal (fitted to crystals of rendered granites whose mineral is
/// known, then shrunk by a seventh and more, docs/method.md section 5): for each factor e of size against the slide's clear crystals, ...
const BY_SIZE: f64 = 0.6;
/// ... for each unit of log plane light below theirs, ...
const BY_DARKENING: f64 = -9.8;
/// ... for each factor e of mottle over theirs, ...
const BY_MOTTLE: f64 = -2.7;
/// ... or less where the angles do not show extinction, since a patch may run over several crystals of one colour there, ...
const BY_MOTTLE_OF_COLOUR: f64 = -1.9;
/// ... for each unit of wholeness from [`WHOLE`], ...
const BY_WHOLENESS: f64 = 1.7;
/// ... for plane light that changes across one direction only, as along cleavage (see [`Crystal::lined`]), ...
const BY_LINES: f64 = -4.6;
/// ... and for twin lamellae.
const BY_TWINS: f64 = -2.0;
const WHOLE: f64 = 0.75;
/// Log odds for each other patch of its colour and extinction near it, up to [`MOST_ALIKE`]: cleavage and lamellae cut feldspar up.
const BY_ALIKE: f64 = -1.15;
/// Most such patches that count. House value.
const MOST_ALIKE: usize = 2;
/// Distance within which such patches are looked for, in diameters of the slide's clear crystals. House value.
const NEARBY: f64 = 1.5;
/// Part of the log of its size that counts against a crystal that the frame cuts: the rest is not seen (fitted and
/// shrunk as those above).
const CUT_BY_FRAME: f64 = 0.5;
/// Log odds for extinction that sweeps through the crystal: undulose extinction is quartz's far more than feldspar's.
const BY_UNDULOSITY: f64 = 2.5;
/// Loss of coherence at which that counts in full.
const UNDULOSE: f64 = 0.004;
/// Log odds of a crystal that looks like the slide's clear ones.
const CLEAR_ODDS: f64 = 1.6;
/// Log odds never leave this range: clear feldspar and dirty quartz exist.
const RANGE: (f64, f64) = (-4.0, 2.8);

/// Sets which crystals are alike, and how likely each is quartz by its looks against the slide's own clear crystals, were quartz
/// and other colourless crystals equally common.
///
/// `design` are the angles of the crossed photographs, `bin` is the side of a cell in pixels. It never decides: retardation does,
/// later, against the distribution that quartz must follow.
#[must_use]
pub fn judge(mut crystals: Vec<Crystal>, design: &AngleDesign, bin: usize) -> Vec<Crystal> {
    let Some(reference) = Reference::of(&crystals) else {
        return crystals;
    };
    let diameter_px = (4.0 / std::f64::consts::PI * reference.cells).sqrt() * bin as f64;
    alike::count(&mut crystals, design, NEARBY * diameter_px);
    let extinction = design.separation == Separation::Full;
    let by_mottle = if extinction { BY_MOTTLE } else { BY_MOTTLE_OF_COLOUR };
    for crystal in &mut crystals {
        let [red, level, blue] = crystal.looks;
        let tint = (red - reference.red).hypot(blue - reference.blue);
        let darkening = (reference.level - level).max(0.0);
        let half = |x: f64, at: f64| 1.0 / (1.0 + (x / at).powi(4));
        let colourless = half(tint, TINT) * half(darkening, DARKENING);
        let odds = CLEAR_ODDS
            + BY_SIZE * size(crystal, reference.cells, extinction)
            + BY_ALIKE * crystal.alike.min(MOST_ALIKE) as f64
            + BY_DARKENING * darkening
            + by_mottle * (crystal.plane_mottle.max(LEAST_MOTTLE) / reference.mottle).ln().max(-0.5)
            + BY_WHOLENESS * (crystal.wholeness - WHOLE)
            + BY_LINES * crystal.lined()
            + BY_UNDULOSITY * ((1.0 - crystal.coherence) / UNDULOSE).min(1.0)
            + if crystal.twinned { BY_TWINS } else { 0.0 };
        crystal.colourless = colourless;
        crystal.quartz = colourless / (1.0 + (-odds.clamp(RANGE.0, RANGE.1)).exp());
    }
    crystals
}

/// Log of a crystal's size against the clear ones', at most twice theirs; `extinction`: the angles show which cells are one crystal.
fn size(crystal: &Crystal, clear_cells: f64, extinction: bool) -> f64 {
    let log = (crystal.cells as f64 / clear_cells).ln().min(0.7);
    if extinction && crystal.cut_by_frame && log < 0.0 { CUT_BY_FRAME * log } else { log }
}

/// Mottle that noise of the photograph alone may cause.
const LEAST_MOTTLE: f64 = 0.004;

/// What clear crystals of this field look like in plane light.
struct Reference {
    red: f64,
    blue: f64,
    level: f64,
    mottle: f64,
    cells: f64,
}

impl Reference {
    /// The brighter and smoother half of the crystals that light up between crossed polars, medians by area.
    fn of(crystals: &[Crystal]) -> Option<Self> {
        let light = |c: &Crystal| c.ratio.iter().map(|r| r[1]).fold(0.0, f64::max);
        let brightest = crystals.iter().map(light).fold(0.0, f64::max);
        let mut lit: Vec<&Crystal> = crystals.iter().filter(|c| light(c) > 0.1 * brightest).collect();
        if lit.is_empty() {
            return None;
        }
        let score = |c: &Crystal| c.looks[1] - 2.0 * c.plane_mottle;
        lit.sort_by(|a, b| score(b).total_cmp(&score(a)));
        let clear = &lit[..lit.len().div_ceil(2)];
        let median = |f: &dyn Fn(&Crystal) -> f64| {
            let mut v: Vec<(f64, usize)> = clear.iter().map(|c| (f(c), c.cells)).collect();
            v.sort_by(|a, b| a.0.total_cmp(&b.0));
            let total: usize = v.iter().map(|(_, n)| n).sum();
            let mut below = 0;
            v.iter()
                .find(|(_, n)| {
                    below += n;
                    2 * below >= total
                })
                .map_or(f64::NAN, |(x, _)| *x)
        };
        Some(Self {
            red: median(&|c| c.looks[0]),
            blue: median(&|c| c.looks[2]),
            level: median(&|c| c.looks[1]),
            mottle: median(&|c| c.plane_mottle).max(LEAST_MOTTLE),
            cells: median(&|c| c.cells as f64),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A colourless crystal as large as the others whose plane light has these second moments of its gradient.
    fn with_gradient(plane_gradient: [f64; 3]) -> Crystal {
        Crystal {
            cells: 400,
            ratio: vec![[0.5; 3]],
            looks: [0.0, -0.1, 0.0],
            plane_mottle: 0.006,
            plane_gradient,
            ..Crystal::unmeasured()
        }
    }

    #[test]
    fn a_crystal_lined_like_cleavage_is_less_likely_quartz_and_which_way_the_lines_run_does_not_matter() {
        let speckled = with_gradient([1e-4, 1e-4, 0.0]);
        // Lines that light changes across at 0, 30 and 135 degrees, as strong in all as the specks.
        let lined = [0.0_f64, 30.0, 135.0].map(|degrees| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            with_gradient([2e-4 * cos * cos, 2e-4 * sin * sin, 2e-4 * sin * cos])
        });
        assert!(speckled.lined() < 1e-9 && lined.iter().all(|c| (c.lined() - 1.0).abs() < 1e-9), "by definition");
        let design = AngleDesign::new(&[0.0_f64, 22.5, 45.0, 67.5].map(f64::to_radians));
        let mut crystals = [vec![speckled], lined.to_vec()].concat();
        // So far from each other that none may be a part of another.
        crystals.iter_mut().zip(0..).for_each(|(crystal, k)| crystal.x_px = 1000.0 * f64::from(k));
        let judged = judge(crystals, &design, 2);
        let quartz: Vec<f64> = judged.iter().map(|c| c.quartz).collect();
        assert!(quartz[0] > 0.5 && quartz[1..].iter().all(|q| *q < 0.3), "{quartz:?}");
        assert!(quartz[1..].iter().all(|q| (q - quartz[1]).abs() < 1e-9), "{quartz:?}");
    }

    #[test]
    fn a_small_rest_of_a_crystal_that_the_frame_cuts_is_no_sign_against_quartz_as_a_small_crystal_is() {
        let of = |cells, cut_by_frame| size(&Crystal { cells, cut_by_frame, ..Crystal::unmeasured() }, 1000.0, true);
        assert!(of(100, false) < of(100, true) && of(100, true) < of(1000, true));
        assert!((of(3000, true) - of(3000, false)).abs() < 1e-12, "a large one is as large as is seen, or larger");
    }
}
