//! How well thickness is measured on rendered slides with known truth.
//!
//! ```text
//! cargo run --release --example thickness_study -- [SLIDES A KIND] [FOLDER] [KIND] [SET] [ROCK]
//! ```
//!
//! Renders slides of each kind of input with a fixed seed into FOLDER (kept: a second run only measures), measures each, and
//! prints a table: how many were measured, error (median, 95th percentile, bias), coverage of the 95 % interval, and its
//! median half-width over the median error. 25 slides a kind make 225 slides. Slides with fewer than 25 quartz grains in the
//! picture are counted in a row of their own; the last two kinds, large crystals and granites of use's thickness, have few on purpose
//! and are in no common row. KIND is a part of a kind's name, or `all`. SET is 0 for the slides that settings were
//! chosen on; any other number gives slides of other seeds. ROCK makes every slide of one rock (`marble`, `gabbro`: no quartz, and
//! nothing is to be measured), in a folder of its own.
//! SMEARED=1 moves one crossed photograph of every field by 6 to 8 pixels while it is exposed, the slides being the same otherwise.

use std::path::{Path, PathBuf};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use thinproof::demo::{Balance, CameraSpec, Exif, Eye, Lamp, Rock, Scene, Truth, Wedge};
use thinproof::pipeline::{crystals_of, leave_out_smeared};
use thinproof::register::FieldStack;
use thinproof::slide::{Slide, Turned};
use thinproof::thickness::{SectionSize, Thickness, Yardstick, measure};

const KINDS: [&str; 11] = [
    "four angles",
    "six angles",
    "turned stage",
    "one at 45",
    "no EXIF",
    "auto white",
    "own camera",
    "contrast",
    "five fields",
    "few crystals",
    "granite",
];

fn scene(kind: usize, index: usize, set: u64, only: Option<Rock>) -> Scene {
    let mut rng = ChaCha8Rng::seed_from_u64(9000 + 100 * kind as u64 + index as u64 + 1_000_000 * set);
    let rock = only.unwrap_or([Rock::Quartzite, Rock::Sandstone, Rock::Granite][index % 3]);
    let mut scene =
        Scene::new(&format!("S-{kind}-{index:03}"), 77_000 + 1000 * kind as u64 + index as u64 + 1_000_000 * set, rock);
    scene.wedge = Wedge { centre_um: rng.random_range(18.0..65.0), gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 };
    scene.lamp = match rng.random_range(0..4) {
        0 => Lamp::Tungsten { kelvin: rng.random_range(2500.0..3200.0) },
        1 => Lamp::Daylight { kelvin: rng.random_range(5000.0..7000.0) },
        2 => Lamp::cool_led(),
        _ => Lamp::warm_led(),
    };
    scene.clutter = (rng.random_range(0.4_f32.ln()..2.6_f32.ln())).exp();
    scene.grain_um = 150.0;
    scene.shift_px = 2.0;
    scene.leakage = rng.random_range(0.0003..0.005);
    scene.camera = CameraSpec {
        jpeg_quality: Some(rng.random_range(85..96)),
        balance: Balance::Fixed(0.015),
        eye: if rng.random_bool(0.5) { Eye::ColorimeterGains } else { Eye::ColorimeterBradford },
        ..CameraSpec::default()
    };
    match KINDS[kind] {
        "six angles" => scene.angles_deg = vec![0.0, 15.0, 30.0, 45.0, 60.0, 75.0],
        "turned stage" => {
            scene.turned = Turned::Stage;
            scene.angles_deg = vec![0.0, 22.5, 45.0, 67.5];
            scene.stage_sense = if rng.random_bool(0.5) { 1.0 } else { -1.0 };
            scene.pivot_px = [rng.random_range(-10.0..10.0), rng.random_range(-10.0..10.0)];
        }
        "one at 45" => scene.angles_deg = vec![45.0],
        "few crystals" => scene.grain_um = rng.random_range(220.0..400.0),
        "granite" => {
            scene.wedge = Wedge { centre_um: rng.random_range(24.0..36.0), gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 };
            scene.rock = only.unwrap_or(Rock::Granite);
            scene.grain_um = rng.random_range(150.0..300.0);
            if index % 2 == 1 {
                scene.camera.eye = Eye::OwnFilters;
            }
        }
        "no EXIF" => scene.camera.exif = Exif::None,
        "auto white" => scene.camera.balance = Balance::Automatic(rng.random_range(0.3..0.9)),
        "own camera" => scene.camera.eye = Eye::OwnFilters,
        "contrast" => scene.camera.contrast = rng.random_range(0.1..0.3),
        "five fields" => {
            scene = scene.five_fields();
            scene.size_px = [900, 700];
            scene.wedge.gx_um_per_mm = rng.random_range(-0.2..0.2);
            scene.wedge.gy_um_per_mm = rng.random_range(-0.2..0.2);
        }
        _ => {}
    }
    if std::env::var_os("SMEARED").is_some() {
        let (far, along) = (rng.random_range(6.0..8.0), rng.random_range(0.0..std::f64::consts::PI));
        let which = rng.random_range(0..scene.angles_deg.len());
        scene.moved = vec![(which, [far * f64::cos(along), far * f64::sin(along)])];
    }
    scene
}

