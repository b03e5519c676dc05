//! Names, ids, settings and disks: nothing leaves the output folder, garbles a terminal, or is lost.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;
use tempfile::tempdir;

use crate::bench::{code, flat, flat_slide, small, text, thinproof};

/// Every file and folder below `dir`, sorted.
fn tree(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![dir.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() && !path.is_symlink() {
                open.push(path.clone());
            }
            found.push(path);
        }
    }
    found.sort();
    found
}

/// Nothing that moves a cursor, rings, turns text round or hides it.
fn assert_plain(said: &str) {
    for c in said.chars().filter(|c| *c != '\n') {
        assert!(!c.is_control() && !('\u{202a}'..='\u{202e}').contains(&c) && c != '\u{200b}', "{said:?}");
    }
}

#[cfg(unix)]
#[test]
fn folders_of_any_name_are_checked_and_nothing_leaves_the_output_folder() {
    for name in [
        "sp ace",
        " lead",
        "trail ",
        "薄片",
        "new\nline",
        "esc\u{1b}[31mred",
        "-dash",
        "--help",
        "🪨",
        "...",
        "CON",
        "nul.txt",
        "quote\"'`$(x)",
        "=1+1",
        "100%",
        "rtl\u{202e}gpj",
        "no\u{200b}width",
        "a:b",
        "a\\b",
        ".hidden",
    ] {
        let dir = tempdir().unwrap();
        flat_slide(&dir.path().join(name));
        let out = thinproof(dir.path(), &["check", "--out", "out", "--", name]);
        let (said, told) = (text(&out.stdout), text(&out.stderr));
        assert_eq!(code(&out), 13, "{name:?}: {told}");
        assert_plain(&said);
        let written = tree(&dir.path().join("out"));
        assert_eq!(written.len(), 4, "folder, report, page and thumbnail of {name:?}: {written:?}");
        let folder = written[0].file_name().unwrap().to_str().unwrap();
        assert!(!folder.starts_with('.') && !folder.contains(['\\', ':', '\n', '\u{1b}']), "{name:?} gave {folder:?}");
        assert_eq!(tree(dir.path()).len(), 3 + 1 + 1 + 4, "{name:?}: nothing beside out and the slide");
    }
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_told_and_errors_never_garble_the_terminal() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempdir().unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    fs::rename(slide.join("A_ppl.jpg"), slide.join(std::ffi::OsStr::from_bytes(b"\xff\x1b[2J_ppl.jpg"))).unwrap();
    let out = thinproof(dir.path(), &["check", "S", "--out", "out"]);
    let told = text(&out.stderr);
    assert_eq!(code(&out), 1);
    assert!(told.contains("\\u{1b}[2J_ppl.jpg: has a name that is no UTF-8 text; rename it"), "{told}");
    assert_plain(&told);

    let slide = dir.path().join("\u{1b}[31m\u{7}T");
    flat_slide(&slide);
    fs::write(slide.join("A_xpl_45.jpg"), "no picture").unwrap();
    let out = thinproof(dir.path(), &["check", "\u{1b}[31m\u{7}T", "--out", "out"]);
    let told = text(&out.stderr);
    assert!(told.contains("\\u{1b}[31m\\u{7}T/A_xpl_45.jpg: is not a JPEG"), "{told}");
    assert_plain(&told);
    assert!(!dir.path().join("out").exists());
}

