//! Rendered slides with known truth, and what must turn along or stay when the picture is turned or dimmed.

use super::*;
use crate::demo::frosted_scene::{FrostedScene, Glare, Groove as Planted, Ground, Patch as PlantedPatch, Place, Water};
use crate::demo::frosted_slide::FrostedPicture;
use crate::slide::Curve;
use crate::slide::photograph::{Role, Samples};
use places::EDGES;

fn photograph(size_px: [usize; 2], samples: Vec<u8>) -> Photograph {
    Photograph::from_samples("a.png", Role::Plane, size_px[0], size_px[1], Samples::Eight(samples), &Curve::Srgb)
}

fn seen(picture: &FrostedPicture) -> Frosting {
    examine(&photograph(picture.size_px, picture.samples.clone()), Told::default())
}

const LIGHTS: [Light; 2] = [Light::Oblique, Light::Transmitted];

/// A slide with a strip along the left edge and the top right corner cut off.
fn with_a_strip(light: Light) -> FrostedScene {
    let mut scene = FrostedScene::plain(7, light);
    scene.patches = vec![PlantedPatch { place: Place::Edge(0, 4.0, 0.2), rim_mm: 1.0 }];
    scene.bevel = Some((Corner::TopRight, [4.0, 4.0]));
    scene
}

#[test]
fn a_strip_along_an_edge_is_named_and_measured_in_either_light() {
    for light in LIGHTS {
        let picture = with_a_strip(light).render();
        let found = seen(&picture);
        assert_eq!((found.answer, found.light, found.bevel), (Answer::GrindOn, Some(light), Some(Corner::TopRight)));
        assert_eq!(found.glossy.len(), 1, "{light:?}");
        assert_eq!(found.glossy[0].place, Where::Along(Edge::Left));
        let share = found.glossy_share.unwrap();
        assert!((share.value - picture.glossy_share).abs() < 0.008, "{light:?}: {share:?} {}", picture.glossy_share);
        assert!(share.interval[0] < picture.glossy_share && picture.glossy_share < share.interval[1], "{share:?}");
        for corner in &picture.outline_px {
            let nearest = found.outline_px.iter().map(|p| distance(*p, *corner)).fold(f64::MAX, f64::min);
            assert!(nearest < 5.0, "{light:?}: {corner:?} {nearest}");
        }
    }
}

#[test]
fn a_slide_frosted_all_over_is_said_to_be() {
    for light in LIGHTS {
        let found = seen(&FrostedScene::plain(3, light).render());
        assert_eq!((found.answer, found.bevel), (Answer::FrostedAllOver, None), "{light:?} {:?}", found.doubts);
        assert!(found.grooves.is_empty());
    }
}

#[test]
fn water_or_a_glare_alone_is_never_called_glossy() {
    for light in LIGHTS {
        let mut damp = FrostedScene::plain(5, light);
        damp.water = vec![Water { at: [0.5, 0.5], half_mm: [7.0, 5.0], fills: 0.75, edge_mm: 1.0, drop: false }];
        let mut drops = FrostedScene::plain(5, light);
        drops.water = [[0.3, 0.4], [0.6, 0.7], [0.7, 0.3]]
            .map(|at| Water { at, half_mm: [2.0, 1.8], fills: 0.95, edge_mm: 0.1, drop: true })
            .to_vec();
        for scene in [damp, drops] {
            let found = seen(&scene.render());
            assert_eq!(found.answer, Answer::Undetermined, "{light:?} {:?}", found.glossy_share);
            assert!(found.doubts.iter().any(|d| matches!(d, Doubt::Wet | Doubt::HalfClear)), "{:?}", found.doubts);
        }
        let mut glare = FrostedScene::plain(5, light);
        glare.glares = vec![Glare { at: [0.4, 0.5], half_mm: [9.0, 6.0], soft_mm: 2.0, strength: 2.0 }];
        let found = seen(&glare.render());
        assert_eq!((found.answer, found.doubts.as_slice()), (Answer::Undetermined, &[Doubt::Shine][..]), "{light:?}");
    }
}

