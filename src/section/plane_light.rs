//! The plane light of one field made ready for looking: flattened log transmission and tint.

use ndarray::Array2;
use rayon::prelude::*;

use crate::register::still_light;
use crate::section::cells::{sample, shrink};
use crate::section::white::{White, WhiteSamples};
use crate::slide::photograph::{LinearPlanes, Photograph};
use crate::units::MicrometresPerPixel;

/// Scale that lengths are taken at where none is known, µm per pixel: a usual camera behind a 10x objective.
pub const USUAL_UM_PER_PX: f64 = 1.6;
/// Side of a coarse cell, µm: small against the smallest bubble that matters (25 µm), large against specks.
const CELL_UM: f64 = 2.6;
/// Darkest log transmission that is told apart: three per cent of full light; below it noise rules.
pub const BLACK: f32 = -3.5;

/// Log transmission of a field in plane light, at full resolution and in coarse cells.
pub struct PlaneLight {
    /// Scale used, µm per pixel: the field's, or the usual one.
    pub um_per_px: f64,
    /// Whether that scale is known.
    pub scale_known: bool,
    /// Log transmission in the least absorbed channel at full resolution, [`BLACK`]..; 0 is clear.
    pub fine: Array2<f32>,
    /// Side of a coarse cell, pixels.
    pub bin: usize,
    /// Log transmission in the least absorbed channel, coarse cells.
    pub coarse: Array2<f32>,
    /// ln(red / green) and ln(blue / green) of the transmission, coarse cells.
    pub tint: [Array2<f32>; 2],
    /// Linear R, G, B of the photograph itself, coarse cells: what crossed light is taken over.
    pub(crate) unflattened: [Array2<f32>; 3],
    /// Boxes (x0, y0, x1, y1, pixels) of ink that a camera program burnt in.
    pub burnt: Vec<[f64; 4]>,
}

impl PlaneLight {
    /// Of a plane photograph.
    #[must_use]
    pub fn of(photograph: &Photograph, scale: Option<MicrometresPerPixel>) -> Self {
        Self::from_planes(&still_light(photograph, 1), scale.map(MicrometresPerPixel::um_per_px))
    }

    /// From linear light.
    #[must_use]
    pub fn from_planes(plane: &LinearPlanes, um_per_px: Option<f64>) -> Self {
        let (height, width) = plane.dim();
        let samples = WhiteSamples::new([width, height]).of(&plane.rgb);
        Self::flattened(plane, um_per_px, &White::fit(&samples), [0, 0])
    }

