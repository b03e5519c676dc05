//! Interference colours against an outside reference: fixtures/interference_colours.py (PyPI colour-science).

use thinproof::optics::Lamp;
use thinproof::optics::interference::transmittance;
use thinproof::optics::observer::xyy;
use thinproof::units::Nanometres;

const TABLE: &str = include_str!("../fixtures/interference_colours.csv");

#[test]
fn interference_colours_agree_with_colour_science_to_a_thousandth() {
    let mut compared = 0;
    for line in TABLE.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| cells[i].parse::<f64>().expect("a number");
        let lamp = if cells[0] == "D65" { Lamp::D65 } else { Lamp::A };
        let ours = xyy(&lamp.spectrum(), &transmittance(Nanometres::from_nm(number(1)), |_| 1.0));
        for (i, name) in ["x", "y", "Y"].iter().enumerate() {
            let theirs = number(2 + i);
            assert!((ours[i] - theirs).abs() < 1e-3, "{line}: our {name} is {}", ours[i]);
        }
        compared += 1;
    }
    assert_eq!(compared, 48, "24 retardations under two lamps");
}
