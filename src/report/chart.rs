//! The grains of a slide on the interference-colour chart, beside what quartz at random would show.

use crate::chart::{ColourScale, MineralLine};
use crate::optics::quartz::largest_retardation;
use crate::report::Report;
use crate::report::drawing::band;
use crate::report::words;
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
    /// Where the line of each mineral leaves the colours, from their lower left corner, and (true) whether it is quartz's.
    pub(super) lines: Vec<([f64; 2], bool)>,
    /// The allowed thickness: height, where quartz's line stands there, and µm.
    pub(super) allowed: Vec<([f64; 2], String)>,
    /// The measured thickness on quartz's line; None where another mineral measured it.
    pub(super) measured: Option<[f64; 2]>,
    pub(super) note: String,
}

/// The colours' left edge, top and bottom, and the width of all bars, in the drawing's own units. The page's template draws by them.
const LEFT: f64 = 46.0;
const TOP: f64 = 200.0;
const BOTTOM: f64 = 320.0;
const WIDTH: f64 = 834.0;

impl ChartView {
    pub(super) fn of(chart: &Chart, report: &Report) -> Self {
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
            .map(|(i, v)| [LEFT + i as f64 * width + 1.0, TOP - height(*v), width - 2.0, height(*v)].map(round1))
            .collect();
        let mut expected = format!("M{LEFT} {TOP}");
        for (i, v) in chart.expected.iter().enumerate() {
            expected.push_str(&format!("V{}H{}", round1(TOP - height(*v)), round1(LEFT + (i + 1) as f64 * width)));
        }
        let step = if chart.up_to_nm > 500.0 { 100.0 } else { 50.0 };
        let ticks = (0..=(chart.up_to_nm / step) as usize)
            .map(|i| (round1(x(i as f64 * step)), format!("{}", i as f64 * step)))
            .collect();
        let ends = chart.scale.order_ends();
        let (low, high) = band(report);
        let quartz_nm = |um: f64| largest_retardation(Micrometres::from_um(um)).nm();
        let right = chart.scale.up_to().nm();
        let marks = ends
            .iter()
            .map(|e| (e.nm(), false))
            .chain([low, high].map(|um| (quartz_nm(um), true)))
            .filter(|(nm, _)| *nm <= right)
            .map(|(nm, allowed)| (round1(x(nm)), allowed))
            .collect();
        // Thickness rises over the colours so far that quartz's line is their diagonal.
        let up_to_um = right / quartz_nm(1.0);
        let place = |[nm, um]: [f64; 2]| [x(nm), BOTTOM - (BOTTOM - TOP) * um / up_to_um].map(round1);
        let of_quartz = |um: f64| (um <= up_to_um).then(|| place([quartz_nm(um), um]));
        let minerals = MineralLine::all();
        let lines = minerals.iter().map(|l| (place(l.leaves([right, up_to_um])), l.is_quartz())).collect();
        let allowed = [low, high].into_iter().filter_map(|um| Some((of_quartz(um)?, format!("{um}")))).collect();
        let by_quartz = words::other_than_quartz(report).is_none();
        let measured = report.thickness.mean_um.filter(|_| by_quartz).and_then(of_quartz);
        let first = ends.first().map_or_else(String::new, |e| format!(", first order to {:.0} nm", e.nm()));
        let note = format!(
            "Colours under {}{first}; between the bold marks: the highest colour of quartz of {low} to {high} µm. Upwards over the colours: \
             thickness, 0 to {up_to_um:.0} µm, and the highest colour of quartz at each (bold line{}), of {} (left of it) and of {} (right \
             of it)",
            chart.scale.lamp(),
            if measured.is_some() { ", dot: as measured" } else { "" },
            beside_quartz(&minerals, |l, quartz| l < quartz),
            beside_quartz(&minerals, |l, quartz| l > quartz)
        );
        Self { stops: chart.scale.stops(), strip, bars: found, expected, ticks, marks, lines, allowed, measured, note }
    }
}

/// Names of the minerals whose birefringence stands so to quartz's.
fn beside_quartz(minerals: &[MineralLine], side: impl Fn(f64, f64) -> bool) -> String {
    let quartz = minerals.iter().find(|l| l.is_quartz()).map_or(0.0, MineralLine::birefringence);
    let beside = minerals.iter().filter(|l| side(l.birefringence(), quartz));
    beside.flat_map(|l| l.names.iter().copied()).collect::<Vec<_>>().join(", ")
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
