//! A smooth surface of second order beside the tilted plane, and how much the grains speak for it.
//!
//! Laps dish and plates wear, so sections come out centre-high or with thin edges. Where grains lie at three or more places
//! in each direction, thickness = c + gx x + gy y + xx x² + xy x y + yy y² can be told from a plane. Both forms are drawn,
//! in the proportion of their marginal likelihoods.

use nalgebra::{DMatrix, DVector, Matrix6, Vector6};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution};
use rayon::prelude::*;

use crate::thickness::SurfaceDraw;
use crate::thickness::component::{Component, log_sum};
use crate::thickness::grain::Grain;
use crate::thickness::surface::{DRAWS, RANGE_UM, normal, uphill};

/// Probability that a section is curved before it is looked at (house value: no count was found).
const PRIOR_CURVED: f64 = 0.3;
/// Standard deviation of each second-order term at the edge before it is looked at, µm (house value: a dished plate or a
/// rocking hand makes a few micrometres).
const BEND_UM: f64 = 4.0;
/// Standard deviation of each component of the gradient before it is looked at, µm/mm, as for the plane.
const TILT_UM_PER_MM: f64 = 0.5;
/// Least spread that a second-order term must have over the grains beside all terms before it (half the section = 1): three
/// rows of fields have 0.2, two rows under 0.06.
const TOLD_APART: f64 = 0.12;
/// Fewest fields for a curved surface, unless photographs cover the section.
const FEWEST_FIELDS: usize = 6;
/// Samples that a marginal likelihood is averaged over.
const SAMPLES: usize = 2000;
/// Degrees of freedom of the distribution they are drawn from: tails heavier than the likelihood's.
const TAILS: f64 = 5.0;
const SEED: u64 = 0x626f_7764;

/// Terms of the surface, x and y in halves of the section: 1, x, y, xy, x², y².
const fn terms([u, v]: [f64; 2]) -> [f64; 6] {
    [1.0, u, v, u * v, u * u, v * v]
}

/// The terms made independent over the grains, so that each coefficient is the µm that its term spreads thickness by.
pub(crate) struct Terms {
    half_mm: [f64; 2],
    /// Coefficients of the terms from those of the independent ones.
    back: Matrix6<f64>,
    /// Log volume of the independent second-order coefficients in the terms' own.
    log_volume: f64,
    /// The independent terms at each grain.
    rows: Vec<Vector6<f64>>,
}

impl Terms {
    /// None when the grains' places do not tell a curved surface from a plane. `size`: width and height, mm.
    pub(crate) fn of(grains: &[Grain], fields: usize, covered: bool, centre: [f64; 2], size: [f64; 2]) -> Option<Self> {
        if (fields < FEWEST_FIELDS && !covered) || size.iter().any(|s| *s <= 0.0) {
            return None;
        }
        let half_mm = size.map(|s| s / 2.0);
        let at: Vec<Vector6<f64>> = grains
            .iter()
            .map(|g| {
                let p = g.at_mm?;
                Some(Vector6::from(terms([(p[0] - centre[0]) / half_mm[0], (p[1] - centre[1]) / half_mm[1]])))
            })
            .collect::<Option<_>>()?;
        let weights: Vec<f64> = grains.iter().map(|g| g.weight * g.quartz).collect();
        let total: f64 = weights.iter().sum();
        let gram = at.iter().zip(&weights).fold(Matrix6::zeros(), |sum, (a, w)| sum + a * a.transpose() * (*w / total));
        let lower = gram.cholesky()?.l();
        if (3..6).any(|k| lower[(k, k)] < TOLD_APART) {
            return None;
        }
        let inverse = lower.try_inverse()?;
        Some(Self {
            half_mm,
            back: inverse.transpose(),
            log_volume: -(3..6).map(|k| lower[(k, k)].ln()).sum::<f64>(),
            rows: at.iter().map(|a| inverse * a).collect(),
        })
    }

    fn draw(&self, p: &DVector<f64>) -> SurfaceDraw {
        let mut all = Vector6::zeros();
        all.rows_mut(0, p.len()).copy_from(p);
        let [c, x, y, xy, xx, yy] = (self.back * all).into();
        let [w, h] = self.half_mm;
        SurfaceDraw {
            centre_um: c,
            gradient_um_per_mm: [x / w, y / h],
            curvature_um_per_mm2: if p.len() == 3 { [0.0; 3] } else { [xx / (w * w), xy / (w * h), yy / (h * h)] },
        }
    }
}

/// The section under one explanation and one form: as many coefficients as are looked for (3 a plane, 6 a curved surface).
struct Form<'a> {
    component: &'a Component,
    terms: &'a Terms,
    count: usize,
}

