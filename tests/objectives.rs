//! Scales of objectives: looked up where a slide names one, refused where camera or size is another.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tempfile::tempdir;
use thinproof::slide::objectives::{Objective, Objectives};

use crate::bench::{code, small, text, thinproof};

fn objective(um_per_px: f64, size: [u32; 2]) -> Objective {
    Objective {
        um_per_px,
        ci95: [um_per_px * 0.9995, um_per_px * 1.0005],
        camera: None,
        width_px: size[0],
        height_px: size[1],
        division_um: 10.0,
        photograph: "micrometer.jpg".into(),
        sha256: "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad".into(),
        measured_at: "2026-03-01T10:00:00Z".into(),
    }
}

/// A slide whose `slide.toml` says this of its scale.
fn slide(dir: &Path, scale: &str) {
    let (slide, _) = small("LM-0160", 160, 30.0).render_to(dir).unwrap();
    let sheet = fs::read_to_string(slide.join("slide.toml")).unwrap();
    let line = sheet.lines().find(|l| l.starts_with("um_per_px")).expect("the scene writes its scale");
    fs::write(slide.join("slide.toml"), sheet.replace(line, scale)).unwrap();
}

fn report(dir: &Path, arguments: &[&str]) -> (i32, Value, String) {
    let mut all = vec!["check", "LM-0160", "--json", "--objectives", "objectives.toml"];
    all.extend(arguments);
    let out = thinproof(dir, &all);
    (code(&out), serde_json::from_slice(&out.stdout).unwrap_or(Value::Null), text(&out.stderr))
}

#[test]
fn a_slide_takes_the_scale_of_the_objective_it_names() {
    let dir = tempdir().unwrap();
    let path = dir.path().join("objectives.toml");
    let mut known = Objectives::read(&path).unwrap();
    known.keep("10x", objective(1.6, [640, 480])).unwrap();
    known.keep("4x", objective(4.0, [1200, 900])).unwrap();
    known.write().unwrap();

    slide(dir.path(), "objective = \"10x\"");
    let (_, found, _) = report(dir.path(), &[]);
    assert_eq!(found["slide"]["um_per_px"], 1.6);
    assert!(
        found["slide"]["scale_source"].as_str().unwrap().starts_with("objective 10x, measured 2026-03-01"),
        "{found}"
    );
    let assumed = found["slide"]["assumed"].to_string();
    assert!(!assumed.contains("um_per_px"), "the scale is known: {assumed}");

    // What is typed goes before what the slide names; another size of picture is refused.
    let (ended, _, said) = report(dir.path(), &["--objective", "4x"]);
    assert_eq!(ended, 1);
    assert!(said.contains("640 x 480") && said.contains("1200 x 900") && said.contains("LM-0160"), "{said}");
    let (ended, _, said) = report(dir.path(), &["--objective", "40x"]);
    assert_eq!(ended, 1);
    assert!(said.contains("40x") && said.contains("4x"), "{said}");
}

#[test]
fn a_written_scale_goes_before_an_objective_and_an_unknown_one_is_no_scale() {
    let dir = tempdir().unwrap();
    let path = dir.path().join("objectives.toml");
    let mut known = Objectives::read(&path).unwrap();
    known.keep("10x", objective(2.4, [640, 480])).unwrap();
    known.write().unwrap();
    slide(dir.path(), "um_per_px = 1.6\nobjective = \"10x\"");
    let (_, found, _) = report(dir.path(), &[]);
    assert_eq!(found["slide"]["um_per_px"], 1.6);
    assert!(found["warnings"].to_string().contains("the first was taken"), "{}", found["warnings"]);

    slide(dir.path(), "objective = \"20x\"");
    let (_, found, _) = report(dir.path(), &[]);
    assert_eq!(found["slide"]["um_per_px"], Value::Null);
    assert!(found["warnings"].to_string().contains("--save 20x"), "{}", found["warnings"]);
}

#[test]
fn a_drawer_checks_a_slide_again_when_its_objective_was_measured_anew() {
    let dir = tempdir().unwrap();
    let path = dir.path().join("objectives.toml");
    fs::create_dir(dir.path().join("drawer")).unwrap();
    slide(&dir.path().join("drawer"), "objective = \"10x\"");
    let arguments = ["drawer", "drawer", "--out", "out", "--objectives", "objectives.toml"];
    let scale = |um_per_px: f64| {
        let mut known = Objectives::read(&path).unwrap();
        known.keep("10x", objective(um_per_px, [640, 480])).unwrap();
        known.write().unwrap();
        thinproof(dir.path(), &arguments);
        let report = fs::read(dir.path().join("out/LM-0160/report.json")).unwrap();
        serde_json::from_slice::<Value>(&report).unwrap()
    };
    let (first, again, other) = (scale(1.6), scale(1.6), scale(1.7));
    assert_eq!(first["made_at"], again["made_at"], "nothing changed: the report is kept");
    assert_eq!(other["slide"]["um_per_px"], 1.7);
}
