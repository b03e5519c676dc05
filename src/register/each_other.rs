//! Crossed photographs that the plane one does not place, placed by those that it does: of a fine-grained rock plane light shows
//! hardly an outline, and every crossed photograph all of them.

use crate::register::Placement;
use crate::register::align::SURE;

/// Places what is unsure on what is sure, the nearest position of the polars first, and on what that places; `lay` gives the
/// place of one photograph in another, by their numbers. What none of them places is left.
pub(super) fn place(placements: &mut [Placement], stated: &[f64], lay: impl Fn(usize, usize) -> Placement) {
    let sure = |placements: &[Placement], k: usize| placements[k].peak >= SURE;
    let mut tried = vec![vec![false; placements.len()]; placements.len()];
    loop {
        let far = |(from, to): (usize, usize)| (stated[from] - stated[to]).abs();
        let next = (0..placements.len())
            .filter(|to| !sure(placements, *to))
            .flat_map(|to| (0..placements.len()).map(move |from| (from, to)))
            .filter(|(from, to)| sure(placements, *from) && !tried[*from][*to])
            .min_by(|a, b| far(*a).total_cmp(&far(*b)));
        let Some((from, to)) = next else { return };
        tried[from][to] = true;
        let found = lay(from, to);
        if found.peak >= SURE {
            placements[to] = placements[from].then(&found);
        }
    }
}

#[cfg(test)]
mod tests {
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
        place(&mut placements, &[0.0, 20.0, 40.0, 80.0], |from, to| {
            let peak = if from.abs_diff(to) == 1 && to < 3 { 7.0 } else { 4.5 };
            // Where the one lies in the other: back to the grid, and on.
            let [a, b] = [&truth[from], &truth[to]];
            let turn = b.turn - a.turn;
            let (sin, cos) = turn.sin_cos();
            let shift =
                [b.shift[0] - cos * a.shift[0] + sin * a.shift[1], b.shift[1] - sin * a.shift[0] - cos * a.shift[1]];
            Placement { turn, shift, peak }
        });
        for k in 0..3 {
            let (found, meant) = (placements[k].map([10.0, 70.0], centre), truth[k].map([10.0, 70.0], centre));
            assert!((found[0] - meant[0]).hypot(found[1] - meant[1]) < 1e-9, "{k}: {found:?} {meant:?}");
            assert!(placements[k].peak >= SURE);
        }
        assert_eq!(placements[3].peak, 4.0, "what none places is left");
    }
}
