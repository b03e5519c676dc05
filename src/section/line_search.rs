//! What every search for lines looks at: log transmission on cells and its answers to lines.

use ndarray::Array2;

use crate::section::cells::shrink;
use crate::section::plane_light::PlaneLight;
use crate::section::ridge::RidgeBasis;

/// Side of a cell of the narrow search, µm.
const CELL_UM: f64 = 1.6;
/// Side of a cell of a second search, for wide lines, µm.
pub(crate) const WIDE_CELL_UM: f64 = 3.4;
/// Stretch of a straight line that is searched for, cells; a field of less than two of them each way is not searched.
pub(crate) const STRETCH: usize = 48;
/// Half the side of the square that the local scatter is taken over, cells.
const REACH: usize = 30;
/// Scatter below which a response is noise, log units.
const FLOOR: f32 = 0.018;

/// Log transmission on the cells of one search.
pub(crate) struct LineSearch {
    pub(crate) log: Array2<f32>,
    pub(crate) basis: RidgeBasis,
    /// Side of a cell, pixels.
    pub(crate) bin: usize,
}

impl LineSearch {
    /// On cells of `bin` pixels; None where the field is too small.
    pub(crate) fn of(light: &PlaneLight, bin: usize) -> Option<Self> {
        let log = shrink(&light.fine, bin);
        if log.dim().0 < 2 * STRETCH || log.dim().1 < 2 * STRETCH {
            return None;
        }
        let basis = RidgeBasis::of(&log, REACH, FLOOR);
        Some(Self { log, basis, bin })
    }

    /// Place in cells of a pixel.
    pub(crate) fn cell(&self, px: f64) -> f64 {
        (px - (self.bin as f64 - 1.0) / 2.0) / self.bin as f64
    }

    /// Pixel of a place in cells.
    pub(crate) fn px(&self, cell: f64) -> f64 {
        cell * self.bin as f64 + (self.bin as f64 - 1.0) / 2.0
    }
}

/// Cells that are about `um` wide, pixels.
pub(crate) fn bin_of(um: f64, um_per_px: f64) -> usize {
    ((um / um_per_px).round() as usize).max(1)
}

/// Cells of the two searches for scratches, pixels.
pub(crate) fn line_bins(um_per_px: f64) -> [usize; 2] {
    let narrow = bin_of(CELL_UM, um_per_px);
    [narrow, bin_of(WIDE_CELL_UM, um_per_px).max(narrow + 1)]
}
