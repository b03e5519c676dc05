//! Finds where each crossed photograph lies on the plane one: a global search, then pieces of the field.

use std::sync::OnceLock;

use ndarray::{Array2, Axis, Slice};
use rayon::prelude::*;

use crate::register::Placement;
use crate::register::correlate::Spectrum;
use crate::register::drawing::Drawing;
use crate::register::grid::centre;
use crate::vectors::{Wide, wide};

/// Side of a piece of the field, cells of the fine drawing.
const PIECE: usize = 256;

/// Pieces along either side, at the most: a shift needs few, a turn needs them far apart.
const PIECES_STILL: usize = 3;
/// See [`PIECES_STILL`].
const PIECES_TURNED: usize = 5;

/// A peak lower than this may be chance: the highest of some thousand normal values lies near 4.
pub(crate) const SURE: f64 = 5.5;

/// Peaks of pieces below this are left out of the fit.
const PIECE_SURE: f64 = 5.0;

/// How far a photograph may be shifted when the picture stays still, share of its longer side, and at least in pixels.
const STILL_REACH: (f64, f64) = (0.02, 24.0);

/// How far the pivot of a stage may throw the picture, share of its longer side.
const TURNED_REACH: f64 = 0.15;

/// Errors of a stated stage angle that are tried to tell the sense, degrees.
pub(crate) const ROUGH_ERRORS: [f64; 3] = [0.0, 0.7, -0.7];

/// Further errors that are tried once the sense is known, degrees.
pub(crate) const FINE_ERRORS: [f64; 6] = [0.35, -0.35, 1.05, -1.05, 1.4, -1.4];

/// A photograph's outlines, ready to be compared with.
pub(crate) struct Base {
    fine: Drawing,
    by: usize,
    spectrum: Spectrum,
    size: [f64; 2],
    /// Pieces for a picture that stayed still and for one that turned, made when first asked for.
    pieces: [OnceLock<Vec<BasePiece>>; 2],
}

/// A piece of a photograph's outlines.
struct BasePiece {
    /// Its first cell, (y, x).
    corner: [usize; 2],
    spectrum: Spectrum,
}

impl Base {
    /// From the outlines of a photograph of `width` by `height` pixels; `search` cells along the longer side of the
    /// search over the whole frame, at the most.
    pub(crate) fn new(fine: Drawing, [width, height]: [usize; 2], search: usize) -> Self {
        let by = fine.strength.nrows().max(fine.strength.ncols()).div_ceil(search).max(1);
        let spectrum = Spectrum::of(&fine.coarser(by).strength.view());
        Self { fine, by, spectrum, size: [width as f64, height as f64], pieces: [OnceLock::new(), OnceLock::new()] }
    }

    fn longer(&self) -> f64 {
        self.size[0].max(self.size[1])
    }

    /// Searches the shift at one turn (radians, image coordinates).
    fn at_turn(&self, coarse: &Drawing, turn: f64, reach_px: f64) -> Placement {
        let start = Placement { turn, shift: [0.0, 0.0], peak: 0.0 };
        let bin = coarse.bin as f64;
        let turned = if turn == 0.0 {
            self.spectrum.peak(&Spectrum::of(&coarse.strength.view()), reach_px / bin)
        } else {
            let picture = sampled(coarse, &start, self.size, coarse.strength.dim(), [0.0, 0.0]);
            self.spectrum.peak(&Spectrum::of(&picture.view()), reach_px / bin)
        };
        Placement { peak: turned.height, ..moved(&start, turned.shift.map(|s| s * bin), 0.0) }
    }

    /// Placement of a picture that stays still but for a shift of up to `reach_px`.
    pub(crate) fn still_within(&self, drawing: &Drawing, reach_px: f64) -> Placement {
        let found = self.at_turn(&drawing.coarser(self.by), 0.0, reach_px);
        if found.peak < SURE { found } else { self.refined(drawing, found, false) }
    }

    /// Placement when the picture stays still.
    pub(crate) fn still(&self, drawing: &Drawing) -> Placement {
        let found = self.still_roughly(drawing);
        if found.peak < SURE { found } else { self.refined(drawing, found, false) }
    }

    /// Placement when the picture stays still, from the global search alone.
    pub(crate) fn still_roughly(&self, drawing: &Drawing) -> Placement {
        self.at_turn(&drawing.coarser(self.by), 0.0, still_reach(self.longer()))
    }

    /// Placement when the picture turned by about `turn` (radians): the best over small errors of the angle, degrees.
    ///
    /// # Panics
    /// When there are no errors to try.
    pub(crate) fn turned(&self, drawing: &Drawing, turn: f64, errors: &[f64]) -> Placement {
        let coarse = drawing.coarser(self.by);
        errors
            .par_iter()
            .map(|error| self.at_turn(&coarse, turn + error.to_radians(), TURNED_REACH * self.longer()))
            .max_by(|a, b| a.peak.total_cmp(&b.peak))
            .expect("there are turns to try")
    }

