//! Light on the grid of the plane photograph: one look-up pass where nothing moved, bilinear in linear light elsewhere.

use ndarray::{Array2, Axis, Zip};
use rayon::prelude::*;

use crate::register::lamp::LampField;
use crate::register::runs::{along_row, weight};
use crate::register::{FieldStack, Placement};
use crate::slide::photograph::{LinearPlanes, Photograph, Samples, mask};

/// Shifts smaller than this, in pixels, are none.
const STILL: f64 = 1e-3;

impl FieldStack {
    /// Plane light on the grid, binned by `bin`.
    ///
    /// # Panics
    /// When `bin` is 0.
    #[must_use]
    pub fn plane_light(&self, bin: usize) -> LinearPlanes {
        still_light(&self.plane, bin)
    }

    /// Crossed photograph `index` on the grid (bilinear in linear light where it was turned or shifted), binned by `bin`.
    ///
    /// # Panics
    /// When `bin` is 0 or `index` is no crossed photograph.
    #[must_use]
    pub fn crossed_light(&self, index: usize, bin: usize) -> LinearPlanes {
        let crossed = &self.crossed[index];
        let mut planes = placed_light(&crossed.photograph, &crossed.placement, (self.height, self.width), bin);
        if let Some(lamp) = &self.lamp {
            even_lamp(&mut planes, lamp, &crossed.placement, centre(self.width, self.height));
        }
        planes
    }
}

/// Gives every cell the lamp that the plane photograph had there, instead of the one where the turned frame had it.
fn even_lamp(planes: &mut LinearPlanes, lamp: &LampField, placement: &Placement, centre: [f64; 2]) {
    let bin = planes.bin as f64;
    let at = |i: usize| i as f64 * bin + (bin - 1.0) / 2.0;
    for plane in &mut planes.rgb {
        Zip::indexed(plane.axis_iter_mut(Axis(0))).par_for_each(|i, mut row| {
            for (j, light) in row.iter_mut().enumerate() {
                let here = [at(j), at(i)];
                let gain = lamp.at(here) / lamp.at(placement.map(here, centre));
                *light *= gain.clamp(0.25, 4.0) as f32;
            }
        });
    }
}

/// A photograph on its own grid, binned by `bin`.
pub(crate) fn still_light(photograph: &Photograph, bin: usize) -> LinearPlanes {
    let still = Placement { turn: 0.0, shift: [0.0, 0.0], peak: 0.0 };
    placed_light(photograph, &still, (photograph.height, photograph.width), bin)
}

/// A photograph on a grid of (height, width) pixels through its placement, binned by `bin`.
pub(crate) fn placed_light(
    photograph: &Photograph,
    placement: &Placement,
    grid: (usize, usize),
    bin: usize,
) -> LinearPlanes {
    assert!(bin > 0, "a bin is at least one pixel");
    let masks = photograph.code_masks();
    match &photograph.samples {
        Samples::Eight(codes) => resample(&Source::<_, 256>::new(photograph, codes, &masks), placement, grid, bin),
        Samples::Sixteen(codes) => resample(&Source::<_, 65_536>::new(photograph, codes, &masks), placement, grid, bin),
    }
}

/// A photograph with its samples at their own depth, and a table entry for every code, so that the inner loops are compiled
/// for it and look nothing up outside.
struct Source<'a, T, const CODES: usize> {
    width: usize,
    height: usize,
    codes: &'a [T],
    light: &'a [f32; CODES],
    masks: &'a [u8; CODES],
}

impl<'a, T: Copy + Ord + Into<usize>, const CODES: usize> Source<'a, T, CODES> {
    fn new(photograph: &'a Photograph, codes: &'a [T], masks: &'a [u8]) -> Self {
        let light = photograph.to_linear.as_slice().try_into().expect("a table entry for every code");
        let masks = masks.try_into().expect("a table entry for every code");
        Self { width: photograph.width, height: photograph.height, codes, light, masks }
    }

    /// Where pixel (x, y) begins among the codes.
    fn index(&self, x: usize, y: usize) -> usize {
        3 * (y * self.width + x)
    }

    fn pixel(&self, x: usize, y: usize) -> &[T] {
        let at = self.index(x, y);
        &self.codes[at..at + 3]
    }

