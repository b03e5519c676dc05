//! Thin dark lines: Gaussian derivatives that steer to any direction, and the mean response along straight stretches.

use ndarray::Array2;
use rayon::prelude::*;

/// Width of the Gaussian whose derivatives find lines, cells: answers lines of one to four cells.
pub const SIGMA: f64 = 1.2;
/// First derivative tolerated beside the second: on a line they meet where one is zero, on a step where neither is.
const STEP_WEIGHT: f32 = 1.5;
/// Single dots weigh no more than this many times the local scatter.
pub const CLIP: f32 = 2.2;
/// Least of one cell: a gap in a line costs little.
const LEAST: f32 = -0.6;
/// Directions searched over half a turn.
pub const DIRECTIONS: usize = 60;

/// Derivatives of log transmission, each divided by the local scatter of the line response.
pub struct RidgeBasis {
    /// Second derivatives xx, xy, yy and first derivatives x, y.
    pub planes: [Array2<f32>; 5],
    /// What they were divided by: local root mean square of the stronger line response, log units.
    pub scatter: Array2<f32>,
    /// The same planes side by side, a cell after the other: one place is read at once.
    packed: Vec<[f32; 5]>,
}

impl RidgeBasis {
    /// Of a log transmission; `reach` is half the side of the square that the local scatter is taken over, cells.
    ///
    /// `floor` is the scatter below which a response is noise, log units.
    #[must_use]
    pub fn of(log: &Array2<f32>, reach: usize, floor: f32) -> Self {
        let [smooth, first, second] = kernels();
        let jobs: [(&[f32], &[f32]); 5] =
            [(&second, &smooth), (&first, &first), (&smooth, &second), (&first, &smooth), (&smooth, &first)];
        let mut planes: [Array2<f32>; 5] = jobs.map(|(across, down)| separable(log, across, down));
        // First derivatives carry SIGMA each; the pure second ones carry twice SIGMA².
        planes[1] *= 2.0;
        let mut squares = Array2::<f32>::zeros(log.dim());
        {
            let [xx, xy, yy, gx, gy] = &planes;
            ndarray::Zip::from(&mut squares).and(xx).and(xy).and(yy).and(gx).and(gy).par_for_each(
                |s, &xx, &xy, &yy, &gx, &gy| {
                    let (curvature, nx, ny) = sharpest(xx, xy, yy);
                    let r = (curvature - STEP_WEIGHT * (gx * nx + gy * ny).abs()).clamp(0.0, 0.6);
                    *s = r * r;
                },
            );
        }
        let mut scatter = crate::section::light_field::box_mean(&squares, reach);
        scatter.par_mapv_inplace(|s| s.max(0.0).sqrt().max(floor));
        for p in &mut planes {
            ndarray::Zip::from(p).and(&scatter).par_for_each(|p, s| *p /= *s);
        }
        let mut packed = vec![[0.0_f32; 5]; scatter.len()];
        for (k, p) in planes.iter().enumerate() {
            for (cell, v) in packed.iter_mut().zip(p) {
                cell[k] = *v;
            }
        }
        Self { planes, scatter, packed }
    }

    /// Response at cell (x, y) to a dark line along (dx, dy), in local scatters, clipped; None outside.
    #[must_use]
    pub fn response(&self, x: f64, y: f64, along: [f64; 2]) -> Option<f32> {
        let (rows, columns) = self.scatter.dim();
        if !(x >= 0.0 && y >= 0.0) || x > (columns - 1) as f64 || y > (rows - 1) as f64 {
            return None;
        }
        let (i, j) = ((x as usize).min(columns.saturating_sub(2)), (y as usize).min(rows.saturating_sub(2)));
        let (u, v) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = j * columns + i;
        let (a, b) = (&self.packed[at], &self.packed[at + 1]);
        let (c, d) = (&self.packed[at + columns], &self.packed[at + columns + 1]);
        let [xx, xy, yy, gx, gy]: [f32; 5] = std::array::from_fn(|k| {
            let top = a[k] + (b[k] - a[k]) * u;
            let bottom = c[k] + (d[k] - c[k]) * u;
            top + (bottom - top) * v
        });
        let (nx, ny) = (-along[1] as f32, along[0] as f32);
        let curvature = xx * nx * nx + 2.0 * xy * nx * ny + yy * ny * ny;
        let slope = gx * nx + gy * ny;
        Some((curvature - STEP_WEIGHT * slope.abs()).clamp(LEAST, CLIP))
    }
}

