//! The drawings of what the slides say about the grinder: lengths in a drawing's own units, made from `drawer.json` alone.

use std::fmt::Write as _;

use crate::grinder::record::{ChartRecord, GrinderRecord, OnsetRecord, TiltRecord, ZeroRecord};
use crate::grinder::tilt::ellipse;
use crate::report::terminal::plain;
use crate::section::defects::DefectKind;

/// Width and height of a drawing.
const SIZE: [f64; 2] = [640.0, 260.0];
/// Left, right, top and bottom of what is drawn in.
const INSIDE: [f64; 4] = [56.0, 624.0, 14.0, 222.0];

/// One drawing.
#[derive(Debug)]
pub(super) struct Plot {
    /// Width and height.
    pub(super) size: [f64; 2],
    /// What it shows, for those who do not see it.
    pub(super) title: String,
    /// Beneath it.
    pub(super) caption: String,
    /// Marks along the axes: place and text; (false) along x, (true) along y.
    pub(super) ticks: Vec<(bool, f64, String)>,
    /// Lines with their class.
    pub(super) lines: Vec<(&'static str, String)>,
    /// Points with class and what they are.
    pub(super) points: Vec<(&'static str, f64, f64, String)>,
}

/// All drawings there are.
pub(super) fn plots(grinder: &GrinderRecord) -> Vec<Plot> {
    let mut all = Vec::new();
    for run in &grinder.runs {
        let which = match (run.sections.as_slice(), grinder.runs.len()) {
            ([first, .., last], 2..) => format!(", {} to {}", plain(first), plain(last)),
            _ => String::new(),
        };
        all.extend(run.thickness.as_ref().map(|c| thickness(c, &which)));
        all.extend(run.zero.as_ref().map(|z| zero(z, &which)));
    }
    all.extend(grinder.tilt.as_ref().map(tilt));
    all.extend(grinder.onsets.iter().filter(|o| o.carry[0] + o.carry[1] > 0).map(onset));
    all
}

/// A range of values and where it is drawn.
#[derive(Clone, Copy)]
struct Axis {
    from: f64,
    to: f64,
    at: [f64; 2],
}

impl Axis {
    /// Over all of the values with a little room; of no width it is made one wide.
    fn over(values: impl Iterator<Item = f64>, at: [f64; 2]) -> Self {
        let [lo, hi] = values.fold([f64::INFINITY, f64::NEG_INFINITY], |[lo, hi], v| [lo.min(v), hi.max(v)]);
        let [lo, hi] = if lo <= hi { [lo, hi] } else { [0.0, 1.0] };
        let room = if hi > lo { 0.06 * (hi - lo) } else { 0.5 };
        Self { from: lo - room, to: hi + room, at }
    }

    fn place(&self, value: f64) -> f64 {
        tenth(self.at[0] + (value - self.from) / (self.to - self.from) * (self.at[1] - self.at[0]))
    }

    /// Round values within the range, some five.
    fn ticks(&self) -> Vec<(f64, String)> {
        let rough = (self.to - self.from) / 5.0;
        let ten = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|s| s * ten).find(|s| *s >= rough).unwrap_or(10.0 * ten);
        let decimals = usize::try_from(-(step.log10() + 1e-9).floor() as i64).unwrap_or(0);
        let first = (self.from / step).ceil() as i64;
        let last = (self.to / step).floor() as i64;
        (first..=last).map(|k| (self.place(k as f64 * step), format!("{:.decimals$}", k as f64 * step + 0.0))).collect()
    }
}

/// Rounded to a tenth, which no eye tells from more.
fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

/// A line through points.
fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    points.enumerate().fold(String::new(), |mut text, (i, (x, y))| {
        let _ = write!(text, "{}{x} {y}", if i == 0 { "M" } else { "L" });
        text
    })
}

/// A level line across the drawing.
fn level(y: f64) -> String {
    format!("M{} {y}H{}", INSIDE[0], INSIDE[1])
}

fn ticks(x: &Axis, y: &Axis) -> Vec<(bool, f64, String)> {
    let along = x.ticks().into_iter().map(|(at, text)| (false, at, text));
    along.chain(y.ticks().into_iter().map(|(at, text)| (true, at, text))).collect()
}

fn x_axis(places: impl Iterator<Item = f64>) -> Axis {
    Axis::over(places, [INSIDE[0], INSIDE[1]])
}

