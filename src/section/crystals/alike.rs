//! Patches that may be parts of one crystal although they lie too far apart to be joined: cleavage and lamellae cut it up.

use super::Crystal;
use super::piece::unit;
use crate::section::extinction::{AngleDesign, Separation};
use crate::section::linked::Linked;

/// Relative and absolute difference of colour up to which two patches may be one crystal. House values.
const SAME_COLOUR: (f64, f64) = (0.04, 0.008);
/// Least cosine of the difference of their 4φ. House value.
const SAME_EXTINCTION: f64 = 0.95;

/// What tells two crystals apart beside where they lie.
struct Seen {
    /// Its colour; where extinction is not known, crossed over plane light at each position of the polars.
    lights: Vec<[f64; 3]>,
    /// Extinction phase 4φ, cosine and sine; the same for all where it is not known.
    phase: [f64; 2],
}

impl Seen {
    fn of(crystal: &Crystal, design: &AngleDesign) -> Self {
        if design.separation != Separation::Full {
            return Self { lights: crystal.ratio.clone(), phase: [1.0, 0.0] };
        }
        let terms: [[f64; 3]; 3] = std::array::from_fn(|c| design.terms(crystal.ratio.iter().map(|r| r[c])));
        let phase = unit(&terms);
        Self { lights: vec![std::array::from_fn(|c| design.colour(terms[c], phase))], phase }
    }

    fn like(&self, other: &Self) -> bool {
        let (share, least) = SAME_COLOUR;
        let near = |(a, b): (&f64, &f64)| (a - b).abs() < share * a.max(*b) + least;
        self.lights.as_flattened().iter().zip(other.lights.as_flattened()).all(near)
            && self.phase[0] * other.phase[0] + self.phase[1] * other.phase[1] > SAME_EXTINCTION
    }
}

/// Counts for each crystal the others of its colour and extinction whose centres lie within `reach_px`, and the cells of all that are so
/// linked to it; none are counted where there is a single position of the polars, which tells nothing of extinction.
pub(crate) fn count(crystals: &mut [Crystal], design: &AngleDesign, reach_px: f64) {
    for crystal in crystals.iter_mut() {
        (crystal.alike, crystal.alike_cells) = (0, crystal.cells);
    }
    if design.separation == Separation::Single {
        return;
    }
    let seen: Vec<Seen> = crystals.iter().map(|c| Seen::of(c, design)).collect();
    let mut linked = Linked::new(crystals.len());
    let mut across: Vec<usize> = (0..crystals.len()).collect();
    across.sort_by(|a, b| crystals[*a].x_px.total_cmp(&crystals[*b].x_px));
    for (k, &a) in across.iter().enumerate() {
        for &b in &across[k + 1..] {
            let [dx, dy] = [crystals[b].x_px - crystals[a].x_px, crystals[b].y_px - crystals[a].y_px];
            if dx >= reach_px {
                break;
            }
            if dx.hypot(dy) < reach_px && seen[a].like(&seen[b]) {
                crystals[a].alike += 1;
                crystals[b].alike += 1;
                linked.link(a, b);
            }
        }
    }
    let groups: Vec<usize> = (0..crystals.len()).map(|i| linked.group_of(i)).collect();
    let mut cells = vec![0; crystals.len()];
    groups.iter().zip(crystals.iter()).for_each(|(group, crystal)| cells[*group] += crystal.cells);
    groups.iter().zip(crystals).for_each(|(group, crystal)| crystal.alike_cells = cells[*group]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn patch(x_px: f64, colour: f64, extinct_at_deg: f64, design: &AngleDesign) -> Crystal {
        let ratio = design.angles.iter().map(|a| {
            let i = colour * (2.0 * (a - extinct_at_deg.to_radians())).sin().powi(2);
            [i, 0.9 * i, 0.8 * i]
        });
        Crystal { x_px, y_px: 0.0, ratio: ratio.collect(), cells: 100, ..Crystal::unmeasured() }
    }

    fn alike_in(patches: &[(f64, f64, f64)], angles_deg: &[f64]) -> Vec<(usize, usize)> {
        let design = AngleDesign::new(&angles_deg.iter().map(|a| a.to_radians()).collect::<Vec<_>>());
        let mut crystals: Vec<Crystal> = patches.iter().map(|(x, c, e)| patch(*x, *c, *e, &design)).collect();
        count(&mut crystals, &design, 50.0);
        crystals.iter().map(|c| (c.alike, c.alike_cells)).collect()
    }

    #[test]
    fn patches_of_one_colour_and_extinction_near_each_other_are_alike() {
        let patches = [(40.0, 0.5, 10.0), (0.0, 0.5, 12.0), (80.0, 0.51, 11.0), (20.0, 0.5, 40.0), (30.0, 0.7, 10.0)];
        let found = alike_in(&patches, &[0.0, 22.5, 45.0, 67.5]);
        assert_eq!(found, [(2, 300), (1, 300), (1, 300), (0, 100), (0, 100)]);
    }

    #[test]
    fn patches_that_are_linked_by_others_share_their_cells() {
        // The first and the last lie too far apart, and each is like the one between; the fourth lies among them and differs.
        let patches = [(0.0, 0.5, 10.0), (40.0, 0.5, 10.0), (80.0, 0.5, 10.0), (60.0, 0.3, 70.0)];
        assert_eq!(alike_in(&patches, &[0.0, 22.5, 45.0, 67.5]), [(1, 300), (2, 300), (1, 300), (0, 100)]);
    }

    #[test]
    fn two_positions_of_the_polars_tell_patches_by_their_light_at_each() {
        let patches = [(0.0, 0.5, 10.0), (10.0, 0.5, 10.2), (20.0, 0.5, 30.0), (30.0, 0.8, 10.0)];
        assert_eq!(alike_in(&patches, &[0.0, 45.0]), [(1, 200), (1, 200), (0, 100), (0, 100)]);
    }

    #[test]
    fn one_position_of_the_polars_shows_no_extinction_to_be_alike_in() {
        assert_eq!(alike_in(&[(0.0, 0.5, 10.0), (10.0, 0.5, 10.0)], &[45.0]), [(0, 100), (0, 100)]);
    }
}
