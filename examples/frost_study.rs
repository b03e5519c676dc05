//! How well glossy patches, bevel and doubt are told on rendered slides: `cargo run --release --example frost_study -- 20`.
//!
//! The numbers are slides of each kind and the first seed (3000 when not given); kinds or single slides (Wet, Patched:3006) may
//! follow. LOOK=DIR writes the pictures that went wrong. Every line is a slide, the table comes last.

use std::collections::BTreeMap;

use thinproof::demo::frosted_scene::{FrostedScene, Kind};
use thinproof::demo::frosted_slide::FrostedPicture;
use thinproof::frosting::{Answer, Frosting, Told, examine};
use thinproof::section::shape::holds;
use thinproof::slide::Curve;
use thinproof::slide::photograph::{Photograph, Role, Samples};

#[derive(Default)]
struct Tally {
    n: usize,
    frosted: usize,
    grind: usize,
    undetermined: usize,
    wrong: usize,
    hit: f64,
    missed: f64,
    false_area: f64,
    covered: usize,
    shared: usize,
}

fn main() {
    let n: u64 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(20);
    let first: u64 = std::env::args().nth(2).and_then(|a| a.parse().ok()).unwrap_or(1000);
    // Kinds, or single slides as Kind:seed.
    let only: Vec<String> = std::env::args().skip(3).collect();
    let look = std::env::var("LOOK").ok();
    let mut table: BTreeMap<String, Tally> = BTreeMap::new();
    let mut bevels = [0_usize; 4];
    for kind in [Kind::Frosted, Kind::Patched, Kind::Wet, Kind::Glare, Kind::Print, Kind::Glossy, Kind::Both] {
        for seed in first..first + n {
            if !only.is_empty() && !only.iter().any(|o| *o == format!("{kind:?}") || *o == format!("{kind:?}:{seed}")) {
                continue;
            }
            let scene = FrostedScene::varied(seed, kind);
            let picture = scene.render();
            let found = examine(&photograph(&picture), Told::default());
            let right_light = found.light.is_none_or(|l| l == scene.light);
            bevels[match (found.bevel, picture.bevel) {
                (a, b) if a == b => 0,
                (None, Some(_)) => 1,
                _ if found.outline_px.is_empty() => 2,
                _ => 3,
            }] += 1;
            let [hit, missed, false_area] = areas(&picture, &found);
            let wrong = match found.answer {
                Answer::FrostedAllOver => picture.glossy_share > 0.006,
                Answer::GrindOn => picture.glossy_share < 0.001,
                Answer::Undetermined => false,
            };
            let f1 = 2.0 * hit / (2.0 * hit + missed + false_area).max(1.0);
            let bad = wrong
                || !right_light
                || (found.answer == Answer::Undetermined && matches!(kind, Kind::Frosted | Kind::Patched))
                || (found.answer == Answer::GrindOn && f1 < 0.9);
            println!(
                "{kind:?} {seed} {:?} {:?} {:?}: {:?} {:?} true {:.3} found {:.3} F1 {f1:.3} bevel {:?}/{:?} wet {:.3} half {:.3} shine {:.3} grooves {}/{}{}",
                scene.light,
                scene.ground,
                scene.frost,
                found.answer,
                found.doubts,
                picture.glossy_share,
                found.glossy_share.map_or(-1.0, |s| s.value),
                found.bevel,
                picture.bevel,
                found.wet_share,
                found.half_clear_share,
                found.shine_share,
                found.grooves.len(),
                scene.grooves.len(),
                if bad { "  <<<" } else { "" }
            );
            if let Some(dir) = look.as_ref().filter(|_| bad) {
                save(&picture, &found, &format!("{dir}/{kind:?}_{seed}.png"));
            }
            for key in [
                format!("{kind:?}"),
                format!("light {:?}", scene.light),
                format!("ground {:?}", scene.ground),
                format!("frost {:?}", scene.frost),
                "all".into(),
            ] {
                let t = table.entry(key).or_default();
                t.n += 1;
                match found.answer {
                    Answer::FrostedAllOver => t.frosted += 1,
                    Answer::GrindOn => t.grind += 1,
                    Answer::Undetermined => t.undetermined += 1,
                }
                t.wrong += usize::from(wrong);
                if found.answer != Answer::Undetermined {
                    t.hit += hit;
                    t.missed += missed;
                    t.false_area += false_area;
                    if let Some(s) = found.glossy_share.filter(|_| picture.glossy_share > 0.0) {
                        t.shared += 1;
                        t.covered += usize::from((s.interval[0]..=s.interval[1]).contains(&picture.glossy_share));
                    }
                }
            }
        }
    }
    println!(
        "\n| slides | n | frosted | grind on | undetermined | wrong | F1 of glossy area | share in interval |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for (key, t) in &table {
        let f1 = 2.0 * t.hit / (2.0 * t.hit + t.missed + t.false_area);
        println!(
            "| {key} | {} | {} | {} | {} | {} | {} | {}/{} |",
            t.n,
            t.frosted,
            t.grind,
            t.undetermined,
            t.wrong,
            if f1.is_finite() { format!("{f1:.3}") } else { "-".into() },
            t.covered,
            t.shared
        );
    }
    println!("bevel: {} right, {} not seen, {} no slide found, {} wrong", bevels[0], bevels[1], bevels[2], bevels[3]);
}

