//! Outlines of arcs: vesicles that run together, or that a crystal or the frame cuts.

use crate::section::shape::{fit_circle, holds, polygon_area};

/// How far points of an arc may lie off its circle, share of the radius. House value.
const OFF: f64 = 0.035;
/// Share of a window's points that must lie on its circle. House value.
const MOST: f64 = 0.9;
/// Least turn of an arc, radians: less is the side of a grain. House value.
const LEAST_TURN: f64 = 1.4;
/// Windows that a closed outline is divided into, ...
const WINDOWS: usize = 4;
/// ... and steps from one to the next.
const STEPS: usize = 8;

/// Share of a closed outline, points in pixels, that lies on wide arcs bulging outward, 0..=1; 0 of too few points to tell.
pub(super) fn share(outline: &[[f64; 2]]) -> f64 {
    let n = outline.len();
    let window = n / WINDOWS;
    if window < 6 {
        return 0.0;
    }
    let widest = (polygon_area(outline) / std::f64::consts::PI).sqrt() * 1.3;
    let mut on = vec![false; n];
    for start in (0..n).step_by((window / STEPS).max(1)) {
        let points: Vec<[f64; 2]> = (0..window).map(|k| outline[(start + k) % n]).collect();
        let length: f64 = points.windows(2).map(|p| (p[1][0] - p[0][0]).hypot(p[1][1] - p[0][1])).sum();
        let Some([x, y, radius, _]) = fit_circle(&points, OFF * length / 2.0) else { continue };
        let near = |p: &[f64; 2]| ((p[0] - x).hypot(p[1] - y) - radius).abs() < OFF * radius;
        let enough = points.iter().filter(|p| near(p)).count() as f64 >= MOST * window as f64;
        if enough && length / radius >= LEAST_TURN && radius <= widest && holds(outline, [x, y]) {
            on.iter_mut().zip(outline).for_each(|(on, p)| *on |= near(p));
        }
    }
    on.iter().filter(|on| **on).count() as f64 / n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn closed(radius: impl Fn(f64) -> f64) -> Vec<[f64; 2]> {
        let turns = (0..160).map(|k| std::f64::consts::TAU * f64::from(k) / 160.0);
        turns.map(|t| [90.0 + radius(t) * t.cos(), 70.0 + radius(t) * t.sin()]).collect()
    }

    /// From its middle, the outline of two discs of radius 40 whose middles lie 60 apart.
    fn merged(t: f64) -> f64 {
        let c = 30.0 * t.cos().abs();
        c + (c * c - 900.0 + 1600.0).sqrt()
    }

    #[test]
    fn discs_whole_merged_or_cut_are_arcs() {
        assert!(share(&closed(|_| 35.0)) > 0.99);
        assert!(share(&closed(merged)) > 0.8, "{}", share(&closed(merged)));
        // Cut by a crystal: a third of the outline is its side.
        let cut = closed(|t| if t.cos() > 0.5 { 35.0 * 0.5 / t.cos() } else { 35.0 });
        assert!((0.6..0.8).contains(&share(&cut)), "{}", share(&cut));
    }

    #[test]
    fn polygons_and_ragged_holes_are_not() {
        for sides in [4.0, 5.0, 6.0] {
            let side = std::f64::consts::TAU / sides;
            let polygon = closed(|t| 30.0 * (side / 2.0).cos() / (t.rem_euclid(side) - side / 2.0).cos());
            assert!(share(&polygon) < 0.4, "{sides}: {}", share(&polygon));
        }
        let ragged = closed(|t| 30.0 * (1.0 + 0.1 * (3.0 * t).cos() + 0.08 * (7.0 * t).sin()));
        assert!(share(&ragged) < 0.4, "{}", share(&ragged));
        assert!(share(&[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) < 1e-9, "too few points tell nothing");
    }
}
