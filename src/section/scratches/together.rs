//! Lines judged together: scratches of one pass run alike, and each is told once.

use std::collections::HashMap;

use super::Line;
use crate::section::beside::Company;

/// Difference of direction up to which scratches may be of one pass, radians.
const ALIKE: f64 = 0.06;
/// Distance across from which two parallel lines are two, µm.
const APART_UM: f64 = 12.0;

/// Lines judged together, likeliest first and each once.
pub(crate) fn settled(lines: Vec<Line>, um_per_px: f64) -> Vec<Line> {
    // Each once before they speak for each other: what both searches saw is one sibling.
    let mut lines = once_each(likeliest_first(lines));
    siblings(&mut lines, um_per_px);
    once_each(likeliest_first(lines))
}

fn likeliest_first(mut lines: Vec<Line>) -> Vec<Line> {
    lines.sort_by(|a, b| (b.confidence, b.evidence).partial_cmp(&(a.confidence, a.evidence)).expect("finite"));
    lines
}

/// How far apart siblings may lie, µm: a usual field from corner to corner. Over a whole section some lines run alike by chance.
const SIBLINGS_UM: f64 = 3300.0;
/// Siblings beyond which more say nothing more.
const MOST_SIBLINGS: f64 = 2.0;

/// One pass leaves scratches in one direction: what runs along with likely ones elsewhere is likelier itself.
fn siblings(lines: &mut [Line], um_per_px: f64) {
    struct Likely {
        middle: [f64; 2],
        angle: f64,
        weight: f64,
    }
    let angle = |l: &Line| (l.ends[1][1] - l.ends[0][1]).atan2(l.ends[1][0] - l.ends[0][0]);
    let middle = |l: &Line| [0, 1].map(|i| (l.ends[0][i] + l.ends[1][i]) / 2.0);
    let likely: Vec<Likely> = lines
        .iter()
        .filter(|l| l.confidence > 0.3)
        .map(|l| Likely { middle: middle(l), angle: angle(l), weight: l.confidence * (l.length_um / 400.0).min(1.0) })
        .collect();
    let square = |m: [f64; 2]| m.map(|v| (v * um_per_px / SIBLINGS_UM).floor() as i64);
    let mut near: HashMap<[i64; 2], Vec<usize>> = HashMap::new();
    for (i, o) in likely.iter().enumerate() {
        near.entry(square(o.middle)).or_default().push(i);
    }
    // Where a line's company was not asked after, all else spoke against it already.
    for l in lines.iter_mut().filter(|l| l.company != Company::NONE) {
        let (a, m) = (angle(l), middle(l));
        let [x, y] = square(m);
        let around = (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| [x + dx, y + dy]));
        let mut about: Vec<usize> = around.filter_map(|s| near.get(&s)).flatten().copied().collect();
        about.sort_unstable();
        let parallel = about.iter().map(|i| &likely[*i]).filter(|o| {
            let turn = (a - o.angle).rem_euclid(std::f64::consts::PI);
            let (dx, dy) = (m[0] - o.middle[0], m[1] - o.middle[1]);
            let aside = dx * -o.angle.sin() + dy * o.angle.cos();
            turn.min(std::f64::consts::PI - turn) < ALIKE
                && aside.abs() * um_per_px > APART_UM
                && dx.hypot(dy) * um_per_px < SIBLINGS_UM
        });
        // No more than two count: where many run along, few are looked at.
        let mut sum = 0.0;
        for o in parallel {
            sum += o.weight;
            if sum >= MOST_SIBLINGS {
                break;
            }
        }
        l.siblings = sum.min(MOST_SIBLINGS);
        l.confidence = l.odds().probability();
    }
}

/// Drops a line most of which a better one covers.
fn once_each(lines: Vec<Line>) -> Vec<Line> {
    let mut kept = Kept::default();
    for line in lines {
        let covered = (0..24)
            .filter(|k| {
                let u = (f64::from(*k) + 0.5) / 24.0;
                kept.covers(std::array::from_fn(|i| line.ends[0][i] + u * (line.ends[1][i] - line.ends[0][i])))
            })
            .count();
        if covered < 14 {
            kept.push(line);
        }
    }
    kept.lines
}

/// Lines that are kept, found again by where they lie.
#[derive(Default)]
struct Kept {
    lines: Vec<Line>,
    /// Lines that may cover a point of a square of [`SQUARE`] pixels.
    near: HashMap<[i64; 2], Vec<usize>>,
}