    #[inline(always)]
    fn mask(&self, pixel: &[T]) -> u8 {
        // A curve only rises: when any channel is clipped the highest code is, when all are dark the highest is.
        self.masks[pixel[0].max(pixel[1]).max(pixel[2]).into()]
    }
}

/// One row of cells: the three planes and their mask.
struct Row<'a> {
    rgb: [&'a mut [f32]; 3],
    mask: &'a mut [u8],
}

/// Work space of a thread: sums down the columns of a row of cells.
#[derive(Default)]
struct Sums {
    rgb: [Vec<f32>; 3],
    mask: Vec<u8>,
}

impl Sums {
    /// Room for some columns, whatever is in them.
    fn resize(&mut self, columns: usize) {
        self.rgb.iter_mut().for_each(|sums| sums.resize(columns, 0.0));
        self.mask.resize(columns, 0);
    }
}

fn resample<T: Copy + Ord + Into<usize> + Sync, const CODES: usize>(
    source: &Source<'_, T, CODES>,
    placement: &Placement,
    (height, width): (usize, usize),
    bin: usize,
) -> LinearPlanes {
    let dim = (height / bin, width / bin);
    let mut planes = LinearPlanes {
        bin,
        rgb: [Array2::zeros(dim), Array2::zeros(dim), Array2::zeros(dim)],
        mask: Array2::zeros(dim),
    };
    if dim.0 == 0 || dim.1 == 0 {
        return planes;
    }
    let turned = placement.turn.abs() * (width.max(height) as f64) > STILL;
    let [dx, dy] = placement.shift.map(split);
    let [red, green, blue] =
        planes.rgb.each_mut().map(|p| p.as_slice_mut().expect("standard layout").par_chunks_mut(dim.1));
    let mask = planes.mask.as_slice_mut().expect("standard layout").par_chunks_mut(dim.1);
    red.zip(green).zip(blue).zip(mask).enumerate().for_each_init(Sums::default, |sums, (row, (((r, g), b), mask))| {
        let mut out = Row { rgb: [r, g, b], mask };
        if turned {
            turned_row(source, placement, (height, width), bin, row, &mut out);
        } else {
            shifted_row(source, dx, dy, bin, row, sums, &mut out);
        }
    });
    planes
}

/// Whole and fractional part of a shift; a fraction too small to matter is none.
fn split(shift: f64) -> (isize, f32) {
    let nearest = shift.round();
    if (shift - nearest).abs() < STILL {
        return (nearest as isize, 0.0);
    }
    (shift.floor() as isize, (shift - shift.floor()) as f32)
}

