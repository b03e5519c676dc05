//! Plane light out of focus: what it hides is not called absent.

use std::path::{Path, PathBuf};

use thinproof::demo::{Flaws, Rock, Scene};
use thinproof::house::House;
use thinproof::pipeline::{CheckedSlide, check, check_read};
use thinproof::section::defects::DefectKind;
use thinproof::thickness::Thickness;
use thinproof::verdict::Outcome;

/// One field of a scratched granite whose plane photograph is blurred by a Gaussian of so many pixels.
fn checked(blur_px: f32) -> CheckedSlide {
    let dir = tempfile::tempdir().unwrap();
    let checked = check(&written(dir.path(), [900, 680], blur_px), &House::default(), |_| ()).unwrap();
    let um_per_px = checked.fields[0].scale.unwrap().um_per_px();
    assert!((1.2..2.2).contains(&um_per_px), "blurs below are meant for about that: {um_per_px}");
    checked
}

/// Its folder.
fn written(dir: &Path, size_px: [usize; 2], blur_px: f32) -> PathBuf {
    let flaws = Flaws { scratches: 6, ..Flaws::default() };
    let scene = Scene { size_px, grain_um: 100.0, flaws, ..Scene::new("LM-0306", 301, Rock::Granite) };
    let (slide, _) = scene.render_to(dir).unwrap();
    let plane = slide.join("A_ppl.jpg");
    if blur_px > 0.0 {
        let sharp = image::open(&plane).unwrap().to_rgb8();
        image::imageops::blur(&sharp, blur_px).save(&plane).unwrap();
    }
    slide
}

/// The same looked at window by window.
fn in_windows(slide: &Path) -> CheckedSlide {
    let house = House::default();
    let clock = house.bounds.start(slide);
    let (mut slide, limits) = house.slide(slide).unwrap();
    slide.windows.from_pixels = 0;
    slide.windows.held_bytes = 0;
    slide.windows.side = 1024;
    let mut windows = 0;
    let checked = check_read(slide, limits, &clock, |_| (), |_| windows += 1).unwrap();
    assert!(windows > 2, "{windows}");
    checked
}

const SIZE: [usize; 2] = [1600, 1200];

#[test]
fn a_field_in_windows_is_asked_for_its_focus_too() {
    let dir = tempfile::tempdir().unwrap();
    let sharp = in_windows(&written(&dir.path().join("sharp"), SIZE, 0.0));
    assert!(sharp.tally.unjudged.is_empty() && !sharp.tally.out_of_focus, "{:?}", sharp.tally.unjudged);
    let slide = written(&dir.path().join("blurred"), SIZE, 3.0);
    let blurred = in_windows(&slide);
    let kinds: Vec<DefectKind> = blurred.tally.unjudged.iter().map(|(kind, _)| *kind).collect();
    assert_eq!(kinds, [DefectKind::Plucks, DefectKind::Scratches]);
    assert!(blurred.tally.out_of_focus && blurred.tally.unjudged[0].1.starts_with("A_ppl.jpg is out of focus"));
    // Three fifths of it out of focus, as where a scan's plane of focus is tilted.
    let plane = slide.join("A_ppl.jpg");
    let mut half = image::open(dir.path().join("sharp/LM-0306/A_ppl.jpg")).unwrap().to_rgb8();
    let soft = image::open(&plane).unwrap().to_rgb8();
    let from = half.width() * 2 / 5;
    image::imageops::replace(
        &mut half,
        &image::imageops::crop_imm(&soft, from, 0, SIZE[0] as u32, SIZE[1] as u32).to_image(),
        from.into(),
        0,
    );
    half.save(&plane).unwrap();
    let partly = in_windows(&slide);
    let why = &partly.tally.unjudged.first().expect("too much is lost").1;
    assert!(why.contains("A_ppl.jpg (on ") && why.contains(" % of it) is out of focus"), "{why}");
}

#[test]
fn plane_light_out_of_focus_is_no_proof_that_there_is_no_scratch() {
    let sharp = checked(0.0);
    let seen = sharp.tally.totals.scratch_mm_per_mm2.expect("judged");
    assert!(seen > 0.5, "{seen} mm per mm²");
    for (blur_px, judged) in [(0.6, true), (3.0, false), (8.0, false)] {
        let blurred = checked(blur_px);
        let kinds: Vec<DefectKind> = blurred.tally.unjudged.iter().map(|(kind, _)| *kind).collect();
        assert_eq!(kinds.is_empty(), judged, "{blur_px}: {kinds:?}");
        assert_eq!(blurred.tally.out_of_focus, !judged);
        assert_eq!(blurred.tally.totals.scratch_mm_per_mm2.is_some(), judged);
        let measured = |c: &CheckedSlide| matches!(c.thickness, Thickness::Measured(_));
        assert_eq!(measured(&blurred), measured(&sharp), "thickness is read between crossed polars");
        if judged {
            continue;
        }
        assert_eq!(kinds, [DefectKind::Plucks, DefectKind::Scratches], "{blur_px}");
        let why = &blurred.tally.unjudged[0].1;
        assert!(why.starts_with("A_ppl.jpg is out of focus") && !why.contains('\n'), "{why}");
        assert_ne!(blurred.verdict.outcome, Outcome::Pass, "{}", blurred.verdict.why);
        let steps = &blurred.verdict.next_steps;
        assert!(steps.iter().any(|s| s.starts_with("Focus on the section")), "{steps:?}");
    }
}
