//! The sRGB curve between linear and encoded light, both 0..=1 of full scale (IEC 61966-2-1:1999).

use std::sync::LazyLock;

/// Encoded value of linear light.
#[must_use]
pub fn encode(linear: f64) -> f64 {
    if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
}

/// Linear light of an encoded value.
#[must_use]
pub fn decode(encoded: f64) -> f64 {
    if encoded <= 0.040_45 { encoded / 12.92 } else { ((encoded + 0.055) / 1.055).powf(2.4) }
}

/// 8-bit code of linear light; what lies outside 0..=1 is cut, what is not a number is black.
#[must_use]
pub fn code(linear: f64) -> u8 {
    let linear = if linear.is_finite() { linear.clamp(0.0, 1.0) } else { 0.0 };
    (255.0 * encode(linear)).round() as u8
}

/// Steps of [`CODES`] over full scale: 19 of them in a code where the curve is steepest.
const STEPS: usize = 1 << 16;

/// Code of each of [`STEPS`] even steps of linear light.
static CODES: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let code = |i: usize| code(i as f64 / STEPS as f64);
    let mut codes = Vec::with_capacity(STEPS + 1);
    while codes.len() <= STEPS {
        // The curve only rises: where a code ends is found by halving.
        let (here, mut last, mut beyond) = (code(codes.len()), codes.len(), STEPS + 1);
        while beyond - last > 1 {
            let middle = (last + beyond) / 2;
            if code(middle) == here { last = middle } else { beyond = middle }
        }
        codes.resize(beyond, here);
    }
    codes
});

/// 8-bit code of linear light for a picture, from a table: as [`code`], off by one where the light is within 1/38 of a
/// code of where two codes meet.
#[must_use]
pub fn picture_code(linear: f32) -> u8 {
    // What is not a number becomes 0.
    CODES[((linear * STEPS as f32 + 0.5) as i32).clamp(0, STEPS as i32) as usize]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_test_values() {
        assert!((encode(0.18) - 0.461_356_129_5).abs() < 1e-9, "0.18");
        assert!((decode(0.5) - 0.214_041_140).abs() < 1e-9, "0.5");
    }

    #[test]
    fn the_table_of_codes_is_the_curve() {
        let mut other = 0;
        for i in -10..=100_010 {
            let light = i as f32 / 1e5;
            let (exact, ours) = (code(f64::from(light)), picture_code(light));
            assert!(exact.abs_diff(ours) <= 1, "{light}: {ours} for {exact}");
            other += u32::from(exact != ours);
        }
        assert!(other < 100_000 / 20, "{other} of 100000 are off by one");
        assert_eq!([f32::NAN, f32::NEG_INFINITY, f32::INFINITY].map(picture_code), [0, 0, 255]);
    }
}