/// Kinds from this one on have few quartz grains on purpose.
const FEW_ON_PURPOSE: usize = 9;
/// Quartz grains in the picture from which on a slide counts for the table's rows.
const ENOUGH_QUARTZ: usize = 25;

struct Outcome {
    error: f64,
    interval: [f64; 2],
    grains: usize,
    gradient: Option<[(f64, [f64; 2]); 2]>,
}

fn measured(dir: &Path, scene: &Scene) -> thinproof::Result<Result<Outcome, String>> {
    let slide = Slide::read(dir)?;
    let mut fields = Vec::new();
    for plan in &slide.fields {
        let mut stack = FieldStack::register(plan, slide.load(plan)?, slide.scale, slide.record.turned)?;
        leave_out_smeared(&mut stack);
        fields.push(crystals_of(&stack));
    }
    let size = SectionSize { width_mm: slide.record.width_mm, height_mm: slide.record.height_mm };
    Ok(match measure(&fields, size, &Yardstick::quartz()) {
        Thickness::NotMeasurable { why, .. } => Err(why),
        Thickness::Measured(s) => {
            let truth = scene.wedge;
            Ok(Outcome {
                error: s.mean_um.value - truth.centre_um,
                interval: s.mean_um.interval.map(|b| b - truth.centre_um),
                grains: s.quartz_grains,
                gradient: s.gradient_um_per_mm.map(|g| {
                    [(g[0], truth.gx_um_per_mm), (g[1], truth.gy_um_per_mm)]
                        .map(|(m, t)| (m.value - t, m.interval.map(|b| b - t)))
                }),
            })
        }
    })
}

fn quantile(values: &[f64], p: f64) -> f64 {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    if v.is_empty() { f64::NAN } else { thinproof::measured::quantile(&v, p) }
}

/// What one row of the table is made of.
#[derive(Clone, Default)]
struct Row {
    slides: usize,
    errors: Vec<f64>,
    intervals: Vec<[f64; 2]>,
}

impl Row {
    fn add(&mut self, outcome: Option<&Outcome>) {
        self.slides += 1;
        if let Some(o) = outcome {
            self.errors.push(o.error);
            self.intervals.push(o.interval);
        }
    }

    fn print(&self, name: &str) {
        if self.slides == 0 {
            return;
        }
        let size: Vec<f64> = self.errors.iter().map(|e| e.abs()).collect();
        let halves: Vec<f64> = self.intervals.iter().map(|i| 0.5 * (i[1] - i[0])).collect();
        let n = self.errors.len() as f64;
        println!(
            "| {name} | {} | {} | {:.3} µm | {:.2} µm | {:+.3} µm | {:.1} % | {:.2} |",
            self.slides,
            self.errors.len(),
            quantile(&size, 0.5),
            quantile(&size, 0.95),
            self.errors.iter().sum::<f64>() / n,
            100.0 * covered(&self.intervals) as f64 / n,
            quantile(&halves, 0.5) / quantile(&size, 0.5)
        );
    }
}

/// How many intervals around errors hold no error.
fn covered(intervals: &[[f64; 2]]) -> usize {
    intervals.iter().filter(|i| i[0] <= 0.0 && 0.0 <= i[1]).count()
}