/// A still film without rim or highlight leaves a seventh of the scatter. On a ground that is not the same all over, or where
/// frosting dims little, it is as clear as gloss may be; a dry hollow on an even ground is told.
#[test]
fn a_film_is_not_called_glossy_and_a_dry_hollow_is() {
    for (ground, light, whiteness) in [
        (Ground::Wood, Light::Oblique, 0.3),
        (Ground::Wood, Light::Oblique, 0.6),
        (Ground::Window, Light::Transmitted, 0.5),
        (Ground::Window, Light::Transmitted, 0.7),
    ] {
        let mut film = FrostedScene::plain(19, light);
        (film.ground, film.whiteness) = (ground, whiteness);
        film.water = vec![Water { at: [0.45, 0.5], half_mm: [6.0, 5.0], fills: 0.85, edge_mm: 1.0, drop: false }];
        let found = seen(&film.render());
        assert_eq!(found.answer, Answer::Undetermined, "{ground:?} {whiteness} {:?}", found.glossy_share);
        let upper = found.glossy_share.unwrap().interval[1];
        assert!(upper > 0.05, "what may be glossy is within the interval: {upper}");
    }
    for light in LIGHTS {
        let mut dry = FrostedScene::plain(19, light);
        dry.patches = vec![PlantedPatch { place: Place::Hollow([0.45, 0.5], [6.0, 5.0]), rim_mm: 1.0 }];
        assert_eq!(seen(&dry.render()).answer, Answer::GrindOn, "{light:?}");
    }
}

/// A glossy wedge that narrows to a corner, with the bevel cut where it is widest: its inner rim is straight, and nothing runs
/// on from there to the true edge.
#[test]
fn a_glossy_wedge_is_not_taken_for_ground() {
    let mut scene = FrostedScene::plain(23, Light::Oblique);
    scene.patches = vec![PlantedPatch { place: Place::Edge(2, 2.2, -0.9), rim_mm: 0.8 }];
    scene.bevel = Some((Corner::TopRight, [4.0, 5.0]));
    let picture = scene.render();
    let found = seen(&picture);
    assert!(picture.glossy_share > 0.01 && found.answer != Answer::FrostedAllOver, "{:?}", found.answer);
}

fn turned_corner(corner: Corner) -> Corner {
    let k = bevel::CORNERS.iter().position(|c| *c == corner).unwrap();
    bevel::CORNERS[(k + 1) % 4]
}

fn turned(place: Where) -> Where {
    match place {
        Where::Along(e) => Where::Along(EDGES[(EDGES.iter().position(|o| *o == e).unwrap() + 1) % 4]),
        Where::At(c) => Where::At(turned_corner(c)),
        other => other,
    }
}

/// A quarter turn to the right and a mirror: the words turn along, the share and what is said from the bevel stay.
#[test]
fn a_turned_picture_gives_the_turned_answer() {
    let picture = with_a_strip(Light::Oblique).render();
    let [w, h] = picture.size_px;
    let before = seen(&picture);
    let pixel = |x: usize, y: usize| &picture.samples[3 * (y * w + x)..3 * (y * w + x) + 3];
    let quarter: Vec<u8> = (0..w)
        .flat_map(|y| (0..h).flat_map(move |x| [(x, y)]))
        .flat_map(|(x, y)| pixel(y, h - 1 - x).to_vec())
        .collect();
    let after = examine(&photograph([h, w], quarter), Told::default());
    assert_eq!(after.answer, before.answer);
    assert_eq!(after.bevel, before.bevel.map(turned_corner));
    assert_eq!(after.glossy[0].place, turned(before.glossy[0].place));
    assert_eq!(after.glossy[0].from_bevel, before.glossy[0].from_bevel);
    assert!((after.glossy_share.unwrap().value - before.glossy_share.unwrap().value).abs() < 0.004);
    let mirrored: Vec<u8> =
        (0..h).flat_map(|y| (0..w).map(move |x| (x, y))).flat_map(|(x, y)| pixel(w - 1 - x, y).to_vec()).collect();
    let mirror = examine(&photograph([w, h], mirrored), Told::default());
    assert_eq!((mirror.bevel, mirror.glossy[0].place), (Some(Corner::TopLeft), Where::Along(Edge::Right)));
    assert!((mirror.glossy_share.unwrap().value - before.glossy_share.unwrap().value).abs() < 0.004);
}

