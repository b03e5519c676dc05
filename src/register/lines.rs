//! Thin dark lines of a photograph: cracks, grain boundaries and specks, which look the same in plane light and between
//! crossed polars, while the brightness of the grains does not.

use ndarray::{Array2, Axis, Zip};

use crate::register::grid::still_light;
use crate::slide::photograph::Photograph;

/// Longest side at which lines are drawn, pixels; larger photographs are binned.
pub(crate) const FINE_SIDE: usize = 1024;

/// Half-width of the closing that fills a line, binned pixels: lines up to 8 wide are lines.
const REACH: usize = 4;

/// A line counts as much as this at most, log units, so that opaque specks do not drown the boundaries.
const CAP: f32 = 0.7;

/// Light below this share of the photograph's bright light is not resolved: noise in extinct grains makes no lines.
const FLOOR: f32 = 0.04;

/// The lines of one photograph in its own (camera) coordinates.
#[derive(Clone, Debug)]
pub(crate) struct Lines {
    /// Depth of the line in log light, 0 where there is none.
    pub(crate) depth: Array2<f32>,
    /// Pixels of the photograph per cell.
    pub(crate) bin: usize,
}

impl Lines {
    /// Black-hat (closing minus picture) of the slightly blurred log light.
    pub(crate) fn of(photograph: &Photograph) -> Self {
        let bin = photograph.width.max(photograph.height).div_ceil(FINE_SIDE).max(1);
        let planes = still_light(photograph, bin);
        let mut light = Array2::zeros(planes.dim());
        let [r, g, b] = &planes.rgb;
        Zip::from(&mut light).and(r).and(g).and(b).par_for_each(|l: &mut f32, r, g, b| *l = (r + 2.0 * g + b) / 4.0);
        let floor = FLOOR * bright(&light).max(1e-6);
        light.par_mapv_inplace(|l| (l + floor).ln());
        let light = blurred(&light, &[0.06, 0.24, 0.4, 0.24, 0.06]);
        let mut depth = extreme(&extreme(&light, REACH, f32::max), REACH, f32::min);
        Zip::from(&mut depth).and(&light).par_for_each(|d, l| *d = (*d - l).clamp(0.0, CAP));
        Self { depth, bin }
    }

    /// The same lines on cells `by` times as large.
    pub(crate) fn coarser(&self, by: usize) -> Self {
        let (h, w) = (self.depth.nrows() / by, self.depth.ncols() / by);
        let depth = Array2::from_shape_fn((h, w), |(i, j)| {
            let cell = (0..by).flat_map(|k| (0..by).map(move |l| [i * by + k, j * by + l]));
            cell.map(|at| self.depth[at]).sum::<f32>() / (by * by) as f32
        });
        Self { depth, bin: self.bin * by }
    }

    /// Takes away lines where `still` says so.
    pub(crate) fn clear(&mut self, still: &Array2<bool>) {
        if self.depth.dim() == still.dim() {
            Zip::from(&mut self.depth).and(still).for_each(|d, s| {
                if *s {
                    *d = 0.0;
                }
            });
        }
    }
}

/// Lines shallower than this, log units, are no hair and no scale bar.
const STILL_DEPTH: f32 = 0.12;

/// Where the same line stands in every one of several photographs between which the section turned: eyepiece hairs, dust
/// on the camera, a scale bar.
pub(crate) fn still_places(photographs: &[&Lines]) -> Option<Array2<bool>> {
    let (first, others) = photographs.split_first()?;
    if others.is_empty() || others.iter().any(|o| o.depth.dim() != first.depth.dim()) {
        return None;
    }
    let mut still = first.depth.clone();
    for other in others {
        Zip::from(&mut still).and(&other.depth).for_each(|s, d| *s = s.min(*d));
    }
    Some(extreme(&still, 2, f32::max).mapv(|s| s > STILL_DEPTH))
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
fn blurred(image: &Array2<f32>, kernel: &[f32]) -> Array2<f32> {
    let half = kernel.len() / 2;
    let pass = |image: &Array2<f32>| {
        let mut out = Array2::zeros(image.dim());
        Zip::from(out.axis_iter_mut(Axis(0))).and(image.axis_iter(Axis(0))).par_for_each(|mut out, row| {
            let last = row.len() - 1;
            for x in 0..row.len() {
                out[x] = (0..kernel.len()).map(|k| kernel[k] * row[(x + k).saturating_sub(half).min(last)]).sum();
            }
        });
        out.reversed_axes().as_standard_layout().into_owned()
    };
    pass(&pass(image))
}

/// Separable running extreme over 2·reach + 1 cells each way.
fn extreme(image: &Array2<f32>, reach: usize, pick: fn(f32, f32) -> f32) -> Array2<f32> {
    let pass = |image: &Array2<f32>| {
        let mut out = Array2::zeros(image.dim());
        Zip::from(out.axis_iter_mut(Axis(0))).and(image.axis_iter(Axis(0))).par_for_each(|mut out, row| {
            let n = row.len();
            for x in 0..n {
                let window = x.saturating_sub(reach)..(x + reach + 1).min(n);
                out[x] = window.map(|k| row[k]).reduce(pick).unwrap_or(row[x]);
            }
        });
        out.reversed_axes().as_standard_layout().into_owned()
    };
    pass(&pass(image))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::photograph::{Role, Samples};
    use crate::slide::{Curve, Photograph};

    #[test]
    fn a_thin_dark_line_is_seen_and_a_step_is_not() {
        let (w, h) = (80, 60);
        let codes = (0..w * h)
            .flat_map(|i| {
                let (x, y) = (i % w, i / w);
                let grain = if y < 30 { 60_000u16 } else { 20_000 };
                [if x == 40 { grain / 3 } else { grain }; 3]
            })
            .collect();
        let p = Photograph::from_samples("p", Role::Plane, w, h, Samples::Sixteen(codes), &Curve::Linear);
        let lines = Lines::of(&p);
        assert!(lines.depth[[15, 40]] > 0.2 && lines.depth[[45, 40]] > 0.2);
        assert!(lines.depth[[30, 20]].abs() < 1e-4, "a step between grains is no line");
    }
}
