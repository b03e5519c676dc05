//! Combs whose pitch is exact, rendered scales, and pictures that are none.

use crate::slide::Curve;
use crate::slide::photograph::{Photograph, Role, Samples};
use crate::units::Micrometres;

use super::{Refused, Ruling, measure};
use crate::demo::ruled::{RuledScale, photograph};
use crate::demo::unruled::Unruled;

/// 16-bit linear light from a function of the pixel, without noise.
fn drawn(width: usize, height: usize, light: impl Fn(f64, f64) -> f64) -> Photograph {
    let samples = (0..width * height)
        .flat_map(|i| {
            let l = light((i % width) as f64, (i / width) as f64);
            [(65_535.0 * l.clamp(0.0, 1.0)).round() as u16; 3]
        })
        .collect();
    Photograph::from_samples("comb.png", Role::Plane, width, height, Samples::Sixteen(samples), &Curve::Linear)
}

/// Gaussian lines at an exact pitch, across a direction given by degrees anticlockwise.
fn comb(width: usize, height: usize, pitch: f64, deg: f64, sd: f64) -> Photograph {
    let (s, c) = deg.to_radians().sin_cos();
    let (cx, cy) = (width as f64 / 2.0 - 0.3, height as f64 / 2.0 + 0.2);
    drawn(width, height, |x, y| {
        let u = (x - cx) * c - (y - cy) * s;
        let d = u - pitch * (u / pitch).round();
        0.6 * (1.0 - 0.6 * (-0.5 * (d / sd).powi(2)).exp())
    })
}

fn relative(ruling: &Ruling, truth: f64) -> f64 {
    ruling.um_per_px.value / truth - 1.0
}

#[test]
fn an_exact_comb_gives_its_pitch_and_tilt() {
    for (pitch, deg, sd) in [(6.5, 0.0, 1.0), (17.3, 30.0, 1.5), (9.81, 90.0, 1.1), (41.7, -52.5, 3.0)] {
        let ruling = measure(&comb(420, 330, pitch, deg, sd), None).unwrap_or_else(|e| panic!("{pitch} {deg}: {e:?}"));
        assert!(relative(&ruling, 10.0 / pitch).abs() < 3e-5, "{pitch} {deg}: {ruling:?}");
        assert!((ruling.tilt.deg() - deg).abs() < 0.02, "{pitch} {deg}: {:?}", ruling.tilt);
        assert!(ruling.notes.iter().any(|n| n.contains("alike")), "nothing tells the division: {:?}", ruling.notes);
    }
}

/// A pure sine has no lines, only a period: the pitch is exact all the same.
#[test]
fn a_sine_gives_its_period() {
    let ruling = measure(&drawn(300, 200, |x, _| 0.4 + 0.2 * (std::f64::consts::TAU * x / 11.37).cos()), None).unwrap();
    assert!(relative(&ruling, 10.0 / 11.37).abs() < 2e-5, "{ruling:?}");
}

/// 1000 µm over 78 divisions of an eyepiece scale are 12.82 µm each (Raith and others, Guide to thin section microscopy, 2.2,
/// prints 12.8). Here a pixel is such a division: the 100 marks of the stage micrometer lie 0.78 pixels apart, which no camera
/// shows, and so the 20 pixels that it takes to show them stand for 20 such divisions.
#[test]
fn the_worked_example_of_an_eyepiece_scale() {
    let per_mark = 78.0 / 100.0;
    let ruling = measure(&comb(640, 200, 20.0 * per_mark, 0.0, 1.4), Some(Micrometres::from_um(10.0))).unwrap();
    let um_per_division = 20.0 * ruling.um_per_px.value;
    assert!((um_per_division - 1000.0 / 78.0).abs() < 0.001, "{um_per_division}");
    assert_eq!(format!("{um_per_division:.1}"), "12.8");
}

fn small() -> RuledScale {
    RuledScale {
        width: 520,
        height: 400,
        um_per_px: 1.3,
        centre_px: [60.0, -10.0],
        tilt_deg: 17.0,
        dust: 6,
        ..RuledScale::default()
    }
}

