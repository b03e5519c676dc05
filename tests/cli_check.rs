//! The built command from outside: what it says, what it writes, how it ends.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;
use sha2::{Digest, Sha256};
use tempfile::{TempDir, tempdir};
use thinproof::demo::Flaws;
use thinproof::slide::record::Finish;

use crate::bench::{code, flat, flat_slide, small, text, thinproof};

/// Checks the one slide `S` in a folder that `spoil` made, and gives back the single line on standard error.
fn complaint(spoil: impl FnOnce(&Path), arguments: &[&str]) -> String {
    let dir = tempdir().unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    spoil(&slide);
    let out = thinproof(dir.path(), &[&["check", "S", "--out", "out"], arguments].concat());
    let said = text(&out.stderr);
    assert_eq!(code(&out), 1, "{said}");
    assert_eq!(text(&out.stdout), "", "nothing that looks like a verdict");
    assert!(!dir.path().join("out").exists(), "nothing is written: {said}");
    assert_eq!(said.matches('\n').count(), 1, "one line: {said:?}");
    assert!(said.starts_with("thinproof: ") && said.trim_end().chars().count() < 250, "one sentence: {said:?}");
    said
}

fn assert_says(said: &str, parts: &[&str]) {
    for part in parts {
        assert!(said.contains(part), "{part:?} is not in {said:?}");
    }
}

#[test]
fn a_missing_folder() {
    let said = complaint(|slide| fs::remove_dir_all(slide).unwrap(), &[]);
    assert_says(&said, &["S: is not a folder", "give the folder that holds the slide's photographs"]);
}

#[test]
fn no_photographs() {
    let said = complaint(
        |slide| {
            fs::remove_dir_all(slide).unwrap();
            fs::create_dir(slide).unwrap();
            fs::write(slide.join("notes.txt"), "photograph tomorrow").unwrap();
        },
        &[],
    );
    assert_says(&said, &["S: holds no photographs", "put the slide's JPEG, PNG or TIFF photographs into it"]);
}

#[test]
fn a_truncated_jpeg() {
    let said = complaint(
        |slide| {
            let path = slide.join("A_xpl_45.jpg");
            let whole = fs::read(&path).unwrap();
            fs::write(&path, &whole[..whole.len() / 2]).unwrap();
        },
        &[],
    );
    assert_says(&said, &["A_xpl_45.jpg: is damaged or cut short", "copy it from the camera again"]);
}

#[test]
fn an_unknown_key_in_slide_toml() {
    let said = complaint(|slide| fs::write(slide.join("slide.toml"), "[slide]\nwidht_mm = 40.0\n").unwrap(), &[]);
    assert_says(&said, &["slide.toml: line 2, column 1: the key widht_mm is not known", "did you mean width_mm?"]);
}

#[test]
fn an_angle_given_twice_by_name_or_in_slide_toml() {
    let by_name = complaint(|slide| flat(&slide.join("A_xpl_045.0.jpg"), 320, 240, 90), &[]);
    assert_says(&by_name, &["is said to be at 45 degrees, and so is", "its own angle"]);
    let record = "[[field]]\nname = \"A\"\nplane = \"A_ppl.jpg\"\n\
        crossed = [{ file = \"A_xpl_0.jpg\", angle_deg = 22.5 }, { file = \"A_xpl_45.jpg\", angle_deg = 22.5 }]\n";
    let written = complaint(|slide| fs::write(slide.join("slide.toml"), record).unwrap(), &[]);
    assert_says(&written, &["A_xpl_", "is said to be at 22.5 degrees", "field A"]);
}

#[test]
fn two_photographs_of_different_size() {
    let said = complaint(|slide| flat(&slide.join("A_xpl_45.jpg"), 300, 240, 120), &[]);
    assert_says(&said, &["A_xpl_45.jpg: has 300 x 240 pixels, but A_ppl.jpg has 320 x 240", "uncropped"]);
}

#[test]
fn a_limits_file_with_an_unknown_key_or_that_is_not_there() {
    let dir = tempdir().unwrap();
    let file = dir.path().join("house.toml");
    fs::write(&file, "rnge_um = 5\n").unwrap();
    let said = complaint(|_| {}, &["--limits", file.to_str().unwrap()]);
    assert_says(&said, &["house.toml: line 1, column 1: `rnge_um` is no limit", "did you mean `range_um`?"]);
    let said = complaint(|_| {}, &["--limits", "nowhere.toml"]);
    assert_says(&said, &["nowhere.toml: the limits file cannot be read", "check the path given with --limits"]);
}

#[test]
fn a_file_that_is_no_photograph() {
    let said = complaint(|slide| fs::write(slide.join("A_xpl_45.jpg"), "not a picture").unwrap(), &[]);
    assert_says(&said, &["A_xpl_45.jpg: is not a JPEG, PNG or TIFF photograph", "save it as one of these"]);
}

