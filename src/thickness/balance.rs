//! Crossed photographs that the camera exposed or balanced one by one, made alike.
//!
//! In light of one scale every crystal's turn is a pure second harmonic: with angles 22.5° apart I(0) + I(45) = I(22.5) + I(67.5).
//! Where each photograph has its own gains no crystal keeps to that, and the gains under which all of them do are those by which the
//! photographs differ. What all of them share stays unknown, and is fitted with the lamp.

use std::borrow::Cow;

use nalgebra::{DMatrix, DVector};

use crate::section::crystals::Crystal;
use crate::section::extinction::AngleDesign;
use crate::thickness::component;
use crate::thickness::gains::{self, GainPrior};
use crate::thickness::grain::{self, FieldCrystals, undone};
use crate::thickness::tone::ToneCurve;

/// Fewest crystals of a field by which its photographs are compared.
const FEWEST: usize = 12;
/// Twice the log odds by which photographs must be likelier with gains of their own. The nine free gains of four photographs give about
/// nine by chance (likelihood ratio, chi-square with nine degrees of freedom; from memory, standard). House value.
const TOLD: f64 = 60.0;
/// The same of gains that differ by channels beside gains that all channels share, from which white was balanced photograph by
/// photograph. House value.
const WHITE_TOLD: f64 = 20.0;
/// Standard uncertainty of the gains by which photographs differ, beforehand.
const GAIN_U: f64 = 0.3;
/// Share of a crystal clipped, or not shown, from which it tells nothing.
const CLIPPED: f64 = 0.02;
/// Coherence under which extinction sweeps through a crystal.
const COHERENT: f64 = 0.9;
/// Amplitude under which a crystal is too dark to tell.
const FAINT: f64 = 0.03;
/// Least scatter that is assumed, share of the amplitude.
const LEAST_SCATTER: f64 = 0.003;
/// The least misfit that is assumed of evened photographs, instead of [`crate::thickness::systematic::LEAST_MISFIT`]: gains that were
/// told from the crystals take up what all of them have wrong in common. House value.
pub(crate) const LEAST_MISFIT: f64 = 0.65;
/// Lamps by which fields are compared.
const LAMPS: usize = 40;

/// Fields whose photographs are of one exposure and white balance, as they were taken or made so.
pub(crate) struct Alike<'a> {
    /// The fields.
    pub(crate) fields: Cow<'a, [FieldCrystals]>,
    /// Names of those whose crossed photographs had to be made alike.
    pub(crate) evened: Vec<String>,
    /// The photographs show that the camera balanced white by itself, or may have: what their gains share is not known.
    pub(crate) automatic: bool,
    /// Gains were told of each field by itself: so many times fewer crystals tell them.
    pub(crate) told_apart: usize,
    /// By what the fields differed, where their colours tell.
    pub(crate) apart: Option<Apart>,
}

/// Makes the crossed photographs of each field alike, and the fields too, where the camera balanced white by itself or nothing says how
/// it exposed.
pub(crate) fn alike(fields: &[FieldCrystals]) -> Alike<'_> {
    let (mut evened, mut told_apart, mut apart, mut automatic) = (Vec::new(), 1, None, false);
    let mut made = Cow::Borrowed(fields);
    for (index, field) in fields.iter().enumerate() {
        let Some(within) = within(field) else { continue };
        // A camera that sets exposure by itself, and records nothing, may have balanced white by itself too.
        automatic |= within.white_differs || (within.balance.is_some() && !field.exposure_known);
        if let Some(balance) = within.balance {
            evened.push(field.name.clone());
            made.to_mut()[index].balance = balance;
        }
    }
    if automatic {
        made.to_mut().iter_mut().for_each(|field| field.auto_white_balance = true);
    }
    let differ = Differ::of(&made);
    if fields.len() > 1
        && let Some(differ) = differ
        && let Some(gains) = between(&made, differ)
    {
        told_apart = fields.len();
        apart = Some(match differ {
            Differ::InWhite => Apart::InWhite,
            Differ::InExposure => {
                let over = |pick: fn(f64, f64) -> f64| gains.iter().map(|g| g[0]).reduce(pick).unwrap_or(1.0);
                Apart::InExposure { times: over(f64::max) / over(f64::min) }
            }
        });
        for (field, gains) in made.to_mut().iter_mut().zip(gains) {
            field.balance.iter_mut().for_each(|b| (0..3).for_each(|c| b[c] *= gains[c]));
        }
    }
    Alike { fields: made, evened, automatic, told_apart, apart }
}

