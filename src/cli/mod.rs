//! A file a command: typed arguments in, validated settings out.

pub mod archive;
pub mod bounds;
pub mod chart;
pub mod check;
pub mod collate;
pub mod demo;
pub mod drawer;
pub mod exit;
pub mod frost;
pub mod help;
pub mod new;
mod print;
pub mod scale;
pub mod watch;

pub use print::complain;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::error::Result;

/// Says whether a petrographic thin section is done.
///
/// Measures the thickness and wedge of a finished section from the interference colour of quartz in plane-light and
/// crossed-polar photographs, finds bubbles, plucked grains and scratches, and says pass, regrind (how much, at which
/// corner), recover, remake or undetermined (what to photograph next).
#[derive(Debug, Parser)]
#[command(name = "thinproof", version, after_help = exit::HELP)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Check finished sections from their photographs.
    #[command(after_help = check::EXAMPLES)]
    Check(check::CheckArguments),
    /// Check every slide of a drawer, and write one table of them.
    #[command(after_help = drawer::EXAMPLES)]
    Drawer(drawer::DrawerArguments),
    /// Measure micrometres per pixel from a photograph of a stage micrometer.
    #[command(after_help = scale::EXAMPLES)]
    Scale(scale::ScaleArguments),
    /// Watch the folder that the camera saves into, and say the verdict anew with every photograph.
    #[command(after_help = watch::EXAMPLES)]
    Watch(watch::WatchArguments),
    /// Write a slide.toml to fill in, with what photographs tell already.
    #[command(after_help = new::EXAMPLES)]
    New(new::NewArguments),
    /// Say whether a slide is frosted all over, before a chip is bonded to it.
    #[command(after_help = frost::EXAMPLES)]
    Frost(frost::FrostArguments),
    /// Write one table of reports that were made elsewhere.
    #[command(after_help = collate::EXAMPLES)]
    Collate(collate::CollateArguments),
    /// Put a slide's photographs and its report into a bag that a collection keeps, or verify such bags.
    #[command(after_help = archive::EXAMPLES)]
    Archive(archive::ArchiveArguments),
    /// Draw the interference-colour chart of a lamp, for the wall.
    #[command(after_help = chart::EXAMPLES)]
    Chart(chart::ChartArguments),
    /// Print the limits as a commented file to edit, for --limits.
    #[command(after_help = help::LIMITS_EXAMPLES)]
    Limits,
    /// Print completions for your shell.
    #[command(after_help = help::COMPLETIONS_EXAMPLES)]
    Completions(help::CompletionsArguments),
    /// Write manual pages, one a command.
    #[command(after_help = help::MANUAL_EXAMPLES)]
    Manual(help::ManualArguments),
    /// Render slides of an invented collection, check them, and show each verdict beside the truth.
    #[command(after_help = DEMO_EXAMPLES)]
    Demo {
        /// Folder to make the slides and their reports in.
        #[arg(default_value = "thinproof-demo")]
        dir: PathBuf,
    },
}

const DEMO_EXAMPLES: &str = "Examples:\n  thinproof demo\n  thinproof demo /tmp/larkmoor";

/// Runs a command.
///
/// # Errors
/// When it could not do its work; a slide that failed among others is told by the exit code.
pub fn run(arguments: Arguments) -> Result<ExitCode> {
    match arguments.command {
        Command::Check(arguments) => check::run(&arguments),
        Command::Drawer(arguments) => drawer::run(&arguments),
        Command::Scale(arguments) => scale::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        Command::New(arguments) => new::run(&arguments),
        Command::Frost(arguments) => frost::run(&arguments),
        Command::Collate(arguments) => collate::run(&arguments),
        Command::Archive(arguments) => archive::run(&arguments),
        Command::Chart(arguments) => chart::run(&arguments),
        Command::Limits => help::limits(),
        Command::Completions(arguments) => help::completions(&arguments),
        Command::Manual(arguments) => help::manual(&arguments),
        Command::Demo { dir } => demo::run(&dir),
    }
}
