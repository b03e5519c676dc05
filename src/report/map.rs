//! The section as a surface, as it stands in `report.json`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::measured::round;
use crate::report::drawing::shade;
use crate::report::record::Report;
use crate::thickness::{SectionMap, Shape, SurfaceForm};

/// Thickness as a smooth surface over the section: with x and y in mm from `centre_mm`, it is centre + gx x + gy y, and on a
/// curved section + xx x² + xy x y + yy y².
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MapRecord {
    /// The likelier form.
    pub form: SurfaceForm,
    /// Probability that it is curved; null when the fields are fewer than six or lie in fewer than three rows.
    pub curved_probability: Option<f64>,
    /// Where x and y are nought: the section's centre, mm from its lower-left corner.
    pub centre_mm: [f64; 2],
    /// Width and height mapped, mm.
    pub size_mm: [f64; 2],
    /// Thickness at the centre, µm.
    pub centre_um: f64,
    /// Its 95 % interval.
    pub centre_ci95_um: [f64; 2],
    /// Gradient at the centre toward +x and +y, µm per mm.
    pub gradient_um_per_mm: [f64; 2],
    /// Their 95 % intervals.
    pub gradient_ci95: [[f64; 2]; 2],
    /// Coefficients xx, xy and yy, µm per mm²; null on a plane.
    pub curvature_um_per_mm2: Option<[f64; 3]>,
    /// Their 95 % intervals.
    pub curvature_ci95: Option<[[f64; 2]; 3]>,
    /// The likeliest shape; null when a curve could not have been told from a plane.
    pub shape: Option<Shape>,
    /// Its probability.
    pub shape_probability: Option<f64>,
    /// Nine places along the width and six along the height, row by row from the lower left.
    pub grid: Vec<MapPointRecord>,
}

/// Thickness at a place of the section.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MapPointRecord {
    /// From the section's left edge, mm.
    pub x_mm: f64,
    /// From its lower edge, mm.
    pub y_mm: f64,
    /// Thickness, µm.
    pub mean_um: f64,
    /// Its standard uncertainty, µm.
    pub standard_uncertainty_um: f64,
}

impl MapRecord {
    /// Rounded to what the numbers mean.
    pub(super) fn of(map: &SectionMap) -> Self {
        let interval = |m: &Measured, decimals| m.interval.map(|b| round(b, decimals));
        Self {
            form: map.form,
            curved_probability: map.curved_probability.map(|p| round(p, 3)),
            centre_mm: map.centre_mm.map(|v| round(v, 3)),
            size_mm: map.size_mm.map(|v| round(v, 3)),
            centre_um: round(map.centre_um.value, 2),
            centre_ci95_um: interval(&map.centre_um, 2),
            gradient_um_per_mm: map.gradient_um_per_mm.map(|m| round(m.value, 4)),
            gradient_ci95: map.gradient_um_per_mm.map(|m| interval(&m, 4)),
            curvature_um_per_mm2: map.curvature_um_per_mm2.map(|c| c.map(|m| round(m.value, 5))),
            curvature_ci95: map.curvature_um_per_mm2.map(|c| c.map(|m| interval(&m, 5))),
            shape: map.shape.map(|s| s.0),
            shape_probability: map.shape.map(|s| round(s.1, 3)),
            grid: map
                .grid
                .iter()
                .map(|p| MapPointRecord {
                    x_mm: round(p.at_mm[0], 3),
                    y_mm: round(p.at_mm[1], 3),
                    mean_um: round(p.mean_um, 2),
                    standard_uncertainty_um: round(p.standard_uncertainty_um, 3),
                })
                .collect(),
        }
    }

    /// Thickness at a place, mm from the section's lower-left corner, µm.
    pub(super) fn at(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (x, y) = (x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]);
        let [gx, gy] = self.gradient_um_per_mm;
        let [xx, xy, yy] = self.curvature_um_per_mm2.unwrap_or_default();
        self.centre_um + gx * x + gy * y + xx * x * x + xy * x * y + yy * y * y
    }
}

/// Pieces along the width and the height that a curved section is drawn in.
pub(super) const PIECES: [u32; 2] = [32, 20];

/// The rock shaded by its map where that is curved; nothing for a plane, which is a gradient.
pub(super) fn pieces(
    report: &Report,
    [left, top]: [f64; 2],
    piece: [f64; 2],
    [wmm, hmm]: [f64; 2],
) -> Vec<(f64, f64, String)> {
    let Some(map) = report.thickness.map.as_ref().filter(|m| m.form == SurfaceForm::Curved) else { return Vec::new() };
    let [columns, rows] = PIECES.map(f64::from);
    (0..PIECES[1])
        .flat_map(|j| (0..PIECES[0]).map(move |i| (f64::from(i), f64::from(j))))
        .map(|(i, j)| {
            let thickness = map.at((i + 0.5) / columns * wmm, (1.0 - (j + 0.5) / rows) * hmm);
            (left + i * piece[0], top + j * piece[1], shade(thickness, report))
        })
        .collect()
}
