//! What speaks for a hole and against it.

use super::Hole;
use crate::section::odds::Odds;

impl Hole {
    /// What speaks for a hole and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        Odds::before(-2.95)
            .with("wall", self.wall - 0.6, 0.95)
            .with("wall depth", (self.wall_depth / 0.3).max(0.05).ln().clamp(-1.5, 1.0), 1.0)
            // No light at all: a crystal near its axis passes some, at one angle or another.
            .with("lit", (self.lit - 0.012).max(0.0), -35.0)
            .with("swing", (self.swing.max(0.0005) / 0.002).ln(), -1.25)
            .with("inner light", (self.inner_light.max(0.001) / 0.004).ln(), -0.5)
            // Resin between its specks is as even as the camera lets it be; crystals have relief, haze and inclusions. The floor of a
            // hole that air fills is rough: beyond some unevenness it tells no more.
            .with("ground", self.ground.clamp(0.3, 1.5).ln(), -2.6)
            // Specks as in the rock's crystals: a clear grain has few, resin has slurry at its wall only.
            .with("specks", (self.specks / self.usual_specks.max(0.1)).min(0.3), -2.4)
            .with("tint", (self.tint - 0.035).max(0.0), -30.0)
            .with("dim", (-0.05 - self.level).max(0.0), -4.3)
            .with("ragged", (self.fullness - 0.85).min(0.0), 2.0)
            .with("hardly judged", (self.judged - 0.6).min(0.0), 1.0)
            // One angle: every grain at extinction is out.
            .with("one angle", f64::from(u8::from(self.one_angle)), -2.4)
            // Alone it is one of the crystals that look like a hole now and then; nothing is gained beyond the second other.
            .with("company", self.company.map_or(0.0, |others| 0.65 - (-others).exp()), 2.5)
    }
}
