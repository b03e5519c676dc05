//! A photograph too large to be held whole, read a window at a time: tiled and stripped TIFF and BigTIFF where they lie,
//! anything else from an uncompressed copy in the system's folder for temporary files.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use sha2::{Digest, Sha256};
use tiff::decoder::Decoder;

use crate::error::{Error, Result};
use crate::slide::decode::{Reading, believable, few_bits, hexadecimal, overexposed, read_photograph, torn};
use crate::slide::encoding::stated_curve;
use crate::slide::exif::file_facts;
use crate::slide::photograph::{GREY, Photograph, PhotographRecord, Samples};
use crate::slide::pieces::Pieces;
use crate::slide::rows::{Copying, Layout, Rows};
use crate::slide::tiff_head::{is_tiff, other_pages};
use crate::units::Degrees;

/// Most samples of a photograph that must be decoded at one go, bytes: with its file it stays well under 2 GB.
const LARGEST_WHOLE: u64 = 1_200_000_000;
/// Pixels that are read at a time when a photograph is gone through from end to end.
const PIXELS_AT_A_TIME: usize = 8 << 20;

/// A rectangle of pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Left edge.
    pub x: usize,
    /// Upper edge.
    pub y: usize,
    /// Width.
    pub width: usize,
    /// Height.
    pub height: usize,
}

/// A photograph that is read a window at a time.
#[derive(Debug)]
pub struct Scan {
    /// Absolute path, only ever read.
    pub path: PathBuf,
    /// What the report keeps of it; the share of clipped pixels is not known before all of it was seen.
    pub record: PhotographRecord,
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Linear light 0..=1 of each code value: 256 or 65536 entries.
    pub to_linear: Vec<f32>,
    /// Stated angle of a crossed photograph.
    pub angle: Option<Degrees>,
    /// All of it was seen when it was opened.
    was_seen: bool,
    source: Source,
}

#[derive(Debug)]
enum Source {
    /// Pieces that are unpacked one at a time.
    Pieces(Box<Pieces>),
    /// Uncompressed rows.
    Rows(Rows),
}

impl Scan {
    /// Opens a photograph. Its picture is not decoded yet, except where it can only be decoded as a whole.
    ///
    /// # Errors
    /// When the file cannot be read, is larger than allowed, damaged, or stored so that no part of it can be read by itself.
    pub fn open(path: &Path, reading: &Reading<'_>) -> Result<Self> {
        let file = opened(path)?;
        let bytes = file.metadata().map_err(|e| unreadable(path, e))?.len();
        let mut begin = Vec::new();
        (&file).take(16).read_to_end(&mut begin).map_err(|e| unreadable(path, e))?;
        if is_tiff(&begin) { Self::of_tiff(path, bytes, reading) } else { Self::copied(path, reading) }
    }

    fn of_tiff(path: &Path, bytes: u64, reading: &Reading<'_>) -> Result<Self> {
        let (pieces, facts) = Pieces::open(path)?;
        let (width, height) = pieces.size;
        believable(path, (width, height), bytes, reading)?;
        reading.as_large(path, (width, height))?;
        let told = file_facts(&facts.head);
        let stated = stated_curve(&facts.head, facts.profile.as_deref(), pieces.sixteen, reading.encoding);
        let mut warnings = Vec::new();
        if pieces.has_alpha() {
            warnings.push("its transparency was dropped".to_owned());
        }
        if pieces.is_grey() {
            warnings.push(GREY.to_owned());
        }
        warnings.extend(other_pages(BufReader::new(opened(path)?)));
        warnings.extend(stated.warnings);
        warnings.extend(told.warnings);
        let record = PhotographRecord {
            file: reading.file.to_owned(),
            field: reading.field.to_owned(),
            role: reading.role,
            angle_deg: reading.angle.map(Degrees::deg),
            width_px: width,
            height_px: height,
            sha256: checksum(path)?,
            exposure: told.exposure,
            white_balance: told.white_balance,
            camera: told.camera,
            taken_at: told.taken_at,
            clipped_fraction: 0.0,
            warnings,
        };
        let to_linear = stated.curve.lookup(if pieces.sixteen { 65_536 } else { 256 });
        let source = match facts.strips {
            Some(strips) => {
                let layout = Layout {
                    width: width as usize,
                    channels: pieces.channels,
                    sixteen: pieces.sixteen,
                    big_endian: facts.big_endian,
                };
                Source::Rows(Rows::new(opened(path)?, strips, pieces.piece[1], layout))
            }
            // Every window would unpack whole strips, over and over.
            None if pieces.piece[0] >= pieces.size.0 as usize => Source::Rows(pieces.unpacked(path)?),
            None => Source::Pieces(Box::new(pieces)),
        };
        let (width, height) = (width as usize, height as usize);
        let path = path.to_path_buf();
        Ok(Self { path, record, width, height, to_linear, angle: reading.angle, was_seen: false, source })
    }

