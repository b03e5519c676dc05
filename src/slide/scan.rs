//! A photograph too large to be held whole, read a window at a time: tiled and stripped TIFF and BigTIFF where they lie,
//! anything else from an uncompressed copy in the system's folder for temporary files.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use sha2::{Digest, Sha256};
use tiff::ColorType;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::{CompressionMethod, PhotometricInterpretation, PlanarConfiguration, Predictor, SampleFormat, Tag};

use crate::error::{Error, Result};
use crate::slide::decode::{Reading, believable, few_bits, hexadecimal, overexposed, read_photograph, torn};
use crate::slide::encoding::stated_curve;
use crate::slide::exif::file_facts;
use crate::slide::photograph::{Photograph, PhotographRecord, Samples};
use crate::slide::rows::{Layout, Rows};
use crate::slide::tiff_head::{head_of, is_tiff};
use crate::units::Degrees;

/// Most that one tile or strip may take when it is unpacked, bytes: tiles of scanners take one.
const LARGEST_PIECE: usize = 96 << 20;
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
    Pieces(Pieces),
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
        believable(path, (width, height), bytes, reading.max_pixels)?;
        reading.as_large(path, (width, height))?;
        let told = file_facts(&facts.head);
        let stated = stated_curve(&facts.head, facts.profile.as_deref(), pieces.sixteen, reading.encoding);
        let mut warnings = Vec::new();
        if pieces.has_alpha() {
            warnings.push("its transparency was dropped".to_owned());
        }
        if pieces.is_grey() {
            warnings.push("it is grey: interference colours cannot be read from it".to_owned());
        }
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
            None => Source::Pieces(pieces),
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

fn opened(path: &Path) -> Result<File> {
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

/// The first three of every `channels` samples; grey three times where there are one or two.
pub(crate) fn three_of<T: Copy>(samples: Vec<T>, channels: usize) -> Vec<T> {
    match channels {
        3 => samples,
        1 | 2 => samples.chunks_exact(channels).flat_map(|p| [p[0]; 3]).collect(),
        _ => samples.chunks_exact(channels).flat_map(|p| [p[0], p[1], p[2]]).collect(),
    }
}

/// A TIFF's tiles or strips.
struct Pieces {
    decoder: Mutex<Decoder<BufReader<File>>>,
    size: (u32, u32),
    /// Width and height of one.
    piece: [usize; 2],
    channels: usize,
    sixteen: bool,
    /// Luma and two of colour instead of R, G, B.
    ycbcr: bool,
}

impl std::fmt::Debug for Pieces {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pieces").field("size", &self.size).field("piece", &self.piece).finish_non_exhaustive()
    }
}

/// What else a TIFF says.
struct Facts {
    /// Its tags as a small TIFF.
    head: Vec<u8>,
    /// Its colour profile.
    profile: Option<Vec<u8>>,
    /// Where its strips begin, when they are uncompressed.
    strips: Option<Vec<u64>>,
    big_endian: bool,
}

