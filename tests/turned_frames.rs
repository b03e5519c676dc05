//! A stage that turns takes the frame's corners out of some crossed photographs: what the others show of them is used.

use thinproof::demo::{Rock, Scene};
use thinproof::pipeline::crystals_of;
use thinproof::register::FieldStack;
use thinproof::section::light_field::FieldLight;
use thinproof::slide::Slide;
use thinproof::slide::record::Turned;
use thinproof::thickness::{SectionSize, Thickness, Yardstick, measure};

/// A quartzite of 30.5 µm on a stage that turns about a point beside the middle of the frame.
fn registered(angles_deg: &[f64]) -> FieldStack {
    let mut scene = Scene { angles_deg: angles_deg.to_vec(), ..Scene::new("LM-0910", 910, Rock::Quartzite) };
    scene.grain_um = 80.0;
    scene.wedge.centre_um = 30.5;
    (scene.wedge.gx_um_per_mm, scene.wedge.gy_um_per_mm) = (0.0, 0.0);
    (scene.turned, scene.pivot_px) = (Turned::Stage, [6.0, -4.0]);
    let home = tempfile::tempdir().unwrap();
    scene.render_to(home.path()).unwrap();
    let slide = Slide::read(&home.path().join("LM-0910")).unwrap();
    let plan = &slide.fields[0];
    FieldStack::register(plan, slide.load(plan).unwrap(), slide.scale, slide.record.turned).unwrap()
}

/// Crystals that some positions do not show are as good as the others: measured by them alone the section is as thick.
#[test]
fn crystals_that_some_positions_do_not_show_measure_the_section() {
    let stack = registered(&[0.0, 15.0, 30.0, 45.0, 60.0, 75.0]);
    let mut field = crystals_of(&stack);
    let all = field.crystals.crystals.len();
    field.crystals.crystals.retain(|c| c.unseen.iter().any(|share| *share > 0.97));
    let corners = field.crystals.crystals.len();
    assert!(corners >= 10 && 10 * corners > all, "{corners} of {all}");
    match measure(&[field], SectionSize::default(), &Yardstick::quartz()) {
        Thickness::Measured(s) => {
            let [low, high] = s.mean_um.interval;
            assert!((s.mean_um.value - 30.5).abs() < 0.8 && low < 30.5 && 30.5 < high, "{:?}", s.mean_um);
        }
        Thickness::NotMeasurable { why, .. } => panic!("{why}"),
    }
}

/// Share of the frame in which the crossed photographs tell what they tell together.
fn told(stack: &FieldStack) -> f64 {
    let light = FieldLight::of(stack);
    1.0 - light.outside.iter().filter(|o| **o).count() as f64 / light.outside.len() as f64
}

/// Of the places of a frame of 4 : 3 whose height is 1, how many frames turned about its middle show each; counted on a grid.
fn shown(degrees: &[f64]) -> Vec<usize> {
    let within = |[x, y]: [f64; 2], degrees: f64| {
        let (sin, cos) = degrees.to_radians().sin_cos();
        (cos * x - sin * y).abs() < 2.0 / 3.0 && (sin * x + cos * y).abs() < 0.5
    };
    let place = |i: usize| [i % 400, i / 400].map(|k| (k as f64 + 0.5) / 300.0);
    let from_middle = |i: usize| [place(i)[0] - 2.0 / 3.0, place(i)[1] - 0.5];
    (0..400 * 300).map(|i| degrees.iter().filter(|a| within(from_middle(i), **a)).count()).collect()
}

fn share(shown: &[usize], least: usize) -> f64 {
    shown.iter().filter(|n| **n >= least).count() as f64 / shown.len() as f64
}

#[test]
fn places_that_three_of_four_positions_show_are_judged() {
    let four = [0.0, 22.5, 45.0, 67.5];
    let shown_by = shown(&four);
    let (three, all) = (share(&shown_by, 3), share(&shown_by, 4));
    let found = told(&registered(&four));
    assert!((found - three).abs() < 0.03 && found > all + 0.05, "{found}, {three} by three, {all} by all");
    // Of two positions both must show a place: neither stands for the other.
    let two = [0.0, 45.0];
    let (found, both) = (told(&registered(&two)), share(&shown(&two), 2));
    assert!((found - both).abs() < 0.03, "{found} {both}");
}
