//! The page in a real browser: `cargo test --lib bench::page::browser -- --ignored`, with Chromium on the path or in `CHROMIUM`.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::PathBuf;

use super::Server;
use crate::bench::view::{FieldView, OtherView, PassView, SlideView, View};
use crate::report::browser::devtools::{Browser, Tab};

/// A phone, a laptop and a screen on the wall, pixels.
const WINDOWS: [[u32; 2]; 3] = [[390, 844], [1366, 768], [2560, 1440]];

fn pass(pass: usize, um: f64, removed: Option<f64>) -> PassView {
    let began = format!("14:{:02}", 2 + 7 * pass);
    PassView { pass, began, thickness_um: [um, um - 0.6, um + 0.6], removed_um: removed.map(|r| [r, 1.2]) }
}

/// Slides as they are shown, each with a name.
fn views() -> Vec<(&'static str, View)> {
    let field = |name: &str, crossed: &str| FieldView { name: name.into(), plane: true, crossed: crossed.into() };
    let slide = SlideView {
        id: "LM-0142".into(),
        tone: "regrind",
        headline: "Regrind".into(),
        checking: false,
        why: "The section measures 43.3 µm (95 %: 43.0 to 43.8); at most 35 µm is allowed.".into(),
        take_off: Some("13.5 µm".into()),
        at_corner: Some("at the corner next to the bevelled one along the long edge".into()),
        thickness_um: Some([43.3, 43.0, 43.8]),
        thickness: "43.3 µm (95 %: 43.0 to 43.8), 4.1 µm across it".into(),
        band_um: Some([30.0, 25.0, 35.0]),
        steps: vec![
            "Press on the high corner, the corner next to the bevelled one along the long edge: take 13.5 µm off there.".into(),
            "Take 9 µm at the bevelled corner; 11 µm at the corner diagonally opposite the bevelled one.".into(),
            "Stop the wheel at about 40 µm and finish by hand.".into(),
        ],
        cautions: vec![
            "Grind and cut wet, never dry, and wipe up wet: dust of quartz harms the lungs for good.".into(),
            "The laboratory's own rules come before these.".into(),
        ],
        next: None,
        passes: vec![pass(1, 57.7, None), pass(2, 49.8, Some(7.9)), pass(3, 43.3, Some(6.5))],
        per_pass_um: Some(7.2),
        pass: 3,
        way: vec![
            "The last pass took 6.5 µm off (give or take 0.6).".into(),
            "A pass took 7.2 µm on average: 2 passes like these to go, the last one shorter.".into(),
            "Another pass like these leaves about 36 µm. Common practice: leave the wheel at about 40 µm and go on by hand with 600. So stop this one short.".into(),
        ],
        fields: vec![field("A", "0°, 22.5°, 45°, 67.5°"), field("B", "0°, 45°")],
    };
    let first = SlideView {
        tone: "undetermined",
        headline: "Not decided".into(),
        checking: true,
        why: "Whether the thickness is allowed everywhere is not decided: it is with a probability of 62 %.".into(),
        take_off: None,
        at_corner: None,
        thickness: "33.9 µm (95 %: 30.1 to 37.8)".into(),
        thickness_um: Some([33.9, 30.1, 37.8]),
        next: Some("One crossed picture at 45° more. The thickness is known to ±3.8 µm; ±1.3 would settle it.".into()),
        passes: vec![PassView { pass: 1, began: "14:02".into(), thickness_um: [33.9, 30.1, 37.8], removed_um: None }],
        per_pass_um: None,
        pass: 1,
        steps: Vec::new(),
        cautions: Vec::new(),
        way: vec!["After the next pass it is told how much a pass takes off.".into()],
        fields: vec![field("A", "0°")],
        ..slide.clone()
    };
    let done = SlideView {
        tone: "pass",
        headline: "Pass".into(),
        why: "Every limit is met on what was photographed.".into(),
        take_off: None,
        at_corner: None,
        thickness: "30.4 µm (95 %: 30.0 to 30.8)".into(),
        thickness_um: Some([30.4, 30.0, 30.8]),
        passes: vec![
            pass(1, 57.7, None),
            pass(2, 49.8, Some(7.9)),
            pass(3, 43.3, Some(6.5)),
            pass(4, 36.0, Some(7.3)),
            pass(5, 30.4, Some(5.6)),
        ],
        per_pass_um: None,
        pass: 5,
        cautions: Vec::new(),
        steps: vec!["Clean it, cover it or leave it as it was ordered, and register it.".into()],
        way: vec!["The last pass took 5.6 µm off (give or take 0.6).".into()],
        ..slide.clone()
    };
    let waits = SlideView {
        headline: "Not measured yet".into(),
        tone: "undetermined",
        why: "Now field A between crossed polars; leave the slide where it lies.".into(),
        take_off: None,
        at_corner: None,
        thickness: String::new(),
        thickness_um: None,
        band_um: None,
        steps: Vec::new(),
        cautions: Vec::new(),
        next: Some("Now field A between crossed polars; leave the slide where it lies.".into()),
        passes: Vec::new(),
        per_pass_um: None,
        pass: 1,
        way: Vec::new(),
        fields: vec![field("A", "")],
        ..slide.clone()
    };
    let bad = "<img src=x onerror=alert(1)><script>document.title='taken'</script>";
    let hostile = SlideView {
        id: bad.into(),
        headline: bad.into(),
        why: bad.into(),
        next: Some(bad.into()),
        way: vec![bad.into()],
        fields: vec![field(bad, bad)],
        ..slide.clone()
    };
    let other = OtherView {
        id: "LM-0141".into(),
        tone: "pass",
        headline: "Pass".into(),
        thickness: "30.2 µm (95 %: 29.8 to 30.6)".into(),
    };
    let happened = vec![
        "14:23 IMG_0015.jpg: LM-0142 pass 3, field A, crossed polars, 67.5°".to_owned(),
        "14:23 IMG_0014.jpg: LM-0142 pass 3, field A, crossed polars, 45°".into(),
    ];
    let view = |slide| View {
        folder: "camera".into(),
        slide: Some(slide),
        others: vec![other.clone()],
        happened: happened.clone(),
    };
    vec![
        ("regrind", view(slide)),
        ("open", view(first)),
        ("pass", view(done)),
        ("waits", view(waits)),
        ("hostile", view(hostile)),
    ]
}

