//! The light of one field made ready for looking: flattened log transmission, tint, and what stays out between crossed polars.

use ndarray::Array2;
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::section::white::{White, WhiteSamples};
use crate::slide::photograph::{LinearPlanes, mask};

/// Scale that lengths are taken at where none is known, µm per pixel: a usual camera behind a 10x objective.
pub const USUAL_UM_PER_PX: f64 = 1.6;
/// Side of a coarse cell, µm: small against the smallest bubble that matters (25 µm), large against specks.
const CELL_UM: f64 = 2.6;
/// Darkest log transmission that is told apart: three per cent of full light; below it noise rules.
pub const BLACK: f32 = -3.5;

/// Log transmission of a field in plane light, at full resolution and in coarse cells, with its crossed pictures in the same cells.
pub struct FieldLight {
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
    /// Crossed over plane of each crossed photograph, coarse cells, linear R, G, B, on the photograph's own scale.
    pub crossed: Vec<[Array2<f32>; 3]>,
    /// Largest of the crossed pictures' brightness per cell: 0 as dark as the darkest of the field, 1 as its bright crystals.
    pub lit: Array2<f32>,
    /// What dark and bright is between crossed polars, over the whole field.
    pub(crate) levels: CrossedLevels,
    /// Boxes (x0, y0, x1, y1, pixels) of ink that a camera program burnt in.
    pub burnt: Vec<[f64; 4]>,
    /// Cells that no crossed picture covers whole.
    pub outside: Array2<bool>,
    /// Pairwise widest difference of the crossed angles, degrees, 0..=45; 0 for a single one.
    pub angle_spread_deg: f64,
}

impl FieldLight {
    /// From a registered field.
    #[must_use]
    pub fn of(stack: &FieldStack) -> Self {
        let um_per_px = stack.scale.map(crate::units::MicrometresPerPixel::um_per_px);
        let bin = coarse_bin(um_per_px);
        let (plane, crossed) = rayon::join(
            || stack.plane_light(1),
            || (0..stack.crossed.len()).into_par_iter().map(|i| stack.crossed_light(i, bin)).collect::<Vec<_>>(),
        );
        let angles: Vec<f64> = stack.crossed.iter().map(|c| c.angle.deg()).collect();
        Self::from_planes(&plane, &crossed, &angles, um_per_px)
    }

    /// A window of a field, by what was found over all of it: `at` is its upper left corner.
    #[must_use]
    pub(crate) fn within(stack: &FieldStack, white: &White, levels: Option<&CrossedLevels>, at: [usize; 2]) -> Self {
        let um_per_px = stack.scale.map(crate::units::MicrometresPerPixel::um_per_px);
        let bin = coarse_bin(um_per_px);
        let plane = stack.plane_light(1);
        let crossed: Vec<LinearPlanes> = (0..stack.crossed.len()).map(|i| stack.crossed_light(i, bin)).collect();
        let angles: Vec<f64> = stack.crossed.iter().map(|c| c.angle.deg()).collect();
        Self::flattened(&plane, &crossed, &angles, um_per_px, (white, at), levels)
    }

    /// From linear light: plane light whole, crossed pictures binned by [`coarse_bin`].
    ///
    /// # Panics
    /// When the crossed pictures are not on the coarse grid of the plane one.
    #[must_use]
    pub fn from_planes(
        plane: &LinearPlanes,
        crossed: &[LinearPlanes],
        angles_deg: &[f64],
        um_per_px: Option<f64>,
    ) -> Self {
        let (height, width) = plane.dim();
        let samples = WhiteSamples::new([width, height]).of(&plane.rgb);
        let white = White::fit(&samples);
        Self::flattened(plane, crossed, angles_deg, um_per_px, (&white, [0, 0]), None)
    }

    /// With the light field taken out; `levels` are found in the picture itself where none are given.
    fn flattened(
        plane: &LinearPlanes,
        crossed: &[LinearPlanes],
        angles_deg: &[f64],
        um_per_px: Option<f64>,
        (white, at): (&White, [usize; 2]),
        levels: Option<&CrossedLevels>,
    ) -> Self {
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

        let binned_plane = bin_planes(plane, bin);
        let ratios: Vec<[Array2<f32>; 3]> = crossed
            .par_iter()
            .map(|x| {
                std::array::from_fn(|c| {
                    assert_eq!(x.rgb[c].dim(), (rows, columns), "crossed pictures on the coarse grid");
                    let mut r = x.rgb[c].clone();
                    r.zip_mut_with(&binned_plane[c], |r, p| *r /= p.max(0.02));
                    r
                })
            })
            .collect();
        let mut outside = Array2::from_elem((rows, columns), false);
        for x in crossed {
            outside.zip_mut_with(&x.mask, |o, m| *o |= m & mask::OUTSIDE != 0);
        }
        let sums = smoothed_sums(&ratios);
        let levels = levels.cloned().unwrap_or_else(|| CrossedLevels::of(&ratios, &sums, &outside));
        let lit = levels.lit(&sums, outside.dim());
        let mut spread = 0.0_f64;
        for a in angles_deg {
            for b in angles_deg {
                let d = (a - b).rem_euclid(90.0);
                spread = spread.max(d.min(90.0 - d));
            }
        }
        Self {
            um_per_px: um_per_px.unwrap_or(USUAL_UM_PER_PX),
            scale_known: um_per_px.is_some(),
            burnt: crate::section::burnt::boxes(&fine, white.width()),
            fine,
            bin,
            coarse,
            tint: [red, blue],
            crossed: ratios,
            lit,
            levels,
            outside,
            angle_spread_deg: spread,
        }
    }

