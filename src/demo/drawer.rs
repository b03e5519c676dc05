//! Sections that one grinder made one after the other, with what is wrong with it planted.

use super::dice::Dice;
use super::scene::{Flaws, Rock, Scene, Wedge};
use crate::grinder::frame::away;
use crate::slide::record::Corner;

/// What is wrong with a grinder.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GrinderFault {
    /// Drift of the micrometer's zero, µm a section: the reading less what it should be.
    pub drift_um: f64,
    /// Wedge that the chuck gives every section, away from the bevelled corner along the width and the height, µm per mm.
    pub tilt_um_per_mm: [f64; 2],
    /// Place in the sequence from which the sections come out scratched.
    pub scratched_from: Option<u32>,
}

/// Bond line with a true zero, µm.
pub const BOND_UM: f64 = 11.5;
/// Standard deviation of bond line and reading together, µm.
const READING_SD_UM: f64 = 0.35;
/// Standard deviation of a section's own wedge along each axis, µm per mm.
const WEDGE_SD: f64 = 0.03;

/// Marks of a chuck's slides as they lie under the camera: upright, or turned half round.
const MARKS: [Corner; 2] = [Corner::TopLeft, Corner::BottomRight];

impl GrinderFault {
    /// What the micrometer read at a section of this thickness.
    pub(super) fn reading_um(&self, dice: &mut Dice, sequence: u32, thickness_um: f64) -> f64 {
        let drift = self.drift_um * f64::from(sequence.saturating_sub(1));
        let reading = thickness_um + BOND_UM + drift + READING_SD_UM * f64::from(dice.normal());
        (reading * 2.0).round() / 2.0
    }

    /// The `sequence`-th section: a clean fine quartzite in five small fields.
    #[must_use]
    pub fn section(&self, id: &str, seed: u64, sequence: u32) -> Scene {
        let mut dice = Dice::new(seed, u64::from(sequence));
        let centre_um = 30.6 + 0.9 * f64::from(dice.normal());
        let mark_corner = MARKS[sequence as usize % 2];
        let [u, v] = away(mark_corner);
        let own = [0, 1].map(|_| WEDGE_SD * f64::from(dice.normal()));
        let scratched = self.scratched_from.is_some_and(|from| sequence >= from);
        Scene {
            size_px: [520, 400],
            um_per_px: 2.0,
            grain_um: 100.0,
            clutter: 0.4,
            mark_corner,
            wedge: Wedge {
                centre_um,
                gx_um_per_mm: u * (self.tilt_um_per_mm[0] + own[0]),
                gy_um_per_mm: v * (self.tilt_um_per_mm[1] + own[1]),
            },
            flaws: Flaws {
                scratches: if scratched { 6 } else { 0 },
                scratch_sets: scratched,
                scratch_contrast: [0.25, 0.5],
                scratch_um: [4.0, 6.0],
                ..Flaws::default()
            },
            micrometer_um: Some(self.reading_um(&mut dice, sequence, centre_um)),
            sequence: Some(sequence),
            ..Scene::new(id, seed ^ (u64::from(sequence) << 20), Rock::Quartzite)
        }
        .five_fields()
    }
}
