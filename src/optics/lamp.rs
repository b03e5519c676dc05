//! Lamps: spectra on one wavelength grid, 380 to 780 nm in steps of 1 nm.

use std::fmt;

use colorimetry::illuminant::{CieIlluminant, Illuminant, Planck};
use colorimetry::traits::Light;

/// Wavelength grid, nm: 380 to 780 in steps of [`STEP_NM`].
pub const COUNT: usize = 401;
/// Step of the wavelength grid, nm.
pub const STEP_NM: usize = 1;
/// First wavelength of the grid, nm.
pub const FIRST_NM: usize = 380;

/// A spectrum on the wavelength grid.
pub type Spectrum = Vec<f64>;

/// A microscope lamp as seen through plane polars: what the plane-light photograph was white-balanced on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Lamp {
    /// CIE standard illuminant A.
    A,
    /// CIE standard illuminant D65.
    D65,
    /// Black body of a colour temperature, K: tungsten and halogen, also filtered to daylight.
    Planck(f64),
    /// CIE daylight of a correlated colour temperature, K (4000 to 25000).
    Daylight(f64),
    /// White LED: a blue line and a phosphor. `blue` is the height of the line over that of the phosphor,
    /// `phosphor_nm` the centre of the phosphor.
    Led {
        /// Height of the blue line over that of the phosphor.
        blue: f64,
        /// Centre of the phosphor's band, nm.
        phosphor_nm: f64,
    },
    /// White LED of high colour rendering: a blue line, a green and a red phosphor. Heights over that of the green one.
    RichLed {
        /// Height of the blue line.
        blue: f64,
        /// Height of the red phosphor.
        red: f64,
    },
}

/// Centre and standard deviation of the blue line of a white LED, nm (typical InGaN pump; common practice, no source).
const LED_BLUE_NM: (f64, f64) = (452.0, 10.0);
/// Standard deviation of the phosphor's band, nm (typical YAG:Ce; common practice, no source).
const LED_PHOSPHOR_SD_NM: f64 = 55.0;
/// Centre and standard deviation of the green and the red phosphor of an LED of high colour rendering, nm (typical aluminate
/// and nitride phosphors; from memory, no source).
const RICH_GREEN_NM: (f64, f64) = (535.0, 42.0);
const RICH_RED_NM: (f64, f64) = (625.0, 40.0);

impl Lamp {
    /// Spectral power on the wavelength grid, arbitrary scale.
    ///
    /// # Panics
    /// When a daylight temperature is outside 4000 to 25000 K.
    #[must_use]
    pub fn spectrum(self) -> Spectrum {
        match self {
            Self::A => tabulated(CieIlluminant::A.illuminant()),
            Self::D65 => tabulated(CieIlluminant::D65.illuminant()),
            Self::Planck(kelvin) => {
                let planck = Planck::new(kelvin);
                let peak = planck.at_wavelength(560e-9);
                wavelengths().map(|nm| planck.at_wavelength(nm * 1e-9) / peak).collect()
            }
            Self::Daylight(kelvin) => {
                tabulated(&Illuminant::d_illuminant(kelvin).expect("daylight is defined from 4000 to 25000 K"))
            }
            Self::Led { blue, phosphor_nm } => wavelengths()
                .map(|nm| blue * bell(nm, LED_BLUE_NM) + bell(nm, (phosphor_nm, LED_PHOSPHOR_SD_NM)))
                .collect(),
            Self::RichLed { blue, red } => wavelengths()
                .map(|nm| blue * bell(nm, LED_BLUE_NM) + bell(nm, RICH_GREEN_NM) + red * bell(nm, RICH_RED_NM))
                .collect(),
        }
    }
}

impl fmt::Display for Lamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::A => write!(f, "illuminant A"),
            Self::D65 => write!(f, "illuminant D65"),
            Self::Planck(kelvin) => write!(f, "black body {kelvin:.0} K"),
            Self::Daylight(kelvin) => write!(f, "daylight {kelvin:.0} K"),
            Self::Led { blue, phosphor_nm } => write!(f, "white LED (blue {blue:.2}, phosphor {phosphor_nm:.0} nm)"),
            Self::RichLed { blue, red } => {
                write!(f, "white LED of high colour rendering (blue {blue:.2}, red {red:.2})")
            }
        }
    }
}

fn bell(nm: f64, (centre, sd): (f64, f64)) -> f64 {
    (-0.5 * ((nm - centre) / sd).powi(2)).exp()
}

fn tabulated(illuminant: &Illuminant) -> Spectrum {
    illuminant.spectrum().as_array().to_vec()
}

/// The wavelength grid, nm.
pub fn wavelengths() -> impl Iterator<Item = f64> {
    (0..COUNT).map(|i| (FIRST_NM + i * STEP_NM) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(spectrum: &Spectrum, nm: usize) -> f64 {
        spectrum[nm - FIRST_NM]
    }

    /// CIE 15:2004 T.1 (D65) and CIE 2018 (A), relative to 560 nm = 100.
    #[test]
    fn illuminants_agree_with_cie_tables() {
        let d65 = Lamp::D65.spectrum();
        for (nm, value) in [(400, 82.7549), (450, 117.008), (380, 49.9755)] {
            assert!((100.0 * at(&d65, nm) / at(&d65, 560) - value).abs() < 0.01, "D65 at {nm}: {}", at(&d65, nm));
        }
        let a = Lamp::A.spectrum();
        for (nm, value) in [(580, 114.436_337_8), (380, 9.7951), (450, 33.0859), (700, 198.2612)] {
            assert!((100.0 * at(&a, nm) / at(&a, 560) - value).abs() < 0.01, "A at {nm}: {}", at(&a, nm));
        }
    }
}
