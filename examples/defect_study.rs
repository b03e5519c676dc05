//! Scores the defect finders on rendered fields of known truth, half of them sound:
//!
//! `cargo run --release --example defect_study -- 120`
//!
//! The first argument is the number of fields (default 120), the second the first seed (default 1). Rocks, dirt (0.4 to
//! 2.6 times the usual), scale (0.8 to 3 µm per pixel) and defects are drawn from the seed; the rules of matching stand in
//! `src/demo/score.rs`. What counts: bubbles of 25 µm, plucked areas of 60 µm across, scratches of 200 µm and over.

use std::f64::consts::FRAC_PI_4;
use std::time::Instant;

use rand::{RngExt, SeedableRng};
use thinproof::demo::score::{LengthMatches, match_bubbles, match_plucks, match_scratches};
use thinproof::demo::{Flaws, Rock, Scene};
use thinproof::register::FieldStack;
use thinproof::section::find_defects;
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
        let mut errors = self.errors.clone();
        errors.sort_by(f64::total_cmp);
        let at = |p: f64| errors.get(((errors.len() as f64 - 1.0) * p).max(0.0) as usize).copied().unwrap_or(f64::NAN);
        let f1 = 2.0 * self.hits as f64 / (2 * self.hits + self.false_found + self.missed).max(1) as f64;
        println!(
            "{name:9} F1 {f1:.3}  hit {:4}  false {:3}  missed {:3}  size error: median {:+.3}, 5 % {:+.3}, 95 % {:+.3}",
            self.hits,
            self.false_found,
            self.missed,
            at(0.5),
            at(0.05),
            at(0.95)
        );
    }
}

fn main() -> thinproof::Result<()> {
    let mut arguments = std::env::args().skip(1).map(|a| a.parse::<u64>().expect("a whole number"));
    let fields = arguments.next().unwrap_or(120);
    let first = arguments.next().unwrap_or(1);
    let dir = tempfile::tempdir().expect("a temporary folder");
    let (mut bubbles, mut plucks, mut lines) = (Count::default(), Count::default(), LengthMatches::default());
    let (mut sound, mut holes_on_sound, mut lines_on_sound, mut seconds) = (0, 0, 0, 0.0);
    for k in 0..fields {
        let seed = first + k;
        let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let rock = [Rock::Quartzite, Rock::Sandstone, Rock::Granite, Rock::Gabbro, Rock::Marble][seed as usize % 5];
        let mut scene = Scene::new(&format!("study-{seed}"), seed, rock);
        if rock == Rock::Sandstone && dice.random_bool(0.5) {
            scene.impregnation = Impregnation::Clear;
        }
        scene.um_per_px = dice.random_range(0.8..3.0);
        scene.clutter = 0.4 * 6.5_f32.powf(dice.random_range(0.0..1.0));
        if k % 2 == 1 {
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
        let (folder, truth) = scene.render_to(dir.path())?;
        let slide = Slide::read(&folder)?;
        let plan = &slide.fields[0];
        let stack = FieldStack::register(plan, slide.load(plan)?, slide.scale, slide.record.turned)?;
        let start = Instant::now();
        let found = find_defects(&stack, slide.record.impregnation);
        let took = start.elapsed().as_secs_f64();
        seconds += took;
        let um = scene.um_per_px;
        let truth = &truth.fields[0];
        let size = scene.size_px.map(|n| n as f64);

        // Below the size that counts, neither a hit nor a miss: matched with everything, counted by size.
        let rings: Vec<_> = found.bubbles.iter().map(Into::into).collect();
        let m = match_bubbles(&rings, &truth.bubbles, size);
        let counts = |d: f64| d * um >= 25.0;
        for (f, t) in m.hits.iter().filter(|(_, t)| counts(truth.bubbles[*t].diameter_px)) {
            bubbles.hits += 1;
            bubbles.errors.push(found.bubbles[*f].diameter_px / truth.bubbles[*t].diameter_px - 1.0);
        }
        let false_rings: Vec<_> = m.false_found.iter().filter(|f| counts(found.bubbles[**f].diameter_px)).collect();
        bubbles.false_found += false_rings.len();
        bubbles.missed += m.missed.iter().filter(|t| counts(truth.bubbles[**t].diameter_px)).count();

        let patches: Vec<_> = found.plucks.iter().map(Into::into).collect();
        let m = match_plucks(&patches, &truth.plucks);
        let counts = |a: f64| a * um * um >= FRAC_PI_4 * 3600.0;
        for (f, t) in m.hits.iter().filter(|(_, t)| counts(truth.plucks[*t].area_px)) {
            plucks.hits += 1;
            plucks.errors.push(found.plucks[*f].area_px / truth.plucks[*t].area_px - 1.0);
        }
        let false_patches: Vec<_> = m.false_found.iter().filter(|f| counts(found.plucks[**f].area_px)).collect();
        plucks.false_found += false_patches.len();
        plucks.missed += m.missed.iter().filter(|t| counts(truth.plucks[**t].area_px)).count();

        let chords: Vec<_> = found.scratches.iter().map(Into::into).collect();
        let l = match_scratches(&chords, &truth.scratches);
        lines = lines.plus(l);
        if k % 2 == 0 {
            sound += 1;
            holes_on_sound += usize::from(!false_rings.is_empty() || !false_patches.is_empty());
            let mm2 = size[0] * size[1] * um * um * 1e-6;
            lines_on_sound += usize::from(l.found_px * um * 1e-3 / mm2 >= 0.05);
        }
        println!(
            "{seed:4} {rock:?} {um:.2} um/px, dirt {:.2}: bubbles {}/{}, false {}; plucks {}/{}, false {}; scratches recall {:.2} precision {:.2}; {took:.2} s",
            scene.clutter,
            truth.bubbles.len() - match_bubbles(&rings, &truth.bubbles, size).missed.len(),
            truth.bubbles.len(),
            false_rings.len(),
            m.hits.len(),
            truth.plucks.len(),
            false_patches.len(),
            l.recall().unwrap_or(f64::NAN),
            l.precision().unwrap_or(f64::NAN)
        );
        std::fs::remove_dir_all(&folder).expect("the rendered folder");
    }
    bubbles.row("bubbles");
    plucks.row("plucks");
    println!(
        "scratches by length: precision {:.3}, recall {:.3}",
        lines.precision().unwrap_or(f64::NAN),
        lines.recall().unwrap_or(f64::NAN)
    );
    println!(
        "sound fields {sound}: with a false bubble or pluck {holes_on_sound}, with scratches over 0.05 mm per mm2 {lines_on_sound}"
    );
    println!("seconds per field {:.2}", seconds / fields as f64);
    Ok(())
}
