//! `report.json` against a strict mirror: every field named here must be there with its type, and no other may be.
//!
//! The mirror is written by hand and not derived from the crate's own types: a field that is renamed, dropped, added or
//! changed in type fails here and has to be entered in `docs/reading-a-report.md` and `docs/CHANGELOG.md` as well.

#![allow(dead_code, reason = "the mirror's fields are there to be parsed, by name and type")]

mod mirror;

use std::fs;

use serde_json::Value;
use tempfile::tempdir;
use thinproof::demo::{Flaws, Scene};

use crate::bench::{flat_slide, small, thinproof};

use self::mirror::*;

/// The report of a slide that `make` puts into the folder it is given, by the built command.
fn report_of(id: &str, make: impl FnOnce(&std::path::Path)) -> Value {
    let dir = tempdir().unwrap();
    make(dir.path());
    thinproof(dir.path(), &["check", id, "--out", "out"]);
    let text = fs::read_to_string(dir.path().join("out").join(id).join("report.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn read(report: &Value) -> Report {
    serde_json::from_value(report.clone()).unwrap_or_else(|e| panic!("{e} in {report:#}"))
}

/// A thick slide with every kind of defect: no list and no plan is empty.
fn flawed() -> Value {
    let flaws = Flaws {
        bubbles: 3,
        bubble_um: [60.0, 120.0],
        flat_share: 0.0,
        plucks: 5,
        air_share: 1.0,
        scratches: 4,
        scratch_length_um: [500.0, 900.0],
        scratch_um: [3.0, 5.0],
        scratch_contrast: [0.4, 0.5],
        ..Flaws::default()
    };
    let scene = Scene { flaws, ..small("LM-0202", 202, 42.0) };
    report_of("LM-0202", |dir| drop(scene.render_to(dir).unwrap()))
}

#[test]
fn a_report_with_everything_in_it_has_these_fields_and_no_others() {
    let json = flawed();
    let report = read(&json);
    assert_eq!(report.schema_version, "1.0");
    assert_eq!(report.slide.id, "LM-0202");
    assert_eq!(report.read_from.folder, "../../LM-0202");
    assert!(report.read_from.slide_toml_sha256.0.is_some_and(|s| s.len() == 64));
    assert_eq!((report.fields[0].width_px, report.fields[0].height_px), (640, 480));
    assert_eq!(report.photographs.len(), 5);
    assert!(report.photographs.iter().all(|p| p.sha256.len() == 64 && p.exposure.0.is_some()));
    assert_eq!(report.photographs.iter().filter(|p| p.role == Role::Crossed && p.angle_deg.0.is_some()).count(), 4);
    assert!(report.limits.iter().all(|l| !l.source.is_empty()), "each limit has its source");
    assert_eq!(report.tool.name, "thinproof");
    assert!(report.made_at.parse::<jiff::Timestamp>().is_ok(), "RFC 3339: {}", report.made_at);

    assert_eq!(report.thickness.status, Status::Measured);
    let (mean, [lo, hi]) = (report.thickness.mean_um.0.unwrap(), report.thickness.ci95_um.0.unwrap());
    assert!(lo < mean && mean < hi);
    assert!(report.thickness.why.0.is_none() && report.thickness.quartz_grains.0.is_some_and(|n| n > 0));
    assert!(report.thickness.gradient_um_per_mm.0.is_none(), "one field has no gradient");

    for reason in &report.verdict.reasons {
        let met = match reason.conformance_probability.0 {
            Some(p) if p >= 0.95 => Some(true),
            Some(p) if p <= 0.05 => Some(false),
            Some(p) => {
                assert!((0.0..=1.0).contains(&p));
                None
            }
            None => None,
        };
        assert_eq!(reason.met.0, met, "{reason:?}");
    }
    let inside = |x: f64, y: f64| (-320.0..960.0).contains(&x) && (-240.0..720.0).contains(&y);
    let defects = &report.defects;
    assert!(!defects.bubbles.is_empty() && !defects.plucks.is_empty() && !defects.scratches.is_empty(), "{defects:?}");
    for b in &defects.bubbles {
        let um = b.diameter_um.0.unwrap();
        assert!(inside(b.x_px, b.y_px) && (um - 1.6 * b.diameter_px).abs() < 0.2, "{b:?}");
    }
    for p in &defects.plucks {
        let [x0, y0, x1, y1] = p.box_px;
        assert!(x0 <= p.x_px && p.x_px <= x1 && y0 <= p.y_px && p.y_px <= y1, "{p:?}");
    }
    for s in &defects.scratches {
        assert!(inside(s.x0_px, s.y0_px) && inside(s.x1_px, s.y1_px), "{s:?}");
    }
}

#[test]
fn a_thick_section_has_a_plan() {
    let scene = small("LM-0203", 203, 42.0);
    let report = read(&report_of("LM-0203", |dir| drop(scene.render_to(dir).unwrap())));
    assert_eq!(report.verdict.outcome, Outcome::Regrind);
    let plan = report.regrind_plan.0.expect("a plan");
    assert!((4.0..=12.0).contains(&plan.remove_um.mean) && !plan.sentences.is_empty(), "{plan:?}");
}

#[test]
fn what_is_not_known_is_null_and_not_left_out() {
    let report = read(&report_of("grey", |dir| flat_slide(&dir.join("grey"))));
    assert_eq!(report.thickness.status, Status::NotMeasurable);
    assert!(report.thickness.why.0.is_some() && report.thickness.mean_um.0.is_none());
    assert!(report.slide.um_per_px.0.is_none() && report.slide.mark_corner.0.is_none());
    assert!(report.defects.totals.area_mm2.0.is_none() && report.defects.totals.bubbles_per_mm2.0.is_none());
    assert!(report.photographs.iter().all(|p| p.exposure.0.is_none()));
    assert!(report.regrind_plan.0.is_none());
    assert!(!report.slide.assumed.is_empty(), "what was assumed is named");
    assert!(report.archive.0.is_none() && report.read_from.slide_toml_sha256.0.is_none());
    assert_eq!(report.read_from.folder, "../../grey");
}

/// Digits that mean nothing would make two equal reports differ. Six significant ones are the most that any field means.
#[test]
fn numbers_are_rounded_to_what_they_mean() {
    fn numbers(value: &Value, path: &str, into: &mut Vec<(String, f64)>) {
        match value {
            Value::Number(n) => into.push((path.into(), n.as_f64().unwrap())),
            Value::Array(list) => list.iter().for_each(|v| numbers(v, path, into)),
            Value::Object(map) => map.iter().for_each(|(k, v)| numbers(v, &format!("{path}/{k}"), into)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    numbers(&flawed(), "", &mut found);
    assert!(found.len() > 200, "{} numbers to look at", found.len());
    for (path, number) in found {
        let text = format!("{number:e}");
        let digits = text.split('e').next().unwrap().chars().filter(char::is_ascii_digit).count();
        assert!(digits <= 6, "{path}: {number}");
    }
}

/// The mirror must be able to fail.
#[test]
fn the_mirror_refuses_a_field_too_few_too_many_or_of_another_kind() {
    let whole = report_of("grey", |dir| flat_slide(&dir.join("grey")));
    let refuses = |spoil: &dyn Fn(&mut Value)| {
        let mut report = whole.clone();
        spoil(&mut report);
        assert!(serde_json::from_value::<Report>(report).is_err());
    };
    read(&whole);
    refuses(&|r| drop(r["thickness"].as_object_mut().unwrap().remove("mean_um")));
    refuses(&|r| drop(r.as_object_mut().unwrap().remove("regrind_plan")));
    refuses(&|r| r["defects"]["totals"]["bubbles"] = 0.into());
    refuses(&|r| r["slide"]["target_um"] = "30".into());
    refuses(&|r| r["verdict"]["outcome"] = "good".into());
}