#[test]
fn a_command_line_that_is_not_understood() {
    let dir = tempdir().unwrap();
    for arguments in [&["check"][..], &["check", "S", "--limit", "x"], &["measure"], &[]] {
        let out = thinproof(dir.path(), arguments);
        assert_eq!(code(&out), 2, "{arguments:?}");
        assert_says(&text(&out.stderr), &["Usage: thinproof"]);
    }
}

#[test]
fn even_grey_is_undetermined_and_has_no_thickness() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("grey"));
    let out = thinproof(dir.path(), &["check", "grey", "--json"]);
    assert_eq!(code(&out), 13, "{}", text(&out.stderr));
    let report: Value = serde_json::from_str(&text(&out.stdout)).unwrap();
    assert_eq!(report["verdict"]["outcome"], "undetermined");
    assert_eq!(report["thickness"]["status"], "not_measurable");
    assert!(report["thickness"]["mean_um"].is_null() && report["thickness"]["ci95_um"].is_null());
    assert!(report["thickness"]["why"].as_str().is_some_and(|why| !why.is_empty()));
    assert!(report["verdict"]["next_steps"].as_array().is_some_and(|steps| !steps.is_empty()));
}

/// Every file of a folder with its SHA-256.
fn checksums(dir: &Path) -> BTreeMap<String, String> {
    let sum = |path: &Path| Sha256::digest(fs::read(path).unwrap()).iter().map(|b| format!("{b:02x}")).collect();
    fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), sum(&entry.path())))
        .collect()
}

#[test]
fn json_is_one_line_and_the_photographs_stay_as_they_were() {
    let dir = tempdir().unwrap();
    let (slide, _) = small("LM-0201", 201, 30.0).render_to(dir.path()).unwrap();
    let before = checksums(&slide);
    let out = thinproof(dir.path(), &["check", "LM-0201", "--json", "--timings", "--out", "out"]);
    assert_eq!(checksums(&slide), before, "a check only reads");
    // The stages go to standard error, so that standard output stays one line.
    let timings = text(&out.stderr);
    for stage in ["read", "register", "pictures", "crystals", "defects", "  scratches", "thickness"] {
        let line = timings.lines().find(|l| l.starts_with(stage)).unwrap_or_else(|| panic!("{stage} in {timings}"));
        let words: Vec<&str> = line.split_whitespace().collect();
        assert_eq!(words[1], "1", "{line}: it ran once");
        assert!(words[2].parse::<f64>().unwrap() < 600.0, "{line}");
    }
    let line = text(&out.stdout);
    assert!(line.ends_with("}\n") && line.matches('\n').count() == 1, "one line");
    let printed: Value = serde_json::from_str(&line).unwrap();
    for field in [
        "schema_version",
        "slide",
        "verdict",
        "thickness",
        "defects",
        "regrind_plan",
        "photographs",
        "limits",
        "cautions",
        "tool",
        "made_at",
    ] {
        assert!(printed.get(field).is_some(), "{field}");
    }
    let written = fs::read_to_string(dir.path().join("out/LM-0201/report.json")).unwrap();
    assert_eq!(printed, serde_json::from_str::<Value>(&written).unwrap(), "printed and written are the same");
    let photographs = printed["photographs"].as_array().unwrap();
    assert_eq!(photographs.len(), 5);
    for photograph in photographs {
        let file = photograph["file"].as_str().unwrap();
        assert_eq!(photograph["sha256"], before[file].as_str(), "{file}");
    }
}

/// The lines for the bench of one slide, its exit code and the outcome in its report.
fn bench(dir: &TempDir, id: &str) -> (String, i32, String) {
    let out = thinproof(dir.path(), &["check", id, "--out", "out"]);
    let written = fs::read_to_string(dir.path().join("out").join(id).join("report.json")).unwrap();
    let report: Value = serde_json::from_str(&written).unwrap();
    (text(&out.stdout), code(&out), report["verdict"]["outcome"].as_str().unwrap().to_owned())
}

