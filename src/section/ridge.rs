//! Thin dark lines: Gaussian derivatives that steer to any direction.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::filter::{along_rows, down_to};
pub use crate::section::line_field::{DIRECTIONS, LineField, direction};
use crate::vectors::Wide;

/// Width of the Gaussian whose derivatives find lines, cells: answers lines of one to four cells.
pub const SIGMA: f64 = 1.2;
/// First derivative tolerated beside the second: on a line they meet where one is zero, on a step where neither is.
pub(super) const STEP_WEIGHT: f32 = 1.5;
/// Single dots weigh no more than this many times the local scatter.
pub const CLIP: f32 = 2.2;
/// Least of one cell: a gap in a line costs little.
pub(super) const LEAST: f32 = -0.6;
/// Root mean square of the stronger line response over the square of its mean root, in Gaussian noise blurred by 0.7 cells
/// (computed).
pub(crate) const OF_NOISE: f32 = 3.4;

/// Derivatives of log transmission, each divided by the local scatter of the line response.
pub struct RidgeBasis {
    /// Second derivatives xx, xy, yy and first derivatives x, y of a cell after the other: one place is read at once. One cell more
    /// than there are, so that the last can be read as a whole vector.
    pub(super) derivatives: Vec<[f32; 5]>,
    /// What they were divided by: local scatter of the stronger line response, log units. From the mean of its root, not of its square,
    /// so that a few strong edges do not drown what lies between them.
    pub scatter: Array2<f32>,
}

impl RidgeBasis {
    /// Of a log transmission; `reach` is half the side of the square that the local scatter is taken over, cells.
    ///
    /// `floor` is the scatter below which a response is noise, log units.
    #[must_use]
    pub fn of(log: &Array2<f32>, reach: usize, floor: f32) -> Self {
        let (rows, columns) = log.dim();
        let [smooth, first, second] = kernels();
        let across = |kernel: &[f32]| along_rows(log, kernel);
        let (smoothed, (sloped, bent)) =
            rayon::join(|| across(&smooth), || rayon::join(|| across(&first), || across(&second)));
        // First derivatives carry SIGMA each; the pure second ones carry twice SIGMA².
        let twice: Vec<f32> = first.iter().map(|v| 2.0 * v).collect();
        let jobs: [(&Array2<f32>, &[f32]); 5] =
            [(&bent, &smooth), (&sloped, &twice), (&smoothed, &second), (&sloped, &smooth), (&smoothed, &first)];
        let mut derivatives = vec![[0.0_f32; 5]; rows * columns + 1];
        let mut roots = Array2::<f32>::zeros(log.dim());
        let made = roots.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1));
        made.zip(derivatives.par_chunks_mut(columns.max(1))).enumerate().for_each_init(
            || [const { Vec::new() }; 5],
            |work: &mut [Vec<f32>; 5], (y, (roots, derivatives))| {
                for (row, (plane, kernel)) in work.iter_mut().zip(jobs) {
                    row.clear();
                    row.resize(columns, 0.0);
                    down_to(row, plane, kernel, y);
                }
                let [xx, xy, yy, gx, gy] = work;
                let cells = roots.iter_mut().zip(derivatives).zip(xx).zip(xy).zip(yy).zip(gx).zip(gy);
                for ((((((root, cell), &mut xx), &mut xy), &mut yy), &mut gx), &mut gy) in cells {
                    let (curvature, nx, ny) = sharpest(xx, xy, yy);
                    *root = (curvature - STEP_WEIGHT * (gx * nx + gy * ny).abs()).clamp(0.0, 0.6).sqrt();
                    *cell = [xx, xy, yy, gx, gy];
                }
            },
        );
        let mut scatter = crate::section::cells::box_mean(&roots, reach);
        scatter.par_mapv_inplace(|s| (OF_NOISE * s * s).max(floor));
        derivatives.par_iter_mut().zip(scatter.as_slice().expect("standard layout")).for_each(|(cell, s)| {
            cell.iter_mut().for_each(|v| *v /= *s);
        });
        Self { derivatives, scatter }
    }

    /// Response of a cell to the dark line that it answers most, and the unit vector across that line.
    #[must_use]
    #[inline]
    pub(crate) fn crest(&self, x: usize, y: usize) -> (f32, [f32; 2]) {
        let [xx, xy, yy, gx, gy] = self.derivatives[y * self.scatter.dim().1 + x];
        let (curvature, nx, ny) = sharpest(xx, xy, yy);
        ((curvature - STEP_WEIGHT * (gx * nx + gy * ny).abs()).clamp(LEAST, CLIP), [nx, ny])
    }

    /// Response at cell (x, y) to a dark line along (dx, dy), in local scatters, clipped; None outside.
    #[must_use]
    #[inline]
    pub fn response(&self, x: f64, y: f64, along: [f64; 2]) -> Option<f32> {
        self.steered(x, y, Steered::along(along))
    }

    /// The same for a direction that is asked for at many places.
    #[must_use]
    #[inline]
    pub fn steered(&self, x: f64, y: f64, to: Steered) -> Option<f32> {
        let [xx, xy, yy, gx, gy] = self.between(x, y)?;
        let [nx, ny] = to.across;
        let curvature = xx * to.second[0] + xy * to.second[1] + yy * to.second[2];
        let slope = gx * nx + gy * ny;
        Some((curvature - STEP_WEIGHT * slope.abs()).clamp(LEAST, CLIP))
    }

    /// Second derivative across a direction at cell (x, y), in local scatters, as large as it is; None outside.
    #[must_use]
    #[inline]
    pub(crate) fn curvature(&self, x: f64, y: f64, to: Steered) -> Option<f32> {
        let [xx, xy, yy, ..] = self.between(x, y)?;
        Some(xx * to.second[0] + xy * to.second[1] + yy * to.second[2])
    }

    /// Derivatives at cell (x, y), bilinear; None outside.
    #[inline(always)]
    fn between(&self, x: f64, y: f64) -> Option<[f32; 5]> {
        let (rows, columns) = self.scatter.dim();
        if !(x >= 0.0 && y >= 0.0) || x > (columns - 1) as f64 || y > (rows - 1) as f64 {
            return None;
        }
        // Places as u32: to and from 64 bits without a sign it takes several steps.
        let (i, j) =
            ((x as u32).min((columns as u32).saturating_sub(2)), (y as u32).min((rows as u32).saturating_sub(2)));
        let (u, v) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
        let at = j as usize * columns + i as usize;
        let (a, b) = (&self.derivatives[at], &self.derivatives[at + 1]);
        let (c, d) = (&self.derivatives[at + columns], &self.derivatives[at + columns + 1]);
        Some(std::array::from_fn(|k| {
            let top = a[k] + (b[k] - a[k]) * u;
            let bottom = c[k] + (d[k] - c[k]) * u;
            top + (bottom - top) * v
        }))
    }
}

