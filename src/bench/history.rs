//! A slide's way to its thickness: what each pass took off, how many more are needed, and when to go to the finer grit.
//!
//! No rate per stroke is told: none is published, and it varies with grit, rock and hand. What is told is what this slide
//! lost from pass to pass, and what that means for the next one.

use crate::measured::Measured;
use serde::Serialize;

/// Quantile of the normal distribution that what was removed must lie above zero by, to be certain (one-sided 95 %).
const CERTAIN: f64 = 1.645;

/// Thickness at which the wheel is left for loose 600 on a glass plate, µm: common practice in several laboratories'
/// hand-outs; others stop at 50 µm. No norm.
const WHEEL_STOP_UM: f64 = 40.0;

/// Damage below a ground face in grain sizes of the grit that ground it: common practice, no source.
const DAMAGE_GRAINS: [f64; 2] = [2.0, 3.0];

/// What was measured in one pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Number of the pass, from 1.
    pub pass: usize,
    /// Mean thickness of the section, µm.
    pub thickness_um: Measured,
}

/// The grit in use.
#[derive(Clone, Debug, PartialEq)]
pub struct Grit {
    /// As it was named, `F400`.
    pub name: String,
    /// Median grain, µm.
    pub grain_um: f64,
}

/// Where the slide is to go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Goal {
    /// Target thickness, µm.
    pub target_um: f64,
    /// Least allowed, µm.
    pub min_um: f64,
    /// Greatest allowed, µm.
    pub max_um: f64,
}

/// What one pass took off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Removed {
    /// Number of the pass before which it came off.
    pub before_pass: usize,
    /// How much, µm.
    pub um: f64,
    /// Its standard uncertainty, µm: that of both thicknesses, as if they had no error in common. What camera and lamp do
    /// to both cancels in truth, so that this is an upper bound.
    pub u_um: f64,
}

/// The way so far and what it says of the way that is left.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Way {
    /// What came off between the passes.
    pub removed: Vec<Removed>,
    /// Mean removed per pass, µm, when it is certain that rock came off; None else.
    pub per_pass_um: Option<f64>,
    /// Passes like these still needed: likeliest, fewest and most within the uncertainty (95 % each way); None when not known
    /// or none is needed.
    pub passes_left: Option<[usize; 3]>,
    /// Sentences for the bench.
    pub sentences: Vec<String>,
}

/// What the readings of a slide say, oldest first.
#[must_use]
pub fn way(readings: &[Reading], goal: Goal, grit: Option<&Grit>) -> Way {
    let removed: Vec<Removed> = readings
        .windows(2)
        .map(|pair| {
            let [before, after] = [pair[0].thickness_um, pair[1].thickness_um];
            Removed {
                before_pass: pair[1].pass,
                um: before.value - after.value,
                u_um: before.standard_uncertainty.hypot(after.standard_uncertainty),
            }
        })
        .collect();
    let mut way = Way { removed, ..Way::default() };
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else { return way };
    let now = last.thickness_um;
    let left = now.value - goal.target_um;
    if let Some(one) = way.removed.last() {
        way.sentences.push(if one.um > CERTAIN * one.u_um {
            format!("The last pass took {:.1} µm off (give or take {:.1}).", one.um, 2.0 * one.u_um)
        } else {
            format!("What the last pass took off is within what the measurement may be wrong by ({:+.1} µm, give or take {:.1}).", one.um, 2.0 * one.u_um)
        });
    }
    if way.removed.iter().any(|r| r.um < -CERTAIN * r.u_um) {
        way.sentences.push("It seems to have become thicker, which rock does not: is it the same slide, and were lamp and exposure the same?".into());
        return way;
    }
    let Some((rate, rate_u)) = per_pass(first, last).filter(|(rate, u)| rate - CERTAIN * u > 0.0) else {
        if left > 0.0 && readings.len() < 2 {
            way.sentences.push("After the next pass it is told how much a pass takes off.".into());
        }
        return way;
    };
    way.per_pass_um = Some(rate);
    if now.value > goal.max_um.min(goal.target_um + 1.0) {
        let count = |left: f64, rate: f64| (left / rate).ceil().max(0.0) as usize;
        let u = 1.96 * now.standard_uncertainty;
        let (slow, quick) = (rate - CERTAIN * rate_u, rate + CERTAIN * rate_u);
        let passes = [count(left, rate), count(left - u, quick), count(left + u, slow)];
        way.passes_left = Some(passes);
        way.sentences.push(passes_sentence(passes, rate, left));
    }
    way.sentences.extend(finer(now.value, rate, rate_u, goal, grit));
    way
}

/// Mean removed per pass and its standard uncertainty, µm; from the first and the last reading, whose errors alone count.
fn per_pass(first: &Reading, last: &Reading) -> Option<(f64, f64)> {
    let passes = last.pass.checked_sub(first.pass).filter(|n| *n > 0)? as f64;
    let u = first.thickness_um.standard_uncertainty.hypot(last.thickness_um.standard_uncertainty);
    Some(((first.thickness_um.value - last.thickness_um.value) / passes, u / passes))
}

fn passes_sentence([likely, fewest, most]: [usize; 3], rate: f64, left: f64) -> String {
    let range = if fewest == most { String::new() } else { format!(" ({fewest} to {most})") };
    let whole = (left / rate).floor() as usize;
    if whole == 0 {
        return format!(
            "A pass took {rate:.1} µm on average, and {left:.1} are left: less than one such pass. Go shorter and look again."
        );
    }
    let plural = if likely == 1 { "" } else { "es" };
    format!("A pass took {rate:.1} µm on average: {likely} pass{plural} like these to go{range}, the last one shorter.")
}

