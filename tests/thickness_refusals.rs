//! What the fit says where photographs do not carry a thickness, or where a camera's curve bends it: grains computed from spectra.

use crate::thickness_grains::Field;
use thinproof::optics::srgb::{decode, encode};
use thinproof::thickness::{FieldCrystals, SectionSize, Thickness, Yardstick, measure};

fn of(field: FieldCrystals) -> Thickness {
    measure(&[field], SectionSize::default(), &Yardstick::quartz())
}

/// Crystals above this light, burnt out in so many of the four photographs.
fn burnt_out(above: f64, photographs: usize) -> FieldCrystals {
    let mut field = Field::default().crystals();
    for crystal in &mut field.crystals.crystals {
        let brightest = crystal.ratio.iter().map(|r| r.iter().sum::<f64>()).fold(0.0, f64::max);
        if brightest > above {
            crystal.clipped[..photographs].fill(0.5);
        }
    }
    field
}

#[test]
fn where_the_brightest_grains_are_burnt_out_nothing_is_measured_and_the_exposure_is_to_be_shortened() {
    let Thickness::NotMeasurable { why, next } = of(burnt_out(0.8, 4)) else {
        panic!("the bright grains show nothing")
    };
    assert!(why.starts_with("the brightest grains are burnt out in most crossed photographs"), "{why}");
    assert!(next.starts_with("Shorten the crossed exposure"), "{next}");
    // In one of four photographs each, the others tell: the section is as thick as it is.
    let Thickness::Measured(s) = of(burnt_out(0.8, 1)) else { panic!("three photographs are whole") };
    assert!(s.mean_um.interval[0] < 30.0 && 30.0 < s.mean_um.interval[1], "{:?}", s.mean_um);
}

/// With positions 22.5° apart a curve steeper by a fifth, v' = v + 2κ·v·(1 - v)·(2v - 1), is told and undone.
#[test]
fn a_steeper_curve_is_measured_from_the_photographs_and_undone() {
    const KAPPA: f64 = 0.2;
    let shown = |linear: f64| {
        let v = encode(linear.clamp(0.0, 1.0));
        decode(v + 2.0 * KAPPA * v * (1.0 - v) * (2.0 * v - 1.0))
    };
    let mut field = Field { grains: 90, ..Field::default() }.crystals();
    for crystal in &mut field.crystals.crystals {
        let plane = crystal.plane.map(shown);
        for ratio in &mut crystal.ratio {
            *ratio = std::array::from_fn(|c| shown(ratio[c] * crystal.plane[c]) / plane[c]);
        }
        crystal.plane = plane;
    }
    let Thickness::Measured(s) = of(field) else { panic!("a curve is no reason not to measure") };
    assert!((s.mean_um.value - 30.0).abs() < 0.5, "{:?}", s.mean_um);
    assert!(s.mean_um.interval[0] < 30.0 && 30.0 < s.mean_um.interval[1], "{:?}", s.mean_um);
    let note = s.notes.iter().find(|n| n.starts_with("The camera's contrast")).expect("the curve is told");
    let told: f64 = note.split_whitespace().find_map(|word| word.parse().ok()).expect("a number");
    assert!((told - 100.0 * KAPPA).abs() < 5.0, "{note}");
}

/// By feldspar where quartz does not tell, and by quartz where feldspar does not.
#[test]
fn a_refusal_says_what_else_a_rock_may_be_measured_by() {
    let few = Field { grains: 3, ..Field::default() }.crystals();
    let Thickness::NotMeasurable { next, .. } = of(few.clone()) else { panic!("three grains carry nothing") };
    assert!(next.contains("reference_mineral"), "{next}");
    let yardstick = Yardstick::named("plagioclase").expect("known");
    let Thickness::NotMeasurable { next, .. } = measure(&[few], SectionSize::default(), &yardstick) else {
        panic!("three grains carry nothing")
    };
    assert!(next.contains("a field with more plagioclase") && next.contains("By quartz"), "{next}");
}

/// Pyroxene beside plagioclase (birefringence 0.024 and 0.009, two thirds of the grains and one; handbook values, from memory) in a section
/// of 22 µm shows the colours of plagioclase of twice and more that thickness. A feldspar that is so thick is still measured.
#[test]
fn pyroxene_is_not_taken_for_a_thick_feldspar() {
    let yardstick = Yardstick::named("plagioclase").expect("known");
    let grains = |seed: u64, grains: usize, thickness_um: f64, birefringence: f64| {
        let two_v = if birefringence > 0.02 { 50.0 } else { 82.0 };
        Field { seed, grains, thickness_um, ratio: birefringence / 0.0091, two_v, ..Field::default() }.crystals()
    };
    for seed in 1..=4 {
        let mut gabbro = grains(seed, 60, 22.0, 0.024);
        gabbro.crystals.crystals.extend(grains(seed + 50, 30, 22.0, 0.009).crystals.crystals);
        gabbro.look_for_any_colourless();
        if let Thickness::Measured(s) = measure(&[gabbro], SectionSize::default(), &yardstick) {
            let [low, high] = s.mean_um.interval;
            assert!(low < 22.0 && 22.0 < high, "seed {seed}: {:?}", s.mean_um);
        }
        let mut feldspar = grains(seed, 90, 50.0, 0.010);
        feldspar.look_for_any_colourless();
        let Thickness::Measured(s) = measure(&[feldspar], SectionSize::default(), &yardstick) else {
            panic!("seed {seed}: a thick section is told")
        };
        let [low, high] = s.mean_um.interval;
        assert!(low < 50.0 && 50.0 < high, "seed {seed}: {:?}", s.mean_um);
    }
}
