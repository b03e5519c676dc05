//! What lies beside a line: which crystals it passes, and lines that keep it company.

use crate::section::ridge::RidgeBasis;
use crate::section::sides::Sides;
use crate::section::trace::{BREAK_EVEN, Path};
use crate::vectors::wide;

/// Difference of crossed colours from which two places are two crystals, or two parts of a twin.
pub(crate) const ANOTHER: f32 = 0.10;
/// Length of the windows that crystals along a line are told in, µm; at least [`LEAST_STEP`] cells of the line search.
const STEP_UM: f64 = 9.0;
/// See [`STEP_UM`].
const LEAST_STEP: f64 = 2.0;
/// Length from which a crystal counts as crossed, µm.
const LEAST_CROSSED_UM: f64 = 40.0;
/// Windows looked at beyond either end.
const BEYOND: usize = 5;
/// Places beside a line where its sides are looked at, µm; at least so many cells, so that the line itself is not seen.
const ASIDE: [(f64, f64); 3] = [(6.0, 3.0), (8.5, 4.0), (11.0, 5.0)];

pub(crate) fn distance(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().max(1) as f32;
    (a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum::<f32>() / n).sqrt()
}

/// Crystals along a line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Crossed {
    /// Crystals that it crosses; the lamellae of a twin are one.
    pub(crate) crystals: f64,
    /// Evidence for the line outside the crystal that holds most of it.
    pub(crate) elsewhere: f64,
    /// The same outside the two crystals that hold most of it.
    pub(crate) farther: f64,
    /// Share of its ends where its crystal ends too; an end on the frame is none.
    pub(crate) bounded: f64,
    /// Share of its length where the two sides are different colours, times how far they differ alike all along, 0..=1: a border
    /// parts two crystals, of lamellae that it crosses the colours take turns.
    pub(crate) divides: f64,
    /// Ends on the frame, 0..=2.
    pub(crate) cut: f64,
}

/// Which crystals a path passes; `cell_um` is the side of a cell of the line search.
pub(crate) fn crossed(path: &Path, basis: &RidgeBasis, sides: Sides<'_>, cell_um: f64) -> Crossed {
    let [from, to] = path.ends;
    let step = (STEP_UM / cell_um).max(LEAST_STEP);
    let least_windows = (LEAST_CROSSED_UM / (step * cell_um)).round().max(3.0) as usize;
    let count = ((to - from) / step).ceil().max(1.0) as usize + 2 * BEYOND;
    let place = |k: usize| from + (k as f64 - BEYOND as f64 + 0.5) * step;
    let aside = ASIDE.map(|(um, cells)| (um / cell_um).max(cells));
    let look = |s: f64, side: f64| -> Option<Vec<f32>> {
        // Off the line, three places averaged against specks.
        sides.mean(aside.iter().map(|o| path.at(s, side * o)))
    };
    // Evidence within each window.
    let seen: Vec<f64> = (0..count)
        .map(|k| {
            let n = step.round().max(1.0);
            let places = (0..n as usize).map(|i| place(k) + (i as f64 + 0.5) / n * step - step / 2.0);
            let sum: f64 = places.filter_map(|s| path.response(basis, s, 0.0)).map(|r| r - BREAK_EVEN).sum();
            sum * step / n
        })
        .collect();
    let both: Vec<[Option<Vec<f32>>; 2]> = (0..count).map(|k| [look(place(k), 1.0), look(place(k), -1.0)]).collect();
    let inside = BEYOND..count - BEYOND;
    let divides = divides(&both[inside.clone()]);
    let palettes: Vec<Vec<Vec<f32>>> = (0..count)
        .map(|k| {
            let spots = PALETTE.iter().map(|(um, cells)| (um / cell_um).max(*cells)).flat_map(|o| [o, -o]);
            spots.filter_map(|o| sides.at(path.at(place(k), o))).collect()
        })
        .collect();
    let crystal = crystals_along(&palettes);
    let evidence = |windows: &[usize]| windows.iter().map(|k| seen[*k]).sum::<f64>();
    let numbers = crystal.iter().flatten().copied().max().map_or(0, |last| last + 1);
    let mut within: Vec<f64> = (0..numbers)
        .filter_map(|c| {
            let windows: Vec<usize> = inside.clone().filter(|k| crystal[*k] == Some(c)).collect();
            let evidence = evidence(&windows);
            (windows.len() >= least_windows && evidence > 0.0).then_some(evidence)
        })
        .collect();
    // Where no colour lasts there are many small crystals: two at least.
    let restless: Vec<usize> = inside.filter(|k| crystal[*k].is_none()).collect();
    if restless.len() >= 2 * least_windows && evidence(&restless) > 0.0 {
        within.extend([evidence(&restless) / 2.0; 2]);
    }
    within.sort_by(|a, b| b.total_cmp(a));
    let mut found = Crossed {
        crystals: within.len().max(1) as f64,
        elsewhere: within.iter().skip(1).sum(),
        farther: within.iter().skip(2).sum(),
        ..Crossed::default()
    };
    let known = |at: std::ops::Range<usize>| at.filter_map(|k| crystal[k]).collect::<Vec<usize>>();
    let parted = |out: Vec<usize>, within: Vec<usize>| {
        !out.is_empty() && !within.is_empty() && out.iter().all(|o| !within.contains(o))
    };
    let bounded = [
        parted(known(0..BEYOND - 1), known(BEYOND + 1..(BEYOND + 5).min(count))),
        parted(known(count - BEYOND + 1..count), known((count - BEYOND).saturating_sub(5)..count - BEYOND - 1)),
    ];
    let (rows, columns) = basis.scatter.dim();
    let on_frame = |s: f64| {
        let p = path.at(s, 0.0);
        p[0] < FRAME || p[1] < FRAME || p[0] > columns as f64 - 1.0 - FRAME || p[1] > rows as f64 - 1.0 - FRAME
    };
    let free: Vec<usize> = (0..2).filter(|e| !on_frame(path.ends[*e])).collect();
    found.cut = 2.0 - free.len() as f64;
    found.bounded = free.iter().map(|e| f64::from(u8::from(bounded[*e])) / 2.0).sum();
    found.divides = divides;
    found
}

