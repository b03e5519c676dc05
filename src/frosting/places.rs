//! Where on the slide something lies, in the picture's own words and counted from the bevelled corner.

use crate::slide::Corner;
use serde::{Deserialize, Serialize};

use crate::frosting::bevel::CORNERS;
use crate::frosting::geometry::{Homography, Point};

/// An edge of the slide as seen in the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Edge {
    /// Top.
    Top,
    /// Right.
    Right,
    /// Bottom.
    Bottom,
    /// Left.
    Left,
}

/// Edges in the order of the outline: from corner k to corner k + 1.
pub const EDGES: [Edge; 4] = [Edge::Top, Edge::Right, Edge::Bottom, Edge::Left];

/// Where a patch lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Where {
    /// On nearly all of the slide.
    AllOver,
    /// Along an edge.
    Along(Edge),
    /// At a corner.
    At(Corner),
    /// It touches no edge.
    Middle,
}

impl Edge {
    /// "left".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Right => "right",
            Self::Bottom => "bottom",
            Self::Left => "left",
        }
    }
}

/// "top-left".
#[must_use]
pub fn corner_words(corner: Corner) -> &'static str {
    match corner {
        Corner::TopLeft => "top-left",
        Corner::TopRight => "top-right",
        Corner::BottomRight => "bottom-right",
        Corner::BottomLeft => "bottom-left",
    }
}

impl Where {
    /// Of cells on a glass with these corners; `share` is their share of it.
    #[must_use]
    pub fn of(cells: &[[usize; 2]], corners: [Point; 4], share: f64) -> Self {
        if share > 0.9 {
            return Self::AllOver;
        }
        const STRETCHES: usize = 100;
        let to_unit = Homography::from_unit_square(corners).inverse();
        let side = |a: usize, b: usize| crate::frosting::geometry::distance(corners[a], corners[b]);
        // How near to an edge counts as touching it: 3 % of the short side, along either axis.
        let short = side(0, 1).min(side(1, 2));
        let near = [0.03 * short / side(0, 1), 0.03 * short / side(1, 2)];
        let mut met = [[false; STRETCHES]; 4];
        for [y, x] in cells {
            let [u, v] = to_unit.apply([*x as f64, *y as f64]);
            let at = |t: f64| ((t * STRETCHES as f64) as usize).min(STRETCHES - 1);
            let touching = [v < near[1], u > 1.0 - near[0], v > 1.0 - near[1], u < near[0]];
            for k in 0..4 {
                met[k][at(if k % 2 == 0 { u } else { v })] |= touching[k];
            }
        }
        let contact = met.map(|m| m.iter().filter(|c| **c).count() as f64 / STRETCHES as f64);
        let most = (0..4).max_by(|a, b| contact[*a].total_cmp(&contact[*b])).unwrap_or(0);
        if contact[most] < 0.03 {
            return Self::Middle;
        }
        // A corner: two neighbours are touched where they meet, and neither over most of its length.
        let beside = [(most + 1) % 4, (most + 3) % 4];
        let next = if contact[beside[0]] >= contact[beside[1]] { beside[0] } else { beside[1] };
        let corner = if next == (most + 1) % 4 { next } else { most };
        if contact[most] < 0.75 && contact[next] > 0.06 && contact[next] > 0.2 * contact[most] {
            Self::At(CORNERS[corner])
        } else {
            Self::Along(EDGES[most])
        }
    }

    /// "along the left edge".
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::AllOver => "all over".into(),
            Self::Along(edge) => format!("along the {} edge", edge.words()),
            Self::At(corner) => format!("at the {} corner", corner_words(corner)),
            Self::Middle => "away from the edges".into(),
        }
    }

    /// The same counted from the bevelled corner, which turns with the slide; None where it says no more.
    #[must_use]
    pub fn from_bevel(self, bevel: Corner) -> Option<String> {
        let k = CORNERS.iter().position(|c| *c == bevel)?;
        match self {
            Self::AllOver | Self::Middle => None,
            Self::Along(edge) => {
                let e = EDGES.iter().position(|o| *o == edge)?;
                // Edge k begins at corner k and edge k - 1 ends there.
                Some(match (e + 4 - k) % 4 {
                    0 => "the edge that begins at the bevelled corner, clockwise".into(),
                    3 => "the edge that ends at the bevelled corner, clockwise".into(),
                    1 => "the edge opposite to the one that ends at the bevelled corner, clockwise".into(),
                    _ => "the edge opposite to the one that begins at the bevelled corner, clockwise".into(),
                })
            }
            Self::At(corner) => {
                let c = CORNERS.iter().position(|o| *o == corner)?;
                Some(match (c + 4 - k) % 4 {
                    0 => "the bevelled corner itself".into(),
                    1 => "the corner after the bevelled one, clockwise".into(),
                    2 => "the corner diagonally opposite to the bevelled one".into(),
                    _ => "the corner before the bevelled one, clockwise".into(),
                })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GLASS: [Point; 4] = [[20.0, 10.0], [220.0, 10.0], [220.0, 110.0], [20.0, 110.0]];

    fn block(x: std::ops::Range<usize>, y: std::ops::Range<usize>) -> Vec<[usize; 2]> {
        y.flat_map(|j| x.clone().map(move |i| [j, i])).collect()
    }

    #[test]
    fn edges_corners_and_the_middle_by_what_is_touched() {
        for (x, y, place) in [
            (20..30, 10..111, Where::Along(Edge::Left)),
            (205..221, 10..80, Where::Along(Edge::Right)),
            (20..221, 10..20, Where::Along(Edge::Top)),
            (90..140, 100..111, Where::Along(Edge::Bottom)),
            (20..60, 10..40, Where::At(Corner::TopLeft)),
            (190..221, 80..111, Where::At(Corner::BottomRight)),
            (180..221, 10..40, Where::At(Corner::TopRight)),
            (20..60, 80..111, Where::At(Corner::BottomLeft)),
            (90..140, 40..80, Where::Middle),
        ] {
            assert_eq!(Where::of(&block(x.clone(), y.clone()), GLASS, 0.1), place, "{x:?} {y:?}");
        }
        assert_eq!(Where::of(&block(20..221, 10..111), GLASS, 0.97), Where::AllOver);
    }

    /// Turned a quarter, the words in the picture change and those from the bevelled corner do not.
    #[test]
    fn from_the_bevelled_corner_a_turn_changes_nothing() {
        for k in 0..4 {
            for e in 0..4 {
                let said = |turn: usize| Where::Along(EDGES[(e + turn) % 4]).from_bevel(CORNERS[(k + turn) % 4]);
                assert_eq!(said(0), said(1));
                let said = |turn: usize| Where::At(CORNERS[(e + turn) % 4]).from_bevel(CORNERS[(k + turn) % 4]);
                assert_eq!(said(0), said(3));
            }
        }
    }
}