/// Strongest second derivative with its direction (unit vector across the line).
#[must_use]
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

/// Separable correlation; the frame is continued by its edge cells.
#[must_use]
pub fn separable(a: &Array2<f32>, across: &[f32], down: &[f32]) -> Array2<f32> {
    let (rows, columns) = a.dim();
    let source = a.as_slice().expect("standard layout");
    let mut middle = Array2::<f32>::zeros((rows, columns));
    let reach = across.len() / 2;
    middle.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(y, out)| {
        let line = &source[y * columns..(y + 1) * columns];
        let mut padded = Vec::with_capacity(columns + 2 * reach);
        padded.extend(std::iter::repeat_n(line[0], reach));
        padded.extend_from_slice(line);
        padded.extend(std::iter::repeat_n(line[columns - 1], reach));
        for (k, w) in across.iter().enumerate() {
            for (o, v) in out.iter_mut().zip(&padded[k..]) {
                *o += w * v;
            }
        }
    });
    let middle = middle.into_raw_vec_and_offset().0;
    let mut out = Array2::<f32>::zeros((rows, columns));
    let reach = down.len() as isize / 2;
    out.as_slice_mut().expect("standard layout").par_chunks_mut(columns.max(1)).enumerate().for_each(|(y, out)| {
        for (k, w) in down.iter().enumerate() {
            let j = (y as isize + k as isize - reach).clamp(0, rows as isize - 1) as usize;
            for (o, v) in out.iter_mut().zip(&middle[j * columns..]) {
                *o += w * v;
            }
        }
    });
    out
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
        let margin = length / 2 + 1;
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
                    direction[[y + j, x + i]] = patch.direction[j * patch.width + i];
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
    direction: Vec<u8>,
}

fn search_tile(basis: &RidgeBasis, y: usize, x: usize, h: usize, w: usize, margin: usize, length: usize) -> Patch {
    let (ph, pw) = (h + 2 * margin, w + 2 * margin);
    // The planes round the tile, zero (no line) outside the frame, and the same turned about the diagonal.
    let local: Vec<Vec<f32>> = basis.planes.iter().map(|p| cut(p, y, x, margin, ph, pw)).collect();
    let flipped: Vec<Vec<f32>> = [2, 1, 0, 4, 3].iter().map(|k| turn(&local[*k], ph, pw)).collect();
    let mut patch = Patch { height: h, width: w, value: vec![f32::MIN; h * w], direction: vec![0; h * w] };
    let mut turned = Patch { height: w, width: h, value: vec![f32::MIN; h * w], direction: vec![0; h * w] };
    for index in 0..DIRECTIONS {
        let along = direction(index);
        if along[0].abs() >= along[1].abs() {
            sweep(&local, ph, pw, margin, length, along, index as u8, &mut patch);
        } else {
            // Columns take the part of rows: (x, y) -> (y, x).
            sweep(&flipped, pw, ph, margin, length, [along[1], along[0]], index as u8, &mut turned);
        }
    }
    for j in 0..h {
        for i in 0..w {
            let (a, b) = (j * w + i, i * h + j);
            if turned.value[b] > patch.value[a] {
                patch.value[a] = turned.value[b];
                patch.direction[a] = turned.direction[b];
            }
        }
    }
    patch
}

