//! Sets of scratches: those of one direction, over all fields of a section.
//!
//! A direction without a sense is an axis: angles are doubled, averaged as directions, and halved again.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::section::defects::Scratch;
use crate::section::grit::GritBound;
use crate::section::totals::COUNTED_FROM;
use crate::units::MicrometresPerPixel;

/// Half the fan that a set may open to, degrees.
const HALF_FAN_DEG: f64 = 9.0;
/// Half the fan of a tight set, degrees: fewer are needed to tell it from chance.
const HALF_TIGHT_DEG: f64 = 3.0;
/// Fewest scratches that make a set.
const FEWEST: usize = 3;
/// Probability that chance alone lays them so, up to which they are a set; for each of three tests (house value).
const CHANCE: f64 = 0.025;
/// Standard deviation of the direction up to which a set is of one pass, degrees (house value: a straight stroke keeps its
/// direction, the next one is laid anew by hand).
const ONE_PASS_DEG: f64 = 3.5;

/// Whether a set was left by one pass over the plate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Passes {
    /// As parallel as one stroke leaves them.
    One,
    /// They open like a fan.
    Several,
}

/// Scratches of one direction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScratchSet {
    /// Names of the fields it is seen in.
    pub fields: Vec<String>,
    /// How many scratches.
    pub scratches: usize,
    /// Direction, degrees anticlockwise from +x of the plane photographs, which is the section's where the camera is squared
    /// with it, 0..180.
    pub direction_deg: f64,
    /// Standard deviation of the direction, degrees.
    pub spread_deg: f64,
    /// One pass or several, by `spread_deg`.
    pub passes: Passes,
    /// Length of all of them, µm; null without a scale.
    pub length_um: Option<f64>,
    /// Median distance from one to the next across the set, µm; null without a scale or with fewer than three in every field.
    pub spacing_um: Option<f64>,
    /// Median width, µm; null without a scale.
    pub width_um: Option<f64>,
    /// The finest grit that can have left it, by its median width; null when the camera can have made the width.
    pub grit: Option<GritBound>,
}

/// Mean of axes with its concentration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxialMean {
    /// Mean axis, degrees, 0..180.
    pub axis_deg: f64,
    /// Length of the mean of the doubled directions, 0 (all ways) to 1 (one way).
    pub concentration: f64,
}

impl AxialMean {
    /// Of angles in degrees; None when there are none.
    #[must_use]
    pub fn of(angles_deg: &[f64]) -> Option<Self> {
        if angles_deg.is_empty() {
            return None;
        }
        let n = angles_deg.len() as f64;
        let (c, s) = angles_deg
            .iter()
            .map(|a| (2.0 * a).to_radians().sin_cos())
            .fold((0.0, 0.0), |(c, s), (sin, cos)| (c + cos / n, s + sin / n));
        Some(Self { axis_deg: (s.atan2(c).to_degrees() / 2.0).rem_euclid(180.0), concentration: c.hypot(s) })
    }

    /// Standard deviation of the axes, degrees: half that of the doubled directions.
    #[must_use]
    pub fn spread_deg(&self) -> f64 {
        (-2.0 * self.concentration.clamp(1e-12, 1.0).ln()).sqrt().to_degrees() / 2.0
    }
}

/// Probability that `n` directions of no preference have a mean of length `concentration` or more (Rayleigh's test in the
/// approximation of J. H. Zar, Biostatistical Analysis).
#[must_use]
pub fn rayleigh(n: usize, concentration: f64) -> f64 {
    let n = n as f64;
    let resultant = n * concentration;
    ((1.0 + 4.0 * n + 4.0 * (n * n - resultant * resultant)).sqrt() - (1.0 + 2.0 * n)).exp().min(1.0)
}

