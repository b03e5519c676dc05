//! `thinproof drawer`: every slide of a drawer, and one table of them.

use std::io::{IsTerminal as _, Write as _};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use clap::Args;

use crate::cli::bounds::BoundsArguments;
use crate::cli::check::{HouseArguments, check_slide};
use crate::cli::exit;
use crate::cli::print::{aside, complain, print};
use crate::drawer::{Drawer, DrawerRecord, check_drawer, summary, write::write_tables};
use crate::error::Result;
use crate::house::House;
use crate::timings::Timings;

/// Shown under the command's help.
pub const EXAMPLES: &str = "Writes a report a slide, and index.html, drawer.csv and drawer.json of all. It can be stopped \
and started again at any time: a slide is checked again only when its photographs, its slide.toml, the limits or this program \
are others than its report was made from.\n\nExit codes: as of several slides given to check: 1 when a slide could not be \
checked (the others are, and the tables are written), then 12, 10, 11, 13, 0.\n\nExamples:\n  thinproof drawer slides --out \
reports\n  thinproof drawer slides --out reports --limits house.toml --jobs 4\n  thinproof drawer slides --out reports --time-limit 600";

/// What is typed after `drawer`.
#[derive(Args, Debug)]
pub struct DrawerArguments {
    /// Folder that holds the slides' folders, at any depth.
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Folder to write the reports and the tables to.
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// How many cores to use, and slides to have in memory at most; all cores when not given.
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    #[command(flatten)]
    house: HouseArguments,
    #[command(flatten)]
    bounds: BoundsArguments,
    /// Print what each stage took, in time and peak memory, when done.
    #[arg(long)]
    timings: bool,
}

/// Checks the drawer and writes its tables.
///
/// # Errors
/// When the limits file, the drawer or `--out` cannot be used, or standard output is gone.
pub fn run(arguments: &DrawerArguments) -> Result<ExitCode> {
    let house = House { bounds: arguments.bounds.into(), ..arguments.house.read()? };
    let drawer = Drawer {
        folder: &arguments.folder,
        out: &arguments.out,
        house: &house,
        jobs: arguments.jobs.or_else(|| std::thread::available_parallelism().ok()).unwrap_or(NonZeroUsize::MIN),
    };
    let timings = arguments.timings.then(Timings::listen);
    let (start, watched) = (Instant::now(), std::io::stderr().is_terminal());
    let show = |line: &str| {
        if watched {
            // Back to the start of the line, and whatever was there is cleared. A terminal that went away is no error.
            let _ = write!(std::io::stderr(), "\r\u{1b}[K{line}");
        }
    };
    show("looking for slides");
    let checked = check_drawer(
        &drawer,
        |dir| {
            let written = check_slide(dir, &arguments.out, &house)?;
            if let Some(said) = written.said_of_other() {
                show("");
                complain(said);
            }
            Ok(())
        },
        |progress| show(&progress.line(start.elapsed())),
    );
    show("");
    let checked = checked?;
    write_tables(&arguments.out, &checked.record)?;
    if let Some(timings) = timings {
        aside(&timings.table());
    }
    finish(&checked.record, checked.progress.kept, &arguments.out)
}

/// Says what there is to say of a table that is written, and how the program ends.
pub(super) fn finish(record: &DrawerRecord, kept: usize, out: &Path) -> Result<ExitCode> {
    for complaint in summary::complaints(record) {
        complain(complaint);
    }
    print(summary::lines(record, kept, out))?;
    Ok(ExitCode::from(exit::of_all(&record.outcomes())))
}
