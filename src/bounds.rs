//! What a slide may take: the pixels of its photographs, and time. All bounds are house values that a laboratory may change.

use std::path::Path;
use std::time::{Duration, Instant};

use crate::error::{Error, Result};

/// Bounds of one slide.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounds {
    /// Pixels in one photograph; a larger one is refused from its header.
    pub photograph_px: u64,
    /// Time for one slide. A slide that takes longer is given up, and nothing is written of it.
    pub time: Duration,
}

impl Default for Bounds {
    /// 1.2 gigapixels, 3.6 GB of 8-bit samples, and an hour, in which a computer of two cores checks several gigapixels.
    fn default() -> Self {
        Self { photograph_px: crate::slide::decode::MAX_PIXELS, time: Duration::from_secs(3600) }
    }
}

/// The time that a slide has taken so far.
#[derive(Clone, Copy, Debug)]
pub struct Clock<'a> {
    slide: &'a Path,
    began: Instant,
    allowed: Duration,
}

impl Bounds {
    /// Starts the clock of a slide.
    #[must_use]
    pub fn start<'a>(&self, slide: &'a Path) -> Clock<'a> {
        Clock { slide, began: Instant::now(), allowed: self.time }
    }
}

impl Clock<'_> {
    /// Asked between stages and between windows: one that has begun is finished. `done` is the stage behind, and `field` whose it was.
    ///
    /// # Errors
    /// When the time is up.
    pub fn check(&self, done: &str, field: &str) -> Result<()> {
        if self.began.elapsed() <= self.allowed {
            return Ok(());
        }
        let seconds = self.allowed.as_secs_f64();
        Err(Error::new(
            self.slide,
            format!("was given up: it takes longer than the {seconds} s that a slide may take ({done} field {field})"),
            "give it more with --time-limit, or give it fewer or smaller photographs",
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_that_is_up_is_told_and_time_that_is_left_is_not() {
        let clock = |time| Bounds { time, ..Bounds::default() }.start(Path::new("LM-1"));
        assert!(clock(Duration::from_secs(100)).check("read", "A").is_ok());
        let short = clock(Duration::from_millis(1));
        std::thread::sleep(Duration::from_millis(3));
        let told = short.check("registered", "A").unwrap_err().chain();
        assert_eq!(
            told,
            "LM-1: was given up: it takes longer than the 0.001 s that a slide may take (registered field A); \
             give it more with --time-limit, or give it fewer or smaller photographs"
        );
    }
}
