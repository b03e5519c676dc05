use super::*;
use crate::measured::Measured;
use crate::verdict::fixture::{limits, one_field, record, surface};

#[test]
fn corners_are_named_from_the_bevelled_one() {
    let r = record(); // 40 x 24 mm, bevelled at the top left
    for (corner, expected) in [
        (Corner::TopLeft, "the bevelled corner itself"),
        (Corner::TopRight, "the corner next to the bevelled one along the long edge"),
        (Corner::BottomLeft, "the corner next to the bevelled one along the short edge"),
        (Corner::BottomRight, "the corner diagonally opposite the bevelled one"),
    ] {
        assert_eq!(from_mark(corner, Corner::TopLeft, &r), expected);
    }
    let upright = SlideRecord { width_mm: Some(24.0), height_mm: Some(40.0), ..record() };
    assert!(from_mark(Corner::TopRight, Corner::TopLeft, &upright).contains("short edge"));
    let square = SlideRecord { width_mm: Some(30.0), height_mm: Some(30.0), ..record() };
    assert!(from_mark(Corner::TopRight, Corner::TopLeft, &square).starts_with("the next corner clockwise"));
    assert!(from_mark(Corner::BottomLeft, Corner::TopLeft, &square).starts_with("the next corner anticlockwise"));
    assert!(from_mark(Corner::TopLeft, Corner::BottomLeft, &square).starts_with("the next corner clockwise"));
}

#[test]
fn an_even_section_loses_the_excess_less_the_doubt() {
    let s = surface(42.0, 0.3, [0.0, 0.0], 0.0);
    let plan = regrind(&record(), &s, &limits(), false).unwrap();
    assert_eq!(plan.remove_um.mean, 11.5, "42 - 30 - 1.645 x 0.3, rounded down to a half");
    assert_eq!(plan.high_corner, None);
    assert_eq!(plan.micrometer_target_um, Some(30.5), "42 read at the last pass");
    assert!(plan.sentences[0].contains("11.5 µm off, evenly"));
}

#[test]
fn fields_that_differ_are_not_ground_evenly() {
    let mut s = one_field(36.0, 0.2);
    let field = |name: &str, um: f64| FieldThickness {
        name: name.into(),
        thickness_um: Some(Measured::normal(um, 0.2)),
        quartz_grains: 20,
    };
    s.per_field = vec![field("A", 32.0), field("B", 40.0)];
    s.extremes_um.iter_mut().for_each(|e| *e = [e[0] - 4.0, e[1] + 4.0]);
    let plan = regrind(&record(), &s, &limits(), false).unwrap();
    assert!(plan.sentences[0].contains("thick at field B and thin at A"), "{:?}", plan.sentences);
    assert!(plan.remove_um.mean <= 7.0, "the thin field stays above 25 µm: {}", plan.remove_um.mean);
}

#[test]
fn a_wedge_comes_off_at_the_high_corner_and_leaves_the_thin_one_alone() {
    // 0.25 µm/mm toward +x over 40 mm: 28 to 38.
    let s = surface(33.0, 0.1, [0.25, 0.0], 0.002);
    let plan = regrind(&record(), &s, &limits(), false).unwrap();
    let off = plan.remove_um.at_each_corner.unwrap().to_array();
    assert_eq!((off[0], off[2]), (0.0, 0.0));
    assert!((7.0..=8.0).contains(&off[1]) && (7.0..=8.0).contains(&off[3]), "{off:?}");
    assert!(matches!(plan.high_corner, Some(Corner::TopRight | Corner::BottomRight)));
    let diagonal = surface(38.0, 0.1, [0.1, -0.1], 0.002);
    let plan = regrind(&record(), &diagonal, &limits(), false).unwrap();
    assert_eq!(plan.high_corner, Some(Corner::BottomRight));
    assert_eq!(plan.relative_to_mark.as_deref(), Some("the corner diagonally opposite the bevelled one"));
    assert!(plan.sentences.iter().all(|s| !s.contains("left") && !s.contains("right")), "{:?}", plan.sentences);
}

#[test]
fn scratches_need_three_micrometres_everywhere_or_there_is_no_plan() {
    let enough = regrind(&record(), &surface(31.0, 0.1, [0.0, 0.0], 0.0), &limits(), true).unwrap();
    assert_eq!(enough.remove_um.mean, SCRATCH_DEPTH_UM);
    assert_eq!(regrind(&record(), &surface(27.0, 0.1, [0.0, 0.0], 0.0), &limits(), true), None);
    let over = regrind(&record(), &surface(36.0, 0.1, [0.0, 0.0], 0.0), &limits(), true).unwrap();
    assert_eq!(over.remove_um.mean, 5.5);
}

#[test]
fn the_doubtful_are_ground_less() {
    let removal =
        |u| regrind(&record(), &surface(42.0, u, [0.0, 0.0], 0.0), &limits(), false).map(|p| p.remove_um.mean);
    assert!(removal(0.2).unwrap() > removal(2.0).unwrap());
}

/// Over a grid of levels, wedges and doubts: a plan never makes too thin likelier than its bound, and where the
/// measurement is good enough to say so, what is left meets the limits.
#[test]
fn what_the_plan_leaves_meets_the_limits() {
    let (record, limits) = (record(), limits());
    let mut plans = 0;
    for level in [29.0, 31.0, 34.0, 36.0, 40.0, 50.0, 65.0] {
        for wedge in [0.0, 0.05, 0.1, 0.2, 0.35] {
            for direction in [0.0_f64, 0.6, 1.9, 3.3, 5.0] {
                for u in [0.1, 0.4, 1.0] {
                    let gradient = [wedge * direction.cos(), wedge * direction.sin()];
                    let s = surface(level, u, gradient, 0.01 * u);
                    let Some(plan) = regrind(&record, &s, &limits, false) else { continue };
                    plans += 1;
                    let before = share_of_draws(&s.extremes_um, |e| e[0] < limits.thickness_min_um).unwrap();
                    let left = after(&record, &s, &plan.remove_um);
                    let too_thin = share_of_draws(&left, |e| e[0] < limits.thickness_min_um).unwrap();
                    assert!(too_thin <= before.max(MISSED_UP_TO), "{level} {gradient:?} {u}: {too_thin}");
                    let off = plan.remove_um.at_each_corner.unwrap().to_array();
                    assert!(off.iter().all(|r| *r >= 0.0));
                    if u <= 0.4 && before < 0.01 {
                        let fine = share_of_draws(&left, |e| {
                            e[1] <= limits.thickness_max_um && e[1] - e[0] <= limits.range_um
                        });
                        assert!(fine.unwrap() >= 0.95, "{level} {gradient:?} {u}: {fine:?} {off:?}");
                    }
                }
            }
        }
    }
    assert!(plans > 200, "{plans}");
}
