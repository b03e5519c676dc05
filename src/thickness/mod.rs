//! Thickness of the section from the interference colours of its quartz, with an honest interval.
//!
//! Knows nothing of files or pixels of photographs: crystals with positions on the section in, a fitted surface out.

mod apart;
mod balance;
mod believed;
mod bend;
mod burnt_out;
mod carried;
mod component;
mod curved;
mod departure;
mod extent;
mod fit;
mod gains;
pub mod grain;
mod likelihood;
mod lookalike;
mod nearest;
mod orders;
mod oriented;
mod path;
mod section_map;
mod surface;
mod systematic;
pub mod tone;
mod unreadable;
mod yardstick;

pub use fit::{SectionSize, measure};
pub use grain::FieldCrystals;
pub use section_map::{MapPoint, SectionMap, Shape, SurfaceForm};
pub(crate) use unreadable::STAND_STILL;
pub(crate) use yardstick::QUARTZ_NAME;
pub use yardstick::Yardstick;

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::units::Degrees;

/// Computes what every measurement needs and no photograph changes, the colours of lamps and minerals; else the first one does.
pub fn make_ready() {
    LazyLock::force(&path::PATHS);
    let _ = Yardstick::quartz();
}

/// One equally likely state of the section given the photographs: with x and y from the section's centre,
/// thickness = centre + gx·x + gy·y + xx·x² + xy·x·y + yy·y².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurfaceDraw {
    /// Thickness at the section's centre (or over the fields photographed, when no positions are known), µm.
    pub centre_um: f64,
    /// Gradient toward +x (right) and +y (up), µm per mm; zeros when the gradient was not measured.
    pub gradient_um_per_mm: [f64; 2],
    /// Second-order terms xx, xy and yy, µm per mm²; zeros on a plane.
    pub curvature_um_per_mm2: [f64; 3],
}

/// The measured thickness of the section.
#[derive(Clone, Debug)]
pub struct ThicknessSurface {
    /// Mean over the section, µm.
    pub mean_um: Measured,
    /// Gradient toward +x and +y (of a curved section, at its centre), µm/mm; None when the fields are too few or too close together.
    pub gradient_um_per_mm: Option<[Measured; 2]>,
    /// Thickness where it is least, over the section (over the fields when there is no gradient), µm.
    pub at_thinnest_um: Measured,
    /// Thickness where it is greatest, µm.
    pub at_thickest_um: Measured,
    /// Difference across the section, µm; None when there is no gradient.
    pub range_across_um: Option<Measured>,
    /// Direction in which it thickens, anticlockwise from +x as seen; None when there is no gradient or it is within its uncertainty.
    pub thickens_toward: Option<Degrees>,
    /// Thickness at the section's corners (top-left, top-right, bottom-left, bottom-right), µm; None when there is no gradient.
    pub at_corners_um: Option<[Measured; 4]>,
    /// The section as a surface; None when there is no gradient.
    pub map: Option<SectionMap>,
    /// How many quartz grains carried it.
    pub quartz_grains: usize,
    /// Each field's own thickness.
    pub per_field: Vec<FieldThickness>,
    /// Equally likely surfaces (about 2000, fixed seed): every probability in the verdict is counted over these.
    pub draws: Vec<SurfaceDraw>,
    /// Per draw, least and greatest thickness over the section (over the fields when there is no gradient), µm.
    pub extremes_um: Vec<[f64; 2]>,
    /// The grains that carried it, for the report's chart.
    pub grains: Vec<MeasuredGrain>,
    /// The mineral that it was measured by.
    pub mineral: &'static str,
    /// Largest retardation that this mineral shows at the mean thickness, nm.
    pub largest_retardation_nm: f64,
    /// The lamp whose colours fitted best.
    pub lamp: String,
    /// What makes the number less certain and what was done about it.
    pub notes: Vec<String>,
}

/// A field's own thickness.
#[derive(Clone, Debug)]
pub struct FieldThickness {
    /// Name of the field.
    pub name: String,
    /// Thickness there from its own grains; None when too few.
    pub thickness_um: Option<Measured>,
    /// How many quartz grains carried it.
    pub quartz_grains: usize,
}

/// A grain as measured, for the interference-colour chart.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeasuredGrain {
    /// Index of the field.
    pub field: usize,
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Retardation at 589.3 nm, nm.
    pub retardation_nm: f64,
    /// Its standard uncertainty, nm.
    pub retardation_u_nm: f64,
    /// How likely it is quartz, 0..=1.
    pub quartz: f64,
}

/// What could be said of the thickness.
#[derive(Clone, Debug)]
pub enum Thickness {
    /// It was measured.
    Measured(Box<ThicknessSurface>),
    /// It was not.
    NotMeasurable {
        /// Why, one sentence.
        why: String,
        /// What to photograph or do next, one sentence.
        next: String,
    },
}