/// Responses at places evenly apart across a line, or along one; NaN outside.
pub(crate) struct Responses<'a> {
    /// What is asked.
    pub(crate) basis: &'a RidgeBasis,
    /// Where places are counted from, cells.
    pub(crate) at: [f64; 2],
    /// Unit vector that lies a quarter turn before the way in which they are counted.
    pub(crate) along: [f64; 2],
    /// How far on the line itself runs, cells.
    pub(crate) sideways: f64,
    /// How far beyond that the first place lies, cells.
    pub(crate) first: f64,
    /// From place to place, cells.
    pub(crate) stride: f64,
    /// Direction of the lines that answer.
    pub(crate) to: Steered,
    /// The responses.
    pub(crate) out: &'a mut [f32],
}

impl Wide for Responses<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { basis, at: [x, y], along, sideways, first, stride, to, out } = self;
        let (rows, columns) = basis.scatter.dim();
        if rows < 2 || columns < 2 {
            out.fill(f32::NAN);
            return;
        }
        let cells = basis.derivatives.as_flattened();
        assert!(i32::try_from(cells.len()).is_ok(), "a field that is held has fewer cells");
        let most = [columns, rows].map(|n| n as i32 - 2);
        let below = 5 * columns;
        // Derivatives of a cell and what of the next one fills a vector: those weigh nothing.
        let [nx, ny] = to.across;
        let [xx, xy, yy] = to.second;
        let weights = [xx, xy, yy, nx, ny, 0.0, 0.0, 0.0];
        // A few places at a time: where they are first, then what is there.
        for (part, out) in out.chunks_mut(PLACES).enumerate() {
            let (mut cell, mut u, mut v) = ([0_i32; PLACES], [0.0_f32; PLACES], [0.0_f32; PLACES]);
            let mut inside = [false; PLACES];
            for k in 0..PLACES {
                let off = sideways + (f64::from((part * PLACES + k) as i32) * stride + first);
                let (x, y) = (x - off * along[1], y + off * along[0]);
                inside[k] = (x >= 0.0) & (y >= 0.0) & (x <= (columns - 1) as f64) & (y <= (rows - 1) as f64);
                let (i, j) = ((x as i32).max(0).min(most[0]), (y as i32).max(0).min(most[1]));
                (u[k], v[k]) = ((x - f64::from(i)) as f32, (y - f64::from(j)) as f32);
                cell[k] = 5 * (j * columns as i32 + i);
            }
            for (k, response) in out.iter_mut().enumerate() {
                let corner = |from: usize| -> &[f32; LANES] {
                    let first = cell[k] as usize + from;
                    cells[first..first + LANES].try_into().expect("a vector of derivatives")
                };
                let (a, b, c, d) = (corner(0), corner(5), corner(below), corner(below + 5));
                let mut weighed = [0.0_f32; LANES];
                for lane in 0..LANES {
                    let top = a[lane] + (b[lane] - a[lane]) * u[k];
                    let bottom = c[lane] + (d[lane] - c[lane]) * u[k];
                    weighed[lane] = (top + (bottom - top) * v[k]) * weights[lane];
                }
                let [xx, xy, yy, gx, gy, ..] = weighed;
                let answer = (xx + xy + yy - STEP_WEIGHT * (gx + gy).abs()).clamp(LEAST, CLIP);
                *response = if inside[k] { answer } else { f32::NAN };
            }
        }
    }
}

