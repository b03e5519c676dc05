//! One patch that may be a hole: its inside, its wall and its shape.

use image::GrayImage;
use imageproc::contours::{BorderType, find_contours};
use ndarray::Array2;

use super::inside::Inside;
use super::outline::{normal, resample, slenderness};
use super::usual::Usual;
use super::{Hole, arcs, rising, vesicles};
use crate::section::cells::{median, sample};
use crate::section::light_field::FieldLight;
use crate::section::shape::{convex_hull, polygon_area, polygon_centroid};
use crate::section::unjudged::LEAST_TURN_DEG;

/// A wall at least this much darker than the inside, log units.
const WALL: f32 = 0.16;
/// Farthest that a wall is looked for outside the patch, µm.
const WALL_REACH_UM: f64 = 12.0;

/// Tint from which a place beside the patch is dyed resin or a strongly coloured mineral, log units. House value: holes full of blue
/// resin have 0.6 and more by two renderers, brown slurry up to 0.37.
const DYED: f32 = 0.5;

/// Tint from which a dark neighbour is not the dark wall itself but coloured matter, log units. House value: walls are grey.
const MATRIX: f32 = 0.08;
/// Unevenness of an inside, over that of the quietest clear patches, up to which it is a crystal's or clear resin's, and from which it is
/// a floor's or slurry's. House values.
const EVEN: [f64; 2] = [0.8, 1.2];

/// Cells that may be a hole, with a margin of a cell.
pub(super) struct Patch {
    pub(super) label: u32,
    pub(super) mask: GrayImage,
    /// Cell of the mask's corner.
    pub(super) x0: i64,
    /// Cell of the mask's corner.
    pub(super) y0: i64,
}

impl Patch {
    /// Cells of the field (row, column) under a mask of this one's size.
    pub(super) fn cells<'a>(&'a self, mask: &'a GrayImage) -> impl Iterator<Item = [usize; 2]> + 'a {
        mask.enumerate_pixels()
            .filter(|(_, _, p)| p.0[0] > 0)
            .map(|(x, y, _)| [(i64::from(y) + self.y0) as usize, (i64::from(x) + self.x0) as usize])
    }

    /// Outer border through the middles of its cells, at even spacing, pixels.
    fn outline(&self, light: &FieldLight) -> Option<Vec<[f64; 2]>> {
        let contour = find_contours::<i32>(&self.mask)
            .into_iter()
            .filter(|c| c.border_type == BorderType::Outer && c.parent.is_none())
            .max_by_key(|c| c.points.len())?;
        let cell = light.plane.bin as f64;
        let to_px = |v: i64| v as f64 * cell + (cell - 1.0) / 2.0;
        let points = contour.points.iter();
        let raw: Vec<[f64; 2]> =
            points.map(|p| [to_px(i64::from(p.x) + self.x0), to_px(i64::from(p.y) + self.y0)]).collect();
        (raw.len() >= 8).then(|| resample(&raw, light.plane.px(4.0).max(1.5)))
    }
}

