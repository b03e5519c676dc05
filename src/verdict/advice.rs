//! What to do next, as a preparator would say it, and what to take care of while doing it.
//!
//! Causes, cures and cautions are common practice of the trade unless a source is named; none of them is a norm.

use crate::section::defects::DefectKind;
use crate::section::totals::Tally;
use crate::section::unsharp::IN_FOCUS;
use crate::slide::record::{Finish, SlideRecord};
use crate::thickness::{QUARTZ_NAME, STAND_STILL, Shape, Thickness, ThicknessSurface};
use crate::verdict::judge::Outcome;
use crate::verdict::limits::Limit;
use crate::verdict::plan::{RegrindPlan, wheel_stop_um};
use crate::verdict::reasons::{Reason, Side};

/// Everything the advice depends on.
pub(super) struct Case<'a> {
    pub(super) outcome: Outcome,
    pub(super) record: &'a SlideRecord,
    pub(super) thickness: &'a Thickness,
    pub(super) tally: &'a Tally,
    pub(super) reasons: &'a [Reason],
    pub(super) plan: Option<&'a RegrindPlan>,
}

impl Case<'_> {
    fn missed(&self, limit: Limit) -> bool {
        self.reasons.iter().any(|r| r.limit == limit && r.missed())
    }

    fn missed_any(&self, limits: &[Limit]) -> bool {
        limits.iter().any(|l| self.missed(*l))
    }

    fn in_doubt(&self, limit: Limit) -> bool {
        self.reasons.iter().any(|r| r.limit == limit && (r.undetermined() || r.missing))
    }
}

const BUBBLE_LIMITS: [Limit; 3] = [Limit::LargestBubble, Limit::BubblesPerMm2, Limit::BubbleArea];

/// Sentences for the bench, in the order in which they are done.
pub(super) fn next_steps(case: &Case) -> Vec<String> {
    if case.record.untouchable {
        return untouchable(case);
    }
    let steps = match case.outcome {
        Outcome::Pass => pass(case),
        Outcome::Regrind => regrind(case),
        Outcome::Recover => recover(),
        Outcome::Remake => remake(case),
        Outcome::Undetermined => undetermined(case),
    };
    let looks_lifted = !case.tally.lifted.is_empty() && case.outcome != Outcome::Remake;
    let look = looks_lifted
        .then(|| "First press on what looks lifted: where its colours shift it is loose, never grind it.".to_owned());
    look.into_iter().chain(steps).collect()
}

fn untouchable(case: &Case) -> Vec<String> {
    let mut steps = vec!["This section is not to be touched: keep the finding with its record.".to_owned()];
    if case.outcome == Outcome::Undetermined {
        steps.extend(undetermined(case));
    }
    steps
}

fn pass(case: &Case) -> Vec<String> {
    let step = if case.record.polish_to_come {
        "Go on to the polish: it takes 3 to 5 µm, so watch the thickness while you do."
    } else if case.record.finish == Finish::Uncovered {
        "Clean it, cover it or leave it as it was ordered, and register it."
    } else {
        "Label it and register it."
    };
    vec![step.into()]
}

fn regrind(case: &Case) -> Vec<String> {
    let mut steps = look_again(case);
    if !steps.is_empty() {
        steps.insert(0, "Before it is ground, make sure that it need not be made again.".to_owned());
    }
    if case.record.finish == Finish::Covered {
        steps.push(
            "Take the cover off first: balsam gives to warmth or solvent, epoxy mostly does not without harm; if it \
             does not come off, leave the section as it is."
                .to_owned(),
        );
    }
    if case.missed(Limit::Scratches) {
        steps.push(
            "Go back one grit for the scratches, and wash plate, holder and section before every change of grit."
                .to_owned(),
        );
        // The longest set; across it the old marks stand out from the new.
        if let Some(set) = case.tally.scratch_sets.first() {
            let grit = set.grit.as_ref().map_or_else(String::new, |g| format!(", left by {}", g.words()));
            steps.push(format!(
                "Work across the scratches that run {:.0}° anticlockwise from the long edge of the photograph{grit}, until none runs that way.",
                set.direction_deg
            ));
        }
    }
    steps.extend(case.plan.iter().flat_map(|plan| plan.sentences.iter().cloned()));
    steps.push("Photograph it and check it again.".to_owned());
    steps
}

