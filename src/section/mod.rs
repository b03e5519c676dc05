//! What is on the glass: crystals and which are quartz, bubbles, plucked grains, scratches.
//!
//! Knows nothing of files. Every position is in pixels of the field's plane photograph (origin at the centre of the
//! top-left pixel, x right, y down).

mod beside;
pub mod bubbles;
pub mod burnt;
pub mod candidates;
pub mod cells;
mod chords;
pub mod clarity;
pub(crate) mod crossed_light;
pub mod crystals;
pub mod defects;
pub mod extinction;
pub mod eyepiece;
pub mod fibres;
pub mod filter;
pub(crate) mod gathered;
pub mod grit;
pub mod lifted;
pub mod light_field;
mod line_field;
pub(crate) mod line_search;
mod linked;
pub mod odds;
mod oval;
pub(crate) mod part;
mod parting;
pub mod plane_light;
pub mod plane_look;
pub mod plucks;
mod reach;
pub mod ridge;
pub mod scratches;
mod seams;
pub mod sets;
pub mod shape;
mod sides;
pub(crate) mod stitched;
mod surround;
pub mod totals;
pub mod trace;
mod unjudged;
pub(crate) mod unsharp;
pub(crate) mod white;

pub use crystals::{Crystal, Crystals};
pub use defects::{FieldDefects, find_defects};
pub use sets::ScratchSet;
pub use totals::{DefectTotals, Tally};
