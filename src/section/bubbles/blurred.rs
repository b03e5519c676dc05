//! Circles out of focus: where a blurred edge lies, and how round it is.

use super::circle::{Circle, Ray, scatter_about, summit, unroll};
use crate::section::plane_light::PlaneLight;
use crate::section::shape::fit_circle;

/// Blur of an edge, share of the radius and pixels, from which single samples do not tell well where it lies.
const SOFT: f64 = 0.05;
/// See [`SOFT`].
const SOFT_PX: f64 = 1.5;
/// Slack of the pass over a blurred edge.
const SOFT_SLACK: f64 = 0.18;

/// A circle out of focus with its roughness (share of the radius), by means over as much of its edge as is blurred; None where it is
/// sharp, or no rounder by them.
///
/// Along a blurred edge light rises by little from sample to sample, and specks and noise move its steepest place.
pub(super) fn settle(light: &PlaneLight, circle: Circle, roughness: f64) -> Option<(Circle, f64)> {
    let Circle { x, y, radius } = circle;
    let (rays, step) = unroll(light, circle, 1.5 * radius + 3.0);
    let blur = blur(&rays, step, radius)?;
    if blur < (SOFT * radius).max(SOFT_PX) {
        return None;
    }
    let reach = ((blur / step).round() as usize).max(2);
    let step_at = |i: usize, ray: &Ray| -> f32 {
        let mean = |part: &[f32]| part.iter().map(|v| v.exp()).sum::<f32>() / part.len() as f32;
        if i < reach || i + reach >= ray.light.len() {
            return f32::NAN;
        }
        mean(&ray.light[i + 1..=i + reach]) - mean(&ray.light[i - reach..i])
    };
    let from = ((1.0 - SOFT_SLACK) * radius / step) as usize;
    let to = ((1.0 + SOFT_SLACK) * radius / step) as usize;
    let edge: Vec<[f64; 2]> = rays
        .iter()
        .filter_map(|ray| {
            let at = (from..=to)
                .filter(|i| !step_at(*i, ray).is_nan())
                .max_by(|a, b| step_at(*a, ray).total_cmp(&step_at(*b, ray)))?;
            let steps = [at - 1, at, at + 1].map(|i| step_at(i, ray));
            let r = (at as f64 + summit(steps)) * step;
            (steps[1] > 0.0).then_some([x + r * ray.cos, y + r * ray.sin])
        })
        .collect();
    if edge.len() < rays.len() / 2 {
        return None;
    }
    let [cx, cy, r, _] = fit_circle(&edge, (0.05 * radius).max(0.7))?;
    if (cx - x).hypot(cy - y) > 0.2 * radius || !(0.85..1.15).contains(&(r / radius)) {
        return None;
    }
    let by_means = scatter_about(&edge, Circle { x: cx, y: cy, radius: r });
    (by_means < roughness).then_some((Circle { x: cx, y: cy, radius: r }, by_means))
}

/// Standard deviation of the blur of the outer edge, pixels, from the mean light at each radius.
///
/// A step under a Gaussian rises from a fifth to four fifths within 1.68 standard deviations (normal distribution: 2 x 0.8416).
fn blur(rays: &[Ray], step: f64, radius: f64) -> Option<f64> {
    let index = |share: f64| (share * radius / step) as usize;
    let count = rays.first()?.light.len().min(index(1.4) + 1);
    let profile: Vec<f32> = (0..count)
        .map(|i| {
            let seen = || rays.iter().map(|r| r.light[i]).filter(|v| !v.is_nan());
            seen().map(f32::exp).sum::<f32>() / (seen().count() as f32).max(1.0)
        })
        .collect();
    let least = (index(0.6)..index(1.0).min(count)).min_by(|a, b| profile[*a].total_cmp(&profile[*b]))?;
    let most = profile[least..].iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let crossing = |share: f32| {
        let level = profile[least] + share * (most - profile[least]);
        (least..count).find(|i| profile[*i] >= level)
    };
    Some((crossing(0.8)? - crossing(0.2)?) as f64 * step / 1.68)
}