/// The picture turned by a quarter and in a mirror: what is a pixel stays the same, and the tilt goes along.
#[test]
fn a_turned_or_mirrored_picture_gives_the_same_scale() {
    let s = small();
    let (w, h, rgb) = (s.width, s.height, s.render());
    let at = |x: usize, y: usize| -> [u8; 3] { std::array::from_fn(|c| rgb[3 * (y * w + x) + c]) };
    let plain = measure(&photograph(rgb.clone(), w, h), None).unwrap();
    let turned: Vec<u8> = (0..w * h).flat_map(|i| at(i / h, h - 1 - i % h)).collect();
    let turned = measure(&photograph(turned, h, w), None).unwrap();
    let mirrored: Vec<u8> = (0..w * h).flat_map(|i| at(w - 1 - i % w, i / w)).collect();
    let mirrored = measure(&photograph(mirrored, w, h), None).unwrap();
    for (name, other, tilt) in [("turned", turned, plain.tilt.deg() - 90.0), ("mirrored", mirrored, -plain.tilt.deg())]
    {
        assert!(relative(&other, plain.um_per_px.value).abs() < 1e-4, "{name}: {other:?}");
        assert!((other.tilt.deg() - tilt).abs() < 0.05, "{name}: {:?} from {:?}", other.tilt, plain.tilt);
        assert_eq!(other.long_every, plain.long_every, "{name}");
    }
}

/// Pixels joined two by two are twice as large.
#[test]
fn a_picture_of_half_the_size_gives_twice_the_scale() {
    let s = RuledScale { um_per_px: 0.7, ..small() };
    let (w, h, rgb) = (s.width, s.height, s.render());
    let half: Vec<u8> = (0..w / 2 * (h / 2) * 3)
        .map(|i| {
            let (x, y, c) = (i / 3 % (w / 2), i / 3 / (w / 2), i % 3);
            let of = |dx: usize, dy: usize| u32::from(rgb[3 * ((2 * y + dy) * w + 2 * x + dx) + c]);
            ((of(0, 0) + of(1, 0) + of(0, 1) + of(1, 1) + 2) / 4) as u8
        })
        .collect();
    let [full, half] =
        [photograph(rgb.clone(), w, h), photograph(half, w / 2, h / 2)].map(|p| measure(&p, None).unwrap());
    assert!((half.um_per_px.value / full.um_per_px.value - 2.0).abs() < 4e-4, "{full:?} {half:?}");
}

#[test]
fn missing_lines_and_digits_do_not_matter_and_long_lines_are_counted() {
    let s = RuledScale { missing: vec![31, 47, 48, 66], digits: true, axis: true, width: 800, height: 300, ..small() };
    let ruling = measure(&s.photograph(), None).unwrap();
    assert!(relative(&ruling, 1.3).abs() < 3e-4, "{ruling:?}");
    assert_eq!(ruling.long_every, [5, 10]);
    assert!(ruling.missing >= 4 && ruling.lines + ruling.missing <= 101, "{ruling:?}");
}

#[test]
fn bright_lines_on_dark_ground_are_lines_too() {
    let ruling = measure(&RuledScale { dark_field: true, ..small() }.photograph(), None).unwrap();
    assert!(relative(&ruling, 1.3).abs() < 3e-4, "{ruling:?}");
}

/// Ten fine lines at one end of a scale ruled in tenths of a millimetre: the fine ones are the divisions.
#[test]
fn a_scale_that_is_fine_at_one_end_only_is_told_by_its_fine_lines() {
    let s = RuledScale {
        fine_until: Some((10, 10, 8)),
        divisions: 200,
        lengths_um: [200.0; 3],
        width: 900,
        height: 260,
        tilt_deg: 0.0,
        centre_px: [0.0; 2],
        ..small()
    };
    match measure(&s.photograph(), None) {
        Ok(ruling) => assert!(relative(&ruling, 1.3).abs() < 5e-4, "{ruling:?}"),
        Err(why) => panic!("{why:?}"),
    }
}

/// Lines too fine for the pixels: what is left of the scale must not be taken for its divisions.
#[test]
fn a_scale_whose_fine_lines_are_blurred_away_is_refused() {
    for blur in [1.6, 2.0, 2.6] {
        let s = RuledScale { um_per_px: 3.0, blur_px: blur, contrast: 0.9, dust: 0, electrons: 60_000.0, ..small() };
        match measure(&s.photograph(), None) {
            Err(_) => {}
            Ok(r) => assert!(relative(&r, 3.0).abs() < 0.002, "blur {blur}: {r:?}"),
        }
    }
}

