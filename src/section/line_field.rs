//! The mean response along straight stretches through every cell, in the direction where it is strongest.

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::ridge::{CLIP, LEAST, RidgeBasis, STEP_WEIGHT};
use crate::vectors::{Wide, wide};

/// Directions searched over half a turn.
pub const DIRECTIONS: usize = 60;

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
        // k steps along the direction, one cell of its major axis each, as an offset in the tile.
        let major = along[0].abs().max(along[1].abs());
        let steps = |k: isize, v: f64| (k as f64 * v / major).round() as isize;
        let offset = |k: isize| -> isize { steps(k, along[1]) * pw as isize + steps(k, along[0]) };
        // No stretch through the tile reaches farther up and down.
        let reach = steps(length as isize / 2, along[1]).unsigned_abs() + 2;
        let rows = margin - reach.min(margin)..(margin + best.height + reach).min(planes[0].len() / pw);
        let cells = rows.start * pw..rows.end * pw;
        let [sums, next] = work;
        let (sums, next) = (&mut &mut sums[cells.clone()], &mut &mut next[cells.clone()]);
        {
            let [xx, xy, yy, gx, gy] = planes.each_ref().map(|plane| &plane[cells.clone()]);
            for (((((o, xx), xy), yy), gx), gy) in sums.iter_mut().zip(xx).zip(xy).zip(yy).zip(gx).zip(gy) {
                let r = a * xx + b * xy + c * yy - STEP_WEIGHT * (nx * gx + ny * gy).abs();
                *o = r.clamp(LEAST, CLIP);
            }
        }
        // Cells whose sum would leave the tile keep what they had: they lie in the margin and are not used.
        let third = length / 3;
        let mut covered = 1;
        while covered < third {
            let first = covered.min(third - covered);
            covered += first;
            let second = covered.min(third - covered);
            covered += second;
            if second == 0 {
                add_shifted(next, sums, offset(first as isize));
            } else {
                add_shifted_twice(next, sums, offset(first as isize), offset(second as isize));
            }
            std::mem::swap(sums, next);
        }
        let starts = [-1.5, -0.5, 0.5].map(|k: f64| offset((k * third as f64).round() as isize));
        let scale = 1.0 / (3 * third) as f32;
        for j in 0..best.height {
            let row = ((j + margin - rows.start) * pw + margin) as isize;
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
    let (first, [p, q]) = shifted(a, [0, offset]);
    for ((o, p), q) in out[first..].iter_mut().zip(p).zip(q) {
        *o = p + q;
    }
}

/// The same by one offset and then by another.
#[inline(always)]
fn add_shifted_twice(out: &mut [f32], a: &[f32], one: isize, other: isize) {
    let (first, [p, q, r, s]) = shifted(a, [0, one, other, one + other]);
    for ((((o, p), q), r), s) in out[first..].iter_mut().zip(p).zip(q).zip(r).zip(s) {
        *o = (p + q) + (r + s);
    }
}

/// A row as it is seen from some offsets, over the places where all are there; and the first of these places.
#[inline(always)]
fn shifted<const N: usize>(a: &[f32], offsets: [isize; N]) -> (usize, [&[f32]; N]) {
    let back = offsets.iter().map(|o| -o).max().unwrap_or(0).max(0);
    let on = offsets.iter().copied().max().unwrap_or(0).max(0);
    let count = a.len().saturating_sub((back + on) as usize);
    (back as usize, offsets.map(|offset| &a[((back + offset) as usize).min(a.len() - count)..][..count]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::ridge::tests::line;

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
