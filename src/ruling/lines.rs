//! The lines one by one: found outwards from where the search began, numbered, and fitted by least squares.

use super::band::Band;
use super::refused::Refused;
use super::template::{Found, Template};

/// A line with its number.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub(crate) n: i64,
    pub(crate) at: f64,
    pub(crate) depth: f64,
    /// Whether it agrees with the others; a line under dirt does not.
    pub(crate) kept: bool,
}

/// Lines at even distances, and how even.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) template: Template,
    pub(crate) lines: Vec<Line>,
    /// Distance from one line to the next, pixels.
    pub(crate) pitch: f64,
    /// Standard uncertainty of it from the lines' scatter, pixels.
    pub(crate) pitch_uncertainty: f64,
    /// Degrees of freedom of that.
    pub(crate) freedom: f64,
    /// Scatter of the lines about the fit, pixels.
    pub(crate) scatter: f64,
    /// Half of the change of the distance from one end to the other, share of it; 0 when none shows.
    pub(crate) bend: f64,
    /// Position of line 0 and the coefficients of the fit: of the number's place from -1 to 1, powers 0 to 3.
    fit: Fit,
}

/// Most lines in a row that may be missing before a scale is taken to end.
const LONGEST_GAP: i64 = 25;
/// Depth over the mean from which a line is one.
const LEAST_DEPTH: f64 = 0.35;
/// Likeness from which a line is one.
const LEAST_LIKENESS: f64 = 0.6;

/// Half-width of the widest line that is looked at, pixels.
const WIDEST: f64 = 100.0;

/// Cubic through the lines.
#[derive(Clone, Copy, Debug, Default)]
struct Fit {
    middle: f64,
    half: f64,
    terms: [f64; 4],
}

impl Fit {
    fn at(&self, n: i64) -> f64 {
        let x = (n as f64 - self.middle) / self.half;
        let [a, b, c, d] = self.terms;
        a + x * (b + x * (c + x * d))
    }
}

impl Row {
    /// Follows the lines of a band.
    pub(crate) fn of(band: &Band) -> Result<Self, Refused> {
        Self::of_pitch(band, band.pitch)
    }

    /// The same with another rough distance, pixels.
    pub(crate) fn of_pitch(band: &Band, pitch: f64) -> Result<Self, Refused> {
        Self::within(band, pitch, band.window.map(|c| band.strips.place(c as f64)))
    }

    /// The same with a rough distance and a stretch across the lines to begin with, pixels.
    pub(crate) fn within(band: &Band, pitch: f64, [from, to]: [f64; 2]) -> Result<Self, Refused> {
        let (profile, u0) = (&band.profile, band.strips.u0);
        // Where the lines stand within a spacing: the highest place of the window folded on itself.
        let inside =
            |first: f64| -> Vec<f64> { (0..).map(|k| first + f64::from(k) * pitch).take_while(|u| *u <= to).collect() };
        let mut start = from + pitch / 2.0;
        for _ in 0..3 {
            let folded = Template::fold(profile, u0, pitch / 2.0, &inside(start));
            start += folded.tallest();
            while start < from + pitch / 2.0 {
                start += pitch;
            }
        }
        let places = inside(start);
        if places.len() < 3 {
            return Err(Refused::TooFew { lines: places.len() });
        }
        let mut template = Template::fold(profile, u0, (pitch / 2.0).min(WIDEST), &places);
        let mut lines = grow(profile, u0, pitch, &places, &template);
        if lines.len() < 5 {
            return Err(Refused::TooFew { lines: lines.len() });
        }
        let mut row = fitted(template.clone(), lines);
        for _ in 0..3 {
            let at: Vec<f64> = row.lines.iter().filter(|l| l.kept).map(|l| row.fit.at(l.n)).collect();
            template = Template::fold(profile, u0, (row.pitch / 2.0).min(WIDEST), &at);
            let (first, last) = (row.lines[0].n - 2, row.lines[row.lines.len() - 1].n + 2);
            let range = (0.12 * row.pitch).max(0.3).min(0.25 * row.pitch);
            lines = (first..=last)
                .filter_map(|n| accepted(template.find(profile, u0, row.fit.at(n), range)?).map(|f| line(n, f)))
                .collect();
            if lines.len() < 5 {
                return Err(Refused::TooFew { lines: lines.len() });
            }
            row = fitted(template, trimmed(lines));
        }
        Ok(row)
    }

