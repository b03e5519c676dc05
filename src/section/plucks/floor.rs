//! The whole of a broken floor: where air fills a hole its rough floor scatters light past the objective in blots, some as dark as a wall.
//!
//! Clear cells are pieces of such a floor. What belongs to it, blots and all, is what stays without light between crossed polars about
//! them, and is no opaque grain.

use std::collections::{BTreeMap, HashSet};

use image::{GrayImage, Luma};
use imageproc::distance_transform::Norm;
use imageproc::morphology::{close, open};
use ndarray::Array2;

use super::{Hole, SURELY_OUT, TINTED, Usual, is_large_enough, labelled, patch, patches};
use crate::section::defects::{IN_DOUBT, REPORTED};
use crate::section::light_field::FieldLight;
use crate::section::unjudged::LEAST_TURN_DEG;

/// Plane light under the clear level from which a cell is no opaque grain's, log units: a third of the light. House value.
const BLOT: f32 = -1.1;
/// How likely a piece's floor is broken for the whole to be looked for, 0..=1.
const BROKEN: f64 = 0.5;
/// Largest area over that of the pieces, by their outlines: more is a dark region of the rock beside them. House value.
const LARGEST: f64 = 4.0;

/// The holes with the pieces of each broken floor put together, where the whole looks as much like a hole as they do, and with the floors
/// that are too broken for a piece.
pub(super) fn put_together(
    light: &FieldLight,
    detail: &Array2<f32>,
    usual: &Usual,
    mut holes: Vec<Hole>,
    least: f64,
) -> Vec<Hole> {
    // At one position every crystal at extinction is as dark.
    if light.angle_spread_deg < LEAST_TURN_DEG {
        return holes;
    }
    let is_piece = |h: &Hole| h.confidence >= IN_DOUBT && h.broken_floor() > BROKEN;
    let (rows, columns) = light.lit.dim();
    let dark = GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
        let at = [y as usize, x as usize];
        let below = light.plane.coarse[at] - usual.level;
        // The tint of what is dark is mostly noise.
        let tinted = below > -0.4 && usual.tinted([light.plane.tint[0][at], light.plane.tint[1][at]]) > TINTED;
        let floor = light.lit[at] < SURELY_OUT && below > BLOT && !tinted && !light.outside[at];
        Luma([if floor { 255 } else { 0 }])
    });
    let cell = light.plane.bin as f64;
    let floors = labelled(&open(&close(&dark, Norm::L1, 1), Norm::L1, 2));
    let label_at = |[x, y]: [f64; 2]| {
        let [x, y] = [x, y].map(|v| (v / cell).max(0.0) as usize);
        floors.get([y, x]).copied().unwrap_or(0)
    };
    // The region that most of a piece's outline and its middle lie in.
    let region_of = |h: &Hole| {
        let mut votes: BTreeMap<u32, usize> = BTreeMap::new();
        h.outline.iter().chain([&h.centroid]).for_each(|p| *votes.entry(label_at(*p)).or_default() += 1);
        votes.remove(&0);
        votes.into_iter().max_by_key(|(label, n)| (*n, std::cmp::Reverse(*label))).map(|(label, _)| label)
    };
    let regions: Vec<Option<u32>> = holes.iter().map(region_of).collect();
    let mut pieces: BTreeMap<u32, f64> = BTreeMap::new();
    for (hole, region) in holes.iter().zip(&regions).filter(|(h, _)| is_piece(h)) {
        if let Some(region) = region {
            *pieces.entry(*region).or_default() += hole.area;
        }
    }
    let mut replaced: HashSet<u32> = HashSet::new();
    let mut wholes: Vec<Hole> = Vec::new();
    for region in patches(&floors, least) {
        let Some(whole) = patch::look(light, detail, usual, &region).filter(|h| is_large_enough(light, h)) else {
            continue;
        };
        let within = holes.iter().zip(&regions).filter(|(_, r)| **r == Some(region.label)).map(|(h, _)| h.confidence);
        let surest = within.fold(0.0, f64::max);
        let is_floor = match pieces.get(&region.label) {
            Some(area) => whole.area <= LARGEST * area,
            None => is_floor_by_itself(&whole) && surest < REPORTED,
        };
        if is_floor && whole.confidence >= surest.min(0.9) {
            replaced.insert(region.label);
            wholes.push(whole);
        }
    }
    let mut regions = regions.into_iter();
    holes.retain(|_| regions.next().flatten().is_none_or(|r| !replaced.contains(&r)));
    holes.extend(wholes);
    holes
}

