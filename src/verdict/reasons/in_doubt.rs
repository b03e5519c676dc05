//! What is not called a defect, and may be one.

use crate::section::totals::Weighed;
use crate::verdict::conformance::{Met, sum_conformance};

/// A limit on a sum with what is in doubt.
pub(super) struct InDoubt {
    /// Probability that the limit is met.
    pub(super) p: f64,
    /// What the doubtful ones would add, where they alone leave the limit in doubt.
    pub(super) adds: Option<f64>,
}

impl InDoubt {
    /// What is called weighs by its confidence. What is in doubt may look alike for a reason it shares (the rock's own grains or
    /// lamellae): with even odds none of it counts, so that it leaves a limit in doubt and never misses it.
    pub(super) fn of(called: &[Weighed], in_doubt: &[Weighed], relative_u: f64, allowed: f64) -> Self {
        let weights = |all: &[Weighed]| -> Vec<(f64, f64)> { all.iter().map(|w| (w.share, w.confidence)).collect() };
        let without = sum_conformance(&weights(called), relative_u, allowed);
        let p = 0.5 * (without + sum_conformance(&weights(&[called, in_doubt].concat()), relative_u, allowed));
        let met = |p| Met::from_probability(Some(p)) == Met::Yes;
        if met(without) && !met(p) {
            Self { p, adds: Some(in_doubt.iter().map(|w| w.share).sum()) }
        } else {
            Self { p: without, adds: None }
        }
    }
}
