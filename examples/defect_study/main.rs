//! Scores the defect finders on rendered fields of known truth, half of them sound:
//!
//! `cargo run --example defect_study -- 120`
//!
//! Arguments: number of fields (default 120), first seed (default 1), and a folder to keep the rendered slides in, so that
//! a second run need not render them again. Rocks, dirt (0.4 to 2.6 times the usual), scale (0.8 to 3 µm per pixel), camera
//! and defects are drawn from the seed; the rules of matching stand in `src/demo/score.rs`. What counts: bubbles of 25 µm,
//! plucked areas of 60 µm across, scratches and fibres of 200 µm and over. With `CANDIDATES=FILE` every candidate is written
//! there with its cues, tab-separated, for calibration. With `FIBRES=n` none to n textile fibres are laid over each field, beside
//! the fine ones that come with dust, and with `LIFTED=n` none to n areas of each field have come off the glass, under a
//! lamp and camera that are drawn too; the slides then have other names.

mod lifted;
mod why;

use std::f64::consts::FRAC_PI_4;
use std::io::Write;
use std::path::PathBuf;
use std::time::Instant;

use rand::{RngExt, SeedableRng};
use thinproof::demo::score::{LengthMatches, match_bubbles, match_fibres, match_plucks, match_scratches};
use thinproof::demo::{Eye, Flaws, Lamp, Rock, Scene, Truth};
use thinproof::register::FieldStack;
use thinproof::section::candidates::Candidates;
use thinproof::section::defects::report;
use thinproof::section::light_field::FieldLight;
use thinproof::slide::Slide;
use thinproof::slide::record::Impregnation;

#[derive(Default)]
struct Count {
    hits: usize,
    false_found: usize,
    missed: usize,
    errors: Vec<f64>,
}

impl Count {
    fn row(&self, name: &str) {
        let [median, low, high] = why::spread(&self.errors);
        let f1 = 2.0 * self.hits as f64 / (2 * self.hits + self.false_found + self.missed).max(1) as f64;
        println!(
            "{name:9} F1 {f1:.3}  hit {:4}  false {:3}  missed {:3}  size error: median {median:+.3}, 5 % {low:+.3}, 95 % {high:+.3}",
            self.hits, self.false_found, self.missed
        );
    }
}

/// The slide of a seed; every second one has defects.
fn scene(seed: u64, flawed: bool) -> Scene {
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let rock = [Rock::Quartzite, Rock::Sandstone, Rock::Granite, Rock::Gabbro, Rock::Marble][seed as usize % 5];
    let mut scene = Scene::new(&format!("study-{seed}"), seed, rock);
    if rock == Rock::Sandstone && dice.random_bool(0.5) {
        scene.impregnation = Impregnation::Clear;
    }
    scene.um_per_px = dice.random_range(0.8..3.0);
    scene.clutter = 0.4 * 6.5_f32.powf(dice.random_range(0.0..1.0));
    if flawed {
        scene.flaws = Flaws {
            bubbles: dice.random_range(0..8),
            flat_share: 0.4,
            bubble_um: [25.0, 250.0],
            plucks: dice.random_range(0..6),
            scratches: dice.random_range(0..9),
            scratch_length_um: [200.0, 1800.0],
            scratch_sets: dice.random_bool(0.6),
            ..Flaws::default()
        };
    }
    scene.camera.blur_px = dice.random_range(0.5..1.2);
    scene.camera.jpeg_quality = Some(dice.random_range(80..97));
    scene.camera.vignette = dice.random_range(0.0..0.25);
    scene.rounds = if dice.random_bool(0.15) { dice.random_range(1..5) } else { 0 };
    scene.scale_bar = dice.random_bool(0.15);
    if dice.random_bool(0.15) {
        scene.angles_deg = vec![0.0, 45.0];
    }
    scene
}

