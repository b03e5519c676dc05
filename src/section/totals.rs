//! The defects of all fields together, per area looked at.

use std::f64::consts::PI;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::section::defects::{DefectKind, FieldDefects, Pluck, Scratch};
use crate::section::sets::{ScratchSet, sets};
use crate::units::MicrometresPerPixel;

/// Findings at or above this confidence count in [`DefectTotals`]; all of them count, each by its confidence, in the verdict.
pub const COUNTED_FROM: f64 = 0.5;

/// What the report gives as the sum of the defects. Null: not known, or (largest bubble) there is none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DefectTotals {
    /// Bubbles per mm² looked at; null without a scale or when bubbles could not be judged.
    pub bubbles_per_mm2: Option<f64>,
    /// Outer diameter of the largest bubble, µm; null without a scale or when there is none.
    pub largest_bubble_um: Option<f64>,
    /// Area of the bubbles over the area looked at, 0..=1.
    pub bubble_area_fraction: Option<f64>,
    /// Area of the plucked places over the area looked at, 0..=1; ambiguous ones are left out.
    pub pluck_area_fraction: Option<f64>,
    /// Length of the scratches, mm per mm² looked at; null without a scale or when scratches could not be judged.
    pub scratch_mm_per_mm2: Option<f64>,
    /// Area looked at, mm²; null without a scale.
    pub area_mm2: Option<f64>,
}

/// A bubble as it weighs in the verdict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WeighedBubble {
    /// Outer diameter, µm; None without a scale.
    pub diameter_um: Option<f64>,
    /// Its area over the area looked at.
    pub share: f64,
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// A plucked area or a scratch as it weighs in the verdict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighed {
    /// Contribution to the total: area fraction of a pluck, mm per mm² of a scratch.
    pub share: f64,
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// The findings of all fields, free of pixels.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// The sums.
    pub totals: DefectTotals,
    /// Every bubble.
    pub bubbles: Vec<WeighedBubble>,
    /// Every plucked area that is not ambiguous.
    pub plucks: Vec<Weighed>,
    /// Every hole in doubt that is not ambiguous: not counted, but it may be plucked all the same.
    pub plucks_in_doubt: Vec<Weighed>,
    /// Every scratch; empty without a scale (see `scratches_found`).
    pub scratches: Vec<Weighed>,
    /// Every line in doubt, as [`Self::plucks_in_doubt`].
    pub scratches_in_doubt: Vec<Weighed>,
    /// How many scratches were found, with or without a scale.
    pub scratches_found: usize,
    /// Sets of scratches of one direction.
    pub scratch_sets: Vec<ScratchSet>,
    /// Length of every fibre that was found, longest first, µm; None where the scale is not known. They do not count.
    pub fibres: Vec<Option<f64>>,
    /// Area of every lifted place that was found, largest first, µm²; None where the scale is not known. They do not count.
    pub lifted: Vec<Option<f64>>,
    /// How many plucked areas may as well be the rock's own.
    pub ambiguous_plucks: usize,
    /// How many places look plucked in fields of one position of the polars, where a grain at extinction may look the same.
    pub plucks_at_one_position: usize,
    /// Area over which bubbles were looked for, mm²; None without a scale.
    pub bubble_area_mm2: Option<f64>,
    /// Kinds that no field could show, each with the first reason given.
    pub unjudged: Vec<(DefectKind, String)>,
    /// How many bubbles and plucked places were found, surely enough to count, in fields that are too coarse to show small ones.
    pub found_unjudged: [usize; 2],
    /// Kinds that only some fields could show, each with a reason.
    pub partly_judged: Vec<(DefectKind, String)>,
    /// A kind that no field could show would be judged on photographs that are not smeared.
    pub moved: bool,
    /// The same of photographs in focus.
    pub out_of_focus: bool,
}

