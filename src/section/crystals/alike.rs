//! Patches that may be parts of one crystal although they lie too far apart to be joined: cleavage and lamellae cut it up.

use super::Crystal;
use super::piece::unit;
use crate::section::extinction::{AngleDesign, Separation};

/// Relative and absolute difference of colour up to which two patches may be one crystal. House values.
const SAME_COLOUR: (f64, f64) = (0.04, 0.008);
/// Least cosine of the difference of their 4φ. House value.
const SAME_EXTINCTION: f64 = 0.95;

/// Colour and extinction phase 4φ (cosine, sine) of one crystal.
struct Seen {
    colour: [f64; 3],
    phase: [f64; 2],
}

impl Seen {
    fn of(crystal: &Crystal, design: &AngleDesign) -> Self {
        let terms: [[f64; 3]; 3] = std::array::from_fn(|c| design.terms(crystal.ratio.iter().map(|r| r[c])));
        let phase = unit(&terms);
        Self { colour: std::array::from_fn(|c| design.colour(terms[c], phase)), phase }
    }

    fn like(&self, other: &Self) -> bool {
        let (share, least) = SAME_COLOUR;
        self.colour.iter().zip(other.colour).all(|(a, b)| (a - b).abs() < share * a.max(b) + least)
            && self.phase[0] * other.phase[0] + self.phase[1] * other.phase[1] > SAME_EXTINCTION
    }
}

/// Counts for each crystal the others of its colour and extinction whose centres lie within `reach_px`; none are counted where the
/// angles do not show extinction.
pub(crate) fn count(crystals: &mut [Crystal], design: &AngleDesign, reach_px: f64) {
    for crystal in crystals.iter_mut() {
        (crystal.alike, crystal.alike_cells) = (0, crystal.cells);
    }
    if design.separation != Separation::Full {
        return;
    }
    let seen: Vec<Seen> = crystals.iter().map(|c| Seen::of(c, design)).collect();
    let mut across: Vec<usize> = (0..crystals.len()).collect();
    across.sort_by(|a, b| crystals[*a].x_px.total_cmp(&crystals[*b].x_px));
    for (k, &a) in across.iter().enumerate() {
        for &b in &across[k + 1..] {
            let [dx, dy] = [crystals[b].x_px - crystals[a].x_px, crystals[b].y_px - crystals[a].y_px];
            if dx >= reach_px {
                break;
            }
            if dx.hypot(dy) < reach_px && seen[a].like(&seen[b]) {
                for (one, other) in [(a, b), (b, a)] {
                    crystals[one].alike += 1;
                    crystals[one].alike_cells += crystals[other].cells;
                }
            }
        }
    }
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
        assert_eq!(found, [(2, 300), (1, 200), (1, 200), (0, 100), (0, 100)]);
    }

    #[test]
    fn one_position_of_the_polars_shows_no_extinction_to_be_alike_in() {
        assert_eq!(alike_in(&[(0.0, 0.5, 10.0), (10.0, 0.5, 10.0)], &[45.0]), [(0, 100), (0, 100)]);
    }
}
