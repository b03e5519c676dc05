//! What is not known leaves a verdict open only when it must.

use super::*;

#[test]
fn scratches_of_a_section_of_unknown_thickness_are_told_and_left_open() {
    let v = verdict(&record(), &unknown(), &scratched());
    assert_eq!((v.outcome, v.regrind_plan), (Outcome::Undetermined, None));
    assert_eq!(v.reasons[0].limit, Limit::Scratches);
    assert!(v.why.starts_with("Scratches run") && v.why.contains("rock to spare"), "{}", v.why);
    assert!(v.why.contains("could not be measured"), "{}", v.why);
    assert!(v.next_steps.iter().any(|s| s.starts_with("Find out how thick it is")), "{:?}", v.next_steps);
}

#[test]
fn scratches_are_left_open_where_rock_to_spare_is_uncertain() {
    // 28.2 - 3 lies as likely under 25 as above.
    let close = measured(surface(28.2, 0.6, [0.0, 0.0], 0.005));
    let v = verdict(&record(), &close, &scratched());
    assert_eq!((v.outcome, v.regrind_plan), (Outcome::Undetermined, None));
    assert!(v.why.ends_with("Whether there is rock to spare for grinding them out is not known."), "{}", v.why);
    assert!(v.next_steps.iter().any(|s| s.contains("four angles 22.5 degrees")), "{:?}", v.next_steps);
}

#[test]
fn lines_in_doubt_leave_scratches_open() {
    let faint = |share, confidence, n| Tally { scratches_in_doubt: vec![Weighed { share, confidence }; n], ..clean() };
    let v = verdict(&record(), &sound(), &faint(0.4, 0.3, 8));
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert_eq!(v.why, "No scratch is certain, and doubtful lines would add 3.20 mm per mm²; 1 is allowed.");
    assert!(v.next_steps.iter().any(|s| s.starts_with("Photograph the scratches again")), "{:?}", v.next_steps);
    let mut with_some = faint(0.4, 0.3, 3);
    with_some.scratches = vec![Weighed { share: 0.3, confidence: 0.98 }; 2];
    with_some.totals.scratch_mm_per_mm2 = Some(0.6);
    let v = verdict(&record(), &sound(), &with_some);
    assert_eq!(v.why, "Scratches run 0.60 mm per mm², and doubtful lines would add 1.20; 1 is allowed.");
    assert_eq!(verdict(&record(), &sound(), &faint(0.2, 0.3, 3)).outcome, Outcome::Pass);
}

