//! Scratches: straight or gently bowed dark lines that keep their direction across the rock's crystals.

mod filling;
mod followed;
mod together;
mod wander;

use rayon::prelude::*;

use crate::section::beside::{Company, Crossed, company, crossed};
use crate::section::defects::{IN_DOUBT, REPORTED};
use crate::section::line_search::LineSearch;
use crate::section::odds::Odds;
use crate::section::plane_light::PlaneLight;
use crate::section::sides::Sides;
use crate::section::trace::BREAK_EVEN;

pub(crate) use self::filling::Filling;
use self::filling::filling;
pub(crate) use self::followed::{Straight, followed};
pub(crate) use self::together::settled;

/// A line that may be a scratch, with what was seen along it. Lengths are in cells of the line search unless they say otherwise.
#[derive(Clone, Debug)]
pub struct Line {
    /// Ends of its chord, pixels.
    pub ends: [[f64; 2]; 2],
    /// Length of the chord, µm (at the scale used).
    pub length_um: f64,
    /// Width as depth integrated across over greatest depth, less the search's own blur, µm.
    pub width_um: f64,
    /// Depth at the middle, log units.
    pub depth: f64,
    /// Sum of (response - break-even) where nothing else explains it.
    pub evidence: f64,
    /// Mean response where nothing else explains it, local scatters.
    pub strength: f64,
    /// Share of its length where it is seen.
    pub fill: f64,
    /// Scatter of its sideways place over short stretches, cells.
    pub roughness: f64,
    /// Scatter of the sideways places of short stretches about its course, cells of the narrow search.
    pub wander: f64,
    /// Evidence that it goes on beyond its ends aside of its course, cells times local scatters.
    pub aside: f64,
    /// Height of the arc over the chord, share of the length.
    pub bow: f64,
    /// Likely scratches that run parallel to it elsewhere, up to 2.
    pub siblings: f64,
    /// Side of a cell of the search that found it, pixels.
    pub(crate) bin: usize,
    /// Crystals along it.
    pub(crate) crossed: Crossed,
    /// Lines beside it.
    pub(crate) company: Company,
    /// What it is filled with.
    pub(crate) filling: Filling,
    /// How sure that it is a scratch, 0..=1.
    pub confidence: f64,
}

/// Shortest scratch looked for, µm: 200 µm and over count.
const SHORTEST_UM: f64 = 130.0;

/// Confidence from which a line's company is asked after: below it, parallel scratches elsewhere make it no scratch either.
const CONSIDERED: f64 = 0.01;

/// The lines along the courses of one search, by all photographs. `hidden` says of a pixel that what lies there is explained otherwise.
pub(crate) fn lines_along(
    courses: &[Straight],
    plane: &PlaneLight,
    search: &LineSearch,
    narrow: &LineSearch,
    sides: Sides<'_>,
    hidden: &(dyn Fn(f64, f64) -> bool + Sync),
) -> Vec<Line> {
    courses.par_iter().map(|c| Line::along(c, plane, search, narrow, sides, hidden)).collect()
}

