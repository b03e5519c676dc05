//! The slide folder: which photographs there are and which field, role and angle each has.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::error::{Error, Result};
use crate::slide::decode::{Reading, read_photograph};
use crate::slide::encoding::Encoding;
use crate::slide::manifest::Archive;
use crate::slide::objectives::{Fit, Objective};
use crate::slide::photograph::{Photograph, Role};
use crate::slide::record::SlideRecord;
use crate::units::{Degrees, MicrometresPerPixel};

/// One field of view as planned from `slide.toml` or from the file names; nothing decoded yet.
#[derive(Clone, Debug)]
pub struct FieldPlan {
    /// Name, unique in the slide.
    pub name: String,
    /// Centre on the section, mm from its lower-left corner.
    pub centre_mm: Option<[f64; 2]>,
    /// Plane-light photograph, absolute path.
    pub plane: PathBuf,
    /// Crossed photographs with their stated angles, ascending.
    pub crossed: Vec<(PathBuf, Degrees)>,
    /// Bare glass, absolute path.
    pub blank: Option<PathBuf>,
}

/// A slide folder read and checked; photographs are decoded field by field with [`Slide::load`].
#[derive(Clone, Debug)]
pub struct Slide {
    /// The folder.
    pub dir: PathBuf,
    /// What the preparator says of it, defaults filled in.
    pub record: SlideRecord,
    /// Fields of view, in the order of `slide.toml` or of their names.
    pub fields: Vec<FieldPlan>,
    /// Scale of the photographs.
    pub scale: Option<MicrometresPerPixel>,
    /// Encoding of the photographs when the preparator states it.
    pub encoding: Option<Encoding>,
    /// Photographs of more pixels are refused, and fields of more than ten times as many;
    /// [`MAX_PIXELS`](crate::slide::decode::MAX_PIXELS) unless changed after reading.
    pub max_pixels: u64,
    /// Objective as written, `[scale] objective`.
    pub objective: Option<String>,
    /// Objective whose measured scale the photographs have, and which they must fit; see [`Slide::scale_by`].
    pub scaled_by: Option<(String, Objective)>,
    /// Mineral that the preparator wants measured, `[slide] reference_mineral`.
    pub reference_mineral: Option<String>,
    /// Grains that the preparator knows to be quartz.
    pub quartz: Vec<QuartzMark>,
    /// What a collection keeps beside the measurement.
    pub archive: Option<Archive>,
    /// SHA-256 of `slide.toml`, hexadecimal; None when there is none.
    pub slide_toml_sha256: Option<String>,
    /// Findings about the folder that the user should know.
    pub warnings: Vec<String>,
}

/// A grain that the preparator knows to be quartz.
#[derive(Clone, Debug, PartialEq)]
pub struct QuartzMark {
    /// Field of view.
    pub field: String,
    /// Half-open box [x0, y0, x1, y1] within the grain, pixels of the plane photograph; one pixel for a point.
    pub box_px: [f64; 4],
}

/// The photographs of one field, decoded.
#[derive(Clone, Debug)]
pub struct FieldPhotographs {
    /// Plane light.
    pub plane: Photograph,
    /// Crossed polars, ascending stated angle; at least one.
    pub crossed: Vec<Photograph>,
    /// Bare glass.
    pub blank: Option<Photograph>,
}

/// Pixels of all photographs of a field over those that one may have: plane light and nine angles of the largest. House value.
const FIELD_TIMES: u64 = 10;

impl Slide {
    /// Reads a slide folder, with or without `slide.toml`.
    ///
    /// # Errors
    /// When the folder is missing, holds no photographs, or `slide.toml` says what cannot be.
    pub fn read(dir: &Path) -> Result<Self> {
        crate::slide::planning::plan(dir)
    }

    /// The slide's id; no photograph is looked at.
    ///
    /// # Errors
    /// When the folder is missing or `slide.toml` says what cannot be.
    pub fn id(dir: &Path) -> Result<String> {
        crate::slide::planning::id(dir)
    }