fn recover() -> Vec<String> {
    vec![
        "Focus up and down first: a bubble in the cover cement is sharp above the grains, one in the bond below them."
            .into(),
        "If they are in the cement, lift the cover, clean the section and photograph it bare.".into(),
        "Check it again, and cover it anew when the bubbles are gone; bubbles that stay are in the bond.".into(),
    ]
}

fn remake(case: &Case) -> Vec<String> {
    let mut steps = Vec::new();
    let area = case.tally.totals.area_mm2;
    if case.missed(Limit::PluckedArea) && case.tally.plucks.len() <= 2 {
        let looked = area.map_or_else(|| "little".to_owned(), |a| format!("{a:.1} mm²"));
        steps.push(format!("Only {looked} was looked at and few places make up the loss: photograph more of the section before giving it up."));
    }
    steps.push(match case.record.offcut_left {
        Some(true) => "Make it again from the off-cut, and keep this one until the new one passes.".into(),
        Some(false) => "No off-cut is left: keep this section, and note on its record what it cannot show.".into(),
        None => {
            "Ask first whether an off-cut is left; without one keep this section and note what it cannot show.".into()
        }
    });
    if case.record.offcut_left != Some(false) {
        if case.reasons.iter().any(|r| r.side == Some(Side::Thinnest) && r.missed()) {
            let stop = wheel_stop_um(case.record.target_um);
            steps.push(format!("This time stop the wheel at about {stop:.0} µm, finish by hand and look often."));
        }
        if case.missed_any(&BUBBLE_LIMITS) {
            steps.push("Dry the chip well, stir the resin gently, lower the chip at an angle and press the bubbles to the edge.".into());
        }
        if case.missed(Limit::PluckedArea) {
            steps.push("Impregnate the slab before cutting it, and do not stay long on the coarse grit.".into());
        }
    }
    steps
}

fn undetermined(case: &Case) -> Vec<String> {
    let mut steps = Vec::new();
    match case.thickness {
        Thickness::NotMeasurable { next, .. } => {
            steps.push(next.clone());
            if case.missed(Limit::Scratches) && !case.record.untouchable {
                steps.push(
                    "Find out how thick it is before it is touched for the scratches: without that nobody can say whether there is rock to spare."
                        .to_owned(),
                );
            }
        }
        Thickness::Measured(surface) => {
            if case.missed(Limit::Scratches) || case.in_doubt(Limit::Thickness) || case.in_doubt(Limit::RangeAcross) {
                steps.push(if surface.gradient_um_per_mm.is_none() {
                    "Photograph the four corners and the centre, each between crossed polars at four angles 22.5 degrees apart."
                        .to_owned()
                } else {
                    format!(
                        "Photograph more fields with {} in them, near the corners, at four angles 22.5 degrees apart or more.",
                        surface.mineral
                    )
                });
                if case.reasons.iter().any(|r| r.side == Some(Side::Thickest) && r.undetermined())
                    && !case.record.untouchable
                {
                    steps.push("If it must go on now: a very little at a time, and look again after each.".to_owned());
                }
            }
        }
    }
    // What thickness waits for may be what the rest waits for.
    let new = look_again(case).into_iter().filter(|step| !steps.contains(step)).collect::<Vec<_>>();
    steps.extend(new);
    let scale_needed = |r: &Reason| r.missing && !matches!(r.limit, Limit::Thickness | Limit::PluckedArea);
    if !case.tally.is_unsharp() && case.tally.totals.area_mm2.is_none() && case.reasons.iter().any(scale_needed) {
        steps.push(
            "Give the scale as um_per_px under [scale] in slide.toml (from a stage micrometer), and check again."
                .to_owned(),
        );
    }
    let found_coarse = |r: &Reason| r.missing && r.limit != Limit::Thickness;
    if !case.tally.is_unsharp()
        && case.tally.totals.area_mm2.is_some()
        && case.tally.plucks_at_one_position == 0
        && case.reasons.iter().any(found_coarse)
    {
        steps.push(
            "What was found shows at this scale, what is small does not: photograph those places at 4 µm per pixel or finer, and check again."
                .to_owned(),
        );
    }
    let doubtful = |limits: &[Limit]| case.reasons.iter().any(|r| limits.contains(&r.limit) && r.undetermined());
    if doubtful(&[Limit::Scratches]) {
        steps.push(
            "Photograph the scratches again with the condenser stopped down, at 2 µm per pixel or finer.".to_owned(),
        );
    }
    steps
}

