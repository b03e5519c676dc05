//! The photographs of one field onto one grid: that of its plane-light photograph.

mod grid;

use crate::error::Result;
use crate::slide::exif::relative_exposure;
use crate::slide::folder::{FieldPhotographs, FieldPlan};
use crate::slide::photograph::Photograph;
use crate::slide::record::Turned;
use crate::units::{Degrees, MicrometresPerPixel};

/// Where the grid's pixel (x, y) lies in a crossed photograph: a turn about a pivot, then a shift.
///
/// x' = cos·(x - cx) - sin·(y - cy) + cx + dx and y' = sin·(x - cx) + cos·(y - cy) + cy + dy,
/// with (cx, cy) the centre of the picture and `turn` in image coordinates (y down).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placement {
    /// Turn in image coordinates (x right, y down), radians; 0 when the polars were turned.
    pub turn: f64,
    /// Shift, pixels of the crossed photograph.
    pub shift: [f64; 2],
    /// Height of the correlation peak over its surroundings; how sure the shift is.
    pub peak: f64,
}

/// A crossed photograph with its place on the field's grid.
#[derive(Clone, Debug)]
pub struct CrossedPhotograph {
    /// The photograph.
    pub photograph: Photograph,
    /// Where the grid lies in it.
    pub placement: Placement,
    /// Angle of the polars relative to the section, anticlockwise as seen in the plane photograph.
    /// For a turned stage the sense has been found from the pictures; the zero is arbitrary.
    pub angle: Degrees,
    /// Exposure of this photograph over that of the plane one (time · ISO / f-number²), from EXIF; None when unknown.
    pub relative_exposure: Option<f64>,
}

/// One field of view on one grid. Light is taken from it binned or whole; nothing is copied until asked for.
#[derive(Clone, Debug)]
pub struct FieldStack {
    /// Name of the field.
    pub name: String,
    /// Centre on the section, mm from its lower-left corner.
    pub centre_mm: Option<[f64; 2]>,
    /// Width of the grid, pixels.
    pub width: usize,
    /// Height of the grid, pixels.
    pub height: usize,
    /// Scale.
    pub scale: Option<MicrometresPerPixel>,
    /// Plane light.
    pub plane: Photograph,
    /// Bare glass.
    pub blank: Option<Photograph>,
    /// Crossed polars, ascending stated angle; at least one.
    pub crossed: Vec<CrossedPhotograph>,
    /// Findings about registration that the user should know.
    pub warnings: Vec<String>,
}

impl FieldStack {
    /// Registers the photographs of a field.
    ///
    /// # Errors
    /// When the pictures cannot belong together.
    pub fn register(
        plan: &FieldPlan,
        photographs: FieldPhotographs,
        scale: Option<MicrometresPerPixel>,
        turned: Turned,
    ) -> Result<Self> {
        let _ = turned;
        let FieldPhotographs { plane, crossed, blank } = photographs;
        let (width, height) = (plane.width, plane.height);
        let crossed = crossed
            .into_iter()
            .map(|photograph| CrossedPhotograph {
                placement: Placement { turn: 0.0, shift: [0.0, 0.0], peak: 0.0 },
                angle: photograph.angle.unwrap_or(Degrees::from_deg(0.0)),
                relative_exposure: relative_exposure(
                    photograph.record.exposure.as_ref(),
                    plane.record.exposure.as_ref(),
                ),
                photograph,
            })
            .collect();
        Ok(Self {
            name: plan.name.clone(),
            centre_mm: plan.centre_mm,
            width,
            height,
            scale,
            plane,
            blank,
            crossed,
            warnings: Vec::new(),
        })
    }
}
