//! Circles out of focus: where a blurred edge lies, and how round it is.

use super::circle::{Circle, Ray, Unrolled, edge_reach, summit};
use crate::section::oval::Departure;
use crate::section::shape::fit_circle;

/// Blur of an edge, share of the radius and pixels, from which single samples do not tell well where it lies.
const SOFT: f64 = 0.05;
/// See [`SOFT`].
const SOFT_PX: f64 = 1.5;
/// Slack of the pass over a blurred edge.
const SOFT_SLACK: f64 = 0.18;

/// A circle out of focus and how its edge departs from it, by means over as much of its edge as is blurred; None where it is
/// sharp, or no rounder by them.
///
/// Along a blurred edge light rises by little from sample to sample, and specks and noise move its steepest place.
///
/// `around` is the light round the circle out to its [`edge_reach`].
pub(super) fn settle(circle: Circle, around: &Unrolled, roughness: f64) -> Option<(Circle, Departure)> {
    let Circle { x, y, radius } = circle;
    let (rays, step) = (around.rays(edge_reach(radius)), around.step);
    let blur = blur(&rays, step, radius)?;
    if blur < (SOFT * radius).max(SOFT_PX) {
        return None;
    }
    let reach = ((blur / step).round() as usize).max(2);
    let from = ((1.0 - SOFT_SLACK) * radius / step) as usize;
    let to = ((1.0 + SOFT_SLACK) * radius / step) as usize;
    let edge: Vec<[f64; 2]> = rays
        .iter()
        .filter_map(|ray| {
            // No light is asked for beyond these.
            let asked = ray.light.len().min(to + reach + 2);
            let begin = from.saturating_sub(reach + 1).min(asked);
            let light: Vec<f32> = ray.light[begin..asked].iter().map(|v| v.exp()).collect();
            let mean = |part: &[f32]| part.iter().sum::<f32>() / part.len() as f32;
            let step_at = |i: usize| -> f32 {
                if i < reach || i + reach >= ray.light.len() {
                    return f32::NAN;
                }
                let i = i - begin;
                mean(&light[i + 1..=i + reach]) - mean(&light[i - reach..i])
            };
            let steps: Vec<(usize, f32)> =
                (from..=to).map(|i| (i, step_at(i))).filter(|(_, step)| !step.is_nan()).collect();
            let (at, most) = steps.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
            let r = (at as f64 + summit([step_at(at - 1), most, step_at(at + 1)])) * step;
            (most > 0.0).then_some([x + r * ray.cos, y + r * ray.sin])
        })
        .collect();
    if edge.len() < rays.len() / 2 {
        return None;
    }
    let [cx, cy, r, _] = fit_circle(&edge, (0.05 * radius).max(0.7))?;
    if (cx - x).hypot(cy - y) > 0.2 * radius || !(0.85..1.15).contains(&(r / radius)) {
        return None;
    }
    let circle = Circle { x: cx, y: cy, radius: r };
    let by_means = Departure::of(&edge, [cx, cy], r);
    (by_means.roughness < roughness).then_some((circle, by_means))
}

/// Standard deviation of the blur of the outer edge, pixels, from the mean light at each radius.
///
/// A step under a Gaussian rises from a fifth to four fifths within 1.68 standard deviations (normal distribution: 2 x 0.8416).
fn blur(rays: &[Ray<'_>], step: f64, radius: f64) -> Option<f64> {
    let index = |share: f64| (share * radius / step) as usize;
    let count = rays.first()?.light.len().min(index(1.4) + 1);
    // Nothing is asked within the rim.
    let inner = index(0.6).min(count);
    let mut profile = vec![0.0_f32; count];
    let mut seen = vec![0.0_f32; count];
    for ray in rays {
        for ((sum, seen), v) in profile.iter_mut().zip(&mut seen).zip(ray.light).skip(inner) {
            if !v.is_nan() {
                *sum += v.exp();
                *seen += 1.0;
            }
        }
    }
    profile.iter_mut().zip(&seen).for_each(|(sum, seen)| *sum /= seen.max(1.0));
    let least = (inner..index(1.0).min(count)).min_by(|a, b| profile[*a].total_cmp(&profile[*b]))?;
    let most = profile[least..].iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let crossing = |share: f32| {
        let level = profile[least] + share * (most - profile[least]);
        (least..count).find(|i| profile[*i] >= level)
    };
    Some((crossing(0.8)? - crossing(0.2)?) as f64 * step / 1.68)
}
