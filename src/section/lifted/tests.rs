//! Films on computed and rendered fields.

use ndarray::Array2;

use super::*;
use crate::demo::score::match_lifted;
use crate::demo::{Flaws, Rock, Scene};
use crate::optics::Lamp;
use crate::optics::film::log_colour;
use crate::optics::observer::{WhiteScaling, camera_weights};
use crate::register::FieldStack;
use crate::section::defects::find_defects;
use crate::section::plane_light::coarse_bin;
use crate::slide::Slide;
use crate::slide::photograph::LinearPlanes;
use crate::units::Nanometres;

const UM: f64 = 1.6;
const SIZE: [usize; 2] = [800, 640];
/// Side of a crystal, pixels.
const CRYSTAL: usize = 90;

/// A number between 0 and 1 for each crystal.
fn chance(x: usize, y: usize, which: usize) -> f64 {
    ((x / CRYSTAL * 37 + y / CRYSTAL * 101 + which * 53) * 2654435761 % 4294967296) as f64 / 4294967296.0
}

/// Square crystals, with this logarithm of red, green and blue at each pixel; between crossed polars they differ, or are one.
fn light(log: impl Fn(usize, usize) -> [f64; 3], one_crystal: bool) -> FieldLight {
    let [width, height] = SIZE;
    let mut rgb: [Array2<f32>; 3] = std::array::from_fn(|_| Array2::zeros((height, width)));
    for y in 0..height {
        for x in 0..width {
            let l = log(x, y);
            (0..3).for_each(|c| rgb[c][[y, x]] = (0.8 * l[c].exp()) as f32);
        }
    }
    let plane = LinearPlanes { bin: 1, rgb, mask: Array2::zeros((height, width)) };
    let bin = coarse_bin(Some(UM));
    let (rows, columns) = (height / bin, width / bin);
    let shade = |x, y| if one_crystal { 0.2 } else { 0.05 + 0.5 * chance(x * bin, y * bin, 0) as f32 };
    let crystals = Array2::from_shape_fn((rows, columns), |(y, x)| shade(x, y));
    let mask = Array2::zeros((rows, columns));
    let crossed = LinearPlanes { bin, rgb: [crystals.clone(), crystals.clone(), crystals], mask };
    FieldLight::from_planes(&plane, &[crossed], &[0.0], Some(UM))
}

/// Colours of films of whole nanometres.
fn colours(lamp: Lamp, scaling: WhiteScaling) -> Vec<[f64; 3]> {
    let weights = camera_weights(&lamp.spectrum(), scaling);
    (0..1100).map(|nm| log_colour(&weights, Nanometres::from_nm(f64::from(nm)))).collect()
}

/// A dome of film about the middle, radius 230 µm, thickest in the middle, nm; 0 outside.
fn dome(x: usize, y: usize, most: f64) -> usize {
    let away = (x as f64 - 400.0).hypot(y as f64 - 320.0) * UM / 230.0;
    (most * (1.0 - away * away)).max(0.0) as usize
}

fn called(light: &FieldLight) -> Vec<Patch> {
    find(light).into_iter().filter(Patch::is_called).collect()
}

#[test]
fn a_dome_of_film_is_one_lifted_patch_of_its_size_and_thickness_under_any_lamp() {
    for (lamp, scaling) in [
        (Lamp::Planck(2900.0), WhiteScaling::Channels),
        (Lamp::D65, WhiteScaling::Bradford),
        (Lamp::Led { blue: 1.2, phosphor_nm: 560.0 }, WhiteScaling::DyedSensor),
    ] {
        let film = colours(lamp, scaling);
        let grey = |x, y| -0.03 * chance(x, y, 1);
        let light = light(|x, y| film[dome(x, y, 950.0)].map(|c| c + grey(x, y)), false);
        let found = called(&light);
        assert_eq!(found.len(), 1, "{lamp}: {:?}", find(&light));
        let lifted = Lifted::of(&found[0], "A", true, UM);
        // What lies under 120 nm of film, an eighth of the area, is not told by colour.
        let share = lifted.area_um2.expect("a scale") / (std::f64::consts::PI * 230.0 * 230.0);
        assert!((0.6..1.05).contains(&share), "{lamp}: {share} of the area");
        let [from, to] = lifted.film_um.unwrap_or_else(|| panic!("{lamp}: {:?}", lifted.film_why));
        assert!(from < 0.3 && (to - 0.9).abs() < 0.08, "{lamp}: {from} to {to}");
    }
}

