//! What a check costs against reading its photographs: `cargo bench --bench whole -- [SLIDES]`.
//!
//! Renders slides with a fixed seed (one plane and four crossed photographs of 2 megapixels each, JPEG) and prints, of the same
//! run and on all cores: seconds to decode a slide's photographs, the floor; to check the slide, reports included; to check
//! all of them as a drawer; the same for one megapixel and for two and eight fields; and the ratios. Each is the best of
//! three. `RAYON_NUM_THREADS=1` shows one core.

use std::error::Error;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::Instant;

use rayon::prelude::*;
use thinproof::cli::check::check_slide;
use thinproof::demo::{Flaws, Rock, Scene, View};
use thinproof::drawer::{Drawer, check_drawer};
use thinproof::house::House;
use thinproof::slide::Slide;

/// As the command has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Width and height of two megapixels.
const TWO_MEGAPIXELS: [usize; 2] = [1640, 1230];
/// Runs of which the best counts.
const RUNS: usize = 3;

fn main() -> Result<(), Box<dyn Error>> {
    // `cargo bench` adds --bench.
    let slides: usize = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(6);
    let folder = tempfile::tempdir()?;
    let (drawer, out) = (folder.path().join("drawer"), folder.path().join("out"));
    let rocks = [Rock::Quartzite, Rock::Sandstone, Rock::Granite];
    let render =
        |name: &str, seed: u64, rock: Rock, size_px: [usize; 2], fields: usize| -> thinproof::Result<PathBuf> {
            let flaws = Flaws { bubbles: 3, plucks: 2, scratches: 4, ..Flaws::default() };
            let mut scene = Scene { flaws, size_px, ..Scene::new(name, seed, rock) };
            scene.views =
                (0..fields).map(|i| View { name: format!("F{i}"), centre_mm: [4.0 + 4.0 * i as f64, 12.0] }).collect();
            Ok(scene.render_to(&drawer)?.0)
        };
    let paths: Vec<PathBuf> = (0..slides)
        .map(|k| render(&format!("LM-{k:04}"), 4100 + k as u64, rocks[k % 3], TWO_MEGAPIXELS, 1))
        .collect::<thinproof::Result<_>>()?;
    let house = House::default();
    // Tables that are made once in a program are made before anything is timed.
    check_slide(&paths[0], &out, &house)?;

    println!("{} cores, {slides} slides of 1 + 4 photographs, {} x {} px", rayon::current_num_threads(), 1640, 1230);
    println!("{:30} {:>9} {:>9} {:>9} {:>7}", "", "decode s", "check s", "drawer s", "ratio");
    let floor = best(|| paths.iter().try_for_each(|p| decode(p)))? / slides as f64;
    let check = best(|| paths.iter().try_for_each(|p| check_slide(p, &out, &house).map(|_| ())))? / slides as f64;
    println!("{:30} {floor:9.3} {check:9.3} {:>9} {:7.1}", "a slide", "", check / floor);
    let jobs = NonZeroUsize::new(rayon::current_num_threads()).unwrap_or(NonZeroUsize::MIN);
    let mut run = 0;
    let whole = best(|| {
        // A folder of its own each time, or the drawer would keep what is there.
        run += 1;
        let out = folder.path().join(format!("drawer-{run}"));
        let all = Drawer { folder: &drawer, out: &out, house: &house, jobs };
        check_drawer(&all, |dir| check_slide(dir, &out, &house).map(|_| ()), |_| {}).map(|_| ())
    })? / slides as f64;
    println!("{:30} {floor:9.3} {:>9} {whole:9.3} {:7.1}", "a slide of the drawer", "", whole / floor);

    println!("\ncost of a check against the photographs' pixels");
    for (size_px, fields) in [
        ([820, 615], 1),
        ([1160, 870], 1),
        (TWO_MEGAPIXELS, 1),
        (TWO_MEGAPIXELS, 2),
        (TWO_MEGAPIXELS, 4),
        ([3280, 2460], 1),
    ] {
        let path = render("LM-9000", 4190, Rock::Quartzite, size_px, fields)?;
        let (floor, check) = (best(|| decode(&path))?, best(|| check_slide(&path, &out, &house).map(|_| ()))?);
        let megapixels = 5e-6 * (size_px[0] * size_px[1] * fields) as f64;
        println!(
            "{:30} {floor:9.3} {check:9.3} {:>9} {:7.1}   {:.3} s a megapixel",
            format!("{fields} x {} x {} px", size_px[0], size_px[1]),
            "",
            check / floor,
            check / megapixels
        );
    }
    Ok(())
}

/// Seconds of the quickest of a few runs.
fn best(mut work: impl FnMut() -> thinproof::Result<()>) -> thinproof::Result<f64> {
    let mut best = f64::INFINITY;
    for _ in 0..RUNS {
        let start = Instant::now();
        work()?;
        best = best.min(start.elapsed().as_secs_f64());
    }
    Ok(best)
}

/// Decodes every photograph of a slide on all cores, and nothing else.
fn decode(dir: &Path) -> thinproof::Result<()> {
    let slide = Slide::read(dir)?;
    let files: Vec<&Path> = slide
        .fields
        .iter()
        .flat_map(|f| std::iter::once(f.plane.as_path()).chain(f.crossed.iter().map(|(path, _)| path.as_path())))
        .collect();
    files.par_iter().for_each(|file| {
        let picture = image::open(file).expect("a rendered photograph is whole");
        std::hint::black_box(picture.as_bytes().len());
    });
    Ok(())
}
