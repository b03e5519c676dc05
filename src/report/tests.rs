//! Whole reports from hand-made findings: the record against its schema, the page against hostile text, the lines.
//!
//! `THINPROOF_PAGES=DIR cargo test --lib report::tests::pages` leaves them in DIR for looking at and for other validators.

use crate::report::cases::{CASES, bubble, case, chart, hostile_page, hostile_report, page, pictures, report};
use crate::report::chart::ChartView;
use crate::report::fields::field_list;
use crate::report::record::Report;
use crate::report::{html, json, terminal};
use crate::thickness::{Shape, SurfaceForm};
use crate::verdict::Limit;
use crate::verdict::fixture::{measured, surface};
use std::path::Path;

/// Ghosh 1999: 227.5 nm at 25 um, 318.5 nm at 35 um; the scale of this test ends before the first order does.
#[test]
fn chart_marks_the_quartz_of_an_allowed_section() {
    let report = report(&case("pass"));
    let chart = chart(&report).unwrap();
    let view = ChartView::of(&chart, &report);
    assert_eq!(view.marks.len(), 2, "{:?}", view.marks);
    for ((x, allowed), nm) in view.marks.iter().zip([227.5, 318.5]) {
        assert!(*allowed && (x - 46.0 - 834.0 * nm / chart.up_to_nm).abs() < 0.2, "{nm} nm: {x}");
    }
    // Quartz's line passes over the marks at their thickness, and the other minerals' on either side of it.
    for ((place, um), mark) in view.allowed.iter().zip(&view.marks) {
        assert!((place[0] - mark.0).abs() < 0.2, "{um} µm: {place:?} {mark:?}");
    }
    let rise = |[x, y]: [f64; 2]| (320.0 - y) / (x - 46.0);
    let quartz = rise(view.lines.iter().find(|l| l.1).expect("quartz has a line").0);
    assert!((quartz - rise(view.allowed[0].0)).abs() < 0.01, "{quartz} {:?}", view.allowed);
    assert!(view.lines.iter().any(|l| rise(l.0) > 1.2 * quartz) && view.lines.iter().any(|l| rise(l.0) < 0.5 * quartz));
    let measured = view.measured.expect("it was measured");
    assert!((rise(measured) - quartz).abs() < 0.01 && measured[0] > view.marks[0].0 && measured[0] < view.marks[1].0);
    let mut by_feldspar = report;
    by_feldspar.thickness.mineral = Some("plagioclase".into());
    assert_eq!(ChartView::of(&chart, &by_feldspar).measured, None, "its highest colour is not quartz's");
    let page = page("pass");
    assert!(page.contains("between the bold marks: the highest colour of quartz of 25 to 35 \u{b5}m"));
}

#[test]
fn pages_say_what_the_record_says() {
    for (name, outcome) in CASES {
        let report = report(&case(name));
        assert_eq!(report.verdict.outcome, outcome, "{name}: {:#?}", report.verdict);
        let pictures = pictures(&report);
        let page = html::to_html(&report, &pictures, chart(&report).as_ref()).unwrap();
        if let Some(dir) = std::env::var_os("THINPROOF_PAGES") {
            let dir = Path::new(&dir).join(name);
            std::fs::create_dir_all(&dir).unwrap();
            std::fs::write(dir.join("report.html"), &page).unwrap();
            std::fs::write(dir.join("report.json"), json::to_json(&report)).unwrap();
        }
        assert!(page.contains(&format!("<span>{}</span></h1>", crate::report::words::headline(outcome))));
        assert!(page.contains("default-src &#39;none&#39;") || page.contains("default-src 'none'"));
        for address in ["http://", "https://", "src=\"/", "@import", "url(http"] {
            assert!(!page.contains(address), "{name}: the page reaches outside by {address}");
        }
        let marks = page.matches("class=\"u\"").count() - 6;
        let d = &report.defects;
        assert_eq!(
            marks,
            d.bubbles.len() + d.plucks.len() + d.scratches.len() + d.fibres.len() + d.lifted.len(),
            "{name}: an outline each, and six keys"
        );
    }
}

