//! What photographs that are smeared or out of focus cannot show.

use crate::register::focus::OutOfFocus;
use crate::register::smear::Smeared;
use crate::section::defects::{DefectKind, FieldDefects};

/// What to do about plane light that is out of focus.
pub(crate) const IN_FOCUS: &str = "Focus on the section in plane light until specks and the boundaries of grains are sharp at full size, and photograph that field \
     again.";

/// Names the kinds that cannot be judged on such photographs.
pub(super) fn unjudge(found: &mut FieldDefects, smeared: Option<&Smeared>, out_of_focus: Option<&OutOfFocus>) {
    let kinds = [DefectKind::Plucks, DefectKind::Scratches, DefectKind::Bubbles];
    if let Some(Smeared { file, plane_stood_still }) = smeared {
        let why = format!("{file} is smeared along one direction, as when the camera or the stage moves");
        // A bubble shows in plane light; what tells holes and scratches from the rock is seen between crossed polars.
        let not_seen = if *plane_stood_still { &kinds[..2] } else { &kinds[..] };
        found.unjudged.extend(not_seen.iter().map(|k| (*k, why.clone())));
        found.moved = true;
    }
    if let Some(OutOfFocus { file, rise_um }) = out_of_focus {
        let why = format!(
            "{file} is out of focus: light takes {rise_um:.0} µm and more to change at its sharpest boundaries, and scratches and the walls \
             of holes are lost in that"
        );
        // A bubble is wide and dark enough to be seen all the same.
        found.unjudged.extend(kinds[..2].iter().map(|k| (*k, why.clone())));
        found.out_of_focus = true;
    }
}
