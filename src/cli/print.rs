//! Standard output and standard error, for all commands.

use std::fmt::Display;
use std::io::{ErrorKind, Write as _};

use crate::error::{Error, Result};

/// Says on standard error, behind the program's name, what went wrong. Where that cannot be written the exit code alone tells.
pub fn complain(what: impl Display) {
    let _ = writeln!(std::io::stderr(), "thinproof: {what}");
}

/// Prints to standard error at once what was asked for beside the answer.
pub(super) fn aside(text: &str) {
    let _ = write!(std::io::stderr(), "{text}");
}

/// Prints to standard output at once; a reader that went away is no error of ours.
///
/// # Errors
/// When standard output cannot be written to.
pub(super) fn print(text: impl AsRef<[u8]>) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_ref()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Error::new("standard output", "it cannot be written to", "check where it is sent").caused_by(e))
        }
        _ => Ok(()),
    }
}
