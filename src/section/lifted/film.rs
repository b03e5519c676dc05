//! How thick the film is from cell to cell, if there is one: the thickness that explains the tints and changes smoothly.
//!
//! Every cell has a cost for each thickness of the film and for none; costs are gathered along eight directions with a price on
//! change (semi-global matching: Hirschmüller, IEEE Trans. Pattern Anal. Mach. Intell. 30, 328, 2008; from memory).

use ndarray::Array2;
use rayon::prelude::*;

use super::cells::TintCells;
use super::path::{FilmPath, STEPS};

/// Scatter of a cell's tint about its film's, log units: noise, JPEG and the rock's own pale tints.
const SCATTER: f32 = 0.018;
/// Greatest cost of a cell, so that a dark or brown grain does not end a film.
const MOST: f32 = 6.0;
/// Price of a step of thickness from one cell to the next; the first is free.
const STEP: f32 = 0.15;
/// Price of a film's edge, or of a leap in its thickness.
const LEAP: f32 = 4.0;
/// No film, then each thickness.
const STATES: usize = STEPS + 1;
/// Directions in which costs are gathered: along, across and both diagonals, there and back.
const WAYS: [[i64; 2]; 8] = [[1, 0], [-1, 0], [0, 1], [0, -1], [1, 1], [-1, -1], [1, -1], [-1, 1]];

/// Step of the film's thickness in each cell of a box of cells, from 1 on; 0 is none.
pub(super) fn follow(cells: &TintCells, path: &FilmPath, [x0, y0, x1, y1]: [usize; 4]) -> Array2<u8> {
    let (rows, columns) = (y1 - y0, x1 - x0);
    let mut costs = vec![0.0_f32; rows * columns * STATES];
    costs.par_chunks_mut(STATES).enumerate().for_each(|(i, cost)| {
        let at = [y0 + i / columns, x0 + i % columns];
        if cells.seen[at] {
            let t = cells.tint[at];
            let of =
                |p: [f32; 2]| (((t[0] - p[0]).powi(2) + (t[1] - p[1]).powi(2)) / (2.0 * SCATTER * SCATTER)).min(MOST);
            cost[0] = of([0.0, 0.0]);
            for (c, p) in cost[1..].iter_mut().zip(&path.tint) {
                *c = of(*p);
            }
        }
    });
    let sums = WAYS.par_iter().map(|way| gathered(&costs, rows, columns, *way)).reduce(
        || vec![0.0; costs.len()],
        |mut a, b| {
            a.iter_mut().zip(&b).for_each(|(a, b)| *a += b);
            a
        },
    );
    let best = sums.chunks(STATES).map(|s| {
        let least = s.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1));
        least.map_or(0, |(k, _)| k as u8)
    });
    Array2::from_shape_vec((rows, columns), best.collect()).expect("one a cell")
}

/// Costs of each cell with those of the cells before it on its way.
fn gathered(costs: &[f32], rows: usize, columns: usize, [dx, dy]: [i64; 2]) -> Vec<f32> {
    let mut out = costs.to_vec();
    let mut message = [0.0_f32; STATES];
    for j in 0..rows {
        let y = if dy < 0 { rows - 1 - j } else { j };
        for i in 0..columns {
            let x = if dx < 0 { columns - 1 - i } else { i };
            let (from_x, from_y) = (x as i64 - dx, y as i64 - dy);
            if from_x < 0 || from_y < 0 || from_x >= columns as i64 || from_y >= rows as i64 {
                continue;
            }
            let from = (from_y as usize * columns + from_x as usize) * STATES;
            passed_on(&out[from..from + STATES], &mut message);
            let to = (y * columns + x) * STATES;
            out[to..to + STATES].iter_mut().zip(&message).for_each(|(o, m)| *o += m);
        }
    }
    out
}

/// Least cost of each state coming from any state of the cell before, over the least of all.
fn passed_on(before: &[f32], message: &mut [f32; STATES]) {
    let least = before.iter().copied().fold(f32::INFINITY, f32::min);
    message.copy_from_slice(before);
    for k in 2..STATES {
        message[k] = message[k].min(message[k - 1] + STEP);
    }
    for k in (1..STATES - 1).rev() {
        message[k] = message[k].min(message[k + 1] + STEP);
    }
    // The first step is free.
    let mut left = f32::INFINITY;
    for k in 1..STATES {
        let here = message[k];
        let right = message.get(k + 1).copied().unwrap_or(f32::INFINITY);
        message[k] = here.min(left).min(right);
        left = here;
    }
    message.iter_mut().for_each(|m| *m = m.min(least + LEAP) - least);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::lifted::path::{PATHS, film_nm};

    /// A wedge of film is followed to a step, through a grain that hides it, and ends where it ends.
    #[test]
    fn a_wedge_is_followed_and_no_film_is_none() {
        let path = &PATHS[2];
        let film = |x: usize| if (10..50).contains(&x) { Some(x - 10 + 5) } else { None };
        let mut seen = TintCells::tinted((30, 60), |x, _| film(x).map_or([0.0; 2], |k| path.tint[k]));
        for y in 10..16 {
            for x in 25..31 {
                seen.seen[[y, x]] = false;
            }
        }
        let found = follow(&seen, path, [0, 0, 60, 30]);
        for ((y, x), k) in found.indexed_iter() {
            let expected = film(x).map_or(0, |k| k + 1);
            let near = (10..17).contains(&y) && (24..32).contains(&x);
            let edge = !(12..=47).contains(&x);
            let off = (f64::from(*k) - expected as f64).abs();
            assert!(off <= 1.0 || edge || near && off <= 3.0, "{x} {y}: {k} for {expected}, {} nm", film_nm(expected));
        }
        let none = follow(&TintCells::tinted((20, 20), |_, _| [0.0; 2]), path, [0, 0, 20, 20]);
        assert!(none.iter().all(|k| *k == 0));
    }
}
