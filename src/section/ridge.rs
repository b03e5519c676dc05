//! Thin dark lines: Gaussian derivatives that steer to any direction, and the mean response along straight stretches.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::filter::{along_rows, down_to};
use crate::vectors::{Wide, wide};

/// Width of the Gaussian whose derivatives find lines, cells: answers lines of one to four cells.
pub const SIGMA: f64 = 1.2;
/// First derivative tolerated beside the second: on a line they meet where one is zero, on a step where neither is.
const STEP_WEIGHT: f32 = 1.5;
/// Single dots weigh no more than this many times the local scatter.
pub const CLIP: f32 = 2.2;
/// Least of one cell: a gap in a line costs little.
const LEAST: f32 = -0.6;
/// Root mean square of the stronger line response over the square of its mean root, in Gaussian noise blurred by 0.7 cells
/// (computed).
pub(crate) const OF_NOISE: f32 = 3.4;
/// Directions searched over half a turn.
pub const DIRECTIONS: usize = 60;

/// Derivatives of log transmission, each divided by the local scatter of the line response.
pub struct RidgeBasis {
    /// Second derivatives xx, xy, yy and first derivatives x, y of a cell after the other: one place is read at once.
    derivatives: Vec<[f32; 5]>,
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
        let mut derivatives = vec![[0.0_f32; 5]; rows * columns];
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
        let (i, j) = ((x as usize).min(columns.saturating_sub(2)), (y as usize).min(rows.saturating_sub(2)));
        let (u, v) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = j * columns + i;
        let (a, b) = (&self.derivatives[at], &self.derivatives[at + 1]);
        let (c, d) = (&self.derivatives[at + columns], &self.derivatives[at + columns + 1]);
        Some(std::array::from_fn(|k| {
            let top = a[k] + (b[k] - a[k]) * u;
            let bottom = c[k] + (d[k] - c[k]) * u;
            top + (bottom - top) * v
        }))
    }
}

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

/// Best mean response along straight stretches through every cell, and its direction.
pub struct LineField {
    /// Mean response along the stretch, local scatters.
    pub value: Array2<f32>,
    /// Index of its direction, of [`DIRECTIONS`] over half a turn (image coordinates, y down).
    pub direction: Array2<u8>,
}

/// Unit vector along direction `index`, image coordinates.
#[must_use]
pub fn direction(index: usize) -> [f64; 2] {
    let a = std::f64::consts::PI * index as f64 / DIRECTIONS as f64;
    [a.cos(), a.sin()]
}

/// Side of the tiles that are searched at a time, cells: five planes of one stay in a core's own cache.
const TILE: usize = 192;

impl LineField {
    /// Searches all directions with stretches of `length` cells (of the major axis).
    #[must_use]
    pub fn search(basis: &RidgeBasis, length: usize) -> Self {
        let (rows, columns) = basis.scatter.dim();
        let margin = length / 2 + 2;
        let tiles: Vec<(usize, usize)> =
            (0..rows).step_by(TILE).flat_map(|y| (0..columns).step_by(TILE).map(move |x| (y, x))).collect();
        let done: Vec<(usize, usize, Patch)> = tiles
            .into_par_iter()
            .map(|(y, x)| {
                let (h, w) = (TILE.min(rows - y), TILE.min(columns - x));
                (y, x, search_tile(basis, y, x, h, w, margin, length))
            })
            .collect();
        let mut value = Array2::<f32>::zeros((rows, columns));
        let mut direction = Array2::<u8>::zeros((rows, columns));
        for (y, x, patch) in done {
            for j in 0..patch.height {
                for i in 0..patch.width {
                    value[[y + j, x + i]] = patch.value[j * patch.width + i];
                    direction[[y + j, x + i]] = patch.direction[j * patch.width + i] as u8;
                }
            }
        }
        Self { value, direction }
    }
}

struct Patch {
    height: usize,
    width: usize,
    value: Vec<f32>,
    /// As wide as the values, so that both are chosen at once.
    direction: Vec<u32>,
}

fn search_tile(basis: &RidgeBasis, y: usize, x: usize, h: usize, w: usize, margin: usize, length: usize) -> Patch {
    let (ph, pw) = (h + 2 * margin, w + 2 * margin);
    // The planes round the tile, zero (no line) outside the frame.
    let local = cut(basis, y, x, margin, ph, pw);
    let mut patch = Patch { height: h, width: w, value: vec![f32::MIN; h * w], direction: vec![0; h * w] };
    let mut work = [vec![0.0_f32; ph * pw], vec![0.0_f32; ph * pw]];
    for index in 0..DIRECTIONS {
        wide(Sweep { planes: &local, pw, margin, length, index, work: &mut work, best: &mut patch });
    }
    patch
}

/// The five derivatives round a tile, a plane each.
fn cut(basis: &RidgeBasis, y: usize, x: usize, margin: usize, ph: usize, pw: usize) -> [Vec<f32>; 5] {
    let (rows, columns) = basis.scatter.dim();
    let mut out = [const { Vec::new() }; 5].map(|_: Vec<f32>| vec![0.0; ph * pw]);
    let from = margin.saturating_sub(x);
    let to = pw.min(columns + margin - x);
    for j in 0..ph {
        let Some(row) = (y + j).checked_sub(margin).filter(|r| *r < rows) else { continue };
        if from < to {
            let start = row * columns + x + from - margin;
            let cells = &basis.derivatives[start..start + to - from];
            for (k, plane) in out.iter_mut().enumerate() {
                let place = &mut plane[j * pw + from..j * pw + to];
                place.iter_mut().zip(cells).for_each(|(o, cell)| *o = cell[k]);
            }
        }
    }
    out
}