#[test]
fn a_dimmer_picture_gives_the_same_answer() {
    for light in LIGHTS {
        let picture = with_a_strip(light).render();
        let dimmed = picture
            .samples
            .iter()
            .map(|code| {
                let light = Curve::Srgb.light(f64::from(*code) / 255.0);
                (255.0 * Curve::Srgb.encoded(0.6 * light)).round() as u8
            })
            .collect();
        let (before, after) = (seen(&picture), examine(&photograph(picture.size_px, dimmed), Told::default()));
        assert_eq!((after.answer, after.bevel, after.light), (before.answer, before.bevel, before.light));
        assert_eq!(after.glossy[0].place, before.glossy[0].place);
        assert!((after.glossy_share.unwrap().value - before.glossy_share.unwrap().value).abs() < 0.004);
    }
}

#[test]
fn every_corner_that_is_cut_off_is_found() {
    for corner in bevel::CORNERS {
        let mut scene = FrostedScene::plain(11, Light::Oblique);
        scene.bevel = Some((corner, [3.5, 4.5]));
        scene.turn_deg = 9.0;
        scene.size_px = [620, 480];
        assert_eq!(seen(&scene.render()).bevel, Some(corner));
    }
}

#[test]
fn a_groove_is_found_with_its_direction_length_and_the_grit_it_shuts_out() {
    let mut scene = FrostedScene::plain(13, Light::Oblique);
    // 20 mm long, rising to the right by 30 degrees, 0.25 mm wide.
    let (s, c) = 30.0_f32.to_radians().sin_cos();
    scene.grooves = vec![Planted {
        ends: [[23.0 - 10.0 * c, 13.0 + 10.0 * s], [23.0 + 10.0 * c, 13.0 - 10.0 * s]],
        width_mm: 0.25,
        depth: -0.4,
    }];
    let picture = scene.render();
    let told = Told { light: None, width_mm: Some(46.0) };
    let found = examine(&photograph(picture.size_px, picture.samples.clone()), told);
    assert_eq!((found.answer, found.grooves.len()), (Answer::FrostedAllOver, 1));
    let groove = &found.grooves[0];
    assert!((groove.direction_deg - 30.0).abs() < 2.0 && !groove.bright, "{groove:?}");
    let mm = groove.length_px * found.um_per_px.unwrap() / 1000.0;
    assert!((mm / 20.0 - 1.0).abs() < 0.15, "{mm}");
    // A bound never shuts out the grain that made it.
    assert!(
        groove.grit.as_ref().is_some_and(|g| g.grain_at_least_um < 300.0 && g.grain_at_least_um > 150.0),
        "{groove:?}"
    );
}

#[test]
fn what_the_picture_does_not_carry_is_undetermined() {
    let mut small = FrostedScene::plain(17, Light::Oblique);
    (small.px_per_mm, small.size_px) = (5.0, [300, 200]);
    assert_eq!(seen(&small.render()).doubts, [Doubt::TooSmall]);
    let mut cut = FrostedScene::plain(17, Light::Oblique);
    cut.shift_px = [-113.0, 0.0];
    let found = seen(&cut.render());
    assert_eq!((found.answer, found.cut_off.as_slice()), (Answer::Undetermined, &[Edge::Left][..]));
    assert!(found.doubts.contains(&Doubt::CutOff));
    let mut clear = FrostedScene::plain(17, Light::Oblique);
    clear.all_glossy = true;
    assert_eq!(seen(&clear.render()).doubts, [Doubt::NoContrast]);
    let empty = photograph([400, 300], (0..360_000).map(|i| 90 + (i / 3 % 400 / 20) as u8).collect());
    assert_eq!(examine(&empty, Told::default()).doubts, [Doubt::NoSlide]);
}