impl Alike<'_> {
    /// What is said of photographs that had to be made alike.
    pub(crate) fn notes(&self) -> Vec<String> {
        let evened = (!self.evened.is_empty()).then(|| {
            let noun = if self.evened.len() == 1 { "field" } else { "fields" };
            let shared = if self.automatic { " What white balance they share is not known, which widens the interval." } else { "" };
            format!(
                "The crossed photographs of {noun} {} were not exposed or white balanced alike; by how the crystals turn bright and dark they \
                 were made alike.{shared} Next time set both by hand and leave them.",
                self.evened.join(", ")
            )
        });
        let apart = self.apart.map(|apart| match apart {
            Apart::InExposure { times } => format!(
                "No exposure is recorded, and by the colours of the grains crossed light was exposed up to {times:.1} times as brightly in one \
                 field as in another; it was made alike by them. Set exposure by hand and leave it, or keep its record (EXIF)."
            ),
            Apart::InWhite => "By the colours of the grains the crossed light of the fields was not white balanced alike, field by field; it was \
                               made alike by them. Set white balance by hand and leave it."
                .into(),
        });
        evened.into_iter().chain(apart).collect()
    }
}

/// By what the crossed light of fields was found to differ beside their thickness, and was made alike.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Apart {
    /// Nothing recorded the exposure, which was up to so many times as bright in one field as in another.
    InExposure {
        /// The brightest field's over the darkest's.
        times: f64,
    },
    /// The camera balanced each field's white by itself.
    InWhite,
}

/// By what the crossed light of fields may differ beside their thickness.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Differ {
    /// Nothing says how it was exposed: a camera that sets exposure by itself sets it for each field.
    InExposure,
    /// The camera balanced white by itself.
    InWhite,
}

impl Differ {
    fn of(fields: &[FieldCrystals]) -> Option<Self> {
        if fields.iter().all(|f| f.auto_white_balance) {
            return Some(Self::InWhite);
        }
        fields.iter().any(|f| !f.exposure_known).then_some(Self::InExposure)
    }
}

/// Factors of R, G, B for each crossed photograph of a field.
struct Evened {
    /// The factors, their means one; None where the photographs are alike.
    balance: Option<Vec<[f64; 3]>>,
    /// White differs between the photographs: the camera balanced each by itself, whatever it recorded.
    white_differs: bool,
}

/// How a field's crossed photographs are made alike; None where it cannot be told.
fn within(field: &FieldCrystals) -> Option<Evened> {
    if !field.crystals.design.over_determined() {
        return None;
    }
    let first = evened(field, ToneCurve::NONE)?;
    // A contrast curve departs from the harmonic too: it is told from what is left, and the gains from what that leaves.
    let Some(balance) = first.balance else { return Some(first) };
    let now = FieldCrystals { balance, ..field.clone() };
    evened(field, ToneCurve::estimate(&[now]))
}

fn evened(field: &FieldCrystals, tone: ToneCurve) -> Option<Evened> {
    let n = field.crystals.design.angles.len();
    let left_over = left_over(&field.crystals.design);
    let whole =
        |c: &&Crystal| c.coherence >= COHERENT && c.clipped.iter().chain(&c.unseen).all(|share| *share <= CLIPPED);
    let of_channel = |channel: usize| -> Option<(Turns<'_>, Factors)> {
        let crystals = field.crystals.crystals.iter().filter(whole);
        let seen: Vec<DVector<f64>> = crystals
            .filter_map(|crystal| {
                let light: Vec<f64> = (0..n).map(|a| undone(field, crystal, tone, a, channel)).collect();
                let terms = field.crystals.design.terms(light.iter().copied());
                let size = terms[1].hypot(terms[2]);
                (size > FAINT).then(|| DVector::from_vec(light) / size)
            })
            .collect();
        let turns = Turns { seen, left_over: &left_over };
        let factors = (turns.seen.len() >= FEWEST).then(|| turns.factors())??;
        Some((turns, factors))
    };
    let channels = (0..3).map(of_channel).collect::<Option<Vec<_>>>()?;
    let weights = channels.iter().map(|(turns, f)| turns.seen.len() as f64 / (f.scale * f.scale));
    let all: f64 = weights.clone().sum();
    let shared = channels.iter().zip(weights).map(|((_, f), w)| &f.of_photographs * (w / all)).sum::<DVector<f64>>();
    // Channels of one crystal share its dirt: a third counts.
    let likelier = |than: &DVector<f64>| -> f64 {
        2.0 / 3.0
            * channels
                .iter()
                .map(|(turns, f)| turns.cost(than, f.scale) - turns.cost(&f.of_photographs, f.scale))
                .sum::<f64>()
    };
    let balance = (0..n).map(|a| std::array::from_fn(|c| channels[c].1.of_photographs[a])).collect();
    let [than_none, than_shared] = [&DVector::from_element(n, 1.0), &shared].map(likelier);
    let white_differs = than_shared > WHITE_TOLD;
    Some(Evened { balance: (than_none > TOLD || white_differs).then_some(balance), white_differs })
}

