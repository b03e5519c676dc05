//! The glass in the picture: four straight edges that close to a rectangle seen a little from the side.

use crate::frosting::bevel::{Bevel, CORNERS};
use crate::frosting::edges::Edges;
use crate::frosting::geometry::{Point, depth, distance, meeting};
use crate::frosting::sides::Side;

/// Least share of each edge that must be seen.
pub const LEAST_SEEN: f64 = 0.4;
/// Opposite edges are parallel within this, radians: a photograph from 25 degrees aside.
const PARALLEL: f64 = 0.16;
/// Neighbouring edges meet at a right angle within this, radians.
const SQUARE: f64 = 0.24;
/// Long over short side of glass slides: 46 x 27 and 48 x 28 mm are 1.7, 75 x 25 mm is 3; with what perspective adds.
const PROPORTION: [f64; 2] = [1.12, 3.6];
/// What an edge of the picture counts that stands in for one of the glass.
const OF_THE_FRAME: f64 = 0.25;

/// Four edges of a glass.
#[derive(Clone, Debug)]
pub struct Quad {
    /// Corners where the edges would meet: top-left, top-right, bottom-right, bottom-left as seen, cells.
    pub corners: [Point; 4],
    /// Share of each edge that is seen: top, right, bottom, left, 0..=1.
    pub seen: [f64; 4],
    /// Edges that the picture cuts off: top, right, bottom, left.
    pub cut_off: [bool; 4],
    /// A corner lies outside the picture.
    pub corner_out: bool,
    /// Another edge lies outside one of these and meets a neighbour: the glass may go on as far as there.
    pub goes_on: bool,
    lines: [usize; 4],
}

impl Quad {
    /// Length of the shorter and of the longer side, cells.
    #[must_use]
    pub fn sides(&self) -> [f64; 2] {
        let c = &self.corners;
        let across = (distance(c[0], c[1]) + distance(c[3], c[2])) / 2.0;
        let down = (distance(c[1], c[2]) + distance(c[0], c[3])) / 2.0;
        [across.min(down), across.max(down)]
    }

    fn score(&self) -> f64 {
        let least = self.seen.iter().copied().fold(1.0, f64::min);
        let mean = self.seen.iter().sum::<f64>() / 4.0;
        let [short, _] = self.sides();
        mean + 0.5 * least + 0.0002 * short.min(500.0)
    }
}

struct Search<'a> {
    edges: &'a Edges,
    /// Unit normals and distances; the last four are the frame.
    lines: Vec<[f64; 3]>,
    frame_from: usize,
    size: [f64; 2],
}

/// The glass, or None when no four edges close to one. Coordinates are cells of a grid of `rows` by `columns`.
#[must_use]
pub fn find(edges: &Edges) -> Option<Quad> {
    let (rows, columns) = edges.strength.dim();
    let mut lines = edges.lines();
    let size = [columns as f64 - 1.0, rows as f64 - 1.0];
    // An edge that runs along the picture's own is its frame.
    lines.retain(|l| {
        let upright = l[0].abs() > 0.5;
        let (n, m, across, end) = if upright { (l[0], l[1], size[1], size[0]) } else { (l[1], l[0], size[0], size[1]) };
        let at = [l[2] / n, (l[2] - m * across) / n];
        !(at.iter().all(|a| *a < 4.0) || at.iter().all(|a| *a > end - 4.0))
    });
    let frame_from = lines.len();
    lines.extend([[0.0, 1.0, 0.0], [1.0, 0.0, size[0]], [0.0, 1.0, size[1]], [1.0, 0.0, 0.0]]);
    let search = Search { edges, lines, frame_from, size };
    let mut quads = search.quads();
    quads.sort_by(|a, b| b.score().total_cmp(&a.score()));
    quads.truncate(300);
    let best = quads.first()?.clone();
    let best = search.settle(best);
    // A light table or a tray has four edges too: the glass lies on it, and none of its edges is one of theirs.
    let nested = quads.iter().find(|q| {
        let mean = q.seen.iter().sum::<f64>() / 4.0;
        let apart = 0.006 * best.sides()[0] + 2.0;
        q.cut_off == [false; 4]
            && mean > 0.6
            && q.seen.iter().all(|s| *s > 0.4)
            && q.sides()[0] > 0.4 * best.sides()[0]
            && q.corners.iter().all(|c| depth(&best.corners, *c) > apart)
    });
    let mut chosen = match nested {
        Some(inner) => search.settle(inner.clone()),
        None => best,
    };
    chosen.goes_on = search.goes_on(&chosen);
    Some(chosen)
}