/// What would show whether bubbles and holes condemn the section.
fn look_again(case: &Case) -> Vec<String> {
    let mut steps = Vec::new();
    let doubtful = |limits: &[Limit]| case.reasons.iter().any(|r| limits.contains(&r.limit) && r.undetermined());
    let again = [(case.tally.moved, STAND_STILL), (case.tally.out_of_focus, IN_FOCUS)];
    steps.extend(again.iter().filter(|(is_so, _)| *is_so).map(|(_, step)| (*step).to_owned()));
    if doubtful(&BUBBLE_LIMITS) {
        steps.push("Photograph more fields, and the largest bubbles once more in focus.".to_owned());
    }
    let seen_once = case.tally.plucks_at_one_position > 0 && case.in_doubt(Limit::PluckedArea);
    if doubtful(&[Limit::PluckedArea]) || seen_once {
        steps.push(
            "Turn the doubtful holes between crossed polars: a hole stays dark at every angle, a grain lights up. When only one angle was photographed, photograph a second 45 degrees away."
                .to_owned(),
        );
    }
    steps
}

/// A centre-high section whose rim is under the target while nothing comes off: the other side of a dished plate.
fn thin_edges(case: &Case, surface: &ThicknessSurface) -> Option<String> {
    let map = surface.map.as_ref().filter(|m| m.told() == Some(Shape::CentreHigh))?;
    let rim = surface.at_corners_um?.iter().map(|m| m.value).sum::<f64>() / 4.0;
    (case.outcome != Outcome::Regrind && rim < case.record.target_um).then(|| {
        format!(
            "Its edges are thin: {rim:.1} µm at the corners, {:.1} at the centre. Nothing puts rock back there: judge by \
             its centre, and leave more margin and lap on a flat plate the next time.",
            map.centre_um.value
        )
    })
}

/// The fibres that were found; None without any.
fn fibres(case: &Case) -> Option<String> {
    let longest = case.tally.fibres.first()?;
    let n = case.tally.fibres.len();
    let size = match (n, longest) {
        (_, None) => String::new(),
        (1, Some(um)) => format!(", {:.1} mm long,", um / 1000.0),
        (_, Some(um)) => format!(", the longest of {:.1} mm,", um / 1000.0),
    };
    let (noun, lie, do_not) = if n == 1 { ("fibre", "lies", "It does not") } else { ("fibres", "lie", "They do not") };
    let place = match case.record.finish {
        Finish::Covered => "on the cover or perhaps under it",
        Finish::Uncovered | Finish::Polished => "on the section",
    };
    Some(format!("{n} {noun}{size} {lie} {place}. {do_not} count against the section."))
}

/// The places that look lifted; None without any.
fn lifted(case: &Case) -> Option<String> {
    let largest = case.tally.lifted.first()?;
    let n = case.tally.lifted.len();
    let area = |um2: &f64| format!("{:.2} mm²", um2 / 1e6);
    let (places, show, they) = match (n, largest.as_ref().map(area)) {
        (1, Some(area)) => (format!("1 place of {area}"), "shows", "It does"),
        (1, None) => ("1 place".to_owned(), "shows", "It does"),
        (_, Some(area)) => (format!("{n} places, the largest of {area},"), "show", "They do"),
        (_, None) => (format!("{n} places"), "show", "They do"),
    };
    let proof = if case.record.untouchable { "the slide is tilted" } else { "it is pressed or tilted" };
    Some(format!(
        "{places} {show} the colours of a film of air and may have lifted off the glass; colours that shift when {proof} \
         are the proof. {they} not count here, but a lifted section is never ground: it tears out."
    ))
}

