//! What the lines mean: which are long, whether finer ones lie between them, and what cannot be told.

use super::band::{Band, FLAT_OVER, reach, threes};
use super::lines::Row;
use super::plane::{Plane, Strips};

/// Depth of each line on each strip, against the mean line.
pub(crate) struct Cells {
    /// For each line of the row its depths, a value a strip; NaN outside the picture.
    depth: Vec<Vec<f64>>,
    /// The same half a spacing beside the lines: what there is without a line.
    beside: Vec<Vec<f64>>,
}

impl Cells {
    /// On the strips of the band.
    pub(crate) fn of(band: &Band, row: &Row) -> Self {
        Self::on(&band.strips, band.sign, row)
    }

    /// On strips of the same direction.
    pub(crate) fn on(strips: &Strips, sign: f32, row: &Row) -> Self {
        let mut depth = vec![Vec::with_capacity(strips.count()); row.lines.len()];
        let mut beside = depth.clone();
        for r in 0..strips.count() {
            let mut flat = strips.flat(r, FLAT_OVER * row.pitch);
            flat.iter_mut().for_each(|v| *v *= sign);
            for (k, line) in row.lines.iter().enumerate() {
                let at = |u: f64| row.template.depth(&flat, strips.u0, u).unwrap_or(f64::NAN);
                depth[k].push(at(line.at));
                beside[k].push(at(line.at + row.pitch / 2.0));
            }
        }
        Self { depth, beside }
    }

    /// How much a line varies along itself, and the noise of that, both as shares of its depth: the middle one of the lines.
    fn varies(&self, rows: [usize; 2]) -> [f64; 2] {
        let spread = |cells: &[f64]| {
            let mut part: Vec<f64> = cells[rows[0]..=rows[1]].iter().copied().filter(|v| v.is_finite()).collect();
            part.sort_by(f64::total_cmp);
            let at = |p: f64| crate::measured::quantile(&part, p);
            (part.len() >= 4).then(|| ((at(0.9) - at(0.1)) / 2.563, at(0.5)))
        };
        let middle = |mut all: Vec<f64>| {
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(0.0)
        };
        let lines: Vec<(f64, f64)> = self.depth.iter().filter_map(|c| spread(c)).collect();
        let depth = middle(lines.iter().map(|l| l.1).collect()).max(1e-9);
        let noise = middle(self.beside.iter().filter_map(|c| Some(spread(c)?.0)).collect());
        [middle(lines.iter().map(|l| l.0).collect()) / depth, noise / depth]
    }

    /// Strips that each line fills.
    pub(crate) fn lengths(&self, rows: [usize; 2]) -> Vec<usize> {
        let middle = (rows[0] + rows[1]) / 2;
        self.depth
            .iter()
            .map(|cells| {
                let known: Vec<f64> = cells.iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
                let [lo, hi] = reach(&threes(&known), middle, 0.5);
                hi - lo + 1
            })
            .collect()
    }
}

/// Length along the lines that is looked at in any case, pixels and spacings: letters are no longer than that.
const SEEN_LEAST: f64 = 12.0;
const SEEN_SPACINGS: f64 = 2.5;
/// Lines shorter than this, pixels, have a tenth of their length and more in their end strips.
const SHORT: f64 = 48.0;

/// How much a line varies along itself beyond the noise, share of its depth.
///
/// Seen every two pixels, where letters and grains show, unless noise drowns it; then on the band's own strips.
pub(crate) fn unsteadiness(plane: &Plane, band: &Band, row: &Row, cells: &Cells) -> f64 {
    let strips = &band.strips;
    let [first, last] = row.ends();
    let margin = 2.0 * row.pitch;
    let u = [row.expected(first) - margin, row.expected(last) + margin];
    let tall = strips.tall as f64 / 2.0;
    let v = [strips.middle(band.rows[0]) - tall, strips.middle(band.rows[1]) + tall];
    // Lines end within the first and the last strip: what lies beyond their ends is no gap in them.
    let room = (v[1] - v[0] - SEEN_LEAST.max(SEEN_SPACINGS * row.pitch)).max(0.0);
    let inset = if v[1] - v[0] < SHORT { (2.0 * tall).min(0.5 * room) } else { 0.0 };
    let v = [v[0] + inset, (v[1] - inset).min(v[0] + inset + 600.0)];
    let fine = Strips::cut(plane, strips.frame, u, v, 2);
    let [varies, noise] = Cells::on(&fine, band.sign, row).varies([0, fine.count() - 1]);
    let [varies, noise] = if noise > 0.5 { cells.varies(band.rows) } else { [varies, noise] };
    (varies * varies - noise * noise).max(0.0).sqrt()
}