/// Places that [`Responses`] are asked for at a time.
pub(crate) const PLACES: usize = 16;
/// Values of a vector: the five derivatives, and what lies behind them.
const LANES: usize = 8;

/// Weights of the derivatives that answer a line of one direction.
#[derive(Clone, Copy, Debug)]
pub struct Steered {
    /// Unit vector across the line.
    across: [f32; 2],
    /// Weights of the second derivatives xx, xy, yy.
    second: [f32; 3],
}

impl Steered {
    /// To a line along a unit vector.
    #[must_use]
    #[inline]
    pub fn along(along: [f64; 2]) -> Self {
        let (nx, ny) = (-along[1] as f32, along[0] as f32);
        Self { across: [nx, ny], second: [nx * nx, 2.0 * nx * ny, ny * ny] }
    }
}

/// Strongest second derivative with its direction (unit vector across the line).
#[must_use]
#[inline(always)]
pub fn sharpest(xx: f32, xy: f32, yy: f32) -> (f32, f32, f32) {
    let half = (xx - yy) / 2.0;
    let root = (half * half + xy * xy).sqrt();
    let value = (xx + yy) / 2.0 + root;
    let (a, b) = if xx >= yy { (half + root, xy) } else { (xy, root - half) };
    let length = (a * a + b * b).sqrt().max(1e-20);
    (value, a / length, b / length)
}

