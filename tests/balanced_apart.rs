//! Crossed photographs that the camera exposed or white balanced one by one, and fields of which each has a balance of its own.
//!
//! Colours are computed from spectra (as in `thickness_grains`), so what is true of them is known exactly.

use thinproof::thickness::{FieldCrystals, SectionSize, Thickness, ThicknessSurface, Yardstick, measure};

use crate::thickness_grains::Field;

/// The field with each photograph's R, G, B multiplied by gains of its own.
fn taken_apart(field: &Field, gains: [[f64; 3]; 4]) -> FieldCrystals {
    let mut crystals = field.crystals();
    for crystal in &mut crystals.crystals.crystals {
        for (ratio, gains) in crystal.ratio.iter_mut().zip(gains) {
            *ratio = std::array::from_fn(|c| ratio[c] * gains[c]);
        }
    }
    crystals
}

fn measured(fields: &[FieldCrystals]) -> Box<ThicknessSurface> {
    match measure(fields, SectionSize::default(), &Yardstick::quartz()) {
        Thickness::Measured(s) => s,
        Thickness::NotMeasurable { why, .. } => panic!("{why}"),
    }
}

/// What the note about such photographs says.
const NOT_ALIKE: &str = "not exposed or white balanced alike";

#[test]
fn exposures_that_differ_from_what_is_recorded_are_evened() {
    let exposed = |factor: [f64; 4]| taken_apart(&Field::default(), factor.map(|f| [f; 3]));
    let s = measured(&[exposed([1.0, 0.8, 1.1, 1.05])]);
    assert!((s.mean_um.value - 30.0).abs() < 0.5, "{:?}", s.mean_um);
    assert!(s.mean_um.interval[0] < 30.0 && 30.0 < s.mean_um.interval[1], "{:?}", s.mean_um);
    assert!(s.notes.iter().any(|n| n.contains(NOT_ALIKE) && n.contains("field A")), "{:?}", s.notes);
    assert!(!s.notes.iter().any(|n| n.contains("not known")), "white is as it was recorded: {:?}", s.notes);
    let s = measured(&[exposed([1.0; 4])]);
    assert!(!s.notes.iter().any(|n| n.contains(NOT_ALIKE)), "{:?}", s.notes);
}

#[test]
fn fields_that_a_camera_balanced_one_by_one_are_measured_together() {
    let automatic = |seed, thickness_um| Field { seed, thickness_um, auto_white_balance: true, ..Field::default() };
    let fields = [
        taken_apart(&automatic(1, 34.0), [[0.85, 1.0, 1.25], [0.95, 1.0, 1.1], [0.8, 1.0, 1.3], [0.9, 1.0, 1.2]]),
        taken_apart(&automatic(2, 31.0), [[1.15, 1.0, 0.9], [1.1, 1.0, 0.8], [1.2, 1.0, 0.85], [1.0, 1.0, 1.0]]),
    ];
    let s = measured(&fields);
    assert!(s.notes.iter().any(|n| n.contains("not white balanced alike, field by field")), "{:?}", s.notes);
    for (field, truth) in s.per_field.iter().zip([34.0, 31.0]) {
        let found = field.thickness_um.as_ref().expect("it has its own thickness");
        assert!((found.value - truth).abs() < 1.0, "{truth}: {found:?}");
        assert!(found.interval[0] < truth && truth < found.interval[1], "{truth}: {found:?}");
    }
}

#[test]
fn fields_whose_exposure_nobody_recorded_are_measured_together() {
    let unrecorded = |seed, thickness_um| Field { seed, thickness_um, exposure_known: false, ..Field::default() };
    let exposed = |times: f64| {
        [taken_apart(&unrecorded(1, 33.0), [[1.0; 3]; 4]), taken_apart(&unrecorded(2, 30.0), [[times; 3]; 4])]
    };
    let note = |s: &ThicknessSurface| s.notes.iter().find(|n| n.contains("No exposure is recorded")).cloned();
    for times in [0.7, 1.3] {
        let s = measured(&exposed(times));
        for (field, truth) in s.per_field.iter().zip([33.0, 30.0]) {
            let found = field.thickness_um.as_ref().expect("it has its own thickness");
            assert!((found.value - truth).abs() < 1.0, "{times}, {truth}: {found:?}");
            assert!(found.interval[0] < truth && truth < found.interval[1], "{times}, {truth}: {found:?}");
        }
        let apart = if times < 1.0 { "1.4 times" } else { "1.3 times" };
        assert!(note(&s).is_some_and(|n| n.contains(apart)), "{:?}", s.notes);
    }
    let s = measured(&exposed(1.0));
    assert_eq!(note(&s), None, "the fields are alike");
}

/// A camera that balances each photograph by itself and records nothing leaves a cast on all of them; that their balance differs says so.
#[test]
fn photographs_that_differ_in_white_are_not_taken_as_neutral() {
    for (seed, cast) in [(1, [1.05, 1.0, 0.96]), (2, [0.95, 1.0, 1.05]), (3, [1.04, 1.0, 0.93]), (4, [1.06, 1.0, 1.02])]
    {
        let apart = [[1.01, 1.0, 0.99], [0.99, 1.0, 1.01], [1.005, 1.0, 1.0], [1.0, 1.0, 0.985]];
        // With exposure recorded too, that white differs is all that tells.
        let field = Field { seed, exposure_known: seed % 2 == 0, ..Field::default() };
        let s = measured(&[taken_apart(&field, apart.map(|g| std::array::from_fn(|c| g[c] * cast[c])))]);
        assert!(s.mean_um.interval[0] < 30.0 && 30.0 < s.mean_um.interval[1], "{seed}: {:?}", s.mean_um);
        assert!(s.notes.iter().any(|n| n.contains("not known")), "{:?}", s.notes);
    }
}
