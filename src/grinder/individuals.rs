//! Chart of individual values with moving ranges: what a steady process stays within.
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2; run of eight: 6.3.2, Western Electric rules.

/// Mean range of two values from a normal distribution over its standard deviation, 2 / sqrt(pi).
const D2: f64 = std::f64::consts::FRAC_2_SQRT_PI;
/// Upper limit of a moving range over the mean moving range, 1 + 3 d3 / d2 for two values (3.267 in the tables).
const D4: f64 = 3.266_531_919_288_601_3;
/// Consecutive values on one side of the mean that are a signal.
const RUN: usize = 8;

/// Limits of a chart of individual values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Individuals {
    /// Mean.
    pub mean: f64,
    /// Mean of the differences, without sign, from each value to the next.
    pub mean_moving_range: f64,
    /// Standard deviation of a steady process, by the mean moving range.
    pub sigma: f64,
    /// Mean less three standard deviations.
    pub lower: f64,
    /// Mean plus three standard deviations.
    pub upper: f64,
    /// Upper limit of a moving range; its lower one is none.
    pub moving_range_upper: f64,
}

/// What is out of the ordinary at a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// Below the lower limit or above the upper one.
    BeyondLimits,
    /// The last of eight or more on one side of the mean.
    RunOnOneSide,
    /// The step from the value before is larger than a steady process gives.
    Jump,
}

impl Individuals {
    /// Limits from values in the order they were made; None for fewer than two, or when they do not differ at all.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < 2 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let ranges = values.windows(2).map(|w| (w[1] - w[0]).abs());
        let mean_moving_range = ranges.sum::<f64>() / (values.len() - 1) as f64;
        let sigma = mean_moving_range / D2;
        (sigma > 0.0).then_some(Self {
            mean,
            mean_moving_range,
            sigma,
            lower: mean - 3.0 * sigma,
            upper: mean + 3.0 * sigma,
            moving_range_upper: D4 * mean_moving_range,
        })
    }

    /// The signals at each of the values, in their order.
    #[must_use]
    pub fn signals(&self, values: &[f64]) -> Vec<Vec<Signal>> {
        let (mut run, mut side) = (0, false);
        let mut before: Option<f64> = None;
        let mut all = Vec::with_capacity(values.len());
        for &value in values {
            let mut here = Vec::new();
            if !(self.lower..=self.upper).contains(&value) {
                here.push(Signal::BeyondLimits);
            }
            let above = value > self.mean;
            run = if run > 0 && above == side { run + 1 } else { 1 };
            side = above;
            if run >= RUN {
                here.push(Signal::RunOnOneSide);
            }
            if before.is_some_and(|b| (value - b).abs() > self.moving_range_upper) {
                here.push(Signal::Jump);
            }
            before = Some(value);
            all.push(here);
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.3.2.2, flow rate; the handbook's d2 is 1.128.
    const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

    #[test]
    fn worked_example_of_the_handbook() {
        let chart = Individuals::of(&FLOW).unwrap();
        assert!((chart.mean - 50.81).abs() < 1e-9);
        assert!((chart.mean_moving_range - 1.8778).abs() < 5e-5);
        // d2 to four digits in the handbook moves the limits by 0.002.
        assert!((chart.upper - 55.8041).abs() < 2e-3 && (chart.lower - 45.8159).abs() < 2e-3, "{chart:?}");
        assert!(chart.signals(&FLOW).iter().all(Vec::is_empty));
    }

    /// SAS/QC documentation, SHEWHART procedure, example data "Jets": limits from the data with d2 = 1.128.
    #[test]
    fn a_second_worked_example() {
        let jets = [
            78.4, 80.1, 84.4, 79.1, 80.4, 83.5, 73.8, 83.5, 75.0, 76.8, 70.5, 80.3, 82.4, 79.4, 86.4, 90.5, 77.7, 82.5,
            79.9, 83.2,
        ];
        let chart = Individuals::of(&jets).unwrap();
        assert!((chart.mean - 80.39).abs() < 1e-9 && (chart.mean_moving_range - 5.32632).abs() < 1e-5);
        assert!((chart.upper - 94.5557).abs() < 6e-3 && (chart.lower - 66.2243).abs() < 6e-3, "{chart:?}");
    }

    #[test]
    fn constants_are_those_of_the_normal_distribution() {
        // The range of two values is |N(0, 2)|: mean 2 / sqrt(pi), standard deviation sqrt(2 - 4 / pi).
        let pi = std::f64::consts::PI;
        assert!((D2 - 2.0 / pi.sqrt()).abs() < 1e-15);
        assert!((D4 - (1.0 + 3.0 * (2.0 - 4.0 / pi).sqrt() / D2)).abs() < 1e-12);
    }

    #[test]
    fn each_signal_is_seen_where_it_is() {
        let chart = Individuals {
            mean: 0.0,
            mean_moving_range: D2,
            sigma: 1.0,
            lower: -3.0,
            upper: 3.0,
            moving_range_upper: 3.5,
        };
        let mut values = vec![0.5, -0.5, 0.5, 3.1, -0.6];
        values.extend([0.2; 9]);
        let signals = chart.signals(&values);
        let at = |signal| (0..values.len()).filter(|&i| signals[i].contains(&signal)).collect::<Vec<_>>();
        assert_eq!(at(Signal::BeyondLimits), [3]);
        assert_eq!(at(Signal::Jump), [4]);
        assert_eq!(at(Signal::RunOnOneSide), [12, 13], "the eighth and ninth of nine");
    }

    #[test]
    fn nothing_is_made_of_nothing() {
        assert_eq!(Individuals::of(&[30.0]), None);
        assert_eq!(Individuals::of(&[30.0; 12]), None);
    }
}
