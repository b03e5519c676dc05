//! Lifted areas: rock that has come off its glass, with a film of air under it that shows Newton's colours.
//!
//! The film passes up to 16 % less light, each wavelength in its own turn (Airy), so its colours run over grains and borders
//! alike and follow one another in one order as the film grows thicker. That order, and that it is followed smoothly from
//! cell to cell, tells it from the rock's own tints.

mod cells;
mod film;
mod judgement;
mod patch;
mod path;
mod proof;
#[cfg(test)]
mod tests;
mod turning;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::cells::TintCells;
pub use self::patch::Patch;
use self::patch::patches;
use self::path::{FilmPath, PATHS};
use crate::section::light_field::FieldLight;
use crate::section::shape::{holds, simplified};
use crate::section::sides::CrossedColours;

/// An area of rock that has come off the glass. It is seen, and not judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Lifted {
    /// Name of the field.
    pub field: String,
    /// Outline of what shows the film's colours, pixels, closed.
    pub outline_px: Vec<[f64; 2]>,
    /// Area within it, square pixels.
    pub area_px: f64,
    /// Area within it, µm²; null without a scale.
    pub area_um2: Option<f64>,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// Thickness of the film of air where its colours show, from and to, µm; null when it cannot be told.
    pub film_um: Option<[f64; 2]>,
    /// Why the film's thickness cannot be told; null when it is.
    pub film_why: Option<String>,
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// Confidence from which a patch is called lifted: what cries wolf is switched off.
pub(crate) const CALLED_FROM: f64 = 0.8;
/// Coarsest pixel that still shows bands of colour, µm.
const COARSEST_UM: f64 = 6.0;
/// Tint from which a cell helps to choose the lamp, log units.
const COLOUR: f32 = 0.03;
/// How far outside its outline a line may be its edge, µm: the film is too thin there to show colours.
const EDGE_UM: f64 = 40.0;
/// Squares left by another order over those of the film from which the order is told.
const ORDER_TOLD: f64 = 2.0;
/// Thickness from which a film is nearly grey, nm; it may be thicker where nothing is followed any more.
const PALE_NM: f64 = 1300.0;
/// Share of grey rock within the outline from which the middle's film is not known.
const GREY: f64 = 0.08;

/// Patches that may be lifted, whatever becomes of them.
#[must_use]
pub fn find(light: &FieldLight) -> Vec<Patch> {
    if light.plane.um_per_px > COARSEST_UM {
        return Vec::new();
    }
    let cells = TintCells::of(light);
    let boxes = turning::boxes(&cells);
    if boxes.is_empty() {
        return Vec::new();
    }
    let colours = CrossedColours::of(light);
    let sides = colours.sides(light.plane.bin * cells.by);
    boxes
        .into_iter()
        .flat_map(|within| {
            let path = likeliest(&cells, within);
            let steps = film::follow(&cells, path, within);
            patches(light, &cells, sides, path, &steps, within)
        })
        .collect()
}

/// The lamp and camera whose film colours lie nearest to the tints of a box.
fn likeliest(cells: &TintCells, [x0, y0, x1, y1]: [usize; 4]) -> &'static FilmPath {
    let tints: Vec<[f32; 2]> = (y0..y1)
        .flat_map(|y| (x0..x1).map(move |x| [y, x]))
        .filter(|at| cells.seen[*at])
        .map(|at| cells.tint[at])
        .filter(|t| t[0].hypot(t[1]) > COLOUR)
        .collect();
    let every = (tints.len() / 2000).max(1);
    // A cell far off any film is as far off every one.
    let off = |p: &FilmPath| tints.iter().step_by(every).map(|t| p.off(*t).min(2e-3)).sum::<f32>();
    PATHS.iter().min_by(|a, b| off(a).total_cmp(&off(b))).expect("there are paths")
}

/// Without patches that lie by half or more in a larger one's box.
pub(crate) fn told_once(mut patches: Vec<Patch>) -> Vec<Patch> {
    patches.sort_by(|a, b| b.area_um2.total_cmp(&a.area_um2));
    let mut out: Vec<Patch> = Vec::new();
    for patch in patches {
        let own = patch.box_px();
        let common = |other: [f64; 4]| {
            (0..2).map(|k| (own[k + 2].min(other[k + 2]) - own[k].max(other[k])).max(0.0)).product::<f64>()
        };
        if out.iter().all(|p| common(p.box_px()) < 0.5 * (own[2] - own[0]) * (own[3] - own[1])) {
            out.push(patch);
        }
    }
    out
}

impl Lifted {
    pub(crate) fn of(patch: &Patch, field: &str, scale_known: bool, um_per_px: f64) -> Self {
        let outline_px = simplified(&patch.outline_px, 0.7);
        let [x0, y0, x1, y1] = patch.box_px();
        let film = patch.film();
        Self {
            field: field.to_owned(),
            area_px: patch.area_um2 / (um_per_px * um_per_px),
            area_um2: scale_known.then_some(patch.area_um2),
            box_px: [x0, y0, x1 + 1.0, y1 + 1.0],
            film_um: film.as_ref().ok().copied(),
            film_why: film.err().map(str::to_owned),
            confidence: patch.confidence,
            outline_px,
        }
    }
}

impl Patch {
    /// Thickness of the film from and to, µm, or why it cannot be told.
    fn film(&self) -> Result<[f64; 2], &'static str> {
        if self.grey > GREY || self.film_nm[1] > PALE_NM {
            Err("part of the patch is grey or nearly so, as films are that are too thick to show colours")
        } else if self.order < ORDER_TOLD {
            Err("a film one order thicker or thinner would show nearly the same colours")
        } else {
            Ok(self.film_nm.map(|nm| nm / 1000.0))
        }
    }

    /// Whether a line is its edge or one of its bands: half of its course lies within the outline or near it.
    pub(crate) fn explains(&self, course_px: &[[f64; 2]], um_per_px: f64) -> bool {
        let near =
            |p: &[f64; 2]| self.outline_px.iter().any(|q| (p[0] - q[0]).hypot(p[1] - q[1]) * um_per_px < EDGE_UM);
        let own = course_px.iter().filter(|p| holds(&self.outline_px, **p) || near(p)).count();
        2 * own > course_px.len()
    }

    /// Whether it is called lifted.
    pub(crate) fn is_called(&self) -> bool {
        self.is_film() && self.confidence >= CALLED_FROM
    }
}
