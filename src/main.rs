//! The `thinproof` command.

use std::process::ExitCode;

use clap::Parser;
use thinproof::cli::{Arguments, complain, exit, run};

/// Planes of a photograph's size come and go by the hundred: the system's allocator gives each back and fetches it anew, page by page.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    run(Arguments::parse()).unwrap_or_else(|error| {
        complain(error.chain());
        ExitCode::from(exit::FAILED)
    })
}
