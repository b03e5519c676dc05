//! Photographs whose record is wrong: exposure that EXIF misstates, a filter between the polars, red and blue exchanged.
//!
//! Colours are computed from spectra (as in `thickness_grains`), so what is true of them is known exactly.

use thinproof::optics::Lamp;
use thinproof::optics::srgb::decode;
use thinproof::thickness::{SectionSize, Thickness, ThicknessSurface, Yardstick, measure};

use crate::thickness_grains::Field;

const LAMPS: [Lamp; 4] =
    [Lamp::Planck(2900.0), Lamp::Daylight(5700.0), Lamp::Led { blue: 1.6, phosphor_nm: 555.0 }, Lamp::D65];
const THICKNESSES_UM: [f64; 2] = [22.0, 43.0];
/// What the sentence about a wrong record says in every case.
const NOT_USED: &str = "the record was not used";

fn measured(field: &Field, exposure_scale: f64) -> Box<ThicknessSurface> {
    let mut crystals = field.crystals();
    crystals.exposure_scale.fill(exposure_scale);
    match measure(&[crystals], SectionSize::default(), &Yardstick::quartz()) {
        Thickness::Measured(s) => s,
        Thickness::NotMeasurable { why, .. } => panic!("{} µm: {why}", field.thickness_um),
    }
}

/// Cases with these gains, and this factor for exposure in what is recorded, whose interval misses the truth by more than a
/// hundredth of it, or whose notes do not hold `said`.
fn fooled(gains: [f64; 3], exposure_scale: f64, said: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    for (k, lamp) in LAMPS.into_iter().enumerate() {
        for thickness_um in THICKNESSES_UM {
            let s =
                measured(&Field { seed: 40 + k as u64, lamp, thickness_um, gains, ..Field::default() }, exposure_scale);
            let [low, high] = s.mean_um.interval;
            let slack = 0.01 * thickness_um;
            if thickness_um < low - slack || thickness_um > high + slack || !s.notes.iter().any(|n| n.contains(said)) {
                wrong.push(format!("{lamp} {thickness_um}: {:?} {:?}", s.mean_um, s.notes));
            }
        }
    }
    wrong
}

#[test]
fn an_exposure_that_is_recorded_wrongly_by_two_is_found_out() {
    let wrong = fooled([2.0; 3], 2.0, "2.0 times as bright as their recorded exposure says");
    assert!(wrong.is_empty(), "{wrong:#?}");
    let wrong = fooled([0.5; 3], 0.5, "0.5 times as bright as their recorded exposure says");
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_filter_between_the_polars_is_found_out() {
    let wrong = fooled([0.50, 0.61, 0.64], 1.0, NOT_USED);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_true_record_is_believed() {
    for (k, lamp) in LAMPS.into_iter().enumerate() {
        for thickness_um in THICKNESSES_UM {
            // What is common: a shutter's label 3 % off, white balance off by a little.
            let gains = [1.035, 1.03, 1.025];
            let s = measured(&Field { seed: 60 + k as u64, lamp, thickness_um, gains, ..Field::default() }, 1.0);
            assert!(!s.notes.iter().any(|n| n.contains(NOT_USED)), "{lamp} {thickness_um}: {:?}", s.notes);
        }
    }
}

#[test]
fn red_and_blue_exchanged_are_refused_by_name() {
    for (k, lamp) in LAMPS.into_iter().enumerate() {
        for thickness_um in THICKNESSES_UM {
            for (angles_deg, exposure_known) in [(vec![0.0, 22.5, 45.0, 67.5], false), (vec![45.0], true)] {
                let field =
                    Field { seed: 80 + k as u64, lamp, thickness_um, exposure_known, angles_deg, ..Field::default() };
                let mut crystals = field.crystals();
                for c in &mut crystals.crystals.crystals {
                    c.ratio.iter_mut().for_each(|r| r.swap(0, 2));
                }
                let found = measure(&[crystals], SectionSize::default(), &Yardstick::quartz());
                let Thickness::NotMeasurable { why, .. } = &found else {
                    panic!("{lamp}, {thickness_um} µm, {} angles: measured", field.angles_deg.len());
                };
                assert!(why.contains("red and blue"), "{lamp}, {thickness_um} µm: {why}");
            }
        }
    }
}

#[test]
fn photographs_of_light_saved_without_a_curve_are_refused_by_name() {
    for (k, lamp) in LAMPS.into_iter().enumerate() {
        for thickness_um in THICKNESSES_UM {
            let mut crystals = Field { seed: 120 + k as u64, lamp, thickness_um, ..Field::default() }.crystals();
            // Values that are light itself are taken as sRGB.
            for crystal in &mut crystals.crystals.crystals {
                let plane = crystal.plane;
                crystal.plane = plane.map(decode);
                for ratio in &mut crystal.ratio {
                    for (r, p) in ratio.iter_mut().zip(plane) {
                        *r = decode(*r * p) / decode(p);
                    }
                }
            }
            let found = measure(&[crystals], SectionSize::default(), &Yardstick::quartz());
            let Thickness::NotMeasurable { why, next } = found else { panic!("{lamp} {thickness_um}: {found:?}") };
            assert!(why.contains("not sRGB"), "{lamp} {thickness_um}: {why}");
            assert!(next.contains("encoding = \"linear\""), "{lamp} {thickness_um}: {next}");
        }
    }
}