impl Pieces {
    fn open(path: &Path) -> Result<(Self, Facts)> {
        let failed = |e: tiff::TiffError| match e {
            tiff::TiffError::UnsupportedError(_) => stored_otherwise(path).caused_by(e),
            _ => torn(path).caused_by(e),
        };
        let limits = || {
            let mut limits = Limits::default();
            (limits.decoding_buffer_size, limits.intermediate_buffer_size) = (LARGEST_PIECE, LARGEST_PIECE);
            limits.ifd_value_size = 16 << 20;
            limits
        };
        let mut decoder = Decoder::new(BufReader::new(opened(path)?)).map_err(failed)?.with_limits(limits());
        let size = decoder.dimensions().map_err(failed)?;
        if size.0 == 0 || size.1 == 0 {
            return Err(torn(path));
        }
        let (channels, sixteen, ycbcr) = match decoder.colortype().map_err(failed)? {
            ColorType::Gray(bits @ (8 | 16)) => (1, bits == 16, false),
            ColorType::GrayA(bits @ (8 | 16)) => (2, bits == 16, false),
            ColorType::RGB(bits @ (8 | 16)) => (3, bits == 16, false),
            ColorType::RGBA(bits @ (8 | 16)) => (4, bits == 16, false),
            ColorType::YCbCr(8) => (3, false, true),
            _ => return Err(stored_otherwise(path)),
        };
        let mut tag = |tag: Tag| decoder.find_tag_unsigned::<u16>(tag).ok().flatten();
        let planar = tag(Tag::PlanarConfiguration).is_some_and(|p| p != PlanarConfiguration::Chunky.to_u16());
        let inverted = tag(Tag::PhotometricInterpretation) == Some(PhotometricInterpretation::WhiteIsZero.to_u16());
        let plain = tag(Tag::Compression).is_none_or(|c| c == CompressionMethod::None.to_u16())
            && tag(Tag::Predictor).is_none_or(|p| p == Predictor::None.to_u16());
        if tag(Tag::Orientation).is_some_and(|o| o > 1) {
            return Err(Error::new(
                path,
                "is stored turned or mirrored, and so large a photograph is not turned here",
                "save it upright",
            ));
        }
        let formats = decoder.find_tag_unsigned_vec::<u16>(Tag::SampleFormat).ok().flatten().unwrap_or_default();
        if inverted || (planar && channels > 1) || formats.iter().any(|f| *f != SampleFormat::Uint.to_u16()) {
            return Err(stored_otherwise(path));
        }
        let (w, h) = decoder.chunk_dimensions();
        let piece = [w as usize, (h as usize).min(size.1 as usize)];
        let in_strips = decoder.get_chunk_type() == ChunkType::Strip;
        let strips = if in_strips && plain && !ycbcr {
            decoder.find_tag_unsigned_vec::<u64>(Tag::StripOffsets).map_err(failed)?
        } else {
            let bytes = w as usize * piece[1] * channels * if sixteen { 2 } else { 1 };
            if bytes > LARGEST_PIECE {
                return Err(Error::new(
                    path,
                    format!("is stored in pieces of {} MB, none of which can be read in parts", bytes / 1_000_000),
                    "save it as a tiled TIFF",
                ));
            }
            None
        };
        let profile = decoder.get_tag_u8_vec(Tag::IccProfile).ok();
        let big_endian = decoder.byte_order() == tiff::tags::ByteOrder::BigEndian;
        let head = head_of(&mut decoder);
        let pieces = Self { decoder: Mutex::new(decoder), size, piece, channels, sixteen, ycbcr };
        Ok((pieces, Facts { head, profile, strips, big_endian }))
    }

    fn has_alpha(&self) -> bool {
        self.channels % 2 == 0
    }

    fn is_grey(&self) -> bool {
        self.channels < 3
    }

    /// Piece `index` with three samples a pixel, and its own width and height.
    fn unpack(&self, path: &Path, index: usize) -> Result<(Samples, [usize; 2])> {
        let mut decoder = self.decoder.lock().unwrap_or_else(PoisonError::into_inner);
        let index = u32::try_from(index).map_err(|_| torn(path))?;
        let (w, h) = decoder.chunk_data_dimensions(index);
        let result = decoder.read_chunk(index).map_err(|e| torn(path).caused_by(e))?;
        drop(decoder);
        let count = w as usize * h as usize * self.channels;
        let samples = match result {
            DecodingResult::U8(codes) if !self.sixteen && codes.len() >= count => {
                let mut codes = three_of(codes, self.channels);
                if self.ycbcr {
                    codes.chunks_exact_mut(3).for_each(to_rgb);
                }
                Samples::Eight(codes)
            }
            DecodingResult::U16(codes) if self.sixteen && codes.len() >= count => {
                Samples::Sixteen(three_of(codes, self.channels))
            }
            _ => return Err(torn(path)),
        };
        Ok((samples, [w as usize, h as usize]))
    }