/// Every how many lines a longer one stands; empty when they are alike or follow no rule.
///
/// The first is that of all longer lines, the second that of the longest among them.
pub(crate) fn long_every(numbers: &[i64], lengths: &[usize]) -> Vec<usize> {
    let mut every = Vec::new();
    let mut of: Vec<(i64, usize)> = numbers.iter().copied().zip(lengths.iter().copied()).collect();
    let mut step = 1_i64;
    for _ in 0..2 {
        let mut sorted: Vec<usize> = of.iter().map(|l| l.1).collect();
        sorted.sort_unstable();
        if sorted.len() < 3 {
            break;
        }
        let usual = sorted[sorted.len() / 5] as f64;
        let long: Vec<i64> = of.iter().filter(|l| l.1 as f64 > 1.12 * usual + 1.5).map(|l| l.0).collect();
        let Some(period) = period_of(&of.iter().map(|l| l.0).collect::<Vec<_>>(), &long, step) else { break };
        every.push(period as usize);
        of.retain(|l| (l.0 - long_phase(&long, period)).rem_euclid(period) == 0);
        step = period;
    }
    every
}

fn long_phase(long: &[i64], period: i64) -> i64 {
    (0..period).max_by_key(|phase| long.iter().filter(|n| (**n - phase).rem_euclid(period) == 0).count()).unwrap_or(0)
}

/// The period that holds at least nine tenths of the long lines, and on which at least four fifths of the lines are long.
fn period_of(all: &[i64], long: &[i64], step: i64) -> Option<i64> {
    if long.len() < 2 {
        return None;
    }
    (2..=20).map(|k| k * step).find(|period| {
        let phase = long_phase(long, *period);
        let on = |n: &&i64| (**n - phase).rem_euclid(*period) == 0;
        let (hits, places) = (long.iter().filter(on).count(), all.iter().filter(on).count());
        10 * hits >= 9 * long.len() && 5 * hits >= 4 * places
    })
}

/// Whether this many micrometres is a distance that longer lines are ruled at: 1, 2.5 or 5 times a power of ten (common practice,
/// no source).
pub(crate) fn is_round(um: f64) -> bool {
    let power = 10_f64.powf(um.log10().floor());
    [1.0, 2.5, 5.0, 10.0].iter().any(|m| (um / power / m - 1.0).abs() < 1e-6)
}

/// Strong lines or bands between the numbered lines, whatever their shape: places in spacings from line 0.
pub(crate) fn between(band: &Band, row: &Row) -> Vec<f64> {
    let (profile, strips) = (&band.profile, &band.strips);
    let [first, last] = row.ends();
    // What lies closer than that is the line itself.
    let clear = row.template.window.max(0.15 * row.pitch);
    let floor = row.template.floor() + 0.45 * row.template.height();
    let mut found = Vec::new();
    for n in first..last {
        let (a, b) = (row.expected(n), row.expected(n + 1));
        let [from, to] = [a + clear, b - clear].map(|u| strips.column(u).ceil().max(0.0) as usize);
        let mut run: Option<[usize; 2]> = None;
        for i in from..=to.min(profile.len()) {
            let strong = i < to && profile.get(i).is_some_and(|v| f64::from(*v) > floor);
            match (&mut run, strong) {
                (Some(run), true) => run[1] = i,
                (None, true) => run = Some([i, i]),
                (Some([lo, hi]), false) => {
                    found.push(n as f64 + (strips.place(0.5 * (*lo + *hi) as f64) - a) / (b - a));
                    run = None;
                }
                (None, false) => {}
            }
        }
    }
    found
}

/// Into how many parts the spacing is divided by the lines between, with the stretch (in spacings) where they stand one after another.
pub(crate) fn finer(between: &[f64], pitch: f64) -> Option<(usize, [f64; 2])> {
    if between.len() < 4 {
        return None;
    }
    (2..=10_usize).find_map(|parts| {
        let tolerance = (0.35 * parts as f64 / pitch).clamp(0.1, 0.2);
        let mut on: Vec<i64> = between
            .iter()
            .map(|x| x * parts as f64)
            .filter(|x| (x - x.round()).abs() < tolerance)
            .map(|x| x.round() as i64)
            .collect();
        if 10 * on.len() < 7 * between.len() {
            return None;
        }
        // The numbered lines themselves stand on it too.
        let whole: Vec<i64> =
            on.iter().flat_map(|k| [k.div_euclid(parts as i64), k.div_euclid(parts as i64) + 1]).collect();
        on.extend(whole.iter().map(|k| k * parts as i64));
        on.sort_unstable();
        on.dedup();
        let mut best = (0, 0, 0);
        let mut start = 0;
        for i in 0..on.len() {
            if i > 0 && on[i] - on[i - 1] != 1 {
                start = i;
            }
            if i - start + 1 > best.0 {
                best = (i - start + 1, on[start], on[i]);
            }
        }
        (best.0 >= 5 && best.0 > parts).then(|| (parts, [best.1 as f64 / parts as f64, best.2 as f64 / parts as f64]))
    })
}