/// What takes a series of intensities to what the three terms of extinction leave over.
fn left_over(design: &AngleDesign) -> DMatrix<f64> {
    let n = design.angles.len();
    let mut matrix = DMatrix::identity(n, n);
    for a in 0..n {
        let b = design.terms((0..n).map(|i| f64::from(u8::from(i == a))));
        for (row, angle) in design.angles.iter().enumerate() {
            matrix[(row, a)] -= b[0] + b[1] * (4.0 * angle).cos() + b[2] * (4.0 * angle).sin();
        }
    }
    matrix
}

/// Crystals turning bright and dark in one channel.
struct Turns<'a> {
    /// Their intensities over their amplitude, a photograph each.
    seen: Vec<DVector<f64>>,
    /// See [`left_over`].
    left_over: &'a DMatrix<f64>,
}

/// The factors of one channel.
struct Factors {
    /// Of each photograph, their mean one.
    of_photographs: DVector<f64>,
    /// Scatter of the crystals under them, share of their amplitude.
    scale: f64,
}

impl Turns<'_> {
    fn free(&self) -> f64 {
        self.left_over.trace().max(1.0)
    }

    /// What each crystal leaves over under these factors, share of its amplitude.
    fn departures(&self, factors: &DVector<f64>) -> Vec<f64> {
        let with = |y: &DVector<f64>| (self.left_over * y.component_mul(factors)).norm() / self.free().sqrt();
        self.seen.iter().map(with).collect()
    }

    /// Negative log likelihood of factors, up to a constant.
    fn cost(&self, factors: &DVector<f64>, scale: f64) -> f64 {
        self.departures(factors).iter().map(|off| (1.0 + (off / scale).powi(2)).ln()).sum()
    }

    /// The factors under which the crystals leave least over; None where none of a sensible size do.
    fn factors(&self) -> Option<Factors> {
        let n = self.left_over.nrows();
        let mut d = DVector::zeros(n);
        let mut scale = 0.0;
        for _ in 0..12 {
            let off = self.departures(&d.add_scalar(1.0));
            scale = median(&off).max(LEAST_SCATTER);
            let mut normal = DMatrix::from_element(n, n, self.seen.len() as f64);
            let mut right = DVector::zeros(n);
            normal += DMatrix::identity(n, n) * (scale / GAIN_U).powi(2);
            for (y, off) in self.seen.iter().zip(&off) {
                let weight = 1.0 / (1.0 + (off / scale).powi(2));
                let by = self.left_over * DMatrix::from_diagonal(y);
                right -= by.tr_mul(&(self.left_over * y)) * weight;
                normal += by.tr_mul(&by) * weight;
            }
            d = normal.cholesky()?.solve(&right);
        }
        let of_photographs = d.add_scalar(1.0);
        of_photographs.iter().all(|f| (0.3..3.0).contains(f)).then_some(Factors { of_photographs, scale })
    }
}

