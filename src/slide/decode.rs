//! From a file to samples: read once, hashed, bounded before anything is allocated, turned upright.

use std::io::Cursor;
use std::path::Path;

use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};
use rayon::prelude::*;
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};
use crate::slide::colourless::is_colourless;
use crate::slide::encoding::{Encoding, stated_curve};
use crate::slide::exif::file_facts;
use crate::slide::jpeg;
use crate::slide::photograph::{GREY, Photograph, PhotographRecord, Role, Samples};
use crate::slide::tiff_head::{is_big_tiff, other_pages};
use crate::units::Degrees;

/// Pixels in one photograph unless the caller says otherwise: 1.2 gigapixel, 3.6 GB of 8-bit samples.
pub const MAX_PIXELS: u64 = 1_200_000_000;

/// Bytes in one file: twice the samples of the largest 16-bit photograph that is allowed.
const MAX_BYTES_PER_PIXEL: u64 = 12;

/// A photograph of more pixels than this must have [`LEAST_BYTES`] for each: 16 megapixels take 48 MB, which is no danger.
const EMPTY_FROM: u64 = 16_000_000;

/// Bytes that a photograph has for a pixel at the very least: JPEG's coarsest tables leave more to an even grey with a
/// little noise, and a file of less is one that was made to fill memory. House value.
const LEAST_BYTES: f64 = 0.005;

/// Bytes that a decoder may take beside the picture: colour profile, palette, one strip.
const BESIDE: u64 = 64 << 20;

/// What a photograph is for, and how it is to be read.
#[derive(Clone, Debug)]
pub struct Reading<'a> {
    /// File as the report names it, relative to the slide folder.
    pub file: &'a str,
    /// Field of view.
    pub field: &'a str,
    /// Role in the field.
    pub role: Role,
    /// Stated angle.
    pub angle: Option<Degrees>,
    /// Encoding that the preparator states.
    pub encoding: Option<Encoding>,
    /// Larger photographs are refused.
    pub max_pixels: u64,
    /// The photograph that this one must be as large as, when there is one: its file's name, width and height.
    pub like: Option<(&'a str, usize, usize)>,
}

impl<'a> Reading<'a> {
    /// Of a photograph by itself, as plane light, in no slide's folder; larger ones than `max_pixels` are refused.
    #[must_use]
    pub fn alone(file: &'a str, max_pixels: u64) -> Self {
        Self { file, field: "", role: Role::Plane, angle: None, encoding: None, max_pixels, like: None }
    }

    /// Refuses a photograph of another size than the one that it must be as large as.
    pub(crate) fn as_large(&self, path: &Path, (width, height): (u32, u32)) -> Result<()> {
        match self.like {
            Some((other, w, h)) if (width as usize, height as usize) != (w, h) => Err(Error::new(
                path,
                format!("has {width} x {height} pixels, but {other} has {w} x {h}"),
                "photograph a field with one camera at one setting, uncropped",
            )),
            _ => Ok(()),
        }
    }
}