    /// Where line `n` is by the fit, pixels across the lines.
    pub(crate) fn expected(&self, n: i64) -> f64 {
        self.fit.at(n)
    }

    /// Numbers of the first and the last line.
    pub(crate) fn ends(&self) -> [i64; 2] {
        [self.lines[0].n, self.lines[self.lines.len() - 1].n]
    }
}

fn accepted(found: Found) -> Option<Found> {
    (found.depth > LEAST_DEPTH && found.likeness > LEAST_LIKENESS).then_some(found)
}

fn line(n: i64, found: Found) -> Line {
    Line { n, at: found.at, depth: found.depth, kept: true }
}

/// From the places of the window outwards, each line expected from the nearest twenty.
fn grow(profile: &[f32], u0: f64, pitch: f64, places: &[f64], template: &Template) -> Vec<Line> {
    let range = (0.25 * pitch).max(0.4);
    let mut lines: Vec<Line> = places
        .iter()
        .enumerate()
        .filter_map(|(n, at)| accepted(template.find(profile, u0, *at, range)?).map(|f| line(n as i64, f)))
        .collect();
    if lines.len() < 3 {
        return lines;
    }
    let end = u0 + profile.len() as f64 * super::plane::STEP;
    for outward in [1_i64, -1] {
        let mut n = if outward > 0 { lines[lines.len() - 1].n } else { lines[0].n };
        let mut gap = 0;
        while gap <= LONGEST_GAP {
            n += outward;
            let near: Vec<&Line> =
                if outward > 0 { lines.iter().rev().take(20).collect() } else { lines.iter().take(20).collect() };
            let expected = straight(&near, n, pitch);
            if expected < u0 || expected > end {
                break;
            }
            let range = (0.15 * pitch).max(0.3).min(0.25 * pitch);
            match template.find(profile, u0, expected, range).and_then(accepted) {
                Some(found) => {
                    gap = 0;
                    if outward > 0 { lines.push(line(n, found)) } else { lines.insert(0, line(n, found)) }
                }
                None => gap += 1,
            }
        }
    }
    trimmed(lines)
}

/// Without single lines far from the others at the ends: dust beyond the end of a scale may look like one.
fn trimmed(mut lines: Vec<Line>) -> Vec<Line> {
    let lonely = |a: &Line, b: &Line, c: &Line| {
        let (outer, inner) = ((a.n - b.n).abs(), (b.n - c.n).abs());
        outer > 2 && outer > inner
    };
    while lines.len() > 5 && lonely(&lines[0], &lines[1], &lines[2]) {
        lines.remove(0);
    }
    while let [.., c, b, a] = &lines[..] {
        if lines.len() <= 5 || !lonely(a, b, c) {
            break;
        }
        lines.pop();
    }
    lines
}

/// Where line `n` is expected from these lines: their own distance when they are many, the given one when few.
fn straight(lines: &[&Line], n: i64, pitch: f64) -> f64 {
    let count = lines.len() as f64;
    let [mn, mu] =
        [lines.iter().map(|l| l.n as f64).sum::<f64>() / count, lines.iter().map(|l| l.at).sum::<f64>() / count];
    let nn: f64 = lines.iter().map(|l| (l.n as f64 - mn).powi(2)).sum();
    let nu: f64 = lines.iter().map(|l| (l.n as f64 - mn) * (l.at - mu)).sum();
    let slope = if lines.len() >= 5 { nu / nn } else { pitch };
    mu + slope * (n as f64 - mn)
}

