//! `docs/report-fields.md`: every field of the record with its meaning, from the same words as the schema.

use std::fmt::Write as _;

use serde_json::Value;

use crate::report::json;

const HEAD: &str = "# Every field of `report.json`

Form 1.0. Made from the types by the same words as `report.schema.json`, and checked to be current; what the words mean in
practice is told in [reading-a-report.md](reading-a-report.md).

Fields may be added at any time, and a reader must pass over those it does not know. Within form 1 a field named here keeps its
name, unit and meaning, and null stays \"not known\". Sentences are for people: their wording may change.

| field | value | meaning |
| --- | --- | --- |
";

/// The list as committed.
pub(super) fn field_list() -> String {
    let schema: Value = serde_json::from_str(&json::schema()).expect("the schema is JSON");
    let mut out = HEAD.to_owned();
    rows(&schema, &schema, "", &mut out);
    out
}

/// A row for each property of an object, each followed by the rows below it.
fn rows(schema: &Value, object: &Value, path: &str, out: &mut String) {
    for (name, property) in object["properties"].as_object().into_iter().flatten() {
        let path = format!("{path}{name}");
        let meaning = property["description"].as_str().unwrap_or_default().replace('\n', " ").replace('|', "\\|");
        // Writing into a String cannot fail.
        let _ = writeln!(out, "| `{path}` | {} | {meaning} |", kind(schema, property));
        let (below, list) = inner(schema, property);
        rows(schema, below, &format!("{path}{}.", if list { "[]" } else { "" }), out);
    }
}

/// The object that a property holds, or a list of, and whether it is a list.
fn inner<'a>(schema: &'a Value, node: &'a Value) -> (&'a Value, bool) {
    if let Some(named) = named(schema, node) {
        return inner(schema, named);
    }
    if let Some(some) = node["anyOf"].as_array().and_then(|any| any.first()) {
        return inner(schema, some);
    }
    match &node["items"] {
        Value::Null => (node, false),
        items => (inner(schema, items).0, true),
    }
}

fn named<'a>(schema: &'a Value, node: &Value) -> Option<&'a Value> {
    let name = node["$ref"].as_str()?.strip_prefix("#/$defs/")?;
    schema["$defs"].get(name)
}

/// What values a node allows, in words.
fn kind(schema: &Value, node: &Value) -> String {
    if let Some(named) = named(schema, node) {
        return kind(schema, named);
    }
    if let Some(any) = node["anyOf"].as_array() {
        return any.iter().map(|n| kind(schema, n)).collect::<Vec<_>>().join(" or ");
    }
    if let Some(words) = node["enum"].as_array() {
        return words.iter().map(|w| format!("`{}`", w.as_str().unwrap_or("null"))).collect::<Vec<_>>().join(", ");
    }
    if let Some(choices) = node["oneOf"].as_array() {
        return choices.iter().map(|c| kind(schema, c)).collect::<Vec<_>>().join(", ");
    }
    if let Some(word) = node["const"].as_str() {
        return format!("`{word}`");
    }
    let types: Vec<&str> = match &node["type"] {
        Value::String(one) => vec![one],
        Value::Array(several) => several.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    };
    let words = types.into_iter().map(|t| match (t, node["minItems"].as_u64()) {
        ("array", Some(n)) => format!("{n} x {}", kind(schema, &node["items"])),
        ("array", None) => format!("list of {}", kind(schema, &node["items"])),
        ("string", _) => "text".into(),
        ("boolean", _) => "true or false".into(),
        (other, _) => other.into(),
    });
    words.collect::<Vec<_>>().join(" or ")
}