#[test]
fn twenty_lines_of_a_tenth_of_a_millimetre_ask_for_their_division() {
    let s = RuledScale {
        division_um: 100.0,
        divisions: 20,
        line_um: 5.0,
        um_per_px: 5.0,
        lengths_um: [300.0, 450.0, 600.0],
        centre_px: [0.0; 2],
        ..small()
    };
    let p = s.photograph();
    let why = measure(&p, None).unwrap_err();
    assert!(matches!(why, Refused::FewDivisions { divisions: 20 }), "{why:?}");
    let ruling = measure(&p, Some(Micrometres::from_um(100.0))).unwrap();
    assert!(relative(&ruling, 5.0).abs() < 3e-4, "{ruling:?}");
}

#[test]
fn longer_lines_at_a_distance_that_no_ruling_has_are_refused() {
    // Every second line is longer: at 10 um the longer ones would stand for 20.
    let s = RuledScale { lengths_um: [150.0, 150.0, 150.0], ..small() };
    let (w, h) = (s.width, s.height);
    let p = drawn(w, h, |x, y| {
        let n = (x / 14.0).round();
        let d = x - 14.0 * n;
        let reach = if n.rem_euclid(2.0) < 0.5 { 120.0 } else { 70.0 };
        let on = (-0.5 * (d / 1.2).powi(2)).exp() * if (y - 200.0).abs() < reach { 1.0 } else { 0.0 };
        0.6 * (1.0 - 0.6 * on)
    });
    // Where they end while their neighbours go on, the lines may also be taken for interrupted ones.
    let why = measure(&p, None).unwrap_err();
    assert!(matches!(why, Refused::LongTooOften { every: 2, .. } | Refused::Interrupted), "{why:?}");
}

#[test]
fn both_directions_of_a_crossed_scale_tell_pixels_that_are_not_square() {
    let s = RuledScale { crossed: true, aspect: 1.01, tilt_deg: 0.4, centre_px: [0.0; 2], dust: 3, ..small() };
    let ruling = measure(&s.photograph(), None).unwrap();
    let cross = ruling.cross.expect("two directions");
    let ratio = if ruling.tilt.deg().abs() < 45.0 { cross.anisotropy.value } else { 1.0 / cross.anisotropy.value };
    assert!((ratio - 1.01).abs() < 5e-4, "{ruling:?}");
    assert!(ruling.notes.iter().any(|n| n.contains("not square")), "{:?}", ruling.notes);
}

#[test]
fn what_is_no_scale_is_refused() {
    for kind in Unruled::ALL {
        let got = measure(&kind.photograph(3, 360, 280), None);
        assert!(got.is_err(), "{kind:?}: {got:?}");
    }
    assert_eq!(measure(&drawn(63, 300, |_, _| 0.5), None), Err(Refused::TooSmall));
    assert_eq!(measure(&drawn(128, 128, |_, _| 0.5), None), Err(Refused::NothingRepeats));
    assert_eq!(measure(&drawn(128, 128, |_, _| 0.0), None), Err(Refused::NothingRepeats));
    // A single edge, and a single line.
    assert!(measure(&drawn(200, 200, |x, _| if x < 90.0 { 0.2 } else { 0.7 }), None).is_err());
    assert!(measure(&drawn(200, 200, |x, y| if (x - y).abs() < 3.0 { 0.2 } else { 0.7 }), None).is_err());
}

/// Every reason says what is wrong and what to do, in one line.
#[test]
fn reasons_are_sentences() {
    let all = [
        Refused::TooSmall,
        Refused::NothingRepeats,
        Refused::TooFew { lines: 3 },
        Refused::TooFaint,
        Refused::Interrupted,
        Refused::Crooked,
        Refused::Uneven { scatter: 0.1 },
        Refused::Unlike,
        Refused::Others { even: 10, between: 9 },
        Refused::FinerLines,
        Refused::LongTooOften { every: 2, division_um: 10.0 },
        Refused::FewDivisions { divisions: 20 },
        Refused::Unbelievable { um_per_px: 30.0 },
    ];
    for why in all {
        for text in [why.what(), why.remedy()] {
            assert!(
                text.len() > 20 && text.len() < 260 && !text.contains(['\n', '.']) || text.contains("0."),
                "{text}"
            );
            assert!(text.starts_with(char::is_lowercase), "{text}");
        }
    }
}
