//! How straight a line keeps on the scale of a few cells, and whether it goes on aside of its ends: a scratch is drawn by one grain
//! of grit in one stroke, a joint or a crack finds its way.

use crate::section::line_search::LineSearch;
use crate::section::ridge::{RidgeBasis, Steered};
use crate::section::trace::Path;

/// Length of the stretches whose sideways place is taken, cells: the derivatives are alike over two or three of them.
const STRETCH: f64 = 6.0;
/// Spacing of the sideways places that are asked, cells.
const STRIDE: f64 = 0.5;
/// Farthest sideways place from the path, strides.
const FARTHEST: usize = 5;
/// Least mean curvature of a stretch that has a place, local scatters, and over the median of all stretches. House values.
const LEAST: [f64; 2] = [0.5, 0.4];
/// Fewest stretches that tell how straight a line is.
const FEWEST: usize = 4;
/// What is taken for the scatter of a line that is too short to tell, cells. House value.
const UNTOLD: f64 = 0.6;
/// Scatter from which a stretch weighs less in the course that is fitted, cells.
const ROBUST: f64 = 0.5;
/// Stretches followed beyond an end.
const BEYOND: usize = 10;
/// Response below which a stretch beyond an end speaks against a line there, local scatters: the best of several places is asked, and
/// in noise that is above zero.
const BREAK_EVEN: f64 = 0.6;
/// How far aside of its path a line must go on for the path not to be its course, cells. House value.
const ASIDE: f64 = 1.2;

/// The same path on the cells of another search.
pub(super) fn on_cells(path: &Path, from: &LineSearch, to: &LineSearch) -> Path {
    let ratio = from.bin as f64 / to.bin as f64;
    let [a, b, c] = path.sideways;
    Path {
        origin: path.origin.map(|v| to.cell(from.px(v))),
        sideways: [a * ratio, b, c / ratio],
        ends: path.ends.map(|s| s * ratio),
        ..*path
    }
}

/// Scatter of the sideways places of short stretches about one parabola through them, cells: 1.48 times the median distance.
///
/// What is asked is the curvature itself, not clipped as the evidence is: of a strong line a clipped response says nothing about where
/// within its width it runs.
pub(super) fn wander(path: &Path, basis: &RidgeBasis) -> f64 {
    let [from, to] = path.ends;
    let count = ((to - from) / STRETCH).round().max(1.0);
    let size = (to - from) / count;
    let mut places: Vec<[f64; 3]> = (0..count as usize)
        .filter_map(|k| {
            let begin = from + k as f64 * size;
            let (off, strength) = place(path, basis, begin, size)?;
            Some([(begin + size / 2.0 - from) / (to - from) - 0.5, off, strength])
        })
        .collect();
    let mut strengths: Vec<f64> = places.iter().map(|p| p[2]).collect();
    if strengths.is_empty() {
        return UNTOLD;
    }
    strengths.sort_by(f64::total_cmp);
    let least = LEAST[0].max(LEAST[1] * strengths[strengths.len() / 2]);
    places.retain(|p| p[2] > least);
    if places.len() < FEWEST {
        return UNTOLD;
    }
    let mut terms = nalgebra::Vector3::<f64>::zeros();
    let off = |[u, w, _]: &[f64; 3], t: &nalgebra::Vector3<f64>| w - t[0] - t[1] * u - t[2] * u * u;
    for round in 0..5 {
        let mut normal = nalgebra::Matrix3::<f64>::identity() * 1e-6;
        let mut right = nalgebra::Vector3::<f64>::zeros();
        for p in &places {
            let weight = if round == 0 { 1.0 } else { 1.0 / (1.0 + (off(p, &terms) / ROBUST).powi(2)) };
            let v = nalgebra::Vector3::new(1.0, p[0], p[0] * p[0]);
            normal += weight * v * v.transpose();
            right += weight * p[1] * v;
        }
        let Some(solved) = normal.cholesky().map(|c| c.solve(&right)) else { break };
        terms = solved;
    }
    let mut away: Vec<f64> = places.iter().map(|p| off(p, &terms).abs()).collect();
    away.sort_by(f64::total_cmp);
    1.48 * away[away.len() / 2]
}

/// Sideways place of greatest mean curvature of the stretch of `size` cells from `begin` on, cells from the path, and that
/// curvature, local scatters; None at the frame.
fn place(path: &Path, basis: &RidgeBasis, begin: f64, size: f64) -> Option<(f64, f64)> {
    let mut sums = [0.0; 2 * FARTHEST + 1];
    let n = size.round().max(1.0);
    for i in 0..n as usize {
        let s = begin + (i as f64 + 0.5) / n * size;
        let to = Steered::along(path.tangent(s));
        for (k, sum) in sums.iter_mut().enumerate() {
            let [x, y] = path.at(s, (k as f64 - FARTHEST as f64) * STRIDE);
            *sum += f64::from(basis.curvature(x, y, to)?);
        }
    }
    let (best, value) = sums.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let shift = if best > 0 && best + 1 < sums.len() {
        let (l, r) = (sums[best - 1], sums[best + 1]);
        let bend = l - 2.0 * value + r;
        if bend < -1e-9 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    } else {
        0.0
    };
    Some(((best as f64 + shift - FARTHEST as f64) * STRIDE, value / n))
}

/// Evidence that the line goes on beyond its ends but leaves its path there, cells times local scatters over [`BREAK_EVEN`], both
/// ends together; 0 where it ends, or goes on along the path.
pub(super) fn goes_on_aside(path: &Path, basis: &RidgeBasis) -> f64 {
    [-1.0, 1.0].iter().map(|side| aside_of(path, basis, *side)).sum()
}

