//! Scratches that cross from window to window: what each window saw of one is one chord again.

use std::collections::BTreeMap;

use crate::section::beside::{Company, Crossed, FRAME};
use crate::section::linked::Linked;
use crate::section::part::Part;
use crate::section::scratches::{Filling, Line};

/// A line as one window saw it, in pixels of the field.
#[derive(Clone, Debug)]
pub(crate) struct SeenLine {
    /// The line.
    pub(crate) line: Line,
    /// Index of the window.
    pub(crate) window: usize,
    /// It ends at an edge of the window that is none of the field's: there may be more of it.
    cut: bool,
    /// Its middle lies in the window's own core.
    owned: bool,
}

/// How near an edge of its window a line must end to be cut by it, pixels: what the search leaves at its frame, on its widest cells.
const AT_EDGE_PX: f64 = 4.0 * FRAME;
/// Turn between two views of one line, radians: the two see different stretches of a bow.
const TURN: f64 = 0.05;
/// Distance across between two views of one line, pixels, beside what they are bowed.
const ACROSS_PX: f64 = 5.0;
/// Gap up to which the stretches that two windows see are of one line, pixels: both see where they meet.
const GAP_PX: f64 = 24.0;

impl SeenLine {
    /// Takes a line from a window's pixels to the field's.
    pub(crate) fn new(mut line: Line, part: &Part, window: usize) -> Self {
        let origin = part.origin();
        line.ends = line.ends.map(|p| [p[0] + origin[0], p[1] + origin[1]]);
        let cut = line.ends.iter().any(|p| part.is_cut_at(*p, AT_EDGE_PX));
        let owned = part.owns([0, 1].map(|k| (line.ends[0][k] + line.ends[1][k]) / 2.0));
        Self { line, window, cut, owned }
    }

    fn length(&self) -> f64 {
        let [a, b] = self.line.ends;
        (b[0] - a[0]).hypot(b[1] - a[1])
    }

    /// Whether another window saw the same line in the same search.
    fn is(&self, other: &Self) -> bool {
        if self.line.bin != other.line.bin {
            return false;
        }
        let (long, short) = if self.length() >= other.length() { (self, other) } else { (other, self) };
        let [a, b] = long.line.ends;
        let n = long.length().max(1e-9);
        let along = [(b[0] - a[0]) / n, (b[1] - a[1]) / n];
        let [p, q] = short.line.ends.map(|e| {
            let (dx, dy) = (e[0] - a[0], e[1] - a[1]);
            [dx * along[0] + dy * along[1], dy * along[0] - dx * along[1]]
        });
        let slope = ((q[1] - p[1]) / (q[0] - p[0]).abs().max(1e-9)).abs();
        let bowed = 2.0 * (long.line.bow * long.length() + short.line.bow * short.length());
        if slope > TURN + 4.0 * long.line.bow.max(short.line.bow) {
            return false;
        }
        // Distance across where both are, or at the gap between them.
        let (from, to) = (p[0].min(q[0]), p[0].max(q[0]));
        let (first, last) = (from.max(0.0), to.min(n));
        if first - last > GAP_PX {
            return false;
        }
        let across =
            |s: f64| p[1] + (q[1] - p[1]) * (s - p[0]) / (if (q[0] - p[0]).abs() < 1e-9 { 1.0 } else { q[0] - p[0] });
        [first.min(last), first.max(last)].iter().all(|s| across(*s).abs() < ACROSS_PX + bowed)
    }
}

/// The lines of a field, each once, from what its windows saw. `neighbours` says which windows share pixels; `um_per_px` is
/// the scale, `field` its width and height.
pub(crate) fn united(
    seen: &[SeenLine],
    neighbours: impl Fn(usize, usize) -> bool,
    um_per_px: f64,
    field: [usize; 2],
) -> Vec<Line> {
    let mut by_window: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (i, line) in seen.iter().enumerate() {
        by_window.entry(line.window).or_default().push(i);
    }
    let windows: Vec<usize> = by_window.keys().copied().collect();
    let mut linked = Linked::new(seen.len());
    for (k, a) in windows.iter().enumerate() {
        for b in windows[k + 1..].iter().filter(|b| neighbours(*a, **b)) {
            for i in &by_window[a] {
                for j in &by_window[b] {
                    if seen[*i].is(&seen[*j]) {
                        linked.link(*i, *j);
                    }
                }
            }
        }
    }
    let mut groups: BTreeMap<usize, Vec<&SeenLine>> = BTreeMap::new();
    for (i, line) in seen.iter().enumerate() {
        groups.entry(linked.group_of(i)).or_default().push(line);
    }
    let mut lines: Vec<Line> = groups
        .into_values()
        // A line belongs to the window whose core holds its middle; what only others saw was nothing there.
        .filter(|views| views.iter().any(|v| v.owned))
        .map(|views| one_of(&views, um_per_px, field))
        .collect();
    lines.iter_mut().for_each(|l| l.confidence = l.odds().probability());
    lines
}

