//! Photographs of whole sections for tests and studies: uncompressed TIFF and BigTIFF in tiles or strips, written a piece at a
//! time, so that a picture of any size can be made of a rendered field without holding it.

use std::fs::File;
use std::io::{BufWriter, Result, Write};
use std::path::Path;

use super::exif::{Entry, directory};
use super::field::RenderedPhotograph;
use crate::slide::scan::Window;

/// How a picture is cut up in its file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// Into squares of so many pixels.
    Tiles(usize),
    /// Into strips of so many rows.
    Strips(usize),
}

/// What a TIFF is to be like.
#[derive(Clone, Copy, Debug)]
pub struct Sheet<'a> {
    /// Width and height, pixels.
    pub size: [usize; 2],
    /// How it is cut up.
    pub cut: Cut,
    /// BigTIFF, else a classic one.
    pub big: bool,
    /// 16 bit, else 8.
    pub sixteen: bool,
    /// Its image description.
    pub description: &'a str,
    /// The photograph whose exposure it states.
    pub exposed_as: Option<&'a RenderedPhotograph>,
}

impl Sheet<'_> {
    /// Writes it. `samples` gives the codes of a window, three a pixel, row by row; 8-bit pictures keep their lower byte.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, path: &Path, mut samples: impl FnMut(Window) -> Vec<u16>) -> Result<()> {
        let [width, height] = self.size;
        let bytes = if self.sixteen { 6 } else { 3 };
        let (w, h) = match self.cut {
            Cut::Tiles(side) => (side, side),
            Cut::Strips(rows) => (width, rows),
        };
        let pieces: Vec<Window> = (0..height)
            .step_by(h)
            .flat_map(|y| (0..width).step_by(w).map(move |x| (x, y)))
            .map(|(x, y)| Window { x, y, width: w.min(width - x), height: h.min(height - y) })
            .collect();
        // Tiles at the edges are filled up, the last strip is not.
        let stored = |p: &Window| match self.cut {
            Cut::Tiles(side) => side * side * bytes,
            Cut::Strips(_) => p.width * p.height * bytes,
        };
        let lengths: Vec<u64> = pieces.iter().map(|p| stored(p) as u64).collect();
        let exposure = self.exposed_as.and_then(|p| p.exif.as_ref()).map(super::exif::ExifBlock::exposure);
        let start = if self.big { 16 } else { 8 };
        // Laid out twice: the first time for its length.
        let tags = |pointer: usize, first: u64| {
            let begin = |at: &mut u64, n: &u64| {
                *at += n;
                Some(*at - n)
            };
            let offsets: Vec<u64> = lengths.iter().scan(first, begin).collect();
            let mut tags = vec![
                Entry::longs(256, &[width as u64], self.big),
                Entry::longs(257, &[height as u64], self.big),
                Entry::shorts(258, &[if self.sixteen { 16 } else { 8 }; 3]),
                Entry::short(259, 1),
                Entry::short(262, 2),
                Entry::text(270, self.description),
                Entry::short(277, 3),
                Entry::short(284, 1),
            ];
            match self.cut {
                Cut::Tiles(side) => tags.extend([
                    Entry::longs(322, &[side as u64], self.big),
                    Entry::longs(323, &[side as u64], self.big),
                    Entry::longs(324, &offsets, self.big),
                    Entry::longs(325, &lengths, self.big),
                ]),
                Cut::Strips(rows) => tags.extend([
                    Entry::longs(273, &offsets, self.big),
                    Entry::longs(278, &[rows as u64], self.big),
                    Entry::longs(279, &lengths, self.big),
                ]),
            }
            if exposure.is_some() {
                tags.push(Entry::longs(0x8769, &[pointer as u64], self.big));
            }
            tags.sort_by_key(|t| t.tag);
            tags
        };
        let pointer = start + directory(&tags(0, 0), start, self.big).len();
        let sub = exposure.as_ref().map_or_else(Vec::new, |e| directory(e, pointer, self.big));
        let first = (pointer + sub.len()) as u64;
        let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
        let header: &[u8] = if self.big { b"II\x2b\0\x08\0\0\0\x10\0\0\0\0\0\0\0" } else { b"II\x2a\0\x08\0\0\0" };
        out.write_all(header)?;
        out.write_all(&directory(&tags(pointer, first), start, self.big))?;
        out.write_all(&sub)?;
        for piece in &pieces {
            let codes = samples(*piece);
            let mut written = 0;
            for row in codes.chunks_exact(3 * piece.width) {
                let mut line: Vec<u8> = if self.sixteen {
                    row.iter().flat_map(|c| c.to_le_bytes()).collect()
                } else {
                    row.iter().map(|c| *c as u8).collect()
                };
                if let Cut::Tiles(side) = self.cut {
                    line.resize(side * bytes, 0);
                }
                written += line.len();
                out.write_all(&line)?;
            }
            out.write_all(&vec![0; stored(piece) - written])?;
        }
        out.flush()
    }
}

/// The codes of a window of a field that is mirrored at its edges and so goes on for ever: no edge of it is a step.
#[must_use]
pub fn mirrored(photograph: &RenderedPhotograph, window: Window) -> Vec<u16> {
    let within = |v: usize, n: usize| if (v / n).is_multiple_of(2) { v % n } else { n - 1 - v % n };
    let (w, h) = (photograph.width, photograph.height);
    let mut codes = Vec::with_capacity(3 * window.width * window.height);
    for y in window.y..window.y + window.height {
        let row = &photograph.rgb[3 * w * within(y, h)..];
        for x in window.x..window.x + window.width {
            let at = 3 * within(x, w);
            codes.extend(row[at..at + 3].iter().map(|c| u16::from(*c)));
        }
    }
    codes
}
