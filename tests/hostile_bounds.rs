//! Bounds, and what is torn, taken away or closed while a slide is checked: a clear sentence, and nothing is lost.

use std::fs;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::Duration;

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use tempfile::tempdir;
use thinproof::bounds::Bounds;
use thinproof::cli::check::check_slide;
use thinproof::drawer::{Drawer, check_drawer};
use thinproof::house::House;
use thinproof::pipeline;
use thinproof::slide::decode::{Reading, decode_photograph};

use crate::bench::{code, flat, flat_slide, text, thinproof};
use crate::odd_files::{encoded, jpeg, tiff_of_strips};

#[test]
fn a_photograph_of_more_pixels_than_are_allowed_is_refused_and_the_others_go_on() {
    let dir = tempdir().unwrap();
    flat_slide(&dir.path().join("slides/LM-1"));
    let large = dir.path().join("slides/LM-2");
    flat_slide(&large);
    flat(&large.join("A_ppl.jpg"), 400, 300, 200);
    let run = |more: &[&str]| thinproof(dir.path(), &[&["drawer", "slides", "--out", "out"], more].concat());
    let out = run(&["--max-megapixels", "0.1"]);
    let told = text(&out.stderr);
    assert_eq!(code(&out), 1);
    assert!(told.contains("LM-2/A_ppl.jpg: has 400 x 300 pixels, more than is allowed"), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(dir.path().join("out/LM-1/report.json").exists() && !dir.path().join("out/LM-2").exists());
    let table = fs::read_to_string(dir.path().join("out/drawer.csv")).unwrap();
    assert!(table.contains("LM-2") && table.contains("more than is allowed"), "{table}");
    flat_slide(&large);
    assert_eq!(code(&run(&["--max-megapixels", "0.08"])), 13, "now all are as large as is allowed");
}

/// The photographs of a field are in memory together, so together they are bounded: ten times what one may have.
#[test]
fn photographs_of_one_field_are_bounded_together() {
    let dir = tempdir().unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    for angle in 1..=8 {
        flat(&slide.join(format!("A_xpl_{angle}.jpg")), 320, 240, 100 + angle);
    }
    let run = |megapixels: &str| thinproof(dir.path(), &["check", "S", "--out", "out", "--max-megapixels", megapixels]);
    let out = run("0.08");
    let told = text(&out.stderr);
    assert_eq!(code(&out), 1, "{told}");
    assert!(
        told.contains("A_ppl.jpg: and the others of field A are 11 photographs of 0.1 megapixels")
            && told.contains("fewer crossed photographs, or allow more with --max-megapixels"),
        "{told}"
    );
    assert_eq!(code(&run("0.09")), 13, "{}", text(&run("0.09").stderr));
}

#[test]
fn a_slide_whose_time_is_up_fails_in_a_sentence_keeps_its_report_and_the_others_go_on() {
    let dir = tempdir().unwrap();
    for id in ["LM-1", "LM-2", "LM-3"] {
        flat_slide(&dir.path().join("slides").join(id));
    }
    let out = dir.path().join("out");
    let house = House::default();
    let hurried = House { bounds: Bounds { time: Duration::ZERO, ..Bounds::default() }, ..House::default() };
    check_slide(&dir.path().join("slides/LM-2"), &out, &house).unwrap();
    let older = fs::read(out.join("LM-2/report.json")).unwrap();
    flat(&dir.path().join("slides/LM-2/A_xpl_45.jpg"), 320, 240, 77);
    let jobs = NonZeroUsize::new(2).unwrap();
    let drawer = Drawer { folder: &dir.path().join("slides"), out: &out, house: &house, jobs };
    let checked = check_drawer(
        &drawer,
        |slide| check_slide(slide, &out, if slide.ends_with("LM-2") { &hurried } else { &house }).map(|_| ()),
        |_| (),
    )
    .unwrap();
    let failed: Vec<_> = checked.record.slides.iter().filter_map(|row| row.failure.as_deref()).collect();
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert!(failed[0].contains("LM-2: was given up: it takes longer than the 0 s that a slide may take"), "{failed:?}");
    assert!(failed[0].contains("(read field A)") && failed[0].contains("--time-limit"), "{failed:?}");
    assert_eq!(fs::read(out.join("LM-2/report.json")).unwrap(), older, "the older report is as it was");
    for id in ["LM-1", "LM-3"] {
        assert!(out.join(id).join("report.html").exists(), "{id} is checked");
    }
    // The same from the command line.
    let run = thinproof(dir.path(), &["check", "slides/LM-1", "--out", "new", "--time-limit", "0.001"]);
    assert!(code(&run) == 1 && text(&run.stderr).contains("longer than the 0.001 s"), "{}", text(&run.stderr));
    assert!(!dir.path().join("new").exists());
}

/// A picture with noise, whose file is long.
fn noisy(width: u32, height: u32) -> RgbImage {
    let mut state = 7u32;
    RgbImage::from_fn(width, height, |x, y| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = (state >> 26) as u8;
        Rgb([(x % 150) as u8 + noise, (y % 130) as u8 + noise, 60 + noise])
    })
}

