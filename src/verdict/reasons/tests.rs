use super::*;

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