/// A row of cells where the photograph is only shifted: weighted sums down the columns, then along the row.
fn shifted_row<T: Copy + Ord + Into<usize>, const CODES: usize>(
    source: &Source<'_, T, CODES>,
    (dx, fx): (isize, f32),
    (dy, fy): (isize, f32),
    bin: usize,
    row: usize,
    sums: &mut Sums,
    out: &mut Row<'_>,
) {
    let (w, h) = (source.width as isize, source.height as isize);
    let cells = out.mask.len();
    let columns = cells * bin + usize::from(fx > 0.0);
    let first = (row * bin) as isize + dy;
    let last = first + (bin - 1 + usize::from(fy > 0.0)) as isize;
    // Columns from..to lie in the photograph.
    let from = (-dx).clamp(0, columns as isize);
    let to = (w - dx).clamp(from, columns as isize);
    let inside = from as usize..to as usize;
    if first < 0 || last >= h || inside.is_empty() {
        out.mask.fill(mask::OUTSIDE);
        out.rgb.iter_mut().for_each(|plane| plane.fill(0.0));
        return;
    }
    let pixels_of = |y: isize| {
        let start = source.index((from + dx) as usize, y as usize);
        source.codes[start..start + 3 * inside.len()].chunks_exact(3)
    };
    if bin == 1 && fx == 0.0 && fy == 0.0 {
        // Nothing is summed.
        let [red, green, blue] = out.rgb.each_mut().map(|plane| &mut plane[inside.clone()]);
        let places = red.iter_mut().zip(green).zip(blue).zip(&mut out.mask[inside.clone()]);
        for ((((red, green), blue), mask), pixel) in places.zip(pixels_of(first)) {
            *red = source.light[pixel[0].into()];
            *green = source.light[pixel[1].into()];
            *blue = source.light[pixel[2].into()];
            *mask = source.mask(pixel);
        }
        for beside in [0..inside.start, inside.end..cells] {
            out.mask[beside.clone()].fill(mask::OUTSIDE);
            out.rgb.iter_mut().for_each(|plane| plane[beside.clone()].fill(0.0));
        }
        return;
    }
    sums.resize(columns);
    sums.mask[..inside.start].fill(mask::OUTSIDE);
    sums.mask[inside.end..].fill(mask::OUTSIDE);
    for y in first..=last {
        let down = weight((y - first) as usize, bin, fy);
        let [red, green, blue] = sums.rgb.each_mut().map(|s| &mut s[inside.clone()]);
        let places = red.iter_mut().zip(green).zip(blue).zip(&mut sums.mask[inside.clone()]).zip(pixels_of(y));
        if y == first {
            for ((((red, green), blue), mask), pixel) in places {
                *red = down * source.light[pixel[0].into()];
                *green = down * source.light[pixel[1].into()];
                *blue = down * source.light[pixel[2].into()];
                *mask = source.mask(pixel);
            }
        } else {
            for ((((red, green), blue), mask), pixel) in places {
                *red += down * source.light[pixel[0].into()];
                *green += down * source.light[pixel[1].into()];
                *blue += down * source.light[pixel[2].into()];
                *mask |= source.mask(pixel);
            }
        }
    }
    let scale = 1.0 / (bin * bin) as f32;
    for (out, sums) in out.rgb.iter_mut().zip(&sums.rgb) {
        along_row(out, sums, bin, fx, scale);
    }
    // Of a shifted run the last column is the next one's first.
    let masks = sums.mask.chunks_exact(bin).zip(sums.mask[bin.min(columns)..].iter().step_by(bin).chain([&0]));
    for (out, (under, next)) in out.mask.iter_mut().zip(masks) {
        *out = under.iter().fold(if fx > 0.0 { *next } else { 0 }, |all, m| all | m);
    }
    no_light_outside(out);
}

/// A cell that lies partly outside holds no light: its mean would be of fewer pixels than it says.
fn no_light_outside(out: &mut Row<'_>) {
    for (cell, _) in out.mask.iter().enumerate().filter(|(_, m)| **m & mask::OUTSIDE != 0) {
        out.rgb.iter_mut().for_each(|plane| plane[cell] = 0.0);
    }
}

/// A row of cells where the photograph is turned: every pixel looked up between its four neighbours.
fn turned_row<T: Copy + Ord + Into<usize>, const CODES: usize>(
    source: &Source<'_, T, CODES>,
    placement: &Placement,
    (height, width): (usize, usize),
    bin: usize,
    row: usize,
    out: &mut Row<'_>,
) {
    let (w, h) = (source.width as isize, source.height as isize);
    let scale = 1.0 / (bin * bin) as f32;
    let centre = centre(width, height);
    let (sin, cos) = placement.turn.sin_cos();
    for cell in 0..out.mask.len() {
        let mut sum = [0.0f32; 3];
        let mut mask = 0;
        for y in row * bin..(row + 1) * bin {
            let start = placement.map([(cell * bin) as f64, y as f64], centre);
            for k in 0..bin {
                let (x, y) = (start[0] + cos * k as f64, start[1] + sin * k as f64);
                let (x0, y0) = (x.floor(), y.floor());
                let (fx, fy) = ((x - x0) as f32, (y - y0) as f32);
                let (x0, y0) = (x0 as isize, y0 as isize);
                if x0 < 0 || y0 < 0 || x0 + 1 >= w || y0 + 1 >= h {
                    mask |= mask::OUTSIDE;
                    continue;
                }
                let corners = [(0, 0), (1, 0), (0, 1), (1, 1)];
                let weights = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy];
                for ((ox, oy), weight) in corners.into_iter().zip(weights) {
                    let pixel = source.pixel((x0 + ox) as usize, (y0 + oy) as usize);
                    for c in 0..3 {
                        sum[c] += weight * source.light[pixel[c].into()];
                    }
                    mask |= source.mask(pixel);
                }
            }
        }
        for (plane, sum) in out.rgb.iter_mut().zip(sum) {
            plane[cell] = sum * scale;
        }
        out.mask[cell] = mask;
    }
    no_light_outside(out);
}

