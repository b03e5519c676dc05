//! How well a stage micrometer's scale is measured, and what is refused: `cargo run --release --example scale_study -- 300 1 20` (scales, seed, others of each kind).
//!
//! `PICTURES=DIR` writes the pictures that were refused or erred by more than a thousandth, and the non-scales that were accepted.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use thinproof::demo::ruled::RuledScale;
use thinproof::demo::unruled::Unruled;
use thinproof::demo::{Rock, Scene};
use thinproof::ruling::{Ruling, measure};
use thinproof::slide::photograph::Photograph;
use thinproof::units::Micrometres;

/// A scale drawn at random, its true scale, and the division that is stated, µm.
fn drawn(seed: u64) -> (RuledScale, Option<f64>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5ca1e);
    let mut d = |lo: f64, hi: f64| rng.random_range(lo..hi);
    let um_per_px = (d(0.3_f64.ln(), 3.0_f64.ln())).exp();
    let sizes = [[640, 480], [1000, 750], [1280, 960], [1600, 1200], [2048, 1536]];
    let [width, height] = sizes[d(0.0, 5.0) as usize];
    let fine = um_per_px > 2.0;
    let short = d(50.0, 160.0);
    let mut scale = RuledScale {
        width,
        height,
        um_per_px,
        tilt_deg: if d(0.0, 1.0) < 0.25 { 90.0 * d(0.0, 4.0).floor() + d(-1.5, 1.5) } else { d(0.0, 360.0) },
        line_um: d(1.2, 3.0),
        lengths_um: [short, short * d(1.15, 1.5), short * d(1.5, 2.0)],
        centred: d(0.0, 1.0) < 0.6,
        digits: d(0.0, 1.0) < 0.5,
        axis: d(0.0, 1.0) < 0.2,
        circle_um: (d(0.0, 1.0) < 0.2).then_some(700.0),
        dark_field: d(0.0, 1.0) < 0.15,
        contrast: d(0.3, 0.9),
        blur_px: if fine { d(0.4, 1.0) } else { d(0.4, 1.6) },
        vignette: d(0.0, 0.4),
        slope: d(-0.2, 0.2),
        electrons: d(1500_f64.ln(), 20_000_f64.ln()).exp(),
        dust: d(0.0, 80.0) as usize,
        jpeg: (d(0.0, 1.0) < 0.7).then(|| d(72.0, 97.0) as u8),
        seed,
        ..RuledScale::default()
    };
    scale.centre_px = [d(-0.15, 0.15) * width as f64, d(-0.15, 0.15) * height as f64];
    scale.missing = (0..d(0.0, 8.0) as usize).map(|_| d(0.0, 101.0) as usize).collect();
    let mut stated = None;
    match d(0.0, 1.0) {
        // 2 mm in 20, said so.
        r if r < 0.08 => {
            (scale.division_um, scale.divisions, stated) = (100.0, 20, Some(100.0));
            scale.lengths_um = scale.lengths_um.map(|l| 2.0 * l);
            scale.line_um *= 2.0;
            scale.um_per_px = d(0.8, 3.0);
            scale.missing.clear();
        }
        // Few lines: a strong objective or a small picture.
        r if r < 0.16 => {
            scale.um_per_px = d(0.1, 0.2);
            (scale.width, scale.height) = (1000, 750);
            scale.lengths_um = [60.0, 90.0, 120.0];
        }
        r if r < 0.22 => scale.crossed = true,
        _ => {}
    }
    (scale, stated)
}

struct Result {
    scale: RuledScale,
    ruling: std::result::Result<Ruling, thinproof::ruling::Refused>,
}

impl Result {
    fn error(&self) -> Option<f64> {
        Some(100.0 * (self.ruling.as_ref().ok()?.um_per_px.value / self.scale.truth_um_per_px() - 1.0))
    }

    /// Error over the standard uncertainty that was given.
    fn over_uncertainty(&self) -> Option<f64> {
        let m = self.ruling.as_ref().ok()?.um_per_px;
        Some((m.value - self.scale.truth_um_per_px()) / m.standard_uncertainty)
    }

