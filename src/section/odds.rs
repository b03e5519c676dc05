//! Evidence for and against a finding: cues that add up in log odds, each by its name, so that a call can be explained.

/// One cue: what was seen, in its own unit, and the log odds that a unit of it is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cue {
    /// What it is ("wall", "company").
    pub name: &'static str,
    /// What was seen, as it enters the sum.
    pub value: f64,
    /// Log odds a unit.
    pub weight: f64,
}

/// The cues of one finding.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Odds(pub Vec<Cue>);

impl Odds {
    /// From the log odds before anything was seen.
    #[must_use]
    pub fn before(prior: f64) -> Self {
        Self(vec![Cue { name: "prior", value: 1.0, weight: prior }])
    }

    /// Adds a cue.
    #[must_use]
    pub fn with(mut self, name: &'static str, value: f64, weight: f64) -> Self {
        self.0.push(Cue { name, value, weight });
        self
    }

    /// Sum of all cues, log odds.
    #[must_use]
    pub fn sum(&self) -> f64 {
        self.0.iter().map(|c| c.value * c.weight).sum()
    }

    /// Probability that the finding is what it is called, 0..=1.
    #[must_use]
    pub fn probability(&self) -> f64 {
        1.0 / (1.0 + (-self.sum()).exp())
    }

    /// The cue that speaks loudest against it; the prior when none does.
    #[must_use]
    pub fn most_against(&self) -> Cue {
        let loudest = self.0.iter().min_by(|a, b| (a.value * a.weight).total_cmp(&(b.value * b.weight)));
        loudest.copied().unwrap_or(Cue { name: "nothing", value: 0.0, weight: 0.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cues_multiply_odds_and_the_loudest_against_is_named() {
        let odds = Odds::before(0.0).with("round", 2.0, 1.5).with("ragged", 1.0, -2.0).with("pale", 0.5, -1.0);
        // e^(3 - 2 - 0.5) to one.
        assert!((odds.probability() - 1.0 / (1.0 + (-0.5_f64).exp())).abs() < 1e-12);
        assert_eq!(odds.most_against().name, "ragged");
        assert!((Odds::default().probability() - 0.5).abs() < 1e-12, "nothing seen, nothing known");
    }
}
