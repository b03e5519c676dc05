//! A window of a large field as a field of its own, its crossed photographs laid where they lie in the whole.

use rayon::prelude::*;

use crate::error::Result;
use crate::register::drift::{self, Drift};
use crate::register::{Cells, CrossedPhotograph, FieldStack, Placement};
use crate::slide::Photograph;
use crate::slide::folder::FieldScans;
use crate::slide::scan::{Scan, Window};
use crate::timings::stage;
use crate::units::MicrometresPerPixel;

/// Patches along each side of the field that are laid on each other closely, and their side, pixels.
const PATCHES: usize = 4;
/// See [`PATCHES`].
const PATCH: usize = 1024;
/// Side of the part of the field that is searched widely, pixels.
const PART: usize = 4000;
/// Where such parts are taken, share of the room that the field leaves them: its middle, and others where that tells nothing.
const PARTS: [[f64; 2]; 5] = [[0.5, 0.5], [0.25, 0.3], [0.75, 0.7], [0.3, 0.75], [0.7, 0.25]];
/// Cells from afar of so many pixels show a shift as finely as a patch does.
const FINE_FROM_AFAR: usize = 4;

/// Cuts windows.
pub(super) struct Cutter {
    scans: FieldScans,
    /// What every window shares with the field.
    field: Shared,
}

struct Shared {
    name: String,
    scale: Option<MicrometresPerPixel>,
    crossed: Vec<Like>,
    overview: crate::register::overview::Overview,
}

/// What the windows of a crossed photograph share.
struct Like {
    drift: Drift,
    peak: f64,
    angle: crate::units::Degrees,
    relative_exposure: Option<f64>,
}

impl Cutter {
    /// Of a field that was registered from afar; where that is too coarse, patches say closely how the photographs lie.
    pub(super) fn new(scans: FieldScans, afar: &mut FieldStack, scale: Option<MicrometresPerPixel>) -> Result<Self> {
        stage!("register");
        let by = afar.reduced_by as f64;
        let mut known: Vec<[f64; 2]> = afar.crossed.iter().map(|c| c.placement.shift.map(|s| s * by)).collect();
        let close =
            afar.reduced_by * afar.width.max(afar.height).div_ceil(Cells::OF_A_SECTION.drawing) > FINE_FROM_AFAR;
        let found = if close {
            // From afar many grains are one cell, and a wrong place can look as good as the right one.
            let broad = broadly(&scans)?;
            for ((known, broad), c) in known.iter_mut().zip(broad).zip(&mut afar.crossed) {
                if let Some(placement) = broad {
                    *known = placement.shift;
                    c.placement.shift = placement.shift.map(|s| s / by);
                    c.placement.peak = placement.peak;
                }
            }
            closely(&scans, &known)?
        } else {
            vec![None; known.len()]
        };
        let crossed = afar
            .crossed
            .iter()
            .zip(&known)
            .zip(&found)
            .map(|((c, known), found)| Like {
                drift: found.unwrap_or(Drift { shift: *known, turn: 0.0 }),
                peak: c.placement.peak,
                angle: c.angle,
                relative_exposure: c.relative_exposure,
            })
            .collect();
        // What patches are sure of need not be doubted from afar.
        for (c, _) in afar.crossed.iter().zip(&found).filter(|(_, found)| found.is_some()) {
            let doubt = format!("{} shows too few", c.photograph.record.file);
            afar.warnings.retain(|w| !w.starts_with(&doubt));
        }
        let field = Shared { name: afar.name.clone(), scale, crossed, overview: afar.overview.clone() };
        Ok(Self { scans, field })
    }

    /// Width and height of the field, pixels.
    pub(super) fn size(&self) -> [usize; 2] {
        [self.scans.plane.width, self.scans.plane.height]
    }

    /// A window as a field.
    pub(super) fn window(&self, window: Window) -> Result<FieldStack> {
        let [w, h] = self.size();
        let middle = [
            window.x as f64 + (window.width as f64 - w as f64) / 2.0,
            window.y as f64 + (window.height as f64 - h as f64) / 2.0,
        ];
        let (plane, crossed) = rayon::join(
            || self.scans.plane.window(window),
            || {
                let cut = |(scan, like): (&Scan, &Like)| {
                    let (photograph, shift) = laid(scan, window, like.drift.at(middle))?;
                    Ok(CrossedPhotograph {
                        photograph,
                        placement: Placement { turn: 0.0, shift, peak: like.peak },
                        angle: like.angle,
                        relative_exposure: like.relative_exposure,
                    })
                };
                self.scans.crossed.par_iter().zip(&self.field.crossed).map(cut).collect::<Vec<Result<_>>>()
            },
        );
        Ok(FieldStack {
            name: self.field.name.clone(),
            centre_mm: None,
            width: window.width,
            height: window.height,
            scale: self.field.scale,
            plane: plane?,
            blank: None,
            crossed: crossed.into_iter().collect::<Result<_>>()?,
            left_out: Vec::new(),
            lamp: None,
            reduced_by: 1,
            overview: self.field.overview.clone(),
            warnings: Vec::new(),
        })
    }
}

