//! The `thinproof` command.

use std::process::ExitCode;

use clap::Parser;
use thinproof::cli::{Arguments, exit, run};

fn main() -> ExitCode {
    run(Arguments::parse()).unwrap_or_else(|error| {
        eprintln!("thinproof: {}", error.chain());
        ExitCode::from(exit::FAILED)
    })
}
