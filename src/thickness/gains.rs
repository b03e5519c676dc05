//! Channel gains between the grains' colours and a path: exposure, white balance, and how well each is known.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::thickness::departure::{self, Departure, DeparturePrior};

use crate::thickness::grain::Grain;
use crate::thickness::nearest::GainedPath;
use crate::thickness::path::{ColourPath, grid};

/// What is known beforehand of the log gains of R, G and B.
#[derive(Clone, Copy, Debug)]
pub(crate) struct GainPrior {
    /// Standard uncertainty of the gain that all channels share (exposure).
    pub(crate) common_u: f64,
    /// Scale of the channels' departures from their common gain (white balance).
    pub(crate) channel_u: f64,
    /// The departures have long tails: nearly always none, now and then per cents.
    pub(crate) long_tails: bool,
    /// Lamps are taken as they are.
    pub(crate) rigid: bool,
}

/// How probable it is that a recorded exposure does not tell how bright crossed light is, since the analyser keeps back some of the light
/// that plane light was photographed without it, and by how much then, log units (house values). A sheet of dichroic film passes 0.44 to
/// 0.9 of light that vibrates along it (twice the single transmittance of common grades, 22 to 42 %, and some loss at its faces;
/// Shurcliff, Polarized Light, 1962, from memory).
const BEHIND_ANALYSER: f64 = 0.5;
const BEHIND_ANALYSER_U: f64 = 0.4;

/// Gains and departure together.
const ALL: usize = 3 + departure::COUNT;

impl GainPrior {
    /// EXIF gives shutter times as labels (1/60 for 1/64): up to some 3 %. A white balance that is kept cancels between plane
    /// and crossed light; one that was not shows as a few per cent.
    pub(crate) const EXIF: Self = Self { common_u: 0.025, channel_u: 0.006, long_tails: true, rigid: false };
    /// Nothing known of exposure.
    pub(crate) const NO_EXIF: Self = Self { common_u: 3.0, ..Self::EXIF };

    /// The same where the camera balanced white by itself.
    pub(crate) fn auto_white_balance(self) -> Self {
        Self { common_u: self.common_u.max(0.1), channel_u: 0.4, long_tails: false, ..self }
    }

    /// What is left to know when the photographs' record is wrong: of exposure, then of white balance too.
    pub(crate) fn disbelieved(self) -> Vec<Self> {
        let exposure = (self.common_u < 1.0).then_some(Self { common_u: Self::NO_EXIF.common_u, ..self });
        let both = self.long_tails.then_some(Self::NO_EXIF.auto_white_balance());
        exposure.into_iter().chain(both).collect()
    }

    /// The same where lamps are taken as they are.
    pub(crate) fn rigid(self) -> Self {
        Self { rigid: true, ..self }
    }

    /// Information on the log gains at `log`, and twice the negative log prior there.
    fn at(self, log: &Vector3<f64>) -> (Matrix3<f64>, f64) {
        let mean = log.mean();
        let apart = log.add_scalar(-mean).norm_squared();
        let scale = self.channel_u * self.channel_u;
        // Multivariate t with one degree of freedom in the two directions of white balance.
        let (precision, cost) = if self.long_tails {
            (3.0 / (scale + apart), 3.0 * (1.0 + apart / scale).ln())
        } else {
            (1.0 / scale, apart / scale)
        };
        // The mean of three channels varies by common_u, so its share of the information is a ninth in every element.
        let mean_of = Matrix3::from_element(1.0 / 3.0);
        let (common, exposure) = self.common(mean);
        let information = mean_of * (common / 3.0) + (Matrix3::identity() - mean_of) * precision;
        (information, cost + exposure)
    }

    /// Precision of the gain that all channels share, and twice the negative log prior, at this gain: a recorded exposure is as good as its
    /// label, or an analyser lies between.
    fn common(self, log: f64) -> (f64, f64) {
        let labelled = self.common_u;
        if labelled >= BEHIND_ANALYSER_U {
            return (1.0 / labelled.powi(2), (log / labelled).powi(2));
        }
        let normal = |u: f64, at: f64| (-0.5 * (at / u).powi(2)).exp() / u;
        let both =
            |at| [(1.0 - BEHIND_ANALYSER) * normal(labelled, at), BEHIND_ANALYSER * normal(BEHIND_ANALYSER_U, at)];
        let [by_label, behind] = both(log);
        let all = by_label + behind;
        let precision = (by_label / labelled.powi(2) + behind / BEHIND_ANALYSER_U.powi(2)) / all;
        (precision, -2.0 * (all / both(0.0).iter().sum::<f64>()).ln())
    }
}

