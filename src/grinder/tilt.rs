//! Is the chuck parallel to the wheel? The mean of the wedges in the frame of the bevelled corner, and whether it is none.

use crate::grinder::FEWEST_MEASURED;
use crate::grinder::chance::{fisher_95, fisher_above, student_95};
use crate::section::sets::rayleigh;

/// The mean wedge of sections from one chuck.
#[derive(Clone, Debug, PartialEq)]
pub struct Tilt {
    /// How many sections.
    pub sections: usize,
    /// Mean gradient away from the bevelled corner along the width and the height, µm per mm.
    pub mean: [f64; 2],
    /// 95 % intervals of its two components (Student's t).
    pub ci95: [[f64; 2]; 2],
    /// Covariance of the mean: along the width, across, along the height.
    pub covariance: [f64; 3],
    /// Length of the mean, µm per mm.
    pub steepness: f64,
    /// Least and greatest length within the 95 % ellipse of the mean.
    pub steepness_ci95: [f64; 2],
    /// Its direction, degrees from "away along the width" to "away along the height", -180..180.
    pub toward_deg: f64,
    /// Hotelling's T-squared.
    pub t_squared: f64,
    /// Probability of as large a T-squared with a chuck in parallel.
    pub chance: f64,
    /// Rayleigh's z of the directions alone.
    pub rayleigh_z: f64,
    /// Probability of as large a z when directions have no preference.
    pub rayleigh_chance: f64,
}

/// Points on the ellipse that are looked at for the interval of the steepness.
const AROUND: usize = 720;

impl Tilt {
    /// From gradients in the frame of the bevelled corner, µm per mm. None for fewer than [`FEWEST_MEASURED`], or when they lie
    /// on one line.
    ///
    /// Source: H. Hotelling 1931, The generalization of Student's ratio; F = T² (n - 2) / (2 (n - 1)) with 2 and n - 2 degrees of
    /// freedom.
    #[must_use]
    pub fn of(gradients: &[[f64; 2]]) -> Option<Self> {
        let sections = gradients.len();
        if sections < FEWEST_MEASURED {
            return None;
        }
        let n = sections as f64;
        let mean = [0, 1].map(|k| gradients.iter().map(|g| g[k]).sum::<f64>() / n);
        let moment = |a: usize, b: usize| {
            gradients.iter().map(|g| (g[a] - mean[a]) * (g[b] - mean[b])).sum::<f64>() / (n - 1.0) / n
        };
        let covariance = [moment(0, 0), moment(0, 1), moment(1, 1)];
        let t_squared = statistic(mean, covariance)?;
        let reach = student_95(n - 1.0)?;
        let half = [covariance[0], covariance[2]].map(|v| reach * v.sqrt());
        let resultant = gradients.iter().filter(|g| g[0].hypot(g[1]) > 0.0).fold((0.0, 0.0), |(c, s), g| {
            let length = g[0].hypot(g[1]);
            (c + g[0] / length, s + g[1] / length)
        });
        let concentration = resultant.0.hypot(resultant.1) / n;
        Some(Self {
            sections,
            mean,
            ci95: [0, 1].map(|k| [mean[k] - half[k], mean[k] + half[k]]),
            covariance,
            steepness: mean[0].hypot(mean[1]),
            steepness_ci95: lengths_within(mean, covariance, 2.0 * (n - 1.0) / (n - 2.0) * fisher_95(2.0, n - 2.0)?),
            toward_deg: mean[1].atan2(mean[0]).to_degrees(),
            t_squared,
            chance: fisher_above(t_squared * (n - 2.0) / (2.0 * (n - 1.0)), 2.0, n - 2.0)?,
            rayleigh_z: n * concentration * concentration,
            rayleigh_chance: rayleigh(sections, concentration),
        })
    }
}

/// The ellipse that holds the mean of `sections` wedges with 95 % probability, as points around it; none for two or fewer.
#[must_use]
pub fn ellipse(sections: usize, mean: [f64; 2], covariance: [f64; 3]) -> Vec<[f64; 2]> {
    let n = sections as f64;
    fisher_95(2.0, n - 2.0)
        .map_or_else(Vec::new, |f| around(mean, covariance, 2.0 * (n - 1.0) / (n - 2.0) * f).collect())
}

