//! What the photographs say of their own exposure and white balance, and when the grains' colours do not bear it out.

use crate::thickness::Thickness;
use crate::thickness::component::{self, LampFit};
use crate::thickness::gains::{GainPrior, Gains};
use crate::thickness::grain::{self, FieldCrystals, Grain, Grains};
use crate::thickness::systematic::tone_by_colours;
use crate::thickness::tone::ToneCurve;

/// Misfit from which it is asked whether a photograph's record is wrong, standard deviations; a camera's true record leads to
/// 0.3 to 1.2, whatever its sensor.
const SUSPICIOUS: f64 = 1.0;
/// Twice the log odds against a wrong record, before the colours: one photograph in ten thousand.
const AGAINST: f64 = 20.0;
/// Twice the log odds by which colours must be likelier as they are than with red and blue exchanged.
const RIGHT_WAY_ROUND: f64 = 8.0;
/// Misfit up to which colours count as explained with red and blue exchanged.
const EXPLAINED: f64 = 2.0;
/// Gain that all channels share from which exposure is what was wrong, log units: a third of a stop.
const ANOTHER_EXPOSURE: f64 = 0.23;
/// Share of another channel in one from which a camera is strange: three times what sensors differ by.
const STRANGE_CAMERA: f64 = 0.09;
/// Gain of one channel over another from which there is a cast, log units.
const CAST: f64 = 0.1;

/// The grains as they are seen if the photographs' record is believed to some degree.
pub(crate) struct Seen {
    /// How far it is believed.
    pub(crate) prior: GainPrior,
    /// The camera's contrast.
    pub(crate) tone: ToneCurve,
    /// The grains, with the contrast undone.
    pub(crate) gathered: Grains,
}

impl Seen {
    /// As the photographs' record says: exposure and white balance where EXIF states them.
    pub(crate) fn by_record(fields: &[FieldCrystals]) -> Self {
        let prior = if fields.iter().all(|f| f.exposure_known) { GainPrior::EXIF } else { GainPrior::NO_EXIF };
        let automatic = fields.iter().any(|f| f.auto_white_balance);
        Self::by(fields, if automatic { prior.auto_white_balance() } else { prior })
    }

    fn by(fields: &[FieldCrystals], prior: GainPrior) -> Self {
        let tone = tone_by_colours(fields, prior, ToneCurve::estimate(fields));
        Self { prior, tone, gathered: grain::gather(fields, tone) }
    }

    /// Whether the best lamp leaves doubt about the record: it fits badly, with a cast or a camera that the record speaks against, or with
    /// vivid colours.
    fn suspicious(&self, best: &LampFit) -> bool {
        let gains = &best.gains;
        let cast = self.prior.long_tails && gains.log.max() - gains.log.min() > CAST;
        // What vivid colours explain a cast may explain too.
        gains.misfit > SUSPICIOUS || cast || gains.departure.abs().max() > STRANGE_CAMERA || best.path.is_vivid()
    }

    /// Whether the colours, by the log gains that were fitted, bear out the record: as bright as a known exposure says, and neutral; where
    /// exposure is not known they must follow the path without doubt (`misfit` by the stated uncertainties). A white balance that is not
    /// known bears out nothing.
    pub(crate) fn borne_out(prior: GainPrior, gains: &Gains, misfit: f64) -> bool {
        let as_bright =
            if prior.common_u > 1.0 { misfit < SUSPICIOUS } else { gains.log.mean().abs() < ANOTHER_EXPOSURE };
        prior.long_tails && gains.log.max() - gains.log.min() < CAST && as_bright
    }

    /// Whether nothing but tints speaks: white may be anything, or each grain was seen at one angle only.
    fn by_tint_alone(&self) -> bool {
        !self.prior.long_tails || self.gathered.grains.iter().all(|g| g.any_brightness)
    }

    /// The lamps that explain the grains; where none does with what the record says, and one does without, the record is let go,
    /// and a sentence says so.
    ///
    /// # Errors
    /// When the grains are explained as well with red and blue exchanged.
    pub(crate) fn explained(self, fields: &[FieldCrystals]) -> Result<(Self, Vec<LampFit>, Option<String>), Thickness> {
        let lamps = component::lamps(&self.gathered.grains, self.prior);
        let mut best = (self, lamps, None);
        let suspicious = best.0.suspicious(&best.1[0]);
        if !suspicious && !best.0.by_tint_alone() {
            return Ok(best);
        }
        let exchanged = component::lamps(&exchanged(&best.0.gathered.grains), best.0.prior).swap_remove(0).gains;
        let others = if suspicious { best.0.prior.disbelieved() } else { Vec::new() };
        for prior in others {
            let seen = Self::by(fields, prior);
            let lamps = component::lamps(&seen.gathered.grains, prior);
            // Vivid colours and a cast are told from each other by little: the likelier of both stands.
            let against = if best.1[0].path.is_vivid() { 0.0 } else { AGAINST };
            if lamps[0].gains.cost + against < best.1[0].gains.cost {
                let sentence = against_record(best.0.prior, &lamps[0]);
                best = (seen, lamps, Some(sentence));
            }
        }
        if exchanged.misfit < EXPLAINED && best.1[0].gains.cost + RIGHT_WAY_ROUND > exchanged.cost {
            return Err(Thickness::NotMeasurable {
                why: "the grains' colours are explained as well or better with red and blue exchanged".into(),
                next: "Look whether the photographs' colours are right: a program between camera and folder may have exchanged red \
                       and blue. Export them anew, and see that plane and crossed photographs went the same way."
                    .into(),
            });
        }
        Ok(best)
    }
}

/// What to say where the colours tell another level of light than the recorded exposure, or a cast, and the record was let go by itself.
pub(crate) fn told_by_colours(prior: GainPrior, found: &LampFit) -> Option<String> {
    let log = found.gains.log;
    let off = prior.common_u < 1.0 && log.mean().abs() > ANOTHER_EXPOSURE;
    let cast = prior.long_tails && log.max() - log.min() > CAST;
    (off || cast).then(|| against_record(prior, found))
}

/// The grains with red and blue exchanged.
fn exchanged(grains: &[Grain]) -> Vec<Grain> {
    let exchange = |mut g: Grain| {
        g.colour.swap(0, 2);
        g
    };
    grains.iter().cloned().map(exchange).collect()
}

/// What the colours say against the record, and what was estimated instead of it.
fn against_record(record: GainPrior, found: &LampFit) -> String {
    let log = found.gains.log;
    let common = log.mean();
    let mut wrong = Vec::new();
    let mut estimated = Vec::new();
    if record.common_u < 1.0 && common.abs() > ANOTHER_EXPOSURE {
        // Which of both it is no photograph tells.
        let why = if common < 0.0 { " (an analyser may keep back light)" } else { "" };
        wrong.push(format!("are {:.1} times as bright as their recorded exposure says{why}", common.exp()));
        estimated.push("exposure");
    }
    // A white balance that the camera set by itself may be any: it speaks against no record.
    if record.long_tails && log.max() - log.min() > CAST {
        wrong.push("have a cast of colour that plane light does not have".into());
        estimated.push("white balance");
    }
    if wrong.is_empty() {
        wrong.push("are not exposed or white balanced as their record says".into());
        estimated = vec!["exposure", "white balance"];
    }
    format!(
        "By the colours of the grains the crossed photographs {}; the record was not used, {} {} estimated from the colours.",
        wrong.join(", and "),
        estimated.join(" and "),
        if estimated.len() == 1 { "was" } else { "were" }
    )
}