/// The sets among the scratches of a section, the longest first.
#[must_use]
pub fn sets(scratches: &[&Scratch], scale: Option<MicrometresPerPixel>) -> Vec<ScratchSet> {
    let mut left: Vec<(f64, &Scratch)> =
        scratches.iter().filter(|s| s.confidence >= COUNTED_FROM).map(|s| (axis_deg(s), *s)).collect();
    let mut found = Vec::new();
    while left.len() >= FEWEST {
        let middle = densest(&left);
        let (members, rest): (Vec<_>, Vec<_>) = left.iter().partition(|(a, _)| between(*a, middle) <= HALF_FAN_DEG);
        if members.len() < FEWEST || !preferred(&left, middle) {
            break;
        }
        found.push(ScratchSet::of(&members, scale));
        left = rest;
    }
    let length = |s: &ScratchSet| s.length_um.unwrap_or(s.scratches as f64);
    found.sort_by(|a, b| length(b).total_cmp(&length(a)));
    found
}

/// Direction of a scratch, degrees anticlockwise from +x as seen, 0..180.
fn axis_deg(s: &Scratch) -> f64 {
    (-(s.y1_px - s.y0_px)).atan2(s.x1_px - s.x0_px).to_degrees().rem_euclid(180.0)
}

/// Angle between two axes, degrees, 0..=90.
fn between(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(180.0);
    d.min(180.0 - d)
}

/// Middle of the fan that holds most, the tightest of those that hold as many.
fn densest(scratches: &[(f64, &Scratch)]) -> f64 {
    let within = |middle: f64| -> Vec<f64> {
        scratches.iter().map(|s| s.0).filter(|a| between(*a, middle) <= HALF_FAN_DEG).collect()
    };
    let mut best = (0.0, 0.0);
    for (start, _) in scratches {
        let mut middle = *start;
        for _ in 0..8 {
            middle = AxialMean::of(&within(middle)).map_or(middle, |m| m.axis_deg);
        }
        let inside = within(middle);
        let held = inside.iter().map(|a| 1.0 - 0.5 * between(*a, middle) / HALF_FAN_DEG / inside.len() as f64).sum();
        if held > best.1 {
            best = (middle, held);
        }
    }
    best.0
}

/// Whether chance alone hardly lays so many of them within a fan about `middle`, or all of them so much one way.
fn preferred(scratches: &[(f64, &Scratch)], middle: f64) -> bool {
    let angles: Vec<f64> = scratches.iter().map(|s| s.0).collect();
    let n = angles.len();
    let inside = |half: f64| angles.iter().filter(|a| between(**a, middle) <= half).count();
    // A fan that begins at any one of them holds so many of the others (bound over all n such fans).
    let crowded = |half: f64| {
        let (k, share) = (inside(half), 2.0 * half / 180.0);
        let at_least = 1.0 - (0..k.saturating_sub(1)).map(|i| binomial(n - 1, i, share)).sum::<f64>();
        k >= FEWEST && n as f64 * at_least.max(0.0) <= CHANCE
    };
    let one_way = || AxialMean::of(&angles).is_some_and(|m| rayleigh(n, m.concentration) <= CHANCE);
    // The whole sample's preference is this fan's only when the fan holds most of it.
    crowded(HALF_TIGHT_DEG) || crowded(HALF_FAN_DEG) || (2 * inside(HALF_FAN_DEG) > n && one_way())
}

fn binomial(n: usize, k: usize, p: f64) -> f64 {
    let ways: f64 = (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product();
    ways * p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| (values[(n - 1) / 2] + values[n / 2]) / 2.0)
}

