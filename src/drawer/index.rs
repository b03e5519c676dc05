//! `index.html`: the drawer on one self-contained page. Values come in measured and judged; here they become text.

use askama::Template;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use crate::drawer::plots::{Plot, plots};
use crate::drawer::record::{CheckedRow, DrawerRecord, SlideRow};
use crate::drawer::summary::of_empty;
use crate::error::{Error, Result};
use crate::grinder::record::{Found, Statement};
use crate::report::terminal::plain;
use crate::report::words;
use crate::verdict::Outcome;

const CSS: &str = include_str!("templates/index.css");
const SCRIPT: &str = include_str!("templates/index.js");

/// Slides up to which the page shows each: some 4 kB a slide.
const MOST_SHOWN: usize = 2500;

#[derive(Template)]
#[template(path = "index.html")]
struct Page {
    script_hash: String,
    css: &'static str,
    script: &'static str,
    slides: usize,
    counts: Vec<Count>,
    rows: Vec<Row>,
    regrind: Vec<Regrind>,
    said: Vec<Said>,
    cautions: Vec<String>,
    plots: Vec<Plot>,
    warnings: Vec<String>,
    tool: String,
    made_at: String,
    schema_version: String,
}

/// How many slides of one verdict.
struct Count {
    class: &'static str,
    name: &'static str,
    n: usize,
}

/// A slide as the table shows it. `sort_` values are what a column is ordered by.
struct Row {
    id: String,
    link: Option<String>,
    picture: Option<String>,
    class: &'static str,
    verdict: &'static str,
    /// Place of the verdict in the order in which they count.
    weight: usize,
    thickness: String,
    sort_thickness: String,
    interval: String,
    wedge: String,
    sort_wedge: String,
    defects: String,
    sort_defects: usize,
    to_do: String,
}

/// A slide of the regrind list.
struct Regrind {
    id: String,
    link: String,
    thickness: String,
    remove: String,
    corner: String,
    micrometer: String,
    sentences: Vec<String>,
}

/// Something that is said about the grinder.
struct Said {
    class: &'static str,
    sentence: String,
    to_do: Vec<String>,
    evidence: String,
}

/// Verdicts in the order in which they count, with the class of their colour; None: could not be checked.
const KINDS: [(Option<Outcome>, &str); 6] = [
    (None, "failed"),
    (Some(Outcome::Remake), "remake"),
    (Some(Outcome::Regrind), "regrind"),
    (Some(Outcome::Recover), "recover"),
    (Some(Outcome::Undetermined), "undetermined"),
    (Some(Outcome::Pass), "pass"),
];

/// Renders the page. `thumbnail` gives a small JPEG for a report's folder as the record tells it, when there is one; beyond
/// 2,500 slides it is not asked.
///
/// # Errors
/// When the template cannot be rendered, which would be a fault of this program.
pub fn to_html(record: &DrawerRecord, thumbnail: impl Fn(&str) -> Option<Vec<u8>>) -> Result<String> {
    let outcomes = record.outcomes();
    let shown = record.slides.len() <= MOST_SHOWN;
    let picture =
        |report: &str| thumbnail(report).map(|jpeg| format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg)));
    let page = Page {
        script_hash: format!("sha256-{}", STANDARD.encode(Sha256::digest(SCRIPT.as_bytes()))),
        css: CSS,
        script: SCRIPT,
        slides: record.counts.slides,
        counts: KINDS
            .iter()
            .map(|(outcome, class)| Count {
                class,
                name: name(*outcome),
                n: outcomes.iter().filter(|o| *o == outcome).count(),
            })
            .collect(),
        rows: (record.slides.iter())
            .map(|slide| Row { picture: slide.report.as_deref().filter(|_| shown).and_then(&picture), ..row(slide) })
            .collect(),
        regrind: regrind_list(&record.slides),
        said: record.grinder.statements.iter().map(said).collect(),
        cautions: record.grinder.cautions.clone(),
        plots: plots(&record.grinder),
        warnings: record.warnings.iter().chain(&of_empty(&record.passed_over)).map(|w| plain(w)).collect(),
        tool: format!("{} {}", record.tool.name, record.tool.version),
        made_at: record.made_at.clone(),
        schema_version: record.schema_version.clone(),
    };
    page.render().map_err(|e| {
        Error::new(
            "index.html",
            "the page cannot be rendered",
            "this is a fault of the program; drawer.json is not affected",
        )
        .caused_by(e)
    })
}