    fn covered(&self) -> bool {
        self.ruling.as_ref().is_ok_and(|r| {
            let t = self.scale.truth_um_per_px();
            (r.um_per_px.interval[0]..=r.um_per_px.interval[1]).contains(&t)
        })
    }
}

fn save(name: &str, p: &Photograph) {
    let Ok(dir) = std::env::var("PICTURES") else { return };
    let rgb: Vec<u8> =
        (0..p.height * p.width * 3).map(|i| p.code(i / 3 % p.width, i / 3 / p.width, i % 3) as u8).collect();
    let path = std::path::Path::new(&dir).join(name);
    if let Err(e) = image::save_buffer(&path, &rgb, p.width as u32, p.height as u32, image::ExtendedColorType::Rgb8) {
        eprintln!("{}: {e}", path.display());
    }
}

fn row(name: &str, of: &[&Result]) {
    let mut errors: Vec<f64> = of.iter().filter_map(|r| r.error()).map(f64::abs).collect();
    errors.sort_by(f64::total_cmp);
    if errors.is_empty() {
        println!("| {name} | {} | {} | | | | | |", of.len(), of.len());
        return;
    }
    let covered = of.iter().filter(|r| r.covered()).count();
    let z2: f64 = of.iter().filter_map(|r| r.over_uncertainty()).map(|z| z * z).sum();
    let q = |p: f64| thinproof::measured::quantile(&errors, p);
    println!(
        "| {name} | {} | {} | {:.4} | {:.4} | {:.4} | {covered} of {} | {:.2} |",
        of.len(),
        of.len() - errors.len(),
        q(0.5),
        q(0.95),
        q(1.0),
        errors.len(),
        (z2 / errors.len() as f64).sqrt()
    );
}