/// Into how many parts the spacing must fall, when an overtone of it is more than twice as strong as itself: of single lines the
/// spacing itself is the strongest.
pub(crate) fn overtone(band: &Band, row: &Row) -> Option<usize> {
    let [first, last] = row.ends().map(|n| row.expected(n));
    let strength = |times: usize| {
        let (mut c, mut s) = (0.0, 0.0);
        for (i, v) in band.profile.iter().enumerate() {
            let u = band.strips.place(i as f64);
            if v.is_finite() && (first..last).contains(&u) {
                let (sin, cos) = (std::f64::consts::TAU * times as f64 * u / row.pitch).sin_cos();
                c += f64::from(*v) * cos;
                s += f64::from(*v) * sin;
            }
        }
        c.hypot(s)
    };
    let most = (row.pitch / 2.5).floor().clamp(1.0, 12.0) as usize;
    let best = (2..=most).map(|k| (k, strength(k))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 > 2.0 * strength(1)).then_some(best.0)
}

/// Whether there is a step of grey between the lines: ruled lines too fine for the pixels leave their mean shade.
pub(crate) fn grey_between(band: &Band, row: &Row) -> bool {
    // Lines that touch leave no gap to look into.
    if row.pitch < 2.6 * row.template.full_width() {
        return false;
    }
    let strips = &band.strips;
    let [first, last] = row.ends();
    let columns: Vec<usize> = (first..last)
        .map(|n| strips.column(0.5 * (row.expected(n) + row.expected(n + 1))).round())
        .filter(|c| *c >= 1.0 && (*c as usize) + 1 < strips.columns())
        .map(|c| c as usize)
        .collect();
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        (!values.is_empty()).then(|| values[values.len() / 2])
    };
    let margin = 12;
    let (from, to) = (band.rows[0].saturating_sub(margin), (band.rows[1] + margin).min(strips.count() - 1));
    let levels: Vec<f64> = (from..=to)
        .filter_map(|r| {
            middle(
                columns
                    .iter()
                    .map(|c| {
                        (-1..=1).map(|d| f64::from(strips.light[[r, c.wrapping_add_signed(d)]])).sum::<f64>() / 3.0
                    })
                    .filter(|v| v.is_finite())
                    .collect(),
            )
        })
        .collect();
    let height = row.template.height();
    // A line along the axis is no step: of each side of a step more strips are looked at than twice what it covers.
    let covered = (row.template.full_width() / strips.tall as f64).ceil() as usize + 1;
    let side = 2 * covered + 1;
    let step = levels
        .windows(2 * side + 2)
        .map(|w| {
            // Two strips between the two sides: an edge may lie within one.
            let of = |part: &[f64]| middle(part.to_vec()).unwrap_or(0.0);
            f64::from(band.sign) * (of(&w[side + 2..]) - of(&w[..side]))
        })
        .fold(0.0_f64, |a, s| a.max(s.abs()));
    step > 0.25 * height
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn longer_lines_are_counted_whatever_the_number_of_the_first() {
        let numbers: Vec<i64> = (-7..60).collect();
        let lengths = |n: i64| match n {
            n if (n - 3).rem_euclid(10) == 0 => 40,
            n if (n - 3).rem_euclid(5) == 0 => 32,
            _ => 20,
        };
        let all: Vec<usize> = numbers.iter().map(|n| lengths(*n)).collect();
        assert_eq!(long_every(&numbers, &all), [5, 10]);
        assert!(long_every(&numbers, &vec![20; numbers.len()]).is_empty(), "all alike");
        // One line under dirt seems short.
        let mut dirty = all.clone();
        dirty[10] = 3;
        assert_eq!(long_every(&numbers, &dirty), [5, 10]);
        let second: Vec<usize> = numbers.iter().map(|n| if n % 2 == 0 { 30 } else { 20 }).collect();
        assert_eq!(long_every(&numbers, &second)[0], 2);
    }

    #[test]
    fn round_distances_are_those_that_rulings_use() {
        for um in [10.0, 50.0, 100.0, 500.0, 1000.0, 25.0, 5.0] {
            assert!(is_round(um), "{um}");
        }
        for um in [20.0, 40.0, 200.0, 30.0, 70.0] {
            assert!(!is_round(um), "{um}");
        }
    }

    #[test]
    fn lines_between_divide_the_spacing_where_they_stand_in_a_row() {
        let tenths: Vec<f64> = (1..10).map(|k| f64::from(k) / 10.0).collect();
        assert_eq!(finer(&tenths, 100.0).map(|f| f.0), Some(10));
        let halves: Vec<f64> = (0..8).map(|k| f64::from(k) + 0.5).collect();
        assert_eq!(finer(&halves, 30.0).map(|f| f.0), Some(2));
        assert_eq!(finer(&[0.13, 0.31, 0.77, 1.4, 2.23], 100.0), None, "dust");
    }
}
