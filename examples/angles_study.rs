//! Angles told by the light of the grains against those of rendered slides:
//! `cargo run --release --example angles_study -- 60`
//!
//! For each slide with three or more positions of the polars: told or not, its error, and what the error does to the thickness.

use thinproof::bench::angles::{FoundAngles, from_light};
use thinproof::demo::Scene;
use thinproof::pipeline::crystals_of;
use thinproof::register::FieldStack;
use thinproof::slide::{Slide, Turned};
use thinproof::thickness::{SectionSize, Thickness, Yardstick, measure};
use thinproof::units::Degrees;

fn thickness(stack: &FieldStack) -> Option<f64> {
    let size = SectionSize { width_mm: None, height_mm: None };
    match measure(&[crystals_of(stack)], size, &Yardstick::quartz()) {
        Thickness::Measured(s) => Some(s.mean_um.value),
        Thickness::NotMeasurable { .. } => None,
    }
}

fn main() {
    let count: u64 = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(40);
    let (mut told, mut unknown, mut within, mut all) = (0, 0, 0, 0);
    let (mut worst, mut sum2, mut worst_um) = (0.0f64, 0.0, 0.0f64);
    for seed in 0..count {
        let mut scene = Scene { record: false, ..Scene::varied(seed) };
        if scene.turned == Turned::Stage || scene.angles_deg.len() < 3 {
            continue;
        }
        scene.views.truncate(1);
        let dir = tempfile::tempdir().unwrap();
        let (folder, _) = scene.render_to(dir.path()).unwrap();
        let Ok(slide) = Slide::read(&folder) else { continue };
        let plan = &slide.fields[0];
        let mut photographs = slide.load(plan).unwrap();
        let truth: Vec<f64> = plan.crossed.iter().map(|(_, a)| a.deg()).collect();
        for p in &mut photographs.crossed {
            p.angle = Some(Degrees::from_deg(0.0));
        }
        let mut stack = FieldStack::register(plan, photographs, slide.scale, Turned::Polars).unwrap();
        match from_light(&stack) {
            FoundAngles::Unknown(why) => {
                unknown += 1;
                println!("{seed:3} {:?} {:?}: not told: {why}", scene.rock, truth);
            }
            FoundAngles::Told(found) => {
                told += 1;
                // The sense is not known: the better of the two.
                let off = |sense: f64| -> Vec<f64> {
                    found
                        .iter()
                        .zip(&truth)
                        .map(|((deg, _), t)| {
                            let d = (deg - sense * (t - truth[0])).rem_euclid(90.0);
                            if d > 45.0 { d - 90.0 } else { d }
                        })
                        .collect()
                };
                let sum = |v: &[f64]| v.iter().map(|d| d * d).sum::<f64>();
                let (one, other) = (off(1.0), off(-1.0));
                let off = if sum(&one) <= sum(&other) { one } else { other };
                for (d, (_, u)) in off.iter().zip(&found).skip(1) {
                    all += 1;
                    within += usize::from(d.abs() <= 2.0 * u);
                    worst = worst.max(d.abs());
                    sum2 += d * d;
                }
                for (c, (deg, _)) in stack.crossed.iter_mut().zip(&found) {
                    c.angle = Degrees::from_deg(*deg);
                }
                let with_found = thickness(&stack);
                for (c, t) in stack.crossed.iter_mut().zip(&truth) {
                    c.angle = Degrees::from_deg(*t);
                }
                let with_true = thickness(&stack);
                if let (Some(a), Some(b)) = (with_found, with_true) {
                    worst_um = worst_um.max((a - b).abs());
                }
                println!(
                    "{seed:3} {:?} {:?} off {:.1?} u {:.1?} thickness {with_found:.1?} with true angles {with_true:.1?} of {:.1}",
                    scene.rock,
                    truth,
                    off,
                    found.iter().map(|f| f.1).collect::<Vec<_>>(),
                    scene.wedge.centre_um
                );
            }
        }
    }
    println!(
        "told {told}, not told {unknown}; rms error {:.2} degrees, worst {worst:.1}; within twice u {within} of {all}; largest change of thickness {worst_um:.2} um",
        (sum2 / f64::from(all.max(1) as u32)).sqrt()
    );
}