    fn read(&self, path: &Path, window: Window) -> Result<Samples> {
        let [pw, ph] = self.piece;
        let across = (self.size.0 as usize).div_ceil(pw);
        let count = 3 * window.width * window.height;
        let mut out = if self.sixteen { Samples::Sixteen(vec![0; count]) } else { Samples::Eight(vec![0; count]) };
        for row in window.y / ph..(window.y + window.height).div_ceil(ph) {
            for column in window.x / pw..(window.x + window.width).div_ceil(pw) {
                let (samples, size) = self.unpack(path, row * across + column)?;
                let at = [column * pw, row * ph];
                match (&mut out, &samples) {
                    (Samples::Eight(out), Samples::Eight(from)) => lay(out, window, from, at, size),
                    (Samples::Sixteen(out), Samples::Sixteen(from)) => lay(out, window, from, at, size),
                    _ => return Err(torn(path)),
                }
            }
        }
        Ok(out)
    }

    /// All strips one after another into an uncompressed copy.
    fn unpacked(self, path: &Path) -> Result<Rows> {
        let mut copying = Copying::begin(path)?;
        for index in 0..(self.size.1 as usize).div_ceil(self.piece[1]) {
            copying = copying.rows(&self.unpack(path, index)?.0)?;
        }
        let width = self.size.0 as usize;
        copying.end(Layout { width, channels: 3, sixteen: self.sixteen, big_endian: false })
    }
}

fn stored_otherwise(path: &Path) -> Error {
    Error::new(
        path,
        "is stored in a way that cannot be read in parts",
        "save it as a tiled TIFF or BigTIFF of 8 or 16 bit grey or colour, its channels interleaved",
    )
}

/// Copies what a piece at `at` of `size` shares with a window.
fn lay<T: Copy>(out: &mut [T], window: Window, from: &[T], at: [usize; 2], size: [usize; 2]) {
    let (x0, x1) = (window.x.max(at[0]), (window.x + window.width).min(at[0] + size[0]));
    for y in window.y.max(at[1])..(window.y + window.height).min(at[1] + size[1]) {
        let to = 3 * ((y - window.y) * window.width + x0 - window.x);
        let source = 3 * ((y - at[1]) * size[0] + x0 - at[0]);
        let n = 3 * (x1 - x0);
        out[to..to + n].copy_from_slice(&from[source..source + n]);
    }
}

/// A pixel from luma and two of colour to R, G, B, full range (ITU-T T.871).
fn to_rgb(pixel: &mut [u8]) {
    let [y, cb, cr] = [f32::from(pixel[0]), f32::from(pixel[1]) - 128.0, f32::from(pixel[2]) - 128.0];
    let code = |v: f32| v.round().clamp(0.0, 255.0) as u8;
    pixel.copy_from_slice(&[code(y + 1.402 * cr), code(y - 0.344_136 * cb - 0.714_136 * cr), code(y + 1.772 * cb)]);
}

/// An uncompressed copy that is being written; it is gone with the program.
struct Copying<'a> {
    path: &'a Path,
    out: BufWriter<File>,
}

impl<'a> Copying<'a> {
    fn begin(path: &'a Path) -> Result<Self> {
        let file = tempfile::tempfile().map_err(|e| no_room(path, e))?;
        Ok(Self { path, out: BufWriter::with_capacity(1 << 20, file) })
    }

    fn rows(mut self, samples: &Samples) -> Result<Self> {
        let written = match samples {
            Samples::Eight(codes) => self.out.write_all(codes),
            Samples::Sixteen(codes) => codes.chunks(1 << 16).try_for_each(|part| {
                let bytes: Vec<u8> = part.iter().flat_map(|c| c.to_le_bytes()).collect();
                self.out.write_all(&bytes)
            }),
        };
        written.map_err(|e| no_room(self.path, e))?;
        Ok(self)
    }

