//! Plane light out of focus: what it hides is not called absent.

use thinproof::demo::{Flaws, Rock, Scene};
use thinproof::house::House;
use thinproof::pipeline::{CheckedSlide, check};
use thinproof::section::defects::DefectKind;
use thinproof::thickness::Thickness;
use thinproof::verdict::Outcome;

/// One field of a scratched granite whose plane photograph is blurred by a Gaussian of so many pixels.
fn checked(blur_px: f32) -> CheckedSlide {
    let dir = tempfile::tempdir().unwrap();
    let flaws = Flaws { scratches: 6, ..Flaws::default() };
    let scene = Scene { size_px: [900, 680], grain_um: 100.0, flaws, ..Scene::new("LM-0306", 301, Rock::Granite) };
    let (slide, _) = scene.render_to(dir.path()).unwrap();
    let plane = slide.join("A_ppl.jpg");
    if blur_px > 0.0 {
        let sharp = image::open(&plane).unwrap().to_rgb8();
        image::imageops::blur(&sharp, blur_px).save(&plane).unwrap();
    }
    let checked = check(&slide, &House::default(), |_| ()).unwrap();
    let um_per_px = checked.fields[0].scale.unwrap().um_per_px();
    assert!((1.2..2.2).contains(&um_per_px), "blurs below are meant for about that: {um_per_px}");
    checked
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