impl ScratchSet {
    fn of(members: &[(f64, &Scratch)], scale: Option<MicrometresPerPixel>) -> Self {
        let angles: Vec<f64> = members.iter().map(|m| m.0).collect();
        let mean = AxialMean::of(&angles).unwrap_or(AxialMean { axis_deg: 0.0, concentration: 1.0 });
        let mut fields: Vec<String> = Vec::new();
        for (_, s) in members {
            if !fields.contains(&s.field) {
                fields.push(s.field.clone());
            }
        }
        fields.sort();
        let spread_deg = mean.spread_deg();
        let width_um = median(members.iter().filter_map(|m| m.1.width_um).collect());
        // Places across the set, y up, field by field.
        let (sin, cos) = mean.axis_deg.to_radians().sin_cos();
        let mut gaps = Vec::new();
        for field in &fields {
            let mut across: Vec<f64> = members
                .iter()
                .filter(|m| m.1.field == *field)
                .map(|(_, s)| -(s.x0_px + s.x1_px) / 2.0 * sin - (s.y0_px + s.y1_px) / 2.0 * cos)
                .collect();
            if across.len() >= 3 {
                across.sort_by(f64::total_cmp);
                gaps.extend(across.windows(2).map(|w| w[1] - w[0]));
            }
        }
        Self {
            scratches: members.len(),
            direction_deg: mean.axis_deg,
            spread_deg,
            passes: if spread_deg <= ONE_PASS_DEG { Passes::One } else { Passes::Several },
            length_um: members.iter().map(|m| m.1.length_um).sum(),
            spacing_um: median(gaps).and_then(|px| Some(px * scale?.um_per_px())),
            width_um,
            grit: width_um.and_then(|w| GritBound::of(w, scale?.um_per_px())),
            fields,
        }
    }

