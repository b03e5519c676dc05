//! Shape of an outline or a mask: area, perimeter, circularity, longest span, axis ratio.

use ndarray::Array2;

/// Measures of one connected patch of cells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Area, cells.
    pub area: f64,
    /// Perimeter after Crofton, four directions, cells.
    pub perimeter: f64,
    /// 4π·area / perimeter²: 1 for a circle, less for anything else.
    pub circularity: f64,
    /// Longest span of the patch, over the corners of its cells, cells.
    pub feret: f64,
    /// Longer over shorter axis of the ellipse of the same second moments.
    pub axis_ratio: f64,
    /// Centroid, cells (centre of the top-left cell is 0, 0).
    pub centroid: [f64; 2],
}

impl Shape {
    /// Of the true cells of a mask; None when there are none.
    #[must_use]
    pub fn of(mask: &Array2<bool>) -> Option<Self> {
        let (rows, columns) = mask.dim();
        let cells: Vec<(f64, f64)> =
            mask.indexed_iter().filter(|(_, m)| **m).map(|((y, x), _)| (x as f64, y as f64)).collect();
        if cells.is_empty() {
            return None;
        }
        let n = cells.len() as f64;
        let (cx, cy) = cells.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
        let (mut xx, mut xy, mut yy) = (1.0 / 12.0, 0.0, 1.0 / 12.0);
        for (x, y) in &cells {
            xx += (x - cx).powi(2) / n;
            xy += (x - cx) * (y - cy) / n;
            yy += (y - cy).powi(2) / n;
        }
        let root = (((xx - yy) / 2.0).powi(2) + xy * xy).sqrt();
        let (long, short) = ((xx + yy) / 2.0 + root, (xx + yy) / 2.0 - root);
        let corners: Vec<[f64; 2]> = cells
            .iter()
            .flat_map(|(x, y)| [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)].map(|(u, v)| [x + u, y + v]))
            .collect();
        let hull = convex_hull(corners);
        let mut feret = 0.0_f64;
        for (i, a) in hull.iter().enumerate() {
            for b in &hull[i + 1..] {
                feret = feret.max((a[0] - b[0]).hypot(a[1] - b[1]));
            }
        }
        let at = |y: isize, x: isize| {
            y >= 0 && x >= 0 && y < rows as isize && x < columns as isize && mask[[y as usize, x as usize]]
        };
        // Number of crossings of the outline by lines in four directions, weighted by their spacing (Cauchy-Crofton).
        let (mut level, mut upright, mut slanted) = (0.0, 0.0, 0.0);
        for y in -1..rows as isize {
            for x in -1..columns as isize {
                let here = at(y, x);
                level += f64::from(u8::from(here != at(y, x + 1)));
                upright += f64::from(u8::from(here != at(y + 1, x)));
                slanted += f64::from(u8::from(here != at(y + 1, x + 1)));
                slanted += f64::from(u8::from(at(y, x + 1) != at(y + 1, x)));
            }
        }
        let perimeter = std::f64::consts::PI / 4.0 * ((level + upright) / 2.0 + slanted / (2.0 * 2.0_f64.sqrt()));
        let perimeter = perimeter.max(1e-9);
        Some(Self {
            area: n,
            perimeter,
            circularity: 4.0 * std::f64::consts::PI * n / (perimeter * perimeter),
            feret,
            axis_ratio: (long / short.max(1e-12)).sqrt(),
            centroid: [cx, cy],
        })
    }
}

/// Area of a closed polygon, square units, whichever way it turns.
#[must_use]
pub fn polygon_area(outline: &[[f64; 2]]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in outline.iter().enumerate() {
        let b = outline[(i + 1) % outline.len()];
        sum += a[0] * b[1] - b[0] * a[1];
    }
    (sum / 2.0).abs()
}

