//! Exit codes: a small public promise. A failure never looks like a verdict.

use crate::verdict::Outcome;

/// A slide could not be checked, or a report not written.
pub const FAILED: u8 = 1;
/// The command line was not understood (set by the argument parser).
pub const USAGE: u8 = 2;

/// A bag is not as it was written (`archive --verify`).
pub const ALTERED: u8 = 20;

/// Printed under the help.
pub const HELP: &str = "Exit codes: 0 pass, 10 regrind, 11 recover, 12 remake, 13 undetermined; 1 a slide could not be \
checked, 2 the command line was not understood; frost: 0 frosted all over, 10 grind on, 13 undetermined; archive --verify: 20 a bag is not as it was written. Of several slides the first in this order: 1, 12, 10, 11, 13, 0.";

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

/// Exit code of several slides, `None` for one that could not be checked: a failure first, then the verdict that asks for most.
#[must_use]
pub fn of_all(outcomes: &[Option<Outcome>]) -> u8 {
    if outcomes.iter().any(Option::is_none) {
        return FAILED;
    }
    let order = [Outcome::Remake, Outcome::Regrind, Outcome::Recover, Outcome::Undetermined];
    let worst = order.into_iter().find(|o| outcomes.contains(&Some(*o))).unwrap_or(Outcome::Pass);
    code(worst)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// In the order in which they count.
    const BY_WEIGHT: [Option<Outcome>; 6] = [
        None,
        Some(Outcome::Remake),
        Some(Outcome::Regrind),
        Some(Outcome::Recover),
        Some(Outcome::Undetermined),
        Some(Outcome::Pass),
    ];

    #[test]
    fn no_two_ends_share_a_code_and_only_pass_is_zero() {
        let mut codes: Vec<u8> = BY_WEIGHT.iter().map(|o| of_all(&[*o])).chain([USAGE, ALTERED]).collect();
        assert_eq!(codes, [1, 12, 10, 11, 13, 0, 2, 20], "the codes are a promise");
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), BY_WEIGHT.len() + 2);
    }

    #[test]
    fn of_two_slides_the_weightier_counts_in_either_order() {
        for (i, heavy) in BY_WEIGHT.iter().enumerate() {
            for light in &BY_WEIGHT[i..] {
                for pair in [[*heavy, *light], [*light, *heavy]] {
                    assert_eq!(of_all(&pair), of_all(&[*heavy]), "{pair:?}");
                }
            }
        }
    }

    #[test]
    fn the_help_names_every_code_in_the_order_that_counts() {
        let order: Vec<String> = BY_WEIGHT.iter().map(|o| of_all(&[*o]).to_string()).collect();
        assert!(HELP.ends_with(&format!("{}.", order.join(", "))), "{HELP}");
        for (outcome, name) in [
            (Outcome::Pass, "pass"),
            (Outcome::Regrind, "regrind"),
            (Outcome::Recover, "recover"),
            (Outcome::Remake, "remake"),
            (Outcome::Undetermined, "undetermined"),
        ] {
            assert!(HELP.contains(&format!("{} {name}", code(outcome))), "{name}");
        }
    }
}
