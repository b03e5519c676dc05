//! Micrometer's reading less the measured thickness: the bond line, and how the zero drifts.

use crate::grinder::FEWEST_MEASURED;
use crate::grinder::chance::{student_95, student_two_sided};

/// How far the zero may be off before it is set again, µm (house value: less than half of what EN 12407 leaves on one side).
pub const MAY_BE_OFF_UM: f64 = 2.0;

/// A straight line through reading less thickness by place in the order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZeroLine {
    /// How many sections.
    pub sections: usize,
    /// First and last place.
    pub from_to: [u32; 2],
    /// Reading less thickness on average, µm.
    pub mean_um: f64,
    /// 95 % interval of `mean_um`.
    pub mean_ci95_um: [f64; 2],
    /// Change a section, µm.
    pub drift_um: f64,
    /// 95 % interval of `drift_um`.
    pub drift_ci95_um: [f64; 2],
    /// Probability of as much drift by chance.
    pub chance: f64,
    /// What the line gives at the first and at the last place, µm.
    pub ends_um: [f64; 2],
    /// Standard deviation about the line, µm.
    pub scatter_um: f64,
}

impl ZeroLine {
    /// By least squares from (place, reading less thickness in µm). None for fewer than [`FEWEST_MEASURED`] or when all are
    /// at one place or exactly on a line.
    ///
    /// Source: NIST/SEMATECH e-Handbook 4.1.4.1; intervals by Student's t with n - 2 degrees of freedom.
    #[must_use]
    pub fn of(points: &[(u32, f64)]) -> Option<Self> {
        if points.len() < FEWEST_MEASURED {
            return None;
        }
        let n = points.len() as f64;
        let x_mean = points.iter().map(|(x, _)| f64::from(*x)).sum::<f64>() / n;
        let mean = points.iter().map(|(_, y)| y).sum::<f64>() / n;
        let xx: f64 = points.iter().map(|(x, _)| (f64::from(*x) - x_mean).powi(2)).sum();
        let xy: f64 = points.iter().map(|(x, y)| (f64::from(*x) - x_mean) * (y - mean)).sum();
        if xx <= 0.0 {
            return None;
        }
        let drift = xy / xx;
        let at = |x: u32| mean + drift * (f64::from(x) - x_mean);
        let rest: f64 = points.iter().map(|(x, y)| (y - at(*x)).powi(2)).sum();
        let scatter = (rest / (n - 2.0)).sqrt();
        if scatter <= 0.0 {
            return None;
        }
        let (drift_u, mean_u) = (scatter / xx.sqrt(), scatter / n.sqrt());
        let reach = student_95(n - 2.0)?;
        let first = points.iter().map(|(x, _)| *x).min()?;
        let last = points.iter().map(|(x, _)| *x).max()?;
        Some(Self {
            sections: points.len(),
            from_to: [first, last],
            mean_um: mean,
            mean_ci95_um: [mean - reach * mean_u, mean + reach * mean_u],
            drift_um: drift,
            drift_ci95_um: [drift - reach * drift_u, drift + reach * drift_u],
            chance: student_two_sided(drift / drift_u, n - 2.0)?,
            ends_um: [at(first), at(last)],
            scatter_um: scatter,
        })
    }

    /// After how many sections the zero is off by [`MAY_BE_OFF_UM`], with the fewest and the most by the drift's interval (none
    /// where that holds no drift at all).
    #[must_use]
    pub fn sections_until_off(&self) -> (f64, [Option<f64>; 2]) {
        let until = |drift: f64| MAY_BE_OFF_UM / drift.abs();
        let [low, high] = self.drift_ci95_um;
        let slowest = if low.signum() == high.signum() { Some(until(low.abs().min(high.abs()))) } else { None };
        (until(self.drift_um), [Some(until(low.abs().max(high.abs()))), slowest])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grinder::tests::{assert_close, known};

    /// Reference by scipy: `fixtures/grinder_statistics.py`.
    #[test]
    fn the_same_as_by_a_reference_library() {
        let known = known("line");
        let points: Vec<(u32, f64)> = serde_json::from_value(known["points"].clone()).unwrap();
        let line = ZeroLine::of(&points).unwrap();
        for (found, name) in [
            (line.drift_um, "slope"),
            (line.chance, "p"),
            (line.drift_ci95_um[0], "slope_low"),
            (line.drift_ci95_um[1], "slope_high"),
            (line.mean_um, "mean"),
            (line.scatter_um, "scatter"),
        ] {
            assert_close(found, &known, name);
        }
    }

    #[test]
    fn when_it_is_off_follows_from_the_drift() {
        let points: Vec<(u32, f64)> =
            (1..=24).map(|i| (i, 12.0 + 0.1 * f64::from(i) + if i % 2 == 0 { 0.2 } else { -0.2 })).collect();
        let line = ZeroLine::of(&points).unwrap();
        let (sections, [fewest, most]) = line.sections_until_off();
        assert!((sections - 20.0).abs() < 1.5, "{sections}");
        assert!(fewest.unwrap() < sections && sections < most.unwrap());
        assert!(line.ends_um[1] - line.ends_um[0] > 2.0);
    }

    #[test]
    fn no_line_from_too_few() {
        let points: Vec<(u32, f64)> = (1..8).map(|i| (i, f64::from(i * i))).collect();
        assert_eq!(ZeroLine::of(&points), None);
        assert_eq!(ZeroLine::of(&[(3, 1.0); 9]), None);
    }
}