#[test]
fn verdicts_are_told_apart_and_one_bad_slide_does_not_stop_the_others() {
    let dir = tempdir().unwrap();
    let bubbly = Flaws { bubbles: 6, bubble_um: [60.0, 160.0], flat_share: 0.0, ..Flaws::default() };
    let slides = [
        (small("sound", 211, 30.2), "pass", 0),
        (small("thick", 212, 42.0), "regrind", 10),
        (small("thin", 213, 21.0), "remake", 12),
        (
            thinproof::demo::Scene { finish: Finish::Covered, flaws: bubbly, ..small("cement", 214, 30.0) },
            "recover",
            11,
        ),
    ];
    for (scene, outcome, ends) in &slides {
        scene.render_to(dir.path()).unwrap();
        let (lines, code, reported) = bench(&dir, &scene.id);
        assert_eq!((reported.as_str(), code), (*outcome, *ends), "{lines}");
        assert!((4..=8).contains(&lines.lines().count()), "a few lines: {lines}");
        assert_says(&lines, &[&scene.id, "why", "thickness", "\u{b5}m", "report.html"]);
    }

    fs::create_dir(dir.path().join("empty")).unwrap();
    let out = thinproof(dir.path(), &["check", "empty", "sound", "nowhere", "thick", "--out", "two"]);
    assert_eq!(code(&out), 1, "a failure counts before every verdict");
    let said = text(&out.stderr);
    assert_eq!(said.lines().count(), 2, "{said}");
    assert_says(&said, &["empty: holds no photographs", "nowhere: is not a folder"]);
    assert_says(&text(&out.stdout), &["sound  PASS", "thick  REGRIND"]);
    let mut written: Vec<_> =
        fs::read_dir(dir.path().join("two")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    written.sort();
    assert_eq!(written, ["sound", "thick"], "nothing is written for the slides that failed");
}

#[test]
fn bare_glass_that_is_a_photograph_of_the_section() {
    let field = "[[field]]\nname = \"A\"\n";
    for blank in ["A_ppl.jpg", "A_xpl_45.jpg", "copy.jpg"] {
        let said = complaint(
            |slide| {
                fs::copy(slide.join("A_ppl.jpg"), slide.join("copy.jpg")).unwrap();
                fs::write(slide.join("slide.toml"), format!("{field}blank = \"{blank}\"")).unwrap();
            },
            &[],
        );
        assert_says(&said, &[blank, "is given as bare glass for field A", "photograph bare glass beside the section"]);
    }
    // Another field's, whichever comes first.
    for (a, b) in [("blank = \"B_ppl.jpg\"", ""), ("", "blank = \"A_ppl.jpg\"")] {
        let said = complaint(
            |slide| {
                for (name, grey) in [("B_ppl.jpg", 190), ("B_xpl_0.jpg", 90)] {
                    flat(&slide.join(name), 320, 240, grey);
                }
                fs::write(slide.join("slide.toml"), format!("{field}{a}\n[[field]]\nname = \"B\"\n{b}")).unwrap();
            },
            &[],
        );
        assert_says(&said, &["is given as bare glass for field", "_ppl.jpg of field"]);
    }
    // One blank may serve both, and its name need not say so.
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    flat(&dir.path().join("S/glass.jpg"), 320, 240, 230);
    fs::write(dir.path().join("S/slide.toml"), format!("{field}blank = \"glass.jpg\"")).unwrap();
    assert_eq!(code(&thinproof(dir.path(), &["check", "S"])), 13);
}

#[test]
fn a_report_among_the_photographs_is_none_of_them() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("box/S"));
    let mut photographs = Vec::new();
    // Into the slide's folder, into a folder in it, beside itself, and then once more with all of that there.
    for out in ["box/S", "box/S/reports", "box", "elsewhere"] {
        let checked = thinproof(dir.path(), &["check", "box/S", "--out", out, "--json"]);
        assert_eq!(code(&checked), 13, "{out}: {}", text(&checked.stderr));
        let report: Value = serde_json::from_str(&text(&checked.stdout)).unwrap();
        photographs.push((report["photographs"].clone(), report["warnings"].clone()));
    }
    assert!(dir.path().join("box/S/thumbnail.jpg").exists() && dir.path().join("box/S/S/thumbnail.jpg").exists());
    assert_eq!(photographs[0].0.as_array().unwrap().len(), 3);
    assert!(photographs.iter().all(|p| *p == photographs[0]), "{photographs:?}");
    let drawer = thinproof(dir.path(), &["drawer", "box", "--out", "all"]);
    assert!(text(&drawer.stdout).starts_with("1 slide\n"), "{}", text(&drawer.stdout));
}

#[test]
fn limits_completions_and_manual_pages_are_written() {
    let dir = tempdir().unwrap();
    let limits = thinproof(dir.path(), &["limits"]);
    assert_eq!(code(&limits), 0);
    fs::write(dir.path().join("house.toml"), &limits.stdout).unwrap();
    flat_slide(&dir.path().join("grey"));
    let checked = thinproof(dir.path(), &["check", "grey", "--limits", "house.toml"]);
    assert_eq!(code(&checked), 13, "the file as printed is read: {}", text(&checked.stderr));
    for shell in ["bash", "zsh", "fish", "powershell"] {
        let out = thinproof(dir.path(), &["completions", shell]);
        assert_eq!(code(&out), 0, "{shell}");
        for command in ["check", "drawer", "watch", "frost", "collate", "archive", "chart", "limits"] {
            assert!(text(&out.stdout).contains(command), "{shell} completes {command}");
        }
    }
    assert_eq!(code(&thinproof(dir.path(), &["manual", "man1"])), 0);
    let page = fs::read_to_string(dir.path().join("man1/thinproof-check.1")).unwrap();
    assert!(page.contains(".TH") && page.contains("limits"), "{page}");
}
