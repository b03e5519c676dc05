//! Rows of samples that lie uncompressed in a file, so that any part of a picture is read where it is.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use crate::error::{Error, Result};
use crate::slide::photograph::Samples;
use crate::slide::scan::Window;

/// A file of uncompressed samples, interleaved.
#[derive(Debug)]
pub struct Rows {
    file: Mutex<File>,
    /// Where each strip begins.
    strips: Vec<u64>,
    /// Rows in one strip.
    rows_in_strip: usize,
    layout: Layout,
}

/// How samples lie in a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// Pixels of a row.
    pub width: usize,
    /// Samples of a pixel; the first three are R, G, B, a single one or the first of two is grey.
    pub channels: usize,
    /// 16 bit, else 8.
    pub sixteen: bool,
    /// The more significant byte of 16 comes first.
    pub big_endian: bool,
}

impl Layout {
    pub(crate) fn bytes_per_pixel(self) -> usize {
        self.channels * if self.sixteen { 2 } else { 1 }
    }
}

impl Rows {
    /// Of strips of `rows_in_strip` rows that begin at `strips`.
    ///
    /// # Panics
    /// When strips have no rows.
    #[must_use]
    pub fn new(file: File, strips: Vec<u64>, rows_in_strip: usize, layout: Layout) -> Self {
        assert!(rows_in_strip > 0, "strips have rows");
        Self { file: Mutex::new(file), strips, rows_in_strip, layout }
    }

    /// The samples of a window, three a pixel.
    ///
    /// # Errors
    /// When the file is too short or cannot be read.
    pub fn read(&self, window: Window) -> std::io::Result<Samples> {
        let pixel = self.layout.bytes_per_pixel();
        let mut bytes = vec![0; window.width * window.height * pixel];
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        for (k, row) in bytes.chunks_exact_mut((window.width * pixel).max(1)).enumerate() {
            let y = window.y + k;
            let strip = *self.strips.get(y / self.rows_in_strip).ok_or(std::io::ErrorKind::UnexpectedEof)?;
            let before = (y % self.rows_in_strip) * self.layout.width + window.x;
            file.seek(SeekFrom::Start(strip + (before * pixel) as u64))?;
            file.read_exact(row)?;
        }
        drop(file);
        Ok(if self.layout.sixteen {
            let wide = |b: &[u8]| {
                let b = [b[0], b[1]];
                if self.layout.big_endian { u16::from_be_bytes(b) } else { u16::from_le_bytes(b) }
            };
            Samples::Sixteen(three_of(bytes.chunks_exact(2).map(wide).collect(), self.layout.channels))
        } else {
            Samples::Eight(three_of(bytes, self.layout.channels))
        })
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

/// An uncompressed copy that is being written; it is gone with the program.
pub(crate) struct Copying<'a> {
    path: &'a Path,
    out: BufWriter<File>,
}

impl<'a> Copying<'a> {
    pub(crate) fn begin(path: &'a Path) -> Result<Self> {
        let file = tempfile::tempfile().map_err(|e| no_room(path, e))?;
        Ok(Self { path, out: BufWriter::with_capacity(1 << 20, file) })
    }

    pub(crate) fn rows(mut self, samples: &Samples) -> Result<Self> {
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

    pub(crate) fn end(self, layout: Layout) -> Result<Rows> {
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