    /// "7 scratches at 35° in fields A, B, of one pass, 6.1 µm wide: grit no finer than ...".
    #[must_use]
    pub fn words(&self) -> String {
        let passes = match self.passes {
            Passes::One => "parallel as of one pass",
            Passes::Several => "opening like a fan, so of several passes",
        };
        let mut out = format!(
            "{} scratches at {:.0}° (anticlockwise from the long edge of the photograph) in field{} {}, {passes}",
            self.scratches,
            self.direction_deg,
            if self.fields.len() == 1 { "" } else { "s" },
            self.fields.join(", "),
        );
        if let Some(spacing) = self.spacing_um {
            out += &format!(", {spacing:.0} µm apart");
        }
        if let Some(width) = self.width_um {
            out += &format!(", {width:.1} µm wide");
            out += &match &self.grit {
                Some(g) => format!(": left by {}, by the median grain of the grade", g.words()),
                None => ", which is too near what the camera adds to say which grit".into(),
            };
        }
        out + "."
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// J. H. Zar, Biostatistical Analysis, example 26.7 (axial data; the angles as quoted by a library's test data, the mean
    /// computed from them with independent code).
    #[test]
    fn axes_average_as_published() {
        let data = [35.0, 40.0, 40.0, 45.0, 45.0, 55.0, 60.0, 215.0, 220.0, 225.0, 225.0, 235.0, 235.0, 240.0, 245.0];
        let mean = AxialMean::of(&data).expect("data");
        assert!((mean.axis_deg - 47.953).abs() < 5e-4, "{}", mean.axis_deg);
        assert!((mean.concentration - 0.948_433).abs() < 5e-7, "{}", mean.concentration);
        // Turned about by half a turn, an axis is the same.
        let turned: Vec<f64> = data.iter().enumerate().map(|(i, a)| a + 180.0 * (i % 3) as f64).collect();
        assert!((AxialMean::of(&turned).expect("data").axis_deg - mean.axis_deg).abs() < 1e-9);
    }

    /// Example 27.1 there: n = 8, R = 6.60174, P between 0.001 and 0.002; and the worked example of a public package's manual.
    #[test]
    #[allow(clippy::approx_constant, reason = "the data as published")]
    fn rayleigh_is_as_published() {
        assert!((rayleigh(8, 0.825_218) - 0.001_851_6).abs() < 5e-7, "{}", rayleigh(8, 0.825_218));
        let directions: [f64; 5] = [0.785, 1.570, 3.141, 0.839, 5.934];
        let (c, s) = directions.iter().fold((0.0, 0.0), |(c, s), a| (c + a.cos() / 5.0, s + a.sin() / 5.0));
        assert!((rayleigh(5, c.hypot(s)) - 0.304_844).abs() < 5e-6);
    }

    /// A scratch through (x, y) in pixels, `deg` anticlockwise as seen.
    fn scratch(field: &str, x: f64, y: f64, deg: f64, width: f64) -> Scratch {
        let (s, c) = deg.to_radians().sin_cos();
        Scratch {
            field: field.into(),
            x0_px: x - 100.0 * c,
            y0_px: y + 100.0 * s,
            x1_px: x + 100.0 * c,
            y1_px: y - 100.0 * s,
            length_um: Some(200.0),
            width_um: Some(width),
            confidence: 0.9,
        }
    }

    fn sets_of(scratches: &[Scratch]) -> Vec<ScratchSet> {
        sets(&scratches.iter().collect::<Vec<_>>(), Some(MicrometresPerPixel::from_um_per_px(1.0)))
    }

    #[test]
    fn two_directions_are_two_sets_and_a_stray_is_in_neither() {
        // The first lies across the seam of 0 and 180 degrees.
        let mut all: Vec<Scratch> = [178.0, 179.5, 1.0, 2.0, 0.5]
            .iter()
            .enumerate()
            .map(|(i, a)| scratch("A", 300.0, 100.0 + 50.0 * i as f64, *a, 6.0))
            .collect();
        all.extend([52.0, 57.0, 60.0, 64.0].map(|a| scratch("B", 300.0, 300.0, a, 3.0)));
        all.push(scratch("B", 100.0, 100.0, 120.0, 3.0));
        let found = sets_of(&all);
        assert_eq!(found.len(), 2);
        let (first, second) = (&found[0], &found[1]);
        assert_eq!((first.scratches, second.scratches), (5, 4));
        assert!(between(first.direction_deg, 0.2) < 0.1, "{}", first.direction_deg);
        assert!((second.direction_deg - 58.25).abs() < 0.2);
        assert_eq!((first.passes, second.passes), (Passes::One, Passes::Several));
        assert_eq!(first.fields, ["A"]);
        assert!((first.spacing_um.expect("five in one field") - 50.0).abs() < 1.0);
        assert_eq!(first.grit.as_ref().and_then(|g| g.no_finer_than_fepa_f.as_deref()), Some("F800"));
        assert!(first.words().contains("no finer than F800 (FEPA F)"), "{}", first.words());
    }

    #[test]
    fn scattered_scratches_are_no_set() {
        let all: Vec<Scratch> =
            [3.0, 31.0, 40.0, 66.0, 95.0, 118.0, 133.0, 160.0].map(|a| scratch("A", 200.0, 200.0, a, 4.0)).into();
        assert!(sets_of(&all).is_empty());
        assert!(sets_of(&all[..2]).is_empty());
    }

    /// Random directions make a set about as often as the two tests allow, never much more.
    #[test]
    fn chance_seldom_makes_a_set() {
        let mut state = 12_345_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let (mut made, mut all) = (0, 0);
        for n in [3, 5, 8, 14] {
            for _ in 0..250 {
                let scratches: Vec<Scratch> =
                    (0..n).map(|_| scratch("A", 200.0, 200.0, 180.0 * uniform(), 4.0)).collect();
                all += 1;
                made += usize::from(!sets_of(&scratches).is_empty());
            }
        }
        let rate = f64::from(u32::try_from(made).expect("few")) / f64::from(all);
        assert!(rate < 0.12, "{rate}");
    }

    #[test]
    fn without_a_scale_only_direction_and_number_are_known() {
        let mut all: Vec<Scratch> = [10.0, 11.0, 12.0, 11.5].map(|a| scratch("A", 200.0, 200.0, a, 4.0)).into();
        all.iter_mut().for_each(|s| (s.length_um, s.width_um) = (None, None));
        let found = sets(&all.iter().collect::<Vec<_>>(), None);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].length_um, found[0].width_um, found[0].spacing_um), (None, None, None));
        assert_eq!(found[0].grit, None);
    }
}