/// Factors of R, G, B for each field under which one lamp explains all of them; None where they are alike, or it cannot be told.
fn between(fields: &[FieldCrystals], differ: Differ) -> Option<Vec<[f64; 3]>> {
    let known = fields.iter().all(|f| f.exposure_known);
    let prior = if known { GainPrior::EXIF } else { GainPrior::NO_EXIF };
    let prior = if differ == Differ::InWhite { prior.auto_white_balance() } else { prior };
    let grains = grain::gather(fields, ToneCurve::estimate(fields)).grains;
    let of_field =
        |index: usize| -> Vec<grain::Grain> { grains.iter().filter(|g| g.field == index).cloned().collect() };
    let each: Vec<Vec<grain::Grain>> = (0..fields.len()).map(of_field).collect();
    let mut chosen: Vec<Vec<&grain::Grain>> = each.iter().map(|g| gains::chosen(g)).collect();
    let enough: Vec<usize> = (0..fields.len()).filter(|f| chosen[*f].len() >= FEWEST).collect();
    if enough.len() < 2 {
        return None;
    }
    // The same grains are asked of all fields together and of each by itself.
    let asked = (component::COMPARED / enough.len()).max(FEWEST);
    chosen.iter_mut().for_each(|c| c.truncate(asked));
    let all: Vec<&grain::Grain> = enough.iter().flat_map(|f| chosen[*f].iter().copied()).collect();
    let together = component::plain_paths(&all, prior);
    let mut apart: Vec<(f64, Vec<gains::Gains>)> = Vec::new();
    let by_field: Vec<_> = enough.iter().map(|f| component::plain_paths(&chosen[*f], prior)).collect();
    for (path, first) in by_field[0].iter().take(LAMPS) {
        let mut fits = vec![first.clone()];
        for others in &by_field[1..] {
            let same = others.iter().find(|o| std::ptr::eq(o.0, *path));
            fits.push(same.expect("every field is fitted to the whole family").1.clone());
        }
        apart.push((fits.iter().map(|f| f.cost).sum(), fits));
    }
    let (cost, fits) = apart.into_iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
    if together.first()?.1.cost < cost + TOLD {
        return None;
    }
    let mean = fits.iter().map(|f| f.log).sum::<nalgebra::Vector3<f64>>() / fits.len() as f64;
    let mut factors = vec![[1.0; 3]; fields.len()];
    for (field, fit) in enough.iter().zip(&fits) {
        let log = mean - fit.log;
        factors[*field] = match differ {
            Differ::InWhite => log.map(f64::exp).into(),
            Differ::InExposure => [log.mean().exp(); 3],
        };
    }
    Some(factors)
}

fn median(values: &[f64]) -> f64 {
    let mut v = values.to_vec();
    let at = v.len() / 2;
    *v.select_nth_unstable_by(at, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Crystals of random azimuth under four angles 22.5° apart, each photograph with a gain of its own; no noise but a little.
    fn turned(gains: &[f64], crystals: usize) -> (Vec<DVector<f64>>, DMatrix<f64>) {
        let angles: Vec<f64> = (0..gains.len()).map(|i| (22.5 * i as f64).to_radians()).collect();
        let design = AngleDesign::new(&angles);
        let light = |i: usize| {
            let phase = 0.7 * i as f64;
            let dirt = |k: usize| 1.0 + 0.002 * ((5 * i + 3 * k) as f64).sin();
            let turn = |(k, a): (usize, &f64)| gains[k] * dirt(k) * (0.01 + (2.0 * (phase - a)).sin().powi(2));
            DVector::from_iterator(gains.len(), angles.iter().enumerate().map(turn)) / 0.5
        };
        ((0..crystals).map(light).collect(), left_over(&design))
    }

    /// I(0) + I(45) = I(22.5) + I(67.5) (facts of the sine): what is left over of any turn is nothing, of anything else something.
    #[test]
    fn nothing_is_left_over_of_a_crystals_turn() {
        let (seen, matrix) = turned(&[1.0; 4], 9);
        assert!(seen.iter().all(|y| (&matrix * y).norm() < 0.01));
        let identity = DVector::from_vec(vec![0.5, -0.5, 0.5, -0.5]);
        assert!(((&matrix * &identity) - &identity).norm() < 1e-12);
    }

    #[test]
    fn gains_by_which_photographs_differ_are_found_up_to_a_common_one() {
        let gains = [1.0, 0.85, 1.2, 1.05];
        let (seen, left_over) = turned(&gains, 40);
        let turns = Turns { seen, left_over: &left_over };
        let Factors { of_photographs: factors, scale } = turns.factors().expect("they are found");
        let common = factors[0] * gains[0];
        for (factor, gain) in factors.iter().zip(gains) {
            assert!((factor * gain / common - 1.0).abs() < 0.004, "{factors}");
        }
        assert!((factors.mean() - 1.0).abs() < 1e-3);
        let likelier = turns.cost(&DVector::from_element(4, 1.0), scale) - turns.cost(&factors, scale);
        assert!(likelier > TOLD, "{likelier}");
    }

    #[test]
    fn photographs_that_are_alike_are_left_as_they_are() {
        let (seen, left_over) = turned(&[1.0; 4], 40);
        let turns = Turns { seen, left_over: &left_over };
        let Factors { of_photographs: factors, scale } = turns.factors().expect("they are found");
        assert!(factors.iter().all(|f| (f - 1.0).abs() < 0.004), "{factors}");
        let likelier = turns.cost(&DVector::from_element(4, 1.0), scale) - turns.cost(&factors, scale);
        assert!(2.0 * likelier < TOLD, "{likelier}");
    }
}