/// Sampled Gaussian and its derivatives; the second is scaled so that a line SIGMA·2 wide of depth d answers about d.
fn kernels() -> [Vec<f32>; 3] {
    let reach = (3.5 * SIGMA).ceil() as i32;
    let g: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (f64::from(k) / SIGMA).powi(2)).exp()).collect();
    let sum: f64 = g.iter().sum();
    let g: Vec<f64> = g.iter().map(|v| v / sum).collect();
    let at = |i: usize| f64::from(i as i32 - reach);
    let first: Vec<f64> = g.iter().enumerate().map(|(i, v)| at(i) * v).collect();
    let norm: f64 = first.iter().enumerate().map(|(i, v)| v * at(i)).sum();
    // SIGMA² of the second derivative, times 2, and SIGMA times the first.
    let first: Vec<f32> = first.iter().map(|v| (v / norm * SIGMA) as f32).collect();
    let mut second: Vec<f64> = g.iter().enumerate().map(|(i, v)| (at(i) * at(i) / (SIGMA * SIGMA) - 1.0) * v).collect();
    let mean = second.iter().sum::<f64>() / second.len() as f64;
    second.iter_mut().for_each(|v| *v -= mean);
    let second: Vec<f32> = second.iter().map(|v| (2.0 * v) as f32).collect();
    [g.iter().map(|v| *v as f32).collect(), first, second]
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A dark line of given width and depth through the middle, each cell the mean over itself.
    pub(in crate::section) fn line(rows: usize, columns: usize, angle: f64, width: f64, depth: f64) -> Array2<f32> {
        let (cx, cy) = ((columns / 2) as f64, (rows / 2) as f64);
        Array2::from_shape_fn((rows, columns), |(y, x)| {
            let mut covered = 0.0;
            for k in 0..64 {
                let (u, v) = (f64::from(k % 8) / 8.0 - 0.4375, f64::from(k / 8) / 8.0 - 0.4375);
                let d = -(x as f64 + u - cx) * angle.sin() + (y as f64 + v - cy) * angle.cos();
                covered += f64::from(u8::from(d.abs() < width / 2.0)) / 64.0;
            }
            (-depth * covered) as f32
        })
    }

    /// On a line of width w the second derivative of a Gaussian answers 2·(w/σ)·φ(w/2σ) of its depth.
    #[test]
    fn line_response_follows_the_closed_form() {
        for width in [1.0, 2.0, 3.0] {
            for degrees in [0.0_f64, 17.0, 45.0, 101.0] {
                let a = degrees.to_radians();
                let log = line(81, 81, a, width, 0.2);
                let basis = RidgeBasis::of(&log, 20, 1.0);
                let [xx, xy, yy, ..] = basis.derivatives[40 * 81 + 40];
                let (value, nx, ny) = sharpest(xx, xy, yy);
                // The cells themselves widen the line by a box of one.
                let sigma = (SIGMA * SIGMA + 1.0 / 12.0).sqrt();
                let u = width / 2.0 / sigma;
                let phi = (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt();
                let expected = 0.2 * 2.0 * 2.0 * u * phi * (SIGMA / sigma).powi(2);
                assert!(
                    (f64::from(value) - expected).abs() < 0.2 * expected,
                    "width {width}, {degrees} degrees: {value} against {expected}"
                );
                let across = (f64::from(nx) * a.cos() + f64::from(ny) * a.sin()).abs();
                assert!(across < 0.05, "the response lies across the line: {across}");
            }
        }
    }

    /// On a Gaussian line of standard deviation w and depth d, 2σ² of the second derivative after a Gaussian of σ is
    /// 2·d·σ²·w / (w² + σ²)^(3/2), whichever way the line runs.
    #[test]
    fn a_gaussian_line_answers_by_its_closed_form_at_every_angle() {
        for width in [0.8_f64, 1.2, 2.0, 3.0] {
            for degrees in [0.0_f64, 12.0, 33.0, 45.0, 71.0, 90.0, 128.0, 166.0] {
                let (s, c) = degrees.to_radians().sin_cos();
                let log = Array2::from_shape_fn((81, 81), |(y, x)| {
                    let d = -(x as f64 - 40.0) * s + (y as f64 - 40.0) * c;
                    (-0.25 * (-0.5 * (d / width).powi(2)).exp()) as f32
                });
                let basis = RidgeBasis::of(&log, 20, 1.0);
                let value = f64::from(basis.response(40.0, 40.0, [c, s]).expect("inside"));
                let expected = 2.0 * 0.25 * SIGMA * SIGMA * width / (width * width + SIGMA * SIGMA).powf(1.5);
                assert!(
                    (value / expected - 1.0).abs() < 0.08,
                    "{width} wide at {degrees} degrees: {value} against {expected}"
                );
                let across = f64::from(basis.response(40.0, 40.0, [-s, c]).expect("inside"));
                assert!(across.abs() < 0.1 * expected, "nothing runs across it: {across}");
            }
        }
    }

    #[test]
    fn many_responses_at_once_are_those_of_their_places() {
        let log = Array2::from_shape_fn((23, 31), |(y, x)| ((7 * x + 11 * y * y) % 13) as f32 * 0.1);
        let basis = RidgeBasis::of(&log, 5, 0.03);
        for (at, turn, stride) in [([15.0, 11.0], 0.3, 1.0), ([2.5, 20.25], 2.0, 0.75), ([15.0, 11.0], 1.0, -2.0)] {
            let along = [f64::cos(turn), f64::sin(turn)];
            let to = Steered::along([0.6, 0.8]);
            let mut out = [0.0; 37];
            let (sideways, first) = (0.25, -9.0);
            crate::vectors::wide(Responses { basis: &basis, at, along, sideways, first, stride, to, out: &mut out });
            for (k, response) in out.iter().enumerate() {
                let off = sideways + (k as f64 * stride + first);
                let expected = basis.steered(at[0] - off * along[1], at[1] + off * along[0], to);
                assert_eq!(response.to_bits(), expected.unwrap_or(f32::NAN).to_bits(), "{at:?} {k}");
            }
            assert!(out.iter().any(|r| r.is_nan()) && out.iter().any(|r| !r.is_nan()), "some lie outside");
        }
    }

    #[test]
    fn a_step_answers_far_less_than_a_line() {
        let step = Array2::from_shape_fn((61, 61), |(_, x)| if x < 30 { -0.4 } else { 0.0 });
        let basis = RidgeBasis::of(&step, 20, 1.0);
        let strongest = (20..40).filter_map(|x| basis.response(f64::from(x), 30.0, [0.0, 1.0])).fold(0.0_f32, f32::max);
        assert!(strongest < 0.4 * 0.22, "{strongest}");
    }
}
