//! What speaks for a thread and against it.

use crate::section::fibres::looks::Thread;
use crate::section::odds::Odds;

impl Thread {
    /// What speaks for a thread and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        let flag = |is: bool| f64::from(u8::from(is));
        // What is thin and straight is a scratch, a crack or a cleavage sooner than a thread.
        let thin = ((9.0 - self.width_um) / 4.0).clamp(0.0, 1.0);
        let evidence = (self.evidence.max(1.0) / 45.0).ln().clamp(-1.5, 2.5);
        let straight = ((0.05 - self.bow) / 0.05).clamp(0.0, 1.0);
        // Weights were fitted on rendered fields with the signs held that the trade gives them, and drawn toward none.
        Odds::before(-5.36)
            .with("strength", self.strength, 1.19)
            .with("fill", self.fill - 0.8, 2.32)
            // A thread is as dark from end to end, and smooth; cracks and borders are ragged and uneven.
            .with("uneven", self.unevenness.min(1.5), -1.52)
            .with("rough", self.roughness.min(1.2), -1.85)
            .with("kinks", self.kinks.min(0.6), -7.77)
            // A border has another tone on either side, and stands alone between two crystals.
            .with("step", self.step.min(3.0), -0.33)
            .with("border", self.divides * self.outstanding.ln(), -0.43)
            // It lies over whatever crystals there are; what is a crystal's own ends with it.
            .with("elsewhere", self.elsewhere, 2.40)
            .with("crystals", self.crystals.min(6.0).ln(), 0.77)
            .with("in one", flag(self.crystals < 2.0), -0.72)
            // Most are doubly refracting.
            .with("shine", self.shine.clamp(-0.2, 0.4), 5.33)
            .with("shines alone", self.shine.clamp(0.0, 0.4) * self.outstanding.ln(), 3.82)
            .with("depth", (self.depth.max(0.01) / 0.15).ln().clamp(-1.5, 1.5), 1.27)
            .with("width", (self.width_um.max(1.0) / 8.0).ln().clamp(-1.5, 1.5), 1.13)
            .with("broad", flag(self.broad), -0.24)
            .with("broad evidence", flag(self.broad) * evidence, 1.15)
            .with("straight and thin", thin * straight, -1.32)
            .with("straight", straight, -0.69)
            // Ore is black, mica brown.
            .with("black", self.black, -5.43)
            .with("brown", self.brown.clamp(0.0, 0.6), -5.79)
            .with("covered", self.covered, -3.72)
    }
}