impl Tally {
    /// Sums the findings of all fields. Fields that cannot show a kind do not add to the area of that kind.
    #[must_use]
    pub fn of(fields: &[FieldDefects], scale: Option<MicrometresPerPixel>) -> Self {
        let mm_per_px = scale.map(|s| s.um_per_px() / 1000.0);
        let mm2 = |px2: f64| mm_per_px.map(|s| px2 * s * s);
        let area_px = |kind: DefectKind| -> f64 { fields.iter().filter(|f| f.judges(kind)).map(|f| f.area_px).sum() };
        let (bubble_px, pluck_px, scratch_px) =
            (area_px(DefectKind::Bubbles), area_px(DefectKind::Plucks), area_px(DefectKind::Scratches));

        let bubbles: Vec<WeighedBubble> = fields
            .iter()
            .filter(|f| f.judges(DefectKind::Bubbles))
            .flat_map(|f| &f.bubbles)
            .map(|b| WeighedBubble {
                diameter_um: b.diameter_um,
                share: PI / 4.0 * b.diameter_px.powi(2) / bubble_px,
                confidence: b.confidence,
            })
            .collect();
        let all_plucks = || fields.iter().filter(|f| f.judges(DefectKind::Plucks)).flat_map(|f| &f.plucks);
        let weighed = |p: &Pluck| Weighed { share: p.area_px / pluck_px, confidence: p.confidence };
        let plucks: Vec<Weighed> = all_plucks().filter(|p| !p.ambiguous).map(weighed).collect();
        let plucks_in_doubt = fields
            .iter()
            .filter(|f| f.judges(DefectKind::Plucks))
            .flat_map(|f| &f.plucks_in_doubt)
            .filter(|p| !p.ambiguous)
            .map(weighed)
            .collect();
        let seen_scratches = || fields.iter().filter(|f| f.judges(DefectKind::Scratches));
        let all_scratches = || seen_scratches().flat_map(|f| &f.scratches);
        let scratched_mm2 = mm2(scratch_px).filter(|area| *area > 0.0);
        let run =
            |s: &Scratch| Some(Weighed { share: s.length_um? / 1000.0 / scratched_mm2?, confidence: s.confidence });
        let scratches: Vec<Weighed> = all_scratches().filter_map(run).collect();
        let scratches_in_doubt = seen_scratches().flat_map(|f| &f.scratches_in_doubt).filter_map(run).collect();

        let (unjudged, partly_judged): (Vec<_>, Vec<_>) =
            [DefectKind::Bubbles, DefectKind::Plucks, DefectKind::Scratches]
                .into_iter()
                .filter_map(|kind| {
                    let why = fields.iter().flat_map(|f| &f.unjudged).find(|(k, _)| *k == kind)?;
                    Some((kind, why.1.clone()))
                })
                .partition(|(kind, _)| fields.iter().all(|f| !f.judges(*kind)));

        let mut fibres: Vec<Option<f64>> = fields.iter().flat_map(|f| &f.fibres).map(|f| f.length_um).collect();
        fibres.sort_by(|a, b| b.unwrap_or(0.0).total_cmp(&a.unwrap_or(0.0)));
        let mut lifted: Vec<Option<f64>> = fields.iter().flat_map(|f| &f.lifted).map(|l| l.area_um2).collect();
        lifted.sort_by(|a, b| b.unwrap_or(0.0).total_cmp(&a.unwrap_or(0.0)));

        let counted = |confidence: f64| confidence >= COUNTED_FROM;
        let sum = |items: &[Weighed]| -> f64 {
            items.iter().filter(|w| counted(w.confidence)).map(|w| w.share).sum::<f64>() + 0.0
        };
        let unjudging = |kind: DefectKind| fields.iter().filter(move |f| !f.judges(kind));
        let some_if = |known: bool, value: f64| known.then_some(value);
        let sure: Vec<&WeighedBubble> = bubbles.iter().filter(|b| counted(b.confidence)).collect();
        let bubble_area_mm2 = mm2(bubble_px).filter(|a| *a > 0.0);
        let totals = DefectTotals {
            bubbles_per_mm2: bubble_area_mm2.map(|a| sure.len() as f64 / a),
            largest_bubble_um: sure.iter().filter_map(|b| b.diameter_um).reduce(f64::max),
            bubble_area_fraction: some_if(bubble_px > 0.0, sure.iter().map(|b| b.share).sum::<f64>() + 0.0),
            pluck_area_fraction: some_if(pluck_px > 0.0, sum(&plucks)),
            scratch_mm_per_mm2: scratched_mm2.map(|_| sum(&scratches)),
            area_mm2: mm2(fields.iter().map(|f| f.area_px).sum()).filter(|a| *a > 0.0),
        };
        Self {
            totals,
            scratches_found: all_scratches().count(),
            scratch_sets: sets(&all_scratches().collect::<Vec<&Scratch>>(), scale),
            ambiguous_plucks: all_plucks().filter(|p| p.ambiguous).count(),
            plucks_at_one_position: fields
                .iter()
                .filter(|f| !f.judges(DefectKind::Plucks) && !f.moved && !f.out_of_focus)
                .map(|f| f.plucks.iter().filter(|p| p.ambiguous).count())
                .sum(),
            fibres,
            lifted,
            bubbles,
            plucks,
            plucks_in_doubt,
            scratches,
            scratches_in_doubt,
            bubble_area_mm2,
            moved: !unjudged.is_empty() && fields.iter().any(|f| f.moved),
            out_of_focus: !unjudged.is_empty() && fields.iter().any(|f| f.out_of_focus),
            found_unjudged: [
                unjudging(DefectKind::Bubbles).flat_map(|f| &f.bubbles).filter(|b| counted(b.confidence)).count(),
                unjudging(DefectKind::Plucks)
                    .flat_map(|f| &f.plucks)
                    .filter(|p| !p.ambiguous && counted(p.confidence))
                    .count(),
            ],
            unjudged,
            partly_judged,
        }
    }
}

impl Tally {
    /// Whether a kind that no field could show would be judged on better photographs of the same.
    #[must_use]
    pub fn is_unsharp(&self) -> bool {
        self.moved || self.out_of_focus
    }
}