fn said(statement: &Statement) -> Said {
    Said {
        class: match statement.found {
            Found::Signal => "regrind",
            Found::Nothing => "pass",
            Found::TooFew => "undetermined",
        },
        sentence: plain(&statement.sentence),
        to_do: statement.what_to_do.iter().map(|s| plain(s)).collect(),
        evidence: plain(&statement.evidence),
    }
}

const fn name(outcome: Option<Outcome>) -> &'static str {
    match outcome {
        Some(outcome) => words::headline(outcome),
        None => "Not checked",
    }
}

fn row(slide: &SlideRow) -> Row {
    let outcome = slide.checked.as_ref().map(|c| c.outcome);
    let weight = KINDS.iter().position(|(o, _)| *o == outcome).unwrap_or(0);
    let sort = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
    let mut row = Row {
        id: plain(&slide.id),
        link: slide.report.as_deref().map(address),
        picture: None,
        class: KINDS[weight].1,
        verdict: name(outcome),
        weight,
        thickness: String::new(),
        sort_thickness: String::new(),
        interval: String::new(),
        wedge: String::new(),
        sort_wedge: String::new(),
        defects: String::new(),
        sort_defects: 0,
        to_do: plain(slide.failure.as_deref().unwrap_or_default()),
    };
    if let Some(checked) = &slide.checked {
        let t = &checked.thickness;
        row.thickness = t.mean_um.map_or_else(|| "not measured".into(), |v| format!("{v:.1}"));
        row.sort_thickness = sort(t.mean_um);
        row.interval = t.ci95_um.map_or_else(String::new, |[low, high]| format!("{low:.1} to {high:.1}"));
        row.wedge = t.range_across_um.map_or_else(|| "not known".into(), |v| format!("{v:.1}"));
        row.sort_wedge = sort(t.range_across_um);
        row.defects = defects(checked);
        let d = &checked.defects;
        row.sort_defects = [d.bubbles, d.plucks, d.scratches].into_iter().flatten().sum();
        let first = checked.next_steps.first().map_or(checked.why.as_str(), String::as_str);
        row.to_do = plain(first);
    }
    row
}

/// What was found, and what could not be judged.
fn defects(checked: &CheckedRow) -> String {
    let d = &checked.defects;
    let told =
        [(d.bubbles, "bubble"), (d.plucks, "plucked place"), (d.scratches, "scratch")].map(|(n, word)| match n {
            None | Some(0) => None,
            Some(1) => Some(format!("1 {word}")),
            Some(n) => Some(format!("{n} {word}{}", if word == "scratch" { "es" } else { "s" })),
        });
    let mut told: Vec<String> = told.into_iter().flatten().collect();
    if told.is_empty() && [d.bubbles, d.plucks, d.scratches].iter().any(Option::is_some) {
        told.push("none found".into());
    }
    if !d.unjudged.is_empty() {
        told.push(format!("not judged everywhere: {}", plain(&d.unjudged.join(", "))));
    }
    told.join(", ")
}