/// Side of the squares that lines are found again by, pixels.
const SQUARE: f64 = 128.0;

impl Kept {
    fn square(p: [f64; 2]) -> [i64; 2] {
        p.map(|v| (v / SQUARE).floor() as i64)
    }

    fn covers(&self, p: [f64; 2]) -> bool {
        self.near.get(&Self::square(p)).is_some_and(|near| {
            near.iter().map(|i| &self.lines[*i]).any(|l| {
                let (dx, dy) = (l.ends[1][0] - l.ends[0][0], l.ends[1][1] - l.ends[0][1]);
                let n = dx.hypot(dy).max(1e-9);
                let (ex, ey) = (p[0] - l.ends[0][0], p[1] - l.ends[0][1]);
                let s = (ex * dx + ey * dy) / n;
                let w = (ex * dy - ey * dx).abs() / n;
                s > -4.0 && s < n + 4.0 && w < 5.0
            })
        })
    }

    fn push(&mut self, line: Line) {
        let [a, b] = line.ends;
        let steps = ((b[0] - a[0]).hypot(b[1] - a[1]) / (0.5 * SQUARE)).ceil().max(1.0);
        let mut squares: Vec<[i64; 2]> = (0..=steps as usize)
            .map(|k| std::array::from_fn(|i| a[i] + k as f64 / steps * (b[i] - a[i])))
            .map(Self::square)
            .flat_map(|[x, y]| (-1..=1).flat_map(move |dy| (-1..=1).map(move |dx| [x + dx, y + dy])))
            .collect();
        squares.sort_unstable();
        squares.dedup();
        for square in squares {
            self.near.entry(square).or_default().push(self.lines.len());
        }
        self.lines.push(line);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::beside::Crossed;
    use crate::section::scratches::filling::Filling;

    /// A line down a field at x pixels, 600 µm long.
    fn line(x: f64, fill: f64, company: Company) -> Line {
        let crossed = Crossed { crystals: 4.0, elsewhere: 200.0, farther: 100.0, ..Crossed::default() };
        let mut line = Line {
            ends: [[x, 100.0], [x, 700.0]],
            length_um: 600.0,
            width_um: 3.0,
            depth: 0.2,
            evidence: 500.0,
            strength: 1.5,
            fill,
            roughness: 0.2,
            wander: 0.15,
            aside: 0.0,
            bow: 0.0,
            siblings: 0.0,
            bin: 1,
            crossed,
            company,
            filling: Filling::default(),
            confidence: 0.0,
        };
        line.confidence = line.odds().probability();
        line
    }

    /// Scratches of one pass speak for one more, but not for what was no scratch before its company was asked after.
    #[test]
    fn siblings_raise_only_what_was_looked_at() {
        let asked = Company { scatters: 8.0, kin: 0.3, edge: None };
        let sure = || [line(100.0, 1.0, asked), line(300.0, 1.0, asked), line(500.0, 1.0, asked)];
        assert!(sure().iter().all(|l| l.confidence > 0.5));
        let doubtful = |company| {
            let before = line(700.0, -0.6, company);
            let mut lines = sure().to_vec();
            lines.push(before.clone());
            let after = settled(lines, 1.0).into_iter().find(|l| l.ends == before.ends).expect("kept");
            (before.confidence, after.confidence)
        };
        let (before, after) = doubtful(asked);
        assert!(after > 2.0 * before, "{before} {after}");
        let (before, after) = doubtful(Company::NONE);
        assert_eq!(before, after);
    }

    /// What both searches saw of one scratch is one sibling of the next.
    #[test]
    fn a_scratch_seen_twice_speaks_once() {
        let asked = Company { scatters: 8.0, kin: 0.3, edge: None };
        let siblings = |lines: Vec<Line>| {
            let settled = settled(lines, 1.0);
            settled.iter().find(|l| l.ends[0][0] == 100.0).expect("kept").siblings
        };
        let once = siblings(vec![line(100.0, 1.0, asked), line(300.0, 1.0, asked)]);
        let twice = siblings(vec![line(100.0, 1.0, asked), line(300.0, 1.0, asked), line(301.0, 0.9, asked)]);
        assert!(once > 0.5 && once <= 1.0, "{once}");
        assert_eq!(once, twice);
    }
}
