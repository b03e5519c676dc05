//! The verdict: remake before regrind before recover before undetermined before pass.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::section::totals::Tally;
use crate::slide::record::{Finish, SlideRecord};
use crate::thickness::{Thickness, ThicknessSurface};
use crate::verdict::advice::{self, Case};
use crate::verdict::causes::{self, Cause};
use crate::verdict::conformance::{MET_FROM, share_of_draws};
use crate::verdict::limits::{Limit, Limits};
use crate::verdict::plan::{self, RegrindPlan};
use crate::verdict::reasons::{Reason, Side, reasons};

/// What is to become of the section.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Every limit is met on what was photographed.
    Pass,
    /// Rock must come off, and there is enough of it.
    Regrind,
    /// What is wrong may lie in the cover cement.
    Recover,
    /// Grinding cannot put it right.
    Remake,
    /// Nothing is missed for certain, and something that must be known is not.
    Undetermined,
}

/// What is known of the section.
#[derive(Clone, Copy, Debug)]
pub struct Findings<'a> {
    /// What the preparator says of it.
    pub record: &'a SlideRecord,
    /// The limits for it.
    pub limits: &'a Limits,
    /// Its thickness.
    pub thickness: &'a Thickness,
    /// Its defects.
    pub tally: &'a Tally,
    /// How many fields of view were photographed.
    pub fields: usize,
    /// How many of them have a stated place on the section.
    pub placed: usize,
}

/// The verdict with its reasons and what follows from it.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// What is to become of the section.
    pub outcome: Outcome,
    /// Why, in one sentence.
    pub why: String,
    /// What is there and does not fail it, and what was not judged.
    pub notes: Vec<String>,
    /// Every limit, those that decide first.
    pub reasons: Vec<Reason>,
    /// What to do, in order.
    pub next_steps: Vec<String>,
    /// How to grind it; only with [`Outcome::Regrind`], and never for an untouchable section.
    pub regrind_plan: Option<RegrindPlan>,
    /// What to take care of.
    pub cautions: Vec<String>,
    /// Where the defects that were found usually come from, and what cures them.
    pub causes: Vec<Cause>,
}

/// Judges a section.
#[must_use]
pub fn judge(findings: &Findings) -> Verdict {
    let impregnation = findings.record.impregnation;
    let mut reasons = reasons(findings.limits, findings.thickness, findings.tally, impregnation);
    let (outcome, plan) = decide(findings, &reasons);
    reasons.sort_by_key(|r| rank(outcome, r));
    let case = Case {
        outcome,
        record: findings.record,
        thickness: findings.thickness,
        tally: findings.tally,
        reasons: &reasons,
        plan: plan.as_ref(),
    };
    let next_steps = advice::next_steps(&case);
    let notes = advice::notes(&case, findings.fields, findings.placed);
    let cautions = advice::cautions(&case);
    let why = why(outcome, &reasons, plan.is_some());
    let regrind_plan = plan.filter(|_| !findings.record.untouchable);
    let causes = causes::causes(findings.record, findings.tally);
    Verdict { outcome, why, notes, reasons, next_steps, regrind_plan, cautions, causes }
}

fn decide(findings: &Findings, reasons: &[Reason]) -> (Outcome, Option<RegrindPlan>) {
    let missed = |limit: Limit| reasons.iter().any(|r| r.limit == limit && r.missed());
    let missed_side = |side: Side| reasons.iter().any(|r| r.side == Some(side) && r.missed());
    let in_cement = |limit: Limit| matches!(limit, Limit::LargestBubble | Limit::BubblesPerMm2 | Limit::BubbleArea);
    let bubbles = reasons.iter().any(|r| in_cement(r.limit) && r.missed());
    let only_bubbles = reasons.iter().filter(|r| r.missed()).all(|r| in_cement(r.limit));
    let covered = findings.record.finish == Finish::Covered;

    if missed_side(Side::Thinnest) || missed(Limit::PluckedArea) || (bubbles && !(covered && only_bubbles)) {
        return (Outcome::Remake, None);
    }
    let rock_too_thick = missed_side(Side::Thickest) || missed(Limit::RangeAcross);
    let scratched = missed(Limit::Scratches);
    let plan = match findings.thickness {
        Thickness::Measured(surface) if rock_too_thick || scratched => {
            plan::regrind(findings.record, surface, findings.limits, scratched)
        }
        _ => None,
    };
    if rock_too_thick {
        // Too thick and scratched: when there is no rock for the scratches, what is too thick still comes off.
        let plan = plan.or_else(|| match findings.thickness {
            Thickness::Measured(surface) => plan::regrind(findings.record, surface, findings.limits, false),
            Thickness::NotMeasurable { .. } => None,
        });
        return plan.map_or((Outcome::Remake, None), |p| (Outcome::Regrind, Some(p)));
    }
    if scratched {
        match findings.thickness {
            // Nobody can say whether there is rock to spare: grinding would be a guess.
            Thickness::NotMeasurable { .. } => return (Outcome::Undetermined, None),
            Thickness::Measured(surface) => {
                if plan.is_some() {
                    return (Outcome::Regrind, plan);
                }
                if !no_rock_to_spare(surface, findings.limits) {
                    return (Outcome::Undetermined, None);
                }
                // Polish to come takes shallow scratches, cement hides them; a finished polish does neither.
                if findings.record.finish == Finish::Polished && !findings.record.polish_to_come {
                    return (Outcome::Remake, None);
                }
            }
        }
    }
    if bubbles {
        return (Outcome::Recover, None);
    }
    let not_known = reasons.iter().any(|r| r.undetermined() || r.missing);
    (if not_known { Outcome::Undetermined } else { Outcome::Pass }, None)
}

