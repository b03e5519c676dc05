//! What a drawer says of a grinder with planted faults, and what stopping it does:
//! `cargo run --release --example drawer_study -- [SLIDES] [FOLDER]` (200 slides and a temporary folder when not given; a folder
//! that holds the slides of an earlier run is used as it is).
//!
//! Renders two drawers of clean quartzite, five small fields each: one with a drifting zero, a chuck out of parallel and
//! scratches from three quarters on, one without any of these. Prints what is said of both; then checks the first with one job
//! and with two, a tenth of it for the peak memory, and kills it five times on its way: the bytes must be the same.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use rayon::prelude::*;
use thinproof::cli::check::check_slide;
use thinproof::demo::GrinderFault;
use thinproof::drawer::write::write_tables;
use thinproof::drawer::{Drawer, DrawerRecord, check_drawer};
use thinproof::house::House;

/// Times at which the run is killed, share of an undisturbed one.
const KILLED_AT: [f64; 5] = [0.07, 0.19, 0.11, 0.23, 0.16];

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, slides, out, jobs] = arguments.as_slice()
        && word == "check"
    {
        return check(Path::new(slides), Path::new(out), jobs.parse()?);
    }
    let n: u32 = arguments.first().map_or(Ok(200), |a| a.parse())?;
    let kept = tempfile::tempdir()?;
    let folder = arguments.get(1).map_or_else(|| kept.path().to_path_buf(), PathBuf::from);
    let fault = GrinderFault { drift_um: 0.03, tilt_um_per_mm: [0.06, 0.03], scratched_from: Some(n * 3 / 4 + 1) };
    let sound = GrinderFault::default();
    for (name, fault, seed) in [("faulty", fault, 1), ("sound", sound, 2)] {
        let slides = folder.join(format!("{name}-{n}"));
        (1..=n)
            .into_par_iter()
            .filter(|i| !slides.join(format!("LM-{i:04}/slide.toml")).exists())
            .try_for_each(|i| fault.section(&format!("LM-{i:04}"), seed, i).render_to(&slides).map(|_| ()))?;
    }
    println!("planted: {fault:?}");
    let two = run(&folder.join(format!("faulty-{n}")), &folder.join("out-two"), 2)?;
    told(&folder.join("out-two"))?;
    println!("\nplanted: nothing");
    run(&folder.join(format!("sound-{n}")), &folder.join("out-sound"), 2)?;
    told(&folder.join("out-sound"))?;

    let one = run(&folder.join(format!("faulty-{n}")), &folder.join("out-one"), 1)?;
    println!("\none job {:.1} s, two jobs {:.1} s: {:.2} times", one.0, two.0, one.0 / two.0);
    let few = folder.join("few");
    let some = (n / 10).max(3);
    for i in 1..=some {
        let name = format!("LM-{i:04}");
        copy(&folder.join(format!("faulty-{n}")).join(&name), &few.join(&name))?;
    }
    let small = run(&few, &folder.join("out-few"), 2)?;
    println!("peak memory: {some} slides {:.0} MB, {n} slides {:.0} MB", small.1, two.1);

    let out = folder.join("out-killed");
    for share in KILLED_AT {
        let mut child = start(&folder.join(format!("faulty-{n}")), &out, 2)?;
        std::thread::sleep(Duration::from_secs_f64(two.0 * share));
        child.kill()?;
        child.wait()?;
        let done = fs::read_dir(&out)?.filter_map(Result::ok).filter(|e| e.path().join("report.json").exists()).count();
        println!("killed with {done} reports written");
    }
    run(&folder.join(format!("faulty-{n}")), &out, 2)?;
    let undisturbed = contents(&folder.join("out-two"))?;
    println!("one job: {}", same(&contents(&folder.join("out-one"))?, &undisturbed));
    println!("killed five times: {}", same(&contents(&out)?, &undisturbed));
    Ok(())
}

/// Checks a drawer in this process.
fn check(slides: &Path, out: &Path, jobs: NonZeroUsize) -> Result<(), Box<dyn Error>> {
    let house = House::default();
    let drawer = Drawer { folder: slides, out, house: &house, jobs };
    let checked = check_drawer(&drawer, |dir| check_slide(dir, out, &house).map(|_| ()), |_| {})?;
    write_tables(out, &checked.record)?;
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).and_then(|l| l.split_whitespace().next());
    println!("{}", peak.unwrap_or("0"));
    Ok(())
}

fn start(slides: &Path, out: &Path, jobs: usize) -> Result<std::process::Child, Box<dyn Error>> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg("check").arg(slides).arg(out).arg(jobs.to_string()).stdout(std::process::Stdio::piped());
    Ok(command.spawn()?)
}

/// Seconds and peak memory in MB of a drawer in a process of its own.
fn run(slides: &Path, out: &Path, jobs: usize) -> Result<(f64, f64), Box<dyn Error>> {
    let begin = Instant::now();
    let output = start(slides, out, jobs)?.wait_with_output()?;
    let seconds = begin.elapsed().as_secs_f64();
    let kilobytes: f64 = String::from_utf8(output.stdout)?.trim().parse()?;
    Ok((seconds, kilobytes / 1024.0))
}

fn told(out: &Path) -> Result<(), Box<dyn Error>> {
    let record: DrawerRecord = serde_json::from_str(&fs::read_to_string(out.join("drawer.json"))?)?;
    println!("{:?}", record.counts);
    for statement in &record.grinder.statements {
        println!("{:?}: {}", statement.found, statement.sentence);
    }
    if let Some(tilt) = &record.grinder.tilt {
        let (width, height) = (tilt.along_width_ci95, tilt.along_height_ci95);
        println!("tilt: {width:.4?} along the width, {height:.4?} along the height");
    }
    Ok(())
}

fn copy(from: &Path, to: &Path) -> Result<(), Box<dyn Error>> {
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        fs::copy(entry.path(), to.join(entry.file_name()))?;
    }
    Ok(())
}

/// Every file of a drawer's output with the times that it states taken out.
fn contents(out: &Path) -> Result<BTreeMap<PathBuf, Vec<u8>>, Box<dyn Error>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![out.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder)? {
            let path = entry?.path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let mut bytes = fs::read(&path)?;
            let like = b"20dd-dd-ddTdd:dd:ddZ";
            for at in 0..bytes.len().saturating_sub(like.len() - 1) {
                let here = bytes[at..].iter().zip(like);
                if here.clone().all(|(b, l)| if *l == b'd' { b.is_ascii_digit() } else { b == l }) {
                    bytes[at..at + like.len()].fill(b'-');
                }
            }
            all.insert(path.strip_prefix(out)?.to_path_buf(), bytes);
        }
    }
    Ok(all)
}

fn same(found: &BTreeMap<PathBuf, Vec<u8>>, wanted: &BTreeMap<PathBuf, Vec<u8>>) -> String {
    let differ: Vec<_> =
        wanted.iter().filter(|(path, bytes)| found.get(*path) != Some(bytes)).map(|(p, _)| p).collect();
    if differ.is_empty() && found.len() == wanted.len() {
        format!("the same {} files, byte by byte but for times", wanted.len())
    } else {
        format!("{} files, {} differ: {:?}", found.len(), differ.len(), differ.iter().take(3).collect::<Vec<_>>())
    }
}