/// Least squares with lines that lie off left out; straight unless a bend shows.
fn fitted(template: Template, mut lines: Vec<Line>) -> Row {
    let ends = [lines[0].n as f64, lines[lines.len() - 1].n as f64];
    let (middle, half) = ((ends[0] + ends[1]) / 2.0, ((ends[1] - ends[0]) / 2.0).max(1.0));
    let mut of = Solved::default();
    for _ in 0..6 {
        let kept: Vec<(f64, f64)> =
            lines.iter().filter(|l| l.kept).map(|l| ((l.n as f64 - middle) / half, l.at)).collect();
        let line = solve(&kept, 2);
        of = line;
        // A bend needs lines enough to show it, and must be beyond doubt.
        if kept.len() >= 12 {
            let cubic = solve(&kept, 4);
            let sure = (2..4).any(|k| cubic.terms[k].abs() > 5.0 * cubic.errors[k]);
            if sure && cubic.scatter < 0.85 * line.scatter {
                of = cubic;
            }
        }
        let fit = Fit { middle, half, terms: of.terms };
        let mut off: Vec<f64> = lines.iter().filter(|l| l.kept).map(|l| (l.at - fit.at(l.n)).abs()).collect();
        off.sort_by(f64::total_cmp);
        let limit = (4.0 * 1.4826 * off[off.len() / 2]).max(0.02);
        let before: Vec<bool> = lines.iter().map(|l| l.kept).collect();
        for l in &mut lines {
            l.kept = (l.at - fit.at(l.n)).abs() <= limit;
        }
        if lines.iter().filter(|l| l.kept).count() < 5 {
            lines.iter_mut().zip(&before).for_each(|(l, b)| l.kept = *b);
            break;
        }
        if lines.iter().zip(&before).all(|(l, b)| l.kept == *b) {
            break;
        }
    }
    let fit = Fit { middle, half, terms: of.terms };
    let kept: Vec<(f64, f64)> = lines.iter().filter(|l| l.kept).map(|l| ((l.n as f64 - middle) / half, l.at)).collect();
    let straight = solve(&kept, 2);
    let rest: Vec<f64> = lines.iter().filter(|l| l.kept).map(|l| l.at - fit.at(l.n)).collect();
    // Neighbours that err alike count as fewer lines.
    let alike = (rest.windows(2).map(|w| w[0] * w[1]).sum::<f64>()
        / rest.iter().map(|r| r * r).sum::<f64>().max(1e-30))
    .clamp(0.0, 0.9);
    let widened = ((1.0 + alike) / (1.0 - alike)).sqrt();
    let bend = if of.terms[2] == 0.0 && of.terms[3] == 0.0 {
        0.0
    } else {
        let slope = |x: f64| of.terms[1] + 2.0 * of.terms[2] * x + 3.0 * of.terms[3] * x * x;
        let all: Vec<f64> = (-10..=10).map(|k| slope(f64::from(k) / 10.0)).collect();
        let (lo, hi) = (all.iter().copied().fold(f64::MAX, f64::min), all.iter().copied().fold(f64::MIN, f64::max));
        (hi - lo) / 2.0 / (straight.terms[1].abs())
    };
    // Scatter below a hundredth of a pixel is luck.
    let scatter = of.scatter.max(0.01);
    let error = straight.errors[1] * scatter / straight.scatter.max(1e-9);
    Row {
        template,
        pitch: straight.terms[1] / half,
        pitch_uncertainty: error / half * widened,
        freedom: (kept.len() as f64 * (1.0 - alike) / (1.0 + alike) - if bend > 0.0 { 4.0 } else { 2.0 }).max(2.0),
        scatter: of.scatter,
        bend,
        lines,
        fit,
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct Solved {
    terms: [f64; 4],
    errors: [f64; 4],
    scatter: f64,
}

/// Polynomial of so many terms by least squares; errors are one standard deviation.
fn solve(points: &[(f64, f64)], terms: usize) -> Solved {
    let mut normal = nalgebra::DMatrix::<f64>::zeros(terms, terms);
    let mut right = nalgebra::DVector::<f64>::zeros(terms);
    let shift = points.iter().map(|p| p.1).sum::<f64>() / points.len() as f64;
    for (x, y) in points {
        for i in 0..terms {
            right[i] += x.powi(i as i32) * (y - shift);
            for j in 0..terms {
                normal[(i, j)] += x.powi((i + j) as i32);
            }
        }
    }
    let mut solved = Solved::default();
    let Some(inverse) = normal.try_inverse() else { return solved };
    let x = &inverse * right;
    let value = |at: f64| (0..terms).map(|k| x[k] * at.powi(k as i32)).sum::<f64>() + shift;
    let squares: f64 = points.iter().map(|(at, y)| (y - value(*at)).powi(2)).sum();
    solved.scatter = (squares / (points.len() as f64 - terms as f64).max(1.0)).sqrt();
    for k in 0..terms {
        solved.terms[k] = x[k];
        solved.errors[k] = solved.scatter * inverse[(k, k)].max(0.0).sqrt();
    }
    solved.terms[0] += shift;
    solved
}