/// Gains fitted to one path.
#[derive(Clone, Debug)]
pub(crate) struct Gains {
    /// Natural logs of the gains of R, G, B.
    pub(crate) log: Vector3<f64>,
    /// How the camera departs from the one that the path was computed for.
    pub(crate) departure: Departure,
    /// Covariance of both.
    pub(crate) covariance: SMatrix<f64, ALL, ALL>,
    /// Twice the negative log posterior, up to a constant common to all paths.
    pub(crate) cost: f64,
    /// Median distance of the grains from the path, standard deviations (three channels, one parameter: about 1.2 expected).
    pub(crate) misfit: f64,
}

impl Gains {
    /// As factors.
    pub(crate) fn factors(&self) -> [f64; 3] {
        self.log.map(f64::exp).into()
    }

    /// The path as these gains see it, without the gains.
    pub(crate) fn along(&self, path: &ColourPath) -> ColourPath {
        path.seen_by(&self.departure)
    }

    /// Gains and departure moved by a step.
    pub(crate) fn moved(&self, step: &SVector<f64, ALL>) -> Self {
        Self {
            log: self.log + step.fixed_rows::<3>(0),
            departure: self.departure + step.fixed_rows::<{ departure::COUNT }>(3),
            ..self.clone()
        }
    }
}

/// Cauchy scale of the squared distance.
const CAUCHY: f64 = 4.0;
/// Grains that the gains are fitted to, at the most.
const ENOUGH: usize = 240;
/// Channels below this are left out of log residuals.
const FAINT: f64 = 0.012;

/// Fits gains to one path from several starts and keeps the best.
pub(crate) fn fit(grains: &[&Grain], path: &ColourPath, prior: GainPrior, starts: &[Start]) -> Gains {
    starts
        .iter()
        .map(|s| descend(grains, path, prior, *s))
        .min_by(|a, b| a.cost.total_cmp(&b.cost))
        .expect("at least one start")
}

/// Where a fit starts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Start {
    log: Vector3<f64>,
    departure: Departure,
}

impl Gains {
    /// From here on.
    pub(crate) fn as_start(&self) -> Start {
        Start { log: self.log, departure: self.departure }
    }
}

/// Where to start: no gain when exposure is known; else the brightest grains near the brightest colours.
pub(crate) fn starts(grains: &[&Grain], prior: GainPrior) -> Vec<Start> {
    let at = |log: Vector3<f64>| Start { log, departure: Departure::zeros() };
    if prior.common_u < 0.2 && prior.channel_u < 0.1 {
        return vec![at(Vector3::zeros())];
    }
    let mut by_light: Vec<[f64; 3]> = grains.iter().map(|g| g.colour).collect();
    by_light.sort_by(|a, b| a.iter().sum::<f64>().total_cmp(&b.iter().sum::<f64>()));
    let bright = &by_light[by_light.len() * 8 / 10..];
    let mean: [f64; 3] = std::array::from_fn(|c| bright.iter().map(|b| b[c]).sum::<f64>() / bright.len().max(1) as f64);
    let level = (mean.iter().sum::<f64>() / 3.0).max(1e-4).ln();
    let common: Vec<f64> =
        if prior.common_u < 0.2 { vec![0.0] } else { vec![level + 0.05, level + 0.25, level + 0.55] };
    let tints: Vec<[f64; 3]> = if prior.channel_u < 0.1 {
        vec![[0.0; 3]]
    } else {
        // Bright grains white, bluish white, straw.
        [[1.0, 1.0, 1.0], [0.82, 0.95, 1.1], [1.05, 1.0, 0.72]]
            .map(|t: [f64; 3]| std::array::from_fn(|c| (mean[c].max(1e-4)).ln() - level - t[c].ln()))
            .to_vec()
    };
    common.iter().flat_map(|k| tints.iter().map(move |t| at(Vector3::from(*t).add_scalar(*k)))).collect()
}

/// The grains that gains are fitted to: likely quartz, largest first.
pub(crate) fn chosen(grains: &[Grain]) -> Vec<&Grain> {
    let mut chosen: Vec<&Grain> = grains.iter().filter(|g| g.quartz > 0.2).collect();
    chosen.sort_by(|a, b| a.chroma_u.total_cmp(&b.chroma_u));
    chosen.truncate(ENOUGH);
    chosen
}