    /// Pixels of a length in µm.
    #[must_use]
    pub fn px(&self, um: f64) -> f64 {
        um / self.um_per_px
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
pub(crate) fn in_proportion(most: usize, light: &FieldLight) -> usize {
    let (rows, columns) = light.coarse.dim();
    let pixels = (rows * columns * light.bin * light.bin) as f64;
    (most as f64 * (pixels / USUAL_FIELD_PX).max(1.0)).round() as usize
}

/// Side of a coarse cell for a scale, pixels.
#[must_use]
pub fn coarse_bin(um_per_px: Option<f64>) -> usize {
    ((CELL_UM / um_per_px.unwrap_or(USUAL_UM_PER_PX)).round() as usize).clamp(1, 8)
}

/// Mean of each channel over b by b pixels.
fn bin_planes(plane: &LinearPlanes, bin: usize) -> [Array2<f32>; 3] {
    plane.rgb.each_ref().map(|p| shrink(p, bin))
}

/// Mean over `by` by `by` cells; an incomplete last row or column is dropped.
#[must_use]
pub fn shrink(a: &Array2<f32>, by: usize) -> Array2<f32> {
    if by == 1 {
        return a.clone();
    }
    let (height, width) = a.dim();
    let (rows, columns) = (height / by, width / by);
    let mut out = Array2::<f32>::zeros((rows, columns));
    let source = a.as_slice().expect("standard layout");
    let scale = 1.0 / (by * by) as f32;
    out.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(j, row)| {
        for k in 0..by {
            let line = &source[(j * by + k) * width..];
            for (x, out) in row.iter_mut().enumerate() {
                *out += line[x * by..x * by + by].iter().sum::<f32>() * scale;
            }
        }
    });
    out
}

/// What dark and bright is between crossed polars, over a whole field.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CrossedLevels {
    /// Sum of channels of the bright crystals in each crossed picture.
    bright: Vec<f32>,
    /// Darkest and bright of the brightest of the pictures, each over its bright crystals.
    range: [f32; 2],
    /// Green of the darkest and of bright crystals in each picture.
    pub(crate) green: Vec<[f32; 2]>,
    /// Green of bright crystals in each picture, by which colours beside a line are told.
    pub(crate) beside: Vec<f32>,
}

impl CrossedLevels {
    /// Of crossed over plane light and its [`smoothed_sums`].
    pub(crate) fn of(ratios: &[[Array2<f32>; 3]], sums: &[Array2<f32>], outside: &Array2<bool>) -> Self {
        // Exposure and gain differ from picture to picture where nothing says otherwise; the bright crystals are common.
        let bright: Vec<f32> = sums.iter().map(|s| percentile(s, outside, 0.95).max(1e-4)).collect();
        let brightest = brightest(sums, &bright, outside.dim());
        let low = percentile(&brightest, outside, 0.002);
        let high = percentile(&brightest, outside, 0.9).max(low + 1e-4);
        let green = ratios
            .iter()
            .map(|x| {
                let mut all: Vec<f32> = x[1].iter().step_by(13).copied().collect();
                if all.is_empty() {
                    return [0.0, 1.0];
                }
                let at = all.len() * 9 / 10;
                let bright = *all.select_nth_unstable_by(at, f32::total_cmp).1;
                let at = all.len() / 100;
                [*all.select_nth_unstable_by(at, f32::total_cmp).1, bright]
            })
            .collect();
        let beside = ratios
            .iter()
            .map(|r| {
                let mut v: Vec<f32> = r[1].iter().step_by(11).copied().collect();
                let at = v.len().saturating_sub(1) * 9 / 10;
                if v.is_empty() { 1.0 } else { v.select_nth_unstable_by(at, f32::total_cmp).1.max(1e-4) }
            })
            .collect();
        Self { bright, range: [low, high], green, beside }
    }

    /// Brightest of the crossed pictures at every cell, between the field's darkest (0) and its bright crystals (1).
    pub(crate) fn lit(&self, sums: &[Array2<f32>], dim: (usize, usize)) -> Array2<f32> {
        let [low, high] = self.range;
        let mut brightest = brightest(sums, &self.bright, dim);
        brightest.mapv_inplace(|b| (b - low) / (high - low));
        brightest
    }
}

