//! One photograph: its encoded samples as read, and linear light on demand.

use std::path::PathBuf;

use ndarray::Array2;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::slide::encoding::Curve;
use crate::units::Degrees;

/// Light at or below this is dark: that of code 1 of 255 on the sRGB curve, where its slope is 1/12.92.
pub const DARK_LIGHT: f32 = 3.04e-4;

/// What a photograph is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Plane-polarised light.
    Plane,
    /// Crossed polars.
    Crossed,
    /// Bare glass beside the section, same lamp and camera settings as the plane photograph.
    Blank,
}

/// Camera exposure from EXIF.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Exposure {
    /// Shutter time, seconds.
    pub time_s: f64,
    /// f-number; null when the camera does not know its lens (it cancels in the ratio then).
    pub f_number: Option<f64>,
    /// Photographic sensitivity (ISO); null when not recorded.
    pub iso: Option<f64>,
}

/// White balance as EXIF states it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WhiteBalance {
    /// EXIF WhiteBalance = 0.
    Auto,
    /// EXIF WhiteBalance = 1.
    Manual,
}

/// What the report keeps of a photograph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PhotographRecord {
    /// File, relative to the slide folder.
    pub file: String,
    /// Field of view it belongs to.
    pub field: String,
    /// What it is for.
    pub role: Role,
    /// Stated angle of a crossed photograph, degrees; null for the others.
    pub angle_deg: Option<f64>,
    /// Width, pixels.
    pub width_px: u32,
    /// Height, pixels.
    pub height_px: u32,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: String,
    /// Exposure from EXIF; null when the file has none.
    pub exposure: Option<Exposure>,
    /// White balance from EXIF; null when the file has none.
    pub white_balance: Option<WhiteBalance>,
    /// Camera make and model as EXIF states them; null when it does not.
    pub camera: Option<String>,
    /// Time of exposure as EXIF states it; null when it does not.
    pub taken_at: Option<String>,
    /// Share of pixels with a clipped channel, 0..=1.
    pub clipped_fraction: f64,
    /// What makes this photograph less trustworthy.
    pub warnings: Vec<String>,
}

/// What is said of a photograph without colour.
pub(crate) const GREY: &str =
    "it is grey, at most tinted: interference colours cannot be read from it; photograph in colour";

impl PhotographRecord {
    /// Whether the photograph has no colour.
    #[must_use]
    pub fn is_grey(&self) -> bool {
        self.warnings.iter().any(|w| w == GREY)
    }
}

/// Encoded samples, three interleaved channels (R, G, B), row by row.
#[derive(Clone, Debug)]
pub enum Samples {
    /// 8 bit.
    Eight(Vec<u8>),
    /// 16 bit.
    Sixteen(Vec<u16>),
}

/// A decoded photograph. Its samples stay as encoded (u8 or u16): light is taken from them by [`Photograph::light`].
#[derive(Clone, Debug)]
pub struct Photograph {
    /// Absolute path, only ever read.
    pub path: PathBuf,
    /// What the report keeps of it.
    pub record: PhotographRecord,
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Encoded samples.
    pub samples: Samples,
    /// Linear light 0..=1 of each code value: 256 or 65536 entries.
    pub to_linear: Vec<f32>,
    /// Stated angle of a crossed photograph.
    pub angle: Option<Degrees>,
}

/// Bits of [`LinearPlanes::mask`]: why a pixel is not to be trusted.
pub mod mask {
    /// A channel at the top of its range: the light was at least this.
    pub const CLIPPED: u8 = 1;
    /// All channels at the bottom of the range: the light was at most this.
    pub const DARK: u8 = 2;
    /// Outside the photograph after registration.
    pub const OUTSIDE: u8 = 4;
}

/// Linear light on the grid of a field's plane photograph, possibly binned: three (height, width) planes and their mask.
///
/// Values are linear light as a fraction of the photograph's full scale (0..=1), not yet put on a common exposure.
/// With `bin` = b, cell (i, j) is the mean over pixels b·i..b·i+b by b·j..b·j+b; its mask is the union of theirs.
#[derive(Clone, Debug)]
pub struct LinearPlanes {
    /// Binning factor, 1 for full resolution.
    pub bin: usize,
    /// Red, green and blue planes, (height / bin, width / bin).
    pub rgb: [Array2<f32>; 3],
    /// Why a cell is not to be trusted, bits of [`mask`]; 0 is good.
    pub mask: Array2<u8>,
}

