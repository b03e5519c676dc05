//! The drawer's page in a real browser: see `report::browser`.

use std::path::PathBuf;

use serde_json::{Value, json};

use crate::drawer::index::to_html;
use crate::drawer::record::tests::{failed, regrind, row};
use crate::drawer::record::{DrawerRecord, SlideRow};
use crate::report::browser::devtools::{Browser, Tab};
use crate::report::browser::{A4, WINDOWS, address};

/// Slides of which some are to be ground, one failed, and the grinder's zero drifts and its chuck tilts.
fn slides(n: u32) -> Vec<SlideRow> {
    (1..=n)
        .map(|i| {
            let id = format!("LM-{i:04}");
            let mut slide = match i % 7 {
                3 => regrind(&id, 2.0 + f64::from(i % 5)),
                _ => row(&id),
            };
            let wobble = f64::from((i * 7919) % 97) / 97.0 - 0.5;
            let checked = slide.checked.as_mut().unwrap();
            checked.slide.sequence = Some(i);
            let thickness = 30.4 + wobble;
            checked.thickness.mean_um = Some(thickness);
            checked.thickness.ci95_um = Some([thickness - 0.4, thickness + 0.4]);
            checked.thickness.gradient_um_per_mm =
                Some([0.1 + 0.05 * wobble, -0.06 + f64::from((i * 31) % 11) / 200.0]);
            checked.slide.micrometer_um = Some(thickness + 11.5 + 0.1 * f64::from(i) + f64::from((i * 53) % 13) / 26.0);
            slide
        })
        .chain([failed("LM-9999", "LM-9999/A_ppl.jpg: ends before the picture does; copy it again")])
        .collect()
}

fn page(n: u32) -> (tempfile::TempDir, PathBuf) {
    page_of(slides(n), vec!["A warning.".into()])
}

fn page_of(slides: Vec<SlideRow>, warnings: Vec<String>) -> (tempfile::TempDir, PathBuf) {
    let mut jpeg = Vec::new();
    let grey = image::RgbImage::from_pixel(112, 84, image::Rgb([90, 80, 70]));
    grey.write_to(&mut std::io::Cursor::new(&mut jpeg), image::ImageFormat::Jpeg).unwrap();
    let record = DrawerRecord::of(slides, warnings, "2000-01-01T00:00:00Z".into());
    let html = to_html(&record, |_| Some(jpeg.clone())).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("index.html");
    std::fs::write(&path, html).unwrap();
    (dir, path)
}

fn shown(tab: &mut Tab) -> Vec<String> {
    let found = tab.value(
        "[...document.getElementById('slides').tBodies[0].rows].filter(r => !r.hidden).map(r => r.querySelector('th').textContent)",
    );
    serde_json::from_value(found).unwrap()
}

fn type_in(tab: &mut Tab, text: &str) {
    tab.call("Input.insertText", json!({ "text": text }));
    tab.pause();
}

#[test]
#[ignore = "needs Chromium"]
fn the_page_opens_without_a_complaint_and_fits() {
    let (_dir, path) = page(24);
    let mut browser = Browser::start();
    for size in WINDOWS {
        let mut tab = browser.open(&path, size);
        assert_eq!(tab.complaints(), Vec::<String>::new());
        assert_eq!(tab.value("document.querySelector('.tools').hidden"), false);
        for asked in tab.requests() {
            assert!(asked == address(&path) || asked.starts_with("data:"), "the page asks for {asked}");
        }
        let wide = tab.value("document.scrollingElement.scrollWidth").as_f64().unwrap();
        assert!(wide <= f64::from(size[0]), "at {size:?} the page is {wide} pixels wide");
        let plots = tab.value("document.querySelectorAll('.plot svg circle').length").as_u64().unwrap();
        assert!(plots > 60, "{plots} points in the drawings");
        // No text of a drawing may lie outside it.
        let out = tab.value(
            "[...document.querySelectorAll('.plot text')].filter(t => { const a = t.getBoundingClientRect(), b = \
             t.ownerSVGElement.getBoundingClientRect(); return a.left < b.left - 1 || a.right > b.right + 1 || a.top < b.top - 1 \
             || a.bottom > b.bottom + 1; }).length",
        );
        assert_eq!(out, 0, "at {size:?}");
    }
}

/// What a name may hold that would run, were it not shown as text.
const HOSTILE: &str = "<img src=x onerror=alert(1)>'\"--></script><script>alert(2)</script>{{7*7}}";

