//! `thinproof chart` from outside: the sheet is read as a user reads it, by the numbers on its scales.

use std::fs;
use std::path::Path;

use roxmltree::{Document, Node};
use tempfile::tempdir;
use thinproof::optics::observer::WhiteScaling;
use thinproof::optics::{InterferenceColours, Lamp};
use thinproof::units::Nanometres;

use crate::bench::{code, text, thinproof};

/// Draws a chart and gives back its text.
fn drawn(arguments: &[&str]) -> String {
    let dir = tempdir().unwrap();
    let out = thinproof(dir.path(), &[&["chart"], arguments].concat());
    assert_eq!((code(&out), text(&out.stdout).as_str()), (0, "chart.svg\n"), "{}", text(&out.stderr));
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1, "the chart and no draft");
    fs::read_to_string(dir.path().join("chart.svg")).unwrap()
}

fn by_id<'a>(sheet: &'a Document<'_>, id: &str) -> Node<'a, 'a> {
    sheet.descendants().find(|n| n.attribute("id") == Some(id)).unwrap_or_else(|| panic!("no {id}"))
}

fn number(node: Node<'_, '_>, attribute: &str) -> f64 {
    node.attribute(attribute).and_then(|v| v.parse().ok()).unwrap_or_else(|| panic!("{attribute} of {node:?}"))
}

/// A scale read off its printed numbers: value of a place by the first and last of them.
fn scale(sheet: &Document<'_>, group: &str, attribute: &str) -> impl Fn(f64) -> f64 + use<> {
    let printed: Vec<(f64, f64)> = by_id(sheet, group)
        .descendants()
        .filter(|n| n.has_tag_name("text") && n.has_attribute(attribute) && n.attribute("font-weight").is_none())
        .filter_map(|n| Some((number(n, attribute), n.text()?.parse().ok()?)))
        .collect();
    assert!(printed.len() > 3, "{group}: {printed:?}");
    let ((a, from), (b, to)) = (printed[0], printed[printed.len() - 1]);
    for (at, value) in &printed {
        assert!((from + (at - a) / (b - a) * (to - from) - value).abs() < 0.01 * (to - from), "{group} is even");
    }
    move |at| from + (at - a) / (b - a) * (to - from)
}

/// Ghosh 1999 at 589.3 nm, computed apart from this program: 227.5, 273.0, 318.5 nm at 25, 30, 35 µm.
#[test]
fn the_quartz_line_passes_through_the_published_retardations() {
    let svg = drawn(&[]);
    let sheet = Document::parse(&svg).unwrap();
    let (nm, um) = (scale(&sheet, "retardation", "x"), scale(&sheet, "thickness", "y"));
    let line = by_id(&sheet, "line-quartz");
    // Numerals stand a little below their tick: the field's lower side is no thickness.
    let zero = um(number(line, "y1"));
    let [from, to] = [("x1", "y1"), ("x2", "y2")].map(|(x, y)| [nm(number(line, x)), um(number(line, y)) - zero]);
    assert!(from[0].abs() < 0.1, "{from:?}");
    for (thickness, retardation) in [(25.0, 227.5), (30.0, 273.0), (35.0, 318.5)] {
        let at = from[0] + (to[0] - from[0]) * thickness / to[1];
        assert!((at - retardation).abs() < 0.2, "{thickness} um: {at} nm");
    }
    // The allowed stretch: its ends and the target lie on that line, at 25, 35 and 30 µm.
    let done = by_id(&sheet, "done");
    let target = done.descendants().find(|n| n.has_tag_name("circle")).unwrap();
    assert!((nm(number(target, "cx")) - 273.0).abs() < 0.2 && (um(number(target, "cy")) - zero - 30.0).abs() < 0.05);
    let marks: Vec<&str> = done.descendants().filter(|n| n.has_tag_name("text")).filter_map(|n| n.text()).collect();
    assert_eq!(marks, ["228", "319 nm: quartz of 25 to 35 \u{b5}m"]);
}

#[test]
fn the_colours_are_those_of_optics_where_the_scale_says() {
    for (name, lamp) in [("d65", Lamp::D65), ("a", Lamp::A), ("planck:2900", Lamp::Planck(2900.0))] {
        let svg = drawn(&["--lamp", name]);
        let sheet = Document::parse(&svg).unwrap();
        let nm = scale(&sheet, "retardation", "x");
        let gradient = by_id(&sheet, "colours");
        let (x1, x2) = (number(gradient, "x1"), number(gradient, "x2"));
        let colours = InterferenceColours::new(
            lamp,
            WhiteScaling::Channels,
            Nanometres::from_nm(1.0),
            Nanometres::from_nm(1800.0),
        );
        let mut compared = 0;
        for stop in gradient.children().filter(Node::is_element).step_by(45) {
            let retardation = nm(x1 + number(stop, "offset") * (x2 - x1));
            let code = colours.code(Nanometres::from_nm(retardation.round()));
            let hex = stop.attribute("stop-color").unwrap();
            for (c, ours) in code.iter().enumerate() {
                let painted = u8::from_str_radix(&hex[2 * c + 1..2 * c + 3], 16).unwrap();
                assert!(painted.abs_diff(*ours) <= 1, "{name}, {retardation} nm: {hex} and {code:?}");
            }
            compared += 1;
        }
        assert_eq!(compared, 11, "0 to 1800 nm");
    }
}

