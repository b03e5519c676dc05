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
        let straight = ((0.05 - self.bow) / 0.05).clamp(0.0, 1.0);
        Odds::before(-3.0)
            .with("length", (self.length_um / 300.0).ln().clamp(-1.0, 2.0), 1.0)
            .with("evidence", (self.evidence.max(1.0) / 45.0).ln().clamp(-1.5, 2.5), 1.0)
            .with("strength", self.strength, 0.5)
            .with("fill", self.fill - 0.8, 4.0)
            .with("uneven", self.unevenness.min(1.5), -2.0)
            .with("rough", self.roughness.min(1.2), -2.0)
            .with("kinks", self.kinks.min(0.6), -4.0)
            .with("step", self.step.min(3.0), -0.5)
            .with("divides", self.divides, -3.0)
            .with("elsewhere", self.elsewhere, 1.0)
            .with("crystals", self.crystals.min(6.0).ln(), 0.5)
            .with("shine", self.shine.clamp(-0.2, 0.4), 3.0)
            .with("outstanding", self.outstanding.ln(), 0.5)
            .with("depth", (self.depth.max(0.01) / 0.15).ln().clamp(-1.5, 1.5), 0.0)
            .with("width", (self.width_um.max(1.0) / 8.0).ln().clamp(-1.5, 1.5), 0.0)
            .with("aspect", (self.length_um / self.width_um.max(1.0) / 15.0).ln().clamp(-2.0, 2.5), 0.5)
            .with("straight and thin", thin * straight, -1.5)
            .with("straight", straight, -0.5)
            .with("in one", flag(self.crystals < 2.0), -0.5)
            .with("crossings", (1.0 + self.crossings).ln(), 0.5)
            .with("brown", self.brown.clamp(0.0, 0.6), -3.0)
            .with("broad", flag(self.broad), 0.0)
            .with("turned", (self.turned - 3.0).max(0.0), -0.5)
            .with("closed", flag(self.closed), -3.0)
            .with("covered", self.covered, -4.0)
    }
}