fn descend(grains: &[&Grain], path: &ColourPath, prior: GainPrior, start: Start) -> Gains {
    let Start { mut log, mut departure } = start;
    let camera =
        if prior.rigid { DeparturePrior::NONE } else { DeparturePrior::of(path.scaling, path.led) }.information();
    let mut here = path.seen_by(&departure);
    let mut before = SMatrix::<f64, ALL, ALL>::identity();
    let mut h = before;
    let mut covariance = before;
    let mut places: Vec<Option<usize>> = vec![None; grains.len()];
    let level_unknown = prior.common_u > 1.0 && grains.iter().all(|g| g.any_brightness);
    for _ in 0..8 {
        if level_unknown {
            log = log.add_scalar(level(grains, &here, log.map(f64::exp).into()));
        }
        let factors: [f64; 3] = log.map(f64::exp).into();
        let gained = GainedPath::new(&here, factors);
        let of_log = prior.at(&log).0;
        h = SMatrix::zeros();
        h.fixed_view_mut::<3, 3>(0, 0).copy_from(&of_log);
        h.fixed_view_mut::<{ departure::COUNT }, { departure::COUNT }>(3, 3).copy_from(&camera);
        before = h;
        let mut b = SVector::<f64, ALL>::zeros();
        b.fixed_rows_mut::<3>(0).copy_from(&-(of_log * log));
        b.fixed_rows_mut::<{ departure::COUNT }>(3).copy_from(&-(camera * departure));
        for (grain, place) in grains.iter().zip(&mut places) {
            let (i, distance) = gained.nearest(grain, *place);
            *place = Some(i);
            if let Some(p) = pull(grain, &here, factors, i, distance) {
                if prior.rigid {
                    let mut view = h.fixed_view_mut::<3, 3>(0, 0);
                    view += p.information;
                    let mut view = b.fixed_rows_mut::<3>(0);
                    view += p.information * p.residual;
                } else {
                    let mj = p.information * p.slopes;
                    h += p.slopes.transpose() * mj;
                    b += mj.transpose() * p.residual;
                }
            }
        }
        covariance = h.try_inverse().unwrap_or(covariance);
        let step = covariance * b;
        let step = step * (0.5 / step.norm()).min(1.0);
        log += step.fixed_rows::<3>(0);
        if !prior.rigid {
            departure += step.fixed_rows::<{ departure::COUNT }>(3);
            here = path.seen_by(&departure);
        }
        if step.norm() < 5e-4 {
            break;
        }
    }
    let gained = GainedPath::new(&here, log.map(f64::exp).into());
    let mut distances: Vec<f64> = grains.iter().zip(&places).map(|(g, place)| gained.nearest(g, *place).1).collect();
    let own_cost: f64 = grains.iter().zip(&distances).map(|(g, d)| g.quartz * CAUCHY * (1.0 + d / CAUCHY).ln()).sum();
    // Laplace: a camera that may be anything explains more, and is the less probable for it.
    let freedom = log_determinant(&h) - log_determinant(&before);
    let cost = own_cost + prior.at(&log).1 + departure.dot(&(camera * departure)) + freedom - 2.0 * path.prior.ln();
    distances.sort_by(f64::total_cmp);
    let misfit = distances.get(distances.len() / 2).copied().unwrap_or(f64::INFINITY).sqrt();
    Gains { log, departure, covariance, cost, misfit }
}

/// Logarithm of the determinant of a positive definite matrix.
fn log_determinant(m: &SMatrix<f64, ALL, ALL>) -> f64 {
    m.cholesky().map_or(0.0, |c| 2.0 * c.l_dirty().diagonal().map(f64::ln).sum())
}

/// Log gain that brings the brightest tenth of grains seen at one angle to where sin² of a random azimuth has it: 0.976.
fn level(grains: &[&Grain], path: &ColourPath, gains: [f64; 3]) -> f64 {
    let gained = GainedPath::new(path, gains);
    let mut bright: Vec<f64> = grains.iter().map(|g| gained.fit(g, gained.nearest(g, None).0).brightness).collect();
    bright.sort_by(f64::total_cmp);
    bright.get(bright.len() * 9 / 10).map_or(0.0, |b| (b / 0.976).ln())
}

/// What one grain says of the log gains.
struct Pull {
    /// With the path's own direction taken out.
    information: Matrix3<f64>,
    /// Log of colour over path.
    residual: Vector3<f64>,
    /// How the logs of the colour change with the gains and the camera's departure.
    slopes: SMatrix<f64, 3, ALL>,
}