fn cut(p: &Array2<f32>, y: usize, x: usize, margin: usize, ph: usize, pw: usize) -> Vec<f32> {
    let (rows, columns) = p.dim();
    let source = p.as_slice().expect("standard layout");
    let mut out = vec![0.0; ph * pw];
    for j in 0..ph {
        let Some(row) = (y + j).checked_sub(margin).filter(|r| *r < rows) else { continue };
        let from = margin.saturating_sub(x);
        let to = pw.min(columns + margin - x);
        if from < to {
            let start = row * columns + x + from - margin;
            out[j * pw + from..j * pw + to].copy_from_slice(&source[start..start + to - from]);
        }
    }
    out
}

fn turn(a: &[f32], h: usize, w: usize) -> Vec<f32> {
    let mut out = vec![0.0; h * w];
    for j in 0..h {
        for i in 0..w {
            out[i * h + j] = a[j * w + i];
        }
    }
    out
}

/// One direction with |dx| >= |dy|: running sums along sheared rows.
#[allow(clippy::too_many_arguments)]
fn sweep(
    planes: &[Vec<f32>],
    ph: usize,
    pw: usize,
    margin: usize,
    length: usize,
    along: [f64; 2],
    index: u8,
    best: &mut Patch,
) {
    let slope = along[1] / along[0];
    let (nx, ny) = (-along[1] as f32, along[0] as f32);
    let (a, b, c) = (nx * nx, 2.0 * nx * ny, ny * ny);
    // Row shift at each column, relative to the middle.
    let middle = (pw / 2) as f64;
    let shift: Vec<isize> = (0..pw).map(|x| ((x as f64 - middle) * slope).round() as isize).collect();
    let mut runs: Vec<(usize, usize, isize)> = Vec::new();
    let mut from = 0;
    for x in 1..=pw {
        if x == pw || shift[x] != shift[from] {
            runs.push((from, x, shift[from]));
            from = x;
        }
    }
    let least = shift.iter().copied().min().unwrap_or(0);
    let most = shift.iter().copied().max().unwrap_or(0);
    let half = length / 2;
    let scale = 1.0 / length as f32;
    let mut line = vec![0.0_f32; pw];
    let mut sums = vec![0.0_f32; pw + 1];
    for y0 in -most..ph as isize - least {
        for &(from, to, s) in &runs {
            let y = y0 + s;
            if y < 0 || y >= ph as isize {
                line[from..to].fill(0.0);
                continue;
            }
            let at = y as usize * pw;
            let out = &mut line[from..to];
            let xx = &planes[0][at + from..at + to];
            let xy = &planes[1][at + from..at + to];
            let yy = &planes[2][at + from..at + to];
            let gx = &planes[3][at + from..at + to];
            let gy = &planes[4][at + from..at + to];
            for i in 0..out.len() {
                let r = a * xx[i] + b * xy[i] + c * yy[i] - STEP_WEIGHT * (nx * gx[i] + ny * gy[i]).abs();
                out[i] = r.clamp(LEAST, CLIP);
            }
        }
        let mut sum = 0.0;
        for x in 0..pw {
            sum += line[x];
            sums[x + 1] = sum;
        }
        for &(from, to, s) in &runs {
            let y = y0 + s;
            let inside = y >= margin as isize && y < (margin + best.height) as isize;
            let (from, to) = (from.max(margin), to.min(margin + best.width));
            if !inside || from >= to {
                continue;
            }
            let row = (y as usize - margin) * best.width;
            for x in from..to {
                let mean = (sums[x + half + 1] - sums[x - half]) * scale;
                let at = row + x - margin;
                if mean > best.value[at] {
                    best.value[at] = mean;
                    best.direction[at] = index;
                }
            }
        }
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
                let [xx, xy, yy, ..] = &basis.planes;
                let at = [40, 40];
                let (value, nx, ny) = sharpest(xx[at], xy[at], yy[at]);
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
