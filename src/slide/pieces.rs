//! The tiles or strips of a TIFF, unpacked one at a time.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use tiff::ColorType;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::{CompressionMethod, PhotometricInterpretation, PlanarConfiguration, Predictor, SampleFormat, Tag};

use crate::error::{Error, Result};
use crate::slide::decode::torn;
use crate::slide::photograph::Samples;
use crate::slide::rows::{Copying, Layout, Rows, three_of};
use crate::slide::scan::{Window, opened};
use crate::slide::tiff_head::head_of;

/// Most that one tile or strip may take when it is unpacked, bytes: tiles of scanners take one megabyte.
const LARGEST_PIECE: usize = 96 << 20;

/// A TIFF's tiles or strips.
pub(crate) struct Pieces {
    decoder: Mutex<Decoder<BufReader<File>>>,
    pub(crate) size: (u32, u32),
    /// Width and height of one.
    pub(crate) piece: [usize; 2],
    pub(crate) channels: usize,
    pub(crate) sixteen: bool,
    /// Luma and two of colour instead of R, G, B.
    ycbcr: bool,
    /// Where each begins, when they are JPEGs.
    jpegs: Option<(Mutex<File>, Vec<u64>)>,
}

impl std::fmt::Debug for Pieces {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pieces").field("size", &self.size).field("piece", &self.piece).finish_non_exhaustive()
    }
}

/// What else a TIFF says.
pub(crate) struct Facts {
    /// Its tags as a small TIFF.
    pub(crate) head: Vec<u8>,
    /// Its colour profile.
    pub(crate) profile: Option<Vec<u8>>,
    /// Where its strips begin, when they are uncompressed.
    pub(crate) strips: Option<Vec<u64>>,
    pub(crate) big_endian: bool,
}

impl Pieces {
    pub(crate) fn open(path: &Path) -> Result<(Self, Facts)> {
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
        let tag_is_jpeg = tag(Tag::Compression) == Some(CompressionMethod::ModernJPEG.to_u16());
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
        let jpegs = if tag_is_jpeg {
            let starts = if in_strips { Tag::StripOffsets } else { Tag::TileOffsets };
            let starts = decoder.find_tag_unsigned_vec::<u64>(starts).map_err(failed)?.unwrap_or_default();
            Some((Mutex::new(opened(path)?), starts))
        } else {
            None
        };
        let profile = decoder.get_tag_u8_vec(Tag::IccProfile).ok();
        let big_endian = decoder.byte_order() == tiff::tags::ByteOrder::BigEndian;
        let head = head_of(&mut decoder);
        let pieces = Self { decoder: Mutex::new(decoder), size, piece, channels, sixteen, ycbcr, jpegs };
        Ok((pieces, Facts { head, profile, strips, big_endian }))
    }

    pub(crate) fn has_alpha(&self) -> bool {
        self.channels.is_multiple_of(2)
    }

    pub(crate) fn is_grey(&self) -> bool {
        self.channels < 3
    }

    /// Refuses a piece whose own header claims more than the TIFF says: its decoder would take memory for it.
    fn believed(&self, path: &Path, index: usize) -> Result<()> {
        let Some((file, starts)) = &self.jpegs else { return Ok(()) };
        let mut begin = Vec::new();
        let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
        let start = *starts.get(index).ok_or_else(|| torn(path))?;
        file.seek(SeekFrom::Start(start)).map_err(|e| torn(path).caused_by(e))?;
        (&*file).take(JPEG_HEAD).read_to_end(&mut begin).map_err(|e| torn(path).caused_by(e))?;
        match jpeg_size(&begin) {
            Some([w, h]) if w <= self.piece[0].next_multiple_of(16) && h <= self.piece[1].next_multiple_of(16) => {
                Ok(())
            }
            _ => Err(torn(path)),
        }
    }

    /// Piece `index` with three samples a pixel, and its own width and height.
    fn unpack(&self, path: &Path, index: usize) -> Result<(Samples, [usize; 2])> {
        self.believed(path, index)?;
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

    pub(crate) fn read(&self, path: &Path, window: Window) -> Result<Samples> {
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
    pub(crate) fn unpacked(self, path: &Path) -> Result<Rows> {
        let mut copying = Copying::begin(path)?;
        for index in 0..(self.size.1 as usize).div_ceil(self.piece[1]) {
            copying = copying.rows(&self.unpack(path, index)?.0)?;
        }
        let width = self.size.0 as usize;
        copying.end(Layout { width, channels: 3, sixteen: self.sixteen, big_endian: false })
    }
}

/// Bytes of a JPEG within which its size is told: profiles and previews have no place in a tile.
const JPEG_HEAD: u64 = 1 << 16;

/// Width and height in the header of a JPEG.
fn jpeg_size(bytes: &[u8]) -> Option<[usize; 2]> {
    let mut at = 2;
    loop {
        let head = bytes.get(at..at + 9).filter(|h| h[0] == 0xff)?;
        let number = |k: usize| usize::from(u16::from_be_bytes([head[k], head[k + 1]]));
        match head[1] {
            // Frames of all kinds; tables of the same numbers' group are none.
            0xc0..=0xcf if !matches!(head[1], 0xc4 | 0xc8 | 0xcc) => return Some([number(7), number(5)]),
            _ => at += 2 + number(2),
        }
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
