//! `report.html`: one self-contained page. Values come in measured and judged; here they become text and outlines.

use askama::Template;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};
use crate::report::chart::{Chart, ChartView};
use crate::report::drawing::{Drawing, Gauge};
use crate::report::marks::{DefectRow, marks};
use crate::report::pictures::FieldPicture;
use crate::report::record::Report;
use crate::report::rows::{
    Kind, LimitRow, PhotographRow, Picture, kinds, limit_row, photograph_row, picture, thickness_rows,
};
use crate::report::terminal::plain;
use crate::report::words;
use crate::slide::record::Finish;
use crate::verdict::Outcome;
use crate::verdict::advice::kind_words;

const CSS: &str = include_str!("templates/page.css");
const SCRIPT: &str = include_str!("templates/page.js");
/// Rows of the table of defects; the rest is in the JSON.
const MOST_ROWS: usize = 200;

#[derive(Template)]
#[template(path = "page.html")]
struct Page {
    script_hash: String,
    css: &'static str,
    script: &'static str,
    id: String,
    class: &'static str,
    headline: &'static str,
    mark: &'static str,
    facts: Vec<String>,
    why: String,
    steps_first: Vec<String>,
    steps_more: Vec<String>,
    d: Drawing,
    g: Gauge,
    notes: Vec<String>,
    warnings: Vec<String>,
    limits: Vec<LimitRow>,
    kinds: Vec<Kind>,
    pictures: Vec<Picture>,
    defects: Vec<DefectRow>,
    defects_left_out: usize,
    sets: Vec<String>,
    others: Vec<String>,
    causes: Vec<[String; 3]>,
    unjudged: Vec<String>,
    chart: Option<ChartView>,
    other_mineral: Option<String>,
    thickness: Vec<[String; 4]>,
    photographs: Vec<PhotographRow>,
    kept: Vec<[String; 2]>,
    assumed: Vec<String>,
    cautions: Vec<String>,
    tool: String,
    made_at: String,
    schema_version: String,
}

/// Renders the page. `pictures` in the order of the report's fields, or none; `chart` where thickness was measured.
///
/// # Errors
/// When the template cannot be rendered, which would be a fault of this program.
pub fn to_html(report: &Report, pictures: &[FieldPicture], chart: Option<&Chart>) -> Result<String> {
    let (marks, mut rows) = marks(&report.defects, pictures);
    let defects_left_out = rows.len().saturating_sub(MOST_ROWS);
    rows.truncate(MOST_ROWS);
    let steps = &report.verdict.next_steps;
    let page = Page {
        script_hash: format!("sha256-{}", STANDARD.encode(Sha256::digest(SCRIPT.as_bytes()))),
        css: CSS,
        script: SCRIPT,
        id: plain(&report.slide.id),
        class: class(report.verdict.outcome),
        headline: words::headline(report.verdict.outcome),
        mark: sign(report.verdict.outcome),
        facts: facts(report),
        why: unbroken(&report.verdict.why),
        steps_first: steps.iter().take(3).map(|s| unbroken(s)).collect(),
        steps_more: steps.iter().skip(3).map(|s| unbroken(s)).collect(),
        d: Drawing::of(report),
        g: Gauge::of(report),
        notes: report.verdict.notes.iter().map(|n| unbroken(n)).collect(),
        warnings: report.warnings.iter().map(|w| unbroken(w)).collect(),
        limits: report.verdict.reasons.iter().map(|r| limit_row(r, report)).collect(),
        kinds: kinds(report),
        pictures: pictures.iter().zip(marks).map(|(p, m)| picture(p, m, report)).collect(),
        defects: rows,
        defects_left_out,
        others: report
            .defects
            .others
            .iter()
            .map(|o| format!("Field {}, at {:.0}, {:.0}: {}.", o.field, o.box_px[0], o.box_px[1], o.sentence))
            .collect(),
        sets: report.defects.scratch_sets.iter().map(|s| unbroken(&s.words())).collect(),
        causes: report
            .defects
            .causes
            .iter()
            .map(|c| [words::kind(c.kind).to_owned(), unbroken(&c.causes), unbroken(&c.cure)])
            .collect(),
        unjudged: report
            .defects
            .unjudged
            .iter()
            .map(|u| format!("Field {}, {}: {}", u.field, kind_words(u.kind), u.why))
            .collect(),
        chart: chart.map(|c| ChartView::of(c, report)),
        other_mineral: words::other_than_quartz(report).map(plain),
        thickness: thickness_rows(report),
        photographs: report.photographs.iter().map(photograph_row).collect(),
        kept: kept(report),
        assumed: report.slide.assumed.clone(),
        cautions: report.cautions.clone(),
        tool: format!("{} {}", report.tool.name, report.tool.version),
        made_at: report.made_at.clone(),
        schema_version: report.schema_version.clone(),
    };
    page.render().map_err(|e| {
        Error::new(
            "report.html",
            "the page cannot be rendered",
            "this is a fault of the program; report.json is not affected",
        )
        .caused_by(e)
    })
}