#[test]
fn record_reads_back_as_it_was_written() {
    for (name, _) in CASES {
        let report = report(&case(name));
        let text = json::to_json(&report);
        let back: Report = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(back, report, "{name}");
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        for path in [
            "/schema_version",
            "/slide/id",
            "/slide/assumed",
            "/archive/igsn",
            "/archive/preparator",
            "/read_from/folder",
            "/read_from/slide_toml_sha256",
            "/verdict/outcome",
            "/verdict/notes",
            "/verdict/reasons/0/limit",
            "/verdict/reasons/0/measured",
            "/verdict/reasons/0/allowed",
            "/verdict/reasons/0/unit",
            "/verdict/reasons/0/conformance_probability",
            "/verdict/reasons/0/met",
            "/verdict/reasons/0/sentence",
            "/verdict/next_steps",
            "/thickness/status",
            "/thickness/mean_um",
            "/thickness/ci95_um",
            "/thickness/gradient_um_per_mm",
            "/thickness/gradient_ci95",
            "/thickness/at_thinnest_um",
            "/thickness/at_thickest_um",
            "/thickness/range_across_um",
            "/thickness/thickens_toward_deg",
            "/thickness/quartz_grains",
            "/thickness/per_field",
            "/defects/bubbles",
            "/defects/plucks",
            "/defects/scratches",
            "/defects/totals/bubbles_per_mm2",
            "/defects/totals/largest_bubble_um",
            "/defects/totals/bubble_area_fraction",
            "/defects/totals/pluck_area_fraction",
            "/defects/totals/scratch_mm_per_mm2",
            "/defects/totals/area_mm2",
            "/regrind_plan",
            "/photographs/0/file",
            "/photographs/0/role",
            "/photographs/0/angle_deg",
            "/photographs/0/sha256",
            "/photographs/0/exposure",
            "/photographs/0/warnings",
            "/limits/0/source",
            "/cautions",
            "/tool/name",
            "/tool/version",
            "/made_at",
        ] {
            assert!(value.pointer(path).is_some(), "{name} lacks {path}");
        }
    }
    let value: serde_json::Value = serde_json::from_str(&json::to_json(&report(&case("regrind")))).unwrap();
    for path in [
        "/regrind_plan/remove_um/mean",
        "/regrind_plan/remove_um/at_each_corner/top-left",
        "/regrind_plan/high_corner",
        "/regrind_plan/relative_to_mark",
        "/regrind_plan/micrometer_target_um",
        "/regrind_plan/sentences/0",
    ] {
        assert!(value.pointer(path).is_some_and(|v| !v.is_null()), "the plan lacks {path}");
    }
}

#[test]
fn unknown_is_null_and_never_zero() {
    let value: serde_json::Value = serde_json::from_str(&json::to_json(&report(&case("undetermined")))).unwrap();
    for path in [
        "/thickness/mean_um",
        "/thickness/ci95_um",
        "/thickness/quartz_grains",
        "/defects/totals/area_mm2",
        "/defects/totals/bubbles_per_mm2",
        "/defects/totals/largest_bubble_um",
        "/defects/totals/scratch_mm_per_mm2",
        "/defects/plucks/0/area_um2",
        "/regrind_plan",
    ] {
        assert!(value.pointer(path).is_some_and(serde_json::Value::is_null), "{path}");
    }
}

#[test]
fn committed_schema_is_current() {
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    let current = [("report.schema.json", json::schema()), ("report-fields.md", field_list())];
    if std::env::var_os("THINPROOF_WRITE_SCHEMA").is_some() {
        current.iter().for_each(|(file, now)| std::fs::write(docs.join(file), now).unwrap());
        panic!("the schema and its list were written: look at their changes, then run without THINPROOF_WRITE_SCHEMA");
    }
    for (file, now) in current {
        let committed = std::fs::read_to_string(docs.join(file)).unwrap_or_default();
        assert!(
            committed == now,
            "docs/{file} is not current; run with THINPROOF_WRITE_SCHEMA=1 and look at its changes"
        );
    }
}

#[test]
fn every_field_is_told_of_with_its_meaning() {
    let list = field_list();
    for row in [
        "| `slide.mark_corner` | `top-left`, `top-right`, `bottom-left`, `bottom-right` or null |",
        "| `thickness.map.grid[].x_mm` | number | From the section's left edge, mm. |",
        "| `verdict.reasons[].allowed` | 2 x number or null |",
        "| `regrind_plan.remove_um.at_each_corner.top-left` | number |",
    ] {
        assert!(list.contains(row), "{row} in\n{list}");
    }
    let rows: Vec<&str> = list.lines().filter(|l| l.starts_with("| `")).collect();
    assert!(rows.len() > 150, "{}", rows.len());
    let silent: Vec<&&str> = rows.iter().filter(|r| r.ends_with("|  |")).collect();
    assert!(silent.is_empty(), "without a meaning: {silent:#?}");
}

