//! How far one photograph of a large field lies from another, place by place: a scanner that starts anew comes back within
//! pixels, and the last of them show only when it is looked at closely.

use crate::register::Placement;
use crate::register::align::{Base, Piece, SURE, rigid_fit, still_reach};
use crate::register::drawing::{Cells, Drawing};
use crate::slide::Photograph;

/// Shift that is searched about the one that is known from afar, pixels.
const REACH_PX: f64 = 100.0;
/// A peak lower than this may be chance where hundreds of thousands of places are searched. House value.
const SURE_WIDELY: f64 = 9.0;
/// Patches that must agree for a turn to be told, and for a shift.
const FEWEST: [usize; 2] = [4, 1];
/// Turns beyond this are none of a scanner's, radians.
const MOST_TURN: f64 = 0.005;

/// Where a photograph lies on the grid of the plane one: what is at x there is at x + shift + turn × (x - centre) in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Drift {
    pub(crate) shift: [f64; 2],
    pub(crate) turn: f64,
}

impl Drift {
    /// Shift at a place, pixels from the field's centre.
    pub(crate) fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.shift[0] - self.turn * y, self.shift[1] + self.turn * x]
    }
}

/// A patch of a crossed photograph against the same of the plane one; `at` is its middle from the field's centre. None when
/// their outlines do not tell.
pub(crate) fn patch(base: &Base, crossed: &Photograph, at: [f64; 2], known: [f64; 2]) -> Option<Piece> {
    let found = base.still_within(&Drawing::of_outlines(crossed, Cells::OF_A_FIELD), REACH_PX);
    let shift = [0, 1].map(|k| found.shift[k] + known[k]);
    (found.peak > SURE).then_some(Piece { at, shift, weight: (found.peak - SURE).min(10.0) + 0.5 })
}

/// Where a part of a crossed photograph lies on the same of the plane one, searched as far as a whole field of `size` pixels
/// may be shifted. None when their outlines do not tell.
pub(crate) fn searched(base: &Base, crossed: &Photograph, [width, height]: [usize; 2]) -> Option<Placement> {
    let found =
        base.still_within(&Drawing::of_outlines(crossed, Cells::OF_A_PART), still_reach(width.max(height) as f64));
    (found.peak > SURE_WIDELY).then_some(found)
}

/// The outlines of a part of the plane photograph, ready to be searched widely.
pub(crate) fn part(plane: &Photograph) -> Base {
    let cells = Cells::OF_A_PART;
    Base::new(Drawing::of_outlines(plane, cells), [plane.width, plane.height], cells.search)
}

/// The outlines of a patch of the plane photograph, ready to be compared with.
pub(crate) fn base(plane: &Photograph) -> Base {
    let cells = Cells::OF_A_FIELD;
    Base::new(Drawing::of_outlines(plane, cells), [plane.width, plane.height], cells.search)
}

/// What the patches of a photograph say together; None when too few of them say anything.
pub(crate) fn together(patches: &[Piece]) -> Option<Drift> {
    if patches.len() < FEWEST[1] {
        return None;
    }
    let turns = patches.len() >= FEWEST[0];
    let (shift, turn) = rigid_fit(patches, turns);
    if turn.abs() <= MOST_TURN {
        return Some(Drift { shift, turn });
    }
    let (shift, _) = rigid_fit(patches, false);
    Some(Drift { shift, turn: 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::register::testing::{Rock, worst};
    use crate::slide::photograph::Role;

    #[test]
    fn a_part_is_found_as_far_off_as_a_whole_scan_may_lie() {
        let place = |dx, dy| Placement { turn: 0.0, shift: [dx, dy], peak: 0.0 };
        let seen = |seed, at: &Placement, role| Rock::new(seed).photograph(at, role, 5, false);
        let base = part(&seen(21, &place(0.0, 0.0), Role::Plane));
        let truth = place(61.3, -44.6);
        let found = searched(&base, &seen(21, &truth, Role::Crossed), [40_000, 24_000]).expect("its place");
        assert!(worst(&found, &truth) < 0.3, "{found:?}");
        assert_eq!(searched(&base, &seen(99, &truth, Role::Crossed), [40_000, 24_000]), None, "another place");
    }

    #[test]
    fn shift_and_turn_of_a_scan_are_told_from_its_patches() {
        let truth = Drift { shift: [14.2, -3.7], turn: 4e-4 };
        let mut patches: Vec<Piece> = (0..16)
            .map(|k| [f64::from(k % 4) * 8000.0 - 12_000.0, f64::from(k / 4) * 5000.0 - 7500.0])
            .map(|at| Piece { at, shift: truth.at(at), weight: 3.0 })
            .collect();
        // One that fits no other.
        patches[5].shift = [90.0, 40.0];
        let found = together(&patches).expect("patches that agree");
        for at in [[-20_000.0, 12_000.0], [0.0, 0.0], [20_000.0, -12_000.0]] {
            let (a, b) = (found.at(at), truth.at(at));
            assert!((a[0] - b[0]).hypot(a[1] - b[1]) < 0.3, "{a:?} {b:?}");
        }
        assert_eq!(together(&[]), None);
    }
}