/// A sentence whose numbers keep their units on their line.
pub(super) fn unbroken(sentence: &str) -> String {
    let mut text = plain(sentence);
    for unit in ["µm", "%", "mm", "mm²", "degrees"] {
        for digit in '0'..='9' {
            text = text.replace(&format!("{digit} {unit}"), &format!("{digit}\u{a0}{unit}"));
        }
    }
    text
}

/// What the preparator wrote for the archive, with its words.
fn kept(report: &Report) -> Vec<[String; 2]> {
    let Some(a) = &report.archive else { return Vec::new() };
    [
        ("Sample", &a.sample),
        ("IGSN", &a.igsn),
        ("Collection", &a.collection),
        ("Preparator", &a.preparator),
        ("Licence", &a.licence),
        ("Note", &a.note),
    ]
    .into_iter()
    .filter_map(|(word, value)| Some([word.to_owned(), plain(value.as_deref()?)]))
    .collect()
}

const fn class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Regrind => "regrind",
        Outcome::Recover => "recover",
        Outcome::Remake => "remake",
        Outcome::Undetermined => "undetermined",
    }
}

/// A sign for each verdict that differs in shape, not only in colour.
const fn sign(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => {
            r#"<svg viewBox="0 0 40 40" aria-hidden="true"><path d="M5 22L16 33L36 8" fill="none" stroke="currentColor" stroke-width="7"/></svg>"#
        }
        Outcome::Regrind => {
            r#"<svg viewBox="0 0 40 40" aria-hidden="true"><path d="M4 36H36V22L4 30Z" fill="currentColor"/><path d="M20 2V15M13 9L20 16L27 9" fill="none" stroke="currentColor" stroke-width="5"/></svg>"#
        }
        Outcome::Recover => {
            r#"<svg viewBox="0 0 40 40" aria-hidden="true"><path d="M4 37H36M4 26H36" stroke="currentColor" stroke-width="5"/><path d="M20 24V4M11 12L20 3L29 12" fill="none" stroke="currentColor" stroke-width="5"/></svg>"#
        }
        Outcome::Remake => {
            r#"<svg viewBox="0 0 40 40" aria-hidden="true"><path d="M6 6L34 34M34 6L6 34" stroke="currentColor" stroke-width="7"/></svg>"#
        }
        Outcome::Undetermined => {
            r#"<svg viewBox="0 0 40 40" aria-hidden="true"><circle cx="20" cy="20" r="15" fill="none" stroke="currentColor" stroke-width="6" stroke-dasharray="14 9.6"/></svg>"#
        }
    }
}

fn facts(report: &Report) -> Vec<String> {
    let slide = &report.slide;
    let target = if slide.polish_to_come {
        format!("target {} µm, and 5 more for the polish to come", slide.target_um)
    } else {
        format!("target {} µm", slide.target_um)
    };
    let finish = match slide.finish {
        Finish::Uncovered => "uncovered",
        Finish::Covered => "covered",
        Finish::Polished => "polished",
    };
    let n = report.fields.len();
    let mut out = vec![target, finish.into(), format!("{n} field{} of view", if n == 1 { "" } else { "s" })];
    if slide.untouchable {
        out.push("not to be touched".into());
    }
    out.push(report.made_at.get(..10).unwrap_or(&report.made_at).to_owned());
    out
}
