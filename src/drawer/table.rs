//! `drawer.csv`: RFC 4180, a row a slide, for a spreadsheet.
//!
//! A text that a spreadsheet would take for a formula gets an apostrophe before it; numbers are left as they are. What is not
//! known is an empty cell.

use csv::{Terminator, WriterBuilder};
use serde::Serialize;

use crate::drawer::record::{CheckedRow, DrawerRecord, SlideRow};
use crate::error::{Error, Result};
use crate::report::terminal::plain;

/// A column: its name with the unit, and its cell.
type Column = (&'static str, fn(&SlideRow) -> Option<String>);

/// The columns in their order.
const COLUMNS: [Column; 36] = [
    ("id", |r| text(&r.id)),
    ("verdict", |r| r.checked.as_ref().map_or_else(|| Some("failed".into()), |c| word(c.outcome))),
    ("why", |r| text(r.checked.as_ref().map_or(r.failure.as_deref().unwrap_or_default(), |c| &c.why))),
    ("what_to_do", |r| of(r, |c| text(&c.next_steps.join(" ")))),
    ("thickness_um", |r| of(r, |c| number(c.thickness.mean_um))),
    ("thickness_low_um", |r| of(r, |c| number(c.thickness.ci95_um.map(|i| i[0])))),
    ("thickness_high_um", |r| of(r, |c| number(c.thickness.ci95_um.map(|i| i[1])))),
    ("at_thinnest_um", |r| of(r, |c| number(c.thickness.at_thinnest_um))),
    ("at_thickest_um", |r| of(r, |c| number(c.thickness.at_thickest_um))),
    ("range_across_um", |r| of(r, |c| number(c.thickness.range_across_um))),
    ("gradient_x_um_per_mm", |r| of(r, |c| number(c.thickness.gradient_um_per_mm.map(|g| g[0])))),
    ("gradient_y_um_per_mm", |r| of(r, |c| number(c.thickness.gradient_um_per_mm.map(|g| g[1])))),
    ("thickens_toward_deg", |r| of(r, |c| number(c.thickness.thickens_toward_deg))),
    ("quartz_grains", |r| of(r, |c| number(c.thickness.quartz_grains))),
    ("not_measured_because", |r| of(r, |c| text(c.thickness.why.as_deref().unwrap_or_default()))),
    ("bubbles", |r| of(r, |c| number(c.defects.bubbles))),
    ("largest_bubble_um", |r| of(r, |c| number(c.defects.totals.largest_bubble_um))),
    ("bubbles_per_mm2", |r| of(r, |c| number(c.defects.totals.bubbles_per_mm2))),
    ("bubble_area_fraction", |r| of(r, |c| number(c.defects.totals.bubble_area_fraction))),
    ("plucks", |r| of(r, |c| number(c.defects.plucks))),
    ("ambiguous_plucks", |r| of(r, |c| number(c.defects.ambiguous_plucks))),
    ("pluck_area_fraction", |r| of(r, |c| number(c.defects.totals.pluck_area_fraction))),
    ("scratches", |r| of(r, |c| number(c.defects.scratches))),
    ("scratch_mm_per_mm2", |r| of(r, |c| number(c.defects.totals.scratch_mm_per_mm2))),
    ("area_mm2", |r| of(r, |c| number(c.defects.totals.area_mm2))),
    ("unjudged", |r| of(r, |c| text(&c.defects.unjudged.join(" ")))),
    ("remove_um", |r| of(r, |c| number(c.regrind_plan.as_ref().map(|p| p.remove_um.mean)))),
    ("high_corner", |r| of(r, |c| c.regrind_plan.as_ref().and_then(|p| word(p.high_corner?)))),
    ("micrometer_target_um", |r| of(r, |c| number(c.regrind_plan.as_ref().and_then(|p| p.micrometer_target_um)))),
    ("target_um", |r| of(r, |c| number(Some(c.slide.target_um)))),
    ("mark_corner", |r| of(r, |c| word(c.slide.mark_corner?))),
    ("micrometer_um", |r| of(r, |c| number(c.slide.micrometer_um))),
    ("sequence", |r| of(r, |c| number(c.slide.sequence))),
    ("folder", |r| text(&r.folder)),
    ("report", |r| text(r.report.as_deref().unwrap_or_default())),
    ("made_by", |r| of(r, |c| text(&format!("{} {}", c.tool.name, c.tool.version)))),
];

/// The table as text, in the order of the record's rows.
///
/// # Errors
/// When it cannot be put together, which would be a fault of this program.
pub fn to_csv(record: &DrawerRecord) -> Result<String> {
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| {
        Error::new(
            "drawer.csv",
            "cannot be put together",
            "this is a fault of the program; drawer.json is not affected",
        )
        .caused_by(e)
    };
    let mut table = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    table.write_record(COLUMNS.map(|(name, _)| name)).map_err(|e| failed(e.into()))?;
    for row in &record.slides {
        table.write_record(COLUMNS.map(|(_, cell)| cell(row).unwrap_or_default())).map_err(|e| failed(e.into()))?;
    }
    let bytes = table.into_inner().map_err(|e| failed(e.to_string().into()))?;
    String::from_utf8(bytes).map_err(|e| failed(e.into()))
}

fn of(row: &SlideRow, cell: impl FnOnce(&CheckedRow) -> Option<String>) -> Option<String> {
    row.checked.as_ref().and_then(cell)
}

fn number<T: ToString>(value: Option<T>) -> Option<String> {
    value.map(|v| v.to_string())
}

/// A named value as `drawer.json` writes it.
fn word(value: impl Serialize) -> Option<String> {
    serde_json::to_value(value).ok()?.as_str().map(str::to_owned)
}

/// A text on one line that no spreadsheet takes for a formula.
fn text(text: &str) -> Option<String> {
    let text = plain(text);
    // What is looked at first by a program that trims, and the wide forms that some take for the narrow ones.
    let first = text.trim_start().chars().next()?;
    let formula = matches!(first, '=' | '+' | '-' | '@' | '|' | '%' | '＝' | '＋' | '－' | '＠');
    Some(if formula { format!("'{text}") } else { text })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawer::record::tests::{failed, regrind, row};

    fn read_back(text: &str) -> (csv::StringRecord, Vec<csv::StringRecord>) {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let head = reader.headers().unwrap().clone();
        (head, reader.records().collect::<Result<_, _>>().unwrap())
    }

    fn cell<'a>(head: &csv::StringRecord, row: &'a csv::StringRecord, name: &str) -> &'a str {
        &row[head.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"))]
    }

    #[test]
    fn a_row_a_slide_with_numbers_as_they_are_and_failures_too() {
        let slides = vec![regrind("LM-2", 11.5), failed("LM-1", "A_ppl.jpg: is damaged, \"half\" of it; copy it")];
        let text = to_csv(&DrawerRecord::of(slides, Vec::new(), "2000-01-01T00:00:00Z".into())).unwrap();
        assert_eq!(text.matches("\r\n").count(), 3, "RFC 4180 ends every record so");
        assert_eq!(text.matches('\n').count(), 3);
        assert!(text.contains("\"A_ppl.jpg: is damaged, \"\"half\"\" of it; copy it\""), "{text}");
        let (head, rows) = read_back(&text);
        assert_eq!(rows.len(), 2);
        assert_eq!((cell(&head, &rows[0], "id"), cell(&head, &rows[0], "verdict")), ("LM-1", "failed"));
        assert_eq!(cell(&head, &rows[0], "bubbles"), "", "unknown is empty and not nought");
        assert_eq!(cell(&head, &rows[1], "verdict"), "regrind");
        assert_eq!(cell(&head, &rows[1], "remove_um"), "11.5");
        assert_eq!(cell(&head, &rows[1], "gradient_y_um_per_mm"), "-0.12", "a number is no formula");
        assert_eq!(cell(&head, &rows[1], "high_corner"), "top-right");
        assert_eq!(cell(&head, &rows[1], "plucks"), "0");
    }

    #[test]
    fn nothing_from_outside_is_a_formula_or_a_new_row() {
        for nasty in ["=1+1", "+1", "-2", "@x", "  =cmd|' /C calc'!A0", "\t=1", "\r\n=1", "＝1", "|x"] {
            let mut slide = row("LM-1");
            slide.id = nasty.into();
            slide.checked.as_mut().unwrap().why = format!("{nasty},\"\r\n{nasty}");
            let text = to_csv(&DrawerRecord::of(vec![slide], Vec::new(), String::new())).unwrap();
            let (head, rows) = read_back(&text);
            assert_eq!(rows.len(), 1, "{text:?}");
            for name in ["id", "why"] {
                let cell = cell(&head, &rows[0], name);
                assert!(cell.starts_with('\'') && !cell.contains(['\r', '\n', '\t']), "{cell:?}");
            }
        }
    }
}