/// How far the two sides of a line are two crystals, from the colours on both, window by window; see [`Crossed::divides`].
fn divides(both: &[[Option<Vec<f32>>; 2]]) -> f64 {
    let pairs: Vec<(&[f32], &[f32])> =
        both.iter().filter_map(|[l, r]| l.as_deref().zip(r.as_deref())).filter(|(l, _)| !l.is_empty()).collect();
    let Some((first, _)) = pairs.first() else { return 0.0 };
    let n = pairs.len() as f32;
    let mut mean = vec![0.0; first.len()];
    let (mut differ, mut squares) = (0.0, 0.0);
    for (l, r) in &pairs {
        let between = distance(l, r);
        differ += f64::from(u8::from(between > ANOTHER));
        squares += between * between / n;
        mean.iter_mut().zip(l.iter().zip(*r)).for_each(|(m, (l, r))| *m += (l - r) / n);
    }
    let alike = distance(&mean, &vec![0.0; mean.len()]) / squares.sqrt().max(ANOTHER / 10.0);
    differ / f64::from(n) * f64::from(alike)
}

/// Distance from the frame within which an end may be the frame's, cells.
pub(crate) const FRAME: f64 = 8.0;

/// Places beside a line whose colours tell the crystal there, µm and least cells; on both sides.
const PALETTE: [(f64, f64); 3] = [(7.0, 3.0), (15.0, 5.0), (24.0, 8.0)];
/// Difference of crossed colours up to which two places near each other are of one colour.
const ONE_COLOUR: f32 = 0.055;
/// Windows after which a colour that comes back is another crystal's: some 120 µm, wide lamellae.
const AGAIN: usize = 13;
/// Share of the shorter of two colours' lengths over which both are seen from which they are of one crystal.
const INTERWOVEN: f64 = 0.45;

/// Windows in which a colour is seen from which it is a crystal's: on borders colours mix.
const LASTING: usize = 3;

/// A colour seen along a line.
struct Colour {
    mean: Vec<f32>,
    count: f32,
    first: usize,
    last: usize,
    windows: usize,
}

