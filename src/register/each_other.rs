//! Crossed photographs that the plane one does not place, placed by those that it does: of a fine-grained rock plane light shows
//! hardly an outline, and every crossed photograph all of them.

use crate::register::Placement;
use crate::register::align::SURE;

/// A peak lower than this may be chance where every pair of photographs is tried at several turns. House value: on ten slides by a
/// renderer of other code whose plane light shows least, pairs of crossed photographs have 16 and more by a prototype of these steps.
const SURE_OF_PAIRS: f64 = 8.0;

/// How unlike two positions of the polars are, degrees: after 90 the same crystals are dark.
fn unlike(a: f64, b: f64) -> f64 {
    let apart = (a - b).rem_euclid(90.0);
    apart.min(90.0 - apart)
}

/// Places what is unsure on what is sure, the likest position of the polars first, and on what that places; `lay` gives the
/// place of one photograph in another, by the place of the one and their numbers. What none of them places is left.
pub(super) fn place(placements: &mut [Placement], stated: &[f64], lay: impl Fn(&Placement, usize, usize) -> Placement) {
    let sure = |placements: &[Placement], k: usize| placements[k].peak >= SURE;
    let mut tried = vec![vec![false; placements.len()]; placements.len()];
    loop {
        let far = |(from, to): (usize, usize)| unlike(stated[from], stated[to]);
        let next = (0..placements.len())
            .filter(|to| !sure(placements, *to))
            .flat_map(|to| (0..placements.len()).map(move |from| (from, to)))
            .filter(|(from, to)| sure(placements, *from) && !tried[*from][*to])
            .min_by(|a, b| far(*a).total_cmp(&far(*b)));
        let Some((from, to)) = next else { return };
        tried[from][to] = true;
        let found = lay(&placements[from], from, to);
        if found.peak >= SURE_OF_PAIRS {
            placements[to] = placements[from].then(&found);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;

    use super::*;

    /// A chain of photographs each of which only its neighbours place.
    #[test]
    fn what_is_sure_places_its_neighbours_and_they_theirs() {
        let at = |turn: f64, shift: [f64; 2], peak| Placement { turn, shift, peak };
        let truth =
            [at(0.1, [3.0, -2.0], 9.0), at(0.4, [-5.0, 1.0], 9.0), at(0.7, [4.0, 8.0], 9.0), at(1.3, [9.0, 9.0], 9.0)];
        let mut placements = truth;
        placements[1..].iter_mut().for_each(|p| *p = at(0.0, [0.0, 0.0], 4.0));
        let centre = [50.0, 40.0];
        let asked = RefCell::new(Vec::new());
        place(&mut placements, &[0.0, 20.0, 40.0, 85.0], |placed, from, to| {
            asked.borrow_mut().push((from, to));
            let peak = if from.abs_diff(to) == 1 && to < 3 { 9.0 } else { 7.0 };
            // Where the one lies in the other: back to the grid, and on.
            let turn = truth[to].turn - placed.turn;
            let (sin, cos) = turn.sin_cos();
            let [x, y] = placed.shift;
            let shift = [truth[to].shift[0] - cos * x + sin * y, truth[to].shift[1] - sin * x - cos * y];
            Placement { turn, shift, peak }
        });
        for k in 0..3 {
            let (found, meant) = (placements[k].map([10.0, 70.0], centre), truth[k].map([10.0, 70.0], centre));
            assert!((found[0] - meant[0]).hypot(found[1] - meant[1]) < 1e-9, "{k}: {found:?} {meant:?}");
            assert!(placements[k].peak >= SURE);
        }
        assert_eq!(placements[3].peak, 4.0, "what none places is left");
        // 85 degrees are five from none: it is asked before the others; the second places the third before the first is asked for it.
        assert_eq!(asked.into_inner(), [(0, 3), (0, 1), (1, 2), (1, 3), (2, 3)]);
    }
}