    /// Improves a placement piece by piece: every piece gives a shift, and together they give shift and turn.
    pub(crate) fn refined(&self, drawing: &Drawing, found: Placement, may_turn: bool) -> Placement {
        let mut placement = found;
        for _ in 0..3 {
            let pieces = self.residuals(drawing, &placement, may_turn);
            if pieces.len() < if may_turn { 3 } else { 1 } {
                break;
            }
            let (shift, turn) = rigid_fit(&pieces, may_turn);
            placement = moved(&placement, shift, turn);
            if shift[0].hypot(shift[1]) < 0.02 && turn.abs() * self.longer() < 0.05 {
                break;
            }
        }
        let strayed = (placement.shift[0] - found.shift[0]).hypot(placement.shift[1] - found.shift[1]);
        if strayed > 4.0 * (self.by * self.fine.bin) as f64 { found } else { placement }
    }

    /// Side of a piece, cells.
    fn piece_side(&self) -> usize {
        let (h, w) = self.fine.strength.dim();
        PIECE.min(h).min(w)
    }

    /// The pieces that a photograph is laid on: more of them where it may have turned.
    fn pieces(&self, may_turn: bool) -> &[BasePiece] {
        self.pieces[usize::from(may_turn)].get_or_init(|| {
            let (h, w) = self.fine.strength.dim();
            let side = self.piece_side();
            let most = if may_turn { PIECES_TURNED } else { PIECES_STILL };
            let starts = |n: usize| {
                let count = (n / (side / 2).max(1)).clamp(1, most);
                (0..count).map(move |k| if count == 1 { (n - side) / 2 } else { k * (n - side) / (count - 1) })
            };
            let corners: Vec<[usize; 2]> = starts(h).flat_map(|y| starts(w).map(move |x| [y, x])).collect();
            corners
                .into_par_iter()
                .map(|[y, x]| {
                    let rows = self.fine.strength.slice_axis(Axis(0), Slice::from(y..y + side));
                    let piece = rows.slice_axis(Axis(1), Slice::from(x..x + side));
                    BasePiece { corner: [y, x], spectrum: Spectrum::of(&piece) }
                })
                .collect()
        })
    }

    /// Residual shifts of pieces spread over the field, pixels, relative to its centre.
    fn residuals(&self, drawing: &Drawing, placement: &Placement, may_turn: bool) -> Vec<Piece> {
        let bin = self.fine.bin as f64;
        let side = self.piece_side();
        let [cx, cy] = centre(self.size[0] as usize, self.size[1] as usize);
        self.pieces(may_turn)
            .par_iter()
            .filter_map(|piece| {
                let [y, x] = piece.corner;
                let other = sampled(drawing, placement, self.size, (side, side), [x as f64, y as f64]);
                let peak = piece.spectrum.peak(&Spectrum::of(&other.view()), 12.0_f64.min(side as f64 / 8.0));
                let middle = |start: usize| (start as f64 + (side as f64 - 1.0) / 2.0) * bin + (bin - 1.0) / 2.0;
                (peak.height > PIECE_SURE).then(|| Piece {
                    at: [middle(x) - cx, middle(y) - cy],
                    shift: peak.shift.map(|s| s * bin),
                    weight: (peak.height - PIECE_SURE).min(10.0) + 0.5,
                })
            })
            .collect()
    }
}

/// A piece of the field with its residual shift.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Piece {
    /// Its middle, pixels from the field's centre.
    pub(crate) at: [f64; 2],
    pub(crate) shift: [f64; 2],
    pub(crate) weight: f64,
}

/// How far a photograph may be shifted when the picture stays still, pixels; `longer` is its longer side.
pub(crate) fn still_reach(longer: f64) -> f64 {
    (STILL_REACH.0 * longer).max(STILL_REACH.1)
}

