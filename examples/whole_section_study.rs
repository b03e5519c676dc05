//! What a photograph of a whole section costs: `cargo run --release --example whole_section_study -- [64 16 4 1 | defects]`.
//!
//! Renders one field with a fixed seed, mirrors it at its edges over tiled BigTIFFs of 40,000 x 24,000 pixels divided by each
//! number given (64 and 16 unless said otherwise), one plane and four crossed, and prints for each, checked in a process of its
//! own: megapixels of one photograph, seconds by the clock, seconds that cores worked (Linux; they mean something on a busy
//! machine too), these a megapixel, peak memory, and what was found. The first is checked
//! whole in memory too. Pictures lie in the folder for temporary files (TMPDIR): 0.2, 0.9, 3.6 and 14 GB.
//!
//! `defects` prints the cost of a field of two megapixels against the number of defects planted in it.

use std::error::Error;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use thinproof::bounds::Bounds;
use thinproof::demo::whole_section::{Cut, Sheet, mirrored};
use thinproof::demo::{Flaws, RenderedField, Rock, Scene, View};
use thinproof::house::House;
use thinproof::pipeline::{CheckedSlide, check_read};
use thinproof::report::FieldPicture;
use thinproof::thickness::Thickness;

/// As the command has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Width and height of a whole section at a micrometre a pixel.
const WHOLE: [usize; 2] = [40_000, 24_000];
/// Side of a tile.
const TILE: usize = 256;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.first().map(String::as_str) {
        Some("check") => check(Path::new(&arguments[1]), arguments[2] == "whole"),
        Some("defects") => against_defects(),
        _ => {
            let parts: Vec<usize> = arguments.iter().filter_map(|a| a.parse().ok()).collect();
            sizes(if parts.is_empty() { &[64, 16] } else { &parts })
        }
    }
}

fn sizes(parts: &[usize]) -> Result<(), Box<dyn Error>> {
    let flaws = Flaws { bubbles: 4, bubble_um: [40.0, 250.0], plucks: 3, scratches: 5, ..Flaws::default() };
    let mut scene =
        Scene { flaws, size_px: [2000, 1500], um_per_px: 1.0, ..Scene::new("LM-0001", 2020, Rock::Quartzite) };
    scene.views = vec![View { name: "A".into(), centre_mm: [20.0, 12.0] }];
    let field = scene.render_field(0);
    println!(
        "{:>16} {:>7} {:>8} {:>8} {:>8} {:>9}  found",
        "pixels", "Mpx", "clock s", "cores s", "s / Mpx", "peak MB"
    );
    for (k, part) in parts.iter().enumerate() {
        let side = (*part as f64).sqrt();
        let size = WHOLE.map(|n| (n as f64 / side).round() as usize);
        let folder = tempfile::tempdir()?;
        let dir = write(&scene, &field, size, folder.path())?;
        for how in if k == 0 && *part >= 64 { &["windows", "whole"][..] } else { &["windows"] } {
            let output = Command::new(std::env::current_exe()?).arg("check").arg(&dir).arg(how).output()?;
            let text = String::from_utf8_lossy(&output.stdout);
            let mut told = text.trim().splitn(4, ' ');
            let mut number = || told.next().and_then(|n| n.parse::<f64>().ok()).unwrap_or(f64::NAN);
            let (clock, cores, peak) = (number(), number(), number());
            let megapixels = 1e-6 * (size[0] * size[1]) as f64;
            println!(
                "{:>16} {megapixels:7.0} {clock:8.1} {cores:8.1} {:8.3} {peak:9.0}  {how}: {}{}",
                format!("{} x {}", size[0], size[1]),
                cores / megapixels,
                told.next().unwrap_or_default(),
                String::from_utf8_lossy(&output.stderr).trim()
            );
        }
    }
    Ok(())
}

