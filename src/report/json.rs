//! The record as JSON, and its JSON Schema.

use schemars::generate::SchemaSettings;

use crate::report::record::Report;

/// The record as indented JSON in the order of its fields, with a final line break.
///
/// # Panics
/// Never: the record holds no maps with keys that are not text.
#[must_use]
pub fn to_json(report: &Report) -> String {
    let mut text = serde_json::to_string_pretty(report).expect("a record of plain fields serialises");
    text.push('\n');
    text
}

/// The record on one line, for `--json`.
///
/// # Panics
/// Never: the record holds no maps with keys that are not text.
#[must_use]
pub fn to_line(report: &Report) -> String {
    let mut text = serde_json::to_string(report).expect("a record of plain fields serialises");
    text.push('\n');
    text
}

/// JSON Schema (2020-12) of the record, as committed in `docs/report.schema.json`.
///
/// # Panics
/// Never: a schema is plain JSON.
#[must_use]
pub fn schema() -> String {
    let schema = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<Report>();
    let mut text = serde_json::to_string_pretty(&schema).expect("a schema is plain JSON");
    text.push('\n');
    text
}
