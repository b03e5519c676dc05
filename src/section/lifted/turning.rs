//! Where tints go round neutral in one sense along one direction, as a film's do: r·∇b - b·∇r, with r and b the two tints.
//!
//! On a film that vector points to where it is thicker, over every band and every grain. Where plain tints lie side by side, or
//! one tint is stronger here than there, it points anywhere, or is nothing.

use ndarray::Array2;

use super::cells::TintCells;

/// Cells along the side of a block: some 130 µm. Blocks overlap by half.
const BLOCK: usize = 16;
/// Least share of the turning that points one way.
const LEAST_ONE_WAY: f32 = 0.6;
/// Least share of a block over which the turning is spread: the border of two plain tints is a line.
const LEAST_SPREAD: f32 = 0.2;
/// Least turning, squared log units a cell: tints of 0.04 that go round once in 200 µm.
const LEAST: f32 = 4e-4;
/// Blocks that must agree that there is a film: a patch of 200 µm has as many.
const AGREE: usize = 3;
/// Cells between the two places whose difference is a gradient: bands are wider, specks are not.
const STEP: usize = 2;

/// Boxes of cells (x0, y0, x1, y1, half-open) about places where tints turn as a film's, with a margin.
pub(super) fn boxes(cells: &TintCells) -> Vec<[usize; 4]> {
    let (rows, columns) = cells.seen.dim();
    let turning = turning(cells);
    let mut boxes: Vec<([usize; 4], usize)> = Vec::new();
    for y in (0..rows).step_by(BLOCK / 2) {
        for x in (0..columns).step_by(BLOCK / 2) {
            let (to_y, to_x) = ((y + BLOCK).min(rows), (x + BLOCK).min(columns));
            let (mut sum, mut all, mut squares, mut n) = ([0.0_f32; 2], 0.0, 0.0, 0.0_f32);
            for v in (y..to_y).flat_map(|y| (x..to_x).map(move |x| [y, x])).filter_map(|at| turning[at]) {
                sum = [sum[0] + v[0], sum[1] + v[1]];
                all += v[0].hypot(v[1]);
                squares += v[0] * v[0] + v[1] * v[1];
                n += 1.0;
            }
            let one_way = sum[0].hypot(sum[1]);
            let spread = all * all > LEAST_SPREAD * n * squares;
            let seen = n > 0.25 * (BLOCK * BLOCK) as f32;
            if seen && spread && one_way > LEAST * n && one_way > LEAST_ONE_WAY * all {
                let within = [
                    x.saturating_sub(BLOCK),
                    y.saturating_sub(BLOCK),
                    (to_x + BLOCK).min(columns),
                    (to_y + BLOCK).min(rows),
                ];
                boxes.push((within, 1));
            }
        }
    }
    let mut boxes: Vec<[usize; 4]> = united(boxes).into_iter().filter(|b| b.1 >= AGREE).map(|b| b.0).collect();
    boxes.sort_unstable();
    boxes
}

/// How the tint turns at each cell, along and across; None where a neighbour is not seen.
fn turning(cells: &TintCells) -> Array2<Option<[f32; 2]>> {
    let (rows, columns) = cells.seen.dim();
    Array2::from_shape_fn((rows, columns), |(y, x)| {
        let tint = |dy: i64, dx: i64| {
            let at = [(y as i64 + dy) as usize, (x as i64 + dx) as usize];
            cells.seen.get(at).filter(|seen| **seen).map(|_| cells.tint[at])
        };
        let half = (STEP / 2) as i64;
        // The turn between the two is the cross product over their distance.
        let turn = |a: [f32; 2], b: [f32; 2]| (a[0] * b[1] - a[1] * b[0]) / STEP as f32;
        Some([turn(tint(0, -half)?, tint(0, half)?), turn(tint(-half, 0)?, tint(half, 0)?)])
    })
}

/// Boxes that overlap become one, with the blocks of all.
fn united(boxes: Vec<([usize; 4], usize)>) -> Vec<([usize; 4], usize)> {
    let mut out: Vec<([usize; 4], usize)> = Vec::new();
    for (mut next, mut blocks) in boxes {
        while let Some(i) = out.iter().position(|(b, _)| (0..2).all(|k| b[k] < next[k + 2] && next[k] < b[k + 2])) {
            let (b, more) = out.swap_remove(i);
            next = [b[0].min(next[0]), b[1].min(next[1]), b[2].max(next[2]), b[3].max(next[3])];
            blocks += more;
        }
        out.push((next, blocks));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(tint: impl Fn(usize, usize) -> [f32; 2]) -> TintCells {
        TintCells::tinted((80, 80), tint)
    }

    /// Once round in 20 cells; the same tints in plain squares without order; one tint that waxes and wanes.
    #[test]
    fn what_goes_round_is_told_from_what_lies_side_by_side() {
        let round =
            |turns: f32| [0.06 * (std::f32::consts::TAU * turns).cos(), 0.06 * (std::f32::consts::TAU * turns).sin()];
        assert_eq!(boxes(&cells(|x, y| round(0.05 * x as f32 + 0.01 * y as f32))).len(), 1);
        let squares = cells(|x, y| round(0.37 * ((x / 20 * 5 + y / 20 * 3) * (x / 20 + 2) % 11) as f32));
        assert!(boxes(&squares).is_empty(), "{:?}", boxes(&squares));
        assert!(boxes(&cells(|x, _| [0.06 * (x as f32 / 6.0).sin(), -0.1 * (x as f32 / 6.0).sin()])).is_empty());
    }
}
