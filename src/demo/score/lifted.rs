//! Lifted areas against truth: by area, places on a grid of 6 px.
//!
//! A true one is hit when a quarter of its area in the frame lies within found outlines (what is too thick to show colours is not
//! outlined where the edge is not closed); a found one is false when less than half of its area lies within true ones.

use super::Matches;
use crate::demo::truth::TrueLifted;
use crate::section::lifted::Lifted;
use crate::section::shape::holds;

/// Distance between places, pixels.
const EVERY_PX: f64 = 6.0;

/// Places of the frame within an outline.
fn places(outline: &[[f64; 2]], size_px: [f64; 2]) -> Vec<[f64; 2]> {
    let range = |k: usize| {
        let (low, high) =
            outline.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p[k]), h.max(p[k])));
        let (low, high) = (low.max(0.0), high.min(size_px[k]));
        let n = ((high - low) / EVERY_PX).ceil().max(0.0) as usize;
        (0..n).map(move |i| low + (i as f64 + 0.5) * EVERY_PX)
    };
    range(1).flat_map(|y| range(0).map(move |x| [x, y])).filter(|p| holds(outline, *p)).collect()
}

/// Share of an outline's area in the frame that lies within others; 0 where it has none.
#[must_use]
pub fn covered(outline: &[[f64; 2]], others: &[&[[f64; 2]]], size_px: [f64; 2]) -> f64 {
    let places = places(outline, size_px);
    let within = places.iter().filter(|p| others.iter().any(|o| holds(o, **p))).count();
    within as f64 / places.len().max(1) as f64
}

/// Matches lifted areas of one field; `size_px` is the size of its photographs. The pairs in `hits` name for each true one the
/// found one that lies most in it.
#[must_use]
pub fn match_lifted(found: &[Lifted], truth: &[TrueLifted], size_px: [f64; 2]) -> Matches {
    let mut matches = Matches::default();
    for (j, t) in truth.iter().enumerate() {
        let own: Vec<(usize, &[[f64; 2]])> =
            found.iter().enumerate().filter(|(_, f)| f.field == t.field).map(|(i, f)| (i, &f.outline_px[..])).collect();
        let outlines: Vec<&[[f64; 2]]> = own.iter().map(|o| o.1).collect();
        if covered(&t.outline_px, &outlines, size_px) < 0.25 {
            matches.missed.push(j);
            continue;
        }
        let in_it = |o: &[[f64; 2]]| covered(o, &[&t.outline_px], size_px);
        let best = own.iter().max_by(|a, b| in_it(a.1).total_cmp(&in_it(b.1)));
        matches.hits.extend(best.map(|(i, _)| (*i, j)));
    }
    for (i, f) in found.iter().enumerate() {
        let own: Vec<&[[f64; 2]]> = truth.iter().filter(|t| t.field == f.field).map(|t| &t.outline_px[..]).collect();
        if covered(&f.outline_px, &own, size_px) < 0.5 {
            matches.false_found.push(i);
        }
    }
    matches
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, side: f64) -> Vec<[f64; 2]> {
        vec![[x, y], [x + side, y], [x + side, y + side], [x, y + side]]
    }

    fn found(outline_px: Vec<[f64; 2]>) -> Lifted {
        Lifted {
            field: "A".into(),
            outline_px,
            area_px: 0.0,
            area_um2: None,
            box_px: [0.0; 4],
            film_um: None,
            film_why: None,
            confidence: 0.9,
        }
    }

    #[test]
    fn a_quarter_found_is_a_hit_and_a_half_aside_is_false() {
        let truth = [TrueLifted {
            field: "A".into(),
            outline_px: square(0.0, 0.0, 240.0),
            area_px: 57_600.0,
            area_um2: 57_600.0,
            film_um: [0.0, 1.0],
        }];
        let size = [600.0, 600.0];
        let m = match_lifted(&[found(square(60.0, 60.0, 126.0))], &truth, size);
        assert_eq!((m.hits.len(), m.false_found.len(), m.missed.len()), (1, 0, 0), "{m:?}");
        let m = match_lifted(&[found(square(60.0, 60.0, 108.0))], &truth, size);
        assert_eq!((m.hits.len(), m.false_found.len(), m.missed.len()), (0, 0, 1), "{m:?}");
        let m = match_lifted(&[found(square(150.0, 60.0, 240.0))], &truth, size);
        assert_eq!((m.hits.len(), m.false_found.len(), m.missed.len()), (1, 1, 0), "{m:?}");
    }
}
