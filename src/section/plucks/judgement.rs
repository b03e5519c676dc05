//! What speaks for a hole and against it.

use super::{Hole, rising};
use crate::section::defects::REPORTED;
use crate::section::odds::Odds;

/// Log odds that a patch is a hole, before it is looked at.
const PRIOR: f64 = -2.95;
/// Log odds that looks of slurry add: enough to tell of it, and no more, since an isotropic mineral may look so. House value.
const FULL_OF_SLURRY: f64 = 3.4;

impl Hole {
    /// How much it is a place without any light between crossed polars, at any position, 0..=1; `swing` and `light` are the shares of
    /// bright crystals from which it is none of all.
    fn black(&self, swing: [f64; 2], light: [f64; 2]) -> f64 {
        (1.0 - rising(self.swing, swing[0], swing[1])) * (1.0 - rising(self.inner_light, light[0], light[1]))
    }

    /// How much it is a place without any light between crossed polars within a dark wall that closes, 0..=1.
    ///
    /// Crystals have outlines as dark here and there, and a few are as black, but hardly one is both: of 911 patches that are neither
    /// plucked nor pores on fields by two renderers five. House values. An isotropic mineral of high relief is.
    ///
    /// Beside dyed resin, or a mineral as strongly coloured, every clear crystal has such a wall.
    fn closed(&self) -> f64 {
        let black = self.black([0.0005, 0.0015], [0.001, 0.003]);
        let beside_clear = 1.0 - rising(self.beside_dye, 0.25, 0.5);
        beside_clear * black * rising(self.wall, 0.8, 0.92) * rising(self.wall_depth, 0.2, 0.3)
    }

    /// How much it looks like the broken floor of a hole that air fills, 0..=1: dimmer than clear crystals and as colourless, since a
    /// rough floor scatters light past the objective, and within a deep wall all round, or without light between crossed polars, however
    /// broken and pale its wall: of 884 patches on fields by two renderers 58 plucked ones are dim, colourless and black, and no
    /// other. House values.
    pub(super) fn broken_floor(&self) -> f64 {
        let colourless = 1.0 - rising(self.tint, 0.04, 0.1);
        let deep = rising(-self.level, 0.04, 0.09) * self.deep_wall();
        let grey = rising(-self.level, 0.06, 0.1);
        // At one position every crystal at extinction is black.
        let black = if self.one_angle { 0.0 } else { self.black([0.001, 0.002], [0.002, 0.005]) };
        colourless * deep.max(grey * self.closed().max(black))
    }

    /// How much a deep wall runs all round it, 0..=1. House values.
    pub(super) fn deep_wall(&self) -> f64 {
        rising(self.wall, 0.7, 0.9) * rising(self.wall_depth, 0.4, 0.6)
    }

    /// Whether only its closed wall makes it a hole, and not what is seen inside: slurry lies in it, or it is an isotropic mineral, as
    /// garnet; or whether the rock has one by the dozen.
    pub(crate) fn may_be_isotropic(&self) -> bool {
        let by_its_wall = self.confidence >= REPORTED && self.odds_by_inside().probability() < REPORTED;
        by_its_wall || self.among_isotropic
    }