/// Each crossed picture's channels summed and smoothed over 3 by 3 cells, so that noise does not light a hole.
pub(crate) fn smoothed_sums(ratios: &[[Array2<f32>; 3]]) -> Vec<Array2<f32>> {
    ratios
        .iter()
        .map(|r| {
            let mut sum = &r[0] + &r[1];
            sum += &r[2];
            box_mean(&sum, 1)
        })
        .collect()
}

fn brightest(sums: &[Array2<f32>], tops: &[f32], dim: (usize, usize)) -> Array2<f32> {
    let mut brightest = Array2::<f32>::zeros(dim);
    for (sum, top) in sums.iter().zip(tops) {
        brightest.zip_mut_with(sum, |b, s| *b = b.max(s / top));
    }
    brightest
}

/// Quantile of the cells that are not outside, from a seventh of them.
fn percentile(a: &Array2<f32>, outside: &Array2<bool>, p: f64) -> f32 {
    let mut v: Vec<f32> = a.iter().zip(outside).step_by(7).filter(|(_, o)| !**o).map(|(v, _)| *v).collect();
    if v.is_empty() {
        return 0.0;
    }
    let at = ((v.len() - 1) as f64 * p).round() as usize;
    *v.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Mean over a square of side 2·reach + 1, truncated at the frame.
#[must_use]
pub fn box_mean(a: &Array2<f32>, reach: usize) -> Array2<f32> {
    let (rows, columns) = a.dim();
    let mut across = Array2::<f32>::zeros((rows, columns));
    let source = a.as_slice().expect("standard layout");
    across.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(y, out)| {
        let line = &source[y * columns..(y + 1) * columns];
        let mut sum = 0.0_f64;
        for v in &line[..reach.min(columns)] {
            sum += f64::from(*v);
        }
        for x in 0..columns {
            if x + reach < columns {
                sum += f64::from(line[x + reach]);
            }
            if x > reach {
                sum -= f64::from(line[x - reach - 1]);
            }
            let n = (x + reach).min(columns - 1) + 1 - x.saturating_sub(reach);
            out[x] = (sum / n as f64) as f32;
        }
    });
    // Down the columns, a band of columns at a time so that rows stay in cache.
    let mut out = Array2::<f32>::zeros((rows, columns));
    let across = across.as_slice().expect("standard layout");
    let bands = rayon::current_num_threads().max(1);
    let band = rows.div_ceil(bands).max(1);
    out.as_slice_mut().expect("standard layout").par_chunks_mut(band * columns.max(1)).enumerate().for_each(
        |(b, out)| {
            let first = b * band;
            let mut sums = vec![0.0_f64; columns];
            for y in first.saturating_sub(reach)..(first + reach).min(rows) {
                for (s, v) in sums.iter_mut().zip(&across[y * columns..]) {
                    *s += f64::from(*v);
                }
            }
            for (k, row) in out.chunks_mut(columns).enumerate() {
                let y = first + k;
                if y + reach < rows {
                    for (s, v) in sums.iter_mut().zip(&across[(y + reach) * columns..]) {
                        *s += f64::from(*v);
                    }
                }
                if k > 0 && y > reach {
                    for (s, v) in sums.iter_mut().zip(&across[(y - reach - 1) * columns..]) {
                        *s -= f64::from(*v);
                    }
                }
                let n = ((y + reach).min(rows - 1) + 1 - y.saturating_sub(reach)) as f64;
                for (o, s) in row.iter_mut().zip(&sums) {
                    *o = (*s / n) as f32;
                }
            }
        },
    );
    out
}

/// Bilinear value at (x, y) in cells of `a`; None outside.
#[must_use]
pub fn sample(a: &Array2<f32>, x: f64, y: f64) -> Option<f32> {
    Between::of(a).at(x, y)
}

/// Values between the cells of a plane.
#[derive(Clone, Copy)]
pub(crate) struct Between<'a> {
    cells: &'a [f32],
    rows: usize,
    columns: usize,
}

impl<'a> Between<'a> {
    pub(crate) fn of(a: &'a Array2<f32>) -> Self {
        let (rows, columns) = a.dim();
        Self { cells: a.as_slice().expect("standard layout"), rows, columns }
    }

    /// Bilinear value at (x, y) in cells; None outside.
    #[inline]
    pub(crate) fn at(&self, x: f64, y: f64) -> Option<f32> {
        let Self { cells: s, rows, columns } = *self;
        if !(x >= 0.0 && y >= 0.0) || x > (columns - 1) as f64 || y > (rows - 1) as f64 {
            return None;
        }
        let (i, j) = ((x as usize).min(columns.saturating_sub(2)), (y as usize).min(rows.saturating_sub(2)));
        let (u, v) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let k = j * columns + i;
        let top = s[k] + (s[k + 1] - s[k]) * u;
        let bottom = s[k + columns] + (s[k + columns + 1] - s[k + columns]) * u;
        Some(top + (bottom - top) * v)
    }
}