#[test]
#[ignore = "needs Chromium"]
fn ids_and_failures_from_outside_are_text_on_the_page() {
    let mut rows = slides(3);
    rows[0].id = HOSTILE.into();
    rows[0].folder = HOSTILE.into();
    rows[2] = regrind(HOSTILE, 6.0);
    let checked = rows[1].checked.as_mut().unwrap();
    (checked.why, checked.next_steps) = (HOSTILE.into(), vec![HOSTILE.into()]);
    rows.push(failed(HOSTILE, HOSTILE));
    let (_dir, path) = page_of(rows, vec![HOSTILE.into()]);
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    assert_eq!(tab.complaints(), Vec::<String>::new(), "no dialogue, and nothing that the policy had to refuse");
    assert_eq!(tab.value("document.querySelectorAll('script').length"), 1, "the page's own");
    assert_eq!(tab.value("document.querySelectorAll('[onerror], img[src=x]').length"), 0);
    assert!(shown(&mut tab).iter().any(|id| id.contains("<script>alert(2)</script>{{7*7}}")), "it is shown as text");
}

#[test]
#[ignore = "needs Chromium"]
fn sorting_filtering_and_searching_work_from_the_keyboard() {
    let (_dir, path) = page(24);
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    assert_eq!(shown(&mut tab).len(), 25);
    tab.value("document.getElementById('search').focus()");
    type_in(&mut tab, "LM-0017");
    assert_eq!(shown(&mut tab), ["LM-0017"]);
    assert_eq!(tab.value("document.getElementById('shown').textContent"), "1 of 25 shown");
    tab.value(
        "(() => { const s = document.getElementById('search'); s.value = ''; s.dispatchEvent(new Event('input')); })()",
    );
    tab.value("document.querySelector('.tools input[value=pass]').focus()");
    tab.call("Input.dispatchKeyEvent", json!({"type": "keyDown", "key": " ", "code": "Space", "text": " "}));
    tab.call("Input.dispatchKeyEvent", json!({"type": "keyUp", "key": " ", "code": "Space"}));
    let left = shown(&mut tab);
    assert!(
        left.len() == 5 && left.contains(&"LM-0003".to_owned()) && left.contains(&"LM-9999".to_owned()),
        "{left:?}"
    );
    // Thickness: the fourth heading with a button is that of the interval, the third that of the thickness.
    tab.value("document.querySelectorAll('#slides thead button')[2].focus()");
    tab.call("Input.dispatchKeyEvent", json!({"type": "keyDown", "key": "Enter", "code": "Enter", "text": "\r"}));
    tab.call("Input.dispatchKeyEvent", json!({"type": "keyUp", "key": "Enter", "code": "Enter"}));
    let values = tab.value(
        "[...document.getElementById('slides').tBodies[0].rows].filter(r => !r.hidden).map(r => r.cells[3].dataset.v)",
    );
    let values: Vec<String> = serde_json::from_value(values).unwrap();
    let numbers: Vec<f64> = values.iter().filter_map(|v| v.parse().ok()).collect();
    assert!(numbers.len() == 4 && numbers.is_sorted(), "{values:?}");
    assert_eq!(values.last().unwrap(), "", "what is not known comes last");
    assert_eq!(tab.value("document.querySelectorAll('#slides th[aria-sort]').length"), 1);
    assert_eq!(tab.complaints(), Vec::<String>::new());
}

#[test]
#[ignore = "needs Chromium"]
fn the_regrind_list_begins_a_sheet_of_its_own() {
    let (_dir, path) = page(24);
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    let all = tab.sheets(A4);
    tab.value("document.querySelector('.bench').remove()");
    assert!(tab.sheets(A4) < all, "the list takes a sheet of its own");
}

#[test]
#[ignore = "needs Chromium"]
fn two_thousand_slides_are_searched_at_once() {
    let (_dir, path) = page(2000);
    assert!(std::fs::metadata(&path).unwrap().len() < 16_000_000);
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    tab.value("document.getElementById('search').focus()");
    type_in(&mut tab, "LM-1234");
    assert_eq!(shown(&mut tab), ["LM-1234"]);
    assert_eq!(tab.complaints(), Vec::<String>::new());
}

#[test]
#[ignore = "needs Chromium and axe-core"]
fn axe_finds_nothing_in_light_and_dark() {
    let axe = std::env::var_os("THINPROOF_AXE").expect("THINPROOF_AXE names axe.min.js of the npm package axe-core");
    let axe = std::fs::read_to_string(axe).expect("axe.min.js can be read");
    let (_dir, path) = page(24);
    let mut browser = Browser::start();
    for (scheme, size) in [("light", WINDOWS[1]), ("dark", WINDOWS[1]), ("light", WINDOWS[0])] {
        let mut tab = browser.open(&path, size);
        tab.medium("", scheme);
        tab.value(&format!("{axe}; undefined"));
        let found = tab.value(
            "axe.run(document).then(r => ({passes: r.passes.length, violations: r.violations.map(v => v.id + ' ' + \
             v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + n.failureSummary).join('; '))}))",
        );
        assert!(found["passes"].as_u64().unwrap() > 20, "axe looked at next to nothing: {found}");
        assert_eq!(found["violations"], Value::Array(Vec::new()), "{scheme}, {size:?}");
    }
}