/// Whether it is certain that taking scratches out would leave the section too thin somewhere.
fn no_rock_to_spare(surface: &ThicknessSurface, limits: &Limits) -> bool {
    let left = |e: &[f64; 2]| e[0] - plan::SCRATCH_DEPTH_UM;
    share_of_draws(&surface.extremes_um, |e| left(e) < limits.thickness_min_um).is_none_or(|p| p >= MET_FROM)
}

/// Whether a limit that is missed is missed for good: grinding takes off, it puts nothing back.
fn beyond_grinding(reason: &Reason) -> bool {
    reason.missed()
        && (reason.side == Some(Side::Thinnest)
            || matches!(
                reason.limit,
                Limit::PluckedArea | Limit::LargestBubble | Limit::BubblesPerMm2 | Limit::BubbleArea
            ))
}

/// Order of the reasons: those that brought the outcome about come first.
fn rank(outcome: Outcome, reason: &Reason) -> u8 {
    let decides = match outcome {
        Outcome::Pass => false,
        // Scratches of a section whose thickness is not known are missed for certain and left open all the same.
        Outcome::Undetermined if reason.missed() => return 0,
        Outcome::Undetermined => reason.undetermined() || reason.missing,
        Outcome::Recover | Outcome::Regrind => reason.missed(),
        Outcome::Remake if beyond_grinding(reason) => return 0,
        Outcome::Remake => reason.missed() && reason.side != Some(Side::Thickest),
    };
    if decides { 1 } else { 2 }
}

fn why(outcome: Outcome, reasons: &[Reason], planned: bool) -> String {
    let first = |keep: &dyn Fn(&Reason) -> bool| reasons.iter().find(|r| keep(r)).map(|r| r.sentence.clone());
    match outcome {
        Outcome::Pass if reasons.iter().any(|r| r.missed() && r.limit == Limit::Scratches) => {
            "It is scratched, and there is no rock to spare for taking the scratches out.".into()
        }
        Outcome::Pass if reasons.iter().any(Reason::is_unjudged_defect) => {
            "Every limit that could be judged is met on what was photographed.".into()
        }
        Outcome::Pass => "Every limit is met on what was photographed.".into(),
        Outcome::Regrind | Outcome::Recover => first(&|r| r.missed()).unwrap_or_else(|| "A limit is missed.".into()),
        Outcome::Remake => {
            let reason = first(&|r| r.missed()).unwrap_or_else(|| "A limit is missed.".into());
            let for_grinding = reasons.iter().any(Reason::missed)
                && reasons.iter().filter(|r| r.missed()).all(|r| {
                    r.side == Some(Side::Thickest) || matches!(r.limit, Limit::RangeAcross | Limit::Scratches)
                });
            if for_grinding && !planned {
                format!("{reason} There is not enough rock left to grind it out.")
            } else {
                reason
            }
        }
        Outcome::Undetermined => {
            let scratched = first(&|r| r.missed())
                .map(|s| format!("{s} Whether there is rock to spare for grinding them out is not known."));
            let open = first(&|r| r.undetermined() || r.missing);
            let all: Vec<String> = scratched.into_iter().chain(open).collect();
            if all.is_empty() { "Something that must be known is not.".into() } else { all.join(" ") }
        }
    }
}

#[cfg(test)]
mod tests;