/// What is said of a slide.toml.
fn told_of(record: &str) -> String {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    fs::write(dir.path().join("S/slide.toml"), record).unwrap();
    let out = thinproof(dir.path(), &["check", "S", "--out", "out"]);
    let told = text(&out.stderr);
    assert_eq!(code(&out), 1, "{record:.60?}: {told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(told.chars().count() < 500, "{record:.60?}: {told}");
    assert_plain(&told);
    assert!(!dir.path().join("out").exists(), "{record:.60?}");
    told
}

#[test]
fn settings_that_cannot_be_are_told_in_one_sentence_with_their_place() {
    let field = "[[field]]\nplane = \"A_ppl.jpg\"\ncrossed = [{ file = \"A_xpl_0.jpg\" }]\n";
    let table = [
        ("[slide]\nwidth_mm = \"wide\"", "line 2, column 12: invalid type: string \"wide\", expected a number"),
        ("[slide]\nfinish = true", "line 2, column 10: expected a text in quotes"),
        ("[slide]\nheight_mm = 1e300", "height_mm = 1e300 cannot be; give a number from 0.1 to 500"),
        ("[slide]\ntarget_um = -inf", "line 2, column 13: target_um = -inf cannot be"),
        ("[slide]\nid = \"a\\u001b[31m\"", "line 2, column 6: the id \"a [31m\" cannot name a folder"),
        ("[slide]\nid = \"x/../../y\"", "cannot name a folder"),
        ("[slide]\nid = \"a\\u200bb\"", "cannot name a folder"),
        ("[slide]\n\"a\\u001b[31m\" = 1", "line 2, column 1: the key a [31m is not known"),
        ("[[quartz]]\nfield = \"A\"\nx_px = 1e300\ny_px = 1", "line 3, column 8: x_px = 1e300 cannot be"),
        (&format!("{field}centre_mm = [1, 2, 3]"), "line 4, column 13: centre_mm is no pair of numbers"),
        (&format!("{field}[[quartz]]\nfield = \"A\"\nbox_px = [1, 2, 3]"), "box_px is no box"),
        (
            &format!(
                "{field}[[field]]\nname = \"B\"\nplane = \"A_ppl.jpg\"\ncrossed = [{{ file = \"A_xpl_45.jpg\" }}]"
            ),
            "A_ppl.jpg: is given for field A and for field B",
        ),
    ];
    for (record, words) in table {
        let told = told_of(record);
        assert!(told.contains(words), "{record:?}: {told}");
    }
    let long = told_of(&format!("[slide]\n{} = 1", "k".repeat(5000)));
    assert!(long.contains("line 2, column 1: the key kkk"), "{long}");
}

#[test]
fn settings_that_are_no_utf_8_are_told_with_the_cure() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    fs::write(dir.path().join("house.toml"), "").unwrap();
    let record = "[slide]\nmark_corner = \"top-left\"\n";
    let unmarked: Vec<u8> = record.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let utf_16 = [&[0xff, 0xfe], &*unmarked].concat();
    let latin_1 = [record.as_bytes(), b"# Gr\xfcn\n"].concat();
    for (bytes, words) in
        [(utf_16, "is saved as UTF-16"), (unmarked, "is saved as UTF-16"), (latin_1, "line 3 is not UTF-8 text")]
    {
        for file in ["S/slide.toml", "house.toml"] {
            fs::write(dir.path().join(file), &bytes).unwrap();
            let out = thinproof(dir.path(), &["check", "S", "--limits", "house.toml"]);
            let told = text(&out.stderr);
            assert!(code(&out) == 1 && told.contains(words) && told.contains("encoding UTF-8"), "{file}: {told}");
            fs::write(dir.path().join(file), "").unwrap();
        }
    }
}

#[test]
fn settings_of_great_size_or_depth_are_refused() {
    assert!(told_of(&format!("#{}", "x".repeat(10_000_000))).contains("is longer than a megabyte"));
    for deep in ["[".repeat(400_000), "{a=".repeat(100_000)] {
        assert!(told_of(&format!("a = {deep}")).contains("nested too deeply"));
    }
    assert!(told_of(&format!("a{} = 1", ".a".repeat(100_000))).contains("nested too deeply"));
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    fs::write(dir.path().join("long.toml"), format!("#{}", "x".repeat(10_000_000))).unwrap();
    for (limits, words) in
        [("long.toml", "is longer than a megabyte"), ("/dev/zero", "is not a file"), (".", "is not a file")]
    {
        let out = thinproof(dir.path(), &["check", "S", "--limits", limits]);
        assert!(code(&out) == 1 && text(&out.stderr).contains(words), "{limits}: {}", text(&out.stderr));
    }
}

