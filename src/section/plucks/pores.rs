//! Whether a rock's own pores look like holes: clear resin fills them, or the cement of the bond where none was used.

use super::Hole;
use crate::slide::record::Impregnation;

/// Fullness below which a hole is hollowed by the grains about it, as the room between them is; what is torn out bulges.
const HOLLOWED: f64 = 0.8;
/// Fewest hollowed holes, and their least share of all, by which a field shows pores of the rock's own. House values: on
/// sandstones with clear pores 4 to 80 and from a quarter on, on plucked rocks without at most two (fullness under 0.85, which was asked
/// before, has parts of torn-out grains in it: four on a quartzite).
const OWN: (usize, f64) = (3, 0.2);

/// Whether the holes of a field may be the rock's own pores: by its record, or by their shapes where nothing dyed the pores.
pub(super) fn look_alike(holes: &[Hole], impregnation: Impregnation) -> bool {
    match impregnation {
        Impregnation::Clear => true,
        Impregnation::Blue => false,
        Impregnation::None => {
            let judged: Vec<&Hole> = holes.iter().filter(|h| !h.one_angle).collect();
            let hollowed = judged.iter().filter(|h| h.fullness < HOLLOWED).count();
            hollowed >= OWN.0 && hollowed as f64 >= OWN.1 * judged.len() as f64
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
        assert!(look_alike(&holes(4, 10), Impregnation::None));
        assert!(!look_alike(&holes(1, 5), Impregnation::None), "one torn-out grain may be of any shape");
        assert!(!look_alike(&holes(3, 20), Impregnation::None), "a few of many torn-out grains may be");
    }

    #[test]
    fn the_record_says_what_fills_the_pores() {
        assert!(look_alike(&holes(0, 3), Impregnation::Clear));
        assert!(!look_alike(&holes(9, 0), Impregnation::Blue), "dye would show in a pore");
    }

    #[test]
    fn one_position_of_the_polars_shows_no_holes_to_tell_by() {
        let at_one: Vec<Hole> = holes(9, 0).into_iter().map(|h| Hole { one_angle: true, ..h }).collect();
        assert!(!look_alike(&at_one, Impregnation::None));
    }
}