/// Centroid of a closed polygon; the mean of its corners when it has no area.
#[must_use]
pub fn polygon_centroid(outline: &[[f64; 2]]) -> [f64; 2] {
    let (mut sum, mut cx, mut cy) = (0.0, 0.0, 0.0);
    let origin = outline.first().copied().unwrap_or([0.0, 0.0]);
    for (i, a) in outline.iter().enumerate() {
        let b = outline[(i + 1) % outline.len()];
        let (a, b) = ([a[0] - origin[0], a[1] - origin[1]], [b[0] - origin[0], b[1] - origin[1]]);
        let cross = a[0] * b[1] - b[0] * a[1];
        sum += cross;
        cx += (a[0] + b[0]) * cross;
        cy += (a[1] + b[1]) * cross;
    }
    if sum.abs() < 1e-9 {
        let n = outline.len().max(1) as f64;
        return outline.iter().fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    }
    [origin[0] + cx / (3.0 * sum), origin[1] + cy / (3.0 * sum)]
}

/// Whether a place lies within a closed outline (even-odd rule).
#[must_use]
pub fn holds(outline: &[[f64; 2]], [x, y]: [f64; 2]) -> bool {
    let crossed = |(i, a): (usize, &[f64; 2])| {
        let b = outline[(i + 1) % outline.len()];
        (a[1] > y) != (b[1] > y) && x < a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
    };
    outline.iter().enumerate().filter(|c| crossed(*c)).count() % 2 == 1
}

/// Convex hull, anticlockwise in a y-up frame (monotone chain).
#[must_use]
pub fn convex_hull(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    points.dedup();
    if points.len() < 3 {
        return points;
    }
    let turn = |o: [f64; 2], a: [f64; 2], b: [f64; 2]| (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    let chain = |points: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut hull: Vec<[f64; 2]> = Vec::new();
        for p in points {
            while hull.len() >= 2 && turn(hull[hull.len() - 2], hull[hull.len() - 1], p) <= 0.0 {
                hull.pop();
            }
            hull.push(p);
        }
        hull.pop();
        hull
    };
    let mut hull = chain(&mut points.iter().copied());
    hull.extend(chain(&mut points.iter().rev().copied()));
    hull
}

/// A circle fitted to points by least squares of the radial distance, outliers weighing less; None when they span none.
///
/// Returns centre x, y, radius and the robust root mean square of the residuals.
#[must_use]
pub fn fit_circle(points: &[[f64; 2]], tolerance: f64) -> Option<[f64; 4]> {
    if points.len() < 6 {
        return None;
    }
    let mut weights = vec![1.0; points.len()];
    let mut circle = [0.0; 4];
    for _ in 0..8 {
        // Sums side by side: each waits for its own last addition only.
        let (mut total, mut mx, mut my) = (0.0, 0.0, 0.0);
        for (p, w) in points.iter().zip(&weights) {
            total += w;
            mx += w * p[0];
            my += w * p[1];
        }
        let total = f64::max(total, 1e-12);
        (mx, my) = (mx / total, my / total);
        // Kåsa: |p|² = 2 a·p + c, about the mean.
        let mut means = [0.0; 5];
        for (p, w) in points.iter().zip(&weights) {
            let (u, v) = (p[0] - mx, p[1] - my);
            let square = u * u + v * v;
            let terms = [u * u, u * v, v * v, square * u, square * v];
            means.iter_mut().zip(terms).for_each(|(mean, term)| *mean += w * term);
        }
        let [uu, uv, vv, su, sv] = means.map(|m| m / total);
        let determinant = uu * vv - uv * uv;
        if determinant < 1e-9 * (uu + vv).powi(2) {
            return None;
        }
        let a = (su * vv - sv * uv) / (2.0 * determinant);
        let b = (sv * uu - su * uv) / (2.0 * determinant);
        let radius = (a * a + b * b + uu + vv).sqrt();
        circle = [mx + a, my + b, radius, 0.0];
        let mut squares = (0.0, 0.0);
        for (p, w) in points.iter().zip(&mut weights) {
            // Not `hypot`, which is a call and would take most of the time here.
            let residual = ((p[0] - circle[0]).powi(2) + (p[1] - circle[1]).powi(2)).sqrt() - radius;
            *w = 1.0 / (1.0 + (residual / tolerance).powi(2)).powi(2);
            squares = (squares.0 + *w * residual * residual, squares.1 + *w);
        }
        circle[3] = (squares.0 / squares.1.max(1e-12)).sqrt();
    }
    Some(circle)
}

