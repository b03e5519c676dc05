//! What is planted is found within its interval, and what is not planted is not found.

use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

use crate::grinder::batch::tests::section;
use crate::grinder::frame::away;
use crate::grinder::record::{Found, Subject};
use crate::grinder::{Batch, Grinder, GrinderRecord, Section};
use crate::slide::record::Corner;

/// A part of what a reference library gives: `fixtures/grinder_statistics.py`.
pub(super) fn known(part: &str) -> serde_json::Value {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("../../fixtures/grinder_statistics.json")).expect("the fixture is JSON");
    all[part].clone()
}

/// That a figure is the reference's to nine digits.
pub(super) fn assert_close(found: f64, known: &serde_json::Value, name: &str) {
    let told = known[name].as_f64().expect("the fixture has it");
    assert!((found - told).abs() < 1e-9 * (1.0 + told.abs()), "{name}: {found}, not {told}");
}

/// What is planted in a batch.
#[derive(Clone, Copy, Default)]
struct Planted {
    drift_um: f64,
    tilt: [f64; 2],
    scratched_from: Option<u32>,
}

const CORNERS: [Corner; 4] = [Corner::TopLeft, Corner::TopRight, Corner::BottomLeft, Corner::BottomRight];

fn batch(seed: u64, n: u32, planted: Planted) -> Vec<Section> {
    let mut dice = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut dice) };
    (1..=n)
        .map(|i| {
            let mark = CORNERS[i as usize % 4];
            let [u, v] = away(mark);
            let thickness = 30.5 + normal();
            let scratched = planted.scratched_from.is_some_and(|from| i >= from) || normal() > 1.8;
            let scratches = if scratched { normal().abs() + 0.1 } else { 0.0 };
            Section {
                micrometer_um: Some(thickness + 12.0 + planted.drift_um * f64::from(i) + 0.4 * normal()),
                mark: Some(mark),
                thickness_um: Some(thickness + 0.1 * normal()),
                half_um: Some(0.3),
                gradient_um_per_mm: Some([
                    u * (planted.tilt[0] + 0.05 * normal()),
                    v * (planted.tilt[1] + 0.05 * normal()),
                ]),
                left: [Some(scratches), Some(0.0), None],
                scratches_deg: scratched.then(|| (u * v * (62.0 + 4.0 * normal())).rem_euclid(180.0)),
                ..section(&format!("LM-{i:04}"), Some(i))
            }
        })
        .collect()
}

fn record(sections: Vec<Section>) -> GrinderRecord {
    GrinderRecord::of(&Grinder::of(Batch::of(sections, Ord::cmp)))
}

fn found(record: &GrinderRecord, about: Subject) -> Found {
    record.statements.iter().find(|s| s.about == about).expect("something is said of everything").found
}

#[test]
fn intervals_hold_what_is_planted() {
    let planted = Planted { drift_um: 0.02, tilt: [0.15, -0.06], scratched_from: None };
    let (mut drift, mut width, mut height, mut steep) = (0, 0, 0, 0);
    let rounds = 60;
    for seed in 0..rounds {
        let record = record(batch(seed, 40, planted));
        let zero = record.runs[0].zero.as_ref().unwrap();
        let tilt = record.tilt.as_ref().unwrap();
        let holds = |[low, high]: [f64; 2], truth: f64| usize::from(low <= truth && truth <= high);
        drift += holds(zero.drift_ci95_um_per_section, planted.drift_um);
        width += holds(tilt.along_width_ci95, planted.tilt[0]);
        height += holds(tilt.along_height_ci95, planted.tilt[1]);
        steep += holds(tilt.steepness_ci95, planted.tilt[0].hypot(planted.tilt[1]));
        assert_eq!(found(&record, Subject::Chuck), Found::Signal);
    }
    // 95 % of 60 is 57; three standard deviations of a binomial are 5. The ellipse is wider than a single length needs.
    for n in [drift, width, height] {
        assert!((52..=60).contains(&n), "{drift} {width} {height} of 60");
    }
    assert!(steep >= 55, "{steep}");
}