    /// What speaks for a hole and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        if self.slurry {
            return Odds::before(PRIOR).with("slurry", 1.0, FULL_OF_SLURRY);
        }
        self.by(self.closed())
    }

    /// The same without what a closed wall lets pass inside it: isotropic minerals come in company too.
    pub(super) fn odds_by_inside(&self) -> Odds {
        self.by(0.0)
    }

    /// By how much its closed wall is to count, 0..=1.
    fn by(&self, closed: f64) -> Odds {
        let floor = self.broken_floor();
        let resin = 1.0 - floor;
        // Within a closed wall a rough inside is slurry, or a floor.
        let rough = resin * (1.0 - closed);
        let uneven = self.ground.clamp(0.3, 1.5).ln();
        Odds::before(PRIOR)
            .with("wall", self.wall - 0.6, 0.95)
            .with("wall depth", (self.wall_depth / 0.3).max(0.05).ln().clamp(-1.5, 1.0), 1.0)
            // No light at all: a crystal near its axis passes some, at one angle or another.
            .with("lit", (self.lit - 0.012).max(0.0), -35.0)
            .with("swing", (self.swing.max(0.0005) / 0.002).ln(), -1.25)
            .with("inner light", (self.inner_light.max(0.001) / 0.004).ln(), -0.5)
            // Resin between its specks is as even as the camera lets it be; crystals have relief, haze and inclusions. Beyond some
            // unevenness it tells no more, and of a broken floor it tells nothing.
            .with("ground", if uneven > 0.0 { rough } else { resin } * uneven, -2.6)
            // Specks as in the rock's crystals: a clear grain has few, resin has slurry at its wall only.
            .with("specks", rough * (self.specks / self.usual_specks.max(0.1)).min(0.3), -2.4)
            .with("tint", (self.tint - 0.035).max(0.0), -30.0)
            // Undyed resin and air have no colour and slurry is brown; a garnet is pink, as even and as dark between the polars as any hole.
            .with("not brown", (self.not_brown - 0.04).clamp(0.0, 0.1), -60.0)
            .with("dim", rough * (-0.05 - self.level).max(0.0), -4.3)
            .with("broken floor", floor, 2.5)
            .with("closed wall", closed * resin, 3.0)
            .with("ragged", (self.fullness - 0.85).min(0.0), 2.0)
            // Of 299 plucked areas on fields by two renderers one in fifty is longer; pieces of fissures are. House value.
            .with("slender", (self.slender - 3.0).clamp(0.0, 4.0), -1.0)
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
            Hole { wall_depth: 0.15, swing: 0.003, inner_light: 0.006, ..open_pit() },
            Hole { wall: 0.6, swing: 0.003, inner_light: 0.006, ..open_pit() },
        ] {
            assert!(other.odds().probability() < 0.4, "{other:?}");
        }
        let weighed = |h: Hole| Hole { confidence: h.odds().probability(), ..h };
        assert!(!weighed(open_pit()).may_be_isotropic());
        let pale = weighed(Hole { level: 0.0, ..open_pit() });
        assert!(pale.may_be_isotropic(), "without its grey only the wall tells");
        let doubtful = Hole { wall: 0.75, ..pale };
        assert!(!weighed(doubtful).may_be_isotropic(), "what is no hole is in doubt, and no mineral either");
    }

    /// As photographs by other code show it: its wall is broken and pale, and no light comes through.
    #[test]
    fn what_is_rough_grey_and_black_at_every_position_is_a_hole_whatever_its_wall() {
        let pit = Hole { wall: 0.6, wall_depth: 0.2, swing: 0.0004, inner_light: 0.0008, ..open_pit() };
        assert!(pit.odds().probability() > 0.6, "{:?}", pit.odds());
        for other in [
            Hole { level: 0.0, ..pit.clone() },
            Hole { tint: 0.12, ..pit.clone() },
            Hole { swing: 0.004, inner_light: 0.006, ..pit.clone() },
            Hole { one_angle: true, ..pit.clone() },
        ] {
            assert!(other.odds().probability() < 0.4, "{other:?}");
        }
    }

    /// A hole in which slurry lies, as photographs by other code show it.
    fn full_of_slurry() -> Hole {
        Hole { wall: 0.97, wall_depth: 0.4, level: 0.0, lit: 0.003, swing: 0.0002, inner_light: 0.0002, ..open_pit() }
    }

    #[test]
    fn a_closed_wall_about_no_light_is_a_hole_or_an_isotropic_mineral() {
        let weighed = |h: Hole| Hole { confidence: h.odds().probability(), ..h };
        let slurry = weighed(full_of_slurry());
        assert!(slurry.confidence > 0.7 && slurry.may_be_isotropic(), "{:?}", slurry.odds());
        let even = weighed(Hole { ground: 0.4, specks: 0.0, ..full_of_slurry() });
        assert!(even.confidence > 0.9 && !even.may_be_isotropic(), "resin is told by its inside");
        let grey = weighed(Hole { level: -0.13, ..full_of_slurry() });
        assert!(grey.confidence > 0.7 && !grey.may_be_isotropic(), "and a broken floor by its grey");
        for open in [
            Hole { wall: 0.75, ..full_of_slurry() },
            Hole { wall_depth: 0.15, ..full_of_slurry() },
            Hole { swing: 0.003, inner_light: 0.004, ..full_of_slurry() },
        ] {
            assert!(open.odds().probability() < 0.3, "{open:?}");
        }
    }

    /// As photographs of a garnet schist by other code show it.
    #[test]
    fn a_pink_inside_is_a_garnet_however_even_and_dark_it_is() {
        let resin = Hole { ground: 0.4, specks: 0.0, tint: 0.09, not_brown: 0.02, ..full_of_slurry() };
        let garnet = Hole { not_brown: 0.08, ..resin.clone() };
        let [resin, garnet] = [resin, garnet].map(|h| h.odds().probability()).map(|p| (p / (1.0 - p)).ln());
        assert!(resin > 2.0 && garnet < resin - 2.0, "log odds {resin} {garnet}");
    }

    #[test]
    fn resin_is_told_by_its_evenness_whatever_its_level() {
        let even = Hole { level: 0.01, ground: 0.4, specks: 0.0, ..open_pit() };
        let rough = Hole { level: 0.01, ..open_pit() };
        assert!(even.odds().probability() > 0.9 && rough.odds_by_inside().probability() < 0.4);
    }
}
