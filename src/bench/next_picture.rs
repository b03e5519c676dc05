//! What to photograph next: the one picture that the slide at hand lacks most.

use crate::thickness::Thickness;
use crate::verdict::{Outcome, Verdict};

use super::sheet::SheetField;
use super::visit::{Angle, Field};
use crate::pipeline::CheckedSlide;

/// Angles of the polars that separate every term, degrees: four, 22.5 apart.
const SERIES_DEG: [f64; 4] = [0.0, 22.5, 45.0, 67.5];

/// Angles that differ by less are the same position, degrees modulo 90.
const SAME_POSITION_DEG: f64 = 6.0;

/// Quantile of the normal distribution at which a limit counts as met.
const MET: f64 = 1.645;

/// What the newest field lacks before anything can be measured, or None when it has all.
#[must_use]
pub fn lacking(field: &Field) -> Option<String> {
    let name = &field.name;
    match (&field.plane, field.crossed.len()) {
        (Some(_), 0) => Some(format!("Now field {name} between crossed polars; leave the slide where it lies.")),
        (None, _) => Some(format!("Now field {name} in plane light; leave the slide where it lies.")),
        (Some(_), _) => None,
    }
}

/// One sentence that says what to photograph next, after what was measured; None when nothing more is needed.
#[must_use]
pub fn next_picture(field: &Field, fields: usize, checked: Option<&CheckedSlide>) -> Option<String> {
    if let Some(lacking) = lacking(field) {
        return Some(lacking);
    }
    let checked = checked?;
    let verdict: &Verdict = &checked.verdict;
    let sheet = SheetField {
        crossed: field.crossed.iter().map(|c| (String::new(), c.angle)).collect(),
        ..SheetField::default()
    };
    let of_use = sheet.comparable().crossed.len();
    let aim = settles(checked).map_or_else(String::new, |(is, needed)| {
        format!(" The thickness is known to ±{is:.1} µm; ±{needed:.1} would settle it.")
    });
    match (&checked.thickness, verdict.outcome) {
        (_, Outcome::Pass | Outcome::Recover | Outcome::Remake) => None,
        (Thickness::Measured(surface), Outcome::Regrind) => {
            let wedge_unknown = surface.gradient_um_per_mm.is_none() && fields < 3;
            (wedge_unknown && checked.record.width_mm.is_some())
                .then(|| "A field near each corner would show whether it is thicker at one of them.".to_owned())
        }
        (_, Outcome::Regrind) => verdict.next_steps.first().cloned(),
        (thickness, Outcome::Undetermined) => {
            if field.crossed.len() > of_use {
                return Some(format!(
                    "The angles of {} crossed photographs are not known, so they cannot be compared: put them into the names (xpl_45).{aim}",
                    field.crossed.len() - of_use
                ));
            }
            let more = next_angle(&field.crossed.iter().map(|c| c.angle).collect::<Vec<_>>());
            match (thickness, more) {
                (Thickness::NotMeasurable { next, .. }, None) => Some(next.clone()),
                (Thickness::NotMeasurable { next, .. }, Some(angle)) => Some(format!("{angle} {next}")),
                (Thickness::Measured(_), Some(angle)) if !aim.is_empty() => Some(format!("{angle}{aim}")),
                (Thickness::Measured(surface), _) if !aim.is_empty() => Some(format!(
                    "One more field with {} in it, plane light and four crossed pictures.{aim}",
                    surface.mineral
                )),
                _ => verdict.next_steps.first().cloned(),
            }
        }
    }
}

/// The crossed picture that adds most to those there are; None when the positions are spread over the series.
fn next_angle(angles: &[Angle]) -> Option<String> {
    let known: Vec<f64> = angles.iter().filter_map(|a| a.deg()).collect();
    if known.is_empty() {
        return (angles.len() == 1)
            .then(|| "One more crossed picture with the polars (or the stage) turned by 45°.".into());
    }
    let apart = |a: f64, b: f64| {
        let d = (a - b).rem_euclid(90.0);
        d.min(90.0 - d)
    };
    let start = known[0];
    // Farthest from what is there first: 45, then 22.5 and 67.5.
    let missing = SERIES_DEG
        .iter()
        .map(|step| start + step)
        .map(|deg| (deg, known.iter().map(|k| apart(*k, deg)).fold(f64::INFINITY, f64::min)))
        .filter(|(_, gap)| *gap > SAME_POSITION_DEG)
        .fold(
            None::<(f64, f64)>,
            |best, found| if best.is_none_or(|b| found.1 > b.1 + 1e-9) { Some(found) } else { best },
        )?;
    Some(format!("One crossed picture at {:.4}° more.", Degrees(missing.0.rem_euclid(180.0))))
}

/// Degrees without needless noughts: 45, 22.5.
struct Degrees(f64);

impl std::fmt::Display for Degrees {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let rounded = (self.0 * 10.0).round() / 10.0;
        if (rounded - rounded.round()).abs() < 0.05 { write!(f, "{rounded:.0}") } else { write!(f, "{rounded:.1}") }
    }
}

/// Half-width of the 95 % interval of the thickness, and that at which the nearer limit would be decided where the mean
/// now is, µm; None when the thickness is not what is open, or lies so near a limit that no picture can decide it.
fn settles(checked: &CheckedSlide) -> Option<(f64, f64)> {
    use crate::verdict::limits::Limit;
    let Thickness::Measured(surface) = &checked.thickness else { return None };
    checked.verdict.reasons.iter().find(|r| r.limit == Limit::Thickness && r.undetermined())?;
    let mean = surface.mean_um.value;
    let to_limit = (mean - checked.limits.thickness_min_um).abs().min((mean - checked.limits.thickness_max_um).abs());
    let is = 0.5 * (surface.mean_um.interval[1] - surface.mean_um.interval[0]);
    let needed = 1.96 * to_limit / MET;
    (needed >= 0.3 && needed < is).then_some((is, needed))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_angle_that_is_farthest_from_those_there_are_comes_next() {
        let next = |angles: &[f64]| next_angle(&angles.iter().map(|a| Angle::Named(*a)).collect::<Vec<_>>());
        assert_eq!(next(&[0.0]).as_deref(), Some("One crossed picture at 45° more."));
        assert_eq!(next(&[0.0, 45.0]).as_deref(), Some("One crossed picture at 22.5° more."));
        assert_eq!(next(&[0.0, 45.0, 22.5]).as_deref(), Some("One crossed picture at 67.5° more."));
        assert_eq!(next(&[0.0, 45.0, 22.5, 67.5]), None);
        assert_eq!(next(&[10.0]).as_deref(), Some("One crossed picture at 55° more."));
        assert!(next_angle(&[Angle::Unknown]).is_some_and(|s| s.contains("turned by 45°")));
        assert_eq!(next_angle(&[Angle::Unknown, Angle::Unknown]), None);
    }
}
