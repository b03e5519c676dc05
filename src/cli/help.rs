//! What helps with the command itself: limits to begin with, completions for the shell, manual pages.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, CommandFactory as _};
use clap_complete::Shell;

use crate::cli::Arguments;
use crate::cli::print::print;
use crate::error::{Error, Result};
use crate::verdict::limits_file;

/// Shown under the help of `limits`.
pub const LIMITS_EXAMPLES: &str =
    "Examples:\n  thinproof limits > house.toml\n  thinproof check LM-0142 --limits house.toml";

/// Shown under the help of `completions`.
pub const COMPLETIONS_EXAMPLES: &str = "Examples:\n  thinproof completions bash > ~/.local/share/bash-completion/completions/thinproof\n  \
thinproof completions fish > ~/.config/fish/completions/thinproof.fish";

/// Shown under the help of `manual`.
pub const MANUAL_EXAMPLES: &str =
    "Examples:\n  thinproof manual ~/.local/share/man/man1\n  thinproof manual . && man ./thinproof-check.1";

/// What is typed after `completions`.
#[derive(Args, Debug)]
pub struct CompletionsArguments {
    /// The shell.
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// What is typed after `manual`.
#[derive(Args, Debug)]
pub struct ManualArguments {
    /// Folder to write the pages to, one a command; it is made when it is missing.
    #[arg(value_name = "DIR")]
    dir: PathBuf,
}

/// Prints the limits as a file to edit.
///
/// # Errors
/// When standard output is gone.
pub fn limits() -> Result<ExitCode> {
    print(limits_file()?).map(|()| ExitCode::SUCCESS)
}

/// Prints the completions for a shell.
///
/// # Errors
/// When standard output is gone.
pub fn completions(arguments: &CompletionsArguments) -> Result<ExitCode> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Arguments::command(), "thinproof", &mut script);
    print(script).map(|()| ExitCode::SUCCESS)
}

/// Writes a manual page for the program and one for each command.
///
/// # Errors
/// When the folder cannot be written to.
pub fn manual(arguments: &ManualArguments) -> Result<ExitCode> {
    let dir: &Path = &arguments.dir;
    let failed =
        |e: std::io::Error| Error::new(dir, "cannot be written to", "give a folder that you may write to").caused_by(e);
    std::fs::create_dir_all(dir).map_err(failed)?;
    clap_mangen::generate_to(Arguments::command(), dir).map_err(failed)?;
    Ok(ExitCode::SUCCESS)
}
