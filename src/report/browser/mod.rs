//! The page in a real browser: `cargo test --lib -- --ignored browser`, with Chromium on the path or in `CHROMIUM`, and the
//! file `axe.min.js` of the npm package axe-core in `THINPROOF_AXE`.

pub(crate) mod devtools;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::{Value, json};

use crate::report::browser::devtools::{Browser, Tab};
use crate::report::cases::{CASES, hostile_page, page};

/// A phone, a laptop and a screen on the wall, pixels.
pub(crate) const WINDOWS: [[u32; 2]; 3] = [[390, 844], [1366, 768], [2560, 1440]];
/// Paper, inches.
pub(crate) const A4: [f64; 2] = [8.27, 11.69];
const LETTER: [f64; 2] = [8.5, 11.0];

/// One run of Chromium with these arguments; for pages that need no driving.
pub(crate) fn chromium(args: &[String]) -> Output {
    let profile = tempfile::tempdir().unwrap();
    let program = std::env::var_os("CHROMIUM").unwrap_or_else(|| "chromium".into());
    Command::new(program)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--enable-logging=stderr", "--v=0", "--virtual-time-budget=3000"])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(args)
        .output()
        .expect("Chromium starts")
}

pub(crate) fn address(path: &Path) -> String {
    format!("file://{}", path.display())
}

/// Pages on disk.
struct Pages(tempfile::TempDir);

impl Pages {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn put(&self, name: &str, html: &str) -> PathBuf {
        let path = self.0.path().join(format!("{name}.html"));
        std::fs::write(&path, html).unwrap();
        path
    }
}

/// Parts of the `viewBox` of both pictures of a field.
fn views(tab: &mut Tab, field: usize) -> Vec<Vec<f64>> {
    let found = tab.value(&format!(
        "[...document.querySelectorAll('#field-{field} .pair svg')].map(v => v.getAttribute('viewBox').split(' ').map(Number))"
    ));
    serde_json::from_value(found).unwrap()
}

/// The view that both pictures share.
fn shared_view(tab: &mut Tab, field: usize) -> Vec<f64> {
    let both = views(tab, field);
    assert_eq!(both.len(), 2);
    assert_eq!(both[0], both[1], "plane and crossed show the same place");
    both[0].clone()
}

#[test]
#[ignore = "needs Chromium"]
fn pages_open_without_a_complaint_and_ask_for_nothing() {
    let pages = Pages::new();
    let mut browser = Browser::start();
    for (name, _) in CASES {
        let path = pages.put(name, &page(name));
        let mut tab = browser.open(&path, WINDOWS[1]);
        let hidden = tab.value("[...document.querySelectorAll('.tools')].filter(t => t.hidden).length");
        assert_eq!(hidden, 0, "{name}: the script did not run under the page's own policy");
        assert_eq!(tab.complaints(), Vec::<String>::new(), "{name}");
        for asked in tab.requests() {
            assert!(asked == address(&path) || asked.starts_with("data:"), "{name} asks for {asked}");
        }
    }
}

/// The policy must be able to fail: a foreign script and a foreign picture are refused, and the page is heard complaining.
#[test]
#[ignore = "needs Chromium"]
fn what_is_foreign_is_refused() {
    let pages = Pages::new();
    let foreign = "<script>document.title = 'taken';</script><img src=\"https://example.org/x.png\"></body>";
    let path = pages.put("foreign", &page("pass").replace("</body>", foreign));
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    assert_eq!(tab.value("document.title"), "LM-0142: Pass");
    assert!(tab.complaints().iter().filter(|c| c.contains("Content Security Policy")).count() >= 2, "no complaint");
}

#[test]
#[ignore = "needs Chromium"]
fn ids_and_names_from_outside_do_nothing() {
    let pages = Pages::new();
    let path = pages.put("hostile", &hostile_page());
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    assert_eq!(tab.complaints(), Vec::<String>::new(), "no dialogue, and nothing that the policy had to refuse");
    assert_eq!(tab.value("document.querySelectorAll('script').length"), 1);
    assert_eq!(tab.value("document.querySelectorAll('img').length"), 0);
    assert!(tab.value("document.title").as_str().unwrap().contains("<script>alert(1)</script>"), "it is shown as text");
}

#[test]
#[ignore = "needs Chromium"]
fn the_first_screen_needs_no_scrolling() {
    let pages = Pages::new();
    let mut browser = Browser::start();
    for (name, _) in CASES {
        let path = pages.put(name, &page(name));
        for size in WINDOWS {
            let mut tab = browser.open(&path, size);
            let parts = ["h1", ".why", ".steps li:last-child", ".slide svg", ".gauge svg"];
            for part in parts {
                let found = tab.value(&format!(
                    "(() => {{ const r = document.querySelector('.docket {part}').getBoundingClientRect(); \
                     return [r.left, r.top, r.right, r.bottom]; }})()"
                ));
                let [left, top, right, bottom] = [0, 1, 2, 3].map(|i| found[i].as_f64().unwrap());
                assert!(right - left > 40.0 && bottom - top > 14.0, "{name} at {size:?}: {part} is not to be seen");
                let [width, height] = size.map(f64::from);
                let inside = left >= 0.0 && top >= 0.0 && right <= width + 0.5 && bottom <= height + 0.5;
                assert!(inside, "{name} at {size:?}: {part} reaches to {right:.0}, {bottom:.0}");
            }
            let wide = tab.value("document.scrollingElement.scrollWidth").as_f64().unwrap();
            assert!(wide <= f64::from(size[0]), "{name} at {size:?}: the page is {wide} pixels wide");
        }
    }
}

