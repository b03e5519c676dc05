//! Equally likely surfaces of the section: thickness at its centre and the gradient across it.

use std::ops::IndexMut;

use nalgebra::{Matrix3, Vector3};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::optics::quartz;
use crate::thickness::SurfaceDraw;
use crate::thickness::component::Component;
use crate::thickness::grain::Grain;
use crate::thickness::path::grid;
use crate::units::Micrometres;

/// Number of draws.
pub(crate) const DRAWS: usize = 2000;
const SEED: u64 = 0x7468_696e;

/// Thickness whose largest retardation lies at a (fractional) grid point, µm.
pub(crate) fn thickness_um(point: f64) -> f64 {
    grid::nm(point) / quartz::largest_retardation(Micrometres::from_um(1.0)).nm()
}

/// Fractional grid point of a thickness, µm.
pub(crate) fn point(thickness_um: f64) -> f64 {
    grid::point(thickness_um.max(1e-3) * quartz::largest_retardation(Micrometres::from_um(1.0)).nm())
}

/// Thinnest and thickest section that is looked for, µm: a section in use, and the end of what colours tell apart.
pub(crate) const RANGE_UM: (f64, f64) = (8.0, 110.0);

/// Log posterior of one common thickness over the grid, mixed over components, even in log thickness; normalised to sum 1.
pub(crate) fn common_posterior(components: &[Component], of: impl Fn(usize) -> bool) -> Vec<f64> {
    let (from, to) = (point(RANGE_UM.0).round() as usize, point(RANGE_UM.1).round() as usize);
    let logs: Vec<(f64, Vec<f64>)> = components.iter().map(|c| (c.log_weight, c.common(&of))).collect();
    let mut posterior = vec![0.0; grid::COUNT];
    for (weight, log) in &logs {
        let most = log[from..=to].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = log[from..=to].iter().map(|l| (l - most).exp()).sum();
        for i in from..=to {
            posterior[i] += (log[i] - most).exp() / total * weight.exp();
        }
    }
    let total: f64 = posterior.iter().sum();
    posterior.iter_mut().for_each(|p| *p /= total);
    posterior
}

/// Parts that a step of the grid is cut into for draws.
const PARTS: usize = 8;
/// Steps of the logarithm above which it is taken along straight lines.
const STEEP: f64 = 12.0;

/// Draws of one common thickness, µm, from a posterior over the grid (stratified, so that quantiles are smooth).
///
/// A posterior may be as narrow as a step of the grid: between its points it is taken along the parabola of its logarithm.
pub(crate) fn draw_common(posterior: &[f64]) -> Vec<f64> {
    let fine = between(posterior);
    let mut out = Vec::with_capacity(DRAWS);
    let (mut i, mut below) = (0, 0.0);
    for k in 0..DRAWS {
        let p = (k as f64 + 0.5) / DRAWS as f64;
        while i + 1 < fine.len() && below + fine[i] < p {
            below += fine[i];
            i += 1;
        }
        let within = ((p - below) / fine[i].max(1e-300)).clamp(0.0, 1.0);
        out.push(thickness_um((i as f64 + within) / PARTS as f64 - 0.5));
    }
    out
}

/// The posterior in [`PARTS`] parts of each step; sums to 1.
fn between(posterior: &[f64]) -> Vec<f64> {
    let log = |i: usize| posterior[i].max(1e-300).ln();
    let last = posterior.len() - 1;
    let mut fine: Vec<f64> = (0..=last)
        .flat_map(|i| {
            let (before, here, after) = (log(i.saturating_sub(1)), log(i), log((i + 1).min(last)));
            let (left, right) = (here - before, after - here);
            let smooth = left.abs().max(right.abs()) < STEEP;
            (0..PARTS).map(move |k| {
                let x = (k as f64 + 0.5) / PARTS as f64 - 0.5;
                let straight = if x < 0.0 { left } else { right } * x;
                let log = if smooth { 0.5 * (left + right) * x + 0.5 * (right - left) * x * x } else { straight };
                posterior[i] * log.exp()
            })
        })
        .collect();
    let total: f64 = fine.iter().sum();
    fine.iter_mut().for_each(|p| *p /= total);
    fine
}

/// Uphill by a shrinking pattern, a coefficient at a time, until the first one's step is 0.01 or less.
pub(crate) fn uphill<P: Clone + IndexMut<usize, Output = f64>>(
    log: impl Fn(&P) -> f64,
    mut best: (f64, P),
    steps: &mut [f64],
) -> (f64, P) {
    while steps[0] > 0.01 {
        let mut moved = false;
        for (k, step) in steps.iter().enumerate() {
            for sign in [-1.0, 1.0] {
                let mut p = best.1.clone();
                p[k] += sign * step;
                let l = log(&p);
                if l > best.0 {
                    best = (l, p);
                    moved = true;
                }
            }
        }
        if !moved {
            steps.iter_mut().for_each(|s| *s *= 0.5);
        }
    }
    best
}

/// A tilted plane through all grains under one explanation.
struct Plane<'a> {
    component: &'a Component,
    at: Vec<[f64; 2]>,
}