/// The part of a photograph that lies on a window when it is shifted, and its own shift.
fn laid(scan: &Scan, window: Window, shift: [f64; 2]) -> Result<(Photograph, [f64; 2])> {
    let place = |from: usize, size: usize, shift: f64, all: usize| {
        let low = from as i64 + shift.floor() as i64;
        let high = low + size as i64 + 1;
        let low = low.clamp(0, all as i64 - 1);
        let high = high.clamp(low + 1, all as i64);
        (low as usize, (high - low) as usize, shift - (low - from as i64) as f64)
    };
    let (x, width, dx) = place(window.x, window.width, shift[0], scan.width);
    let (y, height, dy) = place(window.y, window.height, shift[1], scan.height);
    Ok((scan.window(Window { x, y, width, height })?, [dx, dy]))
}

/// Where each crossed photograph lies, searched over a part of the field large enough to hold the shift; None where no part
/// tells.
fn broadly(scans: &FieldScans) -> Result<Vec<Option<Placement>>> {
    let size = [scans.plane.width, scans.plane.height];
    let (width, height) = (PART.min(size[0]), PART.min(size[1]));
    let mut found: Vec<Option<Placement>> = vec![None; scans.crossed.len()];
    for [right, down] in PARTS {
        let at = |share: f64, room: usize| (share * room as f64).round() as usize;
        let part = Window { x: at(right, size[0] - width), y: at(down, size[1] - height), width, height };
        let base = drift::part(&scans.plane.window(part)?);
        let seen: Vec<Result<_>> = scans
            .crossed
            .par_iter()
            .zip(&found)
            .map(|(scan, found)| match found {
                Some(found) => Ok(Some(*found)),
                None => Ok(drift::searched(&base, &scan.window(part)?, size)),
            })
            .collect();
        found = seen.into_iter().collect::<Result<_>>()?;
        if found.iter().all(Option::is_some) {
            break;
        }
    }
    Ok(found)
}

/// How each crossed photograph lies, by patches spread over the field; None where they do not tell.
fn closely(scans: &FieldScans, known: &[[f64; 2]]) -> Result<Vec<Option<Drift>>> {
    let size = [scans.plane.width, scans.plane.height];
    let side = PATCH.min(size[0]).min(size[1]);
    let starts = |n: usize| {
        (0..PATCHES)
            .map(move |k| (2 * k + 1) * n / (2 * PATCHES))
            .map(move |m| m.saturating_sub(side / 2).min(n - side))
    };
    let patches: Vec<Window> = starts(size[1])
        .flat_map(|y| starts(size[0]).map(move |x| Window { x, y, width: side, height: side }))
        .collect();
    let mut found: Vec<Vec<_>> = vec![Vec::new(); known.len()];
    for patch in patches {
        let base = drift::base(&scans.plane.window(patch)?);
        let at = [
            patch.x as f64 + (side as f64 - size[0] as f64) / 2.0,
            patch.y as f64 + (side as f64 - size[1] as f64) / 2.0,
        ];
        let seen: Vec<Result<_>> = scans
            .crossed
            .par_iter()
            .zip(known)
            .map(|(scan, known)| {
                let moved = |from: usize, shift: f64, n: usize| {
                    (from as i64 + shift.round() as i64).clamp(0, (n - side) as i64)
                };
                let (x, y) = (moved(patch.x, known[0], size[0]), moved(patch.y, known[1], size[1]));
                let from = [(x - patch.x as i64) as f64, (y - patch.y as i64) as f64];
                let there = scan.window(Window { x: x as usize, y: y as usize, width: side, height: side })?;
                Ok(drift::patch(&base, &there, at, from))
            })
            .collect();
        for (list, seen) in found.iter_mut().zip(seen) {
            list.extend(seen?);
        }
    }
    Ok(found.iter().map(|patches| drift::together(patches)).collect())
}
