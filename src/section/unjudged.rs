//! What photographs cannot show, whatever is in them.

use crate::section::defects::DefectKind;

/// Coarsest pixel that still shows a scratch of a few micrometres.
pub(super) const COARSEST_FOR_SCRATCHES_UM: f64 = 4.0;
/// Coarsest pixel that still shows a bubble of 25 µm or a hole of 60 µm.
const COARSEST_FOR_HOLES_UM: f64 = 12.0;
/// Turn of the polars below which a grain at extinction cannot be told from a hole, degrees.
pub(crate) const LEAST_TURN_DEG: f64 = 15.0;

/// Kinds that a scale is too coarse for, or too few positions of the polars.
pub(crate) fn unjudged(um_per_px: f64, angle_spread_deg: f64) -> Vec<(DefectKind, String)> {
    let mut unjudged = Vec::new();
    if um_per_px > COARSEST_FOR_HOLES_UM {
        let reason = |what: &str| format!("{what}: {um_per_px:.1} µm per pixel is too coarse to show small ones");
        unjudged.push((DefectKind::Bubbles, reason("bubbles")));
        unjudged.push((DefectKind::Plucks, reason("plucked grains")));
    } else if angle_spread_deg < LEAST_TURN_DEG {
        let why = "plucked grains: at one position of the polars a hole looks like a grain at extinction, and a second 45° away \
                   tells them apart";
        unjudged.push((DefectKind::Plucks, why.into()));
    }
    if um_per_px >= COARSEST_FOR_SCRATCHES_UM {
        let reason = format!("scratches: {um_per_px:.1} µm per pixel is too coarse to show lines of a few micrometres");
        unjudged.push((DefectKind::Scratches, reason));
    }
    unjudged
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(um_per_px: f64, angle_spread_deg: f64) -> Vec<DefectKind> {
        unjudged(um_per_px, angle_spread_deg).into_iter().map(|(kind, _)| kind).collect()
    }

    #[test]
    fn coarse_pixels_and_one_position_of_the_polars_leave_kinds_unjudged() {
        use DefectKind::{Bubbles, Plucks, Scratches};
        assert_eq!(kinds(1.6, 45.0), []);
        assert_eq!(kinds(1.6, 0.0), [Plucks], "one crossed photograph");
        assert_eq!(kinds(6.0, 22.5), [Scratches]);
        assert_eq!(kinds(14.0, 0.0), [Bubbles, Plucks, Scratches]);
    }
}
