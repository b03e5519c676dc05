use super::*;
use crate::slide::record::SlideRecord;
use crate::verdict::fixture;

fn parse(text: &str) -> Result<LimitSet> {
    LimitSet::parse(Path::new("our-limits.toml"), text)
}

#[test]
fn defaults_are_those_of_the_norm_for_thirty_micrometres() {
    let limits = LimitSet::default().for_slide(&fixture::record(), Path::new("slide")).unwrap();
    assert_eq!((limits.thickness_min_um, limits.thickness_max_um), (25.0, 35.0));
    assert_eq!(limits.used[0].source, "EN 12407:2019, 0.030 +/- 0.005 mm");
    assert!(limits.used[1..].iter().all(|l| l.source.starts_with("house value")));
    assert_eq!(limits.used.len(), 7);
}

#[test]
fn other_targets_move_the_band_and_do_not_claim_the_norm() {
    let mut record = fixture::record();
    record.target_um = 20.0;
    let limits = LimitSet::default().for_slide(&record, Path::new("slide")).unwrap();
    assert_eq!((limits.thickness_min_um, limits.thickness_max_um), (15.0, 25.0));
    assert!(limits.used[0].source.starts_with("house value"));
    record.target_um = 30.0;
    record.polish_to_come = true;
    let limits = LimitSet::default().for_slide(&record, Path::new("slide")).unwrap();
    assert_eq!((limits.target_um, limits.thickness_min_um, limits.thickness_max_um), (35.0, 30.0, 40.0));
    assert!(limits.used[0].source.contains("polishing is still to come"));
}

#[test]
fn a_laboratory_overrides_some_and_is_named_as_their_source() {
    let set = parse("range_um = 4\npluck_area_fraction = 0.02\nsource = \"bench sheet 3\"").unwrap();
    let limits = set.for_slide(&fixture::record(), Path::new("slide")).unwrap();
    assert_eq!((limits.range_um, limits.pluck_area_fraction, limits.largest_bubble_um), (4.0, 0.02, 200.0));
    assert_eq!(limits.used[1].source, "bench sheet 3");
    assert_eq!(limits.used[2].source, HOUSE);
    let unnamed = parse("range_um = 4").unwrap().for_slide(&fixture::record(), Path::new("slide")).unwrap();
    assert_eq!(unnamed.used[1].source, "the laboratory's own, our-limits.toml");
}

/// The house's own limits are of the finished section: where a polish is to come they lie as much higher as the target does.
#[test]
fn absolute_limits_move_with_a_polish_to_come() {
    let set = parse("thickness_min_um = 26\nthickness_max_um = 34").unwrap();
    let record = SlideRecord { polish_to_come: true, ..fixture::record() };
    let limits = set.for_slide(&record, Path::new("slide")).unwrap();
    assert_eq!((limits.target_um, limits.thickness_min_um, limits.thickness_max_um), (35.0, 31.0, 39.0));
}

/// The example in the documentation is read and states the defaults.
#[test]
fn documented_example_holds_the_defaults() {
    let page = include_str!("../../../docs/reading-a-report.md");
    let example = page.split("```toml").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let written = parse(example).unwrap().for_slide(&fixture::record(), Path::new("slide")).unwrap();
    let default = LimitSet::default().for_slide(&fixture::record(), Path::new("slide")).unwrap();
    let allowed = |l: &Limits| l.used.iter().map(|u| u.allowed).collect::<Vec<_>>();
    assert_eq!(allowed(&written), allowed(&default));
    assert!(written.used.iter().all(|u| u.source == "bench sheet 3"));
}

#[test]
fn bad_files_get_one_sentence_with_the_remedy() {
    for (text, expected) in [
        (
            "bubles_per_mm2 = 3",
            "our-limits.toml: line 1, column 1: `bubles_per_mm2` is no limit; did you mean `bubbles_per_mm2`?",
        ),
        (
            "thickness_min_um = 36\nthickness_max_um = 34",
            "`thickness_min_um` = 36 is not below `thickness_max_um` = 34",
        ),
        ("thickness_min_um = 25\nthickness_below_target_um = 5", "set the same limit twice"),
        ("thickness_below_target_um = 0\nthickness_above_target_um = 0", "no width"),
        ("pluck_area_fraction = 2", "did you mean 0.02"),
        ("range_um = \"six\"", "`range_um` is not a number"),
        ("range_um = -1", "cannot be a limit"),
        ("range_um = nan", "cannot be a limit"),
        ("[thickness]\nrange_um = 4", "`thickness` is no limit"),
        ("range_um = 4\nrange_um = = 5", "line 2, column"),
        ("range_um = 4,5", "write the number with a point: 4.5"),
        ("# ours\n  range_um = -1", "line 2, column 3: `range_um` = -1"),
    ] {
        let message = parse(text).unwrap_err().to_string();
        assert!(message.contains(expected), "{text:?} gave {message:?}");
        assert_eq!(message.lines().count(), 1, "{message:?}");
    }
}

#[test]
fn a_target_outside_the_laboratorys_band_is_refused() {
    let set = parse("thickness_min_um = 22\nthickness_max_um = 28").unwrap();
    let message = set.for_slide(&fixture::record(), Path::new("LM-0142")).unwrap_err().to_string();
    assert!(message.contains("target of 30 um lies outside the thickness limits of 22 to 28 um"), "{message}");
    let mut thin = fixture::record();
    thin.target_um = 4.0;
    assert!(LimitSet::default().for_slide(&thin, Path::new("LM-0142")).is_err());
}