/// Reads and decodes one photograph.
///
/// # Errors
/// When the file cannot be read, is no JPEG, PNG or TIFF of 8 or 16 bit, is larger than allowed, or is damaged.
pub fn read_photograph(path: &Path, reading: &Reading<'_>) -> Result<Photograph> {
    let unreadable = |e: std::io::Error| {
        Error::new(path, "cannot be read", "check that the file is there and may be read").caused_by(e)
    };
    let length = std::fs::metadata(path).map_err(unreadable)?.len();
    if length > reading.max_pixels.saturating_mul(MAX_BYTES_PER_PIXEL) {
        return Err(too_large(path, &format!("is {:.1} MB long", length as f64 / 1e6), reading));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    decode_photograph(path, &bytes, reading)
}

/// Decodes a photograph whose bytes are in memory; `path` only names it.
///
/// # Errors
/// As [`read_photograph`].
pub fn decode_photograph(path: &Path, bytes: &[u8], reading: &Reading<'_>) -> Result<Photograph> {
    let format = match image::guess_format(bytes) {
        _ if is_big_tiff(bytes) => ImageFormat::Tiff,
        Ok(format @ (ImageFormat::Jpeg | ImageFormat::Png | ImageFormat::Tiff)) => format,
        _ if bytes.is_empty() => return Err(Error::new(path, "is empty", "copy it from the camera again")),
        _ => return Err(Error::new(path, "is not a JPEG, PNG or TIFF photograph", "save it as one of these")),
    };
    if format == ImageFormat::Jpeg && !jpeg::reaches_its_end(bytes) {
        return Err(torn(path));
    }
    if format == ImageFormat::Jpeg && jpeg::sample_bits(bytes).is_some_and(|bits| bits > 8) {
        return Err(Error::new(
            path,
            "is a JPEG of more than 8 bits a channel",
            "save it as 8 bit JPEG, or as PNG or TIFF",
        ));
    }
    if format == ImageFormat::Jpeg && jpeg::lacks_scans(bytes) {
        return Err(torn_so(path, ": only the first, coarse passes of its progressive JPEG are there"));
    }
    let damaged = |e: image::ImageError| match e {
        image::ImageError::Limits(_) => Error::new(
            path,
            "asks for more memory than a photograph of its size needs",
            "save it again as a plain JPEG, PNG or TIFF",
        ),
        image::ImageError::Unsupported(_) => {
            Error::new(path, "is stored in a way that cannot be read", "save it as 8 or 16 bit grey or colour")
                .caused_by(e)
        }
        _ => torn(path).caused_by(e),
    };
    let believable = |width, height| believable(path, (width, height), bytes.len() as u64, reading);
    // A PNG's colour profile is unpacked before its size is asked for; its header says the size first.
    let announced = match png_size(bytes) {
        Some((width, height)) => believable(width, height)?,
        None => reading.max_pixels,
    };
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.limits(limits(announced));
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    if width == 0 || height == 0 {
        return Err(torn(path));
    }
    let pixels = believable(width, height)?;
    decoder.set_limits(limits(pixels)).map_err(damaged)?;
    let icc = decoder.icc_profile().ok().flatten();
    let orientation = decoder.orientation().unwrap_or(image::metadata::Orientation::NoTransforms);
    use image::metadata::Orientation as Turn;
    let lying = matches!(orientation, Turn::Rotate90 | Turn::Rotate270 | Turn::Rotate90FlipH | Turn::Rotate270FlipH);
    reading.as_large(path, if lying { (height, width) } else { (width, height) })?;
    let mut picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    if format == ImageFormat::Jpeg
        && let Some(missing) = jpeg::repeated_end(picture.as_bytes(), picture.height() as usize)
    {
        let rows = picture.height();
        return Err(torn_so(
            path,
            &format!(": the last {missing} of its {rows} rows show nothing but one pattern again and again"),
        ));
    }
    picture.apply_orientation(orientation);
    let (width, height) = (picture.width(), picture.height());

    let mut warnings = Vec::new();
    let colour = picture.color();
    if colour.has_alpha() {
        warnings.push("its transparency was dropped".to_owned());
    }
    if !colour.has_color() {
        warnings.push(GREY.to_owned());
    }
    if format == ImageFormat::Tiff {
        warnings.extend(other_pages(Cursor::new(bytes)));
    }
    let samples = three_channels(picture).ok_or_else(|| {
        Error::new(path, "has samples that are neither 8 nor 16 bit whole numbers", "save it as 8 or 16 bit")
    })?;
    let sixteen = matches!(samples, Samples::Sixteen(_));
    if let Samples::Sixteen(codes) = &samples {
        warnings.extend(few_bits(true, codes.par_iter().copied().max().unwrap_or(0), reading.role));
    }
    let stated = stated_curve(bytes, icc.as_deref(), sixteen, reading.encoding);
    let facts = file_facts(bytes);
    warnings.extend(stated.warnings);
    warnings.extend(facts.warnings);

    let to_linear = stated.curve.lookup(if sixteen { 65536 } else { 256 });
    if colour.has_color() && reading.role == Role::Crossed && is_colourless(&samples, &to_linear) {
        warnings.push(GREY.to_owned());
    }
    let mut photograph = Photograph {
        path: path.to_path_buf(),
        record: PhotographRecord {
            file: reading.file.to_owned(),
            field: reading.field.to_owned(),
            role: reading.role,
            angle_deg: reading.angle.map(Degrees::deg),
            width_px: width,
            height_px: height,
            sha256: sha256(bytes),
            exposure: facts.exposure,
            white_balance: facts.white_balance,
            camera: facts.camera,
            taken_at: facts.taken_at,
            clipped_fraction: 0.0,
            warnings,
        },
        width: width as usize,
        height: height as usize,
        to_linear,
        samples,
        angle: reading.angle,
    };
    photograph.record.clipped_fraction = photograph.clipped_fraction();
    photograph.record.warnings.extend(overexposed(photograph.record.clipped_fraction));
    Ok(photograph)
}

/// The number of pixels that a file says it has, when it may have so many and can hold them.
pub(crate) fn believable(path: &Path, (width, height): (u32, u32), bytes: u64, reading: &Reading<'_>) -> Result<u64> {
    let pixels = u64::from(width) * u64::from(height);
    if pixels > reading.max_pixels {
        return Err(too_large(path, &format!("has {width} x {height} pixels"), reading));
    }
    if pixels > EMPTY_FROM && (bytes as f64) < LEAST_BYTES * pixels as f64 {
        return Err(Error::new(
            path,
            format!("says {width} x {height} pixels, but its {} kB cannot hold such a photograph", bytes / 1000),
            "copy it from the camera again",
        ));
    }
    Ok(pixels)
}

/// How it begins what is said of 16-bit samples that fill their bits badly.
pub(crate) const FEW_BITS: &str = "its samples reach only";

/// What is said of 16-bit samples whose highest code is `top`, when they fill their bits badly.
pub(crate) fn few_bits(sixteen: bool, top: u16, role: Role) -> Option<String> {
    (sixteen && (256..=16383).contains(&top) && role != Role::Crossed).then(|| {
        format!(
            "{FEW_BITS} {top} of 65535: it is much too dark, or a camera's 12 or 14 bits were saved without stretching them to 16"
        )
    })
}

/// What is said of a photograph of which this share is clipped.
pub(crate) fn overexposed(clipped: f64) -> Option<String> {
    (clipped > 0.02).then(|| format!("{:.0} % of it is overexposed: shorten the exposure", 100.0 * clipped))
}

fn limits(pixels: u64) -> Limits {
    let mut limits = Limits::default();
    // Output and the decoder's own buffer, three 16-bit channels each.
    limits.max_alloc = Some(pixels.saturating_mul(MAX_BYTES_PER_PIXEL).saturating_add(BESIDE));
    limits
}

/// Width and height in the header of a PNG, which begins the file.
fn png_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let header = bytes.get(..24).filter(|h| h.starts_with(b"\x89PNG") && &h[12..16] == b"IHDR")?;
    let number = |at: usize| u32::from_be_bytes([header[at], header[at + 1], header[at + 2], header[at + 3]]);
    Some((number(16), number(20)))
}

