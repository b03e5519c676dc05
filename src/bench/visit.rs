//! A slide at the bench: its passes between two visits to the wheel, their fields, and the photographs of each.

use std::path::PathBuf;
use std::time::SystemTime;

use crate::slide::photograph::Exposure;

use super::sketch::Sketch;

/// A photograph that was put to its place. Its file lies where the bench keeps its copies.
#[derive(Debug)]
pub struct Shot {
    /// Path relative to the watched folder.
    pub relative: PathBuf,
    /// The bench's own copy.
    pub copy: PathBuf,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
    /// Time of exposure by EXIF, on the camera's clock.
    pub taken_s: Option<i64>,
    /// When the file was saved.
    pub saved: SystemTime,
    /// Exposure by EXIF.
    pub exposure: Option<Exposure>,
    /// Scale that the file states, µm per pixel.
    pub um_per_px: Option<f64>,
    /// The photograph, small.
    pub sketch: Sketch,
}

/// How the angle of a crossed photograph is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Angle {
    /// Its name says it, degrees.
    Named(f64),
    /// The picture turned by so much, degrees.
    Turned(f64),
    /// From how the grains brightened and went dark: degrees and their standard uncertainty.
    Estimated(f64, f64),
    /// It is not known.
    Unknown,
}

impl Angle {
    /// In degrees, when it is known.
    #[must_use]
    pub fn deg(self) -> Option<f64> {
        match self {
            Self::Named(deg) | Self::Turned(deg) | Self::Estimated(deg, _) => Some(deg),
            Self::Unknown => None,
        }
    }
}

/// A crossed photograph of a field.
#[derive(Debug)]
pub struct Crossed {
    /// The photograph.
    pub shot: Shot,
    /// How its angle is known.
    pub angle: Angle,
}

/// One field of view during one pass.
#[derive(Debug, Default)]
pub struct Field {
    /// Name: that of the files, else a letter.
    pub name: String,
    /// Plane light.
    pub plane: Option<Shot>,
    /// Crossed polars, as they came.
    pub crossed: Vec<Crossed>,
    /// Bare glass.
    pub blank: Option<Shot>,
}

/// A slide's visit to the camera between two visits to the wheel.
#[derive(Debug)]
pub struct Pass {
    /// Fields, as they came.
    pub fields: Vec<Field>,
    /// When its first photograph was saved.
    pub began: SystemTime,
    /// Folder that its photographs were saved into below the slide's, when there was one.
    pub(super) folder: Option<String>,
}

/// A slide since it came to the bench.
#[derive(Debug)]
pub struct BenchSlide {
    /// Id: from name or folder, else that of the watched folder with a number.
    pub id: String,
    /// Whether names or folders say the id.
    pub named: bool,
    /// Passes, oldest first; never empty.
    pub passes: Vec<Pass>,
}

impl Field {
    /// All its photographs.
    pub fn shots(&self) -> impl Iterator<Item = &Shot> {
        self.plane.iter().chain(self.crossed.iter().map(|c| &c.shot)).chain(&self.blank)
    }

    /// Whether it can be checked.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.plane.is_some() && !self.crossed.is_empty()
    }
}

/// Puts a crossed photograph to a field; one of the same known angle takes the older one's place.
pub(super) fn put_crossed(field: &mut Field, crossed: Crossed) {
    let same = |c: &Crossed| match (c.angle.deg(), crossed.angle.deg()) {
        (Some(a), Some(b)) => (a - b).abs() < 0.5,
        _ => c.shot.relative == crossed.shot.relative,
    };
    match field.crossed.iter_mut().find(|c| same(c)) {
        Some(old) => *old = crossed,
        None => field.crossed.push(crossed),
    }
}
