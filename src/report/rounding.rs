//! Findings as the record states them: rounded to what they mean.

use crate::measured::{round, significant};
use crate::report::record::{DefectsRecord, Pieces, Unjudged};
use crate::section::defects::{Bubble, Other, Pluck, Scratch};
use crate::section::fibres::Fibre;
use crate::section::grit::GritBound;
use crate::section::lifted::Lifted;
use crate::section::sets::ScratchSet;
use crate::section::totals::DefectTotals;
use crate::slide::photograph::{Exposure, PhotographRecord};
use crate::verdict::{Reason, RegrindPlan};

impl DefectsRecord {
    pub(super) fn of(pieces: &Pieces) -> Self {
        let Pieces { fields, defects, totals, .. } = pieces;
        let unjudged = fields
            .iter()
            .zip(*defects)
            .flat_map(|(field, d)| {
                d.unjudged.iter().map(|(kind, why)| Unjudged {
                    field: field.name.clone(),
                    kind: *kind,
                    why: why.clone(),
                })
            })
            .collect();
        Self {
            bubbles: defects.iter().flat_map(|d| d.bubbles.iter().cloned().map(rounded_bubble)).collect(),
            plucks: defects.iter().flat_map(|d| d.plucks.iter().cloned().map(rounded_pluck)).collect(),
            scratches: defects.iter().flat_map(|d| d.scratches.iter().cloned().map(rounded_scratch)).collect(),
            scratch_sets: pieces.scratch_sets.iter().map(rounded_set).collect(),
            fibres: defects.iter().flat_map(|d| d.fibres.iter().cloned().map(rounded_fibre)).collect(),
            lifted: defects.iter().flat_map(|d| d.lifted.iter().cloned().map(rounded_lifted)).collect(),
            others: defects.iter().flat_map(|d| d.others.iter().cloned().map(rounded_other)).collect(),
            causes: pieces.verdict.causes.clone(),
            totals: DefectTotals {
                bubbles_per_mm2: totals.bubbles_per_mm2.map(|v| significant(v, 4)),
                largest_bubble_um: totals.largest_bubble_um.map(|v| round(v, 1)),
                bubble_area_fraction: totals.bubble_area_fraction.map(|v| significant(v, 4)),
                pluck_area_fraction: totals.pluck_area_fraction.map(|v| significant(v, 4)),
                scratch_mm_per_mm2: totals.scratch_mm_per_mm2.map(|v| significant(v, 4)),
                area_mm2: totals.area_mm2.map(|v| significant(v, 4)),
            },
            unjudged,
        }
    }
}

pub(super) fn rounded_bubble(b: Bubble) -> Bubble {
    Bubble {
        x_px: round(b.x_px, 1),
        y_px: round(b.y_px, 1),
        diameter_px: round(b.diameter_px, 1),
        diameter_um: b.diameter_um.map(|v| round(v, 1)),
        confidence: round(b.confidence, 3),
        rock_shows_through: b.rock_shows_through.map(|v| round(v, 3)),
        ..b
    }
}

pub(super) fn rounded_pluck(p: Pluck) -> Pluck {
    Pluck {
        x_px: round(p.x_px, 1),
        y_px: round(p.y_px, 1),
        area_px: round(p.area_px, 0),
        area_um2: p.area_um2.map(|v| significant(v, 4)),
        box_px: p.box_px.map(|v| round(v, 1)),
        confidence: round(p.confidence, 3),
        outline_px: p.outline_px.iter().map(|q| q.map(|v| round(v, 1))).collect(),
        ..p
    }
}

pub(super) fn rounded_scratch(s: Scratch) -> Scratch {
    Scratch {
        x0_px: round(s.x0_px, 1),
        y0_px: round(s.y0_px, 1),
        x1_px: round(s.x1_px, 1),
        y1_px: round(s.y1_px, 1),
        length_um: s.length_um.map(|v| round(v, 0)),
        width_um: s.width_um.map(|v| round(v, 1)),
        confidence: round(s.confidence, 3),
        ..s
    }
}

pub(super) fn rounded_fibre(f: Fibre) -> Fibre {
    Fibre {
        course_px: f.course_px.iter().map(|q| q.map(|v| round(v, 1))).collect(),
        length_px: round(f.length_px, 1),
        length_um: f.length_um.map(|v| round(v, 0)),
        width_um: f.width_um.map(|v| round(v, 1)),
        box_px: f.box_px.map(|v| round(v, 1)),
        confidence: round(f.confidence, 3),
        ..f
    }
}

pub(super) fn rounded_lifted(l: Lifted) -> Lifted {
    Lifted {
        outline_px: l.outline_px.iter().map(|q| q.map(|v| round(v, 1))).collect(),
        area_px: round(l.area_px, 0),
        area_um2: l.area_um2.map(|v| significant(v, 4)),
        box_px: l.box_px.map(|v| round(v, 1)),
        film_um: l.film_um.map(|f| f.map(|v| round(v, 2))),
        confidence: round(l.confidence, 3),
        ..l
    }
}

pub(super) fn rounded_other(o: Other) -> Other {
    Other { box_px: o.box_px.map(|v| round(v, 1)), confidence: round(o.confidence, 3), ..o }
}

pub(super) fn rounded_set(s: &ScratchSet) -> ScratchSet {
    ScratchSet {
        direction_deg: round(s.direction_deg, 1).rem_euclid(180.0),
        spread_deg: round(s.spread_deg, 1),
        length_um: s.length_um.map(|v| round(v, 0)),
        spacing_um: s.spacing_um.map(|v| round(v, 0)),
        width_um: s.width_um.map(|v| round(v, 1)),
        grit: s.grit.clone().map(|g| GritBound { grain_at_least_um: round(g.grain_at_least_um, 1), ..g }),
        ..s.clone()
    }
}

pub(super) fn rounded_reason(r: &Reason) -> Reason {
    Reason {
        measured: r.measured.map(|v| significant(v, 4)),
        // Four thousand draws carry three decimals.
        conformance_probability: r.conformance_probability.map(|p| round(p, 3)),
        section_interval: r.section_interval.map(|i| i.map(|v| significant(v, 3))),
        ..r.clone()
    }
}

pub(super) fn rounded_plan(plan: RegrindPlan) -> RegrindPlan {
    let mut plan = plan;
    plan.remove_um.mean = round(plan.remove_um.mean, 1);
    plan.micrometer_target_um = plan.micrometer_target_um.map(|v| round(v, 1));
    plan
}

pub(super) fn rounded_photograph(p: PhotographRecord) -> PhotographRecord {
    PhotographRecord {
        angle_deg: p.angle_deg.map(|a| round(a, 3)),
        exposure: p.exposure.map(|e| Exposure {
            time_s: significant(e.time_s, 6),
            f_number: e.f_number.map(|f| significant(f, 4)),
            iso: e.iso,
        }),
        clipped_fraction: significant(p.clipped_fraction, 3),
        ..p
    }
}