impl LinearPlanes {
    /// (rows, columns) of the binned grid.
    #[must_use]
    pub fn dim(&self) -> (usize, usize) {
        self.mask.dim()
    }
}

impl Photograph {
    /// Encoded code value of channel `c` (0 red, 1 green, 2 blue) at pixel (x, y).
    #[must_use]
    pub fn code(&self, x: usize, y: usize, c: usize) -> u16 {
        let at = 3 * (y * self.width + x) + c;
        match &self.samples {
            Samples::Eight(s) => u16::from(s[at]),
            Samples::Sixteen(s) => s[at],
        }
    }

    /// Linear light of channel `c` at pixel (x, y), 0..=1 of full scale.
    #[must_use]
    pub fn light(&self, x: usize, y: usize, c: usize) -> f32 {
        self.to_linear[usize::from(self.code(x, y, c))]
    }

    /// Lowest code that counts as clipped.
    fn clipped_from(&self) -> u32 {
        match self.samples {
            Samples::Eight(_) => 254,
            Samples::Sixteen(_) => 65_280,
        }
    }

    /// For every code value the bits of [`mask`] it stands for: a pixel is clipped when any channel is, dark when all are.
    ///
    /// 8-bit codes of 254 and 255 count as clipped, since the transform and the coarser colour of a JPEG move a clipped
    /// sample by a code; of 16 bit it is the top 1/256, since many cameras fill fewer bits. Dark is light below
    /// [`DARK_LIGHT`].
    #[must_use]
    pub fn code_masks(&self) -> Vec<u8> {
        let clipped_from = self.clipped_from() as usize;
        self.to_linear
            .iter()
            .enumerate()
            .map(|(code, &light)| {
                let clipped = if code >= clipped_from { mask::CLIPPED } else { 0 };
                let dark = if light <= DARK_LIGHT { mask::DARK } else { 0 };
                clipped | dark
            })
            .collect()
    }

    /// Share of pixels with a clipped channel, 0..=1.
    #[must_use]
    pub fn clipped_fraction(&self) -> f64 {
        let clipped_from = self.clipped_from();
        fn above<T: Copy + Ord + Into<u32> + Sync>(samples: &[T], from: u32) -> usize {
            let clipped = |pixel: &[T]| u32::from(pixel[0].max(pixel[1]).max(pixel[2]).into() >= from);
            samples.par_chunks(3 << 14).map(|part| part.chunks_exact(3).map(clipped).sum::<u32>() as usize).sum()
        }
        let count = match &self.samples {
            Samples::Eight(s) => above(s, clipped_from),
            Samples::Sixteen(s) => above(s, clipped_from),
        };
        count as f64 / (self.width * self.height).max(1) as f64
    }

    /// A photograph from samples that were never in a file: for rendered pictures and tests. It knows no exposure.
    ///
    /// # Panics
    /// When there are not three samples for every pixel.
    #[must_use]
    pub fn from_samples(file: &str, role: Role, width: usize, height: usize, samples: Samples, curve: &Curve) -> Self {
        let (count, entries) = match &samples {
            Samples::Eight(s) => (s.len(), 256),
            Samples::Sixteen(s) => (s.len(), 65_536),
        };
        assert_eq!(count, 3 * width * height, "three samples for every pixel");
        let mut photograph = Self {
            path: PathBuf::from(file),
            record: PhotographRecord {
                file: file.to_owned(),
                field: String::new(),
                role,
                angle_deg: None,
                width_px: width as u32,
                height_px: height as u32,
                sha256: String::new(),
                exposure: None,
                white_balance: None,
                camera: None,
                taken_at: None,
                clipped_fraction: 0.0,
                warnings: Vec::new(),
            },
            width,
            height,
            samples,
            to_linear: curve.lookup(entries),
            angle: None,
        };
        photograph.record.clipped_fraction = photograph.clipped_fraction();
        photograph
    }
}
