//! Colours that a camera stored farther from grey than it saw them.

use thinproof::optics::Lamp;
use thinproof::thickness::{SectionSize, Thickness, Yardstick, measure};

use crate::thickness_grains::Field;

/// A camera or a program that makes pictures vivid moves every colour away from grey: straw looks yellow, as in a thicker section.
/// Colours that were stored 1.4 times as vividly read a micrometre thick before the fit knew of it.
#[test]
fn colours_that_were_stored_vividly_give_the_same_thickness() {
    let mut errors = Vec::new();
    for (vividness, seed) in [1.2, 1.4].into_iter().flat_map(|v| [11, 12, 13].map(|seed| (v, seed))) {
        for (lamp, exposure_known) in [(Lamp::Planck(3050.0), true), (Lamp::D65, false)] {
            let field = Field { seed, lamp, exposure_known, vividness, thickness_um: 28.0, ..Field::default() };
            let Thickness::Measured(s) = measure(&[field.crystals()], SectionSize::default(), &Yardstick::quartz())
            else {
                panic!("{lamp} {vividness}")
            };
            let [low, high] = s.mean_um.interval;
            errors.push(s.mean_um.value - 28.0);
            assert!(low < 28.1 && high > 27.9 && high - low < 4.0, "{lamp} {vividness}: {:?}", s.mean_um);
        }
    }
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    assert!(mean.abs() < 0.25, "{errors:?}");
}

/// Two fields in vivid colours were exposed and balanced alike: their colours are not evened, and give each its thickness.
#[test]
fn fields_in_vivid_colours_are_not_taken_for_exposed_apart() {
    for (auto_white_balance, exposure_known) in [(false, false), (true, true)] {
        let field = |seed, thickness_um| Field {
            seed,
            thickness_um,
            vividness: 1.4,
            auto_white_balance,
            exposure_known,
            ..Field::default()
        };
        let fields = [field(1, 33.0), field(2, 30.0)];
        let crystals = fields.each_ref().map(Field::crystals);
        let Thickness::Measured(s) = measure(&crystals, SectionSize::default(), &Yardstick::quartz()) else {
            panic!("automatic {auto_white_balance}")
        };
        let told = |n: &&String| n.contains("alike") || n.contains("No exposure is recorded");
        assert_eq!(s.notes.iter().find(told), None, "automatic {auto_white_balance}");
        assert_eq!(s.per_field.len(), 2);
        for (found, field) in s.per_field.iter().zip(&fields) {
            let found = found.thickness_um.as_ref().expect("it has its own thickness");
            let [low, high] = found.interval;
            assert!(low < field.thickness_um && field.thickness_um < high, "automatic {auto_white_balance}: {found:?}");
        }
    }
}

/// At one position of the polars a crystal has any brightness: a thinner section whose colours were stored vividly has the same tints.
/// Where vivid colours were thought of, and a cast only if it was far likelier, 43 µm read 40 to 41 µm under three of these lamps, the truth
/// outside the interval.
#[test]
fn one_position_of_the_polars_is_not_read_as_vivid() {
    let lamps = [Lamp::Planck(2900.0), Lamp::Daylight(5700.0), Lamp::Led { blue: 1.6, phosphor_nm: 555.0 }, Lamp::D65];
    for (seed, lamp) in (40..).zip(lamps) {
        let gains = [0.6; 3];
        let angles_deg = vec![45.0];
        let field =
            Field { seed, lamp, thickness_um: 43.0, gains, exposure_known: false, angles_deg, ..Field::default() };
        let Thickness::Measured(s) = measure(&[field.crystals()], SectionSize::default(), &Yardstick::quartz()) else {
            panic!("{lamp}")
        };
        let [low, high] = s.mean_um.interval;
        assert!(low < 43.0 && high > 43.0 && high - low < 4.0, "{lamp}: {:?}", s.mean_um);
    }
}