/// Scales whose divisions the pixels hardly show or do not: a multiple of the division must never be taken for it.
fn too_fine(from: u64, count: u64) {
    println!("\n| lines 1.7 to 4 pixels apart, out of focus | pictures | refused | right within 0.5 % | wrong |");
    println!("| --- | --- | --- | --- | --- |");
    let (mut refused, mut right, mut wrong) = (0, 0, 0);
    for seed in from..from + count {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xf13e);
        let mut d = |lo: f64, hi: f64| rng.random_range(lo..hi);
        let scale = RuledScale {
            width: 640,
            height: 480,
            um_per_px: 10.0 / d(1.7, 4.0),
            blur_px: d(0.7, 2.2),
            electrons: d(1500_f64.ln(), 60_000_f64.ln()).exp(),
            dust: d(0.0, 15.0) as usize,
            ..drawn(seed).0
        };
        let scale = RuledScale { division_um: 10.0, divisions: 100, centre_px: [0.0; 2], crossed: false, ..scale };
        let photograph = scale.photograph();
        match measure(&photograph, None) {
            Err(_) => refused += 1,
            Ok(r) if (r.um_per_px.value / scale.truth_um_per_px() - 1.0).abs() < 0.005 => right += 1,
            Ok(r) => {
                wrong += 1;
                let times = scale.truth_um_per_px() / r.um_per_px.value;
                println!(
                    "wrong: seed {seed}: {times:.3} divisions, blur {:.2}, {:.2} um/px, {:?}",
                    scale.blur_px, scale.um_per_px, r.notes
                );
                save(&format!("fine-{seed}.png"), &photograph);
            }
        }
    }
    println!("| all | {count} | {refused} | {right} | {wrong} |");
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let (count, from) = (arguments.next().unwrap_or(300), arguments.next().unwrap_or(1));
    let others = arguments.next().unwrap_or(10);
    let start = std::time::Instant::now();
    let results: Vec<Result> = (from..from + count)
        .map(|seed| {
            let (scale, stated) = drawn(seed);
            let photograph = scale.photograph();
            let ruling = measure(&photograph, stated.map(Micrometres::from_um));
            let result = Result { scale, ruling };
            let bad = result.error().is_none_or(|e| e.abs() > 0.1) || !result.covered();
            if bad {
                let s = &result.scale;
                println!(
                    "seed {seed}: {:.3} um/px, tilt {:.1}, blur {:.2}, line {:.1} um, contrast {:.2}, {:.0} e, {} dust, {}x{}, short {:.0} um: {}",
                    s.um_per_px, s.tilt_deg, s.blur_px, s.line_um, s.contrast, s.electrons, s.dust, s.width, s.height, s.lengths_um[0],
                    match &result.ruling {
                        Ok(r) => format!("{:.5} %, half-width {:.5} %, {} lines", result.error().unwrap_or(0.0), 100.0 * (r.um_per_px.interval[1] / r.um_per_px.value - 1.0), r.lines),
                        Err(e) => format!("{e:?}"),
                    }
                );
            }
            if result.error().is_none_or(|e| e.abs() > 0.1) {
                save(&format!("scale-{seed}.png"), &photograph);
            }
            result
        })
        .collect();
    println!(
        "\n| scales | pictures | refused | error %, median | 95th percentile | largest | interval holds the truth | error over standard uncertainty, root of mean square |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    let part =
        |name: &str, f: &dyn Fn(&Result) -> bool| row(name, &results.iter().filter(|r| f(r)).collect::<Vec<_>>());
    part("all", &|_| true);
    part("0.1 to 0.3 um per pixel, 8 to 20 lines", &|r| r.scale.um_per_px < 0.3);
    part("0.3 to 1", &|r| (0.3..1.0).contains(&r.scale.um_per_px));
    part("1 to 2", &|r| (1.0..2.0).contains(&r.scale.um_per_px));
    part("2 to 3", &|r| r.scale.um_per_px >= 2.0);
    part("upright within 1.5 degrees", &|r| (r.scale.tilt_deg + 2.0).rem_euclid(90.0) < 4.0);
    part("2 mm in 20", &|r| r.scale.division_um > 50.0);
    part("crossed", &|r| r.scale.crossed);
    part("dark field", &|r| r.scale.dark_field);
    if others == 0 {
        return;
    }
    println!("{:.2} s a picture", start.elapsed().as_secs_f64() / count.max(1) as f64);
    too_fine(from, 10 * others);

    println!("\n| no scales | pictures | refused |\n| --- | --- | --- |");
    let each = others;
    for kind in Unruled::ALL {
        let mut refused = 0;
        for k in 0..each {
            let seed = from * 1000 + k;
            let p = kind.photograph(seed, 1000, 750);
            match measure(&p, None) {
                Err(_) => refused += 1,
                Ok(r) => {
                    println!(
                        "accepted: {kind:?} {seed}: pitch {:.3} px, {} lines, missing {}",
                        r.pitch_px.value, r.lines, r.missing
                    );
                    save(&format!("{kind:?}-{seed}.png"), &p);
                }
            }
        }
        println!("| {} | {each} | {refused} |", format!("{kind:?}").to_lowercase());
    }
    for rock in [Rock::Quartzite, Rock::Sandstone, Rock::Granite, Rock::Gabbro, Rock::Marble] {
        let (mut seen, mut refused) = (0, 0);
        for k in 0..each.div_ceil(5) {
            let scene = Scene::new("LM-0001", from * 77 + k, rock);
            let field = scene.render_field(0);
            for p in std::iter::once(&field.plane).chain(field.crossed.iter().take(1)) {
                seen += 1;
                let photograph = thinproof::demo::ruled::photograph(p.rgb.clone(), p.width, p.height);
                match measure(&photograph, None) {
                    Err(_) => refused += 1,
                    Ok(r) => {
                        println!("accepted: {rock:?} {k}: pitch {:.3} px, {} lines", r.pitch_px.value, r.lines);
                        save(&format!("{rock:?}-{k}.png"), &photograph);
                    }
                }
            }
        }
        println!("| {rock:?} | {seen} | {refused} |");
    }
}
