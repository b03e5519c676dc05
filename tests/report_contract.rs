//! `report.json` against a strict mirror: every field named here must be there with its type, and no other may be.
//!
//! The mirror is written by hand and not derived from the crate's own types: a field that is renamed, dropped, added or
//! changed in type fails here and has to be entered in `docs/reading-a-report.md` and `docs/CHANGELOG.md` as well.

#![allow(dead_code, reason = "the mirror's fields are there to be parsed, by name and type")]

use std::fs;

use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer};
use serde_json::Value;
use tempfile::tempdir;
use thinproof::demo::{Flaws, Scene};

use crate::bench::{flat_slide, small, thinproof};

/// A value that may be null but must be there: serde lets a bare `Option` be left out.
#[derive(Debug)]
struct Known<T>(Option<T>);

impl<'de, T: DeserializeOwned> Deserialize<'de> for Known<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match Value::deserialize(deserializer)? {
            Value::Null => Ok(Self(None)),
            value => serde_json::from_value(value).map(|v| Self(Some(v))).map_err(D::Error::custom),
        }
    }
}

/// Mirror structs: strict in the names of their fields.
macro_rules! strict {
    ($($name:ident { $($field:ident: $kind:ty),* $(,)? })*) => {
        $(#[derive(Debug, Deserialize)] #[serde(deny_unknown_fields)] struct $name { $($field: $kind),* })*
    };
}

strict! {
    Report {
        schema_version: String,
        slide: Slide,
        archive: Known<Archive>,
        read_from: ReadFrom,
        fields: Vec<Field>,
        verdict: Verdict,
        thickness: Thickness,
        defects: Defects,
        regrind_plan: Known<Plan>,
        photographs: Vec<Photograph>,
        limits: Vec<LimitUsed>,
        warnings: Vec<String>,
        cautions: Vec<String>,
        tool: Tool,
        made_at: String,
    }
    Slide {
        id: String,
        width_mm: Known<f64>,
        height_mm: Known<f64>,
        mark_corner: Known<Corner>,
        impregnation: Impregnation,
        turned: Turned,
        finish: Finish,
        polish_to_come: bool,
        target_um: f64,
        untouchable: bool,
        offcut_left: Known<bool>,
        micrometer_um: Known<f64>,
        sequence: Known<u32>,
        um_per_px: Known<f64>,
        scale_source: Known<String>,
        assumed: Vec<String>,
    }
    Archive {
        sample: Known<String>,
        igsn: Known<String>,
        collection: Known<String>,
        preparator: Known<String>,
        licence: Known<String>,
        note: Known<String>,
    }
    ReadFrom { folder: String, slide_toml_sha256: Known<String> }
    Field { name: String, centre_mm: Known<[f64; 2]>, width_px: u32, height_px: u32, um_per_px: Known<f64> }
    Verdict {
        outcome: Outcome,
        why: String,
        notes: Vec<String>,
        reasons: Vec<Reason>,
        next_steps: Vec<String>,
    }
    Reason {
        limit: Limit,
        side: Known<Side>,
        measured: Known<f64>,
        allowed: [Known<f64>; 2],
        unit: Unit,
        conformance_probability: Known<f64>,
        met: Known<bool>,
        section_interval: Known<[f64; 2]>,
        sentence: String,
        missing: bool,
    }
    Thickness {
        status: Status,
        why: Known<String>,
        next: Known<String>,
        mean_um: Known<f64>,
        ci95_um: Known<[f64; 2]>,
        gradient_um_per_mm: Known<[f64; 2]>,
        gradient_ci95: Known<[[f64; 2]; 2]>,
        at_thinnest_um: Known<f64>,
        at_thinnest_ci95_um: Known<[f64; 2]>,
        at_thickest_um: Known<f64>,
        at_thickest_ci95_um: Known<[f64; 2]>,
        range_across_um: Known<f64>,
        thickens_toward_deg: Known<f64>,
        at_corners_um: Known<AtCorners>,
        map: Known<Map>,
        quartz_grains: Known<u64>,
        per_field: Vec<PerField>,
        mineral: Known<String>,
        lamp: Known<String>,
    }
    Map {
        form: SurfaceForm,
        curved_probability: Known<f64>,
        centre_mm: [f64; 2],
        size_mm: [f64; 2],
        centre_um: f64,
        centre_ci95_um: [f64; 2],
        gradient_um_per_mm: [f64; 2],
        gradient_ci95: [[f64; 2]; 2],
        curvature_um_per_mm2: Known<[f64; 3]>,
        curvature_ci95: Known<[[f64; 2]; 3]>,
        shape: Known<Shape>,
        shape_probability: Known<f64>,
        grid: Vec<MapPoint>,
    }
    MapPoint { x_mm: f64, y_mm: f64, mean_um: f64, standard_uncertainty_um: f64 }
    AtCorners { top_left: f64, top_right: f64, bottom_left: f64, bottom_right: f64 }
    PerField { name: String, mean_um: Known<f64>, ci95_um: Known<[f64; 2]>, quartz_grains: u64 }
    Defects {
        bubbles: Vec<Bubble>,
        plucks: Vec<Pluck>,
        scratches: Vec<Scratch>,
        scratch_sets: Vec<ScratchSet>,
        fibres: Vec<Fibre>,
        lifted: Vec<Lifted>,
        others: Vec<Other>,
        causes: Vec<Cause>,
        totals: Totals,
        unjudged: Vec<Unjudged>,
    }
    Bubble {
        field: String,
        x_px: f64,
        y_px: f64,
        diameter_px: f64,
        diameter_um: Known<f64>,
        confidence: f64,
        rock_shows_through: Known<f64>,
    }
    Pluck {
        field: String,
        x_px: f64,
        y_px: f64,
        area_px: f64,
        area_um2: Known<f64>,
        box_px: [f64; 4],
        ambiguous: bool,
        confidence: f64,
        outline_px: Vec<[f64; 2]>,
    }
    Scratch {
        field: String,
        x0_px: f64,
        y0_px: f64,
        x1_px: f64,
        y1_px: f64,
        length_um: Known<f64>,
        width_um: Known<f64>,
        confidence: f64,
    }
    Fibre {
        field: String,
        course_px: Vec<[f64; 2]>,
        length_px: f64,
        length_um: Known<f64>,
        width_um: Known<f64>,
        box_px: [f64; 4],
        confidence: f64,
    }
    Lifted {
        field: String,
        outline_px: Vec<[f64; 2]>,
        area_px: f64,
        area_um2: Known<f64>,
        box_px: [f64; 4],
        film_um: Known<[f64; 2]>,
        film_why: Known<String>,
        confidence: f64,
    }
    ScratchSet {
        fields: Vec<String>,
        scratches: u64,
        direction_deg: f64,
        spread_deg: f64,
        passes: Passes,
        length_um: Known<f64>,
        spacing_um: Known<f64>,
        width_um: Known<f64>,
        grit: Known<Grit>,
    }
    Grit { grain_at_least_um: f64, no_finer_than_fepa_f: Known<String>, no_finer_than_fepa_p: Known<String> }
    Other { kind: OtherKind, field: String, box_px: [f64; 4], confidence: f64, sentence: String }
    Cause { kind: CauseKind, causes: String, cure: String }
    Totals {
        bubbles_per_mm2: Known<f64>,
        largest_bubble_um: Known<f64>,
        bubble_area_fraction: Known<f64>,
        pluck_area_fraction: Known<f64>,
        scratch_mm_per_mm2: Known<f64>,
        area_mm2: Known<f64>,
    }
    Unjudged { field: String, kind: Kind, why: String }
    Plan {
        remove_um: Removal,
        high_corner: Known<Corner>,
        relative_to_mark: Known<String>,
        micrometer_target_um: Known<f64>,
        sentences: Vec<String>,
    }
    Removal { mean: f64, at_each_corner: Known<AtCorners>, at_centre: Known<f64> }
    Photograph {
        file: String,
        field: String,
        role: Role,
        angle_deg: Known<f64>,
        width_px: u32,
        height_px: u32,
        sha256: String,
        exposure: Known<Exposure>,
        white_balance: Known<WhiteBalance>,
        camera: Known<String>,
        taken_at: Known<String>,
        clipped_fraction: f64,
        warnings: Vec<String>,
    }
    Exposure { time_s: f64, f_number: Known<f64>, iso: Known<f64> }
    LimitUsed { limit: Limit, allowed: [Known<f64>; 2], unit: Unit, source: String }
    Tool { name: String, version: String, sources: String }
}

/// Mirror enumerations: strict in their words.
macro_rules! words {
    ($($name:ident { $($variant:ident = $word:literal),* $(,)? })*) => {
        $(#[derive(Debug, Deserialize, PartialEq)] enum $name { $(#[serde(rename = $word)] $variant),* })*
    };
}

words! {
    Outcome { Pass = "pass", Regrind = "regrind", Recover = "recover", Remake = "remake", Open = "undetermined" }
    OtherKind { EyepieceLine = "eyepiece-line" }
    Passes { One = "one", Several = "several" }
    Status { Measured = "measured", NotMeasurable = "not_measurable" }
    SurfaceForm { Plane = "plane", Curved = "curved" }
    Shape { Even = "even", Wedge = "wedge", High = "centre_high", Low = "centre_low", Bent = "bent" }
    Corner { A = "top-left", B = "top-right", C = "bottom-left", D = "bottom-right" }
    Impregnation { None = "none", Clear = "clear", Blue = "blue" }
    Turned { Polars = "polars", Stage = "stage" }
    Finish { Uncovered = "uncovered", Covered = "covered", Polished = "polished" }
    Side { Thinnest = "thinnest", Thickest = "thickest" }
    Unit { Um = "um", PerMm2 = "per_mm2", Fraction = "fraction", MmPerMm2 = "mm_per_mm2" }
    Kind { Bubbles = "bubbles", Plucks = "plucks", Scratches = "scratches" }
    CauseKind { Bubbles = "bubbles", Plucks = "plucks", Scratches = "scratches", Fibres = "fibres", Lifted = "lifted" }
    Role { Plane = "plane", Crossed = "crossed", Blank = "blank" }
    WhiteBalance { Manual = "manual", Auto = "auto" }
    Limit {
        Thickness = "thickness",
        RangeAcross = "range_across",
        LargestBubble = "largest_bubble",
        BubblesPerMm2 = "bubbles_per_mm2",
        BubbleArea = "bubble_area",
        PluckedArea = "plucked_area",
        Scratches = "scratches",
    }
}

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