/// One line of what several windows saw: the longest that none of them cut, unless the cut ones reach farther together.
fn one_of(views: &[&SeenLine], um_per_px: f64, field: [usize; 2]) -> Line {
    let longest = |a: &&&SeenLine, b: &&&SeenLine| a.length().total_cmp(&b.length()).then(b.window.cmp(&a.window));
    let whole = views.iter().filter(|v| !v.cut).max_by(longest);
    let all = views.iter().max_by(longest).expect("a group has a line");
    let along = {
        let [a, b] = all.line.ends;
        let n = all.length().max(1e-9);
        [(b[0] - a[0]) / n, (b[1] - a[1]) / n]
    };
    let at = |p: [f64; 2]| p[0] * along[0] + p[1] * along[1];
    let mut ends: Vec<[f64; 2]> = views.iter().flat_map(|v| v.line.ends).collect();
    ends.sort_by(|a, b| at(*a).total_cmp(&at(*b)));
    let ends = [ends[0], ends[ends.len() - 1]];
    let span = (ends[1][0] - ends[0][0]).hypot(ends[1][1] - ends[0][1]);
    match whole {
        Some(whole) if whole.length() + GAP_PX > span => whole.line.clone(),
        _ if views.len() == 1 => {
            let mut line = all.line.clone();
            line.crossed.cut = on_frame(ends, field);
            line
        }
        _ => chord(views, ends, span, um_per_px, field),
    }
}

/// Ends on the frame of the field.
fn on_frame(ends: [[f64; 2]; 2], field: [usize; 2]) -> f64 {
    let on = |p: &[f64; 2]| (0..2).any(|k| p[k] < AT_EDGE_PX || p[k] > field[k] as f64 - 1.0 - AT_EDGE_PX);
    ends.iter().filter(|p| on(p)).count() as f64
}

/// A chord of the stretches that windows saw: what counts by length is added up, the rest are means by length.
fn chord(views: &[&SeenLine], ends: [[f64; 2]; 2], span: f64, um_per_px: f64, field: [usize; 2]) -> Line {
    let total: f64 = views.iter().map(|v| v.length()).sum();
    let mean = |f: &dyn Fn(&Line) -> f64| views.iter().map(|v| f(&v.line) * v.length()).sum::<f64>() / total;
    // Windows overlap: of what they saw twice a share is taken off.
    let once = span / total;
    let sum = |f: &dyn Fn(&Line) -> f64| views.iter().map(|v| f(&v.line)).sum::<f64>() * once;
    let most = |f: &dyn Fn(&Line) -> f64| views.iter().map(|v| f(&v.line)).fold(0.0, f64::max);
    let evidence = sum(&|l| l.evidence);
    let [a, b] = ends;
    let off = |p: [f64; 2]| ((p[0] - a[0]) * (b[1] - a[1]) - (p[1] - a[1]) * (b[0] - a[0])).abs() / span.max(1e-9);
    let bowed = views.iter().flat_map(|v| v.line.ends).map(off).fold(0.0, f64::max) / span.max(1e-9);
    // The crystal that holds most of it, and the two that do, lie in one view or another.
    let (in_one, in_two) = (most(&|l| l.evidence - l.crossed.elsewhere), most(&|l| l.evidence - l.crossed.farther));
    let mut line = views[0].line.clone();
    line.ends = ends;
    line.length_um = span * um_per_px;
    line.width_um = mean(&|l| l.width_um);
    line.depth = mean(&|l| l.depth);
    line.evidence = evidence;
    line.strength = mean(&|l| l.strength);
    line.fill = mean(&|l| l.fill);
    line.roughness = mean(&|l| l.roughness);
    line.wander = mean(&|l| l.wander);
    line.aside = most(&|l| l.aside);
    line.bow = bowed.max(most(&|l| l.bow * l.length_um) / line.length_um.max(1e-9));
    line.crossed = Crossed {
        crystals: most(&|l| l.crossed.crystals),
        elsewhere: (evidence - in_one).max(0.0),
        farther: (evidence - in_two).max(0.0),
        bounded: most(&|l| l.crossed.bounded),
        divides: mean(&|l| l.crossed.divides),
        cut: on_frame(ends, field),
    };
    line.company =
        Company { scatters: mean(&|l| l.company.scatters), kin: mean(&|l| l.company.kin.ln()).exp(), edge: None };
    // Of what could be no scratch by itself it was not asked.
    let asked: Vec<&&SeenLine> = views.iter().filter(|v| v.line.company != Company::NONE).collect();
    let length: f64 = asked.iter().map(|v| v.length()).sum();
    let filled =
        |f: &dyn Fn(&Line) -> f64| asked.iter().map(|v| f(&v.line) * v.length()).sum::<f64>() / length.max(1e-9);
    line.filling = Filling { brown: filled(&|l| l.filling.brown), own: filled(&|l| l.filling.own) };
    line
}