/// m' S⁻¹ m.
fn statistic([u, v]: [f64; 2], [a, b, c]: [f64; 3]) -> Option<f64> {
    let det = a * c - b * b;
    (det > 1e-12 * a * c && det > 0.0).then(|| (c * u * u - 2.0 * b * u * v + a * v * v) / det)
}

/// Points x with (x - m)' S⁻¹ (x - m) = `reach`, by the Cholesky factor of S.
fn around(mean: [f64; 2], [a, b, c]: [f64; 3], reach: f64) -> impl Iterator<Item = [f64; 2]> {
    let l = [a.sqrt(), b / a.sqrt(), (c - b * b / a).max(0.0).sqrt()];
    let r = reach.sqrt();
    (0..AROUND).map(move |i| {
        let (s, c) = (std::f64::consts::TAU * i as f64 / AROUND as f64).sin_cos();
        [mean[0] + r * l[0] * c, mean[1] + r * (l[1] * c + l[2] * s)]
    })
}

/// Least and greatest length of vectors within the ellipse.
fn lengths_within(mean: [f64; 2], covariance: [f64; 3], reach: f64) -> [f64; 2] {
    let holds_none = statistic(mean, covariance).is_some_and(|t| t <= reach);
    let edge = around(mean, covariance, reach).map(|[u, v]| u.hypot(v));
    let [least, most] = edge.fold([f64::INFINITY, 0.0_f64], |[lo, hi], l| [lo.min(l), hi.max(l)]);
    [if holds_none { 0.0 } else { least }, most]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grinder::tests::{assert_close, known};

    /// Sixteen vectors; what they give by numpy and scipy is in `fixtures/grinder_statistics.py`.
    #[test]
    fn the_same_as_by_a_reference_library() {
        let known = known("hotelling");
        let gradients: Vec<[f64; 2]> = serde_json::from_value(known["gradients"].clone()).unwrap();
        let tilt = Tilt::of(&gradients).unwrap();
        for (found, name) in [
            (tilt.t_squared, "t_squared"),
            (tilt.chance, "p"),
            (tilt.mean[0], "mean_u"),
            (tilt.mean[1], "mean_v"),
            (tilt.ci95[0][0], "u_low"),
            (tilt.ci95[1][1], "v_high"),
        ] {
            assert_close(found, &known, name);
        }
    }

    /// Zar, Biostatistical Analysis, example 26.2 and 27.1: mean 98.988°, z 5.448, 0.001 < P < 0.002.
    #[test]
    fn directions_of_a_text_book() {
        let degrees: [f64; 8] = [45.0, 55.0, 81.0, 96.0, 110.0, 117.0, 132.0, 154.0];
        // Unit vectors: the mean of the gradients is then the mean of the directions.
        let tilt = Tilt::of(&degrees.map(|d| [d.to_radians().cos(), d.to_radians().sin()])).unwrap();
        assert!((tilt.toward_deg - 98.988).abs() < 5e-4 && (tilt.rayleigh_z - 5.448).abs() < 5e-4, "{tilt:?}");
        assert!((tilt.steepness - 0.825_218).abs() < 1e-6);
        assert!((tilt.rayleigh_chance - 0.001_851_6).abs() < 1e-6);
    }

    #[test]
    fn the_ellipse_is_where_the_statistic_says() {
        let gradients: Vec<[f64; 2]> =
            (0..20).map(|i| [0.2 + 0.03 * f64::from(i % 5), -0.1 + 0.02 * f64::from(i * i % 7)]).collect();
        let tilt = Tilt::of(&gradients).unwrap();
        let reach = 2.0 * 19.0 / 18.0 * fisher_95(2.0, 18.0).unwrap();
        for [u, v] in ellipse(20, tilt.mean, tilt.covariance) {
            let off = [u - tilt.mean[0], v - tilt.mean[1]];
            assert!((statistic(off, tilt.covariance).unwrap() - reach).abs() < 1e-9);
        }
        assert!(tilt.steepness_ci95[0] < tilt.steepness && tilt.steepness < tilt.steepness_ci95[1]);
        assert!(tilt.steepness_ci95[0] > 0.1);
    }

    #[test]
    fn nothing_from_too_few_or_from_one_line() {
        assert_eq!(Tilt::of(&[[0.1, 0.2]; 7]), None);
        assert_eq!(Tilt::of(&[[0.1, 0.2]; 9]), None);
    }
}
