//! How the quartz lies: as random crystals do, or drawn to one direction, and what is said where that is not to be told.

use crate::thickness::Thickness;
use crate::thickness::carried::{Carried, Spread};
use crate::thickness::fit::{LOOKS_CLEAR, more_of};
use crate::thickness::grain;
use crate::thickness::yardstick::Yardstick;

/// Strength of a lack of high colours above which it is orientation whatever clear feldspar there is.
const STRONGLY: f64 = 2.6;
/// Share of the crystals' area from which on nearly all clear grains are taken as quartz.
const MOSTLY_CLEAR: f64 = 0.75;

/// How the quartz lies: by the crystals that the preparator has marked alone, where there are any, else by all clear ones.
///
/// Clear feldspar adds low retardations: they speak of orientation only where nearly all clear grains are quartz, or strongly.
pub(super) fn spread(grains: &[grain::Grain], carried: &Carried, thickness_um: impl Fn(usize) -> f64) -> Spread {
    let marked = grains.iter().any(|g| g.quartz >= grain::BELIEVED);
    let looks = if marked { grain::BELIEVED } else { LOOKS_CLEAR };
    let clear = |i: usize| grains[i].quartz >= looks;
    let mut spread = carried.spread(|i| clear(i).then(|| thickness_um(i)));
    if matches!(spread, Spread::TooLow(_)) {
        // Beyond the first order colour changes so fast within a crystal that its clean patch is small and its looks are poor: the
        // high colours that are told to be quartz count too before they are called missing.
        spread = carried.spread(|i| (clear(i) || carried.probability[i] > 0.5).then(|| thickness_um(i)));
    }
    let area = |looks: f64| grains.iter().filter(|g| g.quartz > looks).map(|g| g.cells).sum::<usize>() as f64;
    match spread {
        Spread::TooLow(strength) if strength <= STRONGLY && area(LOOKS_CLEAR) <= MOSTLY_CLEAR * area(0.0) => {
            Spread::Random
        }
        other => other,
    }
}

/// c-axes that point to the eye show low colours, as a thin section does.
pub(super) fn may_be_thicker(than_um: f64) -> Thickness {
    Thickness::NotMeasurable {
        why: format!(
            "far fewer grains show high colours than among randomly lying quartz crystals: the rock may have a preferred \
             orientation toward the eye, and may be much thicker than the {than_um:.0} µm that its highest colours give"
        ),
        next: "Make a second section across this one (EN 12407 asks for two orientations of an anisotropic rock), or name \
               another mineral as reference_mineral in slide.toml."
            .into(),
    }
}

/// Too many high colours in photographs of one position of the polars, by which nothing else can be told.
pub(super) fn altered_or_oriented() -> Thickness {
    Thickness::NotMeasurable {
        why: "more grains show high colours than among randomly lying quartz crystals: the rock may have a preferred orientation, \
              or a filter or the camera changed the colours, and one position of the polars does not tell which"
            .into(),
        next: "Photograph crossed polars at four angles 22.5° apart, without a filter, with the white balance of plane light."
            .into(),
    }
}

/// Too many high colours that are not as bright or as neutral as quartz would be: beyond the fourth order or so all colours mix to one
/// grey-white, half as bright as plane light, whatever the cut (high-order white of calcite and dolomite: handbooks, from memory).
pub(super) fn one_grey(yardstick: &Yardstick) -> Thickness {
    Thickness::NotMeasurable {
        why: "more grains show high colours than among randomly lying quartz crystals, and they are not as bright or not of the colour \
              that quartz would be: a mineral of very high birefringence, such as calcite, shows one grey-white whatever its cut"
            .into(),
        next: more_of(yardstick),
    }
}