impl Line {
    fn along(
        course: &Straight,
        plane: &PlaneLight,
        search: &LineSearch,
        narrow: &LineSearch,
        sides: Sides<'_>,
        hidden: &(dyn Fn(f64, f64) -> bool + Sync),
    ) -> Self {
        let path = course.path;
        let cell_um = plane.um_per_px * search.bin as f64;
        let to_px = |p: [f64; 2]| p.map(|v| search.px(v));
        let (mut sum, mut seen, mut n, mut covered) = (0.0, 0.0, 0.0_f64, 0.0_f64);
        for (k, r) in course.responses.iter().enumerate().filter(|(_, r)| !r.is_nan()) {
            n += 1.0;
            let [x, y] = to_px(path.at(path.ends[0] + 0.5 + k as f64, 0.0));
            if hidden(x, y) {
                covered += 1.0;
            } else {
                sum += r;
                seen += f64::from(u8::from(*r > BREAK_EVEN));
            }
        }
        let n = n.max(1.0);
        let bare = n - covered;
        let mut line = Self {
            ends: path.ends.map(|s| to_px(path.at(s, 0.0))),
            length_um: path.length() * cell_um,
            width_um: course.width * cell_um,
            depth: course.depth,
            evidence: sum - bare * BREAK_EVEN,
            strength: sum / bare.max(1.0),
            fill: seen / n,
            roughness: course.roughness,
            wander: 0.0,
            aside: 0.0,
            bow: path.bow() / (path.ends[1] - path.ends[0]).max(1.0),
            siblings: 0.0,
            bin: search.bin,
            crossed: crossed(&path, &search.basis, sides, cell_um),
            company: Company::NONE,
            filling: Filling::default(),
            confidence: 0.0,
        };
        line.confidence = line.odds().probability();
        // Not asked where even straight and standing alone it would be no scratch.
        if line.confidence > CONSIDERED {
            let fine = wander::on_cells(&path, search, narrow);
            line.wander = wander::wander(&fine, &narrow.basis);
            line.aside = wander::goes_on_aside(&fine, &narrow.basis);
            line.confidence = line.odds().probability();
        }
        if line.confidence > CONSIDERED {
            line.company = company(&path, &search.basis, cell_um);
            line.filling = filling(&path, search, plane, sides, [line.width_um, line.depth], line.company.edge);
            line.confidence = line.odds().probability();
        }
        line
    }

    /// Whether it is less likely a scratch than not, and may be one.
    pub(crate) fn is_in_doubt(&self) -> bool {
        (IN_DOUBT..REPORTED).contains(&self.confidence)
    }

    /// What speaks for a scratch and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        let Crossed { crystals, elsewhere, farther, bounded, divides, cut } = self.crossed;
        let alone = if crystals < 2.0 { 1.0 } else { 0.0 };
        Odds::before(-5.18)
            .with("evidence", (self.evidence.max(1.0) / 45.0).ln().clamp(-1.5, 2.5), 1.22)
            .with("fill", self.fill - 0.7, 3.76)
            // Straight within a fraction of a cell; joints and boundaries wander. The stronger a line, the better it is placed, and
            // the louder its wander speaks.
            .with("rough", self.roughness.min(1.2), -2.54)
            .with("wanders", self.wander.min(1.2) * self.strength, -4.27)
            // What goes on beside its own course is a piece of something bent.
            .with("aside", (1.0 + self.aside).ln(), -0.17)
            // Evidence outside the crystal that holds most of it: what is a crystal's own ends with it.
            .with("elsewhere", (1.0 + elsewhere / 8.0).ln(), 1.28)
            .with("farther", (1.0 + farther / 8.0).ln(), 0.33)
            // Cleavage and lamellae are one of many, and the less likely the more crystals it crosses.
            .with("kin", self.company.kin.ln() / crystals.clamp(1.0, 4.0).sqrt(), -2.03)
            // A scratch stands out of all that runs parallel to it.
            .with("scatters", self.company.scatters.clamp(0.0, 15.0), 0.19)
            .with("divides", divides, -2.88)
            .with("bowed", (self.bow - 0.012).max(0.0), -1300.0)
            // Within one crystal, and the more so where it ends with it, a line is the crystal's own.
            .with("ends with it", alone * bounded, -2.28)
            // Cut by the frame, it is longer than it looks.
            .with("cut", cut, 0.62)
            // Evidence counts length and strength: of two with the same, the long faint one is the likelier scratch.
            .with("strength", self.strength, -2.02)
            .with("siblings", self.siblings, 2.55)
            // What has a colour, or crystals of its own, is a veinlet. House values; docs/method.md says what true scratches have.
            .with("brown", (self.filling.brown - 0.02).clamp(0.0, 0.15), -40.0)
            .with("own light", (self.filling.own - 0.06).clamp(0.0, 0.1), -60.0)
            .with("wide", ((self.width_um - 9.0) / 2.0).clamp(0.0, 3.0), -0.19)
    }
}