#[test]
fn a_sound_grinder_is_left_alone() {
    let mut signals = [0; 4];
    for seed in 100..180 {
        let record = record(batch(seed, 30, Planted::default()));
        let about = [Subject::Thickness, Subject::Zero, Subject::Chuck, Subject::Scratches];
        for (n, about) in signals.iter_mut().zip(about) {
            *n += usize::from(found(&record, about) == Found::Signal);
        }
        if record.statements.iter().all(|s| s.found != Found::Signal) {
            assert!(record.cautions.is_empty(), "nothing to do, nothing to take care of");
        }
    }
    // At most 1 % of 80 each: four or more would come by chance once in a hundred.
    assert!(signals.iter().all(|n| *n <= 3), "{signals:?}");
}

#[test]
fn scratches_from_a_section_on_are_told_with_their_direction() {
    let planted = Planted { scratched_from: Some(31), ..Planted::default() };
    let record = record(batch(7, 40, planted));
    assert_eq!(found(&record, Subject::Scratches), Found::Signal);
    let onset = record.onsets.iter().find(|o| o.from_sequence == Some(31)).expect("the onset");
    assert!((onset.direction_deg.unwrap() - 62.0).abs() < 5.0, "{onset:?}");
    let said = record.statements.iter().find(|s| s.about == Subject::Scratches).unwrap();
    for part in ["Scratches from LM-0031 (place 31) on", "10 of 10 sections", "one direction", "p < 0.001"] {
        assert!(said.sentence.contains(part), "{part}: {}", said.sentence);
    }
    assert!(said.what_to_do[0].contains("coarser grit"), "{said:?}");
    assert!(!record.cautions.is_empty());
}

#[test]
fn the_chuck_is_told_as_a_preparator_would_mend_it() {
    let record = record(batch(3, 14, Planted { tilt: [0.15, 0.15], ..Planted::default() }));
    let said = record.statements.iter().find(|s| s.about == Subject::Chuck).unwrap();
    assert!(said.sentence.starts_with("The chuck is out of parallel: sections come out 0.2"), "{}", said.sentence);
    assert!(
        said.sentence.contains("thicker away from the bevelled corner (14 slides, p < 0.001)"),
        "{}",
        said.sentence
    );
    assert!(said.what_to_do[1].contains("nearer to the wheel: "));
    assert!(said.evidence.contains("Hotelling") && said.evidence.contains("Rayleigh"));
}

#[test]
fn nothing_is_said_from_too_few() {
    let record = record(batch(1, 5, Planted { drift_um: 3.0, tilt: [1.0, 1.0], scratched_from: Some(3) }));
    assert!(
        record.statements.iter().all(|s| s.found == Found::TooFew && s.chance.is_none() && s.what_to_do.is_empty())
    );
    assert!(record.tilt.is_none() && record.onsets.is_empty() && record.runs[0].zero.is_none());
}

#[test]
fn a_zero_set_anew_begins_a_run() {
    let drifting = Planted { drift_um: 0.3, ..Planted::default() };
    let mut sections = batch(1, 12, drifting);
    sections.extend(batch(2, 12, drifting).into_iter().map(|s| Section { id: s.id.replace("LM-00", "LM-01"), ..s }));
    let record = record(sections);
    assert_eq!(record.runs.len(), 2);
    let zeros: Vec<_> = record.statements.iter().filter(|s| s.about == Subject::Zero).collect();
    assert!(zeros.len() == 2 && zeros.iter().all(|s| s.found == Found::Signal), "{zeros:?}");
    assert!(zeros[0].sentence.starts_with("In the run LM-0001 to LM-0012: the micrometer's zero drifts"));
    assert!(
        zeros[0].what_to_do[0].starts_with("Set the zero again now: it has drifted by 3."),
        "{:?}",
        zeros[0].what_to_do
    );
}