/// What is seen of a patch; None when it is too small to tell.
pub(super) fn look(light: &FieldLight, detail: &Array2<f32>, usual: &Usual, patch: &Patch) -> Option<Hole> {
    let outline = patch.outline(light)?;
    let inside = Inside::of(light, detail, usual, patch)?;
    let n = outline.len() as f64;
    let rough = rising(inside.ground, EVEN[0], EVEN[1]);
    let mut wall = Wall::along(light, usual, &outline, inside.level as f32, rough > 0.5);
    let outline = wall.middle(light, &outline);
    let area = polygon_area(&outline);
    let hull = convex_hull(outline.clone());
    let free: Vec<[f64; 2]> = outline.iter().copied().filter(|p| !on_frame(light, *p)).collect();
    let mut hole = Hole {
        centroid: polygon_centroid(&outline),
        area,
        wall: (rough * wall.seen + (1.0 - rough) * wall.apart) / wall.judged.max(1.0),
        wall_depth: rough * median(&mut wall.depths) + (1.0 - rough) * median(&mut wall.depths_apart),
        detail: inside.detail,
        usual_detail: usual.detail / usual.quiet,
        level: inside.level - f64::from(usual.level),
        lit: inside.lit,
        swing: 0.0,
        inner_light: 0.0,
        passed: inside.passed,
        specks: inside.specks,
        usual_specks: usual.specks,
        ground: inside.ground,
        tint: inside.tint,
        not_brown: inside.not_brown,
        cut: wall.cut / n,
        fullness: area / polygon_area(&hull).max(1.0),
        slender: slenderness(&outline),
        judged: wall.judged / n,
        beside_dye: wall.beside_dye / n,
        roughness: vesicles::roughness(&outline),
        arcs: arcs::share(&free),
        one_angle: light.angle_spread_deg < LEAST_TURN_DEG,
        slurry: false,
        among_vesicles: false,
        among_isotropic: false,
        company: None,
        confidence: 0.0,
        outline,
    };
    hole.weigh(usual, None);
    Some(hole)
}

/// The dark wall along an outline.
#[derive(Default)]
struct Wall {
    /// Where it is seen: how far outside the outline, pixels.
    at: Vec<Option<f64>>,
    /// Depth under the inside where it can be judged, log units.
    depths: Vec<f64>,
    /// Points of the outline that can be judged.
    judged: f64,
    /// Points on the frame.
    cut: f64,
    /// Points where a wall is seen.
    seen: f64,
    /// The same where it is darker than a coloured neighbour too: about a crystal in a brown matrix none is.
    apart: f64,
    /// Depth under the inside, or under such a neighbour.
    depths_apart: Vec<f64>,
    /// Points beyond which lies dyed resin, or something as strongly coloured.
    beside_dye: f64,
}

impl Wall {
    /// Darkest place along the normal of each point, from a cell inside to some way out; `inside` is the light inside, log units, `rough` says
    /// that a floor or slurry is seen there, whose wall is one whatever lies beyond.
    fn along(light: &FieldLight, usual: &Usual, outline: &[[f64; 2]], inside: f32, rough: bool) -> Self {
        let cell = light.plane.bin as f64;
        let reach = light.plane.px(WALL_REACH_UM).max(3.0 * cell).max(5.0);
        let at = Vec::with_capacity(outline.len());
        let mut wall = Self { at, ..Self::default() };
        for (k, p) in outline.iter().enumerate() {
            wall.at.push(None);
            if on_frame(light, *p) {
                wall.cut += 1.0;
                continue;
            }
            let normal = normal(outline, k);
            let (mut best, mut at) = (f32::INFINITY, 0.0);
            let mut profile: Vec<f32> = Vec::new();
            let mut t = -1.5 * cell;
            while t <= reach {
                let Some(v) = sample(&light.plane.fine, p[0] + t * normal[0], p[1] + t * normal[1]) else { break };
                profile.push(v);
                // Nearer walls before farther ones of the same depth.
                let weighed = v + 0.25 * (t.max(0.0) / reach) as f32;
                if weighed < best {
                    (best, at) = (weighed, t);
                }
                t += 0.75;
            }
            let beyond = tint_at(light, usual, [0, 1].map(|i| p[i] + reach * normal[i]));
            wall.beside_dye += f64::from(u8::from(beyond > DYED));
            let dark = profile.iter().copied().fold(f32::INFINITY, f32::min);
            let last = profile.iter().rev().take(3).copied().sum::<f32>() / 3.0;
            // Beside something dark, a wall cannot be told from its neighbour.
            if last < inside - 0.8 {
                continue;
            }
            wall.judged += 1.0;
            let depth = inside - dark;
            // Beside what is darker and coloured, as a brown matrix or a mica, a wall is darker still.
            let in_matrix = last < inside.min(usual.level) - WALL && beyond > MATRIX;
            let apart = if in_matrix { last - dark } else { depth };
            wall.depths.push(f64::from(depth));
            wall.depths_apart.push(f64::from(apart));
            wall.seen += f64::from(u8::from(depth > WALL));
            wall.apart += f64::from(u8::from(apart > WALL));
            if (if rough { depth } else { apart }) > WALL {
                wall.at[k] = Some(at);
            }
        }
        wall
    }