impl Search<'_> {
    fn angle(&self, a: usize, b: usize) -> f64 {
        let (a, b) = (self.lines[a], self.lines[b]);
        (a[0] * b[0] + a[1] * b[1]).abs().min(1.0).acos()
    }

    fn quads(&self) -> Vec<Quad> {
        let n = self.lines.len();
        let least = 0.16 * self.size[0].min(self.size[1]);
        let centre = [self.size[0] / 2.0, self.size[1] / 2.0];
        let mut pairs = Vec::new();
        for a in 0..n {
            for b in a + 1..n {
                if self.angle(a, b) < PARALLEL {
                    let off = |l: [f64; 3]| l[0] * centre[0] + l[1] * centre[1] - l[2];
                    let (la, lb) = (self.lines[a], self.lines[b]);
                    let sign = (la[0] * lb[0] + la[1] * lb[1]).signum();
                    if (off(la) - sign * off(lb)).abs() > least {
                        pairs.push((a, b));
                    }
                }
            }
        }
        let mut quads = Vec::new();
        for (i, p) in pairs.iter().enumerate() {
            for q in &pairs[i + 1..] {
                let right = std::f64::consts::FRAC_PI_2;
                if (self.angle(p.0, q.0) - right).abs() < SQUARE && (self.angle(p.1, q.1) - right).abs() < SQUARE {
                    quads.extend(self.quad([p.0, q.0, p.1, q.1]));
                }
            }
        }
        quads
    }

    /// The quadrilateral of four lines, each meeting the next, when it may be a glass.
    fn quad(&self, lines: [usize; 4]) -> Option<Quad> {
        let frames = lines.iter().filter(|l| **l >= self.frame_from).count();
        if frames > 2 {
            return None;
        }
        // Edge k lies on lines[k]; corner k is where edge k - 1 meets edge k.
        let mut corners = [[0.0; 2]; 4];
        for k in 0..4 {
            corners[k] = meeting(self.lines[lines[(k + 3) % 4]], self.lines[lines[k]])?;
            let [x, y] = corners[k];
            let beyond = if frames > 0 { 1.5 } else { 0.03 * self.size[0].max(self.size[1]) };
            if x < -beyond || y < -beyond || x > self.size[0] + beyond || y > self.size[1] + beyond {
                return None;
            }
        }
        let (corners, lines) = in_order(corners, lines);
        let across = [distance(corners[0], corners[1]), distance(corners[3], corners[2])];
        let down = [distance(corners[1], corners[2]), distance(corners[0], corners[3])];
        let alike = |s: [f64; 2]| s[0].max(s[1]) < 1.2 * s[0].min(s[1]);
        let (w, h) = (across[0] + across[1], down[0] + down[1]);
        let long = w.max(h) / w.min(h);
        let whole = frames == 0;
        if !alike(across) || !alike(down) || (whole && !(PROPORTION[0]..=PROPORTION[1]).contains(&long)) {
            return None;
        }
        let mut seen = [0.0; 4];
        let mut cut_off = [false; 4];
        for k in 0..4 {
            let ends = [corners[k], corners[(k + 1) % 4]];
            let out = |[x, y]: Point| x < -1.5 || y < -1.5 || x > self.size[0] + 1.5 || y > self.size[1] + 1.5;
            let frame = lines[k] >= self.frame_from;
            cut_off[k] = frame || ends.iter().all(|e| out(*e));
            seen[k] = if frame { OF_THE_FRAME } else { self.edges.support(corners[k], corners[(k + 1) % 4]) };
            if seen[k] < 0.25 {
                return None;
            }
        }
        let corner_out =
            corners.iter().any(|[x, y]| *x < -1.5 || *y < -1.5 || *x > self.size[0] + 1.5 || *y > self.size[1] + 1.5);
        Some(Quad { corners, seen, cut_off, corner_out, goes_on: false, lines })
    }

    /// Whether a straight edge outside one of the quad's leaves from one of its corners, or meets a neighbour that runs on
    /// to it. A glossy wedge ends so: its inner rim is taken for the edge, and where the bevel is cut nothing runs on.
    fn goes_on(&self, quad: &Quad) -> bool {
        let widest = 0.3 * quad.sides()[0];
        (0..4).any(|k| {
            (0..self.frame_from).any(|line| {
                if quad.cut_off[k] || line == quad.lines[k] || self.angle(line, quad.lines[k]) > 1.6 * PARALLEL {
                    return false;
                }
                let mut lines = quad.lines;
                lines[k] = line;
                let Some(other) = self.quad(lines) else { return false };
                if other.seen[k] < 0.5 || other.lines != lines || area(&other.corners) <= area(&quad.corners) {
                    return false;
                }
                let ends = [k, (k + 1) % 4];
                let gap = ends.map(|c| distance(quad.corners[c], other.corners[c]));
                let outside = ends.iter().all(|c| depth(&quad.corners, other.corners[*c]) < 4.0);
                let meets = [0, 1].map(|e| {
                    let way = self.edges.support(quad.corners[ends[e]], other.corners[ends[e]]);
                    gap[e] < 6.0 || way > 0.5
                });
                outside && gap[0].max(gap[1]) < widest && gap[0].max(gap[1]) > 8.0 && (meets[0] || meets[1])
            })
        })
    }

    /// Puts each edge where it belongs: outward when its neighbours run on past it, inward when they end before it.
    fn settle(&self, mut quad: Quad) -> Quad {
        for _ in 0..6 {
            let mut moved = None;
            for k in 0..4 {
                for line in 0..self.frame_from {
                    if line == quad.lines[k] || self.angle(line, quad.lines[k]) > PARALLEL {
                        continue;
                    }
                    let mut lines = quad.lines;
                    lines[k] = line;
                    let Some(other) = self.quad([lines[0], lines[1], lines[2], lines[3]]) else { continue };
                    if other.seen[k] < 0.5 || other.lines != lines {
                        continue;
                    }
                    let ends = [k, (k + 1) % 4];
                    let gap = ends.map(|c| distance(quad.corners[c], other.corners[c]));
                    if gap[0].min(gap[1]) < 6.0 {
                        continue;
                    }
                    let between = ends.map(|c| self.edges.support(quad.corners[c], other.corners[c]));
                    let grows = area(&other.corners) > area(&quad.corners);
                    let better = if grows {
                        between[0].min(between[1]) > 0.35 && between[0] + between[1] > 1.1
                    } else {
                        between[0].max(between[1]) < 0.3 && other.seen[k] > 0.6
                    };
                    if better {
                        moved = Some(other);
                    }
                }
                if moved.is_some() {
                    break;
                }
            }
            match moved {
                Some(other) => quad = other,
                None => break,
            }
        }
        quad
    }
}

