//! The sheet in a real browser: `cargo test --lib chart::browser -- --ignored`, with Chromium on the path or in `CHROMIUM`.

use crate::chart::WallChart;
use crate::optics::Lamp;
use crate::report::browser::{address, chromium};
use crate::units::Nanometres;
use crate::verdict::ThicknessBand;

/// Writes into the title which texts meet another or leave the sheet.
const LOOK: &str = "<script>
const sheet = document.querySelector('svg').getBoundingClientRect();
const texts = [...document.querySelectorAll('text:not(#words), tspan')].map(t => [t.textContent, t.getBoundingClientRect()]);
const met = [];
texts.forEach(([a, p], i) => {
  if (p.left < sheet.left || p.right > sheet.right || p.top < sheet.top || p.bottom > sheet.bottom) met.push(a + ' off the sheet');
  // A line of type is taller than its letters: a fifth of it may meet the next line.
  texts.slice(i + 1).forEach(([b, q]) => {
    const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (across > 0 && down > 0.25 * Math.min(p.height, q.height)) met.push(a + ' on ' + b);
  });
});
document.title = texts.length + ' texts: ' + (met.join('; ') || 'apart');
</script>";

/// The text of the title once the script has run.
fn looked_at(svg: &str) -> String {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("sheet.html");
    std::fs::write(&path, format!("<!DOCTYPE html><meta charset=utf-8><title>-</title><body>{svg}{LOOK}")).unwrap();
    let out = chromium(&["--dump-dom".into(), address(&path)]);
    let dom = String::from_utf8_lossy(&out.stdout).into_owned();
    dom.split("<title>").nth(1).and_then(|t| t.split("</title>").next()).unwrap_or_default().to_owned()
}

/// Sheets whose labels crowd in different places, named.
pub(super) fn crowded_sheets() -> impl Iterator<Item = (String, String)> {
    let lamps = [Lamp::D65, Lamp::A, Lamp::Led { blue: 0.45, phosphor_nm: 600.0 }];
    let crowded = [
        (lamps[0], (30.0, 5.0), 1800.0),
        (lamps[1], (30.0, 5.0), 1800.0),
        (lamps[2], (20.0, 1.0), 700.0),
        (lamps[2], (60.0, 5.0), 3000.0),
        (lamps[0], (30.0, 0.25), 500.0),
        (lamps[1], (12.0, 8.0), 2400.0),
    ];
    crowded.into_iter().map(|(lamp, (target, tolerance), up_to)| {
        let source = "house value: the laboratory's target with the tolerance that EN 12407:2019 states for 30 um";
        let band = ThicknessBand {
            target_um: target,
            low_um: target - tolerance,
            high_um: target + tolerance,
            source: source.into(),
        };
        let svg = WallChart::new(lamp, band, Nanometres::from_nm(up_to)).unwrap().to_svg().unwrap();
        (format!("{lamp}, {target} um, to {up_to} nm"), svg)
    })
}

#[test]
#[ignore = "needs Chromium"]
fn no_text_meets_another_or_leaves_the_sheet() {
    for (name, svg) in crowded_sheets() {
        let said = looked_at(&svg);
        assert!(said.ends_with("texts: apart"), "{name}: {said}");
    }
}

/// The look must be able to fail.
#[test]
#[ignore = "needs Chromium"]
fn texts_on_each_other_are_seen() {
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='200' height='80'><text x='9' y='40'>one</text>\
               <text x='12' y='42'>two</text><text x='190' y='70'>three</text></svg>";
    let said = looked_at(svg);
    assert!(said.contains("one on two") && said.contains("three off the sheet"), "{said}");
}
