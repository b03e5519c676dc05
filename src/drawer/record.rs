//! `drawer.json`: one row a slide. Numbers are those of the reports; null is not known.
//!
//! Fields may be added; a field named here keeps its name, unit and meaning within major version 1 of the form.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::{Deserialize, Serialize};

use crate::drawer::order::by_id;
use crate::grinder::{Batch, Grinder, GrinderRecord, Section};
use crate::report::record::{ThicknessStatus, Tool};
use crate::section::totals::DefectTotals;
use crate::slide::record::{Corner, Finish};
use crate::verdict::{Outcome, RegrindPlan};

/// Version of the record's form. The first number changes when a field loses its name, unit or meaning.
pub const SCHEMA_VERSION: &str = "1.0";

/// The table of a drawer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "thinproof drawer")]
pub struct DrawerRecord {
    /// Version of this form, "1.0".
    pub schema_version: String,
    /// How many slides there are of each kind.
    pub counts: Counts,
    /// A row a slide, by id as a person counts.
    pub slides: Vec<SlideRow>,
    /// What the slides say about the grinder that made them.
    pub grinder: GrinderRecord,
    /// What makes the table less trustworthy, one sentence each.
    pub warnings: Vec<String>,
    /// Folders in which nothing lies, as seen from this file: of no slide, or of one whose photographs were never put there.
    #[serde(default)]
    pub passed_over: Vec<String>,
    /// The program that made the table.
    pub tool: Tool,
    /// When it was made (RFC 3339, UTC).
    pub made_at: String,
}

/// How many slides there are of each kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Counts {
    /// All rows.
    pub slides: usize,
    /// Those that pass.
    pub pass: usize,
    /// Those to grind further.
    pub regrind: usize,
    /// Those whose cover is to be lifted.
    pub recover: usize,
    /// Those to make anew.
    pub remake: usize,
    /// Those that are not decided.
    pub undetermined: usize,
    /// Those that could not be checked.
    pub failed: usize,
}

/// A slide of the drawer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlideRow {
    /// Slide id; the folder's name where the id could not be read.
    pub id: String,
    /// The slide's folder as seen from this file, with `/` between names; absolute where no way leads there.
    pub folder: String,
    /// The report's folder as seen from this file; null when the slide could not be checked.
    pub report: Option<String>,
    /// Why it could not be checked, in one sentence; null when it was.
    pub failure: Option<String>,
    /// When it failed (RFC 3339, UTC); null when it was checked.
    #[serde(default)]
    pub failed_at: Option<String>,
    /// Folder of the drawer's reports in which it failed, as seen from this file; null when it was checked, or when its report cannot
    /// be read.
    #[serde(default)]
    pub failed_in: Option<String>,
    /// What the check gave; null when it failed.
    pub checked: Option<CheckedRow>,
}

/// What the check of a slide gave: its report in short, under the report's own names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckedRow {
    /// pass, regrind, recover, remake or undetermined.
    pub outcome: Outcome,
    /// Why, in one sentence.
    pub why: String,
    /// What to do, in order.
    pub next_steps: Vec<String>,
    /// What the preparator says of the slide.
    pub slide: SlideInShort,
    /// Thickness of the section.
    pub thickness: ThicknessInShort,
    /// What was found on it.
    pub defects: DefectsInShort,
    /// How to grind it; null when it is not to be ground.
    pub regrind_plan: Option<RegrindPlan>,
    /// How many warnings the report carries.
    pub warnings: usize,
    /// The program that made the report.
    pub tool: Tool,
}

/// What the preparator says of the slide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlideInShort {
    /// Width of the rock section, mm; null when not said.
    pub width_mm: Option<f64>,
    /// Height of the rock section, mm; null when not said.
    pub height_mm: Option<f64>,
    /// The bevelled corner; null when not said.
    pub mark_corner: Option<Corner>,
    /// How the section is finished on top.
    pub finish: Finish,
    /// Target thickness when finished, µm.
    pub target_um: f64,
    /// Grinding micrometer's reading at the last pass, µm; null when not said.
    pub micrometer_um: Option<f64>,
    /// How many sections were made since the micrometer's zero, this one counted; null when not said.
    pub sequence: Option<u32>,
}