fn photograph(p: &FrostedPicture) -> Photograph {
    Photograph::from_samples(
        "a.jpg",
        Role::Plane,
        p.size_px[0],
        p.size_px[1],
        Samples::Eight(p.samples.clone()),
        &Curve::Srgb,
    )
}

/// Pixels that are glossy and found, glossy and missed, found and not glossy.
fn areas(picture: &FrostedPicture, found: &Frosting) -> [f64; 3] {
    let [w, h] = picture.size_px;
    let boxes: Vec<[f64; 4]> = found
        .glossy
        .iter()
        .map(|p| {
            p.outline_px.iter().fold([f64::MAX, f64::MAX, 0.0, 0.0], |b, q| {
                [b[0].min(q[0]), b[1].min(q[1]), b[2].max(q[0]), b[3].max(q[1])]
            })
        })
        .collect();
    let mut out = [0.0; 3];
    for y in 0..h {
        for x in 0..w {
            let (u, v) = (x as f64, y as f64);
            let is_found = found
                .glossy
                .iter()
                .zip(&boxes)
                .any(|(p, b)| u >= b[0] && u <= b[2] && v >= b[1] && v <= b[3] && holds(&p.outline_px, [u, v]));
            match (picture.glossy[y * w + x], is_found) {
                (true, true) => out[0] += 1.0,
                (true, false) => out[1] += 1.0,
                (false, true) => out[2] += 1.0,
                _ => {}
            }
        }
    }
    out
}

fn save(picture: &FrostedPicture, found: &Frosting, path: &str) {
    let [w, h] = picture.size_px.map(|s| s as u32);
    let mut image = image::RgbImage::from_raw(w, h, picture.samples.clone()).unwrap();
    let mut draw = |points: &[[f64; 2]], colour: [u8; 3]| {
        for (i, a) in points.iter().enumerate() {
            let b = points[(i + 1) % points.len()];
            imageproc::drawing::draw_line_segment_mut(
                &mut image,
                (a[0] as f32, a[1] as f32),
                (b[0] as f32, b[1] as f32),
                image::Rgb(colour),
            );
        }
    };
    draw(&found.outline_px, [0, 255, 0]);
    found.glossy.iter().for_each(|p| draw(&p.outline_px, [255, 0, 0]));
    found.grooves.iter().for_each(|g| draw(&g.ends_px, [255, 0, 255]));
    if let Some(b) = found.bevel_px {
        draw(&b, [255, 255, 0]);
    }
    image.save(path).unwrap();
}
