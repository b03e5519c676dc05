//! The slide folder: which photographs there are and which field, role and angle each has.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::error::{Error, Result};
use crate::slide::decode::{Reading, read_photograph};
use crate::slide::encoding::Encoding;
use crate::slide::manifest::Archive;
use crate::slide::objectives::{Fit, Objective};
use crate::slide::photograph::{Photograph, PhotographRecord, Role};
use crate::slide::record::SlideRecord;
use crate::slide::scan::{self, Scan};
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
    /// Larger photographs are looked at in windows.
    pub windows: InWindows,
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

/// When and how a field is looked at window by window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InWindows {
    /// Plane photographs of no more pixels are held, whatever their scale: coarse ones take up to 5 GB.
    pub from_pixels: u64,
    /// Larger ones are held where that takes no more bytes (of a turned stage, which windows cannot follow, twice as many).
    pub held_bytes: u64,
    /// Longest side of a window, pixels.
    pub side: usize,
    /// Margin about a window's core, µm: half as wide as the widest bubble that it shows whole.
    pub margin_um: f64,
    /// Pixels from which is told what is usual in the field.
    pub sampled_pixels: usize,
}

impl Default for InWindows {
    /// House values.
    fn default() -> Self {
        Self {
            from_pixels: 24_000_000,
            held_bytes: 2_500_000_000,
            side: 3072,
            margin_um: 400.0,
            sampled_pixels: 12_000_000,
        }
    }
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

/// What a photograph of the largest usual glass shows, with a margin about its 76 x 52 mm. House value.
const LARGEST_GLASS_MM: [f64; 2] = [80.0, 56.0];

/// Pixels of all photographs of a field over those that one may have: plane light and nine angles of the largest. House value.
const FIELD_TIMES: u64 = 10;

/// The photographs of one field, open to be read a window at a time.
#[derive(Debug)]
pub struct FieldScans {
    /// Plane light.
    pub plane: Scan,
    /// Crossed polars, ascending stated angle; at least one.
    pub crossed: Vec<Scan>,
    /// Bare glass.
    pub blank: Option<Scan>,
}

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

    /// Lets go of a scale at which a field would be far larger than the section, and warns of it. A photograph of the whole
    /// glass is larger than the section too.
    pub fn doubt_scale(&mut self) {
        let record = &mut self.record;
        let (Some(um_per_px), Some(width), Some(height)) = (record.um_per_px, record.width_mm, record.height_mm) else {
            return;
        };
        let sorted = |a: f64, b: f64| [a.max(b), a.min(b)];
        let larger = |field: [f64; 2], than: [f64; 2]| field[0] > than[0] && field[1] > than[1];
        let twice = sorted(2.0 * width, 2.0 * height);
        let beyond = self.fields.iter().find_map(|field| {
            let (w, h) = scan::size(&field.plane)?;
            let (w, h) = (f64::from(w) * um_per_px / 1000.0, f64::from(h) * um_per_px / 1000.0);
            let [long, short] = sorted(w, h);
            let on_glass = long <= LARGEST_GLASS_MM[0] && short <= LARGEST_GLASS_MM[1];
            (larger([long, short], twice) && !on_glass).then_some((&field.name, w, h))
        });
        let Some((name, w, h)) = beyond else { return };
        let source = record.scale_source.take().unwrap_or_default();
        self.warnings.push(format!(
            "at {um_per_px} um per pixel ({source}) field {name} would be {w:.1} x {h:.1} mm, and the section is {width} x {height} mm: the scale is not believed, and sizes are left in pixels; correct um_per_px, or width_mm and height_mm"
        ));
        self.scale = None;
        record.um_per_px = None;
        record.assumed.retain(|a| !a.starts_with("um_per_px"));
        record.assumed.push("um_per_px = not known".into());
    }

    /// Decodes the photographs of one field.
    ///
    /// # Errors
    /// When a photograph cannot be decoded, was taken with another camera or size than the scale of its objective, differs in size from its field's plane photograph, or is the same file as
    /// another of the field.
    pub fn load(&self, field: &FieldPlan) -> Result<FieldPhotographs> {
        let read = |path: &Path, role: Role, angle: Option<Degrees>, like: Option<&Photograph>| {
            let like = like.map(|p| (p.record.file.as_str(), p.width, p.height));
            self.reading(field, path, role, angle, like, |reading| read_photograph(path, reading))
        };
        let mut plane = read(&field.plane, Role::Plane, None, None)?;
        let together = 1 + field.crossed.len() + usize::from(field.blank.is_some());
        self.bounded(field, &plane, together as u64)?;
        self.fits_objective(&field.plane, &mut plane.record)?;
        let decoded: Vec<Result<Photograph>> = field
            .crossed
            .par_iter()
            .map(|(path, angle)| read(path, Role::Crossed, Some(*angle), Some(&plane)))
            .collect();
        let mut crossed: Vec<Photograph> = Vec::with_capacity(field.crossed.len());
        for ((path, _), photograph) in field.crossed.iter().zip(decoded) {
            let photograph = photograph?;
            no_twin(path, &photograph.record, std::iter::once(&plane).chain(&crossed).map(|p| &p.record))?;
            crossed.push(photograph);
        }
        let blank = field.blank.as_deref().map(|path| read(path, Role::Blank, None, Some(&plane))).transpose()?;
        if let (Some(path), Some(blank)) = (&field.blank, &blank) {
            no_rock(path, &blank.record, std::iter::once(&plane).chain(&crossed).map(|p| &p.record))?;
        }
        Ok(FieldPhotographs { plane, crossed, blank })
    }

