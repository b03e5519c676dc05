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

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::cells::TintCells;
use self::patch::patches;
pub use self::patch::Patch;
use self::path::{FilmPath, PATHS};
use crate::section::beside::Sides;
use crate::section::light_field::FieldLight;
use crate::section::shape::simplified;

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
/// Cells along the side of a block that is looked over for opposite colours: some 190 µm. Blocks overlap by half.
const BLOCK: usize = 24;
/// Tint that counts as a colour, log units, and the strongest that a film may have.
const COLOUR: [f32; 2] = [0.03, 0.18];
/// Share of a block's cells that a quarter of the colours must have to count as there.
const LEAST_SHARE: f32 = 0.025;
/// Squares left by another order over those of the film from which the order is told.
const ORDER_TOLD: f64 = 2.0;
/// Share of grey rock within the outline from which the middle's film is not known.
const GREY: f64 = 0.08;

/// Patches that may be lifted, whatever becomes of them.
#[must_use]
pub fn find(light: &FieldLight) -> Vec<Patch> {
    if light.um_per_px > COARSEST_UM {
        return Vec::new();
    }
    let cells = TintCells::of(light);
    let boxes = coloured_boxes(&cells);
    if boxes.is_empty() {
        return Vec::new();
    }
    let sides = Sides::of(light, light.bin * cells.by);
    boxes
        .into_iter()
        .flat_map(|within| {
            let path = likeliest(&cells, within);
            let steps = film::follow(&cells, path, within);
            patches(light, &cells, &sides, path, &steps, within)
        })
        .collect()
}

/// The quarter of the colours that a tint belongs to, 0..4; None where it is none that a film has.
fn quarter(tint: [f32; 2]) -> Option<usize> {
    let strength = tint[0].hypot(tint[1]);
    (COLOUR[0]..COLOUR[1])
        .contains(&strength)
        .then(|| usize::from(tint[0] > 0.0) + 2 * usize::from(tint[1] > 0.0))
}

/// Boxes of cells (x0, y0, x1, y1, half-open) about blocks that show three quarters of the colours at least.
fn coloured_boxes(cells: &TintCells) -> Vec<[usize; 4]> {
    let (rows, columns) = cells.seen.dim();
    let mut boxes: Vec<[usize; 4]> = Vec::new();
    for y in (0..rows).step_by(BLOCK / 2) {
        for x in (0..columns).step_by(BLOCK / 2) {
            let (to_y, to_x) = ((y + BLOCK).min(rows), (x + BLOCK).min(columns));
            let (mut quarters, mut seen) = ([0_usize; 4], 0_usize);
            for at in (y..to_y).flat_map(|y| (x..to_x).map(move |x| [y, x])) {
                seen += usize::from(cells.seen[at]);
                if let (true, Some(q)) = (cells.seen[at], quarter(cells.tint[at])) {
                    quarters[q] += 1;
                }
            }
            let there = quarters.iter().filter(|n| **n as f32 >= LEAST_SHARE * seen as f32).count();
            if 2 * seen > (to_y - y) * (to_x - x) && there >= 3 {
                let margin = BLOCK / 2;
                let within = [
                    x.saturating_sub(margin),
                    y.saturating_sub(margin),
                    (to_x + margin).min(columns),
                    (to_y + margin).min(rows),
                ];
                boxes.push(within);
            }
        }
    }
    united(boxes)
}

/// Boxes that overlap become one.
fn united(boxes: Vec<[usize; 4]>) -> Vec<[usize; 4]> {
    let mut out: Vec<[usize; 4]> = Vec::new();
    for mut next in boxes {
        while let Some(i) = out.iter().position(|b| (0..2).all(|k| b[k] < next[k + 2] && next[k] < b[k + 2])) {
            let b = out.swap_remove(i);
            next = [b[0].min(next[0]), b[1].min(next[1]), b[2].max(next[2]), b[3].max(next[3])];
        }
        out.push(next);
    }
    out.sort_unstable();
    out
}

/// The lamp and camera whose film colours lie nearest to the tints of a box.
fn likeliest(cells: &TintCells, [x0, y0, x1, y1]: [usize; 4]) -> &'static FilmPath {
    let tints: Vec<[f32; 2]> = (y0..y1)
        .flat_map(|y| (x0..x1).map(move |x| [y, x]))
        .filter(|at| cells.seen[*at])
        .map(|at| cells.tint[at])
        .filter(|t| quarter(*t).is_some())
        .collect();
    let every = (tints.len() / 4000).max(1);
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
        if self.grey > GREY {
            Err("part of the patch is grey, as films are that are too thick to show colours")
        } else if self.order < ORDER_TOLD {
            Err("a film one order thicker or thinner would show nearly the same colours")
        } else {
            Ok(self.film_nm.map(|nm| nm / 1000.0))
        }
    }

    /// Whether it is called lifted.
    pub(crate) fn is_called(&self) -> bool {
        self.is_film() && self.confidence >= CALLED_FROM
    }
}