pub(crate) fn torn(path: &Path) -> Error {
    torn_so(path, "")
}

/// The same with how that is seen.
fn torn_so(path: &Path, seen: &str) -> Error {
    let advice = "copy it from the camera again, or leave it out of the slide's folder";
    Error::new(path, format!("is damaged or cut short{seen}"), advice)
}

fn too_large(path: &Path, what: &str, reading: &Reading<'_>) -> Error {
    let advice = if reading.field.is_empty() {
        "use a photograph with fewer pixels"
    } else {
        "photograph single fields of view, cut it into fields, or allow more with --max-megapixels"
    };
    Error::new(path, format!("{what}, more than is allowed"), advice)
}

/// SHA-256, hexadecimal.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// Bytes in lower-case hexadecimal.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Three interleaved channels at the file's own depth; a picture that has them already is not copied.
fn three_channels(picture: DynamicImage) -> Option<Samples> {
    match picture {
        DynamicImage::ImageRgb8(p) => Some(Samples::Eight(p.into_raw())),
        DynamicImage::ImageLuma8(_) | DynamicImage::ImageLumaA8(_) | DynamicImage::ImageRgba8(_) => {
            Some(Samples::Eight(picture.into_rgb8().into_raw()))
        }
        DynamicImage::ImageRgb16(p) => Some(Samples::Sixteen(p.into_raw())),
        DynamicImage::ImageLuma16(_) | DynamicImage::ImageLumaA16(_) | DynamicImage::ImageRgba16(_) => {
            Some(Samples::Sixteen(picture.into_rgb16().into_raw()))
        }
        _ => None,
    }
}

/// Small photographs for tests.
#[cfg(test)]
pub(crate) mod testing {
    use std::io::Cursor;

    use image::ImageEncoder;
    use image::codecs::jpeg::JpegEncoder;

    /// A colourful picture, different in every pixel.
    pub(crate) fn picture(width: u32, height: u32) -> image::RgbImage {
        image::RgbImage::from_fn(width, height, |x, y| {
            image::Rgb([(40 + 7 * x + y) as u8 % 200, (30 + 3 * y + x) as u8 % 180, 90])
        })
    }

    /// A JPEG of [`picture`].
    pub(crate) fn jpeg(width: u32, height: u32) -> Vec<u8> {
        jpeg_of(&picture(width, height), &[])
    }

    /// A small JPEG with EXIF fields.
    pub(crate) fn jpeg_with(fields: &[exif::Field]) -> Vec<u8> {
        jpeg_of(&picture(8, 6), fields)
    }

    /// A JPEG of a picture with EXIF fields.
    pub(crate) fn jpeg_of(picture: &image::RgbImage, fields: &[exif::Field]) -> Vec<u8> {
        let mut out = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut out, 95);
        if !fields.is_empty() {
            let mut writer = exif::experimental::Writer::new();
            for field in fields {
                writer.push_field(field);
            }
            let mut block = Cursor::new(Vec::new());
            writer.write(&mut block, false).expect("test EXIF is written");
            encoder.set_exif_metadata(block.into_inner()).expect("JPEG takes EXIF");
        }
        encoder.encode_image(picture).expect("test JPEG is written");
        out
    }
}

#[cfg(test)]
mod tests;
