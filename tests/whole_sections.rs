//! A field that is looked at window by window gives what it gives when it is held whole.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use thinproof::bounds::Bounds;
use thinproof::demo::whole_section::{Cut, Sheet, mirrored};
use thinproof::demo::{Flaws, RenderedField, Rock, Scene, View};
use thinproof::house::House;
use thinproof::pipeline::{CheckedSlide, FieldFindings, check_read};
use thinproof::section::defects::Scratch;
use thinproof::thickness::Thickness;
use thinproof::windows::LargeField;

const SIZE: [usize; 2] = [3000, 2000];

fn scene() -> Scene {
    let flaws = Flaws {
        bubbles: 10,
        bubble_um: [40.0, 220.0],
        plucks: 6,
        scratches: 9,
        scratch_length_um: [600.0, 3200.0],
        scratch_contrast: [0.2, 0.5],
        ..Flaws::default()
    };
    let mut scene =
        Scene { flaws, size_px: SIZE, clutter: 0.5, shift_px: 3.0, ..Scene::new("LM-0700", 77, Rock::Quartzite) };
    scene.views = vec![View { name: "A".into(), centre_mm: [20.0, 12.0] }];
    scene
}

/// A slide folder with the field's photographs cut up as said.
fn write(dir: &Path, scene: &Scene, field: &RenderedField, cut: Cut, big: bool) -> PathBuf {
    std::fs::create_dir_all(dir).unwrap();
    let mut toml = format!(
        "[slide]\nid = \"LM-0700\"\nwidth_mm = {}\nheight_mm = {}\n[[field]]\nname = \"A\"\ncentre_mm = [{}, {}]\nplane = \"A_ppl.tif\"\ncrossed = [",
        1e-3 * scene.um_per_px * SIZE[0] as f64,
        1e-3 * scene.um_per_px * SIZE[1] as f64,
        5e-4 * scene.um_per_px * SIZE[0] as f64,
        5e-4 * scene.um_per_px * SIZE[1] as f64,
    );
    let description = format!(
        "<OME><Image><Pixels PhysicalSizeX=\"{}\" PhysicalSizeXUnit=\"nm\"/></Image></OME>",
        1e3 * scene.um_per_px
    );
    for photograph in std::iter::once(&field.plane).chain(&field.crossed) {
        let file = photograph.angle_deg.map_or_else(|| "A_ppl.tif".into(), |a| format!("A_xpl_{a:05.1}.tif"));
        if let Some(angle) = photograph.angle_deg {
            write!(toml, "{{ file = \"{file}\", angle_deg = {angle} }}, ").unwrap();
        }
        let exposed_as = Some(photograph);
        let sheet = Sheet { size: SIZE, cut, big, sixteen: false, description: &description, exposed_as };
        sheet.write(&dir.join(file), |window| mirrored(photograph, window)).unwrap();
    }
    std::fs::write(dir.join("slide.toml"), toml + "]\n").unwrap();
    dir.to_path_buf()
}

/// Checked in windows of so many pixels a side, or whole.
fn checked(dir: &Path, side: Option<usize>) -> CheckedSlide {
    let house = House::default();
    let clock = house.bounds.start(dir);
    let (mut slide, limits) = house.slide(dir).unwrap();
    assert!((slide.record.um_per_px.unwrap() - 1.6).abs() < 1e-9, "the scale is that of the file");
    slide.windows.from_pixels = if side.is_some() { 0 } else { u64::MAX };
    slide.windows.held_bytes = 0;
    slide.windows.side = side.unwrap_or(slide.windows.side);
    let mut told = Vec::new();
    let done = check_read(slide, limits, &clock, |_| {}, |p| told.push(p.line())).unwrap();
    assert_eq!(told.is_empty(), side.is_none(), "only a look in windows is told of: {told:?}");
    done
}

fn surface(checked: &CheckedSlide) -> (f64, [f64; 2], [f64; 2]) {
    let Thickness::Measured(t) = &checked.thickness else { panic!("{:?}", checked.thickness) };
    (t.mean_um.value, t.mean_um.interval, t.map.as_ref().map_or([0.0; 2], |m| m.mean.gradient_um_per_mm))
}

/// Whoever is told how far the look is, as the clock of the slide's time is, can give it up between two windows.
#[test]
fn a_large_field_is_given_up_between_two_windows() {
    let home = tempfile::tempdir().unwrap();
    let mut scene = scene();
    scene.angles_deg.truncate(2);
    let dir = write(&home.path().join("LM-0700"), &scene, &scene.render_field(0), Cut::Tiles(256), false);
    let (mut slide, _) = House::default().slide(&dir).unwrap();
    slide.windows.side = 1024;
    let scans = slide.scan(&slide.fields[0]).unwrap();
    let field = LargeField::register(&slide.fields[0], scans, &slide).unwrap();
    let up = Bounds { time: Duration::ZERO, ..Bounds::default() }.start(&dir);
    let mut windows = Vec::new();
    let told = FieldFindings::find_large(&field, |p| {
        windows.push((p.done, p.all));
        if p.done == 1 { up.check("looked at windows of", "A") } else { Ok(()) }
    });
    let told = told.unwrap_err().chain();
    assert!(told.contains("was given up") && told.contains("(looked at windows of field A)"), "{told}");
    assert!(windows.len() == 2 && windows[1].1 > 2, "given up after one of several windows: {windows:?}");
}

