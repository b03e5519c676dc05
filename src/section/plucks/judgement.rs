//! What speaks for a hole and against it.

use super::Hole;
use crate::section::odds::Odds;

impl Hole {
    /// How much it looks like the broken floor of a hole that air fills, 0..=1: dimmer than clear crystals and as colourless, since a
    /// rough floor scatters light past the objective, within a deep wall all round. House values.
    fn broken_floor(&self) -> f64 {
        let rising = |v: f64, from: f64, to: f64| ((v - from) / (to - from)).clamp(0.0, 1.0);
        let grey = rising(-self.level, 0.04, 0.09) * (1.0 - rising(self.tint, 0.04, 0.1));
        grey * rising(self.wall, 0.7, 0.9) * rising(self.wall_depth, 0.4, 0.6)
    }

    /// What speaks for a hole and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        let floor = self.broken_floor();
        let resin = 1.0 - floor;
        Odds::before(-2.95)
            .with("wall", self.wall - 0.6, 0.95)
            .with("wall depth", (self.wall_depth / 0.3).max(0.05).ln().clamp(-1.5, 1.0), 1.0)
            // No light at all: a crystal near its axis passes some, at one angle or another.
            .with("lit", (self.lit - 0.012).max(0.0), -35.0)
            .with("swing", (self.swing.max(0.0005) / 0.002).ln(), -1.25)
            .with("inner light", (self.inner_light.max(0.001) / 0.004).ln(), -0.5)
            // Resin between its specks is as even as the camera lets it be; crystals have relief, haze and inclusions. Beyond some
            // unevenness it tells no more, and of a broken floor it tells nothing.
            .with("ground", resin * self.ground.clamp(0.3, 1.5).ln(), -2.6)
            // Specks as in the rock's crystals: a clear grain has few, resin has slurry at its wall only.
            .with("specks", resin * (self.specks / self.usual_specks.max(0.1)).min(0.3), -2.4)
            .with("tint", (self.tint - 0.035).max(0.0), -30.0)
            .with("dim", resin * (-0.05 - self.level).max(0.0), -4.3)
            .with("broken floor", floor, 2.5)
            .with("ragged", (self.fullness - 0.85).min(0.0), 2.0)
            .with("hardly judged", (self.judged - 0.6).min(0.0), 1.0)
            // One angle: every grain at extinction is out.
            .with("one angle", f64::from(u8::from(self.one_angle)), -2.4)
            // Alone it is one of the crystals that look like a hole now and then; nothing is gained beyond the second other.
            .with("company", self.company.map_or(0.0, |others| 0.65 - (-others).exp()), 2.5)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Hole, bare};

    /// As a broken floor in air was measured on photographs.
    fn open_pit() -> Hole {
        Hole {
            wall: 0.99,
            wall_depth: 0.72,
            level: -0.13,
            lit: 0.002,
            swing: 0.0008,
            inner_light: 0.0018,
            ground: 2.6,
            specks: 0.4,
            usual_specks: 0.2,
            fullness: 0.92,
            judged: 1.0,
            ..bare()
        }
    }

    #[test]
    fn the_rough_grey_floor_of_an_open_pit_speaks_for_a_hole() {
        assert!(open_pit().odds().probability() > 0.7);
    }

    #[test]
    fn what_is_rough_and_lit_or_tinted_or_without_a_deep_wall_is_a_crystal() {
        for other in [
            Hole { swing: 0.02, inner_light: 0.02, lit: 0.02, ..open_pit() },
            Hole { tint: 0.12, ..open_pit() },
            Hole { wall_depth: 0.3, ..open_pit() },
            Hole { wall: 0.6, ..open_pit() },
            Hole { level: 0.0, ..open_pit() },
        ] {
            assert!(other.odds().probability() < 0.4, "{other:?}");
        }
    }

    #[test]
    fn resin_is_told_by_its_evenness_whatever_its_level() {
        let even = Hole { level: 0.01, ground: 0.4, specks: 0.0, ..open_pit() };
        let rough = Hole { level: 0.01, ..open_pit() };
        assert!(even.odds().probability() > 0.9 && rough.odds().probability() < 0.4);
    }
}