/// Numbers the crystals along a line from the colours on both sides of it, window by window; None where colours do not last.
///
/// The lamellae of one twin are seen together, over and over; two crystals only where one ends and the other begins.
pub(crate) fn crystals_along(palettes: &[Vec<Vec<f32>>]) -> Vec<Option<usize>> {
    let mut colours: Vec<Colour> = Vec::new();
    let mut open: Vec<usize> = Vec::new();
    let of_spot: Vec<Vec<usize>> = palettes
        .iter()
        .enumerate()
        .map(|(k, spots)| {
            open.retain(|c| colours[*c].last + AGAIN >= k);
            spots
                .iter()
                .map(|v| {
                    let near = open.iter().map(|c| (distance(&colours[*c].mean, v), *c));
                    let nearest = near.min_by(|a, b| a.0.total_cmp(&b.0));
                    let Some((_, c)) = nearest.filter(|n| n.0 < ONE_COLOUR) else {
                        open.push(colours.len());
                        colours.push(Colour { mean: v.clone(), count: 1.0, first: k, last: k, windows: 1 });
                        return colours.len() - 1;
                    };
                    let colour = &mut colours[c];
                    colour.windows += usize::from(colour.last != k);
                    colour.last = k;
                    colour.count = (colour.count + 1.0).min(24.0);
                    for (m, x) in colour.mean.iter_mut().zip(v) {
                        *m += (x - *m) / colour.count;
                    }
                    c
                })
                .collect()
        })
        .collect();
    // Longest first: a colour belongs to the longest one that it is interwoven with.
    let length = |c: &Colour| (c.last + 1 - c.first) as f64;
    let mut order: Vec<usize> = (0..colours.len()).filter(|c| colours[*c].windows >= LASTING).collect();
    order.sort_by(|a, b| length(&colours[*b]).total_cmp(&length(&colours[*a])));
    let mut crystal: Vec<Option<usize>> = vec![None; colours.len()];
    let mut number = 0;
    for (i, c) in order.iter().enumerate() {
        let here = &colours[*c];
        let with = order[..i].iter().find(|o| {
            let other = &colours[**o];
            let shared = (here.last.min(other.last) + 1) as f64 - here.first.max(other.first) as f64;
            shared >= INTERWOVEN * length(here)
        });
        crystal[*c] = match with {
            Some(o) => crystal[*o],
            None => {
                number += 1;
                Some(number - 1)
            }
        };
    }
    of_spot
        .iter()
        .map(|spots| {
            let mut votes: Vec<(usize, Option<usize>)> = Vec::new();
            for c in spots {
                match votes.iter_mut().find(|v| v.1 == crystal[*c]) {
                    Some(v) => v.0 += 1,
                    None => votes.push((1, crystal[*c])),
                }
            }
            votes.iter().max_by_key(|v| v.0).and_then(|v| v.1)
        })
        .collect()
}

/// Lines beside a line, parallel to it over its whole length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Company {
    /// How many scatters its mean response lies above those of the lines within [`BESIDE_UM`].
    pub(crate) scatters: f64,
    /// Mean response of the second strongest line within [`KIN_UM`], over its own; at least [`LEAST_KIN`]. Cleavage and lamellae
    /// are one of many.
    pub(crate) kin: f64,
    /// Where the strongest line beside it within [`BAND_UM`] runs, cells aside, if it is at least [`EDGE`] times as strong: both may be
    /// the edges of one band.
    pub(crate) edge: Option<f64>,
}

impl Company {
    /// A line that stands alone.
    pub(crate) const NONE: Self = Self { scatters: 15.0, kin: LEAST_KIN, edge: None };
}

/// How far beside a line it is asked whether it stands out, µm.
const BESIDE_UM: f64 = 75.0;
/// How far beside a line its kin are looked for, µm: several spacings of a coarse cleavage. Of 75 to 300 µm it told most on the
/// study's calibration seeds.
const KIN_UM: f64 = 225.0;
/// Response of kin, over a line's own, below which it is noise. House value.
const LEAST_KIN: f64 = 0.08;
/// The same, above which a line is one of many for certain. House value.
const MOST_KIN: f64 = 1.5;
/// How far aside the other edge of a band may lie, µm: veinlets are as narrow as that. House values.
const BAND_UM: [f64; 2] = [8.0, 45.0];
/// Response of a band's other edge over a line's own, at least. House value.
const EDGE: f64 = 0.4;
/// How often along a line its company is looked at, cells: answers nearer than that are much alike.
const EVERY: f64 = 3.0;
/// How near a line there is nothing but itself, cells.
const ITSELF: usize = 5;

