//! Whether a patch is lifted: what must hold, and how sure it is.

use super::patch::Patch;
use crate::section::odds::Odds;

/// Smallest short side of a patch, µm, and its least area, that of a disc 200 µm across (house values).
const SHORTEST_UM: f64 = 150.0;
const LEAST_UM2: f64 = 3.14e4;
/// Least range of thickness over which the colours are followed, nm: more than once round, so that each colour has its
/// opposite beside it in the order that the film has them.
const LEAST_RANGE_NM: f64 = 340.0;
/// Least share of the tints that the film must explain.
const LEAST_EXPLAINED: f64 = 0.85;
/// Least evenness of the film's slope; a dome has 0.89, what is followed in steps of the path's less where it is gentle.
const LEAST_EVEN: f64 = 0.25;
/// Bounds of how light follows colour; 1 is the film's.
const LIGHT: [f64; 2] = [0.35, 1.8];
/// Least share of neighbouring places in different crystals: colours within one crystal may be its own zones.
const LEAST_CRYSTALS: f64 = 0.03;

impl Patch {
    /// Whether it has all that a film of air has.
    #[must_use]
    pub fn is_film(&self) -> bool {
        self.short_um >= SHORTEST_UM
            && self.area_um2 >= LEAST_UM2
            && self.range_nm() >= LEAST_RANGE_NM
            && self.explained >= LEAST_EXPLAINED
            && self.even >= LEAST_EVEN
            && (LIGHT[0]..=LIGHT[1]).contains(&self.light)
            && self.crystals >= LEAST_CRYSTALS
    }

    /// What speaks for and against a film.
    #[must_use]
    pub fn odds(&self) -> Odds {
        Odds::before(-1.0)
            .with("range", (self.range_nm() / LEAST_RANGE_NM).ln().clamp(-1.0, 1.2), 2.0)
            .with("explained", (self.explained - LEAST_EXPLAINED).clamp(-0.5, 0.15), 12.0)
            .with("even", (self.even - LEAST_EVEN).clamp(-0.4, 0.4), 4.0)
            .with("light", 0.5 - (self.light - 1.0).abs().min(1.0), 2.0)
            .with("size", (self.area_um2 / LEAST_UM2).ln().clamp(-1.0, 2.0), 0.5)
    }
}