/// Opens the page of a server and waits until it is live.
fn open<'b>(browser: &'b mut Browser, server: &Server, size: [u32; 2]) -> Tab<'b> {
    let dir = tempfile::tempdir().unwrap();
    let empty: PathBuf = dir.path().join("empty.html");
    std::fs::write(&empty, "<!doctype html><title>-</title>").unwrap();
    let mut tab = browser.open(&empty, size);
    tab.events.clear();
    tab.call("Page.navigate", serde_json::json!({"url": format!("http://{}/", server.address)}));
    until(&mut tab, "document.getElementById('link')?.textContent === 'live'");
    tab
}

fn until(tab: &mut Tab, what: &str) {
    for _ in 0..50 {
        if tab.value(&format!("Boolean({what})")) == true {
            return;
        }
        tab.value("new Promise(done => setTimeout(done, 100))");
    }
    panic!("{what} did not come true");
}

/// Pictures of every state go to the folder `THINPROOF_PAGES` names, when it does.
fn keep(tab: &mut Tab, name: &str) {
    if let Some(dir) = std::env::var_os("THINPROOF_PAGES") {
        let shot = tab.call("Page.captureScreenshot", serde_json::json!({"format": "png"}));
        let bytes = base64::Engine::decode(&base64::engine::general_purpose::STANDARD, shot["data"].as_str().unwrap());
        std::fs::write(PathBuf::from(dir).join(format!("{name}.png")), bytes.unwrap()).unwrap();
    }
}

#[test]
#[ignore = "needs Chromium"]
fn each_state_is_pushed_and_seen_without_scrolling() {
    let server = Server::start(0).unwrap();
    let mut browser = Browser::start();
    for size in WINDOWS {
        let mut tab = open(&mut browser, &server, size);
        for (name, view) in views() {
            server.show(&view);
            let headline = &view.slide.as_ref().unwrap().headline;
            until(&mut tab, &format!("document.getElementById('headline').textContent === {headline:?}"));
            keep(&mut tab, &format!("bench-{name}-{}", size[0]));
            // Whoever is told to grind is told of the dust.
            let care = tab.value("document.getElementById('cautions').textContent");
            let told = care.as_str().unwrap().contains("never dry")
                && tab.value("document.getElementById('care-box').hidden") == false;
            assert_eq!(told, matches!(name, "regrind" | "hostile"), "{name}: {care}");
            if name == "hostile" {
                assert_eq!(tab.value("document.querySelectorAll('img, main script').length"), 0);
                continue;
            }
            let wide = tab.value("document.scrollingElement.scrollWidth").as_f64().unwrap();
            assert!(wide <= f64::from(size[0]), "{name} at {size:?}: the page is {wide} pixels wide");
            for part in ["#headline", "#take", "#next", "#way", "#why"] {
                let found = tab.value(&format!(
                    "(() => {{ const e = document.querySelector('{part}'); const r = e.getBoundingClientRect(); \
                     return [e.closest('[hidden]') !== null, r.left, r.top, r.right, r.bottom]; }})()"
                ));
                if found[0] == true {
                    continue;
                }
                let [left, top, right, bottom] = [1, 2, 3, 4].map(|i| found[i].as_f64().unwrap());
                let [width, height] = size.map(f64::from);
                // A phone shows the way below what is to be done.
                let below = if size[0] < 760 && part == "#way" { 2.0 } else { 1.0 };
                let inside = left >= 0.0 && top >= 0.0 && right <= width + 0.5 && bottom <= below * height + 0.5;
                assert!(inside, "{name} at {size:?}: {part} reaches to {right:.0}, {bottom:.0}");
            }
        }
        assert_eq!(tab.complaints(), Vec::<String>::new());
        for asked in tab.requests() {
            let own = format!("http://{}/", server.address);
            assert!(
                asked.starts_with(&own) || asked.starts_with("data:") || asked.starts_with("file:"),
                "asks for {asked}"
            );
        }
    }
}