/// Fewest corners that stay within `tolerance` of a closed outline (Douglas-Peucker on its two halves).
pub(crate) fn simplified(outline: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    fn keep(points: &[[f64; 2]], tolerance: f64, out: &mut Vec<[f64; 2]>) {
        let (a, b) = (points[0], points[points.len() - 1]);
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length = dx.hypot(dy).max(1e-9);
        let off = |p: &[f64; 2]| ((p[0] - a[0]) * dy - (p[1] - a[1]) * dx).abs() / length;
        let inner = &points[1..points.len() - 1];
        match inner.iter().map(off).enumerate().max_by(|p, q| p.1.total_cmp(&q.1)) {
            Some((i, worst)) if worst > tolerance => {
                keep(&points[..i + 2], tolerance, out);
                keep(&points[i + 1..], tolerance, out);
            }
            _ => out.push(a),
        }
    }
    if outline.len() < 5 {
        return outline.to_vec();
    }
    let half = outline.len() / 2;
    let mut out = Vec::new();
    keep(&outline[..=half], tolerance, &mut out);
    let mut second: Vec<[f64; 2]> = outline[half..].to_vec();
    second.push(outline[0]);
    keep(&second, tolerance, &mut out);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disc_measures_as_a_disc() {
        let disc = Array2::from_shape_fn((121, 141), |(y, x)| (x as f64 - 70.2).hypot(y as f64 - 60.3) < 48.0);
        let s = Shape::of(&disc).expect("cells");
        assert!((s.area / (std::f64::consts::PI * 48.0 * 48.0) - 1.0).abs() < 0.005);
        assert!((s.perimeter / (2.0 * std::f64::consts::PI * 48.0) - 1.0).abs() < 0.02, "{}", s.perimeter);
        assert!((s.circularity - 1.0).abs() < 0.04);
        assert!((s.axis_ratio - 1.0).abs() < 0.01);
        assert!((s.feret - 96.0).abs() < 1.5);
        assert!((s.centroid[0] - 70.2).abs() < 0.1 && (s.centroid[1] - 60.3).abs() < 0.1);
    }

    #[test]
    fn polygons_have_the_area_of_euclid() {
        let triangle = [[10.0, 10.0], [16.0, 10.0], [10.0, 18.0]];
        assert!((polygon_area(&triangle) - 24.0).abs() < 1e-12);
        let c = polygon_centroid(&triangle);
        assert!((c[0] - 12.0).abs() < 1e-12 && (c[1] - 38.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn what_lies_in_a_hollow_of_an_outline_lies_outside() {
        let hollow = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [5.0, 2.0], [0.0, 10.0]];
        assert!(holds(&hollow, [1.0, 5.0]) && holds(&hollow, [9.0, 5.0]) && holds(&hollow, [5.0, 1.0]));
        assert!(!holds(&hollow, [5.0, 6.0]) && !holds(&hollow, [-1.0, 5.0]));
    }

    #[test]
    fn a_broken_circle_with_outliers_still_gives_its_radius() {
        let mut points: Vec<[f64; 2]> =
            (0..60).map(|k| f64::from(k) * 0.06).map(|a| [30.0 + 20.0 * a.cos(), 40.0 + 20.0 * a.sin()]).collect();
        points.extend((0..8).map(|k| [30.0 + f64::from(k), 40.0 + 2.0 * f64::from(k)]));
        let [x, y, r, _] = fit_circle(&points, 1.0).expect("a circle");
        assert!((x - 30.0).abs() < 0.2 && (y - 40.0).abs() < 0.2 && (r - 20.0).abs() < 0.2, "{x} {y} {r}");
    }

    #[test]
    fn points_on_a_line_are_no_circle() {
        let points: Vec<[f64; 2]> = (0..20).map(|k| [f64::from(k), 2.0 * f64::from(k)]).collect();
        assert!(fit_circle(&points, 1.0).is_none());
    }
}
