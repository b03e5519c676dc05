//! The grains of a slide on the interference-colour chart, beside what quartz at random would show.

use crate::chart::ColourScale;
use crate::thickness::MeasuredGrain;

/// Width of a bar of the distribution, nm.
pub const BAR_NM: f64 = 15.0;

/// What the page draws of the grains.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Retardation at the right end, nm: that of the scale, or up to a bar more.
    pub up_to_nm: f64,
    /// The interference colours beneath the bars.
    pub scale: ColourScale,
    /// Weight of the grains in each bar of [`BAR_NM`], by how likely each is quartz.
    pub found: Vec<f64>,
    /// The same for quartz with its axes in all directions at the measured thickness.
    pub expected: Vec<f64>,
}

impl Chart {
    /// Sorts the grains into bars over `scale`. `share_below` gives the share of grains of randomly oriented quartz at the
    /// measured thickness whose retardation is below the one given in nm.
    #[must_use]
    pub fn new(scale: ColourScale, grains: &[MeasuredGrain], share_below: impl Fn(f64) -> f64) -> Self {
        let bars = (scale.up_to().nm() / BAR_NM).ceil() as usize;
        let mut found = vec![0.0; bars];
        for grain in grains {
            let bar = (grain.retardation_nm / BAR_NM).max(0.0) as usize;
            if let Some(weight) = found.get_mut(bar) {
                *weight += grain.quartz;
            }
        }
        let total: f64 = grains.iter().map(|g| g.quartz).sum();
        let expected = (0..bars)
            .map(|i| total * (share_below((i + 1) as f64 * BAR_NM) - share_below(i as f64 * BAR_NM)))
            .collect();
        Self { up_to_nm: bars as f64 * BAR_NM, scale, found, expected }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::Lamp;
    use crate::units::Nanometres;

    #[test]
    fn bars_hold_every_grain_once() {
        let grain = |nm| MeasuredGrain {
            field: 0,
            x_px: 0.0,
            y_px: 0.0,
            retardation_nm: nm,
            retardation_u_nm: 2.0,
            quartz: 0.5,
        };
        let chart = Chart::new(
            ColourScale::new(Lamp::D65, Nanometres::from_nm(60.0)),
            &[grain(1.0), grain(14.9), grain(15.0), grain(-1.0), grain(900.0)],
            |x| x / 60.0,
        );
        assert_eq!(chart.found, [1.5, 0.5, 0.0, 0.0]);
        assert!(chart.expected.iter().all(|e| (e - 2.5 / 4.0).abs() < 1e-12));
    }
}
