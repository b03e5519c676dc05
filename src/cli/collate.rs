//! `thinproof collate`: one table from reports that were made elsewhere.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::cli::drawer::finish;
use crate::drawer::collate::TABLE;
use crate::drawer::{collate, whole::locked, write::write_tables};
use crate::error::Result;

/// Shown under the command's help.
pub const EXAMPLES: &str = "Writes index.html, drawer.csv and drawer.json as thinproof drawer does; the reports stay where \
they are and are linked to.\n\nExit codes: as of several slides given to check.\n\nExamples:\n  thinproof collate reports/* \
--out reports\n  thinproof collate part1 part2 --out whole";

/// What is typed after `collate`.
#[derive(Args, Debug)]
pub struct CollateArguments {
    /// Report folders, or folders that hold them: what a drawer was checked into.
    #[arg(required = true, value_name = "REPORT FOLDER")]
    reports: Vec<PathBuf>,
    /// Folder to write the tables to.
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// Writes the tables of the reports.
///
/// # Errors
/// When a folder holds no report, `--out` cannot be used or another run writes to it, or standard output is gone.
pub fn run(arguments: &CollateArguments) -> Result<ExitCode> {
    let made_at = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
    // A shell's `reports/*` gives the tables of an earlier run too; drawer.json and report.json stand for their folders.
    let stands_for = |path: &PathBuf| path.file_name().is_some_and(|name| name == TABLE || name == "report.json");
    let folders: Vec<PathBuf> = (arguments.reports.iter())
        .filter(|path| !path.is_file() || stands_for(path))
        .map(|path| if path.is_file() { path.with_file_name(".") } else { path.clone() })
        .collect();
    let (_, _lock) = locked(&arguments.out)?;
    let record = collate(&folders, &arguments.out, made_at)?;
    write_tables(&arguments.out, &record)?;
    finish(&record, 0, &arguments.out)
}