#[cfg(unix)]
#[test]
fn outputs_that_cannot_be_are_told_and_leave_what_is_there() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    let failed = |words: &str| {
        let out = thinproof(dir.path(), &["check", "S", "--out", "out"]);
        let told = text(&out.stderr);
        assert_eq!(code(&out), 1, "{told}");
        assert!(told.contains(words), "{told}");
        assert_eq!(text(&out.stdout), "");
    };
    let out = dir.path().join("out");
    fs::write(&out, "mine").unwrap();
    failed("out: is not a folder, and the reports belong into one; give another place with --out");
    assert_eq!(fs::read_to_string(&out).unwrap(), "mine");
    fs::remove_file(&out).unwrap();
    // Half a report is not moved where the other half cannot be.
    fs::create_dir_all(out.join("S/report.json")).unwrap();
    failed("report.json: is a folder where a report belongs");
    assert_eq!(tree(&out), [out.join("S"), out.join("S/report.json")]);
    fs::remove_dir_all(out.join("S")).unwrap();
    let elsewhere = tempdir().unwrap();
    std::os::unix::fs::symlink(elsewhere.path(), out.join("S")).unwrap();
    failed("out/S: is a link");
    assert_eq!(tree(elsewhere.path()), Vec::<PathBuf>::new());
}

#[test]
fn two_slides_of_one_id_do_not_take_each_others_place() {
    let dir = tempdir().unwrap();
    for batch in ["monday", "tuesday"] {
        flat_slide(&dir.path().join(batch).join("S"));
    }
    let out = thinproof(dir.path(), &["check", "monday/S", "tuesday/S", "--out", "out"]);
    let told = text(&out.stderr);
    assert_eq!(code(&out), 1, "{told}");
    assert!(
        told.contains("tuesday/S: has the id S, as monday/S has: its report would take that one's place"),
        "{told}"
    );
    let report = fs::read_to_string(dir.path().join("out/S/report.json")).unwrap();
    assert!(report.contains("monday/S") && !report.contains("tuesday/S"));
}

/// Runs the built command under a limit of the shell.
#[cfg(unix)]
fn under(limit: &str, dir: &Path, arguments: &[&str]) -> Output {
    Command::new("sh")
        .arg("-c")
        .arg(format!("{limit}; exec \"$0\" \"$@\""))
        .arg(env!("CARGO_BIN_EXE_thinproof"))
        .args(arguments)
        .current_dir(dir)
        .output()
        .expect("a shell")
}

/// A file may grow to one block: who writes more is killed in the middle of the first report, or, where that signal is
/// ignored, finds the disk full.
#[cfg(unix)]
#[test]
fn killed_or_out_of_space_leaves_the_older_report_and_the_next_run_completes() {
    let dir = tempdir().unwrap();
    let arguments = ["check", "S", "--out", "out"];
    flat_slide(&dir.path().join("S"));
    assert_eq!(code(&thinproof(dir.path(), &arguments)), 13);
    let report = |name: &str| fs::read(dir.path().join("out/S").join(name)).unwrap();
    let both = || (report("report.json"), report("report.html"));
    let before = both();
    flat(&dir.path().join("S/A_xpl_45.jpg"), 320, 240, 77);
    let killed = under("ulimit -f 1; ulimit -c 0", dir.path(), &arguments);
    assert_eq!(killed.status.code(), None, "killed: {}", text(&killed.stderr));
    let full = under("trap '' XFSZ; ulimit -f 1", dir.path(), &arguments);
    let told = text(&full.stderr);
    assert_eq!(code(&full), 1);
    assert!(told.contains("the report cannot be written; check that the folder given with --out"), "{told}");
    assert_eq!(text(&killed.stdout) + &text(&full.stdout), "", "nothing that looks like a verdict");
    assert!(both() == before, "the older report is as it was");
    assert_eq!(code(&thinproof(dir.path(), &arguments)), 13, "the next run completes");
    assert!(report("report.json") != before.0);
}

#[cfg(unix)]
#[test]
fn drafts_that_a_killed_run_left_are_swept_when_they_are_old() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("S"));
    for draft in ["out/.report-old", "out/.report-new"] {
        fs::create_dir_all(dir.path().join(draft)).unwrap();
        fs::write(dir.path().join(draft).join("report.json"), "{").unwrap();
    }
    let old = std::time::SystemTime::now() - std::time::Duration::from_secs(3 * 24 * 3600);
    fs::File::open(dir.path().join("out/.report-old")).unwrap().set_modified(old).unwrap();
    assert_eq!(code(&thinproof(dir.path(), &["check", "S", "--out", "out"])), 13);
    assert!(!dir.path().join("out/.report-old").exists());
    assert!(dir.path().join("out/.report-new").exists(), "another run may be writing it");
}

