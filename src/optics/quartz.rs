//! Refractive indices and birefringence of quartz.
//!
//! Source: G. Ghosh, "Dispersion-equation coefficients for the refractive index and birefringence of calcite and quartz
//! crystals", Opt. Commun. 163, 95-102 (1999), doi 10.1016/S0030-4018(99)00091-7:
//! n² = A + B·λ²/(λ² - C) + D·λ²/(λ² - F), λ in µm, valid 0.198 to 2.0531 µm; A = 1 + C1 of the tabulated form.

use crate::units::Nanometres;

/// Sodium D: the wavelength at which retardation is stated everywhere in this crate.
pub const SODIUM_D: Nanometres = Nanometres::from_nm(589.3);

const ORDINARY: [f64; 5] = [1.286_041_41, 1.070_440_83, 0.010_058_599_7, 1.102_022_42, 100.0];
const EXTRAORDINARY: [f64; 5] = [1.288_518_04, 1.095_099_24, 0.010_210_186_4, 1.156_624_75, 100.0];

fn index(coefficients: &[f64; 5], wavelength: Nanometres) -> f64 {
    let [a, b, c, d, f] = coefficients;
    let l2 = (wavelength.nm() * 1e-3).powi(2);
    (a + b * l2 / (l2 - c) + d * l2 / (l2 - f)).sqrt()
}

/// Ordinary refractive index at a vacuum wavelength of 198 to 2053 nm.
#[must_use]
pub fn ordinary_index(wavelength: Nanometres) -> f64 {
    index(&ORDINARY, wavelength)
}

/// Extraordinary refractive index at a vacuum wavelength of 198 to 2053 nm.
#[must_use]
pub fn extraordinary_index(wavelength: Nanometres) -> f64 {
    index(&EXTRAORDINARY, wavelength)
}

/// Largest birefringence, n_e - n_o, seen with the c-axis in the plane of the section.
#[must_use]
pub fn birefringence(wavelength: Nanometres) -> f64 {
    extraordinary_index(wavelength) - ordinary_index(wavelength)
}

/// Largest retardation of quartz of a given thickness at 589.3 nm: Γ = d·(n_e - n_o).
#[must_use]
pub fn largest_retardation(thickness: crate::units::Micrometres) -> Nanometres {
    Nanometres::from_nm(thickness.um() * 1e3 * birefringence(SODIUM_D))
}

/// Birefringence at `wavelength` relative to that at 589.3 nm.
#[must_use]
pub fn dispersion(wavelength: Nanometres) -> f64 {
    birefringence(wavelength) / birefringence(SODIUM_D)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Micrometres;

    /// Computed from Ghosh's coefficients with an independent program (numpy), six decimals.
    const GHOSH: [(f64, f64, f64); 6] = [
        (435.8, 1.553_785, 1.563_213),
        (486.1, 1.549_666, 1.558_953),
        (546.1, 1.546_140, 1.555_307),
        (550.0, 1.545_948, 1.555_108),
        (589.3, 1.544_206, 1.553_306),
        (656.3, 1.541_853, 1.550_872),
    ];

    #[test]
    fn indices_agree_with_ghosh_1999_to_a_millionth() {
        for (nm, no, ne) in GHOSH {
            let at = Nanometres::from_nm(nm);
            assert!((ordinary_index(at) - no).abs() < 1e-6, "no at {nm} nm: {}", ordinary_index(at));
            assert!((extraordinary_index(at) - ne).abs() < 1e-6, "ne at {nm} nm: {}", extraordinary_index(at));
        }
    }

    /// Radhakrishnan, Proc. Indian Acad. Sci. 25, 260 (1947): a second, older fit at 18 °C.
    #[test]
    fn birefringence_agrees_with_radhakrishnan_to_three_per_mille() {
        for (nm, dn) in [(435.8, 0.009_433), (546.1, 0.009_180), (589.3, 0.009_117), (656.3, 0.009_039)] {
            let ours = birefringence(Nanometres::from_nm(nm));
            assert!((ours / dn - 1.0).abs() < 3e-3, "at {nm} nm: {ours}");
        }
    }

    /// Ghosh at 589.3 nm: 227.5, 273.0, 318.5 nm at 25, 30, 35 µm.
    #[test]
    fn largest_retardation_by_thickness() {
        for (um, nm) in [(20.0, 182.0), (25.0, 227.5), (30.0, 273.0), (35.0, 318.5), (40.0, 364.0)] {
            let ours = largest_retardation(Micrometres::from_um(um)).nm();
            assert!((ours - nm).abs() < 0.05, "{um} µm: {ours} nm");
        }
    }
}
