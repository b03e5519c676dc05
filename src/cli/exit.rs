//! Exit codes: a small public promise. A failure never looks like a verdict.

use std::process::ExitCode;

use crate::verdict::Outcome;

/// A slide could not be checked, or a report not written.
pub const FAILED: u8 = 1;
/// The command line was not understood (set by the argument parser).
pub const USAGE: u8 = 2;

/// Printed under the help.
pub const HELP: &str = "Exit codes: 0 pass, 10 regrind, 11 recover, 12 remake, 13 undetermined; 1 a slide could not be \
checked, 2 the command line was not understood. Of several slides the first in this order: 1, 12, 10, 11, 13, 0.";

/// Exit code of a verdict.
#[must_use]
pub fn code(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::Pass => 0,
        Outcome::Regrind => 10,
        Outcome::Recover => 11,
        Outcome::Remake => 12,
        Outcome::Undetermined => 13,
    }
}

/// Exit code of several slides: a failure first, then the verdict that asks for most.
#[must_use]
pub fn of_all(outcomes: &[Option<Outcome>]) -> ExitCode {
    if outcomes.iter().any(Option::is_none) {
        return ExitCode::from(FAILED);
    }
    let order = [Outcome::Remake, Outcome::Regrind, Outcome::Recover, Outcome::Undetermined];
    let worst = order.into_iter().find(|o| outcomes.contains(&Some(*o))).unwrap_or(Outcome::Pass);
    ExitCode::from(code(worst))
}