fn aside_of(path: &Path, basis: &RidgeBasis, side: f64) -> f64 {
    let end = path.ends[usize::from(side > 0.0)];
    let (mut at, mut sum, mut best, mut left) = (0.0_f64, 0.0, 0.0, 0.0_f64);
    for k in 0..BEYOND {
        let mut sums = [0.0; 7];
        for i in 0..STRETCH as usize {
            let s = end + side * (k as f64 * STRETCH + i as f64 + 0.5);
            let to = Steered::along(path.tangent(s));
            for (j, sum) in sums.iter_mut().enumerate() {
                let [x, y] = path.at(s, at + (j as f64 - 3.0) * STRIDE);
                let Some(r) = basis.steered(x, y, to) else { return if left.abs() > ASIDE { best } else { 0.0 } };
                *sum += f64::from(r) / STRETCH;
            }
        }
        let (j, r) = sums.iter().copied().enumerate().fold((3, f64::MIN), |b, s| if s.1 > b.1 { s } else { b });
        at += (j as f64 - 3.0) * STRIDE;
        sum += STRETCH * (r - BREAK_EVEN);
        if sum > best {
            (best, left) = (sum, at);
        }
    }
    if left.abs() > ASIDE { best } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// A dark line of Gaussian profile about row `course(x)`, with its depth at x, on faint hashed noise.
    fn drawn(course: impl Fn(f64) -> f64, depth: impl Fn(f64) -> f64) -> RidgeBasis {
        let log = Array2::from_shape_fn((101, 300), |(y, x)| {
            let hashed = (x as u64 * 7_919 + y as u64 * 104_729).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
            let noise = 0.02 * (hashed as f64 / f64::from(1 << 24) - 0.5);
            let off = (y as f64 - course(x as f64)) / 1.1;
            (noise - depth(x as f64) * (-0.5 * off * off).exp()) as f32
        });
        RidgeBasis::of(&log, 20, 0.018)
    }

    fn along(ends: [f64; 2]) -> Path {
        Path { origin: [150.0, 50.0], along: [1.0, 0.0], sideways: [0.0; 3], ends, evidence: 0.0 }
    }

    /// One cell aside over ten: rough on the scale of a few cells.
    fn rough(x: f64) -> f64 {
        (x / 10.0 * std::f64::consts::PI).sin()
    }

    /// The median of |sin| is 1/√2; a bow is no wandering, but curvature between rows is read linearly, which draws places to the rows by up
    /// to a quarter of a cell.
    #[test]
    fn a_straight_line_does_not_wander_and_a_rough_one_does() {
        let of = |course: &dyn Fn(f64) -> f64| wander(&along([-110.0, 110.0]), &drawn(course, |_| 0.3));
        let (straight, bowed) = (of(&|_| 50.2), of(&|x: f64| 50.0 + 1.8 * (1.0 - ((x - 150.0) / 110.0).powi(2))));
        assert!(straight < 0.1 && bowed < 0.25, "{straight} {bowed}");
        let wanders = of(&|x| 50.0 + rough(x));
        let expected = 1.48 * 0.5_f64.sqrt();
        // Stretches of six cells average over the waves.
        assert!((0.4 * expected..1.1 * expected).contains(&wanders), "{wanders} of {expected}");
    }

    /// A line so dark that its response is clipped over all its width is placed as a faint one is.
    #[test]
    fn a_dark_line_is_placed_within_its_width() {
        for course in [(|x| 50.0 + rough(x)) as fn(f64) -> f64, |x| 50.0 + 0.6 * rough(x / 2.0), |_| 50.2] {
            let [faint, dark] = [0.3, 1.5].map(|depth| wander(&along([-110.0, 110.0]), &drawn(course, |_| depth)));
            assert!((faint - dark).abs() < 0.02, "{faint} and {dark}");
        }
    }

    #[test]
    fn what_is_too_short_to_tell_is_neither_straight_nor_rough() {
        assert_eq!(wander(&along([-8.0, 8.0]), &drawn(|_| 50.0, |_| 0.3)), UNTOLD);
        assert_eq!(wander(&along([-110.0, 110.0]), &drawn(|_| 50.0, |_| 0.0)), UNTOLD);
    }

    /// Of a line that turns off at x = 200 the path up to there is a part only; one that ends, or goes on straight, is its own.
    #[test]
    fn a_line_that_turns_off_goes_on_aside() {
        let of = |course: &dyn Fn(f64) -> f64, depth: &dyn Fn(f64) -> f64| {
            goes_on_aside(&along([-110.0, 50.0]), &drawn(course, depth))
        };
        let turned = of(&|x| 50.0 + 0.15 * (x - 200.0).max(0.0), &|_| 0.3);
        assert!(turned > 30.0, "{turned}");
        assert!(of(&|_| 50.0, &|_| 0.3) < 1.0, "goes on straight");
        assert!(of(&|_| 50.0, &|x| if x < 200.0 { 0.3 } else { 0.0 }) < 3.0, "ends");
    }

    #[test]
    fn a_path_on_other_cells_runs_through_the_same_pixels() {
        let log = Array2::zeros((4, 4));
        let search = |bin| LineSearch { basis: RidgeBasis::of(&log, 1, 1.0), log: log.clone(), bin };
        let (wide, narrow) = (search(3), search(2));
        let path = Path { sideways: [1.0, 0.1, 0.002], ..along([-20.0, 30.0]) };
        let same = on_cells(&path, &wide, &narrow);
        for u in [0.0, 0.3, 1.0] {
            let [p, q] = [(&path, &wide), (&same, &narrow)]
                .map(|(path, on)| path.at(path.ends[0] + u * (path.ends[1] - path.ends[0]), 0.0).map(|v| on.px(v)));
            assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 1e-9, "{p:?} {q:?}");
        }
    }
}