impl Form<'_> {
    /// Log posterior; densities of the plane's coefficients are left out, which both forms share.
    fn log(&self, p: &DVector<f64>) -> f64 {
        let draw = self.terms.draw(p);
        let tilt: f64 = draw.gradient_um_per_mm.iter().map(|g| (g / TILT_UM_PER_MM).powi(2)).sum();
        let mut sum = -0.5 * tilt;
        if self.count > 3 {
            let [w, h] = self.terms.half_mm;
            let bends: f64 = draw
                .curvature_um_per_mm2
                .iter()
                .zip([w * w, w * h, h * h])
                .map(|(c, unit)| (c * unit / BEND_UM).powi(2))
                .sum();
            sum += -0.5 * bends - 3.0 * (BEND_UM * (2.0 * std::f64::consts::PI).sqrt()).ln() + self.terms.log_volume;
        }
        for (i, at) in self.terms.rows.iter().enumerate() {
            let d: f64 = p.iter().zip(at.iter()).map(|(p, a)| p * a).sum();
            if !(RANGE_UM.0..=RANGE_UM.1).contains(&d) {
                return f64::NEG_INFINITY;
            }
            sum += self.component.log_probability(i, d);
        }
        sum
    }

    /// The best surface: the most promising of many starts, each climbed from.
    fn best(&self, starts: Vec<DVector<f64>>) -> (f64, DVector<f64>) {
        let mut starts: Vec<(f64, DVector<f64>)> = starts.into_par_iter().map(|s| (self.log(&s), s)).collect();
        starts.sort_by(|a, b| b.0.total_cmp(&a.0));
        starts.truncate(4);
        let climbed: Vec<_> =
            starts.into_par_iter().map(|s| uphill(|p| self.log(p), s, &mut vec![0.5; self.count])).collect();
        climbed.into_iter().reduce(|a, b| if b.0 > a.0 { b } else { a }).expect("there are starts")
    }

    /// Root of the covariance from how fast the posterior falls around its best.
    fn root(&self, top: f64, best: &DVector<f64>) -> DMatrix<f64> {
        let n = self.count;
        let mut h = vec![0.1; n];
        for (k, h) in h.iter_mut().enumerate() {
            for _ in 0..14 {
                let (mut a, mut b) = (best.clone(), best.clone());
                a[k] += *h;
                b[k] -= *h;
                let drop = top - 0.5 * (self.log(&a) + self.log(&b));
                if drop > 1.0 {
                    *h *= 0.6;
                } else if drop < 0.15 {
                    *h *= 1.7;
                }
            }
        }
        let unit = |k: usize, sign: f64| DVector::from_fn(n, |i, _| if i == k { sign * h[k] } else { 0.0 });
        let at = |d: DVector<f64>| self.log(&(best + d));
        let hessian = DMatrix::from_fn(n, n, |i, j| {
            if i == j {
                (2.0 * top - at(unit(i, 1.0)) - at(unit(i, -1.0))).max(0.02) / (h[i] * h[i])
            } else {
                let mixed = at(unit(i, 1.0) + unit(j, 1.0)) + at(unit(i, -1.0) + unit(j, -1.0))
                    - at(unit(i, 1.0) + unit(j, -1.0))
                    - at(unit(i, -1.0) + unit(j, 1.0));
                -mixed / (4.0 * h[i] * h[j])
            }
        });
        let hessian = 0.5 * (&hessian + hessian.transpose());
        let independent = || DMatrix::from_diagonal(&DVector::from_vec(h.clone()));
        hessian
            .try_inverse()
            .and_then(nalgebra::Cholesky::new)
            .map(|c| c.l())
            .filter(|l| l.iter().all(|v| v.is_finite()))
            .unwrap_or_else(independent)
    }

    /// Log marginal likelihood: the posterior averaged over samples drawn around its best.
    fn evidence(&self, best: &DVector<f64>, root: &DMatrix<f64>, rng: &mut ChaCha8Rng) -> f64 {
        let chi = ChiSquared::new(TAILS).expect("five degrees of freedom");
        let n = self.count as f64;
        let root = root * 1.1;
        let samples: Vec<(f64, DVector<f64>)> = (0..SAMPLES)
            .map(|_| {
                let z = DVector::from_fn(self.count, |_, _| normal(rng));
                let stretch = (TAILS / chi.sample(rng)).sqrt();
                ((z.norm() * stretch).powi(2), best + &root * z * stretch)
            })
            .collect();
        let logs: Vec<f64> = samples
            .par_iter()
            .map(|(distance, p)| self.log(p) + 0.5 * (TAILS + n) * (distance / TAILS).ln_1p())
            .collect();
        let constant = ln_gamma_half(TAILS + n) - ln_gamma_half(TAILS) - 0.5 * n * (TAILS * std::f64::consts::PI).ln();
        let log_root: f64 = root.diagonal().iter().map(|d| d.ln()).sum();
        log_sum(&logs) - (SAMPLES as f64).ln() - constant + log_root
    }
}