    /// Decodes the plane photograph of a field alone.
    ///
    /// # Errors
    /// As [`Slide::load`].
    pub fn load_plane(&self, field: &FieldPlan) -> Result<Photograph> {
        self.reading(field, &field.plane, Role::Plane, None, None, |reading| read_photograph(&field.plane, reading))
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

    /// Opens the photographs of a field that is to be looked at in windows.
    ///
    /// # Errors
    /// As [`Slide::load`], and when a photograph is stored so that no part of it can be read by itself.
    pub fn scan(&self, field: &FieldPlan) -> Result<FieldScans> {
        let open = |path: &Path, role: Role, angle: Option<Degrees>, like: Option<&Scan>| {
            let like = like.map(|p| (p.record.file.as_str(), p.width, p.height));
            self.reading(field, path, role, angle, like, |reading| Scan::open(path, reading))
        };
        let mut plane = open(&field.plane, Role::Plane, None, None)?;
        self.fits_objective(&field.plane, &mut plane.record)?;
        let opened: Vec<Result<Scan>> = field
            .crossed
            .par_iter()
            .map(|(path, angle)| open(path, Role::Crossed, Some(*angle), Some(&plane)))
            .collect();
        let mut crossed: Vec<Scan> = Vec::with_capacity(field.crossed.len());
        for ((path, _), scan) in field.crossed.iter().zip(opened) {
            let scan = scan?;
            no_twin(path, &scan.record, std::iter::once(&plane).chain(&crossed).map(|p| &p.record))?;
            crossed.push(scan);
        }
        let blank = field.blank.as_deref().map(|path| open(path, Role::Blank, None, Some(&plane))).transpose()?;
        if let (Some(path), Some(blank)) = (&field.blank, &blank) {
            no_rock(path, &blank.record, std::iter::once(&plane).chain(&crossed).map(|p| &p.record))?;
        }
        Ok(FieldScans { plane, crossed, blank })
    }

    /// Calls `read` with how a photograph of a field is to be read.
    fn reading<T>(
        &self,
        field: &FieldPlan,
        path: &Path,
        role: Role,
        angle: Option<Degrees>,
        like: Option<(&str, usize, usize)>,
        read: impl FnOnce(&Reading<'_>) -> Result<T>,
    ) -> Result<T> {
        let file = path.strip_prefix(&self.dir).unwrap_or(path).to_string_lossy().replace('\\', "/");
        let (encoding, max_pixels) = (self.encoding, self.max_pixels);
        read(&Reading { file: &file, field: &field.name, role, angle, encoding, max_pixels, like })
    }

    /// Refuses a plane photograph that the objective whose scale the slide has cannot have taken.
    fn fits_objective(&self, path: &Path, record: &mut PhotographRecord) -> Result<()> {
        let Some((_, objective)) = &self.scaled_by else { return Ok(()) };
        match objective.fits(record) {
            Ok(Fit::Same) => {}
            Ok(Fit::CameraUnknown(warning)) => record.warnings.push(warning),
            Err(why) => {
                return Err(Error::new(
                    path,
                    why,
                    "give the photograph as the camera took it, or measure the objective with this camera: thinproof scale --save",
                ));
            }
        }
        Ok(())
    }
}

/// Refuses a photograph that is the same file as another of its field.
fn no_twin<'a>(
    path: &Path,
    record: &PhotographRecord,
    mut others: impl Iterator<Item = &'a PhotographRecord>,
) -> Result<()> {
    match others.find(|other| other.sha256 == record.sha256) {
        Some(twin) => Err(Error::new(
            path,
            format!("is the same photograph as {}", twin.file),
            "put the right photograph in its place",
        )),
        None => Ok(()),
    }
}

/// Refuses a blank that is the same file as a photograph of the section: it shows no bare glass, from which the lamp's fall-off is read.
pub(crate) fn no_rock<'a>(
    path: &Path,
    blank: &PhotographRecord,
    mut others: impl Iterator<Item = &'a PhotographRecord>,
) -> Result<()> {
    match others.find(|other| other.sha256 == blank.sha256) {
        Some(twin) => Err(Error::new(
            path,
            format!(
                "is given as bare glass for field {} and is the same photograph as {} of field {}",
                blank.field, twin.file, twin.field
            ),
            "photograph bare glass beside the section for it, or leave the blank out",
        )),
        None => Ok(()),
    }
}