/// The slides to grind: those with most to come off first, so that slides that need about the same lie beside each other.
fn regrind_list(slides: &[SlideRow]) -> Vec<Regrind> {
    let mut list: Vec<(f64, Regrind)> = Vec::new();
    for slide in slides {
        let Some(checked) = slide.checked.as_ref().filter(|c| c.outcome == Outcome::Regrind) else { continue };
        let plan = checked.regrind_plan.as_ref();
        let corner = plan.map_or_else(String::new, |p| match (p.high_corner, &p.relative_to_mark) {
            (Some(_), Some(words)) => plain(words),
            (Some(_), None) => "mark not known: see the report".into(),
            (None, _) => "none".into(),
        });
        let t = checked.thickness.mean_um;
        let regrind = Regrind {
            id: plain(&slide.id),
            link: slide.report.as_deref().map(address).unwrap_or_default(),
            thickness: t.map_or_else(|| "not measured".into(), |v| format!("{v:.1}")),
            remove: plan.map_or_else(|| "see the report".into(), |p| format!("{:.1}", p.remove_um.mean)),
            corner,
            micrometer: plan.and_then(|p| p.micrometer_target_um).map_or_else(String::new, |v| format!("{v:.1}")),
            sentences: plan.map_or(&checked.next_steps, |p| &p.sentences).iter().map(|s| plain(s)).collect(),
        };
        list.push((plan.map_or(f64::NEG_INFINITY, |p| p.remove_um.mean), regrind));
    }
    // A stable sort: of those with the same to come off, the order of the ids stays.
    list.sort_by(|a, b| b.0.total_cmp(&a.0));
    list.into_iter().map(|(_, regrind)| regrind).collect()
}

/// The address of the page in a report's folder; whatever its name, it is a place and nothing else.
fn address(report: &str) -> String {
    let mut text = if report.starts_with('/') { String::new() } else { "./".to_owned() };
    for byte in format!("{report}/report.html").bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => text.push(char::from(byte)),
            other => text.push_str(&format!("%{other:02X}")),
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawer::record::tests::{failed, regrind, row as passes};

    fn page(slides: Vec<SlideRow>) -> String {
        to_html(&DrawerRecord::of(slides, vec!["One <warning>.".into()], "2000-01-01T00:00:00Z".into()), |_| {
            Some(vec![0xff])
        })
        .unwrap()
    }

    #[test]
    fn the_page_says_what_the_record_says() {
        let html =
            page(vec![passes("LM-10"), regrind("LM-2", 4.0), regrind("LM-3", 9.5), failed("LM-1", "no <light>")]);
        for part in
            ["LM-10", "30.4", "29.9 to 30.9", "1 bubble", "href=\"./LM-2/report.html\"", "One &#60;warning&#62;."]
        {
            assert!(html.contains(part), "{part} is not in the page");
        }
        assert!(html.contains("no &#60;light&#62;"), "a failure is told with its reason");
        let list = &html[html.find("id=\"regrind\"").unwrap()..];
        assert!(list.find("LM-3").unwrap() < list.find("LM-2").unwrap(), "most to come off first");
        assert!(!list.contains("LM-10"), "what passes is not ground");
        assert!(!html.contains("http://") && !html.contains("https://"), "the page asks for nothing");
    }

    #[test]
    fn text_from_outside_stays_text() {
        let nasty = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>\u{1b}[31m";
        let mut slide = regrind(nasty, 3.0);
        slide.report = Some(format!("javascript:{nasty}"));
        let checked = slide.checked.as_mut().unwrap();
        checked.why = nasty.into();
        checked.next_steps = vec![nasty.into()];
        checked.regrind_plan.as_mut().unwrap().sentences = vec![nasty.into()];
        checked.defects.unjudged = vec![nasty.into()];
        let html = page(vec![slide, failed(nasty, nasty)]);
        assert_eq!(html.matches("<script").count(), 1);
        assert!(
            !html.contains("<img src=x") && !html.contains('\u{1b}') && !html.contains("href=\"javascript:"),
            "{html}"
        );
    }

    #[test]
    fn addresses_are_places() {
        assert_eq!(address("../part 1/LM#1?"), "./../part%201/LM%231%3F/report.html");
        assert_eq!(address("/reports/é"), "/reports/%C3%A9/report.html");
    }
}
