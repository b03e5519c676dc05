//! What went wrong, with which file, and what to do about it.

use std::path::{Path, PathBuf};

/// Result of anything that reads a slide or writes a report.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// A failure to check one slide. It never looks like a verdict and never stops the other slides.
///
/// The message is one sentence that names the file, says what is wrong and what to do.
#[derive(Debug, thiserror::Error)]
#[error("{}: {what}; {remedy}", file.display())]
pub struct Error {
    /// The file or folder concerned.
    pub file: PathBuf,
    /// What is wrong, a lower-case fragment.
    pub what: String,
    /// What to do, a lower-case fragment.
    pub remedy: String,
    /// The cause below, when a library reported one.
    #[source]
    pub source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// Longest cause that is told, characters.
const LONGEST_CAUSE: usize = 300;

impl Error {
    /// An error about `file`: `what` is wrong, `remedy` is what to do.
    pub fn new(file: impl AsRef<Path>, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { file: file.as_ref().to_path_buf(), what: what.into(), remedy: remedy.into(), source: None }
    }

    /// The same error with its cause.
    #[must_use]
    pub fn caused_by(mut self, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.source = Some(source.into());
        self
    }

    /// The sentence with its causes on one line, control characters escaped.
    ///
    /// A cause of several lines is left out: it is a parser's drawing of the place, which the sentence has named in words.
    /// So is one that says again what was said. A file may make a library list thousands of values: a long cause is cut.
    #[must_use]
    pub fn chain(&self) -> String {
        let mut text = self.to_string();
        let mut below = std::error::Error::source(self);
        while let Some(cause) = below {
            let said = cause.to_string();
            if !said.trim_end().contains('\n') && !text.contains(said.trim().trim_end_matches('.')) {
                text.push_str(": ");
                text.extend(said.trim().chars().take(LONGEST_CAUSE));
                if said.trim().chars().count() > LONGEST_CAUSE {
                    text.push_str(" ...");
                }
            }
            below = cause.source();
        }
        shown(&text)
    }
}

/// Text from outside as it may be shown on a terminal: control characters, line breaks and marks that change the direction
/// of text or are invisible stand escaped, as `\u{1b}`.
#[must_use]
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || disguises(c) { out.extend(c.escape_default()) } else { out.push(c) }
    }
    out
}

/// The text of a file that a person wrote. Editors save in UTF-16 or in a code page too: those are told with what to do.
pub(crate) fn utf8(path: &Path, bytes: Vec<u8>) -> Result<String> {
    let cure = "open it in the editor and save it with the encoding UTF-8";
    let marked = [&[0xff, 0xfe], &[0xfe, 0xff]].iter().any(|mark| bytes.starts_with(*mark));
    if marked || bytes.contains(&0) {
        return Err(Error::new(path, "is saved as UTF-16", cure));
    }
    String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = 1 + good.iter().filter(|b| **b == b'\n').count();
        Error::new(path, format!("line {line} is not UTF-8 text"), cure)
    })
}

/// Marks without a shape of their own that turn, break or hide text: direction, line and paragraph separators, no width.
#[must_use]
pub(crate) fn disguises(c: char) -> bool {
    matches!(c, '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_told_and_a_drawing_of_several_lines_is_not() {
        let error = |cause: &str| Error::new("a.jpg", "cannot be read", "copy it again").caused_by(cause);
        assert_eq!(error("no such\u{1b} file").chain(), "a.jpg: cannot be read; copy it again: no such\\u{1b} file");
        assert_eq!(error("at line 2\n  |\n2 | x\n").chain(), "a.jpg: cannot be read; copy it again");
        assert_eq!(error("cannot be read.").chain(), "a.jpg: cannot be read; copy it again", "said once");
        let long = error(&"1, ".repeat(50_000)).chain();
        assert!(long.ends_with("1, 1,  ...") && long.chars().count() < 350, "{}", long.chars().count());
        assert_eq!(shown("a\tb\u{202e}c\u{9b}"), "a\\tb\\u{202e}c\\u{9b}");
    }
}