/// A slide folder with photographs of `size`.
fn write(scene: &Scene, field: &RenderedField, size: [usize; 2], into: &Path) -> Result<PathBuf, Box<dyn Error>> {
    let mut toml = format!(
        "[slide]\nid = \"{}\"\nwidth_mm = {}\nheight_mm = {}\n[[field]]\nname = \"A\"\ncentre_mm = [{}, {}]\nplane = \"A_ppl.tif\"\ncrossed = [",
        scene.id,
        1e-3 * size[0] as f64,
        1e-3 * size[1] as f64,
        5e-4 * size[0] as f64,
        5e-4 * size[1] as f64
    );
    let description =
        format!("<OME><Image><Pixels PhysicalSizeX=\"{}\" PhysicalSizeXUnit=\"µm\"/></Image></OME>", scene.um_per_px);
    for photograph in std::iter::once(&field.plane).chain(&field.crossed) {
        let file = photograph.angle_deg.map_or_else(|| "A_ppl.tif".into(), |a| format!("A_xpl_{a:05.1}.tif"));
        if let Some(angle) = photograph.angle_deg {
            write!(toml, "{{ file = \"{file}\", angle_deg = {angle} }}, ")?;
        }
        let sheet = Sheet {
            size,
            cut: Cut::Tiles(TILE),
            big: true,
            sixteen: false,
            description: &description,
            exposed_as: Some(photograph),
        };
        sheet.write(&into.join(file), |window| mirrored(photograph, window))?;
    }
    std::fs::write(into.join("slide.toml"), toml + "]\n")?;
    Ok(into.to_path_buf())
}

/// Checks one slide, report pictures included, and prints seconds, peak memory and what was found in one line.
fn check(dir: &Path, whole: bool) -> Result<(), Box<dyn Error>> {
    let start = Instant::now();
    let (mut slide, limits) = House::default().slide(dir)?;
    (slide.windows.from_pixels, slide.windows.held_bytes) = (if whole { u64::MAX } else { 0 }, 0);
    let mut pictures = Vec::new();
    let checked = check_read(
        slide,
        limits,
        &Bounds::default().start(dir),
        |stack| pictures.push(FieldPicture::of(stack)),
        |_| {},
    )?;
    for picture in pictures {
        picture?;
    }
    let (clock, cores) = (start.elapsed().as_secs_f64(), worked_s().unwrap_or(f64::NAN));
    println!("{clock:.2} {cores:.2} {} {}", peak_mb().unwrap_or(0), found(&checked));
    Ok(())
}

fn found(checked: &CheckedSlide) -> String {
    let thickness = match &checked.thickness {
        Thickness::Measured(t) => {
            let [low, high] = t.mean_um.interval;
            format!("{:.2} ({low:.2} to {high:.2}) µm by {} grains", t.mean_um.value, t.quartz_grains)
        }
        Thickness::NotMeasurable { why, .. } => format!("no thickness: {why}"),
    };
    let field = &checked.fields[0];
    let count = |confidences: Vec<f64>| confidences.into_iter().filter(|c| *c >= 0.5).count();
    format!(
        "{thickness}, {} crystals, {} bubbles, {} holes, {} scratches, {:.2} mm2 looked at",
        field.crystals.crystals.crystals.len(),
        count(field.defects.bubbles.iter().map(|b| b.confidence).collect()),
        count(field.defects.plucks.iter().map(|p| p.confidence).collect()),
        count(field.defects.scratches.iter().map(|s| s.confidence).collect()),
        checked.tally.totals.area_mm2.unwrap_or(f64::NAN)
    )
}

/// Most memory that this process has held, MB (Linux).
fn peak_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse::<u64>().ok().map(|kilobytes| kilobytes * 1024 / 1_000_000)
}

/// Seconds that cores worked for this process (Linux: ticks of a hundredth of a second in proc(5)).
fn worked_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
    Some((fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?) / 100.0)
}

fn against_defects() -> Result<(), Box<dyn Error>> {
    println!("{:>8} {:>8} {:>8}  found", "planted", "cores s", "ms each");
    let mut none = f64::NAN;
    for planted in [0, 10, 40, 160] {
        let flaws = Flaws {
            bubbles: planted / 2,
            bubble_um: [25.0, 80.0],
            scratches: planted - planted / 2,
            scratch_length_um: [200.0, 600.0],
            ..Flaws::default()
        };
        let scene = Scene { flaws, size_px: [1640, 1230], ..Scene::new("LM-0002", 2021, Rock::Quartzite) };
        let folder = tempfile::tempdir()?;
        let (dir, _) = scene.render_to(folder.path())?;
        let mut best = f64::INFINITY;
        let mut told = String::new();
        for _ in 0..3 {
            let (slide, limits) = House::default().slide(&dir)?;
            let before = worked_s().unwrap_or(f64::NAN);
            told = found(&check_read(slide, limits, &Bounds::default().start(&dir), |_| {}, |_| {})?);
            best = best.min(worked_s().unwrap_or(f64::NAN) - before);
        }
        if planted == 0 {
            none = best;
        }
        println!("{planted:>8} {best:8.2} {:8.2}  {told}", 1e3 * (best - none) / planted.max(1) as f64);
    }
    Ok(())
}
