//! The slide folder: which photographs there are and which field, role and angle each has.

use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::slide::photograph::Photograph;
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
    /// Findings about the folder that the user should know.
    pub warnings: Vec<String>,
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

impl Slide {
    /// Reads a slide folder, with or without `slide.toml`.
    ///
    /// # Errors
    /// When the folder is missing, holds no photographs, or `slide.toml` says what cannot be.
    pub fn read(dir: &Path) -> Result<Self> {
        Err(Error::new(dir, "reading slide folders is not built yet", "wait for it"))
    }

    /// Decodes the photographs of one field.
    ///
    /// # Errors
    /// When a photograph cannot be decoded or differs in size from its field's plane photograph.
    pub fn load(&self, field: &FieldPlan) -> Result<FieldPhotographs> {
        Err(Error::new(&field.plane, "decoding is not built yet", "wait for it"))
    }
}
