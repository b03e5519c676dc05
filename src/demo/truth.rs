//! What is true of a rendered slide. Written beside it as `truth.json`; the checker never reads it.

use serde::{Deserialize, Serialize};

use crate::section::shape::holds;

/// A planted bubble.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueBubble {
    /// Field.
    pub field: String,
    /// Centre, pixels of the plane photograph.
    pub x_px: f64,
    /// Centre, pixels of the plane photograph.
    pub y_px: f64,
    /// Outer diameter, pixels.
    pub diameter_px: f64,
    /// Outer diameter, µm.
    pub diameter_um: f64,
    /// A wall only, no dark rim.
    pub flat: bool,
    /// Cut by the frame.
    pub cut: bool,
}

/// A planted hole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruePluck {
    /// Field.
    pub field: String,
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Area, square pixels.
    pub area_px: f64,
    /// Area, µm².
    pub area_um2: f64,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// Filled with air, not resin.
    pub air: bool,
    /// It may be reported as ambiguous: the rock's own pores hold clear resin too.
    pub ambiguous_ok: bool,
}

/// A planted scratch: the chord between its ends, within the frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueScratch {
    /// Field.
    pub field: String,
    /// One end, pixels.
    pub x0_px: f64,
    /// One end, pixels.
    pub y0_px: f64,
    /// Other end, pixels.
    pub x1_px: f64,
    /// Other end, pixels.
    pub y1_px: f64,
    /// Width, µm.
    pub width_um: f64,
    /// Contrast in plane light, 0..1.
    pub contrast: f64,
    /// Greatest distance from the chord, pixels.
    pub bow_px: f64,
}

/// A fibre that lies on the glass.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueFibre {
    /// Field.
    pub field: String,
    /// Its course from end to end, pixels; what lies outside the frame is left out.
    pub course_px: Vec<[f64; 2]>,
    /// Length of that course, µm.
    pub length_um: f64,
    /// Width, µm: from edge to edge, or where it is blurred its full width at half depth.
    pub width_um: f64,
    /// Contrast in plane light where it is darkest, 0..1.
    pub contrast: f64,
}

impl TrueFibre {
    /// Of a course on a canvas; None when none of it lies in the frame.
    pub(crate) fn of(
        field: &str,
        course: &[[f32; 2]],
        frame: [usize; 4],
        um_per_px: f64,
        width_um: f32,
        depth: f32,
    ) -> Option<Self> {
        let course_px: Vec<[f64; 2]> = course
            .iter()
            .map(|p| [f64::from(p[0]) - frame[0] as f64, f64::from(p[1]) - frame[1] as f64])
            .filter(|p| (0..2).all(|k| p[k] >= 0.0 && p[k] < (frame[2 + k] - frame[k]) as f64))
            .collect();
        let length_px: f64 = course_px.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum();
        (course_px.len() > 1).then(|| Self {
            field: field.to_owned(),
            course_px,
            length_um: length_px * um_per_px,
            width_um: f64::from(width_um),
            contrast: 1.0 - f64::from(-depth).exp(),
        })
    }
}

/// An area that has come off the glass, with a film of air under it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueLifted {
    /// Field.
    pub field: String,
    /// Outline, pixels, closed; it may leave the frame.
    pub outline_px: Vec<[f64; 2]>,
    /// Area in the frame, square pixels.
    pub area_px: f64,
    /// Area in the frame, µm².
    pub area_um2: f64,
    /// Least and greatest thickness of the film in the frame, µm.
    pub film_um: [f64; 2],
}

impl TrueLifted {
    /// Whether a place lies within its outline (even-odd rule).
    #[must_use]
    pub fn holds(&self, at: [f64; 2]) -> bool {
        holds(&self.outline_px, at)
    }
}

/// A pore that the rock had (larger than 150 µm² in the frame).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruePore {
    /// Field.
    pub field: String,
    /// Area, square pixels.
    pub area_px: f64,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
}

/// One field.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FieldTruth {
    /// Name.
    pub name: String,
    /// Centre, mm.
    pub centre_mm: [f64; 2],
    /// Thickness at its centre, µm.
    pub thickness_um: f64,
    /// Quartz grains of more than 400 µm² in the frame.
    pub quartz_grains: usize,
    /// Share of the frame that is quartz.
    pub quartz_fraction: f64,
    /// Exposure of each crossed photograph over the plane one, as it was (not as EXIF says).
    pub relative_exposure: Vec<f64>,
    /// Where each crossed photograph was shifted to, pixels (x right, y down), before any turn.
    pub shifts_px: Vec<[f64; 2]>,
    /// Planted bubbles.
    pub bubbles: Vec<TrueBubble>,
    /// Planted holes.
    pub plucks: Vec<TruePluck>,
    /// Planted scratches.
    pub scratches: Vec<TrueScratch>,
    /// Fibres on the glass: planted ones, and those that lie there as dust does.
    #[serde(default)]
    pub fibres: Vec<TrueFibre>,
    /// Areas that have come off the glass.
    #[serde(default)]
    pub lifted: Vec<TrueLifted>,
    /// The rock's own pores.
    pub pores: Vec<TruePore>,
}

/// Thickness over the section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThicknessTruth {
    /// Mean over the section, µm.
    pub mean_um: f64,
    /// Gradient toward +x and +y, µm per mm.
    pub gradient_um_per_mm: [f64; 2],
    /// At the corners: top-left, top-right, bottom-left, bottom-right, µm.
    pub at_corners_um: [f64; 4],
    /// Whether these photographs can show it at all.
    pub measurable: bool,
}

/// Sums over all fields.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, Default)]
pub struct Totals {
    /// Area photographed, mm².
    pub area_mm2: f64,
    /// Bubbles, mm⁻².
    pub bubbles_per_mm2: f64,
    /// Largest bubble, µm; null when there is none.
    pub largest_bubble_um: Option<f64>,
    /// Share of the area under bubbles.
    pub bubble_area_fraction: f64,
    /// Share of the area plucked.
    pub pluck_area_fraction: f64,
    /// Scratches, mm per mm².
    pub scratch_mm_per_mm2: f64,
}

/// Everything that is true of a slide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Slide id.
    pub id: String,
    /// Thickness.
    pub thickness: ThicknessTruth,
    /// Fields.
    pub fields: Vec<FieldTruth>,
    /// Sums.
    pub totals: Totals,
    /// Outcomes that are right, the first the expected one.
    pub outcomes: Vec<String>,
    /// The scene as it was asked for.
    pub scene: serde_json::Value,
}
