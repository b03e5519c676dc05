//! What a slide may take, as typed after the commands that check slides to their reports.

use std::time::Duration;

use clap::Args;

use crate::bounds::Bounds;

/// What is typed of the bounds.
#[derive(Args, Clone, Copy, Debug)]
pub struct BoundsArguments {
    /// Refuse photographs of more megapixels, by their headers; those of one field may have ten times as many together.
    #[arg(long, default_value_t = 1200.0, value_name = "MEGAPIXELS", value_parser = megapixels)]
    max_megapixels: f64,
    /// Give a slide up after so many seconds, between two stages; the others go on.
    #[arg(long, default_value_t = 3600.0, value_name = "SECONDS", value_parser = seconds)]
    time_limit: f64,
}

impl From<BoundsArguments> for Bounds {
    fn from(typed: BoundsArguments) -> Self {
        Self { photograph_px: (typed.max_megapixels * 1e6) as u64, time: Duration::from_secs_f64(typed.time_limit) }
    }
}

fn megapixels(text: &str) -> Result<f64, String> {
    within(text, 0.01..=1e5).ok_or_else(|| "give megapixels, 0.01 to 100000".into())
}

fn seconds(text: &str) -> Result<f64, String> {
    within(text, 0.001..=1e7).ok_or_else(|| "give seconds, 0.001 to 10000000".into())
}

fn within(text: &str, allowed: std::ops::RangeInclusive<f64>) -> Option<f64> {
    text.parse().ok().filter(|number| allowed.contains(number))
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Typed {
        #[command(flatten)]
        bounds: BoundsArguments,
    }

    #[test]
    fn what_is_not_typed_is_the_default_and_nonsense_is_refused() {
        let read = |typed: &[&str]| {
            Typed::try_parse_from([&["thinproof"], typed].concat()).map(|t| Bounds::from(t.bounds)).ok()
        };
        assert_eq!(read(&[]), Some(Bounds::default()));
        let some = Bounds { photograph_px: 25_500_000, time: Duration::from_secs(90) };
        assert_eq!(read(&["--max-megapixels", "25.5", "--time-limit", "90"]), Some(some));
        for wrong in ["nan", "inf", "-1", "0", "1e300", "many"] {
            assert_eq!(read(&[&format!("--max-megapixels={wrong}")]), None, "{wrong}");
            assert_eq!(read(&[&format!("--time-limit={wrong}")]), None, "{wrong}");
        }
    }
}