impl FieldDefects {
    /// Whether these photographs can show a kind of defect.
    #[must_use]
    pub fn judges(&self, kind: DefectKind) -> bool {
        self.unjudged.iter().all(|(k, _)| *k != kind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::defects::{Bubble, Scratch};

    fn field() -> FieldDefects {
        let bubble = |d: f64, confidence| Bubble {
            field: "A".into(),
            x_px: 10.0,
            y_px: 10.0,
            diameter_px: d,
            diameter_um: Some(2.0 * d),
            confidence,
            rock_shows_through: None,
        };
        let pluck = |ambiguous| Pluck {
            field: "A".into(),
            x_px: 50.0,
            y_px: 50.0,
            area_px: 1000.0,
            area_um2: Some(4000.0),
            box_px: [0.0, 0.0, 1.0, 1.0],
            ambiguous,
            confidence: 0.9,
            outline_px: Vec::new(),
        };
        let scratch = Scratch {
            field: "A".into(),
            x0_px: 0.0,
            y0_px: 0.0,
            x1_px: 250.0,
            y1_px: 0.0,
            length_um: Some(500.0),
            width_um: Some(3.0),
            confidence: 0.8,
        };
        FieldDefects {
            bubbles: vec![bubble(40.0, 0.99), bubble(20.0, 0.2)],
            plucks_in_doubt: Vec::new(),
            scratches_in_doubt: Vec::new(),
            plucks: vec![pluck(false), pluck(true)],
            scratches: vec![scratch],
            fibres: Vec::new(),
            lifted: Vec::new(),
            others: Vec::new(),
            area_px: 500.0 * 500.0,
            unjudged: Vec::new(),
            moved: false,
            out_of_focus: false,
        }
    }

    #[test]
    fn sums_are_per_area_looked_at_and_leave_the_ambiguous_out() {
        let tally = Tally::of(&[field()], Some(MicrometresPerPixel::from_um_per_px(2.0)));
        let t = tally.totals;
        assert!((t.area_mm2.unwrap() - 1.0).abs() < 1e-12);
        assert!((t.bubbles_per_mm2.unwrap() - 1.0).abs() < 1e-12, "the one below half confidence is not counted");
        assert_eq!(t.largest_bubble_um, Some(80.0));
        assert!((t.bubble_area_fraction.unwrap() - PI * 400.0 / 250_000.0).abs() < 1e-12);
        assert!((t.pluck_area_fraction.unwrap() - 0.004).abs() < 1e-12);
        assert!((t.scratch_mm_per_mm2.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!((tally.bubbles.len(), tally.plucks.len(), tally.ambiguous_plucks), (2, 1, 1));
    }

    #[test]
    fn without_a_scale_only_fractions_are_known() {
        let mut field = field();
        field.bubbles.iter_mut().for_each(|b| b.diameter_um = None);
        field.scratches.iter_mut().for_each(|s| s.length_um = None);
        let t = Tally::of(&[field], None);
        assert_eq!(t.totals.area_mm2, None);
        assert_eq!(t.totals.bubbles_per_mm2, None);
        assert_eq!(t.totals.largest_bubble_um, None);
        assert_eq!(t.totals.scratch_mm_per_mm2, None);
        assert_eq!(t.scratches_found, 1);
        assert!(t.totals.pluck_area_fraction.unwrap() > 0.0);
    }

    #[test]
    fn a_smeared_field_is_waited_for_only_when_no_other_shows_the_kind() {
        let why = || (DefectKind::Plucks, "a.jpg is smeared".to_owned());
        let smeared = FieldDefects { unjudged: vec![why()], moved: true, ..field() };
        assert!(Tally::of(std::slice::from_ref(&smeared), None).moved);
        assert!(!Tally::of(&[smeared, field()], None).moved);
        let coarse = FieldDefects { unjudged: vec![why()], ..field() };
        let mut once = [coarse.clone(), FieldDefects { moved: true, ..coarse.clone() }];
        once.iter_mut().flat_map(|f| &mut f.plucks).for_each(|p| p.ambiguous = true);
        let once = once.map(|f| Tally::of(&[f], None).plucks_at_one_position);
        assert_eq!(once, [field().plucks.len(), 0], "another position tells nothing where the photograph is smeared");
        assert!(!Tally::of(&[coarse], None).moved, "the pixel is too coarse, and another photograph would be so too");
    }

    #[test]
    fn a_field_that_cannot_show_scratches_adds_no_area_for_them() {
        let mut blind = field();
        blind.scratches.clear();
        blind.unjudged.push((DefectKind::Scratches, "scratches: 6 µm per pixel is too coarse".into()));
        let scale = Some(MicrometresPerPixel::from_um_per_px(2.0));
        let both = Tally::of(&[field(), blind.clone()], scale);
        assert!((both.totals.scratch_mm_per_mm2.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!((both.unjudged.len(), both.partly_judged.len()), (0, 1));
        let none = Tally::of(&[blind], scale);
        assert_eq!(none.totals.scratch_mm_per_mm2, None);
        assert_eq!(none.unjudged[0].0, DefectKind::Scratches);
    }
}
