//! How an outline departs from a circle: as an oval, and beyond it.
//!
//! Surface tension rounds a bubble, in the cement as in a melt; pressed flat, or held where its wall meets a grain, it is a little oval
//! and just as smooth.

use nalgebra::{Matrix3, Vector3};

/// Most that an edge may swing about its circle and still be a bubble's, share of the radius: an axis ratio of 0.82. House value.
const MOST: f64 = 0.1;
/// How strongly the oval is drawn toward none, share of the points: it can be told only where the edge is seen all round.
const RIDGE: f64 = 0.02;

/// The second harmonic of an edge about its circle, shares of the radius: cosine and sine terms of twice the direction.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Oval([f64; 2]);

/// How an edge departs from its circle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Departure {
    /// As an oval.
    pub(crate) oval: Oval,
    /// Robust scatter about the oval, share of the radius.
    pub(crate) roughness: f64,
}

impl Oval {
    /// Radius in a direction over that of the circle.
    pub(crate) fn at(self, cos: f64, sin: f64) -> f64 {
        1.0 + self.swing(cos, sin)
    }

    /// Most that the radius departs from the circle's, share of it; an axis ratio of (1 - a) / (1 + a).
    pub(crate) fn amplitude(self) -> f64 {
        self.0[0].hypot(self.0[1])
    }

    fn swing(self, cos: f64, sin: f64) -> f64 {
        self.0[0] * (cos * cos - sin * sin) + self.0[1] * 2.0 * sin * cos
    }
}

impl Departure {
    /// Of the points of an edge; middle and radius are those of the circle fitted to them.
    pub(crate) fn of(edge: &[[f64; 2]], [x, y]: [f64; 2], radius: f64) -> Self {
        let off: Vec<[f64; 3]> = edge
            .iter()
            .map(|p| {
                let (u, v) = (p[0] - x, p[1] - y);
                // Not `hypot`, which is a call.
                let r = (u * u + v * v).sqrt().max(1e-9);
                [u / r, v / r, r / radius - 1.0]
            })
            .collect();
        let (mut oval, mut level) = (Oval::default(), 0.0);
        for _ in 0..4 {
            let left = |[cos, sin, d]: &[f64; 3]| d - level - oval.swing(*cos, *sin);
            let usual = (1.5 * scatter(off.iter().map(|o| left(o).abs()))).max(1e-4);
            let mut normal = Matrix3::<f64>::zeros();
            let mut right = Vector3::<f64>::zeros();
            for o @ [cos, sin, d] in &off {
                let weight = 1.0 / (1.0 + (left(o) / usual).powi(2));
                let terms = Vector3::new(1.0, cos * cos - sin * sin, 2.0 * sin * cos);
                normal += weight * terms * terms.transpose();
                right += weight * *d * terms;
            }
            let ridge = RIDGE * normal[(0, 0)];
            normal[(1, 1)] += ridge;
            normal[(2, 2)] += ridge;
            let Some(solved) = normal.cholesky().map(|c| c.solve(&right)) else { break };
            level = solved[0];
            let most = solved[1].hypot(solved[2]);
            let kept = if most > MOST { MOST / most } else { 1.0 };
            oval = Oval([kept * solved[1], kept * solved[2]]);
        }
        let roughness = scatter(off.iter().map(|[cos, sin, d]| (d - oval.swing(*cos, *sin)).abs()));
        Self { oval, roughness }
    }
}

/// What seven tenths of the distances stay below.
fn scatter(distances: impl Iterator<Item = f64>) -> f64 {
    let mut off: Vec<f64> = distances.collect();
    let at = off.len() * 7 / 10;
    if off.is_empty() { 0.0 } else { *off.select_nth_unstable_by(at, f64::total_cmp).1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edge(radius: impl Fn(f64) -> f64, upto: f64) -> Vec<[f64; 2]> {
        let directions = (0..120).map(|k| upto * f64::from(k) / 120.0);
        directions.map(|t| [50.0 + radius(t) * t.cos(), 40.0 + radius(t) * t.sin()]).collect()
    }

    #[test]
    fn an_ellipse_is_an_oval_without_roughness_and_a_grain_is_rough() {
        // An ellipse of axes 22 and 20: (22 - 20) / (22 + 20) of its mean radius.
        let ellipse = |t: f64| 1.0 / ((t - 0.4).cos().powi(2) / 484.0 + (t - 0.4).sin().powi(2) / 400.0).sqrt();
        let middle = [50.0, 40.0];
        let seen = Departure::of(&edge(ellipse, std::f64::consts::TAU), middle, 20.97);
        assert!((seen.oval.amplitude() - 2.0 / 42.0).abs() < 0.004, "{seen:?}");
        assert!(seen.roughness < 0.004, "{seen:?}");
        assert!((seen.oval.at(0.4_f64.cos(), 0.4_f64.sin()) * 20.97 - 22.0).abs() < 0.15);
        let grain = |t: f64| 21.0 * (1.0 + 0.06 * (3.0 * t).cos() + 0.05 * (5.0 * t).sin());
        let seen = Departure::of(&edge(grain, std::f64::consts::TAU), middle, 21.0);
        assert!(seen.roughness > 0.05 && seen.oval.amplitude() < 0.02, "{seen:?}");
        let long = |t: f64| 21.0 * (1.0 + 0.25 * (2.0 * t).cos());
        let seen = Departure::of(&edge(long, std::f64::consts::TAU), middle, 21.0);
        assert!((seen.oval.amplitude() - MOST).abs() < 1e-9 && seen.roughness > 0.1, "{seen:?}");
    }
}
