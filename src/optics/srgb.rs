//! The sRGB curve between linear and encoded light, both 0..=1 of full scale (IEC 61966-2-1:1999).

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_test_values() {
        assert!((encode(0.18) - 0.461_356_129_5).abs() < 1e-9, "0.18");
        assert!((decode(0.5) - 0.214_041_140).abs() < 1e-9, "0.5");
    }
}
