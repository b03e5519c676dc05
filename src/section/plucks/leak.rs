//! What the polars let through where nothing turns the light: the same in every hole, and the same however they are turned.
//!
//! Polars that stand a few degrees off pass sin² of the error through resin and glass, more than through some crystals: it is
//! no sign of a crystal then.

use super::Hole;

/// Patches that must pass the same light for it to be the polars' leak.
const FEWEST: usize = 3;
/// Fewest positions of the polars: between two, a crystal may look alike as well.
const POSITIONS: usize = 3;
/// Least light over most over the positions of the polars. A crystal turned by steps of 22.5 degrees changes to 0.17 and less.
const STEADY: f64 = 0.6;
/// How far patches may differ and pass the same light, as a share of it. House value.
const ALIKE: f64 = 0.15;

/// Light that the polars leak in each crossed picture, sum of channels of crossed over plane light; None where too few
/// patches agree on it.
pub(super) fn leak(holes: &[Hole]) -> Option<Vec<f64>> {
    let steady = holes.iter().filter(|h| !h.slurry).map(|h| h.passed.as_slice());
    let steady: Vec<&[f64]> = steady.filter(|p| is_steady(p)).collect();
    let alike = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() <= ALIKE * a);
    let agreeing = |with: &[f64]| steady.iter().filter(|p| alike(with, p)).count();
    let most = steady.iter().map(|p| (agreeing(p), p)).max_by_key(|(n, _)| *n)?;
    let (count, with) = most;
    (count >= FEWEST).then(|| {
        let members = steady.iter().filter(|p| alike(with, p));
        let mut sums = vec![0.0; with.len()];
        members.for_each(|p| sums.iter_mut().zip(*p).for_each(|(s, v)| *s += v / count as f64));
        sums
    })
}

fn is_steady(passed: &[f64]) -> bool {
    let most = passed.iter().copied().fold(0.0, f64::max);
    let least = passed.iter().copied().fold(f64::INFINITY, f64::min);
    passed.len() >= POSITIONS && least > STEADY * most
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::plucks::bare;

    /// Light through crossed polars that stand `off` degrees wrong: of nothing, and of a crystal of retardation phase `delta`
    /// whose axis lies at `axis` degrees.
    fn passed(off: f64, crystal: Option<(f64, f64)>) -> Vec<f64> {
        [0.0_f64, 22.5, 45.0, 67.5]
            .map(|angle| {
                let e = off.to_radians();
                let Some((axis, delta)) = crystal else { return e.sin().powi(2) };
                let t = (axis - angle).to_radians();
                // I = cos²χ - sin 2t · sin 2(t - χ) · sin²(δ/2), χ the angle between the polars (Born and Wolf, section 15.4, from memory).
                let chi = std::f64::consts::FRAC_PI_2 + e;
                chi.cos().powi(2) - (2.0 * t).sin() * (2.0 * (t - chi)).sin() * (delta / 2.0).sin().powi(2)
            })
            .to_vec()
    }

    fn holes(all: Vec<Vec<f64>>) -> Vec<Hole> {
        all.into_iter().map(|passed| Hole { passed, ..bare() }).collect()
    }

    #[test]
    fn holes_agree_on_the_leak_and_crystals_do_not() {
        let near_axis = |axis| passed(5.0, Some((axis, 0.3)));
        let mixed = holes(vec![
            passed(5.0, None),
            near_axis(10.0),
            passed(5.05, None),
            near_axis(33.0),
            near_axis(57.0),
            passed(4.9, None),
        ]);
        let leak = leak(&mixed).expect("three holes agree");
        let expected = 5.0_f64.to_radians().sin().powi(2);
        assert!(leak.iter().all(|l| (l / expected - 1.0).abs() < 0.02), "{leak:?} {expected}");
    }

    #[test]
    fn crystals_alone_tell_no_leak() {
        let crystals = (0..12).map(|k| passed(0.0, Some((7.0 * f64::from(k), 0.1 + 0.03 * f64::from(k))))).collect();
        assert_eq!(leak(&holes(crystals)), None);
        assert_eq!(leak(&holes(vec![passed(5.0, None); 2])), None, "two may agree by chance");
        let at_two: Vec<Vec<f64>> = vec![passed(5.0, None)[..2].to_vec(); 5];
        assert_eq!(leak(&holes(at_two)), None, "two positions do not tell a crystal");
    }
}
