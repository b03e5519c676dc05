use super::*;

fn bubble(x_px: f64, y_px: f64, d: f64) -> TrueBubble {
    TrueBubble { field: "A".into(), x_px, y_px, diameter_px: d, diameter_um: d, flat: false, cut: false }
}

fn found_bubble(x_px: f64, y_px: f64, diameter_px: f64) -> FoundBubble {
    FoundBubble { field: "A".into(), x_px, y_px, diameter_px }
}

#[test]
fn bubbles_match_by_centre_and_size_one_to_one() {
    let truth = [bubble(100.0, 100.0, 40.0), bubble(300.0, 100.0, 40.0), bubble(-3.0, 10.0, 40.0)];
    let found = [found_bubble(109.0, 100.0, 44.0), found_bubble(101.0, 100.0, 60.0), found_bubble(311.0, 100.0, 40.0)];
    let m = match_bubbles(&found, &truth, [1000.0, 1000.0]);
    assert_eq!(m.hits, [(1, 0)], "the nearest wins");
    assert_eq!(m.false_found, [0, 2], "a second one, and one off by more than half a radius");
    assert_eq!(m.missed, [1], "the one outside the frame is not asked for");
}

#[test]
fn bubbles_of_another_field_do_not_match() {
    let other = FoundBubble { field: "B".into(), ..found_bubble(100.0, 100.0, 40.0) };
    assert!(match_bubbles(&[other], &[bubble(100.0, 100.0, 40.0)], [500.0, 500.0]).hits.is_empty());
}

fn pluck(box_px: [f64; 4], area_px: f64) -> TruePluck {
    TruePluck {
        field: "A".into(),
        x_px: 0.0,
        y_px: 0.0,
        area_px,
        area_um2: area_px,
        box_px,
        air: false,
        ambiguous_ok: false,
    }
}

#[test]
fn plucks_match_by_overlap_and_area_and_ambiguous_ones_are_never_false() {
    let truth = [pluck([0.0, 0.0, 10.0, 10.0], 80.0)];
    let found = |box_px, area_px, ambiguous| FoundPluck { field: "A".into(), area_px, box_px, ambiguous };
    // Union 150, common 50: 0.333.
    assert_eq!(match_plucks(&[found([5.0, 0.0, 15.0, 10.0], 80.0, false)], &truth).hits, [(0, 0)]);
    // Union 160, common 40: 0.25.
    assert_eq!(match_plucks(&[found([6.0, 0.0, 16.0, 10.0], 80.0, false)], &truth).false_found, [0]);
    assert!(match_plucks(&[found([0.0, 0.0, 10.0, 10.0], 20.0, false)], &truth).hits.is_empty());
    assert!(match_plucks(&[found([60.0, 0.0, 70.0, 10.0], 80.0, true)], &truth).false_found.is_empty());
}

fn scratch(y: f64, x1: f64, y1: f64) -> TrueScratch {
    TrueScratch {
        field: "A".into(),
        x0_px: 0.0,
        y0_px: y,
        x1_px: x1,
        y1_px: y1,
        width_um: 2.0,
        contrast: 0.2,
        bow_px: 0.0,
    }
}

fn found_scratch(x0_px: f64, y0_px: f64, x1_px: f64, y1_px: f64) -> FoundScratch {
    FoundScratch { field: "A".into(), x0_px, y0_px, x1_px, y1_px }
}

#[test]
fn half_a_scratch_found_is_half_the_recall_at_full_precision() {
    // The other way round and 3 px aside: still the same line.
    let m = match_scratches(&[found_scratch(200.0, 53.0, 0.0, 53.0)], &[scratch(50.0, 400.0, 50.0)]);
    assert!((m.recall().unwrap_or(0.0) - 0.5).abs() < 0.02, "{m:?}");
    assert!((m.precision().unwrap_or(0.0) - 1.0).abs() < 1e-9);
}

fn found_fibre(course_px: Vec<[f64; 2]>) -> Fibre {
    Fibre {
        field: "A".into(),
        course_px,
        length_px: 0.0,
        length_um: None,
        width_um: None,
        box_px: [0.0; 4],
        confidence: 0.9,
    }
}

#[test]
fn fibres_match_by_the_half_of_their_course_in_however_many_pieces() {
    let course_px = (0..=40).map(|k| [10.0 * f64::from(k), 100.0]).collect();
    let truth = [TrueFibre { field: "A".into(), course_px, length_um: 400.0, width_um: 10.0, contrast: 0.3 }];
    let straight = |x0: f64, x1: f64, y: f64| found_fibre(vec![[x0, y], [x1, y]]);
    // 4 px and half of 10 µm at 2 µm per pixel: 6.5 px.
    let pieces = [straight(0.0, 120.0, 106.0), straight(200.0, 320.0, 94.0)];
    let m = match_fibres(&pieces, &truth, 2.0);
    assert_eq!((m.hits.len(), m.false_found.len(), m.missed.len()), (1, 0, 0), "{m:?}");
    let m = match_fibres(&pieces[..1], &truth, 2.0);
    assert_eq!((m.hits.len(), m.false_found.len(), m.missed.len()), (0, 0, 1), "120 of 400 px: {m:?}");
    let aside = [straight(0.0, 400.0, 107.0)];
    assert_eq!(match_fibres(&aside, &truth, 2.0).false_found, [0]);
    let mostly_off = [found_fibre(vec![[280.0, 100.0], [400.0, 100.0], [400.0, 240.0]])];
    assert_eq!(match_fibres(&mostly_off, &truth, 2.0).false_found, [0]);
}

#[test]
fn a_scratch_five_pixels_or_seven_degrees_off_is_false() {
    let truth = [scratch(50.0, 400.0, 50.0)];
    assert_eq!(match_scratches(&[found_scratch(0.0, 55.0, 400.0, 55.0)], &truth).right_px, 0.0);
    let tilted = found_scratch(190.0, 49.0, 210.0, 49.0 + 20.0 * 7f64.to_radians().tan());
    assert_eq!(match_scratches(&[tilted], &truth).right_px, 0.0);
    assert_eq!(match_scratches(&[], &truth).precision(), None);
}
