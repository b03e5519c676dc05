//! `report.json`: the fields, their names, units and meaning. Numbers are rounded to what they mean; null is not known.
//!
//! Fields may be added; a field named here keeps its name, unit and meaning within major version 1 of the schema.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measured::{Measured, round, significant};
use crate::report::map::MapRecord;
use crate::report::rounding::{rounded_photograph, rounded_plan, rounded_reason};
use crate::section::defects::{Bubble, DefectKind, FieldDefects, Other, Pluck, Scratch};
use crate::section::fibres::Fibre;
use crate::section::lifted::Lifted;
use crate::section::sets::ScratchSet;
use crate::section::totals::DefectTotals;
use crate::slide::manifest::Archive;
use crate::slide::photograph::PhotographRecord;
use crate::slide::record::SlideRecord;
use crate::thickness::Thickness;
use crate::units::MicrometresPerPixel;
use crate::verdict::causes::Cause;
use crate::verdict::limits::LimitUsed;
use crate::verdict::plan::AtCorners;
use crate::verdict::{Limits, Outcome, Reason, RegrindPlan, Verdict};

/// Version of the record's form. The first number changes when a field loses its name, unit or meaning.
pub const SCHEMA_VERSION: &str = "1.0";

/// The report of one slide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "thinproof report")]
pub struct Report {
    /// Version of this form, "1.0".
    pub schema_version: String,
    /// The slide as read; `assumed` names what was not given and what was taken instead.
    pub slide: SlideRecord,
    /// What a collection keeps beside the measurement, `[archive]` as written; null when nothing was.
    pub archive: Option<Archive>,
    /// Where the slide was read from.
    pub read_from: ReadFrom,
    /// The fields of view.
    pub fields: Vec<FieldRecord>,
    /// What is to become of the section and why.
    pub verdict: VerdictRecord,
    /// Thickness of the section.
    pub thickness: ThicknessRecord,
    /// Bubbles, plucked places and scratches.
    pub defects: DefectsRecord,
    /// How to grind it; null when it is not to be ground.
    pub regrind_plan: Option<RegrindPlan>,
    /// Every photograph read, with its checksum.
    pub photographs: Vec<PhotographRecord>,
    /// The limits used, each with its source.
    pub limits: Vec<LimitUsed>,
    /// What makes the report less trustworthy, one sentence each.
    pub warnings: Vec<String>,
    /// What to take care of at the bench and in reading the report.
    pub cautions: Vec<String>,
    /// The program that made the report.
    pub tool: Tool,
    /// When it was made (RFC 3339, UTC).
    pub made_at: String,
}

/// Where the slide was read from: what an archive finds its photographs by.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadFrom {
    /// The slide's folder as seen from the report's, with `/` between names; absolute where no way leads from one to the other.
    pub folder: String,
    /// SHA-256 of its `slide.toml`, hexadecimal; null when it has none.
    pub slide_toml_sha256: Option<String>,
}

/// A field of view.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FieldRecord {
    /// Name.
    pub name: String,
    /// Centre on the section, mm from its lower-left corner, x right, y up; null when not said.
    pub centre_mm: Option<[f64; 2]>,
    /// Width of its plane photograph, pixels.
    pub width_px: u32,
    /// Height of its plane photograph, pixels.
    pub height_px: u32,
    /// Scale, µm per pixel; null when not known.
    pub um_per_px: Option<f64>,
}

/// The verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VerdictRecord {
    /// pass, regrind, recover, remake or undetermined.
    pub outcome: Outcome,
    /// Why, in one sentence.
    pub why: String,
    /// What is there and does not fail the section, and what was not judged.
    pub notes: Vec<String>,
    /// Every limit with what was measured; those that decide first.
    pub reasons: Vec<Reason>,
    /// What to do, in order.
    pub next_steps: Vec<String>,
}

/// Whether thickness was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ThicknessStatus {
    /// It was.
    Measured,
    /// It was not; `why` says why.
    NotMeasurable,
}

