//! `thinproof archive` from a checked slide to a bag, and `--verify` on what was done to it since.

use std::fs;
use std::path::Path;

use tempfile::tempdir;

use crate::bench::{code, flat_slide, text, thinproof};

/// A checked slide `grey` in `dir`, with its report in `out/grey`.
fn checked(dir: &Path) {
    flat_slide(&dir.join("grey"));
    fs::write(dir.join("grey/slide.toml"), "[archive]\nsample = \"block 14\"\nigsn = \"XXTEST0142\"\n").unwrap();
    let output = thinproof(dir, &["check", "grey", "--out", "out"]);
    assert_eq!(code(&output), 13, "{}", text(&output.stderr));
}

#[test]
fn a_checked_slide_is_archived_and_verified() {
    let dir = tempdir().unwrap();
    checked(dir.path());
    let output = thinproof(dir.path(), &["archive", "out/grey", "--to", "bags"]);
    assert_eq!((code(&output), text(&output.stdout).as_str()), (0, "bags/grey\n"), "{}", text(&output.stderr));
    for name in ["A_ppl.jpg", "A_xpl_0.jpg", "A_xpl_45.jpg", "slide.toml"] {
        let same = fs::read(dir.path().join("grey").join(name)).unwrap();
        assert!(fs::read(dir.path().join("bags/grey/data/slide").join(name)).unwrap() == same, "{name}");
    }
    let output = thinproof(dir.path(), &["archive", "--verify", "bags"]);
    let said = text(&output.stdout);
    assert_eq!(code(&output), 0);
    assert!(said.starts_with("bags/grey  whole: 10 files, "), "{said}");

    // The slide folder in a bag is a slide folder again.
    let output = thinproof(dir.path(), &["check", "bags/grey/data/slide", "--out", "again", "--json"]);
    assert_eq!(code(&output), 13, "{}", text(&output.stderr));

    fs::write(dir.path().join("bags/grey/data/slide/A_ppl.jpg"), "x").unwrap();
    fs::remove_file(dir.path().join("bags/grey/data/report/report.html")).unwrap();
    fs::write(dir.path().join("bags/grey/data/note.txt"), "x").unwrap();
    let output = thinproof(dir.path(), &["archive", "--verify", "bags/grey"]);
    let said = text(&output.stdout);
    assert_eq!(code(&output), 20, "{said}");
    let lines = [
        "bags/grey  NOT as it was written",
        "  changed  data/slide/A_ppl.jpg",
        "  missing  data/report/report.html",
        "  new      data/note.txt",
    ];
    for line in lines {
        assert!(said.lines().any(|l| l == line), "{line} in {said}");
    }
}

#[test]
fn one_report_that_cannot_be_archived_does_not_stop_the_others() {
    let dir = tempdir().unwrap();
    checked(dir.path());
    let output = thinproof(dir.path(), &["archive", "none", "out/grey", "--to", "bags"]);
    assert_eq!((code(&output), text(&output.stdout).as_str()), (1, "bags/grey\n"));
    let said = text(&output.stderr);
    assert!(said.starts_with("thinproof: none/report.json: cannot be read") && said.lines().count() == 1, "{said}");
    let again = thinproof(dir.path(), &["archive", "out/grey", "--to", "bags"]);
    assert_eq!(code(&again), 1);
    fs::write(dir.path().join("grey/A_ppl.jpg"), fs::read(dir.path().join("grey/A_xpl_0.jpg")).unwrap()).unwrap();
    let changed = thinproof(dir.path(), &["archive", "out/grey", "--to", "new"]);
    assert_eq!(code(&changed), 1);
    assert!(text(&changed.stderr).contains("A_ppl.jpg: is no longer the file that"), "{}", text(&changed.stderr));
    assert_eq!(fs::read_dir(dir.path().join("new")).unwrap().count(), 0);
}

#[test]
fn what_is_typed_must_be_whole() {
    let dir = tempdir().unwrap();
    let typed: [&[&str]; 4] = [
        &["archive"],
        &["archive", "out/grey"],
        &["archive", "--to", "bags"],
        &["archive", "out/grey", "--verify", "bags"],
    ];
    for arguments in typed {
        assert_eq!(code(&thinproof(dir.path(), arguments)), 2, "{arguments:?}");
    }
    let output = thinproof(dir.path(), &["archive", "--verify", "."]);
    assert_eq!(code(&output), 1);
    assert!(text(&output.stderr).contains("holds no bag"));
}
