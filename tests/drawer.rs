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
    assert_eq!(complaints.lines().count(), 2, "{complaints}");
    assert!(complaints.starts_with("thinproof: broken/A_xpl_45.jpg: is not a JPEG"), "{complaints}");
    assert!(complaints.contains("thinproof: slides/empty is empty: if it is to be a slide"), "{complaints}");

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
    fs::write(two.join(".report-abc/.lock"), "").unwrap();
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
    assert_eq!(there["slides"][1]["failed_in"], "../two");
    there["slides"][1]["failed_in"] = ".".into();
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
fn what_was_told_last_of_a_slide_is_in_the_collation() {
    let dir = tempdir().unwrap();
    for slide in ["a", "b"] {
        flat_slide(&dir.path().join("slides").join(slide));
    }
    let rows = |given: &[&str], out: &str| -> Vec<(String, bool)> {
        let told = thinproof(dir.path(), &[&["collate"], given, &["--out", out]].concat());
        let record = json(&dir.path().join(out).join("drawer.json"));
        let rows: Vec<_> = (record["slides"].as_array().unwrap().iter())
            .map(|row| (row["id"].as_str().unwrap().to_owned(), row["failure"].is_null()))
            .collect();
        assert_eq!(code(&told), if rows.iter().all(|(_, checked)| *checked) { 13 } else { 1 });
        rows
    };
    let told = |a: bool, b: bool| vec![("a".to_owned(), a), ("b".to_owned(), b)];
    assert_eq!(run(&dir, "out", &[]).0, 13);
    // A second: times are told to it.
    std::thread::sleep(std::time::Duration::from_millis(1100));
    let photograph = dir.path().join("slides/a/A_ppl.jpg");
    let sound = fs::read(&photograph).unwrap();
    fs::write(&photograph, "damaged").unwrap();
    let (ends, _, complaints) = run(&dir, "out", &[]);
    assert_eq!(ends, 1);
    assert!(dir.path().join("out/a/report.json").exists(), "the older report is left alone");
    assert!(complaints.contains("(the report in a is of an earlier check)"), "{complaints}");
    assert_eq!(rows(&["out"], "whole"), told(false, true), "the failure came later");
    assert_eq!(
        rows(&["out/a", "out/b", "out/drawer.json", "out/index.html"], "whole"),
        told(false, true),
        "by a shell's out/*"
    );
    assert_eq!(rows(&["out"], "out"), told(false, true), "in its place");
    assert_eq!(rows(&["out"], "out"), told(false, true), "and again");
    std::thread::sleep(std::time::Duration::from_millis(1100));
    fs::write(&photograph, sound).unwrap();
    assert_eq!(code(&thinproof(dir.path(), &["check", "slides/a", "--out", "out"])), 13);
    assert_eq!(rows(&["out"], "whole"), told(true, true), "mended");
    // A table alone leads to its reports, and one that was collated to those of the drawers that it heard.
    assert_eq!(rows(&["whole"], "whole"), told(true, true));
    assert_eq!(rows(&["out/drawer.json"], "other"), told(true, true));
    assert_eq!(rows(&["out/a/report.json", "out/b/report.json"], "other"), told(true, true));
    // A report that cannot be read is told once, however often it is collated, and no more when it can be.
    let report = dir.path().join("out/b/report.json");
    let sound = fs::read(&report).unwrap();
    fs::write(&report, "{").unwrap();
    for _ in 0..3 {
        assert_eq!(rows(&["out"], "out"), told(true, false));
    }
    fs::write(&report, sound).unwrap();
    assert_eq!(rows(&["out"], "out"), told(true, true));
    fs::write(dir.path().join("other/drawer.json"), "{").unwrap();
    let both = thinproof(dir.path(), &["collate", "out", "other", "--out", "third"]);
    assert_eq!(code(&both), 13, "what cannot be read of a table ends nothing");
    assert!(text(&both.stderr).contains("What failed there is not told: "), "{}", text(&both.stderr));
}

#[test]
fn a_failure_goes_from_a_collation_of_collations_when_its_drawer_is_mended() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("slides/a"));
    let photograph = dir.path().join("slides/a/A_ppl.jpg");
    let sound = fs::read(&photograph).unwrap();
    fs::write(&photograph, "damaged").unwrap();
    assert_eq!(run(&dir, "reports/m1", &[]).0, 1);
    let collated = || code(&thinproof(dir.path(), &["collate", "reports/m1", "reports", "--out", "reports"]));
    let first = code(&thinproof(dir.path(), &["collate", "reports/m1", "--out", "reports"]));
    assert_eq!((first, collated()), (1, 1));
    assert_eq!(json(&dir.path().join("reports/drawer.json"))["slides"].as_array().unwrap().len(), 1);
    std::thread::sleep(std::time::Duration::from_millis(1100));
    fs::write(&photograph, sound).unwrap();
    assert_eq!(run(&dir, "reports/m1", &[]).0, 13);
    assert_eq!((collated(), collated()), (13, 13));
}

