//! The grains of a slide on the interference-colour chart, beside what quartz at random would show.

use crate::chart::ColourScale;
use crate::optics::quartz::largest_retardation;
use crate::report::Report;
use crate::report::drawing::band;
use crate::thickness::MeasuredGrain;
use crate::units::Micrometres;

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

/// The chart as the page draws it: lengths in the drawing's own units.
#[derive(Debug)]
pub(super) struct ChartView {
    pub(super) stops: Vec<(String, String)>,
    pub(super) strip: [f64; 2],
    pub(super) bars: Vec<[f64; 4]>,
    pub(super) expected: String,
    pub(super) ticks: Vec<(f64, String)>,
    /// Marks across the colours: ends of orders, and (true) where quartz of the allowed thickness begins and ends.
    pub(super) marks: Vec<(f64, bool)>,
    pub(super) note: String,
}

impl ChartView {
    pub(super) fn of(chart: &Chart, report: &Report) -> Self {
        const LEFT: f64 = 30.0;
        const WIDTH: f64 = 850.0;
        let x = |nm: f64| LEFT + WIDTH * nm / chart.up_to_nm.max(1e-9);
        let strip = [LEFT, round1(x(chart.scale.up_to().nm()) - LEFT)];
        let most = chart.found.iter().chain(&chart.expected).fold(1e-9, |a: f64, b| a.max(*b));
        let bars = chart.found.len().max(1) as f64;
        let width = WIDTH / bars;
        let height = |v: f64| 180.0 * v / most;
        let found = chart
            .found
            .iter()
            .enumerate()
            .filter(|(_, v)| **v > 0.0)
            .map(|(i, v)| [LEFT + i as f64 * width + 1.0, 200.0 - height(*v), width - 2.0, height(*v)].map(round1))
            .collect();
        let mut expected = format!("M{LEFT} 200");
        for (i, v) in chart.expected.iter().enumerate() {
            expected.push_str(&format!("V{}H{}", round1(200.0 - height(*v)), round1(LEFT + (i + 1) as f64 * width)));
        }
        let step = if chart.up_to_nm > 500.0 { 100.0 } else { 50.0 };
        let ticks = (0..=(chart.up_to_nm / step) as usize)
            .map(|i| (round1(x(i as f64 * step)), format!("{}", i as f64 * step)))
            .collect();
        let ends = chart.scale.order_ends();
        let (low, high) = band(report);
        let allowed = [low, high].map(|um| largest_retardation(Micrometres::from_um(um)).nm());
        let within = |nm: &f64| *nm <= chart.scale.up_to().nm();
        let marks = ends
            .iter()
            .map(|e| (e.nm(), false))
            .chain(allowed.map(|nm| (nm, true)))
            .filter(|(nm, _)| within(nm))
            .map(|(nm, allowed)| (round1(x(nm)), allowed))
            .collect();
        let first = ends.first().map_or_else(String::new, |e| format!(", first order to {:.0} nm", e.nm()));
        let note = format!(
            "Colours under {}{first}; between the bold marks: the highest colour of quartz of {low} to {high} µm",
            chart.scale.lamp()
        );
        Self { stops: chart.scale.stops(), strip, bars: found, expected, ticks, marks, note }
    }
}

fn round1(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
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
