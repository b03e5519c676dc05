//! Isotropic minerals by the dozen, as the cores of a serpentinite's mesh or a glass between crystals: clear, and without light between
//! crossed polars at every position, as resin is. What is torn out leaves a wall; a mineral that meets its like does not.

use super::Hole;
use crate::section::defects::REPORTED;

/// Places that look like holes but for their walls from which the rock has such a mineral, where they are two thirds of all. House values:
/// on a sound serpentinite 86 of 99, on twelve fields with plucked areas at most 3 of 5 and 3 of 15; a scan of a whole section has many.
const DOZENS: usize = 20;
/// Share of the outline with a wall, and its depth in log units, from which a hole is walled. House values.
const WALLED: [f64; 2] = [0.8, 0.2];

fn is_walled(hole: &Hole) -> bool {
    hole.wall >= WALLED[0] && hole.wall_depth >= WALLED[1]
}

/// Whether the rock has such a mineral by the dozen; each hole that may be of it is marked, however likely it is.
pub(super) fn mark(holes: &mut [Hole]) -> bool {
    let is_counted = |h: &&Hole| h.confidence >= REPORTED && !h.one_angle && !h.slurry;
    let counted = holes.iter().filter(is_counted).count();
    let bare = holes.iter().filter(is_counted).filter(|h| !is_walled(h)).count();
    let dozens = bare >= DOZENS && 3 * bare >= 2 * counted;
    // Some of so many lie beside specks and cracks that look like walls: a broken floor alone tells.
    holes.iter_mut().for_each(|h| h.among_isotropic = dozens && h.broken_floor() < 0.5);
    dozens
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::plucks::bare;

    fn holes(walled: usize, without: usize) -> Vec<Hole> {
        let like_a_hole = Hole { confidence: 0.8, ..bare() };
        let wall = Hole { wall: 0.95, wall_depth: 0.5, ..like_a_hole.clone() };
        [vec![wall; walled], vec![like_a_hole; without]].concat()
    }

    #[test]
    fn dozens_without_walls_are_a_mineral_and_a_few_are_not() {
        for (walled, without, mineral) in
            [(10, 80, true), (0, 25, true), (15, 8, false), (13, 25, false), (10, 20, true), (0, 19, false)]
        {
            let mut all = holes(walled, without);
            assert_eq!(mark(&mut all), mineral, "{walled} with a wall, {without} without");
            assert!(all.iter().all(|h| h.among_isotropic == mineral));
        }
    }

    #[test]
    fn a_broken_floor_is_none_of_them() {
        let mut all = holes(0, 30);
        all.push(Hole { wall: 0.99, wall_depth: 0.8, level: -0.15, ..all[0].clone() });
        assert!(mark(&mut all) && !all[30].among_isotropic);
    }

    #[test]
    fn crystals_at_extinction_say_nothing() {
        let mut all: Vec<Hole> = holes(0, 30).into_iter().map(|h| Hole { one_angle: true, ..h }).collect();
        assert!(!mark(&mut all));
    }
}