#[cfg(unix)]
#[test]
fn photographs_that_may_only_be_read_are_enough() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempdir().unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    let mode = |path: &Path, mode: u32| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    tree(&slide).iter().for_each(|file| mode(file, 0o444));
    mode(&slide, 0o555);
    let modified = |path: &Path| fs::metadata(path).unwrap().modified().unwrap();
    let before: Vec<_> = tree(&slide).iter().map(|f| modified(f)).collect();
    let out = thinproof(dir.path(), &["check", "S", "--out", "out"]);
    mode(&slide, 0o755);
    assert_eq!(code(&out), 13, "{}", text(&out.stderr));
    assert_eq!(before, tree(&slide).iter().map(|f| modified(f)).collect::<Vec<_>>());
}

/// A bomb is refused within 2 GB of address space, threads and all.
#[cfg(target_os = "linux")]
#[test]
fn bombs_take_no_memory() {
    use crate::odd_files::{jpeg_claiming, picture, png_claiming};
    let dir = tempdir().unwrap();
    for (file, bytes) in [
        ("A_xpl_45.jpg", jpeg_claiming(&picture(64, 64), 30_000, 30_000)),
        ("A_xpl_45.png", png_claiming(34_000, 34_000, 8, 2)),
    ] {
        let slide = dir.path().join("S");
        flat_slide(&slide);
        fs::remove_file(slide.join("A_xpl_45.jpg")).unwrap();
        fs::write(slide.join(file), bytes).unwrap();
        let out = under("ulimit -v 2000000", dir.path(), &["check", "S", "--out", "out"]);
        let told = text(&out.stderr);
        assert!(code(&out) == 1 && told.contains("cannot hold such a photograph"), "{told}");
        fs::remove_dir_all(slide).unwrap();
    }
}

/// The reports without the time at which they were made.
fn reports(out: &Path) -> [String; 2] {
    let json: Value = serde_json::from_slice(&fs::read(out.join("LM-0305/report.json")).unwrap()).unwrap();
    let made_at = json["made_at"].as_str().unwrap().to_owned();
    ["report.json", "report.html"].map(|name| {
        let written = fs::read_to_string(out.join("LM-0305").join(name)).unwrap();
        assert!(written.contains(&made_at));
        written.replace(&made_at, "T")
    })
}

#[cfg(unix)]
#[test]
fn the_same_photographs_give_the_same_bytes_on_any_machine() {
    let dir = tempdir().unwrap();
    let (slide, _) = small("LM-0305", 305, 31.0).render_to(dir.path()).unwrap();
    let run = |out: &str, threads: &str, zone: &str, locale: &str| {
        let run = Command::new(env!("CARGO_BIN_EXE_thinproof"))
            .args(["check", "LM-0305", "--out", out])
            .current_dir(dir.path())
            .envs([("RAYON_NUM_THREADS", threads), ("TZ", zone), ("LC_ALL", locale)])
            .output()
            .unwrap();
        assert!(run.status.code().is_some_and(|c| c != 1), "{}", text(&run.stderr));
        reports(&dir.path().join(out))
    };
    let first = run("one", "1", "UTC", "C");
    // The same files, made in another order.
    let mut files: Vec<(PathBuf, Vec<u8>)> = tree(&slide)
        .into_iter()
        .map(|f| {
            let bytes = fs::read(&f).unwrap();
            (f, bytes)
        })
        .collect();
    files.reverse();
    fs::remove_dir_all(&slide).unwrap();
    fs::create_dir(&slide).unwrap();
    files.iter().for_each(|(file, bytes)| fs::write(file, bytes).unwrap());
    for (out, threads, zone, locale) in
        [("two", "2", "Pacific/Kiritimati", "de_DE.UTF-8"), ("six", "7", "America/St_Johns", "tr_TR.UTF-8")]
    {
        let other = run(out, threads, zone, locale);
        assert!(first[0] == other[0], "{threads} threads, {zone}, {locale}: report.json differs");
        assert!(first[1] == other[1], "{threads} threads, {zone}, {locale}: report.html differs");
    }
}
