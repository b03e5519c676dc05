//! The mosaic of grains: a power diagram whose cells are partly joined and whose borders are warped until they interlock.

use rayon::prelude::*;

use super::canvas::Canvas;
use super::dice::{Dice, lattice, noise};

/// How grains are packed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Packing {
    /// Typical grain diameter, pixels.
    pub(crate) size_px: f32,
    /// Warp of the borders, share of the grain size.
    pub(crate) warp: f32,
    /// Share of cells joined to a neighbour: unequal and interlocking grains.
    pub(crate) joined: f32,
    /// Round the corners, as in a sandstone.
    pub(crate) rounded: bool,
}

struct Seed {
    x: f32,
    y: f32,
    weight: f32,
    grain: u32,
}

/// Fills `label` and `edge`; returns the number of grains.
pub(crate) fn lay(canvas: &mut Canvas, packing: Packing, dice: &mut Dice) -> usize {
    let s = packing.size_px;
    let (columns, rows) = ((canvas.w as f32 / s).ceil() as usize + 6, (canvas.h as f32 / s).ceil() as usize + 6);
    let mut parent: Vec<usize> = (0..columns * rows).collect();
    for i in 0..parent.len() {
        if dice.chance(packing.joined) {
            let neighbour = if dice.chance(0.5) { i + 1 } else { i + columns };
            if neighbour < parent.len() && parent[i] == i {
                parent[i] = neighbour;
            }
        }
    }
    let mut count = 0u32;
    let mut number = vec![u32::MAX; parent.len()];
    let mut seeds = Vec::with_capacity(parent.len());
    for i in 0..parent.len() {
        // Two joins at most, or whole rows would become one grain.
        let root = parent[parent[i]];
        if number[root] == u32::MAX {
            number[root] = count;
            count += 1;
        }
        let (column, row) = ((i % columns) as f32 - 3.0, (i / columns) as f32 - 3.0);
        seeds.push(Seed {
            x: (column + dice.between(0.05, 0.95)) * s,
            y: (row + dice.between(0.05, 0.95)) * s,
            weight: (dice.between(0.0, 0.42) * s).powi(2),
            grain: number[root],
        });
    }
    let warp_seed = dice.seed();
    let w = canvas.w;
    canvas.label.par_chunks_mut(w).zip(canvas.edge.par_chunks_mut(w)).enumerate().for_each(|(y, (labels, edges))| {
        for x in 0..w {
            let (px, py) = warped(x as f32, y as f32, s, packing.warp, warp_seed);
            let (label, edge) = nearest(&seeds, columns, rows, s, px, py, packing.rounded);
            labels[x] = label;
            edges[x] = edge;
        }
    });
    count as usize
}

fn warped(x: f32, y: f32, s: f32, warp: f32, seed: u32) -> (f32, f32) {
    let (mut px, mut py) = (x, y);
    for (share, scale, k) in [(1.0, 0.8, 0), (0.42, 0.27, 1), (0.16, 0.09, 2)] {
        let (u, v) = (x / (scale * s), y / (scale * s));
        px += warp * share * s * noise(u, v, seed + 2 * k);
        py += warp * share * s * noise(u, v, seed + 2 * k + 1);
    }
    // Ragged on the scale of a few pixels.
    px += 0.9 * noise(x / 4.0, y / 4.0, seed + 7);
    py += 0.9 * noise(x / 4.0, y / 4.0, seed + 8);
    (px, py)
}

fn nearest(seeds: &[Seed], columns: usize, rows: usize, s: f32, x: f32, y: f32, rounded: bool) -> (u32, f32) {
    let column = ((x / s).floor() as i64 + 3).clamp(2, columns as i64 - 3) as usize;
    let row = ((y / s).floor() as i64 + 3).clamp(2, rows as i64 - 3) as usize;
    let around = || (row - 2..=row + 2).flat_map(move |r| (column - 2..=column + 2).map(move |c| r * columns + c));
    let power = |p: &Seed| (x - p.x).powi(2) + (y - p.y).powi(2) - p.weight;
    let (mut best, mut best_power) = (row * columns + column, f32::INFINITY);
    for i in around() {
        let p = power(&seeds[i]);
        if p < best_power {
            (best, best_power) = (i, p);
        }
    }
    let own = &seeds[best];
    let sharp = 8.0 / s;
    let (mut edge, mut soft) = (s, 0.0f32);
    for i in around() {
        let other = &seeds[i];
        if other.grain != own.grain {
            let apart = (other.x - own.x).hypot(other.y - own.y).max(1.0);
            let border = (power(other) - best_power) / (2.0 * apart);
            edge = edge.min(border);
            if rounded && border < s {
                soft += (-sharp * border).exp();
            }
        }
    }
    (own.grain, if rounded && soft > 0.0 { -soft.ln() / sharp } else { edge })
}

/// A lath, flake or grain laid over the mosaic.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lath {
    /// Centre, canvas pixels.
    pub(crate) centre: [f32; 2],
    /// Half length and half width, pixels.
    pub(crate) half: [f32; 2],
    /// Direction of the length, radians in canvas axes.
    pub(crate) angle: f32,
    /// Roughness of the outline, share of the half width.
    pub(crate) rough: f32,
    /// How rounded: 0 a box, 1 an ellipse.
    pub(crate) round: f32,
}

/// Lays one lath over the mosaic as grain `label`.
pub(crate) fn lay_lath(canvas: &mut Canvas, lath: Lath, label: u32) {
    let reach = lath.half[0] + lath.half[1] + 4.0;
    let clamp = |v: f32, n: usize| v.clamp(0.0, n as f32) as usize;
    let (s, c) = lath.angle.sin_cos();
    for y in clamp(lath.centre[1] - reach, canvas.h)..clamp(lath.centre[1] + reach, canvas.h) {
        for x in clamp(lath.centre[0] - reach, canvas.w)..clamp(lath.centre[0] + reach, canvas.w) {
            let (dx, dy) = (x as f32 - lath.centre[0], y as f32 - lath.centre[1]);
            let (u, v) = (dx * c + dy * s, -dx * s + dy * c);
            let square = (lath.half[0] - u.abs()).min(lath.half[1] - v.abs());
            let ellipse = (1.0 - (u / lath.half[0]).hypot(v / lath.half[1])) * lath.half[1];
            let scale = (0.5 * lath.half[1]).clamp(4.0, 40.0);
            let wobble = lath.rough
                * lath.half[1]
                * (noise(x as f32 / scale, y as f32 / scale, label)
                    + 0.4 * noise(x as f32 / 5.0, y as f32 / 5.0, label ^ 5));
            let inside = square + lath.round * (ellipse - square) + wobble;
            let at = y * canvas.w + x;
            if inside > 0.0 {
                canvas.label[at] = label;
                canvas.edge[at] = inside;
            } else if inside > -6.0 {
                canvas.edge[at] = canvas.edge[at].min(-inside);
            }
        }
    }
}

/// A fine aggregate: which crumb a pixel belongs to, as a random number 0..1 and an azimuth.
pub(crate) fn crumb(x: f32, y: f32, size: f32, seed: u32) -> (f32, f32) {
    let (u, v) =
        (x / size + 0.6 * noise(x / size, y / size, seed ^ 11), y / size + 0.6 * noise(x / size, y / size, seed ^ 12));
    let (i, j) = (u.floor() as i32, v.floor() as i32);
    (lattice(i, j, seed), lattice(i, j, seed ^ 13) * std::f32::consts::PI)
}
