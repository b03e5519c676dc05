//! Rows and pictures of the page: what was measured and judged, as text.

use crate::report::marks::Mark;
use crate::report::pictures::FieldPicture;
use crate::report::record::{FieldRecord, Report, ThicknessStatus};
use crate::report::terminal::plain;
use crate::report::words;
use crate::section::defects::DefectKind;
use crate::slide::photograph::{PhotographRecord, Role};
use crate::verdict::Reason;
use crate::verdict::limits::Limit;
use crate::verdict::reasons::{Side, percent};

pub(super) struct LimitRow {
    pub(super) class: &'static str,
    pub(super) name: String,
    pub(super) measured: String,
    pub(super) allowed: String,
    pub(super) probability: String,
    pub(super) met: &'static str,
    pub(super) source: String,
}

pub(super) struct Kind {
    pub(super) key: &'static str,
    pub(super) name: &'static str,
    pub(super) count: String,
    pub(super) shape: &'static str,
}

pub(super) struct Picture {
    pub(super) name: String,
    pub(super) facts: String,
    pub(super) summary: String,
    pub(super) view: String,
    pub(super) covers: [f64; 2],
    pub(super) plane: String,
    pub(super) crossed: Option<String>,
    pub(super) plane_caption: String,
    pub(super) crossed_caption: String,
    pub(super) marks: Vec<Mark>,
}

pub(super) struct PhotographRow {
    pub(super) file: String,
    pub(super) field: String,
    pub(super) light: String,
    pub(super) pixels: String,
    pub(super) exposure: String,
    pub(super) camera: String,
    pub(super) sha256: String,
    pub(super) warnings: Vec<String>,
}

pub(super) fn limit_row(r: &Reason, report: &Report) -> LimitRow {
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

pub(super) fn kinds(report: &Report) -> Vec<Kind> {
    let d = &report.defects;
    let ambiguous = d.plucks.iter().filter(|p| p.ambiguous).count();
    let kind = |key, name, count: usize, shape| Kind { key, name, count: count.to_string(), shape };
    // None found is only known where a field could have shown one.
    let judged = |key, name, judged: DefectKind, count: usize, shape| {
        let shows = |field: &FieldRecord| !d.unjudged.iter().any(|u| u.kind == judged && u.field == field.name);
        let known = count > 0 || report.fields.iter().any(shows);
        Kind { key, name, count: if known { count.to_string() } else { "not judged".into() }, shape }
    };
    vec![
        judged("bubble", "Bubbles", DefectKind::Bubbles, d.bubbles.len(), "M16 2a8 8 0 1 1 0 16a8 8 0 1 1 0 -16Z"),
        judged("pluck", "Plucked places", DefectKind::Plucks, d.plucks.len() - ambiguous, "M5 8L13 2L27 5L24 17L9 18Z"),
        judged(
            "ambiguous",
            "Holes that may be the rock's own",
            DefectKind::Plucks,
            ambiguous,
            "M5 8L13 2L27 5L24 17L9 18Z",
        ),
        judged("scratch", "Scratches", DefectKind::Scratches, d.scratches.len(), "M2 16L30 4"),
        kind("fibre", "Fibres", d.fibres.len(), "M2 16C10 -4 20 22 30 4"),
        kind("lifted", "Lifted places", d.lifted.len(), "M4 12C3 3 14 1 20 3C28 5 31 12 25 16C18 20 6 19 4 12Z"),
    ]
}

pub(super) fn picture(p: &FieldPicture, marks: Vec<Mark>, report: &Report) -> Picture {
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
    let judged = |kind: DefectKind, n: usize, one: &str, many: &str| {
        let blind = report.defects.unjudged.iter().any(|u| u.kind == kind && u.field == p.name);
        if n == 0 && blind { format!("{many} not judged") } else { words(n, one, many) }
    };
    let if_any = |kind: &str, one: &str, many: &str| match count(kind) {
        0 => String::new(),
        n => format!(", {}", words(n, one, many)),
    };
    let summary = format!(
        "{}, {}, {}{}{}.",
        judged(DefectKind::Bubbles, count("bubble"), "bubble", "bubbles"),
        judged(DefectKind::Plucks, count("pluck") + count("ambiguous"), "hole", "holes"),
        judged(DefectKind::Scratches, count("scratch"), "scratch", "scratches"),
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

pub(super) fn thickness_rows(report: &Report) -> Vec<[String; 4]> {
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

pub(super) fn photograph_row(p: &PhotographRecord) -> PhotographRow {
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