/// Thickness of the section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ThicknessInShort {
    /// Whether it was measured.
    pub status: ThicknessStatus,
    /// Why not; null when it was.
    pub why: Option<String>,
    /// Mean over the section, µm.
    pub mean_um: Option<f64>,
    /// 95 % interval of `mean_um`.
    pub ci95_um: Option<[f64; 2]>,
    /// Gradient toward +x and +y, µm per mm; null when the fields do not span the section.
    pub gradient_um_per_mm: Option<[f64; 2]>,
    /// 95 % intervals of the two components of the gradient.
    pub gradient_ci95: Option<[[f64; 2]; 2]>,
    /// Thickness where it is least, µm.
    pub at_thinnest_um: Option<f64>,
    /// Thickness where it is greatest, µm.
    pub at_thickest_um: Option<f64>,
    /// Difference across the section, µm; null when there is no gradient.
    pub range_across_um: Option<f64>,
    /// Direction in which it thickens, degrees anticlockwise from +x; null when it is even within what was measured.
    pub thickens_toward_deg: Option<f64>,
    /// How many quartz grains carried it; null when it was not measured.
    pub quartz_grains: Option<usize>,
}

/// What was found on a section. Findings under half confidence are not counted, as in the verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DefectsInShort {
    /// How many bubbles; null when none was found and no field could show one.
    pub bubbles: Option<usize>,
    /// How many plucked places; those that may as well be the rock's own are left out. Null as for bubbles.
    pub plucks: Option<usize>,
    /// How many places are plucked or the rock's own; null as for bubbles.
    pub ambiguous_plucks: Option<usize>,
    /// How many scratches; null as for bubbles.
    pub scratches: Option<usize>,
    /// Direction of the longest set of them, or of the longest one where they make no set, degrees anticlockwise from +x,
    /// 0..180; null when there is none.
    pub scratches_deg: Option<f64>,
    /// Sums over the fields.
    pub totals: DefectTotals,
    /// Kinds that a field could not show, each once.
    pub unjudged: Vec<String>,
}

impl DrawerRecord {
    /// The table of these rows, put in order and counted.
    #[must_use]
    pub fn of(mut slides: Vec<SlideRow>, mut warnings: Vec<String>, made_at: String) -> Self {
        slides.sort_by(|a, b| by_id(&a.id, &b.id).then_with(|| a.folder.cmp(&b.folder)));
        warnings.extend(two_programs(&slides));
        Self {
            schema_version: SCHEMA_VERSION.into(),
            counts: Counts::of(&slides),
            grinder: GrinderRecord::of(&Grinder::of(Batch::of(sections(&slides), by_id))),
            slides,
            warnings,
            passed_over: Vec::new(),
            tool: Tool::this(),
            made_at,
        }
    }

    /// The same with folders in which nothing lies.
    #[must_use]
    pub fn passing_over(self, folders: Vec<String>) -> Self {
        Self { passed_over: folders, ..self }
    }

    /// The verdict of each row, None for one that could not be checked.
    #[must_use]
    pub fn outcomes(&self) -> Vec<Option<Outcome>> {
        self.slides.iter().map(|row| row.checked.as_ref().map(|c| c.outcome)).collect()
    }

    /// The record as indented JSON in the order of its fields, with a final line break.
    ///
    /// # Panics
    /// Never: the record holds no maps with keys that are not text.
    #[must_use]
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).expect("a record of plain fields serialises");
        text.push('\n');
        text
    }
}

/// JSON Schema (2020-12) of the record, as committed in `docs/drawer.schema.json`.
///
/// # Panics
/// Never: a schema is plain JSON.
#[must_use]
pub fn schema() -> String {
    let schema = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<DrawerRecord>();
    let mut text = serde_json::to_string_pretty(&schema).expect("a schema is plain JSON");
    text.push('\n');
    text
}

/// The slides that were checked, as the grinder made them.
fn sections(slides: &[SlideRow]) -> Vec<Section> {
    slides
        .iter()
        .filter_map(|row| row.checked.as_ref().map(|checked| (row, checked)))
        .map(|(row, checked)| {
            let (t, totals) = (&checked.thickness, &checked.defects.totals);
            Section {
                id: row.id.clone(),
                sequence: checked.slide.sequence,
                micrometer_um: checked.slide.micrometer_um,
                mark: checked.slide.mark_corner,
                target_um: checked.slide.target_um,
                thickness_um: t.mean_um,
                half_um: t.ci95_um.map(|[low, high]| (high - low) / 2.0),
                gradient_um_per_mm: t.gradient_um_per_mm,
                left: [totals.scratch_mm_per_mm2, totals.bubbles_per_mm2, totals.pluck_area_fraction],
                scratches_deg: checked.defects.scratches_deg,
            }
        })
        .collect()
}

/// A warning when the reports were made by more than one version.
fn two_programs(slides: &[SlideRow]) -> Option<String> {
    let mut versions: BTreeMap<String, usize> = BTreeMap::new();
    for checked in slides.iter().filter_map(|row| row.checked.as_ref()) {
        let Tool { name, version, sources } = &checked.tool;
        *versions.entry(format!("{name} {version} (sources {sources})")).or_default() += 1;
    }
    (versions.len() > 1).then(|| {
        let told: Vec<String> = versions.iter().map(|(version, n)| format!("{n} by {version}")).collect();
        format!("The reports were not all made by one version: {}.", told.join(", "))
    })
}

