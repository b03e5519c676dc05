//! What the built command does beside the wheel: watching a folder, and beginning a slide's folder.

use std::fs;
use std::path::Path;

use tempfile::tempdir;

use crate::bench::{code, small, text, thinproof};

/// Names and contents of the files of a folder.
fn contents(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap())
        .map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap()))
        .collect();
    files.sort();
    files
}

/// A folder as a camera leaves it: photographs of one slide, 43 µm thick, with the camera's own names.
fn camera(dir: &Path) -> std::path::PathBuf {
    let (slide, _) = small("LM-0150", 150, 43.0).render_to(dir).unwrap();
    let camera = dir.join("camera");
    fs::create_dir(&camera).unwrap();
    let mut photographs: Vec<_> = fs::read_dir(&slide).unwrap().map(|e| e.unwrap().path()).collect();
    photographs.retain(|p| p.extension().is_some_and(|e| e == "jpg"));
    photographs.sort();
    for (i, path) in photographs.iter().enumerate() {
        fs::copy(path, camera.join(format!("IMG_{:04}.jpg", 7 + i))).unwrap();
    }
    camera
}

#[test]
fn a_folder_of_unnamed_photographs_is_judged_and_left_as_it_was() {
    let dir = tempdir().unwrap();
    let camera = camera(dir.path());
    let before = contents(&camera);
    let out = thinproof(dir.path(), &["watch", "camera", "--until-idle", "1", "--save", "kept"]);
    let said = text(&out.stdout);
    assert_eq!(code(&out), 10, "{said}{}", text(&out.stderr));
    assert!(said.contains("plane light (seen to be plane light)"), "{said}");
    assert!(said.contains("REGRIND: 4"), "{said}");
    assert!(said.contains("dust of quartz harms the lungs"), "whoever is told to grind is told of the dust: {said}");
    assert_eq!(contents(&camera), before, "the watched folder is only read");
    // What was kept is a slide folder that can be checked.
    let kept: Vec<_> = fs::read_dir(dir.path().join("kept")).unwrap().map(|e| e.unwrap().path()).collect();
    let slide = kept.iter().find(|p| p.join("slide.toml").exists()).expect("a slide was kept");
    let again = thinproof(dir.path(), &["check", slide.to_str().unwrap()]);
    assert_eq!(code(&again), 10, "{}{}", text(&again.stdout), text(&again.stderr));
}

#[test]
fn a_new_slide_has_what_the_photographs_tell_and_is_never_overwritten() {
    let dir = tempdir().unwrap();
    let camera = camera(dir.path());
    let before = contents(&camera);
    let out = thinproof(dir.path(), &["new", "LM-0151", "--from", "camera"]);
    assert_eq!(code(&out), 0, "{}", text(&out.stderr));
    assert_eq!(contents(&camera), before);
    let sheet = fs::read_to_string(dir.path().join("LM-0151/slide.toml")).unwrap();
    assert!(sheet.contains("id = \"LM-0151\"") && sheet.contains("plane = \"IMG_0007.jpg\""), "{sheet}");
    let checked = thinproof(dir.path(), &["check", "LM-0151"]);
    assert_eq!(code(&checked), 10, "{}{}", text(&checked.stdout), text(&checked.stderr));
    let refused = thinproof(dir.path(), &["new", "LM-0151"]);
    assert_eq!(code(&refused), 1);
    assert!(text(&refused.stderr).contains("is there already"), "{}", text(&refused.stderr));
    assert_eq!(fs::read_to_string(dir.path().join("LM-0151/slide.toml")).unwrap(), sheet);
}

#[test]
fn a_photograph_beyond_the_bounds_is_refused_at_the_bench_too() {
    let dir = tempdir().unwrap();
    camera(dir.path());
    let out = thinproof(dir.path(), &["watch", "camera", "--until-idle", "1", "--max-megapixels", "0.01"]);
    let told = text(&out.stdout);
    assert!(told.contains("more than is allowed") && told.contains("allow more with --max-megapixels"), "{told}");
}

#[test]
fn what_cannot_be_watched_says_so() {
    let dir = tempdir().unwrap();
    for (arguments, word) in [
        (vec!["watch", "nowhere"], "nowhere"),
        (vec!["watch", ".", "--grit", "F400"], "F400=17"),
        (vec!["watch", ".", "--page", "99999999"], "99999999"),
    ] {
        let out = thinproof(dir.path(), &arguments);
        assert_ne!(code(&out), 0, "{arguments:?}");
        assert!(text(&out.stderr).contains(word), "{arguments:?}: {}", text(&out.stderr));
    }
}
