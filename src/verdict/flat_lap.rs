//! Lapping a section that is no plane: on a true plate whatever stands highest comes off first.
//!
//! Tilting cures a wedge and nothing else. What a flat lap leaves is the lower of the surface and one level, so the plan is
//! that level: places under it are not touched, and the thinnest place bounds it as it does for a plane.

use crate::slide::record::SlideRecord;
use crate::thickness::{SectionMap, Shape, SurfaceForm, ThicknessSurface};
use crate::verdict::plan::{AtCorners, CORNERS, Removal, from_mark, micrometres, round_down};

/// Places looked at along the width and the height: between two of them a surface of second order hardly turns.
const PLACES: [usize; 2] = [21, 13];

/// A curved section on a flat plate.
pub(super) struct FlatLap<'a> {
    surface: &'a ThicknessSurface,
    map: &'a SectionMap,
    places: Vec<[f64; 2]>,
    /// What must come off everywhere, µm.
    least_um: f64,
}

impl<'a> FlatLap<'a> {
    /// None when the section is a plane as far as is known.
    pub(super) fn of(surface: &'a ThicknessSurface, least_um: f64) -> Option<Self> {
        let map = surface.map.as_ref().filter(|m| m.form == SurfaceForm::Curved)?;
        let part = |k: usize, i: usize| (i as f64 / (PLACES[k] - 1) as f64 - 0.5) * map.size_mm[k];
        let places =
            (0..PLACES[1]).flat_map(|j| (0..PLACES[0]).map(move |i| [part(0, i), part(1, j)])).collect::<Vec<_>>();
        Some(Self { surface, map, places, least_um })
    }

    /// It is tilted more than bent: pressing on its high corner is still the cure.
    pub(super) fn is_wedge(&self) -> bool {
        self.map.shape.is_some_and(|s| s.0 == Shape::Wedge)
    }

    /// What comes off at a place (mm from the centre) when it is lapped down to a level, µm.
    fn off(&self, level_um: f64, [x, y]: [f64; 2]) -> f64 {
        (self.map.mean.at(x, y) - level_um).max(self.least_um)
    }

    /// The same in the steps of a plan.
    pub(super) fn removal(&self, level_um: f64) -> Removal {
        let [w, h] = self.map.size_mm.map(|s| s / 2.0);
        let mean = self.places.iter().map(|p| self.off(level_um, *p)).sum::<f64>() / self.places.len() as f64;
        let corners = [[-w, h], [w, h], [-w, -h], [w, -h]].map(|c| round_down(self.off(level_um, c)));
        Removal {
            mean: round_down(mean),
            at_each_corner: Some(AtCorners::from_array(corners)),
            at_centre: Some(round_down(self.off(level_um, [0.0, 0.0]))),
        }
    }

    /// Least and greatest thickness of each draw after that, µm.
    pub(super) fn left(&self, level_um: f64) -> Vec<[f64; 2]> {
        let off: Vec<f64> = self.places.iter().map(|p| self.off(level_um, *p)).collect();
        self.surface
            .draws
            .iter()
            .map(|draw| {
                self.places.iter().zip(&off).fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], (p, off)| {
                    let t = draw.at(p[0], p[1]) - off;
                    [low.min(t), high.max(t)]
                })
            })
            .collect()
    }
}

