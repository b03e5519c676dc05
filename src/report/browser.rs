//! The page in a real browser: `cargo test --lib report::browser -- --ignored`, with Chromium on the path or in `CHROMIUM`.

use std::path::Path;
use std::process::{Command, Output};

use crate::report::tests::{CASES, page};

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

#[test]
#[ignore = "needs Chromium"]
fn pages_open_without_a_complaint_and_their_script_runs() {
    let dir = tempfile::tempdir().unwrap();
    for (name, _) in CASES {
        let path = dir.path().join(format!("{name}.html"));
        std::fs::write(&path, page(name)).unwrap();
        let out = chromium(&["--dump-dom".into(), address(&path)]);
        let complaints: Vec<String> =
            String::from_utf8_lossy(&out.stderr).lines().filter(|l| l.contains("CONSOLE")).map(str::to_owned).collect();
        assert!(complaints.is_empty(), "{name}: {complaints:?}");
        let dom = String::from_utf8_lossy(&out.stdout);
        assert!(dom.contains("class=\"tools\""), "{name}: no zoom tools");
        assert!(!dom.contains("class=\"tools\" hidden"), "{name}: the script did not run under the page's own policy");
    }
}

/// The policy must be able to fail: the same page with one more script complains, and the script does not run.
#[test]
#[ignore = "needs Chromium"]
fn a_foreign_script_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("foreign.html");
    let foreign = page("pass").replace("</body>", "<script>document.title = 'taken';</script></body>");
    std::fs::write(&path, foreign).unwrap();
    let out = chromium(&["--dump-dom".into(), address(&path)]);
    assert!(String::from_utf8_lossy(&out.stderr).contains("Content Security Policy"), "no complaint");
    assert!(!String::from_utf8_lossy(&out.stdout).contains("<title>taken"));
}

#[test]
#[ignore = "needs Chromium"]
fn first_screen_stays_in_the_window_and_paper_has_it_as_page_one() {
    let dir = tempfile::tempdir().unwrap();
    for (name, _) in CASES {
        let path = dir.path().join(format!("{name}.html"));
        std::fs::write(&path, page(name)).unwrap();
        let pdf = dir.path().join("page.pdf");
        chromium(&["--no-pdf-header-footer".into(), format!("--print-to-pdf={}", pdf.display()), address(&path)]);
        let bytes = std::fs::read(&pdf).expect("a PDF was printed");
        let text = String::from_utf8_lossy(&bytes);
        let pages = text.matches("/Type /Page\n").count();
        assert!((3..=10).contains(&pages), "{name}: {pages} pages");
        for (width, height) in [(1280, 800), (390, 844), (1920, 1080)] {
            let shot = dir.path().join("shot.png");
            chromium(&[
                format!("--window-size={width},{height}"),
                format!("--screenshot={}", shot.display()),
                address(&path),
            ]);
            let picture = image::open(&shot).expect("a screenshot was taken").to_rgb8();
            assert_eq!(picture.dimensions(), (width, height));
            // The rock's drawing has many shades that differ from the paper: some of it must lie in the window.
            let paper = *picture.get_pixel(1, height - 1);
            let drawn = picture.pixels().filter(|p| **p != paper).count() as f64 / f64::from(width * height);
            assert!(drawn > 0.1, "{name} at {width} x {height}: {drawn:.3} of the window is drawn on");
        }
    }
}