/// One direction: sums along it by doubling, each a shifted addition of the whole tile.
struct Sweep<'a> {
    planes: &'a [Vec<f32>; 5],
    pw: usize,
    margin: usize,
    length: usize,
    index: usize,
    work: &'a mut [Vec<f32>; 2],
    best: &'a mut Patch,
}

impl Wide for Sweep<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { planes, pw, margin, length, index, work, best } = self;
        let along = direction(index);
        let (nx, ny) = (-along[1] as f32, along[0] as f32);
        let (a, b, c) = (nx * nx, 2.0 * nx * ny, ny * ny);
        let [sums, next] = work;
        {
            let [xx, xy, yy, gx, gy] = [&planes[0], &planes[1], &planes[2], &planes[3], &planes[4]];
            for (((((o, xx), xy), yy), gx), gy) in sums.iter_mut().zip(xx).zip(xy).zip(yy).zip(gx).zip(gy) {
                let r = a * xx + b * xy + c * yy - STEP_WEIGHT * (nx * gx + ny * gy).abs();
                *o = r.clamp(LEAST, CLIP);
            }
        }
        // k steps along the direction, one cell of its major axis each, as an offset in the tile.
        let major = along[0].abs().max(along[1].abs());
        let offset = |k: isize| -> isize {
            let step = |v: f64| (k as f64 * v / major).round() as isize;
            step(along[1]) * pw as isize + step(along[0])
        };
        // Cells whose sum would leave the tile keep what they have: they lie in the margin and are not used.
        let third = length / 3;
        let mut covered = 1;
        while covered < third {
            let reach = covered.min(third - covered);
            add_shifted(next, sums, offset(reach as isize));
            std::mem::swap(sums, next);
            covered += reach;
        }
        let starts = [-1.5, -0.5, 0.5].map(|k: f64| offset((k * third as f64).round() as isize));
        let scale = 1.0 / (3 * third) as f32;
        for j in 0..best.height {
            let row = ((j + margin) * pw + margin) as isize;
            let [p, q, r] = starts.map(|s| {
                let from = (row + s) as usize;
                &sums[from..from + best.width]
            });
            let value = &mut best.value[j * best.width..(j + 1) * best.width];
            let directions = &mut best.direction[j * best.width..(j + 1) * best.width];
            for ((((v, d), p), q), r) in value.iter_mut().zip(directions).zip(p).zip(q).zip(r) {
                let mean = (p + q + r) * scale;
                // Chosen, not branched on, so that it is done many at a time.
                let better = mean > *v;
                *v = if better { mean } else { *v };
                *d = if better { index as u32 } else { *d };
            }
        }
    }
}

/// out\[i\] = a\[i\] + a\[i + offset\] wherever both are there.
#[inline(always)]
fn add_shifted(out: &mut [f32], a: &[f32], offset: isize) {
    let n = a.len();
    let by = offset.unsigned_abs().min(n);
    if offset >= 0 {
        for ((o, p), q) in out[..n - by].iter_mut().zip(a).zip(&a[by..]) {
            *o = p + q;
        }
        out[n - by..].copy_from_slice(&a[n - by..]);
    } else {
        for ((o, p), q) in out[by..].iter_mut().zip(&a[by..]).zip(a) {
            *o = p + q;
        }
        out[..by].copy_from_slice(&a[..by]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dark line of given width and depth through (cx, cy), each cell the mean over itself.
    fn line(rows: usize, columns: usize, angle: f64, width: f64, depth: f64) -> Array2<f32> {
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
    fn a_step_answers_far_less_than_a_line() {
        let step = Array2::from_shape_fn((61, 61), |(_, x)| if x < 30 { -0.4 } else { 0.0 });
        let basis = RidgeBasis::of(&step, 20, 1.0);
        let strongest = (20..40).filter_map(|x| basis.response(f64::from(x), 30.0, [0.0, 1.0])).fold(0.0_f32, f32::max);
        assert!(strongest < 0.4 * 0.22, "{strongest}");
    }

    #[test]
    fn the_search_finds_a_faint_line_and_its_direction() {
        for degrees in [3.0_f64, 40.0, 93.0, 150.0] {
            let a = degrees.to_radians();
            let log = line(220, 260, a, 1.2, 0.15);
            let basis = RidgeBasis::of(&log, 20, 0.03);
            let field = LineField::search(&basis, 48);
            let (value, index) = (field.value[[110, 130]], field.direction[[110, 130]]);
            assert!(value > 0.8, "{degrees}: {value}");
            let found = 180.0 * f64::from(index) / DIRECTIONS as f64;
            let off = (found - degrees).rem_euclid(180.0);
            assert!(off.min(180.0 - off) <= 3.0, "{degrees}: found {found}");
            assert!(field.value[[20, 215]] < 0.2);
        }
    }
}