/// Luminance minima without dispersion, computed apart from this program: 551 nm (D65), 567 nm (A); with the dispersion of
/// quartz, stated at 589.3 nm, some 4 nm less (the birefringence is 0.7 % larger at 551 nm).
#[test]
fn the_end_of_the_first_order_moves_with_the_lamp() {
    for (lamp, end) in [("d65", 551.0), ("a", 567.0)] {
        let svg = drawn(&["--lamp", lamp]);
        let sheet = Document::parse(&svg).unwrap();
        let printed = sheet.descendants().find(|n| n.attribute("class") == Some("end")).and_then(|n| n.text()).unwrap();
        let printed: f64 = printed.trim_end_matches(" nm").parse().unwrap();
        assert!((end - 6.0..=end).contains(&printed), "{lamp}: {printed}");
        // The line stands where the number says.
        let path = sheet
            .descendants()
            .find(|n| n.attribute("class") == Some("order-end"))
            .and_then(|g| g.first_element_child())
            .and_then(|n| n.attribute("d"))
            .unwrap();
        let x: f64 = path[1..].split(' ').next().unwrap().parse().unwrap();
        assert!((scale(&sheet, "retardation", "x")(x) - printed).abs() < 0.6, "{lamp}: {x}");
    }
}

#[test]
fn the_sheet_says_what_it_is_and_needs_nothing_from_outside() {
    let svg = drawn(&["--lamp", "planck:2900"]);
    let sheet = Document::parse(&svg).unwrap();
    let root = sheet.root_element();
    assert_eq!((root.attribute("width"), root.attribute("height")), (Some("420mm"), Some("297mm")));
    let said: String = sheet.descendants().filter_map(|n| n.text()).collect::<Vec<_>>().join(" ");
    for part in ["black body 2900 K", "Ghosh (1999)", "white balance changes what the eye sees", "EN 12407:2019"] {
        assert!(said.contains(part), "{part}");
    }
    assert_eq!(svg.matches("http").count(), 1, "the namespace only");
    assert!(!svg.contains("font-face") && !svg.contains("<image") && !svg.contains("<script"));
    for name in
        ["quartz", "microcline-orthoclase", "plagioclase", "biotite", "muscovite", "olivine", "zircon", "calcite"]
    {
        by_id(&sheet, &format!("line-{name}"));
    }
}

#[test]
fn the_allowed_band_is_the_laboratorys() {
    let dir = tempdir().unwrap();
    fs::write(dir.path().join("house.toml"), "thickness_min_um = 20\nthickness_max_um = 26\nsource = \"sheet 3 & 4\"")
        .unwrap();
    let out = thinproof(dir.path(), &["chart", "--target", "23", "--limits", "house.toml"]);
    assert_eq!(code(&out), 0, "{}", text(&out.stderr));
    let svg = fs::read_to_string(dir.path().join("chart.svg")).unwrap();
    assert!(svg.contains("237 nm: quartz of 20 to 26 \u{b5}m"));
    let sheet = Document::parse(&svg).unwrap();
    assert!(sheet.descendants().filter_map(|n| n.text()).any(|t| t.contains("Allowed: sheet 3 & 4.")));
    assert!(drawn(&["--tolerance", "2"]).contains("291 nm: quartz of 28 to 32 \u{b5}m"));
}

/// Nothing is written, and one line says why.
fn refused(dir: &Path, arguments: &[&str], ends: i32, parts: &[&str]) {
    let out = thinproof(dir, &[&["chart"], arguments].concat());
    let said = text(&out.stderr);
    assert_eq!(code(&out), ends, "{said}");
    assert_eq!(text(&out.stdout), "");
    let sentence = said.lines().next().unwrap_or_default();
    for part in parts {
        assert!(sentence.contains(part), "{part:?} is not in {said:?}");
    }
    assert_eq!(said.lines().filter(|l| !l.is_empty() && !l.starts_with("For more information")).count(), 1, "{said:?}");
    assert_eq!(fs::read_dir(dir).unwrap().count(), 0, "nothing is written");
}

#[test]
fn what_cannot_be_drawn_is_refused_in_one_sentence() {
    let dir = tempdir().unwrap();
    let dir = dir.path();
    refused(dir, &["--lamp", "neon"], 2, &["'neon' for '--lamp", "no such lamp is known; give d65, a, planck:KELVIN"]);
    refused(dir, &["--lamp", "planck:9"], 2, &["must be a number from 1500 to 25000"]);
    refused(dir, &["--target", "-3"], 2, &["must be a number above zero"]);
    refused(dir, &["--out", "chart.png"], 1, &["chart.png: the chart is written as SVG only", "ends in .svg"]);
    refused(
        dir,
        &["--out", "nowhere/chart.svg"],
        1,
        &["chart.svg: the chart cannot be written there", "folder exists"],
    );
    refused(dir, &["--target", "85", "--up-to", "800"], 1, &["--up-to: quartz of 90 um shows up to 819 nm"]);
    refused(dir, &["--up-to", "100"], 1, &["--up-to: a chart cannot reach 100 nm; give 500 to 3000 nm"]);
    refused(dir, &["--target", "30", "--tolerance", "30"], 1, &["--tolerance: 30 um below a target of 30 um"]);
    refused(dir, &["--limits", "nowhere.toml"], 1, &["nowhere.toml: the limits file cannot be read"]);
}

#[test]
fn an_older_chart_stays_when_the_new_one_fails() {
    let dir = tempdir().unwrap();
    fs::write(dir.path().join("chart.svg"), "mine").unwrap();
    let out = thinproof(dir.path(), &["chart", "--target", "4"]);
    assert_eq!(code(&out), 1, "a band that reaches below nothing: {}", text(&out.stderr));
    assert_eq!(fs::read_to_string(dir.path().join("chart.svg")).unwrap(), "mine");
}