#[test]
fn what_one_machine_could_not_check_is_not_lost_among_the_reports_of_another() {
    let dir = tempdir().unwrap();
    for machine in ["one", "two"] {
        flat_slide(&dir.path().join(machine).join("slides/s1"));
    }
    fs::write(dir.path().join("one/slides/s1/A_ppl.jpg"), "damaged").unwrap();
    for (machine, ends) in [("one", 1), ("two", 13)] {
        let output = thinproof(&dir.path().join(machine), &["drawer", "slides", "--out", "out"]);
        assert_eq!(code(&output), ends, "{}", text(&output.stderr));
        fs::rename(dir.path().join(machine).join("out"), dir.path().join(format!("from {machine}"))).unwrap();
    }
    let output = thinproof(dir.path(), &["collate", "from one", "from two", "--out", "whole"]);
    let record = json(&dir.path().join("whole/drawer.json"));
    assert_eq!(code(&output), 1, "{record}");
    assert_eq!((&record["counts"]["failed"], &record["counts"]["undetermined"]), (&1.into(), &1.into()));
    assert!(text(&output.stderr).contains("s1 has a report, and could not be checked elsewhere"));
}

#[test]
fn pictures_that_are_not_read_are_a_slide_that_could_not_be_checked() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("slides/a"));
    fs::create_dir_all(dir.path().join("slides/b")).unwrap();
    for file in ["A_ppl.heic", "A_xpl_45.heic"] {
        fs::write(dir.path().join("slides/b").join(file), "from a telephone").unwrap();
    }
    let (ends, said, complaints) = run(&dir, "out", &[]);
    assert_eq!(ends, 1, "{complaints}");
    assert!(said.contains("2 slides\n") && said.contains("1  could not be checked"), "{said}");
    assert!(
        complaints.contains("b: holds no photographs that can be read; A_ppl.heic, A_xpl_45.heic left out"),
        "{complaints}"
    );
}

#[test]
fn what_was_not_judged_is_no_nought() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("slides/a"));
    fs::write(dir.path().join("slides/a/slide.toml"), "[scale]\num_per_px = 9.0\n").unwrap();
    assert_eq!(run(&dir, "out", &[]).0, 13);
    let defects = json(&dir.path().join("out/drawer.json"))["slides"][0]["checked"]["defects"].take();
    assert!(defects["unjudged"].as_array().unwrap().contains(&"scratches".into()), "{defects}");
    for kind in defects["unjudged"].as_array().unwrap() {
        assert!(defects[kind.as_str().unwrap()].is_null(), "{defects}");
    }
    let table = fs::read_to_string(dir.path().join("out/drawer.csv")).unwrap();
    let mut lines = table.lines().map(|l| l.split(',').collect::<Vec<_>>());
    let at = lines.next().unwrap().iter().position(|name| *name == "scratches").unwrap();
    let html = fs::read_to_string(dir.path().join("out/a/report.html")).unwrap();
    assert!(html.contains("Scratches (not judged)") && html.contains("scratches not judged"), "the page says so too");
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    assert_eq!(&reader.records().next().unwrap().unwrap()[at], "");
}

#[test]
fn two_slides_of_one_id_in_two_runs_both_keep_their_report() {
    let dir = tempdir().unwrap();
    for (slide, grey) in [("x/LM-1", 180), ("y/LM-1", 190)] {
        flat_slide(&dir.path().join(slide));
        crate::bench::flat(&dir.path().join(slide).join("A_ppl.jpg"), 320, 240, grey);
        crate::bench::flat(&dir.path().join(slide).join("A_xpl_45.jpg"), 320, 240, grey - 100);
        crate::bench::flat(&dir.path().join(slide).join("A_xpl_0.jpg"), 320, 240, grey - 120);
    }
    assert_eq!(code(&thinproof(dir.path(), &["check", "x/LM-1", "--out", "out"])), 13);
    let first = fs::read(dir.path().join("out/LM-1/report.json")).unwrap();
    let output = thinproof(dir.path(), &["check", "y/LM-1", "--out", "out"]);
    assert_eq!(code(&output), 13);
    let said = text(&output.stderr);
    assert!(said.contains("LM-1: a report of another slide with this id lay there and is in out/LM-1 of 20"), "{said}");
    let kept = fs::read_dir(dir.path().join("out")).unwrap().map(|e| e.unwrap().path()).find(|p| !p.ends_with("LM-1"));
    assert_eq!(fs::read(kept.unwrap().join("report.json")).unwrap(), first);
    let output = thinproof(dir.path(), &["collate", "out", "--out", "whole"]);
    assert!(text(&output.stderr).contains("2 reports are of a slide with the id LM-1"), "{}", text(&output.stderr));
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