/// Things of one kind as (place, size); every one of both lists must have its one partner in the other.
fn same(kind: &str, whole: &[([f64; 2], f64)], windows: &[([f64; 2], f64)], apart: f64, share: f64) {
    let partners = |a: &([f64; 2], f64), list: &[([f64; 2], f64)]| {
        let near =
            |b: &&([f64; 2], f64)| (a.0[0] - b.0[0]).hypot(a.0[1] - b.0[1]) < apart && (a.1 / b.1).ln().abs() < share;
        list.iter().filter(near).count()
    };
    for (of, list, other) in [("whole", whole, windows), ("windows", windows, whole)] {
        for thing in list {
            assert_eq!(partners(thing, other), 1, "{kind} of {of}: {thing:?} in {other:?}");
        }
    }
}

fn chord(s: &Scratch) -> ([f64; 2], f64) {
    ([(s.x0_px + s.x1_px) / 2.0, (s.y0_px + s.y1_px) / 2.0], (s.x1_px - s.x0_px).hypot(s.y1_px - s.y0_px))
}

fn agree(whole: &CheckedSlide, windows: &CheckedSlide) {
    let (a, b) = (&whole.fields[0], &windows.fields[0]);
    assert_eq!((a.size_px, a.scale), (b.size_px, b.scale));
    let (mean, interval, gradient) = surface(whole);
    let (other, its, slope) = surface(windows);
    assert!((mean - other).abs() < 0.05, "thickness {mean} {other}");
    assert!((0..2).all(|k| (interval[k] - its[k]).abs() < 0.25), "{interval:?} {its:?}");
    assert!((0..2).all(|k| (gradient[k] - slope[k]).abs() < 0.03), "{gradient:?} {slope:?}");
    let crystals = |c: &CheckedSlide| -> Vec<([f64; 2], f64)> {
        c.fields[0].crystals.crystals.crystals.iter().map(|c| ([c.x_px, c.y_px], c.area_px)).collect()
    };
    let (of_whole, of_windows) = (crystals(whole), crystals(windows));
    let alike = of_whole
        .iter()
        .filter(|(at, area)| {
            of_windows.iter().any(|(p, n)| (p[0] - at[0]).hypot(p[1] - at[1]) < 2.0 && (n / area - 1.0).abs() < 0.05)
        })
        .count();
    assert!(
        alike * 100 >= 97 * of_whole.len().max(of_windows.len()),
        "{alike} of {} and {}",
        of_whole.len(),
        of_windows.len()
    );
    assert!((a.defects.area_px / b.defects.area_px - 1.0).abs() < 1e-3, "{} {}", a.defects.area_px, b.defects.area_px);
    let bubbles = |f: &[thinproof::section::defects::Bubble]| -> Vec<_> {
        f.iter().map(|b| ([b.x_px, b.y_px], b.diameter_px)).collect()
    };
    same("bubble", &bubbles(&a.defects.bubbles), &bubbles(&b.defects.bubbles), 3.0, 0.05);
    let plucks = |f: &[thinproof::section::defects::Pluck]| -> Vec<_> {
        f.iter().map(|p| ([p.x_px, p.y_px], p.area_px)).collect()
    };
    same("pluck", &plucks(&a.defects.plucks), &plucks(&b.defects.plucks), 3.0, 0.05);
    // Ends wander by a little, and one look may join what the other leaves in two: what counts is that every clear scratch is
    // there in the other, once.
    for (list, other) in [(&a.defects.scratches, &b.defects.scratches), (&b.defects.scratches, &a.defects.scratches)] {
        for s in list.iter().filter(|s| s.confidence > 0.9) {
            let over = other.iter().filter(|o| lies_over(o, chord(s).0)).count();
            assert_eq!(over, 1, "scratch {s:?} in {other:?}");
        }
    }
}

/// Whether a scratch passes a place.
fn lies_over(s: &Scratch, [x, y]: [f64; 2]) -> bool {
    let (dx, dy) = (s.x1_px - s.x0_px, s.y1_px - s.y0_px);
    let along = ((x - s.x0_px) * dx + (y - s.y0_px) * dy) / (dx * dx + dy * dy);
    let aside = ((x - s.x0_px) * dy - (y - s.y0_px) * dx).abs() / dx.hypot(dy);
    (0.0..=1.0).contains(&along) && aside < 8.0
}

#[test]
fn windows_find_what_the_whole_shows_once_and_nothing_else() {
    let scene = scene();
    let field = scene.render_field(0);
    let home = tempfile::tempdir().unwrap();
    let tiled = write(&home.path().join("tiled"), &scene, &field, Cut::Tiles(256), true);
    let whole = checked(&tiled, None);
    let defects = &whole.fields[0].defects;
    assert!(defects.bubbles.len() > 4 && !defects.plucks.is_empty(), "there is something to compare");
    let longest = defects.scratches.first().map(chord).expect("a scratch");
    assert!(longest.1 > 1024.0, "one scratch is longer than a window: {longest:?}");
    for side in [1024, 1500] {
        agree(&whole, &checked(&tiled, Some(side)));
    }
    let stripped = write(&home.path().join("stripped"), &scene, &field, Cut::Strips(64), false);
    agree(&whole, &checked(&stripped, Some(1024)));
}
