//! Angles of the polars from the light of the grains, where no name tells them.
//!
//! Between crossed polars at φ a grain whose extinction lies at a passes c/2 (1 - cos 4(φ - a)) of the plane light. With three
//! or more photographs on one exposure the light of many grains, each with its own c and a, fixes the differences of the
//! φ: a grain gives as many values as there are photographs and takes two of them. Which way the polars were turned stays
//! unknown (every a may be mirrored), and so does the zero; neither changes what is measured.

use std::path::PathBuf;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::slide::Turned;
use crate::slide::folder::{FieldPhotographs, FieldPlan};
use crate::slide::names::{are_counted, counter_in};

use super::visit::{Angle, Crossed, Field, Shot};

/// Places of the field that are looked at; more add little.
const PLACES: usize = 1600;
/// Parts of the places that each give angles of their own, from whose scatter the uncertainty is taken.
const PARTS: usize = 8;
/// Extinction positions that are tried for a place, over a full turn of 4a.
const TRIED: usize = 60;

/// Largest standard uncertainty at which an angle is told, degrees: the fit of the thickness takes no harm from less.
/// House value.
pub const MOST_U_DEG: f64 = 1.5;
/// What leaking polars, stray light and exposures that EXIF rounds do to an angle, degrees, beside the scatter between parts
/// of the field. House value: rendered fields of known angles are off by a degree at the most.
const SYSTEMATIC_U_DEG: f64 = 1.0;
/// Share of the variation between photographs that is left unexplained, above which no angle is told. Sound photographs
/// leave a hundredth. House value.
const UNEXPLAINED: f64 = 0.06;
/// Positions nearer than this are one, degrees: the polars were not turned.
const ONE_POSITION_DEG: f64 = 4.0;

/// What the grains say of the angles.
#[derive(Clone, Debug, PartialEq)]
pub enum FoundAngles {
    /// Degrees from the first photograph's position, 0 to 90, and their standard uncertainty, in the photographs' order.
    Told(Vec<(f64, f64)>),
    /// Not known, with the reason.
    Unknown(String),
}

/// The angles of the crossed photographs of a registered field whose pictures stood still.
#[must_use]
pub fn from_light(stack: &FieldStack) -> FoundAngles {
    let n = stack.crossed.len();
    if n < 3 {
        return FoundAngles::Unknown("fewer than three crossed photographs do not tell the angles between them".into());
    }
    let exposures: Option<Vec<f64>> = stack.crossed.iter().map(|c| c.relative_exposure).collect();
    let Some(exposures) = exposures else {
        return FoundAngles::Unknown("without the exposures in EXIF the photographs' light cannot be compared".into());
    };
    let places = places(stack, &exposures);
    if places.len() < 20 * PARTS {
        return FoundAngles::Unknown("too few lit places are left to compare".into());
    }
    let (phases, unexplained) = fit(&places, n);
    if unexplained > UNEXPLAINED {
        return FoundAngles::Unknown(
            "the grains do not brighten and go dark together as turned polars would have them".into(),
        );
    }
    let parts: Vec<Vec<f64>> = (0..PARTS)
        .into_par_iter()
        .map(|p| {
            let part: Vec<Vec<f64>> = places.iter().skip(p).step_by(PARTS).cloned().collect();
            climb(&part, phases.clone(), 0.25).0
        })
        .collect();
    let told: Vec<(f64, f64)> = (0..n)
        .map(|k| {
            let off = |part: &Vec<f64>| wrapped(part[k] - phases[k]).powi(2);
            let u = (parts.iter().map(off).sum::<f64>() / (PARTS * (PARTS - 1)) as f64).sqrt();
            let u = if k == 0 { 0.0 } else { SYSTEMATIC_U_DEG.hypot(u.to_degrees() / 4.0) };
            (phases[k].to_degrees().rem_euclid(360.0) / 4.0, u)
        })
        .collect();
    if told.iter().any(|(_, u)| *u > MOST_U_DEG) {
        return FoundAngles::Unknown("the grains tell the angles too roughly".into());
    }
    for (a, b) in (0..n).flat_map(|b| (0..b).map(move |a| (a, b))) {
        let apart = wrapped(phases[a] - phases[b]).to_degrees().abs() / 4.0;
        if apart < ONE_POSITION_DEG {
            return FoundAngles::Unknown(format!(
                "photographs {} and {} show one position of the polars",
                a + 1,
                b + 1
            ));
        }
    }
    FoundAngles::Told(told)
}