fn area(corners: &[Point; 4]) -> f64 {
    crate::section::shape::polygon_area(corners)
}

/// Corners and edges turned so that they begin at the top left as seen and go round clockwise.
fn in_order(corners: [Point; 4], lines: [usize; 4]) -> ([Point; 4], [usize; 4]) {
    let mut sum = 0.0;
    for k in 0..4 {
        let (a, b) = (corners[k], corners[(k + 1) % 4]);
        sum += a[0] * b[1] - b[0] * a[1];
    }
    // With y down a positive sum goes round clockwise as seen.
    let (corners, lines) = if sum > 0.0 {
        (corners, lines)
    } else {
        ([corners[0], corners[3], corners[2], corners[1]], [lines[3], lines[2], lines[1], lines[0]])
    };
    // The top edge is the one that points most to the right.
    let first = (0..4)
        .max_by(|a, b| {
            let right = |k: usize| {
                let (p, q) = (corners[k], corners[(k + 1) % 4]);
                (q[0] - p[0]) / distance(p, q).max(1e-9)
            };
            right(*a).total_cmp(&right(*b))
        })
        .unwrap_or(0);
    (std::array::from_fn(|k| corners[(first + k) % 4]), std::array::from_fn(|k| lines[(first + k) % 4]))
}

/// The outline as a polygon: each side in stretches, the bevel cut off.
#[must_use]
pub fn bordered(sides: &[Side; 4], bevel: Option<Bevel>) -> Vec<Point> {
    const STRETCHES: usize = 8;
    let mut out = Vec::new();
    for (k, side) in sides.iter().enumerate() {
        let cut = |corner: usize| bevel.filter(|b| CORNERS[corner % 4] == b.corner);
        let length = distance(side.at(0.0), side.at(1.0));
        let from = cut(k).map_or(0.0, |b| distance(b.ends[1], side.at(0.0)) / length);
        let to = cut(k + 1).map_or(1.0, |b| 1.0 - distance(b.ends[0], side.at(1.0)) / length);
        out.extend((0..=STRETCHES).map(|i| side.at(from + (to - from) * i as f64 / STRETCHES as f64)));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::shape::holds;
    use ndarray::Array2;

    pub(crate) fn card(corners: [Point; 4], rows: usize, columns: usize, within: f32, without: f32) -> Array2<f32> {
        Array2::from_shape_fn((rows, columns), |(y, x)| {
            let covered = (0..16)
                .filter(|k| {
                    let p = [x as f64 - 0.375 + 0.25 * f64::from(k % 4), y as f64 - 0.375 + 0.25 * f64::from(k / 4)];
                    holds(&corners, p)
                })
                .count() as f32;
            without + (within - without) * covered / 16.0
        })
    }

    #[test]
    fn a_bright_rectangle_is_found_at_any_tilt() {
        for degrees in [0.0_f64, 8.0, -21.0, 38.0] {
            let (s, c) = degrees.to_radians().sin_cos();
            let corners = [[-110.0, -65.0], [110.0, -65.0], [110.0, 65.0], [-110.0, 65.0]]
                .map(|[x, y]| [160.0 + x * c - y * s, 150.0 + x * s + y * c]);
            let quad = find(&Edges::of(&card(corners, 300, 320, 0.6, 0.05))).expect("a glass");
            for (found, true_one) in quad.corners.iter().zip(corners) {
                assert!(distance(*found, true_one) < 2.0, "{degrees}: {found:?} {true_one:?}");
            }
            assert!(quad.seen.iter().all(|s| *s > 0.9), "{:?}", quad.seen);
        }
    }

    #[test]
    fn an_empty_picture_has_no_glass() {
        let light = Array2::from_shape_fn((200, 260), |(y, x)| 0.2 + 0.001 * (x + y) as f32);
        assert!(find(&Edges::of(&light)).is_none());
    }

    #[test]
    fn a_glass_that_runs_out_of_the_picture_is_cut_off_there() {
        let corners = [[-40.0, 40.0], [180.0, 40.0], [180.0, 170.0], [-40.0, 170.0]];
        let quad = find(&Edges::of(&card(corners, 220, 260, 0.6, 0.05))).expect("a glass");
        assert_eq!(quad.cut_off, [false, false, false, true]);
    }
}