fn main() -> thinproof::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let count: usize = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(25);
    let folder = PathBuf::from(arguments.next().unwrap_or_else(|| "target/thickness_study".into()));
    let only = arguments.next().filter(|k| k != "all");
    let set: u64 = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(0);
    let rock = arguments.next().map(|name| rock_named(&name));
    println!(
        "| input | slides | measured | median error | 95th percentile | bias | coverage | half-width / median error |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    let (mut few, mut all) = (Row::default(), Row::default());
    for (kind, name) in KINDS.iter().enumerate() {
        if only.as_deref().is_some_and(|o| !name.contains(o)) {
            continue;
        }
        let mut row = Row::default();
        let mut slopes: Vec<(f64, [f64; 2])> = Vec::new();
        for index in 0..count {
            let scene = scene(kind, index, set, rock);
            let dir = folder.join(&scene.id);
            if !dir.join("truth.json").exists() {
                scene.render_to(&folder)?;
            }
            let outcome = measured(&dir, &scene)?;
            let quartz = quartz_grains(&dir)?;
            if kind >= FEW_ON_PURPOSE || rock.is_some() {
                row.add(outcome.as_ref().ok());
            } else if quartz < ENOUGH_QUARTZ {
                few.add(outcome.as_ref().ok());
            } else {
                row.add(outcome.as_ref().ok());
                all.add(outcome.as_ref().ok());
            }
            let note = match outcome {
                Ok(o) => {
                    slopes.extend(o.gradient.iter().flatten());
                    let hit = covered(&[o.interval]) == 1;
                    let (e, [low, high]) = (o.error, o.interval);
                    let miss = if hit { "" } else { "  MISSED" };
                    let slopes = o.gradient.iter().flatten();
                    let slopes: String =
                        slopes.map(|(e, [low, high])| format!(", gradient {e:+.3} [{low:+.3} {high:+.3}]")).collect();
                    format!("{e:+.2} [{low:+.2} {high:+.2}] {} grains of {quartz}{miss}{slopes}", o.grains)
                }
                Err(why) => format!("{why} (of {quartz})"),
            };
            eprintln!(
                "{name} {index} {:?} {:.1} µm clutter {:.1} {:?}: {note}",
                scene.rock, scene.wedge.centre_um, scene.clutter, scene.lamp
            );
        }
        row.print(name);
        if !slopes.is_empty() {
            let size: Vec<f64> = slopes.iter().map(|s| s.0.abs()).collect();
            let intervals: Vec<[f64; 2]> = slopes.iter().map(|s| s.1).collect();
            let halves: Vec<f64> = intervals.iter().map(|i| 0.5 * (i[1] - i[0])).collect();
            println!(
                "| {name}, gradient | | {} | {:.4} µm/mm | {:.4}, worst {:.3} µm/mm | {:+.4} µm/mm | {:.0} % | {:.2} |",
                slopes.len(),
                quantile(&size, 0.5),
                quantile(&size, 0.95),
                quantile(&size, 1.0),
                slopes.iter().map(|s| s.0).sum::<f64>() / slopes.len() as f64,
                100.0 * covered(&intervals) as f64 / slopes.len() as f64,
                quantile(&halves, 0.5) / quantile(&size, 0.5)
            );
        }
    }
    all.print("all of them");
    few.print("fewer than 25 quartz grains");
    Ok(())
}

/// The rock of a name.
fn rock_named(name: &str) -> Rock {
    let rocks = [Rock::Quartzite, Rock::Sandstone, Rock::Granite, Rock::Gabbro, Rock::Marble];
    let found = rocks.into_iter().find(|rock| format!("{rock:?}").eq_ignore_ascii_case(name));
    found.unwrap_or_else(|| panic!("{name} is none of {rocks:?}"))
}

/// Quartz grains in the pictures of a rendered slide.
fn quartz_grains(dir: &Path) -> thinproof::Result<usize> {
    let file = dir.join("truth.json");
    let wrong = |e: String| thinproof::Error::new(&file, e, "delete the folder, so that it is rendered again");
    let text = std::fs::read_to_string(&file).map_err(|e| wrong(e.to_string()))?;
    let truth: Truth = serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
    Ok(truth.fields.iter().map(|f| f.quartz_grains).sum())
}