/// Lines parallel to a path on both sides, over its whole length; `cell_um` is the side of a cell of the line search, µm. Places
/// outside the picture answer nothing.
pub(crate) fn company(path: &Path, basis: &RidgeBasis, cell_um: f64) -> Company {
    let [beside, middle] = [BESIDE_UM, KIN_UM].map(|um| (um / cell_um).round().max(ITSELF as f64 + 3.0) as usize);
    let mut profile = vec![0.0; 2 * middle + 1];
    let mut across = vec![0.0; profile.len()];
    let mut n = 0.0;
    let mut s = path.ends[0] + 1.0;
    while s < path.ends[1] {
        wide(path.responses_across(basis, s, [-(middle as f64), 1.0], &mut across));
        let responses = across.iter().map(|r| if r.is_nan() { 0.0 } else { f64::from(*r) });
        profile.iter_mut().zip(responses).for_each(|(sum, response)| *sum += response);
        n += 1.0;
        s += EVERY;
    }
    profile.iter_mut().for_each(|p| *p /= f64::max(n, 1.0));
    let own = profile[middle - 1..=middle + 1].iter().copied().fold(0.0, f64::max);
    let apart = |k: &usize| k.abs_diff(middle) >= ITSELF;

    let others: Vec<f64> =
        (middle - beside..=middle + beside).filter(|k| k.abs_diff(middle) > ITSELF).map(|k| profile[k]).collect();
    let n = others.len().max(1) as f64;
    let mean = others.iter().sum::<f64>() / n;
    let scatter = (others.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / n).sqrt().max(0.02);

    let peaks = (1..profile.len() - 1).filter(apart);
    let peaks: Vec<usize> = peaks.filter(|k| profile[*k] >= profile[k - 1] && profile[*k] > profile[k + 1]).collect();
    let within = |k: &&usize| (BAND_UM[0]..BAND_UM[1]).contains(&(k.abs_diff(middle) as f64 * cell_um));
    let edge = peaks.iter().filter(within).max_by(|a, b| profile[**a].total_cmp(&profile[**b]));
    let edge = edge.filter(|k| profile[**k] >= EDGE * own).map(|k| *k as f64 - middle as f64);
    let mut kin: Vec<f64> = peaks.iter().map(|k| profile[*k]).collect();
    kin.sort_by(|a, b| b.total_cmp(a));
    let second = kin.get(1).copied().unwrap_or(0.0) / own.max(0.1);
    Company { scatters: (own - mean) / scatter, kin: second.clamp(LEAST_KIN, MOST_KIN), edge }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn along(windows: &[&[f32]]) -> Vec<Option<usize>> {
        let palettes: Vec<Vec<Vec<f32>>> = windows.iter().map(|w| w.iter().map(|c| vec![*c]).collect()).collect();
        crystals_along(&palettes)
    }

    #[test]
    fn lamellae_that_take_turns_are_one_crystal() {
        let found = along(&[0.2, 0.8, 0.2, 0.8, 0.8, 0.2, 0.8, 0.2].map(|c| [c]).each_ref().map(<[f32; 1]>::as_slice));
        assert!(found.iter().all(|c| c.is_some() && *c == found[0]), "{found:?}");
    }

    /// Two sets of lamellae across each other: patches of four colours, none of them wherever the line passes.
    #[test]
    fn a_tartan_of_lamellae_is_one_crystal() {
        let colours = [0.2, 0.4, 0.6, 0.8_f32];
        let windows: Vec<[f32; 3]> =
            (0..40).map(|k: usize| [colours[k / 5 % 4], colours[(k / 3 + 1) % 4], colours[k / 7 % 4]]).collect();
        let found = along(&windows.iter().map(<[f32; 3]>::as_slice).collect::<Vec<_>>());
        assert!(found.iter().all(|c| c.is_some() && *c == found[0]), "{found:?}");
    }

    #[test]
    fn crystals_one_after_another_are_counted_and_their_border_is_not() {
        let colours = [0.2, 0.2, 0.2, 0.2, 0.55, 0.8, 0.8, 0.8, 0.4, 0.4, 0.41, 0.4];
        let found = along(&colours.map(|c| [c]).each_ref().map(<[f32; 1]>::as_slice));
        assert!(found[4].is_none(), "{found:?}");
        let crystals = [found[0], found[6], found[11]];
        assert!(crystals.iter().all(Option::is_some), "{found:?}");
        assert!(crystals[0] != crystals[1] && crystals[1] != crystals[2] && crystals[0] != crystals[2], "{found:?}");
        assert!((0..4).all(|k| found[k] == found[0]) && (8..12).all(|k| found[k] == found[11]), "{found:?}");
    }

    #[test]
    fn crystals_too_small_to_tell_are_none() {
        let windows: Vec<[f32; 1]> = (0..30).map(|k: usize| [(k * 7 % 30) as f32 * 0.1]).collect();
        let found = along(&windows.iter().map(<[f32; 1]>::as_slice).collect::<Vec<_>>());
        assert!(found.iter().all(Option::is_none), "{found:?}");
    }

    /// A border has one crystal on either side; where lamellae cross a line, both sides show both colours by turns.
    #[test]
    fn a_border_divides_and_lamellae_across_do_not() {
        let side = |c: f32| Some(vec![c, 1.0 - c]);
        let border: Vec<[Option<Vec<f32>>; 2]> = (0..20).map(|_| [side(0.3), side(0.7)]).collect();
        assert!((divides(&border) - 1.0).abs() < 1e-6, "{}", divides(&border));
        let turns: Vec<[Option<Vec<f32>>; 2]> =
            (0..20).map(|k| if k % 2 == 0 { [side(0.3), side(0.7)] } else { [side(0.7), side(0.3)] }).collect();
        assert!(divides(&turns) < 1e-6, "{}", divides(&turns));
        let half: Vec<[Option<Vec<f32>>; 2]> =
            (0..20).map(|k| if k < 10 { [side(0.3), side(0.7)] } else { [side(0.3), side(0.3)] }).collect();
        // Half of its length differs; the mean is half the difference, the root of the mean square 1/√2 of it.
        assert!((divides(&half) - 0.5 * 0.5_f64.sqrt()).abs() < 1e-6, "{}", divides(&half));
        assert_eq!(divides(&[[side(0.4), side(0.4)]]), 0.0);
        assert_eq!(divides(&[]), 0.0, "nothing was photographed between crossed polars");
    }

    /// Dark lines along x at some heights, 1.6 µm a cell.
    fn ruled(heights: &[f64], depths: &[f32]) -> Company {
        let log = ndarray::Array2::from_shape_fn((321, 200), |(y, _)| {
            -heights.iter().zip(depths).map(|(h, d)| d * (-0.5 * (y as f64 - h).powi(2)).exp() as f32).sum::<f32>()
        });
        let basis = RidgeBasis::of(&log, 20, 0.05);
        let path =
            Path { origin: [100.0, 160.0], along: [1.0, 0.0], sideways: [0.0; 3], ends: [-60.0, 60.0], evidence: 0.0 };
        company(&path, &basis, 1.6)
    }

    #[test]
    fn a_line_alone_and_one_of_a_pair_have_no_kin_and_one_of_many_has() {
        let alone = ruled(&[160.0], &[0.3]);
        assert!(alone.kin <= LEAST_KIN && alone.scatters > 8.0, "{alone:?}");
        let pair = ruled(&[160.0, 185.0], &[0.3, 0.3]);
        assert!(pair.kin <= LEAST_KIN, "{pair:?}");
        assert!(alone.edge.is_none() && pair.edge == Some(25.0), "40 µm apart: {pair:?}");
        assert!(ruled(&[160.0, 185.0], &[0.3, 0.03]).edge.is_none(), "too faint for the other edge");
        // A cleavage of 30 µm spacing.
        let many: Vec<f64> = (0..17).map(|k| 10.0 + 18.75 * f64::from(k)).collect();
        let cleaved = ruled(&many, &[0.3; 17]);
        assert!((cleaved.kin - 1.0).abs() < 0.1 && cleaved.scatters < 6.0, "{cleaved:?}");
    }
}