/// Crossed over plane light on one exposure at places drawn over the field, one value a photograph.
fn places(stack: &FieldStack, exposures: &[f64]) -> Vec<Vec<f64>> {
    let bin = (stack.width.max(stack.height) / 200).max(1);
    let plane = stack.plane_light(bin);
    let crossed: Vec<_> = (0..stack.crossed.len()).map(|i| stack.crossed_light(i, bin)).collect();
    let grey = |planes: &crate::slide::LinearPlanes, at: [usize; 2]| {
        let [r, g, b] = [0, 1, 2].map(|c| f64::from(planes.rgb[c][at]));
        (planes.mask[at] & !crate::slide::photograph::mask::DARK == 0).then_some(0.25 * r + 0.5 * g + 0.25 * b)
    };
    let (h, w) = plane.dim();
    let mut all: Vec<Vec<f64>> = (0..h)
        .flat_map(|y| (0..w).map(move |x| [y, x]))
        .filter_map(|at| {
            let p = grey(&plane, at).filter(|p| *p > 0.03)?;
            let light = crossed.iter().zip(exposures).map(|(c, e)| Some(grey(c, at)? / e / p));
            light.collect::<Option<Vec<f64>>>()
        })
        .collect();
    // Places that are dark in every photograph tell nothing.
    let sums: Vec<f64> = all.iter().map(|v| v.iter().sum()).collect();
    let mut sorted = sums.clone();
    sorted.sort_by(f64::total_cmp);
    let dim = sorted.get(sorted.len() / 4).copied().unwrap_or(0.0);
    let mut kept = Vec::new();
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    for (values, sum) in all.drain(..).zip(sums) {
        if sum > dim {
            kept.push(values);
        }
    }
    while kept.len() > PLACES {
        let at = rng.random_range(0..kept.len());
        kept.swap_remove(at);
    }
    kept
}

/// Phases 4φ of the photographs, the first 0 and the second in 0..π, and the share that they leave unexplained.
fn fit(places: &[Vec<f64>], n: usize) -> (Vec<f64>, f64) {
    let rough: Vec<Vec<f64>> = places.iter().step_by((places.len() / 250).max(1)).cloned().collect();
    // The first four on a ring of six phases each, then one photograph after the other.
    let first = n.min(4);
    let ring = |code: usize, k: usize| ((code / 6usize.pow(k as u32 - 1)) % 6) as f64 * std::f64::consts::FRAC_PI_3;
    let starts = (0..6usize.pow(first as u32 - 1))
        .map(|code| (0..first).map(|k| if k == 0 { 0.0 } else { ring(code, k) }).collect::<Vec<f64>>())
        // Mirrored starts are the same.
        .filter(|phases| phases[1] <= std::f64::consts::PI);
    let cut: Vec<Vec<f64>> = rough.iter().map(|v| v[..first].to_vec()).collect();
    let mut ranked: Vec<(Vec<f64>, f64)> = starts
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|s| {
            let l = left(&cut, &s);
            (s, l)
        })
        .collect();
    ranked.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut best = ranked
        .into_par_iter()
        .take(6)
        .map(|(start, _)| climb(&cut, start, 0.6))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or_else(|| vec![0.0; first], |b| b.0);
    for k in first..n {
        let cut: Vec<Vec<f64>> = rough.iter().map(|v| v[..=k].to_vec()).collect();
        let with =
            |t: usize| best.iter().copied().chain([t as f64 * std::f64::consts::TAU / 24.0]).collect::<Vec<f64>>();
        let tried = (0..24).map(with).map(|phases| (left(&cut, &phases), phases));
        if let Some((_, phases)) = tried.min_by(|a, b| a.0.total_cmp(&b.0)) {
            best = climb(&cut, phases, 0.2).0;
        }
    }
    let (mut phases, unexplained) = climb(places, best, 0.15);
    if wrapped(phases[1]) < 0.0 {
        phases.iter_mut().for_each(|p| *p = -*p);
    }
    (phases, unexplained)
}

/// Improves phases by a shrinking pattern; the first stays 0.
fn climb(places: &[Vec<f64>], mut phases: Vec<f64>, mut step: f64) -> (Vec<f64>, f64) {
    let mut best = left(places, &phases);
    while step > 0.004 {
        let mut moved = false;
        for k in 1..phases.len() {
            for sign in [-1.0, 1.0] {
                let old = phases[k];
                phases[k] = old + sign * step;
                let now = left(places, &phases);
                if now < best {
                    best = now;
                    moved = true;
                } else {
                    phases[k] = old;
                }
            }
        }
        if !moved {
            step *= 0.5;
        }
    }
    (phases, best)
}

/// Share of the squared light that c/2 (1 - cos(phase - u)), with the best c and u of each place, leaves; 0 is perfect.
fn left(places: &[Vec<f64>], phases: &[f64]) -> f64 {
    let shapes: Vec<Vec<f64>> = (0..TRIED)
        .map(|t| {
            let u = t as f64 * std::f64::consts::TAU / TRIED as f64;
            phases.iter().map(|p| 1.0 - (p - u).cos()).collect()
        })
        .collect();
    let norms: Vec<f64> = shapes.iter().map(|s| s.iter().map(|v| v * v).sum()).collect();
    let mut sums = [0.0; 2];
    for values in places {
        let all: f64 = values.iter().map(|v| v * v).sum();
        let explained = |t: usize| {
            let dot: f64 = shapes[t].iter().zip(values).map(|(s, v)| s * v).sum();
            dot * dot / norms[t].max(1e-9)
        };
        let (mut best, mut at) = (0.0, 0);
        for t in 0..TRIED {
            let e = explained(t);
            if e > best {
                (best, at) = (e, t);
            }
        }
        // The top of a parabola through the neighbours: the grid is no finer than 6 degrees of 4a.
        let (before, after) = (explained((at + TRIED - 1) % TRIED), explained((at + 1) % TRIED));
        let bend = before - 2.0 * best + after;
        let top = if bend < -1e-12 { best - (before - after).powi(2) / (8.0 * bend) } else { best };
        sums[0] += all - top.min(all);
        sums[1] += all;
    }
    sums[0] / f64::max(sums[1], 1e-12)
}

