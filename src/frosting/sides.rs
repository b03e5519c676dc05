//! Edges of the glass as they are: shallow arcs through the outermost change of light near the lines that close to its outline.

use crate::frosting::edges::Edges;
use crate::frosting::geometry::{Point, line_through, parabola};
use crate::frosting::outline::{LEAST_SEEN, Quad};
use crate::section::cells::sample;

/// An edge of the glass as it is: a shallow arc, since lenses bend straight lines.
#[derive(Clone, Copy, Debug)]
pub struct Side {
    from: Point,
    to: Point,
    /// Offset inward at share t of the way: a + b·t + c·t², cells.
    bend: [f64; 3],
    /// Share of it where the light changes on the arc itself and not beside it: a graded rim wavers.
    pub on_arc: f64,
}

impl Side {
    /// The point at share `t` of the way.
    #[must_use]
    pub fn at(&self, t: f64) -> Point {
        let [nx, ny, _] = line_through(self.from, self.to);
        let off = self.bend[0] + self.bend[1] * t + self.bend[2] * t * t;
        [
            self.from[0] + t * (self.to[0] - self.from[0]) + off * nx,
            self.from[1] + t * (self.to[1] - self.from[1]) + off * ny,
        ]
    }
}

/// Reach of the second look for an edge that the first did not find beside its line, over that of the first.
const FARTHER: f64 = 2.5;

/// Moves each edge onto the outermost change of light near it. Edges that the picture cuts off stay.
#[must_use]
pub fn refine(quad: &Quad, edges: &Edges) -> [Side; 4] {
    let reach = (0.012 * quad.sides()[0]).max(3.5);
    std::array::from_fn(|k| {
        let (from, to) = (quad.corners[k], quad.corners[(k + 1) % 4]);
        if quad.cut_off[k] {
            return Side { from, to, bend: [0.0; 3], on_arc: 1.0 };
        }
        beside(from, to, edges, reach)
    })
}

/// The edge beside a line, looked for farther off where it is not seen within `reach` cells: a line that is drawn a little
/// aslant leaves the edge before its ends.
fn beside(from: Point, to: Point, edges: &Edges, reach: f64) -> Side {
    let near = arc(from, to, edges, reach);
    if near.on_arc >= LEAST_SEEN {
        return near;
    }
    let farther = arc(from, to, edges, FARTHER * reach);
    if farther.on_arc > near.on_arc { farther } else { near }
}

/// The arc through the outermost change of light within `reach` cells of a line.
fn arc(from: Point, to: Point, edges: &Edges, reach: f64) -> Side {
    let [nx, ny, _] = line_through(from, to);
    let mut points = Vec::new();
    for i in 0..=80 {
        let t = 0.03 + 0.94 * f64::from(i) / 80.0;
        let p = [from[0] + t * (to[0] - from[0]), from[1] + t * (to[1] - from[1])];
        let steps = (2.0 * reach / 0.5) as usize;
        let profile: Vec<f32> = (0..=steps)
            .map(|s| {
                let off = -reach + 0.5 * s as f64;
                let (x, y) = (p[0] + off * nx, p[1] + off * ny);
                let slope = edges.slope.each_ref().map(|g| sample(g, x, y).unwrap_or(0.0));
                (slope[0] * nx as f32 + slope[1] * ny as f32).abs()
            })
            .collect();
        let most = profile.iter().copied().fold(0.0, f32::max);
        let first = (1..steps)
            .find(|s| profile[*s] > 0.45 * most && profile[*s] >= profile[s - 1] && profile[*s] >= profile[s + 1]);
        if let Some(s) = first.filter(|_| most > 0.006) {
            points.push((t, -reach + 0.5 * s as f64));
        }
    }
    let bend = parabola(&points).unwrap_or([0.0; 3]);
    let on = |(t, off): &&(f64, f64)| (off - bend[0] - bend[1] * t - bend[2] * t * t).abs() < 1.3;
    Side { from, to, bend, on_arc: points.iter().filter(on).count() as f64 / 81.0 }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// An edge at y = 60 + 0.03 x is found from a line on it, from one seven cells beside it, and not from one that is farther off.
    #[test]
    fn an_edge_is_found_from_a_line_that_is_drawn_beside_it() {
        let edge = |x: f64| 60.0 + 0.03 * x;
        let light = Array2::from_shape_fn((140, 220), |(y, x)| {
            (0.1 + 0.4 * (y as f64 - edge(x as f64) + 0.5).clamp(0.0, 1.0)) as f32
        });
        let edges = Edges::of(&light);
        let from = |off: f64| beside([10.0, edge(10.0) - off], [210.0, edge(210.0) - off], &edges, 3.5);
        for off in [0.0, 7.0, -7.0] {
            let side = from(off);
            assert!(side.on_arc > 0.95, "{off}: {}", side.on_arc);
            for t in [0.1, 0.5, 0.9] {
                let [x, y] = side.at(t);
                assert!((y - edge(x)).abs() < 1.0, "{off}, {t}: {x} {y}");
            }
        }
        assert!(from(20.0).on_arc < LEAST_SEEN);
    }
}
