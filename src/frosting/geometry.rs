//! Plane geometry of a slide seen a little from the side: lines, and the map from the unit square to four corners.

use crate::section::shape::holds;

/// A point, pixels or cells.
pub type Point = [f64; 2];

/// Distance of two points.
#[must_use]
pub fn distance(a: Point, b: Point) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The point at share `t` of the way from a to b.
#[must_use]
pub fn between(a: Point, b: Point, t: f64) -> Point {
    [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]
}

/// Where two lines n·p = d meet (each as unit normal x, y and distance); None when they are parallel.
#[must_use]
pub fn meeting(a: [f64; 3], b: [f64; 3]) -> Option<Point> {
    let determinant = a[0] * b[1] - a[1] * b[0];
    (determinant.abs() > 1e-6)
        .then(|| [(a[2] * b[1] - b[2] * a[1]) / determinant, (a[0] * b[2] - b[0] * a[2]) / determinant])
}

/// The line through two points as unit normal and distance; the normal points to the right of the way from a to b (y down:
/// outward when the corners go round clockwise as seen is to the left, so it points inward).
#[must_use]
pub fn line_through(a: Point, b: Point) -> [f64; 3] {
    let length = distance(a, b).max(1e-12);
    let n = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
    [n[0], n[1], n[0] * a[0] + n[1] * a[1]]
}

/// Distance from a point to the border of a polygon, positive inside.
#[must_use]
pub fn depth(polygon: &[Point], p: Point) -> f64 {
    let mut least = f64::INFINITY;
    for (i, a) in polygon.iter().enumerate() {
        let b = polygon[(i + 1) % polygon.len()];
        let along = [b[0] - a[0], b[1] - a[1]];
        let square = (along[0] * along[0] + along[1] * along[1]).max(1e-12);
        let t = (((p[0] - a[0]) * along[0] + (p[1] - a[1]) * along[1]) / square).clamp(0.0, 1.0);
        least = least.min(distance(p, [a[0] + t * along[0], a[1] + t * along[1]]));
    }
    if holds(polygon, p) { least } else { -least }
}

/// A plane perspective map, row by row.
#[derive(Clone, Copy, Debug)]
pub struct Homography([f64; 9]);

impl Homography {
    /// From the unit square (corners (0,0), (1,0), (1,1), (0,1) in this order) to four points (closed form of Heckbert,
    /// Fundamentals of Texture Mapping and Image Warping, 1989; from memory).
    #[must_use]
    pub fn from_unit_square([a, b, c, d]: [Point; 4]) -> Self {
        let sum = [a[0] - b[0] + c[0] - d[0], a[1] - b[1] + c[1] - d[1]];
        let (u, v) = ([b[0] - c[0], b[1] - c[1]], [d[0] - c[0], d[1] - c[1]]);
        let determinant = u[0] * v[1] - v[0] * u[1];
        let g = (sum[0] * v[1] - v[0] * sum[1]) / determinant;
        let h = (u[0] * sum[1] - sum[0] * u[1]) / determinant;
        Self([
            b[0] - a[0] + g * b[0],
            d[0] - a[0] + h * d[0],
            a[0],
            b[1] - a[1] + g * b[1],
            d[1] - a[1] + h * d[1],
            a[1],
            g,
            h,
            1.0,
        ])
    }

    /// The image of a point.
    #[must_use]
    pub fn apply(&self, [x, y]: Point) -> Point {
        let m = &self.0;
        let w = m[6] * x + m[7] * y + m[8];
        [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w]
    }

    /// The map the other way.
    #[must_use]
    pub fn inverse(&self) -> Self {
        let [a, b, c, d, e, f, g, h, i] = self.0;
        Self([
            e * i - f * h,
            c * h - b * i,
            b * f - c * e,
            f * g - d * i,
            a * i - c * g,
            c * d - a * f,
            d * h - e * g,
            b * g - a * h,
            a * e - b * d,
        ])
    }
}

/// A parabola through most of the points: least squares with weights that forget outliers; None of
/// fewer than twenty.
#[must_use]
pub fn parabola(points: &[(f64, f64)]) -> Option<[f64; 3]> {
    if points.len() < 20 {
        return None;
    }
    let mut offs: Vec<f64> = points.iter().map(|p| p.1).collect();
    offs.sort_by(f64::total_cmp);
    let mut fit = [offs[offs.len() / 2], 0.0, 0.0];
    for round in 0..10 {
        let scale = if round < 3 { 2.0 } else { 0.8 };
        let mut m = nalgebra::Matrix3::<f64>::zeros();
        let mut v = nalgebra::Vector3::<f64>::zeros();
        for (t, off) in points {
            let residual = off - fit[0] - fit[1] * t - fit[2] * t * t;
            let w = 1.0 / (1.0 + (residual / scale).powi(2)).powi(2);
            let basis = nalgebra::Vector3::new(1.0, *t, t * t);
            m += w * basis * basis.transpose();
            v += w * *off * basis;
        }
        m += nalgebra::Matrix3::from_diagonal(&nalgebra::Vector3::new(1e-9, 1e-3, 1e-3));
        let solved = m.lu().solve(&v)?;
        fit = [solved[0], solved[1], solved[2]];
    }
    Some(fit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_square_goes_to_its_corners_and_back() {
        let corners = [[10.0, 12.0], [110.0, 5.0], [120.0, 80.0], [3.0, 70.0]];
        let map = Homography::from_unit_square(corners);
        for (from, to) in [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]].into_iter().zip(corners) {
            assert!(distance(map.apply(from), to) < 1e-9);
            assert!(distance(map.inverse().apply(to), from) < 1e-9);
        }
        // Straight lines stay straight: the diagonals meet where the middle goes.
        let middle = map.apply([0.5, 0.5]);
        let cross = meeting(line_through(corners[0], corners[2]), line_through(corners[1], corners[3])).unwrap();
        assert!(distance(middle, cross) < 1e-9);
    }

    #[test]
    fn depth_is_the_distance_to_the_border_with_its_sign() {
        let square = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];
        assert!((depth(&square, [3.0, 5.0]) - 3.0).abs() < 1e-12);
        assert!((depth(&square, [-2.0, 5.0]) + 2.0).abs() < 1e-12);
        assert!((depth(&square, [13.0, 14.0]) + 5.0).abs() < 1e-12);
    }
}
