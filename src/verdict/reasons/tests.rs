use super::*;
use crate::measured::Measured;

#[test]
fn per_cent_carries_two_digits() {
    for (f, expected) in [
        (0.0, "0 %"),
        (0.005, "0.5 %"),
        (0.0036, "0.36 %"),
        (0.0123, "1.2 %"),
        (0.02, "2 %"),
        (0.1234, "12 %"),
        (1.0, "100 %"),
        (1e-6, "under 0.01 %"),
    ] {
        assert_eq!(percent(f), expected);
    }
}

#[test]
fn clauses_fit_into_a_sentence() {
    assert_eq!(clause("Only one grain of quartz was found."), "only one grain of quartz was found.");
    assert_eq!(clause("EXIF is missing"), "EXIF is missing.");
    assert_eq!(clause(""), "no reason given.");
}

#[test]
fn a_sentence_states_a_thickness_as_the_record_beside_it_does() {
    let value = Measured::normal(39.151, 0.1);
    let surface =
        ThicknessSurface { at_thickest_um: value, ..crate::verdict::fixture::surface(39.0, 0.1, [0.0; 2], 0.01) };
    let sentence = thickness_sentence(&surface, Side::Thickest, Some(0.0), 35.0);
    let recorded = crate::measured::round(value.value, 2);
    assert_ne!(
        format!("{recorded:.1}"),
        format!("{:.1}", value.value),
        "a value that rounds otherwise by way of hundredths"
    );
    assert!(sentence.contains(&format!("measures {recorded:.1} µm")), "{sentence}");
}