/// ln Γ(k/2) for a whole k of 1 or more.
fn ln_gamma_half(k: f64) -> f64 {
    let (mut at, mut sum) = (k / 2.0, 0.0);
    while at > 1.0 {
        at -= 1.0;
        sum += at.ln();
    }
    if at < 0.75 { sum + 0.5 * std::f64::consts::PI.ln() } else { sum }
}

/// Draws of the section, planes and curved surfaces in proportion to their evidence, and the probability that it is curved.
pub(crate) fn draw(components: &[Component], terms: &Terms, near_um: f64) -> (Vec<SurfaceDraw>, f64) {
    let total: f64 = components.iter().map(|c| c.log_weight.exp()).sum();
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut draws: Vec<SurfaceDraw> = Vec::with_capacity(DRAWS);
    let (mut owed, mut owed_curved, mut curved, mut probability) = (0.0, 0.0, 0, 0.0);
    for component in components {
        let share = component.log_weight.exp() / total;
        owed += DRAWS as f64 * share;
        let wanted = (owed.round() as usize).saturating_sub(draws.len());
        if wanted == 0 {
            continue;
        }
        let plane = Form { component, terms, count: 3 };
        let bent = Form { component, terms, count: 6 };
        let tilts = (-4..=4).flat_map(|x| (-4..=4).map(move |y| (0.8 * f64::from(x), 0.8 * f64::from(y))));
        let starts: Vec<DVector<f64>> = tilts
            .flat_map(|(x, y)| {
                (-8..=8).map(move |d| DVector::from_vec(vec![near_um * (1.0 + 0.01 * f64::from(d)), x, y]))
            })
            .collect();
        let level = plane.best(starts);
        let bends = [-3.0, -1.5, -0.5, 0.5, 1.5, 3.0];
        let mut starts: Vec<DVector<f64>> = bends
            .iter()
            .flat_map(|xx| bends.map(|yy| [*xx, yy]))
            .map(|[xx, yy]| DVector::from_vec(vec![level.1[0], level.1[1], level.1[2], 0.0, xx, yy]))
            .collect();
        starts.push(DVector::from_vec(vec![level.1[0], level.1[1], level.1[2], 0.0, 0.0, 0.0]));
        let dome = bent.best(starts);
        let roots = [plane.root(level.0, &level.1), bent.root(dome.0, &dome.1)];
        let odds = bent.evidence(&dome.1, &roots[1], &mut rng) - plane.evidence(&level.1, &roots[0], &mut rng)
            + (PRIOR_CURVED / (1.0 - PRIOR_CURVED)).ln();
        let here = 1.0 / (1.0 + (-odds).exp());
        probability += share * here;
        owed_curved += wanted as f64 * here;
        let of_bent = ((owed_curved - f64::from(curved)).round().max(0.0) as usize).min(wanted);
        curved += of_bent as i32;
        for (form, best, root, count) in
            [(&plane, level, &roots[0], wanted - of_bent), (&bent, dome, &roots[1], of_bent)]
        {
            let stride = 2.0 / (form.count as f64).sqrt();
            let mut at = best;
            for _ in 0..count {
                for _ in 0..2 * form.count {
                    let step = root * DVector::from_fn(form.count, |_, _| normal(&mut rng)) * stride;
                    let p = &at.1 + step;
                    let l = form.log(&p);
                    if l - at.0 > rng.random::<f64>().ln() {
                        at = (l, p);
                    }
                }
                draws.push(terms.draw(&at.1));
            }
        }
    }
    (draws, probability.clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gamma_function_of_halves() {
        // Γ(1/2) = √π, Γ(1) = 1, Γ(5/2) = 3√π/4, Γ(4) = 6, Γ(11/2) = 945√π/32.
        let root = std::f64::consts::PI.sqrt();
        for (k, value) in [(1.0, root), (2.0, 1.0), (5.0, 0.75 * root), (8.0, 6.0), (11.0, 945.0 / 32.0 * root)] {
            assert!((ln_gamma_half(k) - f64::ln(value)).abs() < 1e-12, "{k}");
        }
    }
}
