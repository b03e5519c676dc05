//! A drawer and its tables from outside: what is found, kept, redone and told.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tempfile::{TempDir, tempdir};

use crate::bench::{code, flat_slide, small, text, thinproof};

/// Three slides of which one is cut short, and a folder that is none.
fn drawer() -> TempDir {
    let dir = tempdir().unwrap();
    small("LM-0001", 401, 30.2).render_to(&dir.path().join("slides/box 1")).unwrap();
    flat_slide(&dir.path().join("slides/box 2/deep/grey"));
    flat_slide(&dir.path().join("slides/broken"));
    fs::write(dir.path().join("slides/broken/A_xpl_45.jpg"), "no picture").unwrap();
    fs::create_dir_all(dir.path().join("slides/empty")).unwrap();
    dir
}

fn run(dir: &TempDir, out: &str, more: &[&str]) -> (i32, String, String) {
    let output = thinproof(dir.path(), &[&["drawer", "slides", "--out", out], more].concat());
    (code(&output), text(&output.stdout), text(&output.stderr))
}

/// Every file below a folder, with the times that it states made equal.
fn contents(out: &Path) -> BTreeMap<PathBuf, String> {
    fn walk(dir: &Path, base: &Path, into: &mut BTreeMap<PathBuf, String>) {
        for entry in fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, base, into);
                continue;
            }
            let mut text = String::from_utf8_lossy(&fs::read(&path).unwrap()).into_owned();
            while let Some(at) = text.find(":").and_then(|_| stamp(&text)) {
                text.replace_range(at..at + 20, "(when)");
            }
            into.insert(path.strip_prefix(base).unwrap().to_path_buf(), text);
        }
    }
    let mut into = BTreeMap::new();
    walk(out, out, &mut into);
    into
}