/// Pink beside green as plain tints (some pyroxenes), brown, dye in the pores, zones within one crystal, shades without colour.
#[test]
fn tints_that_a_rock_has_are_not_lifted() {
    let film = colours(Lamp::Planck(2900.0), WhiteScaling::Channels);
    let any_tint = |x: usize, y: usize| film[(200.0 + 800.0 * chance(x, y, 2)) as usize];
    assert!(called(&light(any_tint, false)).is_empty(), "the film's own colours, each crystal its own");
    let brown = |x, y| [-0.3, -0.6, -1.2].map(|c| if chance(x, y, 3) < 0.3 { c } else { 0.0 });
    assert!(called(&light(brown, false)).is_empty(), "mica");
    let waves =
        |x: usize, y: usize| [-0.05, -0.1, -0.02].map(|c| c * ((x as f64 / 30.0).sin() + (y as f64 / 41.0).cos()));
    assert!(called(&light(waves, false)).is_empty(), "a tint that comes and goes");
    let zones = |x: usize, y: usize| film[dome(x, y, 950.0)];
    assert!(called(&light(zones, true)).is_empty(), "zones of one crystal");
    let shades = |x: usize, y: usize| [film[dome(x, y, 950.0)][1]; 3];
    assert!(called(&light(shades, false)).is_empty(), "no colour");
}

#[test]
fn a_rendered_lifted_area_is_found_and_a_sound_field_has_none() {
    let dir = tempfile::tempdir().unwrap();
    let mut found_once = false;
    for (seed, lifted) in [(9101, 1), (9102, 1), (9101, 0), (9103, 0)] {
        let rock = if seed == 9103 { Rock::Sandstone } else { Rock::Quartzite };
        let mut scene = Scene::new(&format!("film-{seed}-{lifted}"), seed, rock);
        scene.size_px = [800, 640];
        scene.flaws = Flaws { lifted, lifted_um: [600.0, 800.0], film_um: [0.7, 1.1], ..Flaws::default() };
        let (folder, truth) = scene.render_to(dir.path()).unwrap();
        let slide = Slide::read(&folder).unwrap();
        let plan = &slide.fields[0];
        let stack = FieldStack::register(plan, slide.load(plan).unwrap(), slide.scale, slide.record.turned).unwrap();
        let found = find_defects(&stack, slide.record.impregnation).lifted;
        let matches = match_lifted(&found, &truth.fields[0].lifted, [800.0, 640.0]);
        assert!(matches.false_found.is_empty(), "{seed}: {found:?}");
        found_once |= !matches.hits.is_empty();
    }
    assert!(found_once, "neither of two lifted areas was found");
}

#[test]
fn what_several_windows_saw_is_told_once() {
    let patch = |x: f64, side: f64| Patch {
        outline_px: vec![[x, 0.0], [x + side, 0.0], [x + side, side], [x, side]],
        area_um2: side * side,
        short_um: side,
        film_nm: [200.0, 900.0],
        explained: 0.9,
        even: 0.9,
        light: 1.0,
        crystals: 0.2,
        order: 9.0,
        grey: 0.0,
        confidence: 0.9,
    };
    let told = told_once(vec![patch(0.0, 90.0), patch(10.0, 100.0), patch(200.0, 80.0)]);
    let starts: Vec<f64> = told.iter().map(|p| p.outline_px[0][0]).collect();
    assert_eq!(starts, [10.0, 200.0]);
}