fn wrapped(phase: f64) -> f64 {
    (phase + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI
}

/// Takes back the angles of names whose numbers only count the photographs.
fn forget_counters(field: &mut Field) {
    let counter = |c: &Crossed| counter_in(&c.shot.relative.file_name()?.to_string_lossy());
    if !are_counted(field.crossed.iter().map(counter)) {
        return;
    }
    for crossed in field.crossed.iter_mut().filter(|c| matches!(c.angle, Angle::Named(_))) {
        crossed.angle = Angle::Unknown;
    }
}

/// Estimates the angles of a field whose pictures stood still and none of whose angles is known; returns what is to be said.
pub(super) fn estimate_angles(field: &mut Field) -> Option<String> {
    forget_counters(field);
    let open = |a: Angle| matches!(a, Angle::Unknown | Angle::Estimated(..));
    if field.crossed.len() < 3 || !field.crossed.iter().all(|c| open(c.angle)) {
        return None;
    }
    if field.crossed.iter().all(|c| c.angle != Angle::Unknown) {
        return None;
    }
    let plane = field.plane.as_ref()?;
    let exposed = |shot: &Shot| {
        let mut photograph = shot.sketch.photograph().clone();
        photograph.record.exposure = shot.exposure;
        photograph
    };
    let photographs = FieldPhotographs {
        plane: exposed(plane),
        crossed: field.crossed.iter().map(|c| exposed(&c.shot)).collect(),
        blank: None,
    };
    let plan = FieldPlan {
        name: field.name.clone(),
        centre_mm: None,
        plane: PathBuf::new(),
        crossed: Vec::new(),
        blank: None,
    };
    let stack = FieldStack::register(&plan, photographs, None, Turned::Polars).ok()?;
    match from_light(&stack) {
        FoundAngles::Told(angles) => {
            for (crossed, (deg, u)) in field.crossed.iter_mut().zip(&angles) {
                crossed.angle = Angle::Estimated(*deg, *u);
            }
            let list: Vec<String> = angles.iter().map(|(deg, _)| format!("{deg:.0}°")).collect();
            let u = angles.iter().map(|a| a.1).fold(0.0, f64::max);
            Some(format!(
                "field {}: the polars stood at {} by the light of the grains (give or take {:.1}°; which way round is not known)",
                field.name,
                list.join(", "),
                2.0 * u
            ))
        }
        FoundAngles::Unknown(why) => {
            // What was estimated before the newest photograph came still holds without it.
            Some(format!("field {}: the angles are not known: {why}", field.name))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light of grains with any c and a at known angles, with noise.
    fn grains(angles_deg: &[f64], noise: f64) -> Vec<Vec<f64>> {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        (0..800)
            .map(|_| {
                let (c, a) = (rng.random_range(0.05..0.5), rng.random_range(0.0..std::f64::consts::TAU));
                let light = |deg: &f64| 0.5 * c * (1.0 - (4.0 * deg.to_radians() - a).cos());
                angles_deg.iter().map(|d| light(d) + noise * rng.random_range(-1.0..1.0)).collect()
            })
            .collect()
    }

    #[test]
    fn computed_grains_give_their_angles_back() {
        for angles in [
            vec![0.0, 22.5, 45.0, 67.5],
            vec![0.0, 17.0, 39.0],
            vec![0.0, 30.0, 60.0],
            vec![0.0, 10.0, 25.0, 50.0, 80.0],
        ] {
            let (phases, unexplained) = fit(&grains(&angles, 0.004), angles.len());
            assert!(unexplained < 0.01, "{unexplained}");
            // The sense is not known: the second lies in 0..45.
            let mirrored = angles[1] > 45.0;
            for (phase, angle) in phases.iter().zip(&angles) {
                let wanted = 4.0 * angle.to_radians() * if mirrored { -1.0 } else { 1.0 };
                let off = wrapped(phase - wanted).to_degrees() / 4.0;
                assert!(off.abs() < 0.6, "{angles:?}: off by {off:.2}");
            }
        }
    }

    #[test]
    fn light_that_no_turn_explains_is_seen_to_be_so() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let chance: Vec<Vec<f64>> = (0..800).map(|_| (0..4).map(|_| rng.random_range(0.0..0.3)).collect()).collect();
        assert!(fit(&chance, 4).1 > UNEXPLAINED);
    }
}