/// Whether a dark region that no clear piece vouches for is a broken floor: where blots leave no piece large enough to be looked at, only
/// a deep wall all round tells the floor of a pit from dirt.
fn is_floor_by_itself(whole: &Hole) -> bool {
    whole.confidence >= REPORTED && whole.broken_floor() > BROKEN && whole.deep_wall() > BROKEN
}

#[cfg(test)]
mod tests {
    use super::super::drawn::{self, DARK, RADIUS, WHOLE, clear, from_the_middle};
    use super::super::find;
    use super::*;
    use crate::section::defects::REPORTED;

    /// One blot each way.
    const ONE: f64 = 400.0;

    /// A hole of a wall of this light whose grey floor, of this light too, dark blots cross from wall to wall, one each so many pixels.
    fn photographs(floor: f64, wall: f64, every: f64) -> FieldLight {
        let plane = |x: usize, y: usize, _: usize| {
            let from = |v: usize, middle: f64| ((v as f64 - middle).abs() + every / 2.0) % every - every / 2.0;
            let blot = from(x, 165.0).abs() < 4.0 || from(y, 185.0).abs() < 4.0;
            let mottle = 1.0 + 0.05 * ((x / 6 + 2 * (y / 6)) % 5) as f64 / 5.0;
            match from_the_middle(x, y) {
                r if r > RADIUS => clear(x, y),
                r if r > RADIUS - 5.0 => wall,
                _ if blot => 0.42,
                _ => floor * mottle,
            }
        };
        drawn::field(plane, |x, y| (from_the_middle(x, y) <= RADIUS - 2.0).then_some(DARK))
    }

    #[test]
    fn the_floor_of_an_open_pit_is_one_hole_blots_and_all() {
        let called: Vec<Hole> =
            find(&photographs(0.58, 0.25, ONE)).into_iter().filter(|h| h.confidence >= REPORTED).collect();
        let places: Vec<_> = called.iter().map(|h| (h.centroid, h.area, h.confidence)).collect();
        assert_eq!(called.len(), 1, "{places:?}");
        assert!((called[0].area / WHOLE - 1.0).abs() < 0.15, "{places:?} of {WHOLE}");
        assert!(called[0].broken_floor() > BROKEN);
    }

    /// What lies in resin is as bright as the crystals: its pieces are left as they are.
    #[test]
    fn pieces_whose_floor_is_bright_stay_apart() {
        let found = find(&photographs(0.7, 0.25, ONE));
        assert!(found.iter().all(|h| h.broken_floor() < BROKEN));
        let largest = found.iter().map(|h| h.area).fold(0.0, f64::max);
        assert!(largest < 0.8 * WHOLE, "{largest}");
    }

    /// Blots so near one another that no clear piece is left.
    #[test]
    fn a_floor_without_a_clear_piece_is_a_hole_within_a_deep_wall_and_else_may_be_dirt() {
        const NEAR: f64 = 18.0;
        let called = |wall: f64| -> Vec<f64> {
            let found = find(&photographs(0.58, wall, NEAR));
            found.into_iter().filter(|h| h.confidence >= REPORTED).map(|h| h.area).collect()
        };
        let pit = called(0.2);
        assert!(pit.len() == 1 && (pit[0] / WHOLE - 1.0).abs() < 0.2, "{pit:?} of {WHOLE}");
        assert!(called(0.5).is_empty(), "dirt");
    }
}
