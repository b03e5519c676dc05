//! What a photograph looks like in every light, drawn: its thin dark lines (cracks, grain boundaries and specks), and its outlines, where
//! its light changes. The brightness of the grains is another between crossed polars, and at every position of them.

use ndarray::{Array2, Zip};
use rayon::prelude::*;

use crate::register::field_stop;
use crate::register::grid::still_light;
use crate::slide::photograph::Photograph;
use crate::units::MicrometresPerPixel;
use crate::vectors::{Extreme, WeightedSum, Wide, wide};

/// Into how many cells a photograph is divided along its longer side, at the most.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Cells {
    /// For its drawing; a larger photograph is binned.
    pub(crate) drawing: usize,
    /// For the search over the whole frame.
    pub(crate) search: usize,
}

/// Cells of the search wider than this, µm, no longer show the outlines of grains. House value.
const WIDEST_CELL: f64 = 40.0;

impl Cells {
    /// Enough for a field of view.
    pub(crate) const OF_A_FIELD: Self = Self { drawing: 1024, search: 384 };
    /// For a part of a section in which a photograph of the whole may be shifted far.
    pub(crate) const OF_A_PART: Self = Self { drawing: 1400, search: 700 };
    /// For a section that is seen whole, whose grains are small in the picture.
    pub(crate) const OF_A_SECTION: Self = Self { drawing: 2400, search: 1200 };

    /// For a photograph with `longer` pixels along its longer side.
    pub(crate) fn for_picture(longer: usize, scale: Option<MicrometresPerPixel>) -> Self {
        let field = Self::OF_A_FIELD;
        let widest = longer as f64 / field.search as f64;
        let wide = scale.is_some_and(|s| s.um_per_px() * widest > WIDEST_CELL);
        if wide { Self::OF_A_SECTION } else { field }
    }
}

/// Half-width of the closing that fills a line, binned pixels: lines up to 8 wide are lines.
const REACH: usize = 4;

/// A line counts as much as this at most, log units, so that opaque specks do not drown the boundaries.
const CAP: f32 = 0.7;

/// A slope of log light counts as much as this at most, log units a cell: where grains meet counts, and not how unlike they are. House
/// value: of 0.05, 0.09, 0.18 and 0.5 the least gives the highest peaks (100 fields by a renderer of other code, by a prototype of these
/// steps: 37, 36, 34 and 29 in the mean of the worst photograph of each).
const STEEPEST: f32 = 0.05;

/// Light below this share of the photograph's bright light is not resolved: noise in extinct grains draws nothing.
const FLOOR: f32 = 0.04;

/// Share of the photograph's bright light under which a cell may be of an eyepiece's surround. House value.
const UNLIT: f32 = 1.0 / 12.0;
/// How far the edge of the surround shades, share of the longer side. House value.
const SHADE: f64 = 0.02;

/// Slightly blurred log light of a photograph, binned, from which it is drawn.
pub(crate) struct LogLight {
    light: Array2<f32>,
    bin: usize,
    /// Log light under which a cell may be of an eyepiece's surround.
    unlit: f32,
}

impl LogLight {
    pub(crate) fn of(photograph: &Photograph, cells: Cells) -> Self {
        let bin = photograph.width.max(photograph.height).div_ceil(cells.drawing).max(1);
        let planes = still_light(photograph, bin);
        let mut light = Array2::zeros(planes.dim());
        let [r, g, b] = &planes.rgb;
        Zip::from(&mut light).and(r).and(g).and(b).par_for_each(|l: &mut f32, r, g, b| *l = (r + 2.0 * g + b) / 4.0);
        let bright = bright(&light).max(1e-6);
        let floor = FLOOR * bright;
        light.par_mapv_inplace(|l| (l + floor).ln());
        let light = blurred(&light, &[0.06, 0.24, 0.4, 0.24, 0.06]);
        Self { light, bin, unlit: (UNLIT * bright + floor).ln() }
    }

    /// What an eyepiece leaves dark about the picture, with its shade; None where there is nothing of it.
    pub(crate) fn surround(&self) -> Option<Array2<bool>> {
        let (rows, columns) = self.light.dim();
        let shade = (SHADE * rows.max(columns) as f64).round().clamp(5.0, 255.0) as u8;
        field_stop::surround(&self.light.mapv(|l| l < self.unlit), shade)
    }

