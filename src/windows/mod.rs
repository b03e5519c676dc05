//! A field too large to be held, such as a photograph of the whole section: seen from afar once, then looked at in windows.
//!
//! ```text
//! files ── from end to end ──> the field from afar ── register ──> shifts, light field, pictures
//!   │                                                                    │
//!   ├── some patches, closely ──> shifts and levels of the whole <───────┤
//!   │                                        │                           │
//!   └── window by window ──> the same stages as of any field ──> crystals and defects, each once
//! ```
//!
//! What a field is measured against (light field, what is dark and bright between crossed polars, what is usual) is found
//! over the whole of it, so that windows agree where they meet; a finding belongs to the window whose core holds its middle.

mod afar;
mod cut;
mod grid;
mod held;
mod levels;

use crate::error::Result;
use crate::register::FieldStack;
use crate::section::Crystals;
use crate::section::crystals::binning;
use crate::section::defects::FieldDefects;
use crate::section::extinction::{AngleDesign, ExtinctionPlanes};
use crate::section::gathered::Gathered;
use crate::section::light_field::FieldLight;
use crate::section::stitched::Stitching;
use crate::slide::Slide;
use crate::slide::folder::{FieldPlan, FieldScans, InWindows};
use crate::slide::record::Impregnation;
use crate::timings::stage;
use crate::units::MicrometresPerPixel;
use crate::windows::afar::Afar;
use crate::windows::cut::Cutter;
pub use crate::windows::held::wanted;
use crate::windows::levels::Levels;

/// How far the look at a large field is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Name of the field.
    pub field: String,
    /// Windows that were looked at.
    pub done: usize,
    /// All windows.
    pub all: usize,
}

impl Progress {
    /// The line.
    #[must_use]
    pub fn line(&self) -> String {
        match self.done {
            0 => format!("field {}: read from end to end, {} windows to look at", self.field, self.all),
            done => format!("field {}: {done} of {} windows", self.field, self.all),
        }
    }
}

/// A large field, registered.
pub struct LargeField {
    /// Its photographs reduced until they can be held; [`FieldStack::reduced_by`] says by how much.
    pub from_afar: FieldStack,
    /// Width and height, pixels.
    pub size_px: [usize; 2],
    /// Scale.
    pub scale: Option<MicrometresPerPixel>,
    cutter: Cutter,
    afar: Afar,
    how: InWindows,
    impregnation: Impregnation,
}

/// What was found in a large field.
pub struct Found {
    /// Its crystals.
    pub crystals: Crystals,
    /// Light that the crossed polars leak, where the angles do not separate it.
    pub leak: [f64; 3],
    /// Its defects.
    pub defects: FieldDefects,
}

impl LargeField {
    /// Reads the photographs from end to end and lays them on each other.
    ///
    /// # Errors
    /// When a photograph is damaged, shows no field of view, or was taken with a turned stage.
    pub fn register(plan: &FieldPlan, scans: FieldScans, slide: &Slide) -> Result<Self> {
        let size_px = [scans.plane.width, scans.plane.height];
        let mut scans = scans;
        let (afar, photographs) = {
            stage!("read");
            Afar::of(&mut scans)?
        };
        let mut from_afar = afar.stack(plan, photographs, slide.scale, slide.record.turned)?;
        let cutter = Cutter::new(scans, &mut from_afar, slide.scale)?;
        Ok(Self {
            from_afar,
            size_px,
            scale: slide.scale,
            cutter,
            afar,
            how: slide.windows,
            impregnation: slide.record.impregnation,
        })
    }

    /// Looks at every window, one after another, each on all cores; `progress` hears how far it is, and may give it up.
    ///
    /// # Errors
    /// When a part of a photograph is damaged, or `progress` gives it up.
    pub fn find(&self, mut progress: impl FnMut(&Progress) -> Result<()>) -> Result<Found> {
        let um_per_px = self.scale.map(MicrometresPerPixel::um_per_px);
        let grid = grid::Grid::new(self.size_px, um_per_px, &self.how);
        let bin = binning(self.scale);
        let mut told = Progress { field: self.from_afar.name.clone(), done: 0, all: grid.parts.len() };
        progress(&told)?;
        let levels = Levels::of(&self.cutter, &self.afar.white, &grid, bin, self.how.sampled_pixels)?;
        let mut crystals = Stitching::new(self.size_px, bin, &grid.xs, &grid.ys);
        let mut defects = Gathered::new(&self.from_afar.name, self.size_px, self.impregnation);
        for part in &grid.parts {
            let stack = {
                stage!("read");
                self.cutter.window(part.window)?
            };
            {
                stage!("crystals");
                crystals.add(&ExtinctionPlanes::new(&stack, bin), levels.clean, part);
            }
            let light = {
                stage!("defects: light");
                let at = [part.window.x, part.window.y];
                FieldLight::within(&stack, &self.afar.white, Some(&levels.crossed), at)
            };
            defects.hear_focus(part, {
                stage!("defects: focus");
                stack.out_of_focus()
            });
            drop(stack);
            defects.add(&light, &levels.usual, part);
            told.done += 1;
            progress(&told)?;
        }
        let by = self.from_afar.reduced_by;
        if by > 1 {
            // Round a bubble the rock is looked at as well.
            let shown_whole = 1.6 * grid.margin as f64;
            defects.add_large(&FieldLight::of(&self.from_afar), by as f64, shown_whole);
        }
        let angles: Vec<f64> = self.from_afar.crossed.iter().map(|c| c.angle.radians()).collect();
        Ok(Found { crystals: crystals.done(AngleDesign::new(&angles)), leak: levels.leak, defects: defects.done() })
    }
}