/// Shift and small turn (radians) of the pieces: weighted least squares, pieces that disagree weighing less (Cauchy).
pub(crate) fn rigid_fit(pieces: &[Piece], may_turn: bool) -> ([f64; 2], f64) {
    let median = |values: Vec<f64>| {
        let mut values = values;
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let mut shift = [0, 1].map(|c| median(pieces.iter().map(|p| p.shift[c]).collect()));
    let mut turn = 0.0;
    for round in 0..12 {
        let residual =
            |p: &Piece| (p.shift[0] - shift[0] + turn * p.at[1]).hypot(p.shift[1] - shift[1] - turn * p.at[0]);
        // Wide at first, since a turn not yet fitted is no disagreement.
        let typical = median(pieces.iter().map(residual).collect()).max(0.1);
        let width = if round < 2 && may_turn { 6.0 * typical } else { 2.0 * typical };
        let weights: Vec<f64> = pieces.iter().map(|p| p.weight / (1.0 + (residual(p) / width).powi(2))).collect();
        let total: f64 = weights.iter().sum();
        let mean = |f: &dyn Fn(&Piece) -> f64| pieces.iter().zip(&weights).map(|(p, w)| w * f(p)).sum::<f64>() / total;
        let (mx, my) = (mean(&|p| p.at[0]), mean(&|p| p.at[1]));
        let (sx, sy) = (mean(&|p| p.shift[0]), mean(&|p| p.shift[1]));
        if may_turn {
            let cross = mean(&|p| (p.at[0] - mx) * (p.shift[1] - sy) - (p.at[1] - my) * (p.shift[0] - sx));
            let spread = mean(&|p| (p.at[0] - mx).powi(2) + (p.at[1] - my).powi(2));
            turn = if spread > 0.0 { cross / spread } else { 0.0 };
        }
        shift = [sx + turn * my, sy - turn * mx];
    }
    (shift, turn)
}

/// The placement after a residual found on the grid: what should lie at x lies at x + shift + turn × (x - centre).
fn moved(placement: &Placement, shift: [f64; 2], turn: f64) -> Placement {
    let (sin, cos) = placement.turn.sin_cos();
    Placement {
        turn: placement.turn + turn,
        shift: [
            placement.shift[0] + cos * shift[0] - sin * shift[1],
            placement.shift[1] + sin * shift[0] + cos * shift[1],
        ],
        peak: placement.peak,
    }
}

/// A drawing looked up through a placement on a piece of the grid: `dim` cells from cell `start`; nothing outside.
fn sampled(
    drawing: &Drawing,
    placement: &Placement,
    size: [f64; 2],
    dim: (usize, usize),
    start: [f64; 2],
) -> Array2<f32> {
    let bin = drawing.bin as f64;
    let half = (bin - 1.0) / 2.0;
    let middle = centre(size[0] as usize, size[1] as usize);
    let (h, w) = drawing.strength.dim();
    let (sin, cos) = placement.turn.sin_cos();
    let mut out = Array2::zeros(dim);
    let drawn = drawing.strength.as_slice().expect("standard layout");
    for (i, mut row) in out.rows_mut().into_iter().enumerate() {
        let first = placement.map([start[0] * bin + half, (start[1] + i as f64) * bin + half], middle);
        let from = [(first[0] - half) / bin, (first[1] - half) / bin];
        let out = row.as_slice_mut().expect("standard layout");
        wide(AlongRow { drawn, dim: [h, w], from, step: [cos, sin], out });
    }
    out
}

/// Cells of a row that are looked up at a time.
const CELLS: usize = 16;

/// What is drawn between the cells along a row; zero outside.
struct AlongRow<'a> {
    drawn: &'a [f32],
    /// Rows and columns of the drawing.
    dim: [usize; 2],
    from: [f64; 2],
    step: [f64; 2],
    out: &'a mut [f32],
}

impl Wide for AlongRow<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { drawn, dim: [h, w], from: [x0, y0], step: [cos, sin], out } = self;
        if h < 2 || w < 2 || i32::try_from(drawn.len()).is_err() {
            return;
        }
        let last = (drawn.len() - w - 2) as i32;
        // A few cells at a time: where they are, then what is there, then what lies between. Of these only the second is not done many
        // at a time.
        for (part, out) in out.chunks_mut(CELLS).enumerate() {
            let (mut at, mut fx, mut fy) = ([0_i32; CELLS], [0.0_f32; CELLS], [0.0_f32; CELLS]);
            let mut outside = [false; CELLS];
            for k in 0..CELLS {
                let j = f64::from((part * CELLS + k) as i32);
                let (x, y) = (x0 + cos * j, y0 + sin * j);
                outside[k] = (x < 0.0) | (y < 0.0) | (x >= (w - 1) as f64) | (y >= (h - 1) as f64);
                let (ix, iy) = (x as i32, y as i32);
                (fx[k], fy[k]) = ((x - f64::from(ix)) as f32, (y - f64::from(iy)) as f32);
                at[k] = iy.wrapping_mul(w as i32).wrapping_add(ix).clamp(0, last);
            }
            let mut corners = [[0.0_f32; CELLS]; 4];
            for k in 0..CELLS {
                let at = at[k] as usize;
                let (above, below) = (&drawn[at..at + 2], &drawn[at + w..at + w + 2]);
                (corners[0][k], corners[1][k]) = (above[0], above[1]);
                (corners[2][k], corners[3][k]) = (below[0], below[1]);
            }
            let [a, b, c, d] = corners;
            let mut cells = [0.0_f32; CELLS];
            for k in 0..CELLS {
                let top = a[k] * (1.0 - fx[k]) + b[k] * fx[k];
                let bottom = c[k] * (1.0 - fx[k]) + d[k] * fx[k];
                let between = top * (1.0 - fy[k]) + bottom * fy[k];
                cells[k] = if outside[k] { 0.0 } else { between };
            }
            out.copy_from_slice(&cells[..out.len()]);
        }
    }
}
