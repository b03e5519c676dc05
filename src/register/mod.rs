//! The photographs of one field onto one grid: that of its plane-light photograph.

mod align;
mod boundaries;
pub mod contradictions;
mod correlate;
mod drawing;
pub(crate) mod drift;
mod each_other;
pub(crate) mod field_stop;
pub(crate) mod focus;
mod grid;
pub mod lamp;
pub mod overview;
mod place;
#[cfg(test)]
mod properties;
mod runs;
pub mod smear;
#[cfg(test)]
mod testing;

use crate::error::{Error, Result};
pub(crate) use crate::register::drawing::Cells;
pub(crate) use crate::register::grid::still_light;
use crate::register::lamp::LampField;
use crate::register::overview::Overview;
use crate::slide::exif::relative_exposure;
use crate::slide::folder::{FieldPhotographs, FieldPlan};
use crate::slide::photograph::{Photograph, PhotographRecord};
use crate::slide::record::Turned;
use crate::timings::stage;
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
    /// Crossed photographs that are not used because they are smeared, with that among their warnings.
    pub left_out: Vec<PhotographRecord>,
    /// The lamp's fall-off over the frame, where the stage was turned: [`FieldStack::crossed_light`] is divided by it
    /// where the photograph was lit and multiplied by it where the plane one was, so that crossed over plane is free of it.
    pub lamp: Option<LampField>,
    /// Pixels of the photographs along each side of one of this grid's: 1, but where a large field is seen from afar.
    pub reduced_by: usize,
    /// Its plane light from afar, to tell whether another field shows the same place.
    pub overview: Overview,
    /// Findings about registration that the user should know.
    pub warnings: Vec<String>,
}

impl FieldStack {
    /// Registers the photographs of a field.
    ///
    /// Outlines are correlated (phase correlation), over the whole frame first and then in pieces. A photograph that the
    /// plane one does not place with certainty is placed by one that it does; what nothing places keeps its stated place and is named in `warnings`.
    ///
    /// # Errors
    /// When the photographs differ in size, or show no field of view.
    pub fn register(
        plan: &FieldPlan,
        photographs: FieldPhotographs,
        scale: Option<MicrometresPerPixel>,
        turned: Turned,
    ) -> Result<Self> {
        let longer = photographs.plane.width.max(photographs.plane.height);
        Self::on_cells(plan, photographs, scale, turned, Cells::for_picture(longer, scale))
    }

    /// See [`FieldStack::register`]; `cells` says how finely the photographs are drawn and searched.
    pub(crate) fn on_cells(
        plan: &FieldPlan,
        photographs: FieldPhotographs,
        scale: Option<MicrometresPerPixel>,
        turned: Turned,
        cells: Cells,
    ) -> Result<Self> {
        stage!("register");
        let FieldPhotographs { plane, crossed, blank } = photographs;
        let (width, height) = (plane.width, plane.height);
        shows_a_field(&plane)?;
        if let Some(other) = crossed.iter().find(|p| (p.width, p.height) != (width, height)) {
            return Err(Error::new(
                &other.path,
                "differs in size from its plane-light photograph",
                "photograph them alike",
            ));
        }
        let place::Places { placements, angles, turns, overview, mut warnings } =
            place::find(&plane, &crossed, turned, cells);
        let glass = blank.as_ref().filter(|blank| !lamp::too_dark_for_glass(blank, &plane));
        if let (Some(blank), None) = (&blank, glass) {
            warnings.push(format!(
                "{} is darker than the section, and bare glass under the same lamp and settings is not: the blank was not used",
                blank.record.file
            ));
        }
        // Only where the picture turned does the lamp's fall-off reach another part of the section.
        let lamp = if turns { LampField::fit(glass.unwrap_or(&plane)) } else { None };
        let crossed = crossed
            .into_iter()
            .zip(placements)
            .zip(angles)
            .map(|((photograph, placement), angle)| CrossedPhotograph {
                placement,
                angle,
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
            left_out: Vec::new(),
            lamp,
            reduced_by: 1,
            overview,
            warnings,
        })
    }
}

/// Shortest side of a field of view, pixels: the crystals of a smaller one cannot be told. House value.
const SHORTEST_SIDE: usize = 64;
/// Longer over shorter side: a longer strip is no field of view. House value.
const LONGEST_STRIP: usize = 16;

fn shows_a_field(plane: &Photograph) -> Result<()> {
    let (w, h) = (plane.width, plane.height);
    if w.min(h) < SHORTEST_SIDE {
        return Err(Error::new(
            &plane.path,
            format!("has only {w} x {h} pixels, too few to show grains"),
            "give the photograph as the camera took it",
        ));
    }
    if w.max(h) > LONGEST_STRIP * w.min(h) {
        return Err(Error::new(
            &plane.path,
            format!("is a strip of {w} x {h} pixels and shows no field of view"),
            "give the photograph as the camera took it",
        ));
    }
    Ok(())
}
