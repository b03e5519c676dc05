//! How far a drawer is, in one line.

use std::time::Duration;

/// What became of a slide.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// It was checked.
    Checked,
    /// Its report was there and is still that of its photographs.
    Kept,
    /// It could not be checked.
    Failed,
}

/// How many slides are through.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// All slides of the drawer.
    pub all: usize,
    /// Checked.
    pub checked: usize,
    /// Kept.
    pub kept: usize,
    /// Failed.
    pub failed: usize,
}

impl Progress {
    /// Counts one more.
    pub fn count(&mut self, step: Step) {
        *match step {
            Step::Checked => &mut self.checked,
            Step::Kept => &mut self.kept,
            Step::Failed => &mut self.failed,
        } += 1;
    }

    /// How many are through.
    #[must_use]
    pub const fn done(&self) -> usize {
        self.checked + self.kept + self.failed
    }

    /// The line, with the rate at which slides are checked and the time left at that rate once it is known.
    #[must_use]
    pub fn line(&self, elapsed: Duration) -> String {
        let mut line = format!("{} of {} slides", self.done(), self.all);
        if self.kept > 0 {
            line += &format!(", {} kept", self.kept);
        }
        if self.failed > 0 {
            line += &format!(", {} failed", self.failed);
        }
        // What is kept takes next to no time, and says nothing of the time that the others take.
        let worked = self.checked + self.failed;
        let minutes = elapsed.as_secs_f64() / 60.0;
        if worked > 0 && minutes > 0.0 && self.done() < self.all {
            let rate = worked as f64 / minutes;
            line += &format!(", {rate:.1} a minute, about {} left", duration((self.all - self.done()) as f64 / rate));
        }
        line
    }
}

/// Minutes in words that are no more precise than the guess.
fn duration(minutes: f64) -> String {
    match minutes.ceil() as u64 {
        0 | 1 => "a minute".into(),
        m if m < 60 => format!("{m} min"),
        m => format!("{} h {:02} min", m / 60, m % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rate_and_time_left_are_those_of_what_was_worked_on() {
        let mut p = Progress { all: 400, ..Progress::default() };
        assert_eq!(p.line(Duration::ZERO), "0 of 400 slides");
        (0..100).for_each(|_| p.count(Step::Kept));
        assert_eq!(p.line(Duration::from_secs(3)), "100 of 400 slides, 100 kept");
        (0..18).for_each(|_| p.count(Step::Checked));
        (0..2).for_each(|_| p.count(Step::Failed));
        assert_eq!(
            p.line(Duration::from_secs(240)),
            "120 of 400 slides, 100 kept, 2 failed, 5.0 a minute, about 56 min left"
        );
        assert!(p.line(Duration::from_secs(480)).ends_with("2.5 a minute, about 1 h 52 min left"));
        (0..280).for_each(|_| p.count(Step::Checked));
        assert_eq!(p.line(Duration::from_secs(9000)), "400 of 400 slides, 100 kept, 2 failed");
    }
}