/// Centre of a picture of `width` by `height` pixels, in pixel coordinates.
pub(crate) fn centre(width: usize, height: usize) -> [f64; 2] {
    [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0]
}

impl Placement {
    /// Where the grid's pixel lies in the photograph; `centre` is the centre of the picture.
    #[must_use]
    pub fn map(&self, [x, y]: [f64; 2], [cx, cy]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.turn.sin_cos();
        let (x, y) = (x - cx, y - cy);
        [cos * x - sin * y + cx + self.shift[0], sin * x + cos * y + cy + self.shift[1]]
    }

    /// Where the grid lies in another photograph; `next` says where this photograph lies in that one. As sure as the less sure of both.
    pub(super) fn then(&self, next: &Self) -> Self {
        let shift = next.map(self.shift, [0.0, 0.0]);
        Self { turn: self.turn + next.turn, shift, peak: self.peak.min(next.peak) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::encoding::Curve;
    use crate::slide::photograph::Role;

    /// A ramp whose light is linear in x and y, so that bilinear interpolation is exact up to rounding.
    fn ramp(width: usize, height: usize) -> Photograph {
        let codes = (0..width * height)
            .flat_map(|i| {
                let (x, y) = (i % width, i / width);
                let code = (5000 + 300 * x + 200 * y) as u16;
                [code, code / 2, 40_000 - code]
            })
            .collect();
        Photograph::from_samples("ramp", Role::Plane, width, height, Samples::Sixteen(codes), &Curve::Linear)
    }

    fn expected(x: f64, y: f64) -> f64 {
        (5000.0 + 300.0 * x + 200.0 * y) / 65535.0
    }

    #[test]
    fn cells_hold_the_light_at_their_centre() {
        let ramp = ramp(40, 30);
        let grid = (30, 40);
        for (turn, shift) in
            [(0.0, [0.0, 0.0]), (0.0, [3.0, -2.0]), (0.0, [-1.25, 2.6]), (0.3, [0.0, 0.0]), (-0.8, [2.3, -1.7])]
        {
            let placement = Placement { turn, shift, peak: 0.0 };
            for bin in [1, 2, 3, 4] {
                let planes = placed_light(&ramp, &placement, grid, bin);
                assert_eq!(planes.dim(), (30 / bin, 40 / bin));
                let mut inside = 0;
                for ((i, j), &m) in planes.mask.indexed_iter() {
                    let half = (bin as f64 - 1.0) / 2.0;
                    let at = placement.map([(j * bin) as f64 + half, (i * bin) as f64 + half], centre(40, 30));
                    if m & mask::OUTSIDE == 0 {
                        inside += 1;
                        let error = f64::from(planes.rgb[0][[i, j]]) - expected(at[0], at[1]);
                        assert!(error.abs() < 1e-5, "turn {turn} shift {shift:?} bin {bin} cell {i},{j}: {error}");
                    }
                    let margin = bin as f64;
                    let deep = at[0] > margin && at[1] > margin && at[0] < 39.0 - margin && at[1] < 29.0 - margin;
                    assert!(!deep || m & mask::OUTSIDE == 0, "a cell well inside the photograph is not outside");
                }
                assert!(inside > 0);
            }
        }
    }

    #[test]
    fn the_mask_of_a_cell_is_the_union_of_its_pixels() {
        let mut codes = vec![100u8; 3 * 16];
        codes[3 * 5 + 1] = 254; // pixel (1, 1), green
        for c in 0..3 {
            codes[3 * 10 + c] = 1; // pixel (2, 2)
        }
        codes[3 * 15] = 0; // one black channel is not dark
        let p = Photograph::from_samples("p", Role::Plane, 4, 4, Samples::Eight(codes), &Curve::Srgb);
        assert!((p.record.clipped_fraction - 1.0 / 16.0).abs() < 1e-12);
        let whole = still_light(&p, 1);
        assert_eq!(whole.mask[[1, 1]], mask::CLIPPED);
        assert_eq!(whole.mask[[2, 2]], mask::DARK);
        assert_eq!(whole.mask[[3, 3]], 0);
        let halves = still_light(&p, 2);
        assert_eq!(halves.mask, ndarray::array![[mask::CLIPPED, 0], [0, mask::DARK]]);
    }
}