fn y_axis(values: impl Iterator<Item = f64>) -> Axis {
    Axis::over(values, [INSIDE[3], INSIDE[2]])
}

/// Place in the order: the sequence number, or the count where none is given.
fn place(sequence: Option<u32>, index: usize) -> f64 {
    sequence.map_or(index as f64 + 1.0, f64::from)
}

fn thickness(chart: &ChartRecord, which: &str) -> Plot {
    let p = &chart.points;
    let xs: Vec<f64> = p.iter().enumerate().map(|(i, p)| place(p.sequence, i)).collect();
    let x = x_axis(xs.iter().copied());
    let y = y_axis(p.iter().map(|p| p.value_um).chain(chart.limits_um));
    let averages =
        |of: &dyn Fn(usize) -> f64| path(xs.iter().enumerate().map(|(i, at)| (x.place(*at), y.place(of(i)))));
    let what = if chart.above_target { "Thickness above the target" } else { "Thickness" };
    Plot {
        size: SIZE,
        title: format!("{what} by sequence{which}"),
        caption: format!(
            "{what} in µm by place in the sequence{which}. Dots: sections, filled where one carries a signal; thin line: their \
             weighted average, in its band; level lines: mean and limits."
        ),
        ticks: ticks(&x, &y),
        lines: vec![
            ("limit", level(y.place(chart.limits_um[0]))),
            ("limit", level(y.place(chart.limits_um[1]))),
            ("mean", level(y.place(chart.mean_um))),
            ("band", averages(&|i| p[i].average_limits_um[0])),
            ("band", averages(&|i| p[i].average_limits_um[1])),
            ("average", averages(&|i| p[i].average_um)),
        ],
        points: p
            .iter()
            .zip(&xs)
            .map(|(p, at)| {
                let class = if p.signals.is_empty() { "dot" } else { "dot out" };
                let signals = if p.signals.is_empty() { String::new() } else { format!(": {}", p.signals.join(", ")) };
                let told = format!("{}, {} µm{}", plain(&p.id), p.value_um, signals.replace('_', " "));
                (class, x.place(*at), y.place(p.value_um), told)
            })
            .collect(),
    }
}

fn zero(zero: &ZeroRecord, which: &str) -> Plot {
    let p = &zero.points;
    let x = x_axis(p.iter().map(|p| f64::from(p.sequence)));
    let y = y_axis(p.iter().map(|p| p.reading_less_thickness_um));
    let middle = p.iter().map(|p| f64::from(p.sequence)).sum::<f64>() / p.len().max(1) as f64;
    let line = zero.from_to.map(f64::from).map(|at| zero.mean_um + zero.drift_um_per_section * (at - middle));
    let ends = zero.from_to.map(f64::from).into_iter().zip(line).map(|(at, v)| (x.place(at), y.place(v)));
    Plot {
        size: SIZE,
        title: format!("Micrometer's reading less thickness by sequence{which}"),
        caption: format!(
            "Micrometer's reading less measured thickness in µm by place in the sequence{which}, with the line through it: {:+.3} µm \
             a section ({:+.3} to {:+.3}).",
            zero.drift_um_per_section, zero.drift_ci95_um_per_section[0], zero.drift_ci95_um_per_section[1]
        ),
        ticks: ticks(&x, &y),
        lines: vec![("average", path(ends))],
        points: p
            .iter()
            .map(|p| {
                let told = format!("{}, {} µm", plain(&p.id), p.reading_less_thickness_um);
                ("dot", x.place(f64::from(p.sequence)), y.place(p.reading_less_thickness_um), told)
            })
            .collect(),
    }
}