/// The plan in sentences, as far as it is another one than for a plane.
pub(super) fn sentences(removal: &Removal, surface: &ThicknessSurface, record: &SlideRecord) -> Vec<String> {
    let corners = removal.at_each_corner.map_or([removal.mean; 4], AtCorners::to_array);
    let centre = removal.at_centre.unwrap_or(removal.mean);
    let amount = |um: f64| if um > 0.0 { micrometres(um) } else { "nothing".into() };
    let over_corners = surface.map.as_ref().map_or(0.0, SectionMap::centre_over_corners_um);
    let mut out = vec![if over_corners > 0.0 {
        format!(
            "The section is thickest toward its centre, and tilting does not cure that: lap it flat on a true plate, \
             pressing on no corner; the high centre comes off first, {} there.",
            amount(centre)
        )
    } else {
        format!(
            "The section is thickest toward its rim, and tilting does not cure that: lap it flat on a true plate, \
             pressing on no corner; the rim comes off first, and {} at the centre.",
            amount(centre)
        )
    }];
    let [least, most] = corners.iter().fold([f64::INFINITY, 0.0_f64], |[l, m], c| [l.min(*c), m.max(*c)]);
    out.push(match record.mark_corner {
        _ if most - least < 0.25 => format!("At the corners take {} off.", amount(least)),
        // Half a micrometre is the plan's own step: naming each corner would say more than is known.
        Some(mark) if most - least > 0.75 => {
            let each: Vec<String> = CORNERS
                .iter()
                .zip(corners)
                .map(|(c, off)| format!("{} at {}", amount(off), from_mark(*c, mark, record).replace(" itself", "")))
                .collect();
            format!("Take {}.", each.join("; "))
        }
        _ => format!("At the corners take {} to {} off.", amount(least), amount(most)),
    });
    if over_corners > 0.0 {
        out.push("Look at the plate before you do: a worn, dished one makes sections centre-high.".into());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::conformance::{MISSED_UP_TO, share_of_draws};
    use crate::verdict::fixture::{bent, limits, record, surface};
    use crate::verdict::plan::regrind;

    #[test]
    fn a_centre_high_section_loses_its_centre_and_no_corner_is_pressed() {
        // 37 µm at the centre, 34.5 and 35 at the middle of the edges, 32.5 at the corners.
        let plan = regrind(&record(), &bent(37.0, 0.1, [0.0, 0.0], [-2.5, -2.0]), &limits(), false).unwrap();
        let off = plan.remove_um.at_each_corner.unwrap().to_array();
        assert!(off.iter().all(|c| (2.0..=2.5).contains(c)), "{off:?}");
        assert_eq!(plan.remove_um.at_centre, Some(6.5));
        assert!((4.5..=5.5).contains(&plan.remove_um.mean), "{:?}", plan.remove_um);
        assert_eq!((plan.high_corner, plan.relative_to_mark), (None, None));
        let said = plan.sentences.join(" ");
        assert!(said.contains("tilting does not cure that") && said.contains("6.5 µm there"), "{said}");
        assert!(!said.contains("Press on the high corner"), "{said}");
    }

    #[test]
    fn a_rim_that_is_thin_enough_is_left_alone() {
        // Corners at 28.5: nothing there; the centre at 36 comes down, no further than the rim's level asks.
        let plan = regrind(&record(), &bent(36.0, 0.1, [0.0, 0.0], [-4.0, -3.5]), &limits(), false).unwrap();
        assert_eq!(plan.remove_um.at_each_corner.unwrap().to_array(), [0.0; 4]);
        assert_eq!(plan.remove_um.at_centre, Some(5.5));
        assert!(plan.sentences.iter().any(|s| s.contains("At the corners take nothing off.")), "{:?}", plan.sentences);
        let low = regrind(&record(), &bent(33.0, 0.1, [0.0, 0.0], [3.0, 2.5]), &limits(), false).unwrap();
        assert!(low.remove_um.at_centre.unwrap() < low.remove_um.at_each_corner.unwrap().top_left);
        assert!(low.high_corner.is_none() && low.sentences[0].contains("toward its rim"), "{:?}", low.sentences);
    }

    #[test]
    fn a_plane_has_no_flat_lap() {
        assert!(FlatLap::of(&surface(40.0, 0.1, [0.1, 0.0], 0.01), 0.0).is_none());
    }

    /// Over levels, bends, tilts and doubts: what a flat lap leaves is never likelier too thin than before and its bound.
    #[test]
    fn what_is_left_is_thick_enough_and_where_it_is_known_well_it_meets_the_limits() {
        let (record, limits) = (record(), limits());
        let mut plans = 0;
        for level in [30.0, 33.0, 36.0, 45.0] {
            for bend in [[-4.0, -3.0], [-2.0, -2.0], [2.0, 3.0], [3.0, -3.0]] {
                for gradient in [[0.0, 0.0], [0.1, -0.05]] {
                    for u in [0.1, 0.6] {
                        let s = bent(level, u, gradient, bend);
                        let Some(plan) = regrind(&record, &s, &limits, false) else { continue };
                        plans += 1;
                        let before = share_of_draws(&s.extremes_um, |e| e[0] < limits.thickness_min_um).unwrap();
                        // What the plan says in figures, put on the draws by plain arithmetic: corners and centre.
                        let off = plan.remove_um.at_each_corner.unwrap().to_array();
                        let left: Vec<[f64; 2]> = s
                            .draws
                            .iter()
                            .map(|d| {
                                let places = [[-20.0, 12.0], [20.0, 12.0], [-20.0, -12.0], [20.0, -12.0], [0.0, 0.0]];
                                let off = off.into_iter().chain(plan.remove_um.at_centre);
                                places.iter().zip(off).fold([f64::INFINITY, 0.0_f64], |[l, m], (p, off)| {
                                    let t = d.at(p[0], p[1]) - off;
                                    [l.min(t), m.max(t)]
                                })
                            })
                            .collect();
                        let thin = share_of_draws(&left, |e| e[0] < limits.thickness_min_um).unwrap();
                        assert!(thin <= before.max(MISSED_UP_TO), "{level} {bend:?} {gradient:?} {u}: {thin}");
                        if u < 0.5 && before < 0.01 {
                            let fine = share_of_draws(&left, |e| {
                                e[1] <= limits.thickness_max_um && e[1] - e[0] <= limits.range_um
                            });
                            assert!(fine.unwrap() >= 0.95, "{level} {bend:?} {gradient:?} {u}: {fine:?} {plan:?}");
                        }
                    }
                }
            }
        }
        assert!(plans > 30, "{plans}");
    }
}