#[test]
#[ignore = "needs Chromium"]
fn large_type_is_readable_from_the_wheel_in_light_and_dark() {
    let server = Server::start(0).unwrap();
    let mut browser = Browser::start();
    let mut tab = open(&mut browser, &server, WINDOWS[1]);
    let (_, view) = views().swap_remove(0);
    server.show(&view);
    until(&mut tab, "document.getElementById('headline').textContent === 'Regrind'");
    // Two metres away a letter is read when its x-height is some 6 mm: a type of 50 pixels on a screen of 96 an inch.
    for part in ["#headline", "#take"] {
        let size = tab.value(&format!("parseFloat(getComputedStyle(document.querySelector('{part}')).fontSize)"));
        assert!(size.as_f64().unwrap() >= 50.0, "{part}: {size}");
    }
    for scheme in ["light", "dark"] {
        tab.medium("", scheme);
        keep(&mut tab, &format!("bench-{scheme}"));
        let contrast = tab.value(
            "(() => { const lum = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(Number).map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; }; \
             const back = lum(getComputedStyle(document.documentElement).backgroundColor); \
             return ['#headline', '#take', '#why', '.small'].map(s => { const l = lum(getComputedStyle(document.querySelector(s)).color); return (Math.max(l, back) + 0.05) / (Math.min(l, back) + 0.05); }); })()",
        );
        for ratio in contrast.as_array().unwrap() {
            assert!(ratio.as_f64().unwrap() >= 4.5, "{scheme}: {contrast}");
        }
    }
}

#[test]
#[ignore = "needs Chromium"]
fn a_window_that_lost_the_watch_says_so() {
    let server = Server::start(0).unwrap();
    let mut browser = Browser::start();
    let mut tab = open(&mut browser, &server, WINDOWS[1]);
    let offline = serde_json::json!({"offline": true, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1});
    tab.call("Network.emulateNetworkConditions", offline);
    tab.value("events_test = 1; undefined");
    drop(server);
    until(&mut tab, "document.getElementById('link').className === 'off'");
    assert!(tab.value("document.getElementById('link').textContent").as_str().unwrap().contains("is old"));
}

#[test]
#[ignore = "needs Chromium and axe-core"]
fn axe_finds_nothing_in_light_and_dark() {
    let axe = std::env::var_os("THINPROOF_AXE").expect("THINPROOF_AXE names axe.min.js of the npm package axe-core");
    let axe = std::fs::read_to_string(axe).expect("axe.min.js can be read");
    let server = Server::start(0).unwrap();
    let mut browser = Browser::start();
    for (scheme, size) in [("light", WINDOWS[1]), ("dark", WINDOWS[1]), ("light", WINDOWS[0])] {
        let mut tab = open(&mut browser, &server, size);
        tab.medium("", scheme);
        for (name, view) in views() {
            server.show(&view);
            let headline = &view.slide.as_ref().unwrap().headline;
            until(&mut tab, &format!("document.getElementById('headline').textContent === {headline:?}"));
            tab.value(&format!("{axe}; undefined"));
            let found = tab.value(
                "axe.run(document).then(r => ({passes: r.passes.length, violations: r.violations.map(v => v.id + ' ' + \
                 v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + n.failureSummary).join('; '))}))",
            );
            assert!(found["passes"].as_u64().unwrap() > 10, "axe looked at next to nothing: {found}");
            assert_eq!(found["violations"], serde_json::json!([]), "{name}, {scheme}, {size:?}");
        }
    }
}

fn asked(server: &Server, path: &str, host: &str) -> String {
    let mut stream = TcpStream::connect(server.address).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

#[test]
fn only_this_computer_is_answered() {
    let server = Server::start(0).unwrap();
    let port = server.address.port();
    assert!(server.address.ip().is_loopback());
    for host in [format!("127.0.0.1:{port}"), format!("localhost:{port}")] {
        for path in ["/", "/state.json", "/bench.css", "/bench.js"] {
            let answer = asked(&server, path, &host);
            assert!(answer.starts_with("HTTP/1.1 200"), "{host}{path}: {answer}");
            assert!(answer.contains("content-security-policy: default-src 'none'"), "{answer}");
        }
    }
    for host in [
        "example.org".to_owned(),
        format!("bench.example.org:{port}"),
        "127.0.0.1".into(),
        format!("127.0.0.1.example.org:{port}"),
    ] {
        for path in ["/", "/state.json", "/events"] {
            let answer = asked(&server, path, &host);
            assert!(answer.starts_with("HTTP/1.1 403"), "{host}{path}: {answer}");
            assert!(!answer.contains("<html"), "{host}: {answer}");
        }
    }
}

#[test]
fn the_state_is_what_was_shown_last() {
    let server = Server::start(0).unwrap();
    let host = format!("127.0.0.1:{}", server.address.port());
    for (_, view) in views() {
        server.show(&view);
        let answer = asked(&server, "/state.json", &host);
        let body = answer.split("\r\n\r\n").nth(1).unwrap();
        assert_eq!(body, serde_json::to_string(&view).unwrap());
    }
}