#[test]
fn text_from_outside_stays_text() {
    let report = hostile_report();
    let page = hostile_page();
    assert_eq!(page.matches("<script>").count(), 1, "only the page's own script");
    assert!(!page.contains("<img"));
    assert!(!page.contains("onerror=alert(2)>"));
    let lines = terminal::lines(&report, Path::new("out/x/report.html"));
    assert!(lines.chars().all(|c| c == '\n' || !c.is_control()), "{lines:?}");
}

#[test]
fn the_largest_bubble_reads_alike_in_its_sentence_and_in_its_record() {
    let mut case = case("pass");
    case.defects[0].bubbles = vec![bubble("A", 800.0, 600.0, 154.6625)];
    let report = report(&case);
    let reason = report.verdict.reasons.iter().find(|r| r.limit == Limit::LargestBubble).unwrap();
    let measured = reason.measured.unwrap();
    assert_eq!(measured, 247.5, "247.46 µm, rounded");
    assert!(reason.sentence.contains(&format!("{measured:.0} µm across")), "{}", reason.sentence);
}

#[test]
fn lines_for_the_bench_are_few() {
    for (name, _) in CASES {
        let lines = terminal::lines(&report(&case(name)), Path::new("reports/LM-0142/report.html"));
        assert!(lines.lines().count() <= 8, "{lines}");
        assert!(lines.starts_with("LM-0142  ") && lines.contains("report     reports/LM-0142/report.html"), "{lines}");
    }
    let lines = terminal::lines(&report(&case("regrind")), Path::new("r.html"));
    assert!(lines.contains("REGRIND") && lines.contains("38.2 µm (95 %: 37.7 to 38.7)"), "{lines}");
    assert!(lines.contains("dust of quartz"), "whoever is told to grind is told of the dust: {lines}");
    let lines = terminal::lines(&report(&case("pass")), Path::new("r.html"));
    assert!(!lines.contains("dust"), "{lines}");
    assert!(!lines.contains("more in the report."), "{lines}");
    let mut long = report(&case("regrind"));
    long.verdict.next_steps = ["One.", "Two.", "Three.", "Four.", "Five."].map(str::to_owned).to_vec();
    let lines = terminal::lines(&long, Path::new("r.html"));
    assert!(lines.contains("  Three. And 2 more in the report.\n") && !lines.contains("Four"), "{lines}");
    assert!(lines.lines().count() <= 8, "{lines}");
}

#[test]
fn grains_are_of_the_mineral_that_was_measured_by() {
    let mut of = case("pass");
    let mut by_orthoclase = surface(30.0, 0.3, [0.0, 0.0], 0.003);
    by_orthoclase.mineral = "orthoclase";
    of.thickness = measured(by_orthoclase);
    let made = report(&of);
    let lines = terminal::lines(&made, Path::new("r.html"));
    assert!(lines.contains("140 grains of orthoclase") && !lines.contains("quartz grain"), "{lines}");
    let page = html::to_html(&made, &pictures(&made), chart(&made).as_ref()).unwrap();
    assert!(page.contains("140 grains of orthoclase") && page.contains("the colour of orthoclase"), "the page too");
    assert!(!page.contains("quartz grain"), "{:?}", page.find("quartz grain").map(|at| &page[at - 80..at + 80]));
    let lines = terminal::lines(&report(&case("pass")), Path::new("r.html"));
    assert!(lines.contains("140 quartz grains"), "{lines}");
}

#[test]
fn a_curved_section_is_drawn_and_written_as_one() {
    let report = report(&case("domed"));
    let map = report.thickness.map.as_ref().expect("fields are spread");
    assert_eq!((map.form, map.shape, map.grid.len()), (SurfaceForm::Curved, Some(Shape::CentreHigh), 54));
    assert!((map.at(20.0, 12.0) - 37.0).abs() < 0.05 && (map.at(40.0, 24.0) - 32.5).abs() < 0.3);
    for point in &map.grid {
        assert!((map.at(point.x_mm, point.y_mm) - point.mean_um).abs() < 0.1, "{point:?}");
    }
    let plan = report.regrind_plan.as_ref().expect("it is too thick at its centre");
    assert!(plan.high_corner.is_none() && plan.remove_um.at_centre.is_some(), "{plan:?}");
    let page = html::to_html(&report, &pictures(&report), None).unwrap();
    assert!(page.contains("centre-high") && page.contains("at the centre"));
    assert_eq!(page.matches("crispEdges").count(), 1, "the drawing is shaded piece by piece");
    let even = html::to_html(&self::report(&case("pass")), &[], None).unwrap();
    assert_eq!(even.matches("crispEdges").count(), 0, "a plane is one gradient");
}