fn tilt(tilt: &TiltRecord) -> Plot {
    const SIDE: f64 = 360.0;
    let mean = [tilt.along_width_um_per_mm, tilt.along_height_um_per_mm];
    let ring = ellipse(tilt.sections, mean, tilt.covariance_of_mean);
    let each = tilt.points.iter().map(|p| [p.along_width_um_per_mm, p.along_height_um_per_mm]);
    let reach = each.chain(ring.iter().copied()).flatten().fold(0.01_f64, |most, v| most.max(v.abs()));
    let [x, y] = [[56.0, SIDE - 14.0], [SIDE - 38.0, 14.0]].map(|at| Axis::over([-reach, reach].into_iter(), at));
    let to = |[u, v]: [f64; 2]| (x.place(u), y.place(v));
    let tip = to(mean);
    Plot {
        size: [SIDE, SIDE],
        title: "Wedge of each section in the frame of the bevelled corner".into(),
        caption: "Wedge of each section in µm/mm in the frame of the bevelled corner: to the right thicker away from it along the \
                  width, upward away from it along the height. Line: the mean; ring: where the mean lies with 95 % probability."
            .into(),
        ticks: ticks(&x, &y),
        lines: vec![
            ("mean", format!("M{} {}H{}", x.at[0], y.place(0.0), x.at[1])),
            ("mean", format!("M{} {}V{}", x.place(0.0), y.at[0], y.at[1])),
            ("band", path(ring.iter().step_by(10).chain(ring.first()).map(|p| to(*p)))),
            ("average", format!("M{} {}L{} {}", x.place(0.0), y.place(0.0), tip.0, tip.1)),
        ],
        points: tilt
            .points
            .iter()
            .map(|p| {
                let (u, v) = (p.along_width_um_per_mm, p.along_height_um_per_mm);
                ("dot", x.place(u), y.place(v), format!("{}, {u:+.2} and {v:+.2} µm/mm", plain(&p.id)))
            })
            .collect(),
    }
}

fn onset(onset: &OnsetRecord) -> Plot {
    let (what, unit) = match onset.kind {
        DefectKind::Scratches => ("Scratches", "mm per mm²"),
        DefectKind::Bubbles => ("Bubbles", "per mm²"),
        DefectKind::Plucks => ("Plucked share of the area", "of 1"),
    };
    let p = &onset.points;
    let xs: Vec<f64> = p.iter().enumerate().map(|(i, p)| place(p.sequence, i)).collect();
    // Places that come again, in a later run, would lie on each other: then by count.
    let rising = xs.windows(2).all(|w| w[0] < w[1]);
    let xs: Vec<f64> = if rising { xs } else { (1..=p.len()).map(|n| n as f64).collect() };
    let x = x_axis(xs.iter().copied());
    let y = y_axis(p.iter().map(|p| p.value).chain([0.0]));
    let change = onset.sections[0];
    let sharp = onset.chance * 3.0 <= crate::grinder::CHANCE;
    let mark =
        xs.get(change).filter(|_| sharp).zip(xs.get(change.wrapping_sub(1))).map(|(a, b)| x.place((a + b) / 2.0));
    let stems = p
        .iter()
        .zip(&xs)
        .filter(|(p, _)| p.value > 0.0)
        .map(|(p, at)| ("stem", format!("M{} {}V{}", x.place(*at), y.place(0.0), y.place(p.value))));
    Plot {
        size: SIZE,
        title: format!("{what} by sequence"),
        caption: format!(
            "{what}, {unit}, by place in the sequence. {}",
            if sharp { "Upright line: from there on there are more." } else { "No change for the worse." }
        ),
        ticks: ticks(&x, &y),
        lines: mark
            .map(|at| ("limit", format!("M{at} {}V{}", INSIDE[3], INSIDE[2])))
            .into_iter()
            .chain([("mean", level(y.place(0.0)))])
            .chain(stems)
            .collect(),
        points: p
            .iter()
            .zip(&xs)
            .map(|(p, at)| ("dot", x.place(*at), y.place(p.value), format!("{}, {}", plain(&p.id), p.value)))
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_within() {
        let axis = Axis::over([27.13, 33.4].into_iter(), [0.0, 100.0]);
        let ticks = axis.ticks();
        assert_eq!(ticks.iter().map(|t| t.1.as_str()).collect::<Vec<_>>(), ["28", "30", "32"]);
        assert!(ticks.iter().all(|t| (0.0..=100.0).contains(&t.0)));
        let fine = Axis::over([0.0, 0.03].into_iter(), [0.0, 100.0]).ticks();
        assert_eq!(fine.iter().map(|t| t.1.as_str()).collect::<Vec<_>>(), ["0.00", "0.01", "0.02", "0.03"]);
        assert!(!Axis::over([5.0].into_iter(), [0.0, 100.0]).ticks().is_empty());
    }

    #[test]
    fn a_higher_value_lies_higher_on_the_page() {
        let y = y_axis([0.0, 10.0].into_iter());
        assert!(y.place(10.0) < y.place(0.0));
        assert!((INSIDE[2]..INSIDE[3]).contains(&y.place(10.0)));
    }
}