    /// Of a photograph that can only be decoded as a whole: once, into an uncompressed copy.
    fn copied(path: &Path, reading: &Reading<'_>) -> Result<Self> {
        let (width, height) = size(path).ok_or_else(|| torn(path))?;
        let samples = 6 * u64::from(width) * u64::from(height);
        // 8 bit take half of that; which it is shows when it is decoded, within the same bound.
        let most = if has_sixteen_bit(path) { LARGEST_WHOLE } else { 2 * LARGEST_WHOLE };
        if samples > most {
            return Err(Error::new(
                path,
                format!("has {width} x {height} pixels, and such a file can only be decoded as a whole"),
                "save it as a tiled TIFF or BigTIFF, which is read in parts",
            ));
        }
        // Photographs of a field are opened side by side; their memory must not add up.
        static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
        let _held = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let Photograph { record, width, height, samples, to_linear, angle, .. } = read_photograph(path, reading)?;
        let sixteen = matches!(samples, Samples::Sixteen(_));
        let copy =
            Copying::begin(path)?.rows(&samples)?.end(Layout { width, channels: 3, sixteen, big_endian: false })?;
        let (path, source) = (path.to_path_buf(), Source::Rows(copy));
        Ok(Self { path, record, width, height, to_linear, angle, was_seen: true, source })
    }

    /// Notes what is known when all of it was seen: how many of its pixels are clipped, and the highest code of a 16-bit one.
    pub(crate) fn seen(&mut self, clipped: u64, top: u16) {
        if self.was_seen {
            return;
        }
        self.record.clipped_fraction = clipped as f64 / (self.width * self.height) as f64;
        self.record.warnings.extend(few_bits(self.sixteen(), top, self.record.role));
        self.record.warnings.extend(overexposed(self.record.clipped_fraction));
    }

    /// 16 bit, else 8.
    #[must_use]
    pub fn sixteen(&self) -> bool {
        self.to_linear.len() > 256
    }

    /// The part of it within a window.
    ///
    /// # Errors
    /// When that part is damaged or missing.
    ///
    /// # Panics
    /// When the window reaches beyond the picture.
    pub fn window(&self, window: Window) -> Result<Photograph> {
        assert!(window.x + window.width <= self.width && window.y + window.height <= self.height, "within the picture");
        let samples = match &self.source {
            Source::Rows(rows) => rows.read(window).map_err(|e| torn(&self.path).caused_by(e))?,
            Source::Pieces(pieces) => pieces.read(&self.path, window)?,
        };
        Ok(Photograph {
            path: self.path.clone(),
            record: self.record.clone(),
            width: window.width,
            height: window.height,
            samples,
            to_linear: self.to_linear.clone(),
            angle: self.angle,
        })
    }

    /// Windows that cover it, each pixel once, such that no piece of the file is unpacked twice.
    #[must_use]
    pub fn from_end_to_end(&self) -> Vec<Window> {
        let [w, h] = match &self.source {
            Source::Pieces(pieces) => {
                let [w, h] = pieces.piece;
                let across = (PIXELS_AT_A_TIME / (w * h)).clamp(1, self.width.div_ceil(w));
                [across * w, h]
            }
            Source::Rows(_) => [self.width, (PIXELS_AT_A_TIME / self.width).max(1)],
        };
        (0..self.height)
            .step_by(h)
            .flat_map(|y| (0..self.width).step_by(w).map(move |x| (x, y)))
            .map(|(x, y)| Window { x, y, width: w.min(self.width - x), height: h.min(self.height - y) })
            .collect()
    }
}

/// Width and height that a photograph's header says; None when there is no such header.
#[must_use]
pub fn size(path: &Path) -> Option<(u32, u32)> {
    let mut begin = Vec::new();
    File::open(path).ok()?.take(16).read_to_end(&mut begin).ok()?;
    if is_tiff(&begin) {
        return Decoder::new(BufReader::new(File::open(path).ok()?)).ok()?.dimensions().ok();
    }
    image::ImageReader::open(path).ok()?.with_guessed_format().ok()?.into_dimensions().ok()
}

/// Whether a file that is no TIFF holds 16-bit samples: a PNG says so in its header.
fn has_sixteen_bit(path: &Path) -> bool {
    let mut begin = Vec::new();
    let read = File::open(path).and_then(|f| f.take(32).read_to_end(&mut begin));
    read.is_ok() && begin.starts_with(b"\x89PNG") && begin.get(24) == Some(&16)
}

pub(crate) fn opened(path: &Path) -> Result<File> {
    File::open(path).map_err(|e| unreadable(path, e))
}

fn unreadable(path: &Path, e: std::io::Error) -> Error {
    Error::new(path, "cannot be read", "check that the file is there and may be read").caused_by(e)
}

/// SHA-256 of a file of any length, hexadecimal.
fn checksum(path: &Path) -> Result<String> {
    let mut file = opened(path)?;
    let mut sum = Sha256::new();
    let mut part = vec![0; 1 << 20];
    loop {
        match file.read(&mut part).map_err(|e| unreadable(path, e))? {
            0 => return Ok(hexadecimal(&sum.finalize())),
            n => sum.update(&part[..n]),
        }
    }
}

#[cfg(test)]
mod tests;