#[test]
fn photographs_cut_short_at_every_kilobyte_are_refused() {
    let picture = noisy(320, 240);
    let deep = DynamicImage::ImageRgb8(picture.clone()).into_rgb16();
    for (name, whole) in [
        ("a.jpg", jpeg(&picture, None, None)),
        ("a.png", encoded(picture.clone(), ImageFormat::Png)),
        ("deep.png", encoded(deep, ImageFormat::Png)),
        ("a.tif", encoded(picture.clone(), ImageFormat::Tiff)),
        ("strips.tif", tiff_of_strips(&picture, 16)),
    ] {
        let read = |bytes: &[u8]| decode_photograph(Path::new(name), bytes, &Reading::alone(name, 1 << 20));
        assert!(read(&whole).is_ok(), "{name} is whole");
        assert!(whole.len() > 20_000, "{name} is {} bytes long", whole.len());
        for cut in (0..whole.len() - 13).step_by(1000) {
            let told = read(&whole[..cut]).map(|_| ()).expect_err(&format!("{name} of {cut} bytes")).chain();
            assert!(
                told.starts_with(&format!("{name}: ")) && told.contains("; copy it from the camera"),
                "{cut}: {told}"
            );
        }
    }
}

#[test]
fn a_photograph_that_vanishes_midway_is_told() {
    let dir = tempdir().unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    for (name, grey) in [("B_ppl.jpg", 201), ("B_xpl_0.jpg", 101), ("B_xpl_45.jpg", 121)] {
        flat(&slide.join(name), 320, 240, grey);
    }
    let told = pipeline::check(&slide, &House::default(), |stack| {
        assert_eq!(stack.name, "A", "field B is never registered");
        fs::remove_file(slide.join("B_xpl_45.jpg")).unwrap();
    })
    .unwrap_err()
    .chain();
    assert!(told.contains("B_xpl_45.jpg: cannot be read; check that the file is there and may be read"), "{told}");
}

/// Runs the built command as somebody without rights of their own: for root every file is writable and no mode is a test.
#[cfg(unix)]
fn as_nobody(dir: &Path, arguments: &[&str]) -> std::process::Output {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    let probe = dir.join("probe");
    fs::write(&probe, "").unwrap();
    fs::set_permissions(&probe, fs::Permissions::from_mode(0o444)).unwrap();
    let root = fs::File::options().append(true).open(&probe).is_ok();
    fs::remove_file(&probe).unwrap();
    let mut program = PathBuf::from(env!("CARGO_BIN_EXE_thinproof"));
    if root {
        // The build may lie where nobody may look.
        let copy = dir.join("program");
        if !copy.exists() {
            fs::copy(&program, &copy).unwrap();
        }
        program = copy;
        fs::set_permissions(dir, fs::Permissions::from_mode(0o755)).unwrap();
    }
    let mut command = std::process::Command::new(program);
    command.args(arguments).current_dir(dir);
    if root {
        command.uid(65_534).gid(65_534);
    }
    command.output().unwrap()
}

#[cfg(unix)]
#[test]
fn without_rights_photographs_are_only_read_and_a_closed_output_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempdir().unwrap();
    let mode = |path: &Path, mode: u32| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    let slide = dir.path().join("S");
    flat_slide(&slide);
    for file in fs::read_dir(&slide).unwrap() {
        mode(&file.unwrap().path(), 0o444);
    }
    mode(&slide, 0o555);
    let out = dir.path().join("out");
    fs::create_dir(&out).unwrap();
    mode(&out, 0o777);
    let arguments = ["check", "S", "--out", "out"];
    let first = as_nobody(dir.path(), &arguments);
    assert_eq!(code(&first), 13, "photographs and a folder that may only be read are enough: {}", text(&first.stderr));
    let report = out.join("S/report.json");
    let before = fs::read(&report).unwrap();

    // An output folder that may only be read: nothing changes, the sentence says what to do.
    mode(&out.join("S"), 0o555);
    mode(&out, 0o555);
    let closed = as_nobody(dir.path(), &arguments);
    let told = text(&closed.stderr);
    assert_eq!(code(&closed), 1, "{told}");
    assert!(told.contains("--out") && told.lines().count() == 1, "{told}");
    assert_eq!(text(&closed.stdout), "");
    assert_eq!(fs::read(&report).unwrap(), before);

    // A photograph that may not be read leaves the report as it was too.
    mode(&out, 0o777);
    mode(&out.join("S"), 0o777);
    mode(&slide.join("A_xpl_45.jpg"), 0o000);
    let failed = as_nobody(dir.path(), &arguments);
    assert_eq!(code(&failed), 1);
    assert!(text(&failed.stderr).contains("A_xpl_45.jpg: cannot be read"), "{}", text(&failed.stderr));
    assert_eq!(fs::read(&report).unwrap(), before, "a failure overwrites no report");
    mode(&slide, 0o755);
}
