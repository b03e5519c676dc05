//! Beyond the first order colours repeat: separate answers are kept apart, never averaged.

use crate::thickness::path::grid;
use crate::thickness::surface;

/// One connected range of thickness that the evidence allows.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Answer {
    /// Probability.
    pub(crate) probability: f64,
    /// Mean thickness, µm.
    pub(crate) thickness_um: f64,
    /// Grid points, first and last.
    pub(crate) points: (usize, usize),
}

/// Probability per grid point, over the greatest, below which thickness counts as excluded.
const EXCLUDED: f64 = 1e-3;
/// Excluded width that separates two answers, in log thickness: less is one answer with shoulders.
const APART: f64 = 0.12;
/// Answers less probable than this are not worth a word.
const FAINT: f64 = 0.01;
/// Probability from which on one answer is the one that the evidence carries.
pub(crate) const CARRIED: f64 = 0.95;

/// The separate answers of a posterior over the thickness grid, most probable first.
pub(crate) fn answers(posterior: &[f64]) -> Vec<Answer> {
    let most = posterior.iter().copied().fold(0.0, f64::max);
    let gap = (APART / grid::STEP) as usize;
    let mut ranges: Vec<(usize, usize)> = Vec::new();
    for (i, _) in posterior.iter().enumerate().filter(|(_, p)| **p > EXCLUDED * most) {
        match ranges.last_mut() {
            Some((_, last)) if i - *last <= gap => *last = i,
            _ => ranges.push((i, i)),
        }
    }
    let total: f64 = posterior.iter().sum();
    let mut answers: Vec<Answer> = ranges
        .into_iter()
        .map(|points| {
            let within = || posterior.iter().enumerate().take(points.1 + 1).skip(points.0);
            let mass: f64 = within().map(|(_, p)| p).sum();
            let mean = within().map(|(i, p)| p * surface::thickness_um(i as f64)).sum::<f64>() / mass;
            Answer { probability: mass / total, thickness_um: mean, points }
        })
        .filter(|a| a.probability > FAINT)
        .collect();
    answers.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    answers
}

/// The posterior within one answer alone.
pub(crate) fn within(posterior: &[f64], answer: &Answer) -> Vec<f64> {
    let inside = answer.points.0..=answer.points.1;
    let total: f64 = posterior[inside.clone()].iter().sum();
    posterior.iter().enumerate().map(|(i, p)| if inside.contains(&i) { p / total } else { 0.0 }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Normal distributions in log thickness: centre µm, width, mass.
    fn posterior(parts: &[(f64, f64, f64)]) -> Vec<f64> {
        let at = |i: usize| {
            parts
                .iter()
                .map(|(um, u, mass)| {
                    let z = (i as f64 - surface::point(*um)) * grid::STEP / u;
                    mass / u * (-0.5 * z * z).exp()
                })
                .sum::<f64>()
        };
        let all: Vec<f64> = (0..grid::COUNT).map(at).collect();
        let total: f64 = all.iter().sum();
        all.iter().map(|p| p / total).collect()
    }

    #[test]
    fn two_orders_are_two_answers_and_a_shoulder_is_none() {
        let two = answers(&posterior(&[(31.0, 0.01, 0.7), (67.0, 0.01, 0.3)]));
        assert_eq!(two.len(), 2);
        assert!((two[0].thickness_um - 31.0).abs() < 0.1 && (two[0].probability - 0.7).abs() < 0.01, "{two:?}");
        assert!((two[1].thickness_um - 67.0).abs() < 0.2, "{two:?}");
        assert_eq!(answers(&posterior(&[(31.0, 0.01, 0.7), (32.5, 0.01, 0.3)])).len(), 1);
    }

    #[test]
    fn one_answer_alone_keeps_its_own_mean() {
        let p = posterior(&[(31.0, 0.01, 0.7), (67.0, 0.01, 0.3)]);
        let draws = surface::draw_common(&within(&p, &answers(&p)[0]));
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        assert!((mean - 31.0).abs() < 0.1, "{mean}");
        assert!(draws.iter().all(|d| *d < 40.0), "nothing of the other order is left");
    }
}