/// When to change to the finer grit.
fn finer(now: f64, rate: f64, rate_u: f64, goal: Goal, grit: Option<&Grit>) -> Vec<String> {
    let mut said = Vec::new();
    let next = now - rate;
    if now <= goal.max_um {
        return said;
    }
    let at = grit.map_or(WHEEL_STOP_UM.max(goal.max_um), |g| goal.target_um + DAMAGE_GRAINS[1] * g.grain_um);
    let least = grit.map_or(at, |g| goal.target_um + DAMAGE_GRAINS[0] * g.grain_um);
    let what = grit.map_or_else(
        || format!("leave the wheel at about {at:.0} µm and go on by hand with 600"),
        |g| {
            format!(
                "{} marks the rock 2 to 3 of its grains deep, {:.0} to {:.0} µm: change to the finer grit at {least:.0} to {at:.0} µm",
                g.name,
                DAMAGE_GRAINS[0] * g.grain_um,
                DAMAGE_GRAINS[1] * g.grain_um
            )
        },
    );
    if now <= at {
        if let Some(g) = grit {
            said.push(format!(
                "Change to the finer grit now: {} marks the rock 2 to 3 of its grains deep, and {:.1} µm are left above {:.0} (common practice).",
                g.name,
                now - goal.target_um,
                goal.target_um
            ));
        } else {
            said.push(format!("Below {at:.0} µm: by hand with 600 or finer, no more on the wheel (common practice)."));
        }
    } else if next - CERTAIN * rate_u < at {
        said.push(format!(
            "Another pass like these leaves about {next:.0} µm. Common practice: {what}. So stop this one short."
        ));
    } else {
        let before = ((now - at) / rate).floor() as usize;
        let plural = if before == 1 { "" } else { "es" };
        said.push(format!("Common practice: {what}. That is {before} pass{plural} from here."));
    }
    if next < goal.min_um {
        said.push(format!(
            "Another whole pass would leave {next:.0} µm, below the {:.0} that are allowed.",
            goal.min_um
        ));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOAL: Goal = Goal { target_um: 30.0, min_um: 25.0, max_um: 35.0 };

    fn readings(values: &[f64], u: f64) -> Vec<Reading> {
        let read = |(i, v): (usize, &f64)| Reading { pass: i + 1, thickness_um: Measured::normal(*v, u) };
        values.iter().enumerate().map(read).collect()
    }

    #[test]
    fn passes_are_counted_from_what_came_off() {
        // 60 to 44 in two passes: 8 each with u = 0.5·√2/2; 14 left are 1.75 passes.
        let way = way(&readings(&[60.0, 52.5, 44.0], 0.5), GOAL, None);
        let taken: Vec<f64> = way.removed.iter().map(|r| r.um).collect();
        assert_eq!(taken, [7.5, 8.5]);
        assert!((way.removed[0].u_um - 0.5 * 2.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(way.per_pass_um, Some(8.0));
        // Fewest: (14 - 0.98) / (8 + 0.58) = 1.52; most: 14.98 / 7.42 = 2.02.
        assert_eq!(way.passes_left, Some([2, 2, 3]));
        let text = way.sentences.join(" ");
        assert!(text.contains("took 8.5 µm off (give or take 1.4)"), "{text}");
        assert!(text.contains("2 passes like these to go (2 to 3), the last one shorter"), "{text}");
        assert!(text.contains("leaves about 36 µm") && text.contains("stop this one short"), "{text}");
    }

    #[test]
    fn nothing_is_told_of_passes_that_one_reading_or_noise_gives() {
        let one = way(&readings(&[60.0], 0.5), GOAL, None);
        assert_eq!((one.per_pass_um, one.passes_left), (None, None));
        let noise = way(&readings(&[60.0, 59.5], 0.5), GOAL, None);
        assert_eq!((noise.per_pass_um, noise.passes_left), (None, None));
        assert!(noise.sentences[0].contains("within what the measurement may be wrong by"));
        let thicker = way(&readings(&[40.0, 48.0], 0.5), GOAL, None);
        assert_eq!(thicker.passes_left, None);
        assert!(thicker.sentences.iter().any(|s| s.contains("thicker, which rock does not")));
        assert_eq!(way(&[], GOAL, None), Way::default());
    }

    #[test]
    fn a_slide_that_is_there_needs_no_pass() {
        let there = way(&readings(&[40.0, 30.5], 0.4), GOAL, None);
        assert_eq!(there.passes_left, None);
        assert_eq!(there.sentences.len(), 1, "{:?}", there.sentences);
        let nearly = way(&readings(&[48.0, 37.0], 0.4), GOAL, None);
        assert_eq!(nearly.passes_left, Some([1, 1, 1]));
        assert!(nearly.sentences.iter().any(|s| s.contains("less than one such pass")), "{:?}", nearly.sentences);
    }

    #[test]
    fn the_finer_grit_comes_two_to_three_grains_above_the_target() {
        let f400 = Grit { name: "F400".into(), grain_um: 17.3 };
        // 30 + 2·17.3 = 64.6 and 30 + 3·17.3 = 81.9.
        let far = way(&readings(&[140.0, 120.0], 0.5), GOAL, Some(&f400));
        let text = far.sentences.join(" ");
        assert!(
            text.contains("35 to 52 µm") && text.contains("at 65 to 82 µm") && text.contains("1 pass from here"),
            "{text}"
        );
        let near = way(&readings(&[90.0, 70.0], 0.5), GOAL, Some(&f400));
        assert!(near.sentences.iter().any(|s| s.starts_with("Change to the finer grit now")), "{:?}", near.sentences);
    }
}