#[test]
#[ignore = "needs Chromium"]
fn switches_hide_the_outlines_of_their_kind_in_both_pictures() {
    let pages = Pages::new();
    let path = pages.put("pass", &page("pass"));
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    // Case "pass" has a bubble in field B and two holes in field D, one of them perhaps the rock's own.
    for (kind, field) in [("bubble", 2), ("pluck", 4), ("ambiguous", 4)] {
        let figures = [1, 2].map(|n| format!("#field-{field} figure:nth-child({n}) svg"));
        let look = |tab: &mut Tab| figures.each_ref().map(|figure| tab.picture(figure));
        let with = look(&mut tab);
        tab.click(&format!("label:has(#sw-{kind})"));
        assert_eq!(tab.value(&format!("document.querySelector('#sw-{kind}').checked")), false);
        let without = look(&mut tab);
        for (n, (with, without)) in with.iter().zip(&without).enumerate() {
            let differ = with.pixels().zip(without.pixels()).filter(|(a, b)| a != b).count();
            assert!(differ > 40, "{kind}, picture {n}: only {differ} pixels changed");
        }
        let left = tab.value(&format!(
            "[...document.querySelectorAll('.pair g.k-{kind}')].some(g => getComputedStyle(g).display !== 'none')"
        ));
        assert_eq!(left, false, "{kind}");
        let others = tab.value(&format!(
            "[...document.querySelectorAll('.pair g[id]:not(.k-{kind})')].filter(g => !/^over/.test(g.id)).every(g => getComputedStyle(g).display !== 'none')"
        ));
        assert_eq!(others, true, "{kind} alone was hidden");
        tab.click(&format!("label:has(#sw-{kind})"));
        assert!(look(&mut tab) == with, "{kind} is back as it was");
    }
}

#[test]
#[ignore = "needs Chromium"]
fn zooming_and_dragging_move_plane_and_crossed_together() {
    let pages = Pages::new();
    let path = pages.put("regrind", &page("regrind"));
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    let whole = shared_view(&mut tab, 1);
    assert_eq!(whole, [-0.5, -0.5, 1600.0, 1200.0]);
    // At the whole field a turn of the wheel is the page's.
    let at = tab.middle("#field-1 figure svg");
    let before = tab.value("scrollY").as_f64().unwrap();
    tab.mouse("mouseWheel", at, json!({"deltaX": 0, "deltaY": -120}));
    tab.pause();
    assert_eq!(shared_view(&mut tab, 1), whole);
    assert!(tab.value("scrollY").as_f64().unwrap() < before, "the wheel did not move the page");
    tab.click("#field-1 [data-act=in]");
    let closer = shared_view(&mut tab, 1);
    assert!((closer[2] - 960.0).abs() < 0.5 && (closer[0] + closer[2] / 2.0 - 799.5).abs() < 0.5, "{closer:?}");
    assert_eq!(shared_view(&mut tab, 2), whole, "another field stays as it is");
    // A drag by 60 pixels moves the rock by as many of the screen's pixels.
    let [x, y] = tab.middle("#field-1 figure:nth-child(2) svg");
    let left = json!({"button": "left", "buttons": 1, "clickCount": 1});
    tab.mouse("mousePressed", [x, y], left.clone());
    tab.mouse("mouseMoved", [x - 60.0, y - 30.0], left.clone());
    tab.mouse("mouseReleased", [x - 60.0, y - 30.0], left);
    let dragged = shared_view(&mut tab, 1);
    let wide =
        tab.value("document.querySelector('#field-1 figure svg').getBoundingClientRect().width").as_f64().unwrap();
    let expected = 60.0 * closer[2] / wide;
    assert!((dragged[0] - closer[0] - expected).abs() < 1.0, "{closer:?} to {dragged:?}, expected {expected:.1}");
    assert!((dragged[1] - closer[1] - expected / 2.0).abs() < 1.0);
    tab.value("document.querySelector('#field-1 figure svg').focus()");
    tab.key("ArrowRight");
    assert!((shared_view(&mut tab, 1)[0] - dragged[0] - closer[2] / 8.0).abs() < 1.0);
    tab.mouse("mouseWheel", [x, y], json!({"deltaX": 0, "deltaY": -120}));
    tab.pause();
    assert!((shared_view(&mut tab, 1)[2] - 768.0).abs() < 0.5);
    tab.click("#field-1 [data-act=full]");
    let full = shared_view(&mut tab, 1)[2];
    assert!((full - wide).abs() < 1.0, "a pixel of the photograph is one of the screen: {full} over {wide}");
    tab.click("#field-1 [data-act=whole]");
    assert_eq!(shared_view(&mut tab, 1), whole);
    assert_eq!(tab.complaints(), Vec::<String>::new());
}