impl Plane<'_> {
    /// Log posterior at centre thickness (µm) and gradient (µm/mm).
    fn log(&self, p: &Vector3<f64>) -> f64 {
        let mut sum = -0.5 * (p.y * p.y + p.z * p.z) / (0.5_f64 * 0.5);
        for (i, at) in self.at.iter().enumerate() {
            let d = p.x + p.y * at[0] + p.z * at[1];
            if d < RANGE_UM.0 || d > RANGE_UM.1 {
                return f64::NEG_INFINITY;
            }
            sum += self.component.log_probability(i, d);
        }
        sum
    }

    /// Best plane: coarse slopes first, then a shrinking pattern search. Where the section is tilted, the one thickness that fits all
    /// of it best may be some per cent from its centre's.
    fn best(&self, centre: f64) -> Vector3<f64> {
        let mut best = (f64::NEG_INFINITY, Vector3::new(centre, 0.0, 0.0));
        for gx in -4..=4 {
            for gy in -4..=4 {
                for dc in -8..=8 {
                    let p =
                        Vector3::new(centre * (1.0 + 0.01 * f64::from(dc)), 0.06 * f64::from(gx), 0.06 * f64::from(gy));
                    let l = self.log(&p);
                    if l > best.0 {
                        best = (l, p);
                    }
                }
            }
        }
        best = uphill(|p| self.log(p), best, &mut [0.4, 0.03, 0.03]);
        best.1
    }

    /// Covariance from how fast the posterior falls around its best, on the scale of a few standard deviations.
    fn covariance(&self, best: &Vector3<f64>) -> Matrix3<f64> {
        let top = self.log(best);
        let mut h = Vector3::new(0.1, 0.01, 0.01);
        for k in 0..3 {
            for _ in 0..12 {
                let (mut a, mut b) = (*best, *best);
                a[k] += h[k];
                b[k] -= h[k];
                let drop = top - 0.5 * (self.log(&a) + self.log(&b));
                if drop > 1.0 {
                    h[k] *= 0.6;
                } else if drop < 0.15 {
                    h[k] *= 1.7;
                }
            }
        }
        let at = |d: Vector3<f64>| self.log(&(best + d));
        let unit = |k: usize| Vector3::from_fn(|i, _| if i == k { h[k] } else { 0.0 });
        let hessian = Matrix3::from_fn(|i, j| {
            if i == j {
                (2.0 * top - at(unit(i)) - at(-unit(i))).max(0.02) / (h[i] * h[i])
            } else {
                -(at(unit(i) + unit(j)) - at(unit(i) - unit(j)) - at(unit(j) - unit(i)) + at(-unit(i) - unit(j)))
                    / (4.0 * h[i] * h[j])
            }
        });
        hessian
            .try_inverse()
            .filter(|c| c.cholesky().is_some())
            .unwrap_or_else(|| Matrix3::from_diagonal(&h.map(|h| h * h)))
    }
}

/// Draws planes through all grains, mixed over components by weight; `centre` is the section's centre, mm.
///
/// Every grain must have a place on the section.
pub(crate) fn draw_planes(
    components: &[Component],
    grains: &[Grain],
    centre: [f64; 2],
    near_um: f64,
) -> Vec<SurfaceDraw> {
    let at: Vec<[f64; 2]> =
        grains.iter().map(|g| g.at_mm.map_or([0.0, 0.0], |p| [p[0] - centre[0], p[1] - centre[1]])).collect();
    let total: f64 = components.iter().map(|c| c.log_weight.exp()).sum();
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut draws = Vec::with_capacity(DRAWS);
    let mut owed = 0.0;
    for component in components {
        owed += DRAWS as f64 * component.log_weight.exp() / total;
        let wanted = (owed.round() as usize).saturating_sub(draws.len());
        if wanted == 0 {
            continue;
        }
        let plane = Plane { component, at: at.clone() };
        let best = plane.best(near_um);
        let root = plane.covariance(&best).cholesky().map_or_else(Matrix3::identity, |c| c.l());
        let mut here = (plane.log(&best), best);
        for _ in 0..wanted {
            for _ in 0..4 {
                let step = root * Vector3::from_fn(|_, _| normal(&mut rng)) * 1.2;
                let p = here.1 + step;
                let l = plane.log(&p);
                if l - here.0 > rng.random::<f64>().ln() {
                    here = (l, p);
                }
            }
            draws.push(SurfaceDraw::plane(here.1.x, [here.1.y, here.1.z]));
        }
    }
    draws
}

/// A standard normal number.
pub(crate) fn normal(rng: &mut impl Rng) -> f64 {
    use rand_distr::{Distribution, StandardNormal};
    StandardNormal.sample(rng)
}

/// The generator that all draws come from.
pub(crate) fn generator() -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(SEED + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A posterior as narrow as a step of the grid keeps its width: steps do not widen it.
    #[test]
    fn draws_of_a_narrow_posterior_have_its_mean_and_width() {
        for (at, sd) in [(700.0, 0.7), (700.3, 0.7), (700.5, 1.2), (699.8, 6.0)] {
            let bell = |i: usize| (-0.5 * ((i as f64 - at) / sd).powi(2)).exp();
            let posterior: Vec<f64> = (0..grid::COUNT).map(bell).collect();
            let total: f64 = posterior.iter().sum();
            let posterior: Vec<f64> = posterior.iter().map(|p| p / total).collect();
            let places: Vec<f64> = draw_common(&posterior).iter().map(|um| point(*um)).collect();
            let mean = places.iter().sum::<f64>() / DRAWS as f64;
            let width = (places.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / DRAWS as f64).sqrt();
            assert!((mean - at).abs() < 0.03, "{mean} for {at}");
            assert!((width / sd - 1.0).abs() < 0.04, "{width} for {sd}");
        }
    }
}