    /// Takes the scale of an objective that was measured with a stage micrometer.
    pub fn scale_by(&mut self, name: &str, objective: &Objective) {
        self.scale = Some(objective.scale());
        self.record.um_per_px = Some(objective.um_per_px);
        self.record.scale_source = Some(format!("objective {name}, measured {}", objective.measured_at));
        self.record.assumed.retain(|a| !a.starts_with("um_per_px"));
        self.scaled_by = Some((name.to_owned(), objective.clone()));
    }

    /// Decodes the photographs of one field.
    ///
    /// # Errors
    /// When a photograph cannot be decoded, was taken with another camera or size than the scale of its objective, differs in size from its field's plane photograph, or is the same file as
    /// another of the field.
    pub fn load(&self, field: &FieldPlan) -> Result<FieldPhotographs> {
        let read = |path: &Path, role: Role, angle: Option<Degrees>, like: Option<&Photograph>| {
            let file = path.strip_prefix(&self.dir).unwrap_or(path).to_string_lossy().replace('\\', "/");
            let reading = Reading {
                file: &file,
                field: &field.name,
                role,
                angle,
                encoding: self.encoding,
                max_pixels: self.max_pixels,
                like: like.map(|p| (p.record.file.as_str(), p.width, p.height)),
            };
            read_photograph(path, &reading)
        };
        let mut plane = read(&field.plane, Role::Plane, None, None)?;
        let together = 1 + field.crossed.len() + usize::from(field.blank.is_some());
        self.bounded(field, &plane, together as u64)?;
        if let Some((_, objective)) = &self.scaled_by {
            match objective.fits(&plane.record) {
                Ok(Fit::Same) => {}
                Ok(Fit::CameraUnknown(warning)) => plane.record.warnings.push(warning),
                Err(why) => {
                    return Err(Error::new(
                        &field.plane,
                        why,
                        "give the photograph as the camera took it, or measure the objective with this camera: thinproof scale --save",
                    ));
                }
            }
        }
        let decoded: Vec<Result<Photograph>> = field
            .crossed
            .par_iter()
            .map(|(path, angle)| read(path, Role::Crossed, Some(*angle), Some(&plane)))
            .collect();
        let mut crossed: Vec<Photograph> = Vec::with_capacity(field.crossed.len());
        for ((path, _), photograph) in field.crossed.iter().zip(decoded) {
            let photograph = photograph?;
            let twin = std::iter::once(&plane).chain(&crossed).find(|p| p.record.sha256 == photograph.record.sha256);
            if let Some(twin) = twin {
                return Err(Error::new(
                    path,
                    format!("is the same photograph as {}", twin.record.file),
                    "put the right photograph in its place",
                ));
            }
            crossed.push(photograph);
        }
        let blank = field.blank.as_deref().map(|path| read(path, Role::Blank, None, Some(&plane))).transpose()?;
        Ok(FieldPhotographs { plane, crossed, blank })
    }

    /// Refuses a field whose photographs, all as large as its plane one, are more than memory is meant to hold together.
    fn bounded(&self, field: &FieldPlan, plane: &Photograph, together: u64) -> Result<()> {
        let each = (plane.width * plane.height) as u64;
        if each.saturating_mul(together) <= self.max_pixels.saturating_mul(FIELD_TIMES) {
            return Ok(());
        }
        let (megapixels, allowed) = (each as f64 / 1e6, (self.max_pixels * FIELD_TIMES) as f64 / 1e6);
        Err(Error::new(
            &field.plane,
            format!(
                "and the others of field {} are {together} photographs of {megapixels:.1} megapixels, and {allowed:.1} may be in one field together",
                field.name
            ),
            "give the field fewer crossed photographs, or allow more with --max-megapixels",
        ))
    }
}
