//! Rows of samples that lie uncompressed in a file, so that any part of a picture is read where it is.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::sync::{Mutex, PoisonError};

use crate::slide::photograph::Samples;
use crate::slide::scan::{Window, three_of};

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