/// Where a text says `20..-..-..T..:..:..Z`.
fn stamp(text: &str) -> Option<usize> {
    let bytes = text.as_bytes();
    (0..bytes.len().saturating_sub(19)).find(|&at| {
        b"20dd-dd-ddTdd:dd:ddZ".iter().zip(&bytes[at..]).all(|(want, is)| match want {
            b'd' => is.is_ascii_digit(),
            other => other == is,
        })
    })
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn the_same_for_any_number_of_jobs_and_when_stopped_and_started_again() {
    let dir = drawer();
    let (ends, said, complaints) = run(&dir, "one", &["--jobs", "1"]);
    assert_eq!(ends, 1, "one failed: {complaints}");
    assert!(
        said.contains("3 slides\n") && said.contains("1  could not be checked") && said.contains("1  pass"),
        "{said}"
    );
    assert!(!said.contains("kept") && !complaints.contains('\r'), "no progress where no terminal is: {complaints:?}");
    assert_eq!(complaints.lines().count(), 1, "{complaints}");
    assert!(complaints.starts_with("thinproof: broken/A_xpl_45.jpg: is not a JPEG"), "{complaints}");

    let first = contents(&dir.path().join("one"));
    let names: Vec<_> = first.keys().map(|p| p.to_string_lossy().into_owned()).collect();
    assert_eq!(
        names,
        [
            ".drawer.lock",
            "LM-0001/report.html",
            "LM-0001/report.json",
            "LM-0001/thumbnail.jpg",
            "drawer.csv",
            "drawer.json",
            "grey/report.html",
            "grey/report.json",
            "grey/thumbnail.jpg",
            "index.html"
        ]
    );
    run(&dir, "two", &["--jobs", "3"]);
    assert_eq!(contents(&dir.path().join("two")), first, "three jobs");

    // Stopped half way: one report is there, another is half written, a draft lies about, and no table is written.
    let two = dir.path().join("two");
    fs::create_dir(two.join(".report-abc")).unwrap();
    let page = fs::read_to_string(two.join("grey/report.html")).unwrap();
    fs::write(two.join("grey/report.html"), &page[..page.len() / 2]).unwrap();
    for file in ["drawer.csv", "drawer.json", "index.html"] {
        fs::remove_file(two.join(file)).unwrap();
    }
    let kept = fs::metadata(two.join("LM-0001/report.json")).unwrap().modified().unwrap();
    let (ends, said, _) = run(&dir, "two", &[]);
    assert_eq!(ends, 1);
    assert!(said.contains("3 slides, of which 1 had their report already"), "{said}");
    assert_eq!(contents(&two), first, "resumed");
    assert_eq!(fs::metadata(two.join("LM-0001/report.json")).unwrap().modified().unwrap(), kept, "not written again");

    // The same table from the reports, the failure with its reason among them.
    let collated = thinproof(dir.path(), &["collate", "two", "--out", "three"]);
    assert_eq!(code(&collated), 1, "{}", text(&collated.stderr));
    let (mut here, mut there) = (json(&two.join("drawer.json")), json(&dir.path().join("three/drawer.json")));
    for record in [&mut here, &mut there] {
        record["made_at"].take();
    }
    assert_eq!(there["slides"][2]["report"], "../two/grey");
    for row in there["slides"].as_array_mut().unwrap() {
        let report = row["report"].as_str().map(|r| r.replace("../two/", ""));
        row["report"] = report.map_or(Value::Null, Value::from);
    }
    assert_eq!(here, there, "but for the way to the reports");
    let table = json(&dir.path().join("three/drawer.json"))["slides"].take();
    let held = std::fs::File::create(dir.path().join("three/.drawer.lock")).unwrap();
    held.lock().unwrap();
    let meanwhile = thinproof(dir.path(), &["collate", "two", "--out", "three"]);
    assert_eq!(code(&meanwhile), 1, "a run that writes there is not disturbed");
    assert!(text(&meanwhile.stderr).contains("another run of thinproof"), "{}", text(&meanwhile.stderr));
    drop(held);
    assert_eq!(json(&dir.path().join("three/drawer.json"))["slides"], table, "its table is as it was");
    let again = thinproof(dir.path(), &["collate", "two", "--out", "two"]);
    assert_eq!(code(&again), 1);
    assert_eq!(contents(&two), first, "collated in its place, nothing is another");
}

#[test]
fn what_changed_is_checked_again_and_nothing_else() {
    let dir = tempdir().unwrap();
    for slide in ["a", "b"] {
        flat_slide(&dir.path().join("slides").join(slide));
    }
    let kept = |more: &[&str]| -> usize {
        let (ends, said, complaints) = run(&dir, "out", more);
        assert_eq!(ends, 13, "{complaints}");
        let first = said.lines().next().unwrap();
        assert!(first.starts_with("2 slides"), "{said}");
        first.split(", of which ").nth(1).map_or(0, |t| t.split(' ').next().unwrap().parse().unwrap())
    };
    assert_eq!(kept(&[]), 0);
    assert_eq!(kept(&[]), 2, "nothing changed");
    let photograph = dir.path().join("slides/a/A_ppl.jpg");
    let same = fs::read(&photograph).unwrap();
    fs::write(&photograph, &same).unwrap();
    assert_eq!(kept(&[]), 2, "a new date is no change");
    crate::bench::flat(&photograph, 320, 240, 190);
    assert_eq!(kept(&[]), 1, "another photograph");
    fs::write(dir.path().join("slides/b/slide.toml"), "[slide]\nwidth_mm = 40.0\n").unwrap();
    assert_eq!(kept(&[]), 1, "a slide.toml");
    crate::bench::flat(&dir.path().join("slides/b/A_xpl_60.jpg"), 320, 240, 90);
    assert_eq!(kept(&[]), 1, "one photograph more");
    fs::write(dir.path().join("house.toml"), "range_um = 5.0\n").unwrap();
    assert_eq!(kept(&["--limits", "house.toml"]), 0, "other limits");
    assert_eq!(kept(&["--limits", "house.toml"]), 2);
    // A verdict that was changed by hand.
    let report = dir.path().join("out/b/report.json");
    let text = fs::read_to_string(&report).unwrap();
    let changed = text.replace("\"outcome\": \"undetermined\"", "\"outcome\": \"pass\"");
    assert_ne!(changed, text);
    fs::write(&report, changed).unwrap();
    assert_eq!(kept(&["--limits", "house.toml"]), 1);
    // Another build of the program.
    let report = dir.path().join("out/a/report.json");
    let text = fs::read_to_string(&report).unwrap();
    let sources = format!("\"sources\": \"{}\"", json(&report)["tool"]["sources"].as_str().unwrap());
    assert!(text.contains(&sources));
    fs::write(&report, text.replace(&sources, "\"sources\": \"0\"")).unwrap();
    assert_eq!(kept(&["--limits", "house.toml"]), 1);
}

#[test]
fn two_slides_of_one_id_are_both_refused() {
    let dir = tempdir().unwrap();
    for slide in ["x/LM-1", "y/lm-1", "z/index.html", "LM-2"] {
        flat_slide(&dir.path().join("slides").join(slide));
    }
    let (ends, said, complaints) = run(&dir, "out", &[]);
    assert_eq!(ends, 1);
    assert!(said.contains("3  could not be checked"), "{said}");
    assert_eq!(complaints.lines().count(), 3, "{complaints}");
    assert!(complaints.contains("has the id LM-1, and so has the slide in slides/y/lm-1"), "{complaints}");
    assert!(
        complaints.contains("has the id index.html, which is the name of one of the drawer's tables"),
        "{complaints}"
    );
    let record = json(&dir.path().join("out/drawer.json"));
    assert_eq!(record["counts"]["failed"], 3);
    assert_eq!(record["counts"]["undetermined"], 1);
    assert!(!dir.path().join("out/LM-1").exists() && !dir.path().join("out/lm-1").exists(), "no report under that id");
}

#[test]
fn a_drawer_or_a_collation_of_nothing_is_told_of() {
    let dir = tempdir().unwrap();
    fs::create_dir(dir.path().join("slides")).unwrap();
    let (ends, said, complaint) = run(&dir, "out", &[]);
    assert_eq!((ends, said.as_str()), (1, ""));
    assert!(complaint.contains("slides: holds no folder with photographs"), "{complaint}");
    assert!(!dir.path().join("out").exists());
    let output = thinproof(dir.path(), &["collate", "slides", "--out", "out"]);
    assert_eq!(code(&output), 1);
    assert!(text(&output.stderr).contains("slides: holds no report"), "{}", text(&output.stderr));
    assert_eq!(code(&thinproof(dir.path(), &["drawer", "slides", "--out", "out", "--jobs", "0"])), 2);
}
