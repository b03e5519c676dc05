//! Whether a rock's own pores look like holes: clear resin fills them, or the cement of the bond where none was used; and which holes are
//! told from them all the same.

use super::Hole;
use crate::slide::record::Impregnation;

/// Fullness below which a hole is hollowed by the grains about it, as the room between them is; what is torn out bulges.
const HOLLOWED: f64 = 0.8;
/// Fewest hollowed holes, and their least share of all, by which a field shows pores of the rock's own. House values: on
/// sandstones with clear pores 4 to 80 and from a quarter on, on plucked rocks without at most two (fullness under 0.85, which was asked
/// before, has parts of torn-out grains in it: four on a quartzite).
const OWN: (usize, f64) = (3, 0.2);

/// Confidence from which a hole in a rock whose own pores look like holes is told from one of them.
const SURE: f64 = 0.988;
/// Area over that of its hull from which a hole has the bulging outline of a grain.
const BULGING: f64 = 0.94;
/// How likely its floor is broken for a hole to be one that no resin fills, 0..=1. House value: of 71 holes in rocks rendered with clear
/// pores by two renderers, 29 have such floors, and of 112 pores and others none.
const EMPTY: f64 = 0.5;

/// The rock's own pores, as far as they may be taken for holes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum OwnPores {
    /// They cannot: dye marks them, or the rock shows none.
    Apart,
    /// Clear resin fills them, by the record.
    Filled,
    /// They are as open as holes, by their shapes: nothing was to fill them.
    Open,
}

impl OwnPores {
    /// Of a field: by its record, or by the shapes of its holes where nothing dyed the pores.
    pub(super) fn of(holes: &[Hole], impregnation: Impregnation) -> Self {
        match impregnation {
            Impregnation::Clear => Self::Filled,
            Impregnation::Blue => Self::Apart,
            Impregnation::None => {
                let judged: Vec<&Hole> = holes.iter().filter(|h| !h.one_angle && !h.slurry).collect();
                let hollowed = judged.iter().filter(|h| h.fullness < HOLLOWED).count();
                let own = hollowed >= OWN.0 && hollowed as f64 >= OWN.1 * judged.len() as f64;
                if own { Self::Open } else { Self::Apart }
            }
        }
    }

    /// Whether a hole is told from them: pores between grains are hollowed by them, where a torn-out grain bulges; and resin that fills the
    /// pores fills none that was torn out after it set.
    pub(crate) fn are_told_from(self, hole: &Hole) -> bool {
        let bulges = hole.confidence > SURE && hole.fullness > BULGING;
        match self {
            Self::Apart => true,
            Self::Filled => bulges || hole.broken_floor() > EMPTY,
            Self::Open => bulges,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::plucks::bare;

    fn holes(hollowed: usize, bulging: usize) -> Vec<Hole> {
        let of = |fullness: f64, n: usize| vec![Hole { fullness, ..bare() }; n];
        [of(0.7, hollowed), of(0.95, bulging)].concat()
    }

    #[test]
    fn room_between_grains_is_hollowed_and_torn_out_grains_are_not() {
        assert_eq!(OwnPores::of(&holes(4, 10), Impregnation::None), OwnPores::Open);
        assert_eq!(
            OwnPores::of(&holes(1, 5), Impregnation::None),
            OwnPores::Apart,
            "one torn-out grain may be of any shape"
        );
        assert_eq!(
            OwnPores::of(&holes(3, 20), Impregnation::None),
            OwnPores::Apart,
            "a few of many torn-out grains may be"
        );
    }

    #[test]
    fn the_record_says_what_fills_the_pores() {
        assert_eq!(OwnPores::of(&holes(0, 3), Impregnation::Clear), OwnPores::Filled);
        assert_eq!(OwnPores::of(&holes(9, 0), Impregnation::Blue), OwnPores::Apart, "dye would show in a pore");
    }

    #[test]
    fn one_position_of_the_polars_shows_no_holes_to_tell_by() {
        let at_one: Vec<Hole> = holes(9, 0).into_iter().map(|h| Hole { one_angle: true, ..h }).collect();
        assert_eq!(OwnPores::of(&at_one, Impregnation::None), OwnPores::Apart);
    }

    #[test]
    fn what_no_resin_fills_was_torn_out_after_it_and_what_bulges_is_a_grain() {
        let all = [OwnPores::Apart, OwnPores::Filled, OwnPores::Open];
        let told = |hole: &Hole| all.map(|pores| pores.are_told_from(hole));
        let resin = Hole { confidence: 0.95, fullness: 0.9, ..bare() };
        assert_eq!(told(&resin), [true, false, false]);
        let empty = Hole { level: -0.15, wall: 1.0, wall_depth: 0.8, ..resin.clone() };
        assert_eq!(told(&empty), [true, true, false]);
        assert_eq!(told(&Hole { confidence: 0.99, fullness: 0.97, ..resin }), [true; 3]);
    }
}
