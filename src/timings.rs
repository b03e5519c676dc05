//! What each stage of a check took: time and peak memory, for users who wonder.
//!
//! Stages are spans of the `tracing` crate, which cost nothing when nobody listens; a program that uses the library may
//! listen with a subscriber of its own. Spans are named `stage` or `stage: part`.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tracing::span::{Attributes, Id, Record};
use tracing::{Event, Metadata, Subscriber};

/// Target of the spans that are stages.
pub const TARGET: &str = "thinproof::stage";

/// Opens a stage that ends with the scope it is opened in.
macro_rules! stage {
    ($name:literal) => {
        let _stage = ::tracing::info_span!(target: $crate::timings::TARGET, $name).entered();
    };
}
pub(crate) use stage;

/// One stage, summed over all times that it ran.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stage {
    /// Name.
    pub name: &'static str,
    /// How often it ran.
    pub runs: u64,
    /// Time from its beginnings to its ends. Stages that ran side by side each count their own.
    pub took: Duration,
    /// Peak memory of the program by its last end, bytes; None where the system does not tell.
    pub peak_bytes: Option<u64>,
}

/// Listens to the stages of everything that runs while it is the subscriber.
#[derive(Clone, Default)]
pub struct Timings {
    heard: Arc<Mutex<Heard>>,
    next: Arc<AtomicU64>,
}

#[derive(Default)]
struct Heard {
    names: HashMap<u64, &'static str>,
    begun: HashMap<u64, Instant>,
    stages: Vec<Stage>,
}

impl Timings {
    /// Listens from now on, in the whole program; only the first listener of a program hears.
    #[must_use]
    pub fn listen() -> Self {
        let timings = Self::default();
        // A program that has a listener of its own keeps it.
        let _ = tracing::subscriber::set_global_default(timings.clone());
        timings
    }

    /// The stages in the order in which they first ended.
    #[must_use]
    pub fn stages(&self) -> Vec<Stage> {
        self.heard().stages.clone()
    }

    /// A table of the stages, one a line: name, runs, seconds, peak memory in MB.
    #[must_use]
    pub fn table(&self) -> String {
        let mut stages = self.stages();
        // A stage stands before its parts, which ended before it.
        stages.sort_by_key(|s| {
            let (of, is_part) = s.name.split_once(": ").map_or((s.name, false), |(of, _)| (of, true));
            (ORDER.iter().position(|name| *name == of), is_part)
        });
        let mut text = String::from("stage                    runs   seconds   peak memory by its end\n");
        for stage in stages {
            let memory = stage.peak_bytes.map_or_else(|| "not told".into(), |b| format!("{} MB", b / 1_000_000));
            let name = stage.name.split_once(": ").map_or_else(|| stage.name.into(), |(_, part)| format!("  {part}"));
            let _ = writeln!(text, "{name:24} {:4}  {:8.3}   {memory}", stage.runs, stage.took.as_secs_f64());
        }
        text.push_str(
            "Stages run side by side on all cores, so that their seconds add up to more than the clock shows.\n",
        );
        text
    }

    fn heard(&self) -> std::sync::MutexGuard<'_, Heard> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Stages as a slide goes through them.
const ORDER: [&str; 11] = [
    "read",
    "register",
    "pictures",
    "contradictions",
    "smear",
    "crossed light",
    "crystals",
    "defects",
    "overlap",
    "thickness",
    "report",
];

impl Subscriber for Timings {
    fn enabled(&self, metadata: &Metadata<'_>) -> bool {
        metadata.is_span() && metadata.target() == TARGET
    }

    fn new_span(&self, span: &Attributes<'_>) -> Id {
        // An id is never 0.
        let id = self.next.fetch_add(1, Ordering::Relaxed) + 1;
        self.heard().names.insert(id, span.metadata().name());
        Id::from_u64(id)
    }

    fn record(&self, _: &Id, _: &Record<'_>) {}

    fn record_follows_from(&self, _: &Id, _: &Id) {}

    fn event(&self, _: &Event<'_>) {}

    fn enter(&self, span: &Id) {
        self.heard().begun.insert(span.into_u64(), Instant::now());
    }

    fn exit(&self, span: &Id) {
        let now = Instant::now();
        let peak_bytes = peak_bytes();
        let mut heard = self.heard();
        let id = span.into_u64();
        let (Some(begun), Some(name)) = (heard.begun.remove(&id), heard.names.get(&id).copied()) else { return };
        let took = now - begun;
        match heard.stages.iter_mut().find(|s| s.name == name) {
            Some(stage) => {
                stage.runs += 1;
                stage.took += took;
                stage.peak_bytes = peak_bytes;
            }
            None => heard.stages.push(Stage { name, runs: 1, took, peak_bytes }),
        }
    }

    fn try_close(&self, span: Id) -> bool {
        self.heard().names.remove(&span.into_u64());
        true
    }
}

/// Most memory that the program has held so far, bytes (Linux: VmHWM of proc(5)).
fn peak_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse::<u64>().ok().map(|kilobytes| kilobytes * 1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stages_are_summed_by_name_and_parts_stand_under_their_stage() {
        let timings = Timings::default();
        tracing::subscriber::with_default(timings.clone(), || {
            for _ in 0..2 {
                stage!("defects");
                {
                    stage!("defects: bubbles");
                    std::thread::sleep(Duration::from_millis(3));
                }
            }
            {
                stage!("read");
            }
            tracing::info_span!("of another crate").in_scope(|| ());
        });
        let stages = timings.stages();
        let names: Vec<_> = stages.iter().map(|s| (s.name, s.runs)).collect();
        assert_eq!(names, [("defects: bubbles", 2), ("defects", 2), ("read", 1)]);
        assert!(stages[0].took >= Duration::from_millis(6) && stages[1].took >= stages[0].took);
        let table = timings.table();
        let names: Vec<&str> = table.lines().skip(1).take(3).map(|l| l[..24].trim_end()).collect();
        assert_eq!(names, ["read", "defects", "  bubbles"], "{table}");
    }
}
