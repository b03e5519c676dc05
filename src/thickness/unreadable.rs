//! Photographs in which no thickness is to be read: smeared ones, and grey of unknown brightness.

use crate::optics::quartz;
use crate::thickness::gains::GainPrior;
use crate::thickness::tone::ToneCurve;
use crate::thickness::{FieldCrystals, Thickness};
use crate::units::Micrometres;

/// What to do about smeared photographs.
pub(crate) const STAND_STILL: &str =
    "Photograph again without touching microscope or table while the shutter is open, by self-timer or remote release.";
/// Retardation, nm, up to which colours are grey and hardly tell how much it is.
const GREY_UP_TO_NM: f64 = 150.0;

/// When no field stood still.
pub(super) fn all_smeared(fields: &[FieldCrystals]) -> Option<Thickness> {
    let files: Option<Vec<&String>> = fields.iter().map(|f| f.smeared.as_ref()).collect();
    let file = files?.first().copied()?;
    Some(Thickness::NotMeasurable {
        why: format!(
            "{file} is smeared along one direction, as when the camera or the stage moves: the grains' colours run into each other"
        ),
        next: STAND_STILL.into(),
    })
}

/// When grains turn bright and dark by a curve beyond those that cameras have, as where light was saved without any.
pub(super) fn no_such_curve(tone: ToneCurve) -> Option<Thickness> {
    let next = if tone.contrast > 0.0 {
        "If the photographs hold light as it is, without the sRGB curve, say so in slide.toml: [camera] encoding = \"linear\". If not, \
         export them anew as sRGB, all alike and without any look or filter."
    } else {
        "Export the photographs anew as sRGB, all alike and without any look or filter."
    };
    tone.beyond_cameras().then(|| Thickness::NotMeasurable {
        why: format!(
            "the photographs are not sRGB as a camera saves it: from position to position of the polars grains turn bright and dark as \
             they would with {:+.0} % of contrast at mid-grey, which no camera adds",
            100.0 * tone.contrast
        ),
        next: next.into(),
    })
}

/// When all grains are grey, whose tint hardly changes, and how bright they are against plane light is not known.
pub(super) fn too_grey(prior: GainPrior, thickness_um: f64) -> Option<Thickness> {
    let nm = quartz::largest_retardation(Micrometres::from_um(thickness_um)).nm();
    (prior.common_u > 1.0 && nm < GREY_UP_TO_NM).then(|| Thickness::NotMeasurable {
        why: format!(
            "all grains are grey, as in a section of {thickness_um:.0} µm or less, or one whose c-axes point to the eye, and without a \
             recorded exposure grey does not tell which"
        ),
        next: "Photograph with the exposure recorded (EXIF), at four angles 22.5° apart."
            .into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_of_cameras_are_read_and_others_refused() {
        let tone = |contrast: f64| ToneCurve { contrast, contrast_u: 0.01 };
        for known in [-0.12, 0.0, 0.32, 0.44] {
            assert!(no_such_curve(tone(known)).is_none(), "{known}");
        }
        for (beyond, said, linear) in [(0.4799, "+48 %", true), (-0.16, "-16 %", false)] {
            let Some(Thickness::NotMeasurable { why, next }) = no_such_curve(tone(beyond)) else { panic!("{beyond}") };
            assert!(why.contains(said), "{why}");
            assert_eq!(next.contains("encoding = \"linear\""), linear, "{next}");
        }
    }
}
