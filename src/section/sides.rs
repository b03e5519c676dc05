//! The colours of the crossed pictures beside a line, by which crystals are told apart.

use rayon::prelude::*;

use crate::section::light_field::FieldLight;

/// Crossed pictures as one vector a coarse cell, for telling crystals apart.
pub(crate) struct CrossedColours {
    /// Channel after channel of a cell, cell after cell: one place is read at once.
    cells: Vec<f32>,
    channels: usize,
    rows: usize,
    columns: usize,
    /// Side of a coarse cell, pixels.
    bin: usize,
}

impl CrossedColours {
    /// Of a field: roots of crossed over plane light, 1 for bright crystals.
    pub(crate) fn of(light: &FieldLight) -> Self {
        let (rows, columns) = light.plane.coarse.dim();
        let planes: Vec<(&[f32], f32)> = light
            .crossed
            .iter()
            .zip(&light.levels.beside)
            .flat_map(|(r, bright)| r.iter().map(move |c| (c.as_slice().expect("standard layout"), *bright)))
            .collect();
        let channels = planes.len();
        let mut cells = vec![0.0_f32; channels * rows * columns];
        cells.par_chunks_mut((channels * columns).max(1)).enumerate().for_each(|(y, row)| {
            for (k, (plane, bright)) in planes.iter().enumerate() {
                let from = &plane[y * columns..(y + 1) * columns];
                for (to, v) in row[k..].iter_mut().step_by(channels).zip(from) {
                    *to = (v / bright).max(0.0).sqrt().min(1.5);
                }
            }
        });
        Self { cells, channels, rows, columns, bin: light.plane.bin }
    }

    /// As a line search on cells of `bin` pixels sees them.
    pub(crate) fn sides(&self, bin: usize) -> Sides<'_> {
        let ratio = bin as f64 / self.bin as f64;
        Sides { colours: self, ratio, offset: (ratio - 1.0) / 2.0 }
    }
}

/// Crossed colours at places given in cells of a line search.
#[derive(Clone, Copy)]
pub(crate) struct Sides<'a> {
    colours: &'a CrossedColours,
    /// Coarse cells per cell of the line search.
    ratio: f64,
    offset: f64,
}

impl Sides<'_> {
    /// Colours at a point; None outside.
    pub(crate) fn at(&self, p: [f64; 2]) -> Option<Vec<f32>> {
        let mut colours = vec![0.0; self.colours.channels];
        self.add(p, &mut colours).then_some(colours)
    }

    /// Mean of the colours at some points; None when one of them lies outside.
    pub(crate) fn mean(&self, points: impl ExactSizeIterator<Item = [f64; 2]>) -> Option<Vec<f32>> {
        let count = points.len() as f32;
        let mut sum = vec![0.0; self.colours.channels];
        for p in points {
            if !self.add(p, &mut sum) {
                return None;
            }
        }
        sum.iter_mut().for_each(|v| *v /= count);
        Some(sum)
    }

    /// Adds the colours at a point, bilinear between cells; whether it lies inside.
    fn add(&self, p: [f64; 2], to: &mut [f32]) -> bool {
        let CrossedColours { cells, channels, rows, columns, .. } = self.colours;
        let [x, y] = p.map(|v| v * self.ratio + self.offset);
        if !(x >= 0.0 && y >= 0.0) || x > (columns - 1) as f64 || y > (rows - 1) as f64 {
            return *channels == 0;
        }
        let (i, j) =
            ((x as u32).min((*columns as u32).saturating_sub(2)), (y as u32).min((*rows as u32).saturating_sub(2)));
        let (u, v) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
        let (i, j) = (i as usize, j as usize);
        let above = &cells[(j * columns + i) * channels..][..2 * channels];
        let below = &cells[((j + 1) * columns + i) * channels..][..2 * channels];
        let (above, below) = (above.split_at(*channels), below.split_at(*channels));
        let corners = above.0.iter().zip(above.1).zip(below.0).zip(below.1);
        for (to, (((a, b), c), d)) in to.iter_mut().zip(corners) {
            let top = a + (b - a) * u;
            let bottom = c + (d - c) * u;
            *to += top + (bottom - top) * v;
        }
        true
    }
}
