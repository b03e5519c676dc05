//! Scores reports against truth: `cargo run --release --example score -- SLIDES REPORTS`
//! (after `thinproof demo`: `cargo run --release --example score -- thinproof-demo/slides thinproof-demo/reports`).
//!
//! SLIDES holds `<id>/truth.json`, REPORTS `<id>/report.json`. How things are matched stands at the head of `demo::score`:
//! bubbles by centre (half a radius) and diameter (0.6 to 1.6), plucked areas by overlap of their boxes (0.3) and area (0.4 to
//! 2.5), scratches by length (4 px, 6°). Thickness is scored where the truth calls it measurable and the report gives it.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde_json::Value;
use thinproof::demo::Truth;
use thinproof::demo::score::{LengthMatches, Matches, match_bubbles, match_plucks, match_scratches};
use thinproof::measured::quantile;

#[derive(Default)]
struct Counts {
    hits: usize,
    false_found: usize,
    missed: usize,
}

impl Counts {
    fn add(&mut self, m: &Matches) {
        self.hits += m.hits.len();
        self.false_found += m.false_found.len();
        self.missed += m.missed.len();
    }
}

#[derive(Default)]
struct Sums {
    slides: usize,
    agreed: usize,
    errors: Vec<f64>,
    covered: usize,
    refused_wrongly: usize,
    measured_wrongly: usize,
    gradient_errors: Vec<f64>,
    bubbles: Counts,
    plucks: Counts,
    scratches: LengthMatches,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let [slides, reports] = arguments.as_slice() else {
        return Err("give the folder of slides with truth.json and the folder of reports".into());
    };
    let mut ids: Vec<_> = fs::read_dir(slides)?.collect::<Result<Vec<_>, _>>()?;
    ids.sort_by_key(std::fs::DirEntry::file_name);
    let mut sums = Sums::default();
    for entry in ids {
        let (truth, report) = (entry.path().join("truth.json"), reports.join(entry.file_name()).join("report.json"));
        if truth.exists() && report.exists() {
            let truth: Truth = read(&truth)?;
            let report: Value = read(&report)?;
            score(&truth, &report, &mut sums)?;
        } else if truth.exists() {
            println!("{}: no report", entry.file_name().to_string_lossy());
        }
    }
    print(&sums);
    Ok(())
}

fn read<T: DeserializeOwned>(path: &Path) -> Result<T, Box<dyn Error>> {
    let text = fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    Ok(serde_json::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))?)
}

fn list<T: DeserializeOwned>(report: &Value, kind: &str) -> Result<Vec<T>, Box<dyn Error>> {
    Ok(serde_json::from_value(report["defects"][kind].clone())?)
}

fn score(truth: &Truth, report: &Value, sums: &mut Sums) -> Result<(), Box<dyn Error>> {
    sums.slides += 1;
    let outcome = report["verdict"]["outcome"].as_str().unwrap_or("none");
    let agrees = truth.outcomes.iter().any(|o| o == outcome);
    sums.agreed += usize::from(agrees);
    let thickness = &report["thickness"];
    let mean = thickness["mean_um"].as_f64();
    let mut line = format!("{:12} {outcome:13} true: {:13}", truth.id, truth.outcomes.join("|"));
    match (mean, truth.thickness.measurable) {
        (Some(mean), true) => {
            let error = mean - truth.thickness.mean_um;
            sums.errors.push(error);
            let bound = |k: usize| thickness["ci95_um"][k].as_f64().unwrap_or(f64::NAN);
            let covers = bound(0) <= truth.thickness.mean_um && truth.thickness.mean_um <= bound(1);
            sums.covered += usize::from(covers);
            line += &format!(
                " {mean:6.2} [{:.2}, {:.2}] µm, true {:.2} ({error:+.2}{})",
                bound(0),
                bound(1),
                truth.thickness.mean_um,
                if covers { "" } else { ", outside its interval" }
            );
        }
        (None, true) => {
            sums.refused_wrongly += 1;
            line += " not measured though it could be";
        }
        (Some(mean), false) => {
            sums.measured_wrongly += 1;
            line += &format!(" {mean:6.2} µm though it cannot be measured");
        }
        (None, false) => line += " rightly not measured",
    }
    for k in 0..2 {
        if let (Some(g), true) = (thickness["gradient_um_per_mm"][k].as_f64(), truth.thickness.measurable) {
            sums.gradient_errors.push(g - truth.thickness.gradient_um_per_mm[k]);
        }
    }
    let size = |k: usize| truth.scene["size_px"][k].as_f64().unwrap_or(f64::INFINITY);
    let all = truth.fields.iter();
    let bubbles: Vec<_> = all.clone().flat_map(|f| f.bubbles.clone()).collect();
    let plucks: Vec<_> = all.clone().flat_map(|f| f.plucks.clone()).collect();
    let scratches: Vec<_> = all.flat_map(|f| f.scratches.clone()).collect();
    let b = match_bubbles(&list(report, "bubbles")?, &bubbles, [size(0), size(1)]);
    let p = match_plucks(&list(report, "plucks")?, &plucks);
    let s = match_scratches(&list(report, "scratches")?, &scratches);
    println!("{line}");
    println!(
        "{:12} bubbles {}/{} (+{} false), plucks {}/{} (+{} false), scratches {:.0} of {:.0} px found, {:.0} of {:.0} px right",
        if agrees { "" } else { "  DISAGREES" },
        b.hits.len(),
        b.hits.len() + b.missed.len(),
        b.false_found.len(),
        p.hits.len(),
        p.hits.len() + p.missed.len(),
        p.false_found.len(),
        s.recalled_px + 0.0,
        s.true_px + 0.0,
        s.right_px + 0.0,
        s.found_px + 0.0
    );
    sums.bubbles.add(&b);
    sums.plucks.add(&p);
    sums.scratches = sums.scratches.plus(s);
    Ok(())
}

fn print(sums: &Sums) {
    println!("\nverdicts agree: {} of {}", sums.agreed, sums.slides);
    let spread = |errors: &[f64]| {
        let mut size: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        size.sort_by(f64::total_cmp);
        let bias = errors.iter().sum::<f64>() / errors.len() as f64;
        format!("median {:.3}, 95th percentile {:.3}, bias {bias:+.3}", quantile(&size, 0.5), quantile(&size, 0.95))
    };
    if !sums.errors.is_empty() {
        println!("thickness error, µm: {} over {} slides", spread(&sums.errors), sums.errors.len());
        println!("interval covers the truth: {} of {}", sums.covered, sums.errors.len());
    }
    println!(
        "not measured though it could be: {}; measured though it cannot be: {}",
        sums.refused_wrongly, sums.measured_wrongly
    );
    if !sums.gradient_errors.is_empty() {
        println!(
            "gradient error, µm/mm: {} over {} components",
            spread(&sums.gradient_errors),
            sums.gradient_errors.len()
        );
    }
    for (kind, c) in [("bubbles", &sums.bubbles), ("plucks", &sums.plucks)] {
        println!("{kind}: {} hit, {} false, {} missed", c.hits, c.false_found, c.missed);
    }
    let share = |v: Option<f64>| v.map_or_else(|| "none".to_owned(), |v| format!("{v:.3}"));
    println!(
        "scratches by length: precision {}, recall {}",
        share(sums.scratches.precision()),
        share(sums.scratches.recall())
    );
}