/// Thickness, all in µm and rounded to 0.01 µm (a tenth of the best that the measurement reaches).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ThicknessRecord {
    /// Whether it was measured.
    pub status: ThicknessStatus,
    /// Why not; null when it was.
    pub why: Option<String>,
    /// What would make it measurable; null when it was.
    pub next: Option<String>,
    /// Mean over the section, µm.
    pub mean_um: Option<f64>,
    /// 95 % interval of `mean_um`.
    pub ci95_um: Option<[f64; 2]>,
    /// Gradient toward +x and +y, µm per mm; null when the fields do not span the section.
    pub gradient_um_per_mm: Option<[f64; 2]>,
    /// 95 % intervals of the two components of the gradient.
    pub gradient_ci95: Option<[[f64; 2]; 2]>,
    /// Thickness where it is least, over the section (over the fields when there is no gradient), µm.
    pub at_thinnest_um: Option<f64>,
    /// 95 % interval of `at_thinnest_um`.
    pub at_thinnest_ci95_um: Option<[f64; 2]>,
    /// Thickness where it is greatest, µm.
    pub at_thickest_um: Option<f64>,
    /// 95 % interval of `at_thickest_um`.
    pub at_thickest_ci95_um: Option<[f64; 2]>,
    /// Difference across the section, µm; null when there is no gradient.
    pub range_across_um: Option<f64>,
    /// Direction in which it thickens, degrees anticlockwise from +x; null when it is even within what was measured.
    pub thickens_toward_deg: Option<f64>,
    /// Thickness at the corners, µm; null when there is no gradient.
    pub at_corners_um: Option<AtCorners>,
    /// The section as a surface; null when there is no gradient.
    pub map: Option<MapRecord>,
    /// How many quartz grains carried it; null when it was not measured.
    pub quartz_grains: Option<usize>,
    /// Each field's own thickness.
    pub per_field: Vec<FieldThicknessRecord>,
    /// The mineral that it was measured by; null when it was not measured.
    pub mineral: Option<String>,
    /// The lamp whose colours fitted best; null when it was not measured.
    pub lamp: Option<String>,
}

/// A field's own thickness.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FieldThicknessRecord {
    /// Name of the field.
    pub name: String,
    /// Thickness there from its own grains, µm; null when they are too few.
    pub mean_um: Option<f64>,
    /// 95 % interval of `mean_um`.
    pub ci95_um: Option<[f64; 2]>,
    /// How many quartz grains carried it.
    pub quartz_grains: usize,
}

/// The defects found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DefectsRecord {
    /// Bubbles.
    pub bubbles: Vec<Bubble>,
    /// Plucked places; ambiguous ones may as well be the rock's own and do not count.
    pub plucks: Vec<Pluck>,
    /// Scratches.
    pub scratches: Vec<Scratch>,
    /// Sets of scratches of one direction, over all fields; findings under half confidence are in none.
    pub scratch_sets: Vec<ScratchSet>,
    /// Fibres on the section or under its cover, neither judged nor counted.
    pub fibres: Vec<Fibre>,
    /// Areas that have come off the glass, neither judged nor counted.
    pub lifted: Vec<Lifted>,
    /// What is seen and neither judged nor counted.
    pub others: Vec<Other>,
    /// Where each kind that was found usually comes from, and what cures it.
    pub causes: Vec<Cause>,
    /// Sums over the fields. Findings under half confidence are listed but not summed.
    pub totals: DefectTotals,
    /// Kinds that a field cannot show, with the reason.
    pub unjudged: Vec<Unjudged>,
}

/// A kind of defect that the photographs of a field cannot show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Unjudged {
    /// Name of the field.
    pub field: String,
    /// The kind.
    pub kind: DefectKind,
    /// Why.
    pub why: String,
}

/// The program that made a report.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tool {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// Fingerprint of the sources it was built from: tells two builds of one version apart.
    pub sources: String,
}

impl Tool {
    /// This program.
    #[must_use]
    pub fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").into(),
            version: env!("CARGO_PKG_VERSION").into(),
            sources: env!("THINPROOF_SOURCES").into(),
        }
    }
}

/// Everything a report is put together from.
#[derive(Debug)]
pub struct Pieces<'a> {
    /// The slide as read.
    pub record: &'a SlideRecord,
    /// What a collection keeps beside the measurement.
    pub archive: Option<Archive>,
    /// Where the slide was read from.
    pub read_from: ReadFrom,
    /// The fields of view, in order.
    pub fields: Vec<FieldRecord>,
    /// Every photograph read.
    pub photographs: Vec<PhotographRecord>,
    /// The thickness.
    pub thickness: &'a Thickness,
    /// What was found in each field, in the order of `fields`.
    pub defects: &'a [FieldDefects],
    /// The sums of the defects.
    pub totals: DefectTotals,
    /// Sets of scratches of one direction.
    pub scratch_sets: &'a [ScratchSet],
    /// The verdict.
    pub verdict: &'a Verdict,
    /// The limits it was reached by.
    pub limits: &'a Limits,
    /// Warnings about the slide, its fields and their registration.
    pub warnings: Vec<String>,
    /// When (RFC 3339, UTC); to the second.
    pub made_at: String,
}