    fn end(self, layout: Layout) -> Result<Rows> {
        let file = self.out.into_inner().map_err(|e| no_room(self.path, e.into_error()))?;
        Ok(Rows::new(file, vec![0], usize::MAX, layout))
    }
}

fn no_room(path: &Path, e: std::io::Error) -> Error {
    let dir = std::env::temp_dir();
    Error::new(
        path,
        format!("cannot be unpacked into {}, the folder for temporary files", dir.display()),
        "make room there, or save it as a tiled TIFF, which needs no copy",
    )
    .caused_by(e)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::whole_section::{Cut, Sheet};
    use crate::slide::decode::MAX_PIXELS;
    use crate::slide::photograph::Role;
    use tiff::encoder::compression::DeflateLevel;
    use tiff::encoder::{Compression, TiffEncoder, colortype};

    const SIZE: [usize; 2] = [301, 203];

    fn reading() -> Reading<'static> {
        Reading::alone("a.tif", MAX_PIXELS)
    }

    /// A code that is another at every place.
    fn code(x: usize, y: usize, c: usize) -> u16 {
        (x * 199 + y * 31 + c * 7001) as u16
    }

    fn codes(w: Window, sixteen: bool) -> Vec<u16> {
        let mut out = Vec::new();
        for y in w.y..w.y + w.height {
            for x in w.x..w.x + w.width {
                out.extend((0..3).map(|c| code(x, y, c)).map(|v| if sixteen { v } else { v >> 8 }));
            }
        }
        out
    }

    fn as_wide(samples: &Samples) -> Vec<u16> {
        match samples {
            Samples::Eight(s) => s.iter().map(|v| u16::from(*v)).collect(),
            Samples::Sixteen(s) => s.clone(),
        }
    }

    fn all_windows_agree(scan: &Scan, sixteen: bool) {
        assert_eq!(([scan.width, scan.height], scan.sixteen()), (SIZE, sixteen));
        for (x, y, width, height) in [(0, 0, 301, 203), (64, 64, 64, 64), (63, 120, 90, 83), (300, 202, 1, 1)] {
            let w = Window { x, y, width, height };
            assert_eq!(as_wide(&scan.window(w).expect("it reads").samples), codes(w, sixteen), "{w:?}");
        }
        let covered: usize = scan.from_end_to_end().iter().map(|w| w.width * w.height).sum();
        assert_eq!(covered, SIZE[0] * SIZE[1]);
    }

    #[test]
    fn windows_are_the_same_however_the_file_is_cut_up() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tif");
        for cut in [Cut::Tiles(64), Cut::Tiles(16), Cut::Strips(1), Cut::Strips(17), Cut::Strips(203)] {
            for (big, sixteen) in [(true, false), (true, true), (false, false), (false, true)] {
                let sheet = Sheet { size: SIZE, cut, big, sixteen, description: "", exposed_as: None };
                sheet.write(&path, |w| codes(w, sixteen)).unwrap();
                all_windows_agree(&Scan::open(&path, &reading()).unwrap(), sixteen);
                let whole = image::open(&path).unwrap();
                assert_eq!((whole.width(), whole.height()), (301, 203), "another reader reads it too");
            }
        }
    }

    #[test]
    fn what_cannot_be_read_in_parts_is_unpacked_once() {
        let dir = tempfile::tempdir().unwrap();
        let all = Window { x: 0, y: 0, width: SIZE[0], height: SIZE[1] };
        let path = dir.path().join("a.tif");
        let mut encoder = TiffEncoder::new_big(File::create(&path).unwrap())
            .unwrap()
            .with_compression(Compression::Deflate(DeflateLevel::Fast));
        encoder.write_image::<colortype::RGB16>(SIZE[0] as u32, SIZE[1] as u32, &codes(all, true)).unwrap();
        all_windows_agree(&Scan::open(&path, &reading()).unwrap(), true);
        let path = dir.path().join("a.png");
        let eight: Vec<u8> = codes(all, false).iter().map(|v| *v as u8).collect();
        image::save_buffer(&path, &eight, SIZE[0] as u32, SIZE[1] as u32, image::ExtendedColorType::Rgb8).unwrap();
        all_windows_agree(&Scan::open(&path, &reading()).unwrap(), false);
    }

    #[test]
    fn what_a_big_tiff_says_of_itself_is_read() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tif");
        let description = "<OME><Image><Pixels PhysicalSizeX=\"950\" PhysicalSizeXUnit=\"nm\" PhysicalSizeY=\"0.95\" \
                           PhysicalSizeYUnit=\"µm\"/></Image></OME>";
        let scene = crate::demo::Scene {
            size_px: [120, 90],
            ..crate::demo::Scene::new("LM-1", 1, crate::demo::Rock::Quartzite)
        };
        let rendered = scene.render_field(0);
        for big in [true, false] {
            let exposed_as = Some(&rendered.crossed[0]);
            let sheet = Sheet { size: SIZE, cut: Cut::Tiles(64), big, sixteen: false, description, exposed_as };
            sheet.write(&path, |w| codes(w, false)).unwrap();
            let facts = file_facts(&std::fs::read(&path).unwrap());
            let scale = facts.resolution.expect("a scale");
            assert!((scale.um_per_px - 0.95).abs() < 1e-9 && scale.source.contains("PhysicalSizeX"), "{scale:?}");
            let record = Scan::open(&path, &reading()).unwrap().record;
            assert_eq!(record.exposure, facts.exposure);
            assert!(record.exposure.is_some_and(|e| e.time_s > 0.0 && e.iso.is_some()), "{:?}", record.exposure);
            assert_eq!(record.sha256, crate::slide::decode::sha256(&std::fs::read(&path).unwrap()));
        }
    }

    #[test]
    fn too_many_pixels_and_empty_claims_are_refused_from_the_header() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tif");
        let sheet =
            Sheet { size: SIZE, cut: Cut::Tiles(64), big: true, sixteen: false, description: "", exposed_as: None };
        sheet.write(&path, |w| codes(w, false)).unwrap();
        let few = Reading { max_pixels: 60_000, ..reading() };
        assert!(Scan::open(&path, &few).unwrap_err().to_string().contains("more than is allowed"));
        let other = Reading { like: Some(("b.tif", 300, 203)), ..reading() };
        assert!(Scan::open(&path, &other).unwrap_err().to_string().contains("b.tif has 300 x 203"));
        // A header that says 40,000 x 24,000 before a few bytes.
        let mut bytes = std::fs::read(&path).unwrap();
        for (tag, value) in [(256_u16, 40_000_u64), (257, 24_000)] {
            let at =
                (0..bytes.len() - 20).find(|i| bytes[*i..*i + 4] == [tag.to_le_bytes(), 16_u16.to_le_bytes()].concat());
            let at = at.expect("the tag") + 12;
            bytes[at..at + 8].copy_from_slice(&value.to_le_bytes());
        }
        std::fs::write(&path, &bytes).unwrap();
        assert!(Scan::open(&path, &reading()).is_err());
        // Cut short, it is opened, and the missing part is an error.
        sheet.write(&path, |w| codes(w, false)).unwrap();
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, &whole[..whole.len() - 5000]).unwrap();
        let scan = Scan::open(&path, &reading()).unwrap();
        assert!(
            scan.window(Window { x: 290, y: 195, width: 5, height: 5 }).unwrap_err().to_string().contains("cut short")
        );
        assert!(scan.window(Window { x: 0, y: 0, width: 5, height: 5 }).is_ok());
        assert_eq!(reading().role, Role::Plane);
    }
}