#[test]
fn what_is_not_known_matters_only_when_it_must() {
    assert_eq!(verdict(&record(), &unknown(), &clean()).outcome, Outcome::Undetermined);
    // No scale: nothing found, nothing to judge; something found, the limits it falls under are missing.
    let mut no_scale = clean();
    no_scale.bubble_area_mm2 = None;
    no_scale.totals =
        DefectTotals { bubble_area_fraction: Some(0.0), pluck_area_fraction: Some(0.0), ..DefectTotals::default() };
    assert_eq!(verdict(&record(), &sound(), &no_scale).outcome, Outcome::Pass);
    let mut found = no_scale.clone();
    found.bubbles = vec![WeighedBubble { diameter_um: None, share: 0.0001, confidence: 0.98 }];
    let v = verdict(&record(), &sound(), &found);
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert!(v.next_steps[0].contains("um_per_px"), "{:?}", v.next_steps);
    let mut coarse = clean();
    coarse.unjudged.push((DefectKind::Scratches, "scratches: 6 µm per pixel is too coarse".into()));
    coarse.totals.scratch_mm_per_mm2 = None;
    let v = verdict(&record(), &sound(), &coarse);
    assert_eq!(v.outcome, Outcome::Pass);
    assert_eq!(v.notes, ["The length of scratches was not judged: 6 µm per pixel is too coarse."]);
    // What was found there all the same is no small one: the limit that it counts against must be known.
    let mut with_bubble = clean();
    let why = "bubbles: 15.0 µm per pixel is too coarse to show small ones".to_owned();
    with_bubble.unjudged.push((DefectKind::Bubbles, why));
    assert_eq!(verdict(&record(), &sound(), &with_bubble).outcome, Outcome::Pass);
    with_bubble.found_unjudged = [1, 0];
    let v = verdict(&record(), &sound(), &with_bubble);
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert!(v.next_steps.iter().any(|s| s.contains("4 µm per pixel or finer")), "{:?}", v.next_steps);
    assert!(v.next_steps.iter().all(|s| !s.contains("um_per_px")), "the scale is known: {:?}", v.next_steps);
    let mut one_position = clean();
    one_position.unjudged.push((DefectKind::Plucks, "plucked grains: one position of the polars does not tell".into()));
    one_position.totals.pluck_area_fraction = None;
    let v = verdict(&record(), &sound(), &one_position);
    assert_eq!(v.outcome, Outcome::Pass);
    assert_eq!(v.notes, ["The plucked area was not judged: one position of the polars does not tell."]);
    // Places that look plucked all the same ask for a second position; pores of clear resin would look so at both.
    one_position.plucks_at_one_position = 2;
    let v = verdict(&record(), &sound(), &one_position);
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert!(v.why.ends_with("2 places look like such holes."), "{}", v.why);
    assert!(v.next_steps[0].contains("a second 45 degrees away"), "{:?}", v.next_steps);
    // Too thick for certain, it is ground, but not before it is known that it need not be made again.
    let v = verdict(&record(), &measured(surface(44.0, 0.1, [0.0, 0.0], 0.0)), &one_position);
    assert_eq!(v.outcome, Outcome::Regrind);
    assert!(v.next_steps[0].starts_with("Before it is ground"), "{:?}", v.next_steps);
    assert!(v.next_steps[1].contains("a second 45 degrees away"), "{:?}", v.next_steps);
    assert!(v.notes.iter().any(|n| n.contains("plucked area was not judged")), "{:?}", v.notes);
    let clear = SlideRecord { impregnation: Impregnation::Clear, ..record() };
    assert_eq!(verdict(&clear, &sound(), &one_position).outcome, Outcome::Pass);
}

#[test]
fn smeared_photographs_are_waited_for() {
    let why = "A_xpl_0.jpg is smeared along one direction".to_owned();
    let smeared = Tally { unjudged: vec![(DefectKind::Plucks, why)], moved: true, ..clean() };
    let v = verdict(&record(), &sound(), &smeared);
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert!(v.why.contains("plucked area was not judged: A_xpl_0.jpg is smeared"), "{}", v.why);
    assert!(v.next_steps.iter().any(|s| s.contains("without touching")), "{:?}", v.next_steps);
    let unread = Thickness::NotMeasurable { why: "it is smeared".into(), next: crate::thickness::STAND_STILL.into() };
    let v = verdict(&record(), &unread, &smeared);
    assert_eq!(v.next_steps.iter().filter(|s| s.contains("without touching")).count(), 1, "{:?}", v.next_steps);
}

#[test]
fn plane_light_out_of_focus_is_photographed_again() {
    let why = "A_ppl.jpg is out of focus".to_owned();
    let mut blurred = Tally { unjudged: vec![(DefectKind::Scratches, why)], out_of_focus: true, ..clean() };
    blurred.totals.scratch_mm_per_mm2 = None;
    let v = verdict(&record(), &sound(), &blurred);
    assert_eq!(v.outcome, Outcome::Undetermined);
    assert!(v.why.contains("A_ppl.jpg is out of focus"), "{}", v.why);
    let steps = &v.next_steps;
    assert!(steps.iter().any(|s| s.starts_with("Focus on the section")), "{steps:?}");
    assert!(!steps.iter().any(|s| s.contains("um_per_px") || s.contains("without touching")), "{steps:?}");
}