impl Counts {
    fn of(slides: &[SlideRow]) -> Self {
        let mut counts = Self { slides: slides.len(), ..Self::default() };
        for row in slides {
            *match row.checked.as_ref().map(|c| c.outcome) {
                None => &mut counts.failed,
                Some(Outcome::Pass) => &mut counts.pass,
                Some(Outcome::Regrind) => &mut counts.regrind,
                Some(Outcome::Recover) => &mut counts.recover,
                Some(Outcome::Remake) => &mut counts.remake,
                Some(Outcome::Undetermined) => &mut counts.undetermined,
            } += 1;
        }
        counts
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::verdict::Removal;
    use std::path::Path;

    /// A slide that passes.
    pub(in crate::drawer) fn row(id: &str) -> SlideRow {
        SlideRow {
            id: id.into(),
            folder: format!("../slides/{id}"),
            report: Some(id.into()),
            failure: None,
            failed_at: None,
            failed_in: None,
            checked: Some(CheckedRow {
                outcome: Outcome::Pass,
                why: "Every limit is met.".into(),
                next_steps: Vec::new(),
                slide: SlideInShort {
                    width_mm: Some(40.0),
                    height_mm: Some(24.0),
                    mark_corner: Some(Corner::TopLeft),
                    finish: Finish::Uncovered,
                    target_um: 30.0,
                    micrometer_um: Some(42.0),
                    sequence: Some(7),
                },
                thickness: ThicknessInShort {
                    status: ThicknessStatus::Measured,
                    why: None,
                    mean_um: Some(30.4),
                    ci95_um: Some([29.9, 30.9]),
                    gradient_um_per_mm: Some([0.05, -0.12]),
                    gradient_ci95: Some([[0.03, 0.07], [-0.14, -0.1]]),
                    at_thinnest_um: Some(28.1),
                    at_thickest_um: Some(32.7),
                    range_across_um: Some(4.6),
                    thickens_toward_deg: Some(292.6),
                    quartz_grains: Some(140),
                },
                defects: DefectsInShort {
                    bubbles: Some(1),
                    plucks: Some(0),
                    ambiguous_plucks: Some(2),
                    scratches: Some(0),
                    scratches_deg: None,
                    totals: DefectTotals { largest_bubble_um: Some(55.0), ..DefectTotals::default() },
                    unjudged: Vec::new(),
                },
                regrind_plan: None,
                warnings: 0,
                tool: Tool { name: "thinproof".into(), version: "0.1.0".into(), sources: "0".into() },
            }),
        }
    }

    /// A slide to take so much off.
    pub(in crate::drawer) fn regrind(id: &str, mean: f64) -> SlideRow {
        let mut row = row(id);
        let checked = row.checked.as_mut().unwrap();
        checked.outcome = Outcome::Regrind;
        checked.next_steps = vec!["Look again.".into()];
        checked.regrind_plan = Some(RegrindPlan {
            remove_um: Removal { mean, at_each_corner: None, at_centre: None },
            high_corner: Some(Corner::TopRight),
            relative_to_mark: Some("the corner beside the bevelled one".into()),
            micrometer_target_um: Some(42.0 - mean),
            sentences: vec![format!("Take {mean} µm off.")],
        });
        row
    }

    /// A slide that could not be checked.
    pub(in crate::drawer) fn failed(id: &str, why: &str) -> SlideRow {
        SlideRow { report: None, failure: Some(why.into()), checked: None, ..row(id) }
    }

    #[test]
    fn committed_schema_is_current() {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/drawer.schema.json");
        if std::env::var_os("THINPROOF_WRITE_SCHEMA").is_some() {
            std::fs::write(&file, schema()).unwrap();
            panic!("the schema was written: look at its changes, then run without THINPROOF_WRITE_SCHEMA");
        }
        let committed = std::fs::read_to_string(&file).unwrap_or_default();
        assert!(committed == schema(), "docs/drawer.schema.json is not current; run with THINPROOF_WRITE_SCHEMA=1");
    }

    #[test]
    fn every_field_has_its_meaning() {
        let schema: serde_json::Value = serde_json::from_str(&schema()).unwrap();
        let ours = ["Counts", "SlideRow", "CheckedRow", "SlideInShort", "ThicknessInShort", "DefectsInShort"];
        for (name, kind) in std::iter::once(("", &schema)).chain(ours.map(|n| (n, &schema["$defs"][n]))) {
            let fields = kind["properties"].as_object().unwrap_or_else(|| panic!("{name} is in the schema"));
            for (field, told) in fields {
                assert!(told["description"].as_str().is_some_and(|d| d.len() > 8), "{name}.{field} has no meaning");
            }
        }
    }
}