#[test]
#[ignore = "needs Chromium"]
fn a_row_of_the_table_leads_to_its_outline_and_highlights_it() {
    let pages = Pages::new();
    let path = pages.put("pass", &page("pass"));
    let mut browser = Browser::start();
    let mut tab = browser.open(&path, WINDOWS[1]);
    let stroke = |tab: &mut Tab, id: &str| {
        tab.value(&format!("parseFloat(getComputedStyle(document.querySelector('#{id} .o')).strokeWidth)"))
            .as_f64()
            .unwrap()
    };
    let ids: Vec<String> =
        serde_json::from_value(tab.value("[...document.querySelectorAll('.defects a')].map(a => a.hash.slice(1))"))
            .unwrap();
    assert_eq!(ids.len(), 3, "{ids:?}");
    // The outline is shown although its kind was switched off.
    tab.click("label:has(#sw-bubble)");
    for id in &ids {
        let plain = stroke(&mut tab, id);
        tab.click(&format!(".defects a[href='#{id}']"));
        tab.pause();
        assert!(stroke(&mut tab, id) > 2.0 * plain, "{id} is not highlighted");
        let found = tab.value(&format!(
            "(() => {{ const g = document.getElementById('{id}'); const r = g.getBoundingClientRect(); const s = \
             g.closest('svg').getBoundingClientRect(); return [getComputedStyle(g).display !== 'none', r.left >= s.left && r.right <= s.right \
             && r.top >= Math.max(0, s.top) && r.bottom <= Math.min(innerHeight, s.bottom), r.width / s.width, \
             document.querySelector('.defects a[aria-current]').hash]; }})()"
        ));
        assert_eq!((&found[0], &found[1]), (&json!(true), &json!(true)), "{id} is not in view: {found}");
        assert!(found[2].as_f64().unwrap() > 0.1, "{id} is too small to be found: {found}");
        assert_eq!(found[3], format!("#{id}"));
    }
    let lit = tab.value("[...document.querySelectorAll('.pair g:target')].length");
    assert_eq!(lit, 1, "one at a time");
    assert_eq!(tab.complaints(), Vec::<String>::new());
}

#[test]
#[ignore = "needs Chromium"]
fn paper_has_the_first_screen_as_page_one() {
    let pages = Pages::new();
    let mut browser = Browser::start();
    for (name, _) in CASES {
        let path = pages.put(name, &page(name));
        for paper in [A4, LETTER] {
            let mut tab = browser.open(&path, WINDOWS[1]);
            let all = tab.sheets(paper);
            assert!((3..=10).contains(&all), "{name} on {paper:?}: {all} sheets");
            tab.value("document.querySelectorAll('main > section, footer').forEach(e => e.remove())");
            assert_eq!(tab.sheets(paper), 1, "{name} on {paper:?}: the first screen takes more than a sheet");
            let mut tab = browser.open(&path, WINDOWS[1]);
            tab.value("document.querySelector('.docket').remove()");
            assert_eq!(tab.sheets(paper), all - 1, "{name} on {paper:?}: something else is on the first sheet");
        }
    }
}

#[test]
#[ignore = "needs Chromium and axe-core"]
fn axe_finds_nothing_serious_in_light_and_dark() {
    let axe = std::env::var_os("THINPROOF_AXE").expect("THINPROOF_AXE names axe.min.js of the npm package axe-core");
    let axe = std::fs::read_to_string(axe).expect("axe.min.js can be read");
    let pages = Pages::new();
    let mut browser = Browser::start();
    let mut run = |path: &Path, scheme: &str, size: [u32; 2]| -> Vec<Value> {
        let mut tab = browser.open(path, size);
        tab.medium("", scheme);
        tab.value(&format!("{axe}; undefined"));
        let found = tab.value(
            "axe.run(document).then(r => ({passes: r.passes.length, violations: r.violations.map(v => ({id: v.id, \
             impact: v.impact, help: v.help, nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + \
             n.failureSummary)}))}))",
        );
        assert!(found["passes"].as_u64().unwrap() > 20, "axe looked at next to nothing: {found}");
        found["violations"].as_array().unwrap().clone()
    };
    for (name, _) in CASES {
        let path = pages.put(name, &page(name));
        for (scheme, size) in [("light", WINDOWS[1]), ("dark", WINDOWS[1]), ("light", WINDOWS[0])] {
            let found = run(&path, scheme, size);
            assert!(found.is_empty(), "{name}, {scheme}, {size:?}: {found:#?}");
        }
    }
    // It must be able to fail.
    let pale = page("pass").replace("--soft:#5c574e", "--soft:#c9c2b2");
    let found = run(&pages.put("pale", &pale), "light", WINDOWS[1]);
    assert!(found.iter().any(|v| v["impact"] == "serious"), "grey on paper was not noticed: {found:?}");
}