/// What is there and does not fail the section, and what was not judged.
pub(super) fn notes(case: &Case, fields: usize, placed: usize) -> Vec<String> {
    let mut notes = Vec::new();
    if let Thickness::Measured(surface) = case.thickness {
        if surface.gradient_um_per_mm.is_none() {
            let why = match (fields, placed) {
                (1, _) => "one field of view does not span it".to_owned(),
                (n, _) if n < 3 => format!("{n} fields of view do not span it"),
                (n, p) if p < 3 => format!("of {n} fields of view {p} are placed on the section (centre_mm)"),
                (_, _) => "the fields of view lie too close together".to_owned(),
            };
            notes.push(format!(
                "The range across the section was not judged: {why}. Fields at the four corners and the centre would show it."
            ));
        }
        notes.extend(surface.notes.iter().cloned());
        notes.extend(thin_edges(case, surface));
    }
    for reason in case.reasons {
        let small = reason.met == Some(true)
            && match reason.limit {
                Limit::LargestBubble | Limit::BubbleArea => false,
                Limit::BubblesPerMm2 => !case.tally.bubbles.is_empty(),
                Limit::PluckedArea => !case.tally.plucks.is_empty(),
                Limit::Scratches => !case.tally.scratches.is_empty(),
                Limit::Thickness | Limit::RangeAcross => false,
            };
        if small {
            notes.push(reason.sentence.clone());
        }
        if let (Some([_, high]), Some(limit), Some(true)) = (reason.section_interval, reason.allowed[1], reason.met)
            && high > limit
            && !case.tally.bubbles.is_empty()
        {
            notes.push(format!(
                "That holds for what was photographed: on the section as a whole there may be up to {high:.1} bubbles per mm² (95 %)."
            ));
        }
        let why = reason.missing && case.outcome == Outcome::Undetermined;
        if reason.limit != Limit::RangeAcross && reason.conformance_probability.is_none() && !why {
            notes.push(reason.sentence.clone());
        }
    }
    for (kind, why) in &case.tally.partly_judged {
        notes.push(format!("Not every field could show {}: {}.", kind_words(*kind), why.trim_end_matches('.')));
    }
    if case.tally.ambiguous_plucks > 0 {
        let n = case.tally.ambiguous_plucks;
        notes.push(format!(
            "{n} {} not counted; reflected light would tell, and dyed resin a pore.",
            if n == 1 {
                "hole may as well be the rock's own, a pore or an isotropic mineral, and is"
            } else {
                "holes may as well be the rock's own, pores or isotropic minerals, and are"
            }
        ));
    }
    notes.extend(fibres(case));
    notes.extend(lifted(case));
    if case.outcome == Outcome::Pass && case.missed(Limit::Scratches) {
        notes.push(match (case.record.polish_to_come, case.record.finish) {
            (true, _) => {
                "There is no rock to spare for the scratches: the polish still to come takes the shallow ones.".into()
            }
            (false, Finish::Covered) => {
                "There is no rock to spare for the scratches, and the section is covered: they stay.".into()
            }
            (false, _) if case.record.untouchable => {
                "There is no rock to spare for the scratches, and nothing is to touch the section: they stay.".into()
            }
            (false, _) => {
                "There is no rock to spare for the scratches: cover it, since the cement hides shallow ones.".into()
            }
        });
    }
    if case.record.micrometer_um.is_some() && case.record.sequence.is_some_and(|n| n > 1) {
        let ago = match case.record.sequence.unwrap_or(0) {
            2 => "one section".to_owned(),
            n => format!("{} sections", n - 1),
        };
        notes.push(format!("The micrometer was zeroed {ago} ago: its reading may have drifted."));
    }
    notes.dedup();
    notes
}

/// What to take care of at the bench; the laboratory's own rules come first.
pub(super) fn cautions(case: &Case) -> Vec<String> {
    let mut out = Vec::new();
    if !case.record.untouchable && matches!(case.outcome, Outcome::Regrind | Outcome::Remake) {
        out.push("Grind and cut wet, never dry, and wipe up wet: dust of quartz harms the lungs for good.".into());
        out.push("Keep sleeves, hair and fingers clear of a turning wheel, and wear eye protection.".into());
        out.push(
            "If a part has lifted (a silvery patch or coloured fringes), do not grind it: it will tear out.".into(),
        );
    }
    if !case.record.untouchable && matches!(case.outcome, Outcome::Remake | Outcome::Recover) {
        out.push(
            "Uncured resin and its dust can make the skin allergic for life: gloves, and no solvent on the skin."
                .into(),
        );
    }
    if !case.record.untouchable && case.outcome == Outcome::Recover {
        out.push("Warm the slide slowly and lift the cover away from you: thin glass breaks into splinters.".into());
    }
    if !out.is_empty() {
        out.push("The laboratory's own rules come before these.".into());
    }
    let mineral = if let Thickness::Measured(surface) = case.thickness { surface.mineral } else { QUARTZ_NAME };
    out.push(format!(
        "Thickness is read from the colour of {mineral}: other minerals taken for it, or stressed resin, would mislead it."
    ));
    out
}

/// A kind of defect in words.
pub(crate) fn kind_words(kind: DefectKind) -> &'static str {
    match kind {
        DefectKind::Bubbles => "bubbles",
        DefectKind::Plucks => "plucked places",
        DefectKind::Scratches => "scratches",
    }
}
