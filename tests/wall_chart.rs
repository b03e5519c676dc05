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
    String::from_utf8(written("chart.svg", arguments)).unwrap()
}

/// Draws a chart that must bear this name.
fn written(name: &str, arguments: &[&str]) -> Vec<u8> {
    let dir = tempdir().unwrap();
    let out = thinproof(dir.path(), &[&["chart"], arguments].concat());
    assert_eq!((code(&out), text(&out.stdout)), (0, format!("{name}\n")), "{}", text(&out.stderr));
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1, "the chart and no draft");
    fs::read(dir.path().join(name)).unwrap()
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

/// The sheet as a picture: what is asked of it by places on the sheet, mm.
struct Picture {
    pixels: image::RgbImage,
    px_per_mm: f64,
}

impl Picture {
    /// The same chart once more, as PNG: it states a size, and that is A3 to the tenth of a millimetre.
    fn new(arguments: &[&str]) -> Self {
        let bytes = written("chart.png", &[arguments, &["--out", "chart.png"]].concat());
        let reader = png::Decoder::new(std::io::Cursor::new(&bytes)).read_info().unwrap();
        let info = reader.info();
        let size = info.pixel_dims.expect("pHYs");
        assert!(size.unit == png::Unit::Meter && size.xppu == size.yppu && info.srgb.is_some(), "{size:?}");
        let metre = f64::from(size.xppu);
        let mm = [info.width, info.height].map(|px| 1e3 * f64::from(px) / metre);
        assert!((mm[0] - 420.0).abs() < 0.1 && (mm[1] - 297.0).abs() < 0.1, "{mm:?}");
        assert!(metre * 0.0254 > 200.0, "too coarse for a wall: {} dpi", metre * 0.0254);
        Self { pixels: image::load_from_memory(&bytes).unwrap().to_rgb8(), px_per_mm: 1e-3 * metre }
    }

    fn at(&self, x: f64, y: f64) -> [u8; 3] {
        self.pixels.get_pixel((x * self.px_per_mm) as u32, (y * self.px_per_mm) as u32).0
    }

    /// Share of dark pixels between two corners.
    fn ink(&self, [left, top]: [f64; 2], [right, bottom]: [f64; 2]) -> f64 {
        let pixels = |from: f64, to: f64| (from * self.px_per_mm) as u32..(to * self.px_per_mm) as u32;
        let (mut dark, mut all) = (0, 0);
        for y in pixels(top, bottom) {
            for x in pixels(left, right) {
                dark += u32::from(self.pixels.get_pixel(x, y).0.iter().all(|c| *c < 100));
                all += 1;
            }
        }
        f64::from(dark) / f64::from(all)
    }
}

#[test]
fn the_picture_has_the_colours_that_optics_computes() {
    for (name, lamp) in [("d65", Lamp::D65), ("planck:2900", Lamp::Planck(2900.0))] {
        let svg = drawn(&["--lamp", name]);
        let sheet = Document::parse(&svg).unwrap();
        let picture = Picture::new(&["--lamp", name]);
        let colours = InterferenceColours::new(
            lamp,
            WhiteScaling::Channels,
            Nanometres::from_nm(1.0),
            Nanometres::from_nm(1800.0),
        );
        let same = |place: [f64; 2], nm: f64| {
            let (painted, ours) = (picture.at(place[0], place[1]), colours.code(Nanometres::from_nm(nm)));
            let apart = painted.iter().zip(ours).map(|(a, b)| a.abs_diff(b)).max().unwrap();
            assert!(apart <= 4, "{name}, {nm} nm at {place:?}: {painted:?} and {ours:?}");
        };
        let field = by_id(&sheet, "field");
        let bottom = number(field, "y") + number(field, "height");
        let (nm, um) = (scale(&sheet, "retardation", "x"), scale(&sheet, "thickness", "y"));
        // Where a value of the scale stands, for the scales are even.
        let x = |value: f64| (value - nm(0.0)) / (nm(1.0) - nm(0.0));
        let y = |value: f64| bottom + value / (um(1.0) - um(0.0));
        // At 55 um no line of a mineral and no end of an order passes there.
        for retardation in [60.0, 150.0, 273.0, 300.0, 420.0, 700.0, 820.0, 1000.0, 1300.0, 1500.0, 1750.0] {
            same([x(retardation), y(55.0)], retardation);
        }
        // Quartz of 30 um (Ghosh 1999 at 589.3 nm), and others, on the scale of thickness.
        for (thickness, retardation) in [(15.0, 136.5), (30.0, 273.0), (45.0, 409.5)] {
            same([34.0, y(thickness)], retardation);
        }
    }
}

/// Without a font there is no ink in any of these places.
#[test]
fn every_text_of_the_sheet_stands_in_the_picture() {
    let svg = drawn(&[]);
    let sheet = Document::parse(&svg).unwrap();
    let picture = Picture::new(&[]);
    let mut looked = 0;
    for node in sheet.descendants().filter(|n| n.has_attribute("x") && n.text().is_some()) {
        let size = node.ancestors().find_map(|n| n.attribute("font-size")).unwrap().parse::<f64>().unwrap();
        let (x, y, said) = (number(node, "x"), number(node, "y"), node.text().unwrap());
        // Letters are wider than this on the average, so the box is full from end to end.
        let width = 0.4 * size * said.chars().count() as f64;
        let left = match node.attribute("text-anchor") {
            Some("middle") => x - 0.5 * width,
            Some("end") => x - width,
            _ => x,
        };
        for (from, to) in [(left, left + 0.5 * width), (left + 0.5 * width, left + width)] {
            let ink = picture.ink([from, y - 0.75 * size], [to, y]);
            assert!((0.05..0.6).contains(&ink), "{said}: {ink}");
        }
        looked += 1;
    }
    assert!(looked > 40, "{looked}");
    // Bold is bold, and nothing stands between the title and the sheet's upper edge.
    assert!(picture.ink([14.0, 15.5], [100.0, 24.0]) > 1.5 * picture.ink([14.0, 29.5], [100.0, 34.0]));
    assert!(picture.ink([0.0, 0.0], [420.0, 14.0]) == 0.0);
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
    for name in ["chart.pdf", "chart", "png"] {
        let said = format!("{name}: the chart is written as SVG or PNG");
        refused(dir, &["--out", name], 1, &[&said, "ends in .svg or .png"]);
    }
    let house = tempdir().unwrap();
    let limits = house.path().join("house.toml");
    fs::write(&limits, "thickness_min_um = 25\nthickness_max_um = 35\nsource = \"\u{8a66} 3\"").unwrap();
    let limits = limits.to_str().unwrap();
    refused(
        dir,
        &["--limits", limits, "--out", "chart.png"],
        1,
        &["--out: the fonts for a PNG have no \"\u{8a66}\"", "ends in .svg"],
    );
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
