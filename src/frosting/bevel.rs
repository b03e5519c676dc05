//! The bevelled corner: where the two edges of the glass end early and a slanted one joins them.

use crate::slide::Corner;

use crate::frosting::edges::Edges;
use crate::frosting::geometry::{Point, between, distance};

/// Corners in the order of the outline.
pub const CORNERS: [Corner; 4] = [Corner::TopLeft, Corner::TopRight, Corner::BottomRight, Corner::BottomLeft];
/// Legs that are tried, as a share of the short side: 2 to 9 mm on a slide 27 mm wide.
const LEGS: [f64; 2] = [0.06, 0.34];
/// Least share of the slanted edge that is seen.
const SLANT_SEEN: f64 = 0.6;
/// Most of the cut-off legs that may still look like an edge.
const LEGS_SEEN: f64 = 0.45;
/// By how much the corner must stand out from the next best.
const AHEAD: f64 = 0.25;

/// A corner that is cut off.
#[derive(Clone, Copy, Debug)]
pub struct Bevel {
    /// Which.
    pub corner: Corner,
    /// Ends of the slanted edge, cells, clockwise.
    pub ends: [Point; 2],
}

/// The bevelled corner of a glass whose edges would meet in `corners` (clockwise from the top left), when exactly one is seen.
#[must_use]
pub fn find(corners: &[Point; 4], edges: &Edges) -> Option<Bevel> {
    let side = |k: usize| distance(corners[k], corners[(k + 1) % 4]);
    let short = side(0).min(side(1)).min(side(2)).min(side(3));
    let mut best: Vec<(f64, Bevel)> = (0..4).map(|k| cut(k, corners, short, edges)).collect();
    best.sort_by(|a, b| b.0.total_cmp(&a.0));
    (best[0].0 > 0.0 && best[0].0 - best[1].0.max(0.0) > AHEAD).then_some(best[0].1)
}

/// The best slanted edge across corner `k`, and how much speaks for it; below zero when nothing does.
fn cut(k: usize, corners: &[Point; 4], short: f64, edges: &Edges) -> (f64, Bevel) {
    let (p, before, after) = (corners[k], corners[(k + 3) % 4], corners[(k + 1) % 4]);
    let mut best = (-1.0, Bevel { corner: CORNERS[k], ends: [p, p] });
    for i in 0..=24 {
        let a = short * (LEGS[0] + (LEGS[1] - LEGS[0]) * f64::from(i) / 24.0);
        for j in 0..=24 {
            let b = short * (LEGS[0] + (LEGS[1] - LEGS[0]) * f64::from(j) / 24.0);
            if a > 1.8 * b || b > 1.8 * a {
                continue;
            }
            let ends = [between(p, before, a / distance(p, before)), between(p, after, b / distance(p, after))];
            let slant = edges.support(between(ends[0], ends[1], 0.06), between(ends[0], ends[1], 0.94));
            if slant < SLANT_SEEN {
                continue;
            }
            let legs = ends.map(|e| edges.support(between(p, e, 0.05), between(p, e, 0.85)));
            let mean = (legs[0] + legs[1]) / 2.0;
            if mean > LEGS_SEEN || legs[0].max(legs[1]) > 0.7 {
                continue;
            }
            // Of several that are seen as well the longest: a short one misses the ends of the same slant.
            let score = slant - mean + 0.2 * (a + b) / short;
            if score > best.0 {
                best = (score, Bevel { corner: CORNERS[k], ends });
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::shape::holds;
    use ndarray::Array2;

    #[test]
    fn a_cut_corner_is_found_where_it_is_and_a_whole_card_has_none() {
        let whole = [[40.0, 30.0], [280.0, 30.0], [280.0, 170.0], [40.0, 170.0]];
        for k in 0..5 {
            let mut outline = Vec::new();
            for (i, p) in whole.iter().enumerate() {
                if i == k {
                    outline.push(between(*p, whole[(i + 3) % 4], 20.0 / distance(*p, whole[(i + 3) % 4])));
                    outline.push(between(*p, whole[(i + 1) % 4], 24.0 / distance(*p, whole[(i + 1) % 4])));
                } else {
                    outline.push(*p);
                }
            }
            let light =
                Array2::from_shape_fn(
                    (200, 320),
                    |(y, x)| {
                        if holds(&outline, [x as f64, y as f64]) { 0.5_f32 } else { 0.05 }
                    },
                );
            let found = find(&whole, &Edges::of(&light));
            assert_eq!(found.map(|b| b.corner), CORNERS.get(k).copied(), "{k}");
            if let Some(b) = found {
                assert!(distance(b.ends[0], outline[k]) < 4.0 && distance(b.ends[1], outline[k + 1]) < 4.0, "{b:?}");
            }
        }
    }
}