    /// With the light field of the lamp taken out; `at` is where this part's upper left corner lies in the field of `white`.
    pub(crate) fn flattened(plane: &LinearPlanes, um_per_px: Option<f64>, white: &White, at: [usize; 2]) -> Self {
        let bin = coarse_bin(um_per_px);
        let (height, width) = plane.dim();
        let (rows, columns) = (height / bin, width / bin);
        let mut fine = Array2::<f32>::zeros((height, width));
        let (mut coarse, mut red, mut blue) = (
            Array2::<f32>::zeros((rows, columns)),
            Array2::<f32>::zeros((rows, columns)),
            Array2::<f32>::zeros((rows, columns)),
        );
        let samples = plane.rgb.each_ref().map(|p| p.as_slice().expect("standard layout"));
        let floor = BLACK.exp();
        let band = bin * width;
        let whole = rows * band;
        let (banded, rest) = fine.as_slice_mut().expect("standard layout").split_at_mut(whole);
        banded
            .par_chunks_mut(band.max(1))
            .zip(coarse.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)))
            .zip(red.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)))
            .zip(blue.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)))
            .enumerate()
            .for_each(|(j, (((fine, coarse), red), blue))| {
                let mut sums = vec![[0.0_f32; 3]; columns];
                let mut inverse = [vec![0.0_f32; width], vec![0.0_f32; width], vec![0.0_f32; width]];
                for k in 0..bin {
                    let y = j * bin + k;
                    for (c, inverse) in inverse.iter_mut().enumerate() {
                        white.inverse_row(c, at, y, inverse);
                    }
                    let row = &mut fine[k * width..(k + 1) * width];
                    for (x, out) in row.iter_mut().enumerate() {
                        let i = y * width + x;
                        let t = [
                            samples[0][i] * inverse[0][x],
                            samples[1][i] * inverse[1][x],
                            samples[2][i] * inverse[2][x],
                        ];
                        *out = t[0].max(t[1]).max(t[2]).max(floor).ln();
                        if let Some(s) = sums.get_mut(x / bin) {
                            for c in 0..3 {
                                s[c] += t[c];
                            }
                        }
                    }
                }
                let n = (bin * bin) as f32;
                for (x, s) in sums.iter().enumerate() {
                    let t = s.map(|v| (v / n).max(floor));
                    coarse[x] = t[0].max(t[1]).max(t[2]).ln();
                    red[x] = (t[0] / t[1]).ln();
                    blue[x] = (t[2] / t[1]).ln();
                }
            });
        // Rows below the last whole band.
        let mut inverse = vec![0.0_f32; width];
        for (k, row) in rest.chunks_mut(width.max(1)).enumerate() {
            let y = rows * bin + k;
            row.fill(floor);
            for (c, samples) in samples.iter().enumerate() {
                white.inverse_row(c, at, y, &mut inverse);
                for (x, out) in row.iter_mut().enumerate() {
                    *out = out.max(samples[y * width + x] * inverse[x]);
                }
            }
            row.iter_mut().for_each(|v| *v = v.ln());
        }

        Self {
            um_per_px: um_per_px.unwrap_or(USUAL_UM_PER_PX),
            scale_known: um_per_px.is_some(),
            burnt: crate::section::burnt::boxes(&fine, white.width()),
            fine,
            bin,
            coarse,
            tint: [red, blue],
            unflattened: plane.rgb.each_ref().map(|p| shrink(p, bin)),
        }
    }

    /// Pixels of a length in µm.
    #[must_use]
    pub fn px(&self, um: f64) -> f64 {
        um / self.um_per_px
    }

    /// ln(red / green) (channel 0) or ln(blue / green) (1) at a pixel, bilinear; None outside.
    pub(crate) fn tint_at(&self, channel: usize, px: [f64; 2]) -> Option<f64> {
        let [x, y] = px.map(|v| (v + 0.5) / self.bin as f64 - 0.5);
        sample(&self.tint[channel], x, y).map(f64::from)
    }

    /// Coarse cell of a pixel position, as (column, row), clamped to the grid.
    #[must_use]
    pub fn cell(&self, x_px: f64, y_px: f64) -> (usize, usize) {
        let (rows, columns) = self.coarse.dim();
        let at = |v: f64, n: usize| (((v + 0.5) / self.bin as f64).floor().max(0.0) as usize).min(n.saturating_sub(1));
        (at(x_px, columns), at(y_px, rows))
    }
}

/// A field of more pixels is given more of what is bounded a field. House value: four megapixels.
const USUAL_FIELD_PX: f64 = 4e6;

/// A number that is bounded a field, in proportion to the pixels of a field that is larger than usual.
pub(crate) fn in_proportion(most: usize, light: &PlaneLight) -> usize {
    let (rows, columns) = light.coarse.dim();
    let pixels = (rows * columns * light.bin * light.bin) as f64;
    (most as f64 * (pixels / USUAL_FIELD_PX).max(1.0)).round() as usize
}

/// Side of a coarse cell for a scale, pixels.
#[must_use]
pub fn coarse_bin(um_per_px: Option<f64>) -> usize {
    ((CELL_UM / um_per_px.unwrap_or(USUAL_UM_PER_PX)).round() as usize).clamp(1, 8)
}
