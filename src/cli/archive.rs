//! `thinproof archive`: what a collection keeps, and whether it is still as it was written.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::archive::{Condition, Difference, archive, bags_in, verify};
use crate::cli::exit;
use crate::cli::print::{complain, print};
use crate::drawer::write::FILES;
use crate::error::{Result, shown};

/// Shown under the command's help.
pub const EXAMPLES: &str = "A bag is a BagIt 1.0 folder (SHA-512) that holds the untouched photographs, slide.toml, the \
report and an RO-Crate 1.2 description. Photographs that are no longer those of the report are refused, and an older bag is \
never written over.\n\nExit codes: 0 all archived, or every bag whole; 20 a bag is not as it was written; 1 a report could \
not be archived, or a bag not read.\n\nExamples:\n  thinproof archive reports/LM-0142 --to bags\n  thinproof archive \
reports/* --to bags --photographs /mnt/slides\n  thinproof archive --verify bags";

/// What is typed after `archive`.
#[derive(Args, Debug)]
pub struct ArchiveArguments {
    /// Report folders: those that hold report.json and report.html.
    #[arg(required_unless_present = "verify", value_name = "REPORT FOLDER")]
    reports: Vec<PathBuf>,
    /// Folder to put the bags into, one a slide.
    #[arg(long, required_unless_present = "verify", value_name = "DIR")]
    to: Option<PathBuf>,
    /// Where the photographs are now, when they were moved since: the slide's folder, or the folder that holds it.
    #[arg(long, value_name = "DIR")]
    photographs: Option<PathBuf>,
    /// Say what changed, is missing or is new in a bag, or in every bag of a folder.
    #[arg(long, value_name = "DIR", conflicts_with_all = ["reports", "to", "photographs"])]
    verify: Option<PathBuf>,
}

/// Archives every report, or verifies bags; one that fails is told on standard error and does not stop the others.
///
/// # Errors
/// When a folder holds no bags, or standard output is gone.
pub fn run(arguments: &ArchiveArguments) -> Result<ExitCode> {
    let code = match (&arguments.verify, &arguments.to) {
        (Some(dir), _) => verify_all(dir)?,
        (None, Some(to)) => archive_all(arguments, to)?,
        (None, None) => exit::USAGE,
    };
    Ok(ExitCode::from(code))
}

fn archive_all(arguments: &ArchiveArguments, to: &Path) -> Result<u8> {
    let mut code = 0;
    // A shell's `reports/*` gives the tables of a drawer too.
    let table = |path: &Path| path.is_file() && path.file_name().is_some_and(|n| FILES.iter().any(|f| n == *f));
    for report in arguments.reports.iter().filter(|path| !table(path)) {
        match archive(report, arguments.photographs.as_deref(), to) {
            Ok(bag) => print(format!("{}\n", shown(&bag.display().to_string())))?,
            Err(error) => {
                code = exit::FAILED;
                complain(error.chain());
            }
        }
    }
    Ok(code)
}

fn verify_all(dir: &Path) -> Result<u8> {
    let (mut failed, mut altered) = (false, false);
    for bag in bags_in(dir)? {
        match verify(&bag) {
            Ok(condition) => {
                altered |= !condition.whole();
                print(lines(&condition))?;
            }
            Err(error) => {
                failed = true;
                complain(error.chain());
            }
        }
    }
    Ok(if failed {
        exit::FAILED
    } else if altered {
        exit::ALTERED
    } else {
        0
    })
}

/// What is said of a bag.
fn lines(condition: &Condition) -> String {
    let name = shown(&condition.folder.display().to_string());
    if condition.whole() {
        let megabytes = condition.bytes as f64 / 1e6;
        return format!("{name}  whole: {} files, {megabytes:.1} MB, all as they were written\n", condition.files);
    }
    let mut out = format!("{name}  NOT as it was written\n");
    for difference in &condition.differences {
        let (word, what) = match difference {
            Difference::Changed(file) => ("changed", file),
            Difference::Missing(file) => ("missing", file),
            Difference::New(file) => ("new", file),
            Difference::Wrong(sentence) => ("wrong", sentence),
        };
        out.push_str(&format!("  {word:8} {}\n", shown(what)));
    }
    out
}
