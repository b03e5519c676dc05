//! What the preparator says of the slide: `slide.toml` with its defaults.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A corner of the slide, section side up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Corner {
    /// x = 0, y = height.
    TopLeft,
    /// x = width, y = height.
    TopRight,
    /// x = 0, y = 0.
    BottomLeft,
    /// x = width, y = 0.
    BottomRight,
}

/// Resin in the rock's own pores.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Impregnation {
    /// Not impregnated.
    None,
    /// Clear resin: an open pore and a plucked grain may look the same.
    Clear,
    /// Blue-dyed resin: a hole without dye is no pore of the rock.
    Blue,
}

/// What was turned between the crossed photographs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Turned {
    /// Both polars together: the picture stays still.
    Polars,
    /// The stage: the picture turns.
    Stage,
}

/// How the section is finished on top.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Finish {
    /// Lapped, no cover.
    Uncovered,
    /// Under a cover glass.
    Covered,
    /// Polished, no cover.
    Polished,
}

/// The `[slide]` and `[scale]` tables with defaults filled in; `assumed` names every key that was not given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlideRecord {
    /// Slide id; the folder's name when not given.
    pub id: String,
    /// Width of the rock section, mm.
    pub width_mm: Option<f64>,
    /// Height of the rock section, mm.
    pub height_mm: Option<f64>,
    /// The bevelled corner.
    pub mark_corner: Option<Corner>,
    /// Resin in the rock's own pores.
    pub impregnation: Impregnation,
    /// What was turned between the crossed photographs.
    pub turned: Turned,
    /// How the section is finished on top.
    pub finish: Finish,
    /// It will still be polished, which takes 3 to 5 µm.
    pub polish_to_come: bool,
    /// Target thickness when finished, µm.
    pub target_um: f64,
    /// Nothing is ever advised that touches the section.
    pub untouchable: bool,
    /// Whether an off-cut is left for a remake; null when not said.
    pub offcut_left: Option<bool>,
    /// Grinding micrometer's reading at the last pass, µm, zeroed on the frosted slide.
    pub micrometer_um: Option<f64>,
    /// How many sections were made since that zero, this one counted.
    pub sequence: Option<u32>,
    /// Scale that all photographs share, µm per pixel.
    pub um_per_px: Option<f64>,
    /// Where the scale is from: `slide.toml`, a photograph's resolution, or null.
    pub scale_source: Option<String>,
    /// Keys that were not given and what was taken instead, `key = value`.
    pub assumed: Vec<String>,
}
