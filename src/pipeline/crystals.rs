//! Crystals of a registered field for the fit of thickness.

use crate::register::FieldStack;
use crate::register::smear::{Smeared, Unevenness};
use crate::section::Crystals;
use crate::section::crossed_light::CrossedLight;
use crate::section::crystals::{binning, find_crystals};
use crate::section::extinction::{AngleDesign, ExtinctionPlanes};
use crate::slide::photograph::WhiteBalance;
use crate::thickness::FieldCrystals;
use crate::timings::stage;

/// The crystals of one registered field, with what the thickness fit needs to know of its photographs.
#[must_use]
pub fn crystals_of(stack: &FieldStack) -> FieldCrystals {
    crystals_unless(stack, &CrossedLight::NotYet, Unevenness::of(stack).worst(stack).as_ref())
}

/// Leaves the smeared crossed photographs of a field out where the others tell as much of it; else its most smeared photograph.
pub fn leave_out_smeared(stack: &mut FieldStack) -> Option<Smeared> {
    let uneven = unevenness(stack);
    leave_out(stack, &uneven)
}

/// How uneven the boundaries in the photographs of a field are.
pub(super) fn unevenness(stack: &FieldStack) -> Unevenness {
    stage!("smear");
    Unevenness::of(stack)
}

/// [`leave_out_smeared`] where that is known. The others tell as much when they separate the same terms of the extinction: of four
/// positions 22.5° apart any three give all of them.
pub(super) fn leave_out(stack: &mut FieldStack, uneven: &Unevenness) -> Option<Smeared> {
    let separation = |angles: &[f64]| AngleDesign::new(angles).separation;
    stack.leave_out_smeared(uneven, |all, still| separation(all) == separation(still))
}

/// The crystals of a field of which is known whether a photograph is smeared: there are none then.
pub(crate) fn crystals_unless(stack: &FieldStack, crossed: &CrossedLight, smeared: Option<&Smeared>) -> FieldCrystals {
    stage!("crystals");
    let planes = {
        stage!("crystals: light");
        ExtinctionPlanes::over(stack, binning(stack.scale), crossed)
    };
    let crystals = find_crystals(&planes);
    let smeared = smeared.map(|s| s.file.clone());
    // Colours of neighbours run into each other: what is no quartz may follow its colours then.
    let crystals = if smeared.is_some() { Crystals { crystals: Vec::new(), ..crystals } } else { crystals };
    FieldCrystals { smeared, ..known_of(stack, crystals, planes.leak()) }
}

/// Crystals with what is known of the photographs they were found in.
pub(super) fn known_of(stack: &FieldStack, crystals: Crystals, leak: [f64; 3]) -> FieldCrystals {
    let exposure: Option<Vec<f64>> = stack.crossed.iter().map(|c| c.relative_exposure.map(|r| 1.0 / r)).collect();
    FieldCrystals {
        name: stack.name.clone(),
        crystals,
        centre_mm: stack.centre_mm,
        scale: stack.scale,
        size_px: [stack.width, stack.height],
        exposure_known: exposure.is_some(),
        exposure_scale: exposure.unwrap_or_else(|| vec![1.0; stack.crossed.len()]),
        balance: vec![[1.0; 3]; stack.crossed.len()],
        auto_white_balance: stack.crossed.iter().any(|c| c.photograph.record.white_balance == Some(WhiteBalance::Auto)),
        leak,
        smeared: None,
    }
}
