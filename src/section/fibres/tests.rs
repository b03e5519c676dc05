//! Threads on computed and rendered fields.

use ndarray::Array2;

use super::*;
use crate::demo::score::match_fibres;
use crate::demo::{Flaws, Rock, Scene};
use crate::register::FieldStack;
use crate::section::defects::{FieldDefects, find_defects, find_in_light};
use crate::section::light_field::FieldLight;
use crate::section::plane_light::coarse_bin;
use crate::slide::Slide;
use crate::slide::photograph::LinearPlanes;
use crate::slide::record::Impregnation;

const UM: f64 = 1.6;
const SIZE: [usize; 2] = [900, 700];

/// A mosaic of square crystals, `dark` log units under clear at each pixel.
fn light(dark: impl Fn(f64, f64) -> f64) -> FieldLight {
    let [width, height] = SIZE;
    let plane = Array2::from_shape_fn((height, width), |(y, x)| (0.8 * (-dark(x as f64, y as f64)).exp()) as f32);
    let plane =
        LinearPlanes { bin: 1, rgb: [plane.clone(), plane.clone(), plane], mask: Array2::zeros((height, width)) };
    let bin = coarse_bin(Some(UM));
    let (rows, columns) = (height / bin, width / bin);
    let side = 120 / bin;
    let crystals =
        Array2::from_shape_fn((rows, columns), |(y, x)| 0.05 + 0.06 * ((x / side * 5 + y / side * 3) % 7) as f32);
    let mask = Array2::zeros((rows, columns));
    let crossed = LinearPlanes { bin, rgb: [crystals.clone(), crystals.clone(), crystals], mask };
    FieldLight::from_planes(&plane, &[crossed], &[0.0], Some(UM))
}

/// A thread along an arc about (450, 900) of radius 600, from x = 150 to 750; Gaussian across.
fn arc(x: f64, y: f64, width_um: f64) -> f64 {
    let off = ((x - 450.0).hypot(y - 900.0) - 600.0) * UM;
    let there = (150.0..750.0).contains(&x) && y < 900.0;
    if there { 0.4 * (-4.0 * 2f64.ln() * (off / width_um).powi(2)).exp() } else { 0.0 }
}

fn found(light: &FieldLight) -> FieldDefects {
    find_in_light(light, "A", Impregnation::None)
}

#[test]
fn an_arc_over_many_crystals_is_one_fibre_of_its_length_and_width() {
    for width_um in [9.0, 16.0, 26.0] {
        let fibres = found(&light(|x, y| arc(x, y, width_um))).fibres;
        assert_eq!(fibres.len(), 1, "{width_um}: {fibres:?}");
        // 2 · 600 · asin(300 / 600) pixels.
        let (true_um, f) = (1200.0 * 0.5_f64.asin() * UM, &fibres[0]);
        let (length, width) = (f.length_um.expect("a scale"), f.width_um.expect("a scale"));
        assert!((length / true_um - 1.0).abs() < 0.12, "{width_um}: {length} of {true_um} µm");
        assert!((width / width_um - 1.0).abs() < 0.35, "{width_um}: {width} µm wide");
        for p in &f.course_px {
            let off = (p[0] - 450.0).hypot(p[1] - 900.0) - 600.0;
            // A cell of the broad search.
            assert!(off.abs() < 5.0, "{width_um}: {off} pixels off at {p:?}");
        }
    }
}

#[test]
fn a_ring_an_empty_field_and_the_borders_of_crystals_are_none() {
    let ring = |x: f64, y: f64| {
        let off = (x - 450.0).hypot(y - 350.0) - 120.0;
        0.4 * (-0.5 * (off / 3.0).powi(2)).exp()
    };
    assert!(found(&light(ring)).fibres.is_empty());
    assert!(found(&light(|_, _| 0.0)).fibres.is_empty());
    let borders = |x: f64, y: f64| {
        let near = |v: f64| {
            let off = (v + 60.0).rem_euclid(120.0) - 60.0;
            0.3 * (-0.5 * (off / 2.0).powi(2)).exp()
        };
        near(x).max(near(y))
    };
    assert!(found(&light(borders)).fibres.is_empty());
}

#[test]
fn corners_of_a_course_stay_within_the_tolerance() {
    let course: Vec<[f64; 2]> = (0..200).map(|k| [f64::from(k), 40.0 * (f64::from(k) / 30.0).sin()]).collect();
    let corners = cornered(&course, 0.7);
    assert!(corners.len() < 60 && corners[0] == course[0] && corners[corners.len() - 1] == course[199]);
    for p in &course {
        let nearest = corners.windows(2).map(|w| off(*p, [w[0], w[1]])).fold(f64::INFINITY, f64::min);
        assert!(nearest <= 0.7 + 1e-9, "{p:?}: {nearest}");
    }
}

fn rendered(scene: &Scene) -> (FieldDefects, crate::demo::Truth) {
    let dir = tempfile::tempdir().expect("a place to render to");
    let (folder, truth) = scene.render_to(dir.path()).expect("a rendered slide");
    let slide = Slide::read(&folder).expect("a readable slide");
    let plan = &slide.fields[0];
    let stack = FieldStack::register(plan, slide.load(plan).expect("photographs"), slide.scale, slide.record.turned)
        .expect("a registered field");
    (find_defects(&stack, Impregnation::None), truth)
}

#[test]
fn rendered_fibres_are_found_and_nothing_is_called_one_where_none_lies() {
    let scene = Scene {
        size_px: [900, 700],
        clutter: 0.6,
        flaws: Flaws { fibres: 4, fibre_length_um: [500.0, 1200.0], fibre_um: [10.0, 25.0], ..Flaws::default() },
        ..Scene::new("fibres", 31, Rock::Quartzite)
    };
    let (found, truth) = rendered(&scene);
    let m = match_fibres(&found.fibres, &truth.fields[0].fibres, scene.um_per_px);
    assert!(m.false_found.is_empty(), "{:?}", found.fibres);
    assert!(m.hits.len() >= 2, "{} found: {m:?}", found.fibres.len());
    let bare = Scene { flaws: Flaws::default(), ..scene };
    let (found, truth) = rendered(&bare);
    let m = match_fibres(&found.fibres, &truth.fields[0].fibres, bare.um_per_px);
    assert!(m.false_found.is_empty(), "{:?}", found.fibres);
}
