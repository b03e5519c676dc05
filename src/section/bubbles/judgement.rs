//! What speaks for a bubble and against it.

use super::Ring;
use crate::section::odds::Odds;

/// Width of a rim, share of the radius, below which it is a mere wall: total reflection makes it a third.
pub(super) const THIN: f64 = 0.25;

impl Ring {
    /// What speaks for a bubble and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        let thin = f64::from(u8::from(self.rim_width < THIN));
        let roughness = self.roughness.min(0.12);
        let pale = ((0.32 - self.inner_depth) / 0.1).clamp(0.0, 1.0);
        let passes_light = (1.0 - thin) * ((1.6 - self.depth) / 0.4).clamp(0.0, 1.0);
        Odds::before(6.6)
            .with("seen all round", self.share - 0.8, 7.5)
            .with("depth", (self.inner_depth.max(0.05) / 0.45).ln(), 1.0)
            // Surface tension makes it round: an edge that wanders by more than a few per cent of the radius is a grain's.
            .with("not round", roughness, -172.0)
            // Pressed flat it is a little oval.
            .with("oval", (self.oval - 0.01).max(0.0), -26.0)
            // A pale circle is a bubble's only when it is one: in a clean rock many outlines are as pale.
            .with("pale and not round", pale * roughness, -40.0)
            // Dark lines on one circle, more than chance puts there.
            .with("wall on a circle", thin * (self.on_circle.min(1.0) - 0.7), 12.0)
            // Crystals go on beneath a bubble's wall; an outline parts what it bounds.
            .with("divides", thin * (self.divides - 0.5).max(0.0), -12.0)
            // Dark alike all round. (How wide it is tells nothing: total reflection blackens the outer third of the radius, and
            // an objective that takes in little light four fifths.)
            .with("uneven", (self.unevenness - 0.25).max(0.0), -9.0)
            .with("hardly judged", (self.judged - 0.6).min(0.0), 18.0)
            // A round hole or a vesicle is out all over; through a bubble the rock shows.
            .with("out inside", self.inside_out, -3.0)
            // Air has no colour, a rounded flake of mica has; beside a coloured crystal the tints differ by up to 0.4. House values.
            .with("tint step", (self.tint_step - 0.35).max(0.0), -10.0)
            // Nor does gas colour what light its rim passes, as the rind of an ooid or of an altered grain does: wide rims of bubbles by
            // three renderers that pass a fifth of the light have tints up to 0.10, ooids 0.2 to 0.9. House values.
            .with("coloured rim", passes_light * (self.rim_tint - 0.15).clamp(0.0, 0.3), -40.0)
            // Fibres that radiate from a middle go out in a cross: a round filling of the rock's. House value.
            .with("black cross", (self.cross - 0.5).max(0.0), -16.0)
            .with("few pixels", (1.0 / self.radius).min(0.3), -24.0)
    }
}
