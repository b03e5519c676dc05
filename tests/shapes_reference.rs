//! Shape measures against a general-purpose reference library on the same masks (`fixtures/shapes.json`).

use std::fs;
use std::path::Path;

use ndarray::Array2;
use serde::Deserialize;
use thinproof::section::shape::Shape;

#[derive(Deserialize)]
struct Table {
    masks: Vec<Mask>,
}

#[derive(Deserialize)]
struct Mask {
    name: String,
    rows: Vec<String>,
    area: f64,
    perimeter_crofton: f64,
    feret: f64,
    major: f64,
    minor: f64,
    centroid: [f64; 2],
}

#[test]
fn shape_measures_are_those_of_the_reference() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/shapes.json");
    let table: Table = serde_json::from_str(&fs::read_to_string(path).expect("the fixture")).expect("its form");
    assert_eq!(table.masks.len(), 13);
    for m in &table.masks {
        let cells = |y: usize, x: usize| m.rows[y].as_bytes()[x] == b'#';
        let mask = Array2::from_shape_fn((m.rows.len(), m.rows[0].len()), |(y, x)| cells(y, x));
        let s = Shape::of(&mask).expect("cells");
        let close = |what: &str, ours: f64, theirs: f64, by: f64| {
            assert!((ours - theirs).abs() <= by, "{}, {what}: {ours} against {theirs}", m.name);
        };
        // The same definitions: equal but for rounding.
        close("area", s.area, m.area, 0.0);
        close("perimeter", s.perimeter, m.perimeter_crofton, 1e-6);
        close("centroid x", s.centroid[0], m.centroid[0], 1e-6);
        close("centroid y", s.centroid[1], m.centroid[1], 1e-6);
        let circularity = 4.0 * std::f64::consts::PI * m.area / m.perimeter_crofton.powi(2);
        close("circularity", s.circularity, circularity, 1e-6);
        // The reference spans contours through the middles of the cells' sides, ours their corners: up to half a cell at each end.
        close("feret", s.feret, m.feret, 0.75);
        // The reference takes cells as points, ours as squares: a twelfth more of second moment each way.
        let square = |axis: f64| axis * axis / 16.0 + 1.0 / 12.0;
        close("axis ratio", s.axis_ratio, (square(m.major) / square(m.minor)).sqrt(), 1e-6);
    }
}