fn pull(grain: &Grain, path: &ColourPath, gains: [f64; 3], i: usize, distance: f64) -> Option<Pull> {
    if !(2..grid::COUNT - 2).contains(&i) {
        return None;
    }
    let here = path.colours[i];
    let mut covariance = Matrix3::from_element(if grain.any_brightness { 9.0 } else { grain.brightness_u.powi(2) });
    let mut residual = Vector3::zeros();
    let mut tangent = Vector3::zeros();
    for c in 0..3 {
        if grain.colour[c] < FAINT || here[c] < FAINT {
            covariance[(c, c)] += 1e3;
            continue;
        }
        covariance[(c, c)] += grain.chroma_u.powi(2) + (grain.floor_u / grain.colour[c]).powi(2);
        residual[c] = (grain.colour[c] / (here[c] * gains[c])).ln();
        tangent[c] = (path.colours[i + 2][c].max(1e-4) / path.colours[i - 2][c].max(1e-4)).ln();
    }
    // Of a path that is stored vividly this is near enough to find the way: the camera's departure comes before.
    let mut slopes = SMatrix::<f64, 3, ALL>::zeros();
    for c in 0..3 {
        slopes[(c, c)] = 1.0;
        slopes[(c, 3 + c)] = tangent[c] / (4.0 * grid::STEP);
        for other in [(c + 1) % 3, (c + 2) % 3] {
            slopes[(c, 3 + departure::mixing(c, other))] = (here[other] - here[c]) / here[c].max(FAINT);
        }
    }
    let m = covariance.try_inverse()?;
    let mt = m * tangent;
    let along = tangent.dot(&mt);
    let across = m - mt * mt.transpose() / (along + 1e-9);
    Some(Pull { information: across * (grain.quartz / (1.0 + distance / CAUCHY)), residual, slopes })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::observer::WhiteScaling;
    use crate::thickness::path::PATHS;

    /// What pulls the gains back is the slope of what they cost.
    #[test]
    fn information_times_gains_is_half_the_slope_of_the_cost() {
        let near = Vector3::new(0.031, -0.012, 0.008);
        let priors = [GainPrior::EXIF, GainPrior::NO_EXIF, GainPrior::EXIF.auto_white_balance()];
        // As recorded, where the label and the analyser are as likely, and where it can only be the analyser.
        let shifts = [0.0, -0.06, -0.4];
        for (prior, log) in priors.iter().flat_map(|p| shifts.map(|shift| (p, near.add_scalar(shift)))) {
            let pull = prior.at(&log).0 * log;
            for k in 0..3 {
                let step = 1e-6;
                let moved = |sign: f64| {
                    let mut at = log;
                    at[k] += sign * step;
                    prior.at(&at).1
                };
                let slope = (moved(1.0) - moved(-1.0)) / (4.0 * step);
                assert!(
                    (pull[k] - slope).abs() < 1e-4 * (1.0 + slope.abs()),
                    "{prior:?}, channel {k}: {} {slope}",
                    pull[k]
                );
            }
        }
    }

    #[test]
    fn a_recorded_exposure_is_as_good_as_its_label_and_an_analyser_may_lie_between() {
        let cost = |log| GainPrior::EXIF.common(log).1;
        // Within what labels leave, as sharp as they are.
        assert!((cost(0.025) - 1.0).abs() < 0.1, "{}", cost(0.025));
        // An analyser that passes two thirds, or half, is a few times less probable, not beyond belief.
        for passed in [0.66_f64, 0.5] {
            assert!((4.0..10.0).contains(&cost(passed.ln())), "{passed}: {}", cost(passed.ln()));
        }
        assert!(GainPrior::EXIF.common(-0.4).0 < 10.0, "there the label pulls no more");
    }

    /// How a colour changes with the camera's departure, against differences of the path itself.
    #[test]
    fn slopes_are_those_of_the_departed_path() {
        let path = PATHS.iter().find(|p| p.scaling == WhiteScaling::DyedSensor).expect("in the family");
        let i = grid::point(280.0) as usize;
        let grain = Grain { brightness_u: 0.01, quartz: 1.0, ..Grain::coloured(path.colours[i]) };
        let slopes = pull(&grain, path, [1.0; 3], i, 0.0).expect("inside the path").slopes;
        for k in 0..departure::COUNT {
            let mut step = Departure::zeros();
            step[k] = 1e-4;
            let (more, less) = (path.seen_by(&step), path.seen_by(&-step));
            for c in 0..3 {
                let expected = (more.colours[i][c] / less.colours[i][c]).ln() / 2e-4;
                let slope = slopes[(c, 3 + k)];
                assert!((slope - expected).abs() < 0.02 * (1.0 + expected.abs()), "{k}, {c}: {slope} {expected}");
            }
        }
    }
}
