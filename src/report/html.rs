//! `report.html`: one self-contained page. Values come in measured and judged; here they become text and outlines.

use askama::Template;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};
use crate::report::chart::{Chart, ChartView};
use crate::report::drawing::{Drawing, Gauge};
use crate::report::marks::{DefectRow, Mark, marks};
use crate::report::pictures::FieldPicture;
use crate::report::record::{Report, ThicknessStatus};
use crate::report::terminal::plain;
use crate::report::words;
use crate::slide::photograph::{PhotographRecord, Role};
use crate::slide::record::Finish;
use crate::verdict::advice::kind_words;
use crate::verdict::limits::Limit;
use crate::verdict::reasons::{Side, percent};
use crate::verdict::{Outcome, Reason};

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

struct LimitRow {
    class: &'static str,
    name: String,
    measured: String,
    allowed: String,
    probability: String,
    met: &'static str,
    source: String,
}

struct Kind {
    key: &'static str,
    name: &'static str,
    count: usize,
    shape: &'static str,
}

struct Picture {
    name: String,
    facts: String,
    summary: String,
    view: String,
    covers: [f64; 2],
    plane: String,
    crossed: Option<String>,
    plane_caption: String,
    crossed_caption: String,
    marks: Vec<Mark>,
}

struct PhotographRow {
    file: String,
    field: String,
    light: String,
    pixels: String,
    exposure: String,
    camera: String,
    sha256: String,
    warnings: Vec<String>,
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

fn limit_row(r: &Reason, report: &Report) -> LimitRow {
    let number = |v: f64| match r.limit {
        Limit::Thickness | Limit::RangeAcross => format!("{v:.1} µm"),
        Limit::LargestBubble => format!("{v:.0} µm"),
        Limit::BubbleArea | Limit::PluckedArea => percent(v),
        Limit::BubblesPerMm2 | Limit::Scratches => format!("{v:.2} {}", words::unit(&r.unit)),
    };
    let bound = |v: f64| match r.limit {
        Limit::BubbleArea | Limit::PluckedArea => percent(v),
        _ => format!("{v} {}", words::unit(&r.unit)),
    };
    let allowed = match r.allowed {
        [Some(low), Some(high)] => format!("{low} to {high} {}", words::unit(&r.unit)),
        [None, Some(high)] => format!("up to {}", bound(high)),
        [Some(low), None] => format!("from {}", bound(low)),
        [None, None] => "no limit".into(),
    };
    let name = match r.side {
        Some(Side::Thinnest) => "Thickness, thinnest place".into(),
        Some(Side::Thickest) => "Thickness, thickest place".into(),
        None => words::limit(r.limit).to_owned(),
    };
    let none = match r.limit {
        Limit::LargestBubble if r.conformance_probability.is_some() => "none",
        _ => "not known",
    };
    let (class, met) = match (r.met, r.conformance_probability) {
        (Some(true), _) => ("", "met"),
        (Some(false), _) => ("missed", "missed"),
        (None, Some(_)) => ("open", "open"),
        (None, None) => (if r.missing { "open" } else { "" }, "not judged"),
    };
    let source = report.limits.iter().find(|l| l.limit == r.limit).map_or("", |l| &l.source);
    LimitRow {
        class,
        name,
        measured: r.measured.map_or_else(|| none.into(), number),
        allowed,
        probability: r.conformance_probability.map_or_else(|| "not known".into(), probability),
        met,
        source: source.into(),
    }
}

fn probability(p: f64) -> String {
    match p {
        p if p > 0.999 => "over 0.999".into(),
        p if p < 0.001 => "under 0.001".into(),
        p => format!("{p:.3}"),
    }
}

fn kinds(report: &Report) -> Vec<Kind> {
    let d = &report.defects;
    let ambiguous = d.plucks.iter().filter(|p| p.ambiguous).count();
    let kind = |key, name, count, shape| Kind { key, name, count, shape };
    vec![
        kind("bubble", "Bubbles", d.bubbles.len(), "M16 2a8 8 0 1 1 0 16a8 8 0 1 1 0 -16Z"),
        kind("pluck", "Plucked places", d.plucks.len() - ambiguous, "M5 8L13 2L27 5L24 17L9 18Z"),
        kind("ambiguous", "Holes that may be the rock's own", ambiguous, "M5 8L13 2L27 5L24 17L9 18Z"),
        kind("scratch", "Scratches", d.scratches.len(), "M2 16L30 4"),
        kind("fibre", "Fibres", d.fibres.len(), "M2 16C10 -4 20 22 30 4"),
        kind("lifted", "Lifted places", d.lifted.len(), "M4 12C3 3 14 1 20 3C28 5 31 12 25 16C18 20 6 19 4 12Z"),
    ]
}

fn picture(p: &FieldPicture, marks: Vec<Mark>, report: &Report) -> Picture {
    let field = report.fields.iter().find(|f| f.name == p.name);
    let thickness = report.thickness.per_field.iter().find(|f| f.name == p.name);
    let mut facts = Vec::new();
    if let Some(mean) = thickness.and_then(|t| t.mean_um) {
        facts.push(format!("{mean:.1} µm"));
    }
    if let Some([x, y]) = field.and_then(|f| f.centre_mm) {
        facts.push(format!("{x} mm along and {y} mm up from the lower-left corner"));
    }
    if let Some(s) = field.and_then(|f| f.um_per_px) {
        facts.push(format!("{s} µm per pixel"));
    }
    let count = |kind: &str| marks.iter().filter(|m| m.kind == kind).count();
    let words = |n: usize, one: &str, many: &str| match n {
        0 => format!("no {one}"),
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    };
    let if_any = |kind: &str, one: &str, many: &str| match count(kind) {
        0 => String::new(),
        n => format!(", {}", words(n, one, many)),
    };
    let summary = format!(
        "{}, {}, {}{}{}.",
        words(count("bubble"), "bubble", "bubbles"),
        words(count("pluck") + count("ambiguous"), "hole", "holes"),
        words(count("scratch"), "scratch", "scratches"),
        if_any("fibre", "fibre", "fibres"),
        if_any("lifted", "lifted place", "lifted places")
    );
    Picture {
        name: p.name.clone(),
        facts: facts.join(", "),
        plane_caption: format!("Plane light: {summary}{}", shown(p)),
        summary,
        view: format!("-0.5 -0.5 {} {}", p.covers_px[0], p.covers_px[1]),
        covers: p.covers_px,
        plane: p.plane.clone(),
        crossed: p.crossed.clone(),
        crossed_caption: p.crossed_angle_deg.map_or_else(
            || format!("Crossed polars.{}", shown(p)),
            |a| format!("Crossed polars at {a:.1}\u{a0}degrees, brightened for the page.{}", shown(p)),
        ),
        marks,
    }
}

/// What the page shows of a photograph's pixels, where it is not all.
fn shown(p: &FieldPicture) -> String {
    match p.pixels_in_one {
        1 => String::new(),
        n => format!(" Shown with {n}\u{a0}×\u{a0}{n} pixels as one."),
    }
}

fn thickness_rows(report: &Report) -> Vec<[String; 4]> {
    let t = &report.thickness;
    if t.status == ThicknessStatus::NotMeasurable {
        return vec![["Section".into(), "not measured".into(), t.why.clone().unwrap_or_default(), String::new()]];
    }
    let value = |v: Option<f64>| v.map_or_else(|| "not known".into(), |v| format!("{v:.1}"));
    let interval = |i: Option<[f64; 2]>| i.map_or_else(|| "not known".into(), |[l, h]| format!("{l:.1} to {h:.1}"));
    let mut rows = vec![
        [
            "Mean".into(),
            value(t.mean_um),
            interval(t.ci95_um),
            t.quartz_grains.map_or_else(String::new, |n| n.to_string()),
        ],
        ["Thinnest place".into(), value(t.at_thinnest_um), interval(t.at_thinnest_ci95_um), String::new()],
        ["Thickest place".into(), value(t.at_thickest_um), interval(t.at_thickest_ci95_um), String::new()],
    ];
    rows.extend(
        t.per_field
            .iter()
            .map(|f| [format!("Field {}", f.name), value(f.mean_um), interval(f.ci95_um), f.quartz_grains.to_string()]),
    );
    rows
}

fn photograph_row(p: &PhotographRecord) -> PhotographRow {
    let light = match (p.role, p.angle_deg) {
        (Role::Plane, _) => "plane".into(),
        (Role::Blank, _) => "bare glass".into(),
        (Role::Crossed, Some(a)) => format!("crossed, {a}°"),
        (Role::Crossed, None) => "crossed".into(),
    };
    let exposure = p.exposure.map_or_else(
        || "not recorded".into(),
        |e| {
            let time = if e.time_s > 0.0 && e.time_s < 0.4 {
                format!("1/{:.0} s", 1.0 / e.time_s)
            } else {
                format!("{} s", e.time_s)
            };
            let f = e.f_number.map_or_else(String::new, |f| format!(", f/{f}"));
            let iso = e.iso.map_or_else(String::new, |i| format!(", ISO {i}"));
            format!("{time}{f}{iso}")
        },
    );
    let camera =
        [p.camera.as_deref(), p.taken_at.as_deref()].into_iter().flatten().map(plain).collect::<Vec<_>>().join(", ");
    PhotographRow {
        file: plain(&p.file),
        field: plain(&p.field),
        light,
        pixels: format!("{}\u{a0}×\u{a0}{}", p.width_px, p.height_px),
        exposure,
        camera: if camera.is_empty() { "not recorded".into() } else { camera },
        sha256: p.sha256.clone(),
        warnings: p.warnings.clone(),
    }
}
