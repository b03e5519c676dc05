//! `thinproof watch`: the verdict while the photographs arrive.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use clap::Args;

use crate::bench::history::Grit;
use crate::bench::page::Server;
use crate::bench::session::{Event, Session, Settings, time_of_day};
use crate::bench::view::{View, after_verdict, cautions, line};
use crate::cli::bounds::BoundsArguments;
use crate::cli::check::HouseArguments;
use crate::cli::exit;
use crate::cli::print::print;
use crate::error::Result;
use crate::house::House;
use crate::report::terminal::plain;
use crate::verdict::Outcome;

/// Shown under the command's help.
pub const EXAMPLES: &str =
    "Examples:\n  thinproof watch camera --page 8030\n  thinproof watch camera --page 8030 --grit F400=17 --save kept";

/// Lines that the page shows of what happened.
const HAPPENED: usize = 8;

/// What is typed after `watch`.
#[derive(Args, Debug)]
pub struct WatchArguments {
    /// The folder that camera or phone saves into. Nothing in it is changed.
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Show the newest slide on a page at http://127.0.0.1:PORT, to be read from the wheel.
    #[arg(long, value_name = "PORT")]
    page: Option<u16>,
    /// Keep the slides of this sitting as slide folders in DIR.
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    /// The grit in use and its median grain in µm, to be told when to change to a finer one.
    #[arg(long, value_name = "NAME=UM", value_parser = grit)]
    grit: Option<Grit>,
    /// Pause after which a photograph of a place not seen before begins a new slide, minutes; names go first.
    #[arg(long, default_value_t = 5.0, value_name = "MINUTES", value_parser = minutes)]
    gap_min: f64,
    #[command(flatten)]
    house: HouseArguments,
    #[command(flatten)]
    bounds: BoundsArguments,
    /// End when nothing arrived for so long and everything is checked, seconds; without it Ctrl-C ends the watch.
    #[arg(long, value_name = "SECONDS")]
    until_idle: Option<f64>,
}

fn grit(text: &str) -> std::result::Result<Grit, String> {
    let (name, um) = text.split_once('=').ok_or("write it as F400=17: its name, and its median grain in µm")?;
    let grain_um: f64 = um.trim().parse().map_err(|_| format!("{um} is no number of micrometres"))?;
    if !(0.1..=300.0).contains(&grain_um) {
        return Err("the median grain lies between 0.1 and 300 µm".into());
    }
    Ok(Grit { name: plain(name.trim()), grain_um })
}

fn minutes(text: &str) -> std::result::Result<f64, String> {
    text.parse().ok().filter(|m: &f64| (0.0..=1440.0).contains(m)).ok_or_else(|| "give minutes, 0 to 1440".into())
}

/// Watches a folder until it is told to end.
///
/// # Errors
/// When the folder cannot be listed, the page's port is taken, or the slides cannot be kept.
pub fn run(arguments: &WatchArguments) -> Result<ExitCode> {
    let house = House { bounds: arguments.bounds.into(), ..arguments.house.read()? };
    let ended = Arc::new(AtomicBool::new(false));
    end_on_interrupt(Arc::clone(&ended));
    let mut session = Session::begin(Settings {
        folder: arguments.folder.clone(),
        gap_s: (60.0 * arguments.gap_min).round() as i64,
        grit: arguments.grit.clone(),
        house,
        save: arguments.save.clone(),
    })?;
    let page = arguments.page.map(Server::start).transpose()?;
    print(format!("watching {}\n", session.folder().display()))?;
    if let Some(page) = &page {
        print(format!("the page is at http://{}\n", page.address))?;
    }
    let mut cautioned = false;
    let mut happened: VecDeque<String> = VecDeque::new();
    let mut quiet_since = Instant::now();
    let idle = arguments.until_idle.map(|s| Duration::from_secs_f64(s.clamp(0.0, 1e6)));
    while !ended.load(Ordering::Relaxed) {
        let events = session.look()?;
        for event in &events {
            let line = line(&session, event);
            let now = time_of_day(std::time::SystemTime::now());
            match event {
                Event::Verdict { slide, pass, whole, .. } => {
                    let after = if *whole { after_verdict(&session, *slide, *pass) } else { String::new() };
                    print(format!("{line}\n{after}"))?;
                    // Once a sitting: whoever grinds all day has read it.
                    let care = if *whole && !cautioned { cautions(&session, *slide, *pass) } else { String::new() };
                    cautioned |= !care.is_empty();
                    print(care)?;
                }
                _ => {
                    print(format!("{now}  {line}\n"))?;
                    happened.push_front(format!("{now} {line}"));
                    happened.truncate(HAPPENED);
                }
            }
        }
        if !events.is_empty() || session.busy() {
            quiet_since = Instant::now();
        }
        if let Some(page) = &page {
            page.show(&View::of(&session, happened.iter().cloned().collect()));
        }
        if idle.is_some_and(|idle| quiet_since.elapsed() >= idle) {
            break;
        }
        std::thread::sleep(session.pause());
    }
    session.keep_all()?;
    let outcomes: Vec<Option<Outcome>> = session
        .states
        .iter()
        .filter(|((slide, pass), _)| session.bench.slides[*slide].passes.len() == pass + 1)
        .filter(|(_, s)| s.checked.is_some() || s.failed.is_some())
        .map(|(_, s)| s.checked.as_ref().filter(|_| s.failed.is_none()).map(|c| c.verdict.outcome))
        .collect();
    print(format!("{} slide{} at the bench\n", outcomes.len(), if outcomes.len() == 1 { "" } else { "s" }))?;
    // Nothing checked is no pass.
    Ok(ExitCode::from(if outcomes.is_empty() { exit::FAILED } else { exit::of_all(&outcomes) }))
}

/// Has Ctrl-C end the watch between two looks, so that what is kept is whole and the bench's own copies go.
fn end_on_interrupt(ended: Arc<AtomicBool>) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
    std::thread::spawn(move || {
        if runtime.block_on(tokio::signal::ctrl_c()).is_ok() {
            ended.store(true, Ordering::Relaxed);
        }
    });
}
