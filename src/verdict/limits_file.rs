//! The limits file as a laboratory begins it: every key with its default and where that is from, to be changed.

use std::fmt::Write as _;
use std::path::Path;

use crate::error::Result;
use crate::verdict::limits::{Limit, LimitSet};

/// Target of the section that the defaults are shown for, µm.
const ROCK_UM: f64 = 30.0;

/// Every key of the limits file with its default, commented out, so that the file changes nothing until a line is changed.
///
/// # Errors
/// Never for the built-in limits, which hold for a target of 30 µm.
pub fn limits_file() -> Result<String> {
    let limits = LimitSet::default().for_target(ROCK_UM, false, Path::new("built-in limits"))?;
    let source = |limit: Limit| limits.used.iter().find(|u| u.limit == limit).map_or("", |u| u.source.as_str());
    let below = limits.target_um - limits.thickness_min_um;
    let above = limits.thickness_max_um - limits.target_um;
    let keys: [(&str, f64, &str, &str); 8] = [
        ("thickness_below_target_um", below, "or thickness_min_um, absolute", source(Limit::Thickness)),
        ("thickness_above_target_um", above, "or thickness_max_um, absolute", source(Limit::Thickness)),
        ("range_um", limits.range_um, "thickest less thinnest place", source(Limit::RangeAcross)),
        ("largest_bubble_um", limits.largest_bubble_um, "diameter", source(Limit::LargestBubble)),
        ("bubbles_per_mm2", limits.bubbles_per_mm2, "number", source(Limit::BubblesPerMm2)),
        ("bubble_area_fraction", limits.bubble_area_fraction, "0 to 1", source(Limit::BubbleArea)),
        ("pluck_area_fraction", limits.pluck_area_fraction, "0 to 1", source(Limit::PluckedArea)),
        ("scratch_mm_per_mm2", limits.scratch_mm_per_mm2, "summed length", source(Limit::Scratches)),
    ];
    let mut text = String::from(
        "# Limits of this laboratory, for --limits. What is commented out keeps the built-in value that is shown.\n\
         # Take the # away and change the number; the report then names this source:\n\
         # source = \"bench sheet 3\"\n",
    );
    for (key, value, what, source) in keys {
        // Writing into a String cannot fail.
        let _ = writeln!(text, "\n# {what}; {source}\n# {key} = {value}");
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn allowed(text: &str) -> Vec<[Option<f64>; 2]> {
        let path = Path::new("house.toml");
        let limits = LimitSet::parse(path, text).unwrap().for_target(ROCK_UM, false, path).unwrap();
        limits.used.iter().map(|u| u.allowed).collect()
    }

    #[test]
    fn the_file_changes_nothing_and_each_of_its_lines_is_a_limit() {
        let text = limits_file().unwrap();
        let defaults = allowed("");
        assert_eq!(allowed(&text), defaults);
        let lines: Vec<&str> = text
            .lines()
            .filter_map(|l| l.strip_prefix("# "))
            .filter(|l| l.contains("_um = ") || l.contains("_mm2 = ") || l.contains("_fraction = "))
            .collect();
        assert_eq!(lines.len(), 8, "{text}");
        assert_eq!(allowed(&lines.join("\n")), defaults, "the values shown are the built-in ones");
        for line in &lines {
            let (key, value) = line.split_once(" = ").unwrap();
            let half = value.parse::<f64>().unwrap() / 2.0;
            assert_ne!(allowed(&format!("{key} = {half}")), defaults, "{key} is a limit");
        }
        assert!(text.contains("EN 12407:2019"), "{text}");
    }
}
