//! The `thinproof` command.

use std::process::ExitCode;

use clap::Parser;
use thinproof::cli::{Arguments, complain, exit, run};

fn main() -> ExitCode {
    run(Arguments::parse()).unwrap_or_else(|error| {
        complain(error.chain());
        ExitCode::from(exit::FAILED)
    })
}