    /// The outline moved to the middle of its wall.
    fn middle(&self, light: &FieldLight, outline: &[[f64; 2]]) -> Vec<[f64; 2]> {
        let n = outline.len();
        let mut all: Vec<f64> = self.at.iter().flatten().copied().collect();
        let usual = if all.is_empty() { light.plane.bin as f64 } else { median(&mut all) };
        (0..n)
            .map(|k| {
                let p = outline[k];
                if on_frame(light, p) {
                    return p;
                }
                let mut near: Vec<f64> = (0..5).filter_map(|d| self.at[(k + n + d - 2) % n]).collect();
                let offset = if near.is_empty() { usual } else { median(&mut near) };
                let normal = normal(outline, k);
                [p[0] + offset * normal[0], p[1] + offset * normal[1]]
            })
            .collect()
    }
}

/// Tint at a pixel against the field's clear crystals, log units; beyond the picture that of its border.
fn tint_at(light: &FieldLight, usual: &Usual, [x, y]: [f64; 2]) -> f32 {
    let (column, row) = light.plane.cell(x, y);
    usual.tinted([0, 1].map(|c: usize| light.plane.tint[c][[row, column]]))
}

/// Within two cells of the picture's border.
fn on_frame(light: &FieldLight, p: [f64; 2]) -> bool {
    let cell = light.plane.bin as f64;
    let (rows, columns) = light.plane.coarse.dim();
    p[0] < 2.0 * cell || p[1] < 2.0 * cell || p[0] > (columns as f64 - 2.0) * cell || p[1] > (rows as f64 - 2.0) * cell
}

#[cfg(test)]
mod tests {
    use super::super::drawn::{self, DARK, RADIUS, WHOLE, clear, from_the_middle};
    use super::super::find;
    use super::*;

    /// A clear even place without light between crossed polars, in a brown matrix 45 pixels wide or right among the crystals, with a dark
    /// wall about it or none.
    fn photographs(matrix: bool, wall: bool) -> FieldLight {
        let plane = |x: usize, y: usize, channel: usize| {
            let mottle = 1.0 + 0.06 * ((x / 3 * 5 + y / 3 * 3) % 7) as f64 / 7.0;
            match from_the_middle(x, y) {
                r if wall && (RADIUS - 3.0..RADIUS + 2.0).contains(&r) => 0.2,
                r if matrix && (RADIUS..RADIUS + 45.0).contains(&r) => 0.42 * mottle * [1.0, 0.9, 0.75][channel],
                r if r < RADIUS => 0.7,
                _ => clear(x, y),
            }
        };
        drawn::field(plane, |x, y| (from_the_middle(x, y) <= RADIUS - 2.0).then_some(DARK))
    }

    #[test]
    fn a_brown_matrix_about_a_crystal_is_no_wall_of_a_hole() {
        for (matrix, wall) in [(false, true), (true, true), (true, false)] {
            let found = find(&photographs(matrix, wall));
            let hole = found.iter().find(|h| (h.area / WHOLE - 1.0).abs() < 0.2).expect("it is dark and clear");
            let seen = (hole.wall, hole.wall_depth, matrix);
            assert_eq!(hole.wall > 0.9 && hole.wall_depth > 0.4, wall, "{seen:?}");
            assert!(wall || hole.wall < 0.2 && hole.wall_depth < 0.1, "{seen:?}");
        }
    }
}