impl FieldRecord {
    /// A field of view from what is known of it.
    #[must_use]
    pub fn new(
        name: &str,
        centre_mm: Option<[f64; 2]>,
        width_px: usize,
        height_px: usize,
        scale: Option<MicrometresPerPixel>,
    ) -> Self {
        Self {
            name: name.into(),
            centre_mm,
            width_px: u32::try_from(width_px).unwrap_or(u32::MAX),
            height_px: u32::try_from(height_px).unwrap_or(u32::MAX),
            um_per_px: scale.map(|s| significant(s.um_per_px(), 6)),
        }
    }
}

impl Report {
    /// Puts a report together. Computes nothing but the rounding.
    #[must_use]
    pub fn assemble(pieces: Pieces) -> Self {
        let defects = DefectsRecord::of(&pieces);
        let Pieces {
            record,
            archive,
            read_from,
            fields,
            photographs,
            thickness,
            verdict,
            limits,
            warnings,
            made_at,
            ..
        } = pieces;
        Self {
            schema_version: SCHEMA_VERSION.into(),
            slide: SlideRecord { um_per_px: record.um_per_px.map(|s| significant(s, 6)), ..record.clone() },
            archive,
            read_from,
            verdict: VerdictRecord {
                outcome: verdict.outcome,
                why: verdict.why.clone(),
                notes: verdict.notes.clone(),
                reasons: verdict.reasons.iter().map(rounded_reason).collect(),
                next_steps: verdict.next_steps.clone(),
            },
            thickness: ThicknessRecord::of(thickness),
            defects,
            regrind_plan: verdict.regrind_plan.clone().map(rounded_plan),
            photographs: photographs.into_iter().map(rounded_photograph).collect(),
            limits: limits.used.clone(),
            warnings,
            cautions: verdict.cautions.clone(),
            tool: Tool::this(),
            made_at,
            fields,
        }
    }
}

impl ThicknessRecord {
    fn of(thickness: &Thickness) -> Self {
        match thickness {
            Thickness::NotMeasurable { why, next } => Self {
                status: ThicknessStatus::NotMeasurable,
                why: Some(why.clone()),
                next: Some(next.clone()),
                mean_um: None,
                ci95_um: None,
                gradient_um_per_mm: None,
                gradient_ci95: None,
                at_thinnest_um: None,
                at_thinnest_ci95_um: None,
                at_thickest_um: None,
                at_thickest_ci95_um: None,
                range_across_um: None,
                thickens_toward_deg: None,
                at_corners_um: None,
                map: None,
                quartz_grains: None,
                per_field: Vec::new(),
                mineral: None,
                lamp: None,
            },
            Thickness::Measured(s) => {
                let um = |m: Measured| m.to_hundredths().value;
                let interval = |m: Measured| m.to_hundredths().interval;
                Self {
                    status: ThicknessStatus::Measured,
                    why: None,
                    next: None,
                    mean_um: Some(um(s.mean_um)),
                    ci95_um: Some(interval(s.mean_um)),
                    gradient_um_per_mm: s.gradient_um_per_mm.map(|g| g.map(|c| round(c.value, 4))),
                    gradient_ci95: s.gradient_um_per_mm.map(|g| g.map(|c| c.interval.map(|b| round(b, 4)))),
                    at_thinnest_um: Some(um(s.at_thinnest_um)),
                    at_thinnest_ci95_um: Some(interval(s.at_thinnest_um)),
                    at_thickest_um: Some(um(s.at_thickest_um)),
                    at_thickest_ci95_um: Some(interval(s.at_thickest_um)),
                    range_across_um: s.range_across_um.map(um),
                    thickens_toward_deg: s.thickens_toward.map(|d| round(d.deg().rem_euclid(360.0), 1)),
                    at_corners_um: s.at_corners_um.map(|c| AtCorners::from_array(c.map(um))),
                    map: s.map.as_ref().map(MapRecord::of),
                    quartz_grains: Some(s.quartz_grains),
                    per_field: s
                        .per_field
                        .iter()
                        .map(|f| FieldThicknessRecord {
                            name: f.name.clone(),
                            mean_um: f.thickness_um.map(um),
                            ci95_um: f.thickness_um.map(interval),
                            quartz_grains: f.quartz_grains,
                        })
                        .collect(),
                    mineral: Some(s.mineral.into()),
                    lamp: Some(s.lamp.clone()),
                }
            }
        }
    }
}