    /// Thin dark lines: black-hat (closing minus picture).
    pub(crate) fn lines(&self) -> Drawing {
        let mut strength = lowest(&highest(&self.light, REACH), REACH);
        Zip::from(&mut strength).and(&self.light).par_for_each(|d, l| *d = (*d - l).clamp(0.0, CAP));
        Drawing { strength, bin: self.bin }
    }

    /// Outlines: the slope of the light, whichever way it runs. Of a line both sides are drawn, evenly about it.
    pub(crate) fn outlines(&self) -> Drawing {
        let (rows, columns) = self.light.dim();
        let light = self.light.as_slice().expect("standard layout");
        let row_of = |i: usize| &light[i * columns..(i + 1) * columns];
        let mut strength = Array2::zeros((rows, columns));
        let out = strength.as_slice_mut().expect("standard layout");
        out.par_chunks_mut(columns.max(1)).enumerate().for_each(|(i, out)| {
            let inner = (1..rows.saturating_sub(1)).contains(&i) && columns > 2;
            if inner {
                wide(Slopes { out: &mut out[1..columns - 1], rows: [row_of(i - 1), row_of(i), row_of(i + 1)] });
            }
        });
        Drawing { strength, bin: self.bin }
    }
}

/// Slopes along a row, but for its ends: by the cells before and after, above and below.
struct Slopes<'a> {
    out: &'a mut [f32],
    rows: [&'a [f32]; 3],
}

impl Wide for Slopes<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { out, rows: [above, row, below] } = self;
        let n = out.len();
        let (left, right, above, below) = (&row[..n], &row[2..n + 2], &above[1..=n], &below[1..=n]);
        for k in 0..n {
            let (x, y) = (right[k] - left[k], below[k] - above[k]);
            out[k] = (0.5 * (x * x + y * y).sqrt()).min(STEEPEST);
        }
    }
}

/// A photograph drawn in its own (camera) coordinates.
#[derive(Clone, Debug)]
pub(crate) struct Drawing {
    /// Depth of a line or slope of an outline in log light, 0 where there is none.
    pub(crate) strength: Array2<f32>,
    /// Pixels of the photograph per cell.
    pub(crate) bin: usize,
}

impl Drawing {
    /// The outlines of a photograph.
    pub(crate) fn of_outlines(photograph: &Photograph, cells: Cells) -> Self {
        LogLight::of(photograph, cells).outlines()
    }

    /// The same on cells `by` times as large.
    pub(crate) fn coarser(&self, by: usize) -> Self {
        let (h, w) = (self.strength.nrows() / by, self.strength.ncols() / by);
        let strength = Array2::from_shape_fn((h, w), |(i, j)| {
            let cell = (0..by).flat_map(|k| (0..by).map(move |l| [i * by + k, j * by + l]));
            cell.map(|at| self.strength[at]).sum::<f32>() / (by * by) as f32
        });
        Self { strength, bin: self.bin * by }
    }

    /// Takes away what is drawn where `still` says so. What is put there is the mean of the rest: of a drawing that is dense elsewhere the border of an
    /// empty place would stand still too.
    pub(crate) fn clear(&mut self, still: &Array2<bool>) {
        if self.strength.dim() == still.dim() {
            let kept = self.strength.iter().zip(still).filter(|(_, s)| !**s).map(|(d, _)| f64::from(*d));
            let (sum, count) = kept.fold((0.0, 0.0), |(sum, count), d| (sum + d, count + 1.0));
            let mean = if count > 0.0 { (sum / count) as f32 } else { 0.0 };
            Zip::from(&mut self.strength).and(still).for_each(|d, s| {
                if *s {
                    *d = mean;
                }
            });
        }
    }
}

/// Lines shallower than this, log units, are no hair and no scale bar.
const STILL_DEPTH: f32 = 0.12;

/// Cells with a line in every photograph, over what chance makes so, from which something stands still. Where a fine rock shows lines
/// everywhere chance makes thousands of cells so, and without them nothing would be left to lay photographs by. House value: on
/// 14 rendered fields without hairs up to 1.6 times as many cells as expected have one (2.9 times where that is 3 of 10,000), by a hair
/// across the picture of the test 7.5 times.
const MORE_THAN_CHANCE: f64 = 3.0;