fn main() -> thinproof::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |usual: u64| arguments.next().map_or(usual, |a| a.parse().expect("a whole number"));
    let (fields, first) = (number(120), number(1));
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let kept = arguments.next().map(PathBuf::from);
    let dir = kept.as_deref().unwrap_or(temporary.path());
    let mut table =
        std::env::var_os("CANDIDATES").map(|f| std::fs::File::create(f).expect("a file that can be written"));

    let at_most = |name: &str| -> usize {
        std::env::var(name).ok().map_or(0, |n| n.parse().unwrap_or_else(|_| panic!("{name} is a whole number")))
    };
    let (fibres_at_most, lifted_at_most) = (at_most("FIBRES"), at_most("LIFTED"));

    let mut lifted = lifted::LiftedCount::default();
    let mut fibres = why::FibreCount::default();
    let (mut bubbles, mut plucks, mut lines) = (Count::default(), Count::default(), LengthMatches::default());
    let mut long_lines = LengthMatches::default();
    let (mut sound, mut bubbles_on_sound, mut plucks_on_sound, mut lines_on_sound) = (0, 0, 0, 0);
    let (mut sound_mm, mut sound_mm2, mut seconds) = (0.0, 0.0, 0.0);
    let mut fates = why::Fates::default();
    for seed in first..first + fields {
        let flawed = seed / 5 % 2 == 1;
        let mut scene = scene(seed, flawed);
        if fibres_at_most > 0 {
            // Dice of their own: the slide is otherwise that of its seed.
            let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(seed ^ 0xf1b2e);
            scene.flaws.fibres = dice.random_range(0..=fibres_at_most);
            scene.id += "-fibres";
        }
        if lifted_at_most > 0 {
            let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(seed ^ 0x11f7ed);
            scene.flaws.lifted = dice.random_range(0..=lifted_at_most);
            // A film's colours depend on lamp and camera: they are drawn too.
            scene.lamp = match dice.random_range(0..4) {
                0 => Lamp::Tungsten { kelvin: dice.random_range(2400.0..3400.0) },
                1 => Lamp::Daylight { kelvin: dice.random_range(5000.0..7500.0) },
                2 => Lamp::cool_led(),
                _ => Lamp::warm_led(),
            };
            scene.camera.eye =
                [Eye::ColorimeterGains, Eye::ColorimeterBradford, Eye::OwnFilters][dice.random_range(0..3)];
            scene.id += "-lifted";
        }
        let folder = dir.join(&scene.id);
        let truth: Truth = if folder.join("truth.json").exists() {
            serde_json::from_slice(&std::fs::read(folder.join("truth.json")).expect("truth")).expect("truth")
        } else {
            scene.render_to(dir)?.1
        };
        let slide = Slide::read(&folder)?;
        let plan = &slide.fields[0];
        let stack = FieldStack::register(plan, slide.load(plan)?, slide.scale, slide.record.turned)?;
        let start = Instant::now();
        let light = FieldLight::of(&stack);
        let candidates = Candidates::of(&light);
        let found = report(&light, candidates.clone(), &stack.name, slide.record.impregnation);
        let took = start.elapsed().as_secs_f64();
        seconds += took;
        let um = scene.um_per_px;
        let truth = &truth.fields[0];
        let size = scene.size_px.map(|n| n as f64);
        println!(
            "{seed} {:?} {um:.2} um/px, dirt {:.2}{}, {took:.2} s",
            scene.rock,
            scene.clutter,
            if flawed { "" } else { ", sound" }
        );
        let place =
            why::Place { seed, rock: scene.rock, um, size, clear_pores: scene.impregnation == Impregnation::Clear };
        if let Some(table) = &mut table {
            table.write_all(why::candidates(&place, &candidates, truth).as_bytes()).expect("the table");
        }

        // Below the size that counts, neither a hit nor a miss: matched with everything, counted by size.
        let rings: Vec<_> = found.bubbles.iter().map(Into::into).collect();
        let m = match_bubbles(&rings, &truth.bubbles, size);
        let counts = |d: f64| d * um >= 25.0;
        for (f, t) in m.hits.iter().filter(|(_, t)| counts(truth.bubbles[*t].diameter_px)) {
            bubbles.hits += 1;
            bubbles.errors.push(found.bubbles[*f].diameter_px / truth.bubbles[*t].diameter_px - 1.0);
        }
        let false_rings = m.false_found.iter().filter(|f| counts(found.bubbles[**f].diameter_px));
        let false_rings: Vec<_> = false_rings.map(|f| &found.bubbles[*f]).collect();
        let missed = m.missed.iter().filter(|t| counts(truth.bubbles[**t].diameter_px));
        let missed: Vec<_> = missed.map(|t| &truth.bubbles[*t]).collect();
        why::bubbles(&place, &candidates, &false_rings, &missed);
        bubbles.false_found += false_rings.len();
        bubbles.missed += missed.len();

        let patches: Vec<_> = found.plucks.iter().map(Into::into).collect();
        let m = match_plucks(&patches, &truth.plucks);
        let counts = |a: f64| a * um * um >= FRAC_PI_4 * 3600.0;
        for (f, t) in m.hits.iter().filter(|(_, t)| counts(truth.plucks[*t].area_px)) {
            plucks.hits += 1;
            plucks.errors.push(found.plucks[*f].area_px / truth.plucks[*t].area_px - 1.0);
        }
        let false_patches = m.false_found.iter().filter(|f| counts(found.plucks[**f].area_px));
        let false_patches: Vec<_> = false_patches.map(|f| &found.plucks[*f]).collect();
        let missed = m.missed.iter().filter(|t| counts(truth.plucks[**t].area_px));
        let missed: Vec<_> = missed.map(|t| &truth.plucks[*t]).collect();
        why::plucks(&place, &candidates, &false_patches, &missed);
        plucks.false_found += false_patches.len();
        plucks.missed += missed.len();

        let chords: Vec<_> = found.scratches.iter().map(Into::into).collect();
        let l = match_scratches(&chords, &truth.scratches);
        lines = lines.plus(l);
        // By size, as bubbles and plucks: what is seen of it counts, the frame cuts many.
        let counts = |x0: f64, y0: f64, x1: f64, y1: f64| (x1 - x0).hypot(y1 - y0) * um >= 200.0;
        let mut long_true = truth.scratches.clone();
        long_true.retain(|t| counts(t.x0_px, t.y0_px, t.x1_px, t.y1_px));
        let mut long_found = chords.clone();
        long_found.retain(|f| counts(f.x0_px, f.y0_px, f.x1_px, f.y1_px));
        let recalled = match_scratches(&chords, &long_true);
        let right = match_scratches(&long_found, &truth.scratches);
        long_lines = long_lines.plus(LengthMatches { found_px: right.found_px, right_px: right.right_px, ..recalled });
        fates.scratches(&place, &candidates, &found.scratches, &truth.scratches);
        let m = match_fibres(&found.fibres, &truth.fibres, um);
        fibres.add(&place, &candidates, &found.fibres, &truth.fibres, &m);
        lifted.add(&candidates.lifted, &found.lifted, &truth.lifted, size);
        if !flawed {
            sound += 1;
            bubbles_on_sound += usize::from(!false_rings.is_empty());
            plucks_on_sound += usize::from(!false_patches.is_empty());
            let mm2 = size[0] * size[1] * um * um * 1e-6;
            lines_on_sound += usize::from(l.found_px * um * 1e-3 / mm2 >= 0.05);
            sound_mm += l.found_px * um * 1e-3;
            sound_mm2 += mm2;
        }
        if kept.is_none() {
            std::fs::remove_dir_all(&folder).expect("the rendered folder");
        }
    }
    fates.print();
    bubbles.row("bubbles");
    plucks.row("plucks");
    for (name, l) in [("scratches by length", &lines), ("          of 200 µm and over in the frame", &long_lines)] {
        let [precision, recall] = [l.precision(), l.recall()].map(|v| v.unwrap_or(f64::NAN));
        println!("{name}: precision {precision:.3}, recall {recall:.3}");
    }
    fibres.print();
    lifted.print();
    println!(
        "sound fields {sound}: with a false bubble {bubbles_on_sound}, a false pluck {plucks_on_sound}, scratches of 0.05 mm per mm2 or more {lines_on_sound}; over all of them {:.4} mm per mm2",
        sound_mm / sound_mm2
    );
    println!("seconds per field {:.2}", seconds / fields as f64);
    Ok(())
}