/// Where the same line stands in every one of several photographs between which the section turned: eyepiece hairs, dust
/// on the camera, a scale bar. None where that is no more than chance.
pub(crate) fn still_places(photographs: &[Drawing]) -> Option<Array2<bool>> {
    let (first, others) = photographs.split_first()?;
    if others.is_empty() || others.iter().any(|o| o.strength.dim() != first.strength.dim()) {
        return None;
    }
    let mut still = first.strength.clone();
    for other in others {
        Zip::from(&mut still).and(&other.strength).for_each(|s, d| *s = s.min(*d));
    }
    let share = |d: &Array2<f32>| d.iter().filter(|d| **d > STILL_DEPTH).count() as f64 / d.len().max(1) as f64;
    let chance: f64 = photographs.iter().map(|p| share(&p.strength)).product();
    (share(&still) > MORE_THAN_CHANCE * chance).then(|| highest(&still, 2).mapv(|s| s > STILL_DEPTH))
}

/// The light that only a tenth of the cells exceed.
fn bright(light: &Array2<f32>) -> f32 {
    let mut sample: Vec<f32> = light.iter().step_by((light.len() / 20_000).max(1)).copied().collect();
    if sample.is_empty() {
        return 0.0;
    }
    let at = sample.len() * 9 / 10;
    *sample.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Separable blur with a symmetric kernel of odd length; the edge is repeated.
pub(crate) fn blurred(image: &Array2<f32>, kernel: &[f32]) -> Array2<f32> {
    separably(image, kernel.len() / 2, |out, shifted| {
        out.fill(0.0);
        wide(WeightedSum { to: out, row: |k| shifted[k], weights: kernel });
    })
}

/// Separable running maximum over 2·reach + 1 cells each way; the edge is repeated.
fn highest(image: &Array2<f32>, reach: usize) -> Array2<f32> {
    separably(image, reach, |to, rows| wide(Extreme::<true> { to, rows }))
}

/// Separable running minimum; see [`highest`].
fn lowest(image: &Array2<f32>, reach: usize) -> Array2<f32> {
    separably(image, reach, |to, rows| wide(Extreme::<false> { to, rows }))
}

/// Makes every row of a picture from its neighbours within `reach` along it, then every row from its neighbours above and
/// below; the edge is repeated. `combine` gets the row to write and 2·reach + 1 rows that begin a cell apart.
fn separably(image: &Array2<f32>, reach: usize, combine: impl Fn(&mut [f32], &[&[f32]]) + Sync) -> Array2<f32> {
    let (rows, columns) = image.dim();
    let source = image.as_slice().expect("standard layout");
    let mut across = Array2::zeros((rows, columns));
    let row_of = |i: usize| &source[i * columns..(i + 1) * columns];
    across.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(i, out)| {
        let row = row_of(i);
        let mut padded = Vec::with_capacity(columns + 2 * reach);
        padded.extend(std::iter::repeat_n(row[0], reach));
        padded.extend_from_slice(row);
        padded.extend(std::iter::repeat_n(row[columns - 1], reach));
        let shifted: Vec<&[f32]> = (0..=2 * reach).map(|k| &padded[k..]).collect();
        combine(out, &shifted);
    });
    let middle = across.as_slice().expect("standard layout");
    let mut out = Array2::zeros((rows, columns));
    out.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(i, out)| {
        let shifted: Vec<&[f32]> = (0..=2 * reach)
            .map(|k| {
                let j = (i + k).saturating_sub(reach).min(rows - 1);
                &middle[j * columns..(j + 1) * columns]
            })
            .collect();
        combine(out, &shifted);
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use crate::slide::photograph::{Role, Samples};
    use crate::slide::{Curve, Photograph};

    /// Against the definition, cell by cell.
    #[test]
    fn extremes_and_blur_are_those_of_the_neighbourhood() {
        let image = Array2::from_shape_fn((23, 31), |(y, x)| ((x * 7919 + y * 104_729) % 1013) as f32);
        let around = |y: usize, x: usize, reach: i64| {
            let cells =
                (-reach..=reach).flat_map(move |dy| (-reach..=reach).map(move |dx| (y as i64 + dy, x as i64 + dx)));
            cells.map(|(j, i)| image[[j.clamp(0, 22) as usize, i.clamp(0, 30) as usize]])
        };
        let (largest, smallest) = (highest(&image, 3), lowest(&image, 2));
        let blur = blurred(&image, &[0.25, 0.5, 0.25]);
        for ((y, x), v) in largest.indexed_iter() {
            assert_eq!(*v, around(y, x, 3).fold(f32::MIN, f32::max));
            assert_eq!(smallest[[y, x]], around(y, x, 2).fold(f32::MAX, f32::min));
            let weights = [1.0_f32, 2.0, 1.0, 2.0, 4.0, 2.0, 1.0, 2.0, 1.0];
            let mean: f32 = around(y, x, 1).zip(weights).map(|(v, w)| v * w / 16.0).sum();
            assert!((blur[[y, x]] - mean).abs() < 1e-2, "{y} {x}");
        }
    }

    #[test]
    fn a_thin_dark_line_is_a_line_and_a_step_between_grains_an_outline() {
        let (w, h) = (80, 60);
        let codes = (0..w * h)
            .flat_map(|i| {
                let (x, y) = (i % w, i / w);
                let grain = if y < 30 { 60_000u16 } else { 20_000 };
                [if x == 40 { grain / 3 } else { grain }; 3]
            })
            .collect();
        let p = Photograph::from_samples("p", Role::Plane, w, h, Samples::Sixteen(codes), &Curve::Linear);
        let drawn = LogLight::of(&p, Cells::OF_A_FIELD);
        let (lines, outlines) = (drawn.lines(), drawn.outlines());
        assert!(lines.strength[[15, 40]] > 0.2 && lines.strength[[45, 40]] > 0.2);
        assert!(lines.strength[[30, 20]].abs() < 1e-4, "a step between grains is no line");
        assert!(outlines.strength[[29, 20]] > 0.049 && outlines.strength[[30, 20]] > 0.049);
        assert!(outlines.strength[[15, 20]] < 1e-4, "nothing changes within a grain");
        let (before, after) = (outlines.strength[[15, 38]], outlines.strength[[15, 42]]);
        assert!(before > 0.01 && (before - after).abs() < 1e-4, "a line has two sides alike: {before} {after}");
    }

    /// Lines all over a fine rock meet by chance in every photograph; an eyepiece hair does so where they are few.
    #[test]
    fn what_stands_still_is_more_than_chance() {
        let drawn = |share: f64, hair: bool| -> Vec<Drawing> {
            let mut rng = ChaCha8Rng::seed_from_u64(4);
            let mut strength = || {
                Array2::from_shape_fn((90, 120), |(_, x)| {
                    let line = rng.random_range(0.0..1.0) < share || hair && x == 60;
                    if line { 0.3 } else { 0.0 }
                })
            };
            (0..3).map(|_| Drawing { strength: strength(), bin: 1 }).collect()
        };
        assert!(still_places(&drawn(0.6, false)).is_none());
        assert!(still_places(&drawn(0.1, false)).is_none());
        let still = still_places(&drawn(0.1, true)).expect("a hair");
        assert!((0..90).all(|y| still[[y, 60]]));
        assert!(still.iter().filter(|s| **s).count() < 90 * 120 / 8);
    }

    /// An empty place in a dense drawing would be an outline of its own, and stand still.
    #[test]
    fn what_is_cleared_has_the_mean_of_the_rest() {
        let strength = Array2::from_shape_fn((4, 6), |(y, x)| if x < 2 { 0.9 } else { 0.01 * (y % 2) as f32 });
        let mut drawing = Drawing { strength, bin: 1 };
        let still = Array2::from_shape_fn((4, 6), |(_, x)| x < 2);
        drawing.clear(&still);
        assert!(drawing.strength.iter().zip(&still).all(|(d, s)| !*s || (d - 0.005).abs() < 1e-6));
        assert_eq!(drawing.strength[[1, 3]], 0.01, "the rest stays");
        drawing.clear(&Array2::from_elem((4, 6), true));
        assert!(drawing.strength.iter().all(|d| *d == 0.0), "where nothing is left nothing is drawn");
    }
}
