//! Light through the section into the camera, integrated over the visible spectrum.
//!
//! Written apart from `optics` on purpose, so that rendered slides check the measuring instead of repeating it.

use colorimetry::illuminant::Illuminant;
use colorimetry::observer::Observer;
use rayon::prelude::*;
use serde::Serialize;

/// First wavelength of every spectrum here, nm; one sample a nanometre.
const FIRST_NM: usize = 380;
/// Samples of every spectrum here: 380 to 780 nm.
const SAMPLES: usize = 401;
/// Step of the retardation tables, nm.
const STEP_NM: f32 = 2.0;
/// Entries of the retardation tables: calcite at 50 µm still fits.
const ENTRIES: usize = 4500;

/// XYZ (D65) to linear sRGB, IEC 61966-2-1:1999.
const XYZ_TO_SRGB: [[f64; 3]; 3] = [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];
/// Bradford cone responses (Lam 1985).
const BRADFORD: [[f64; 3]; 3] = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];
/// CIE D65 white, Y = 1.
const D65_WHITE: [f64; 3] = [0.950_47, 1.0, 1.088_83];

/// The lamp of the microscope.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lamp {
    /// Filament lamp, Planck's law.
    Tungsten {
        /// Temperature, K; 2400 to 3200 on a microscope.
        kelvin: f64,
    },
    /// CIE daylight of the D series.
    Daylight {
        /// Correlated colour temperature, K; 4000 to 25000.
        kelvin: f64,
    },
    /// White LED: a blue line and a phosphor, both Gaussian.
    Led {
        /// Peak of the blue line, nm.
        blue_nm: f64,
        /// Standard deviation of the blue line, nm.
        blue_sd_nm: f64,
        /// Peak of the phosphor, nm.
        phosphor_nm: f64,
        /// Standard deviation of the phosphor, nm.
        phosphor_sd_nm: f64,
        /// Height of the blue line over that of the phosphor.
        blue_height: f64,
    },
}

impl Lamp {
    /// A cool white LED, about 6000 K.
    #[must_use]
    pub const fn cool_led() -> Self {
        Self::Led { blue_nm: 450.0, blue_sd_nm: 10.0, phosphor_nm: 555.0, phosphor_sd_nm: 55.0, blue_height: 1.6 }
    }

    /// A warm white LED, about 3000 K.
    #[must_use]
    pub const fn warm_led() -> Self {
        Self::Led { blue_nm: 455.0, blue_sd_nm: 11.0, phosphor_nm: 600.0, phosphor_sd_nm: 58.0, blue_height: 0.45 }
    }

    /// Relative spectral power, 380 to 780 nm in steps of 1 nm.
    ///
    /// A daylight outside the D series (4000 to 25000 K) is taken as D65.
    #[must_use]
    pub fn spectrum(self) -> [f64; SAMPLES] {
        match self {
            Self::Daylight { kelvin } => {
                *Illuminant::d_illuminant(kelvin).unwrap_or_else(|_| Illuminant::d65()).as_ref().as_array()
            }
            Self::Tungsten { kelvin } => spectrum_of(|nm| {
                // Second radiation constant in nm·K (CODATA).
                (560.0 / nm).powi(5) / ((1.438_776_877e7 / (nm * kelvin)).exp() - 1.0)
            }),
            Self::Led { blue_nm, blue_sd_nm, phosphor_nm, phosphor_sd_nm, blue_height } => {
                spectrum_of(|nm| blue_height * bell(nm, blue_nm, blue_sd_nm) + bell(nm, phosphor_nm, phosphor_sd_nm))
            }
        }
    }
}

/// How the camera sees colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Eye {
    /// An ideal colorimeter; white balance by one gain a channel of linear sRGB.
    ColorimeterGains,
    /// An ideal colorimeter; white balance by the Bradford transform.
    ColorimeterBradford,
    /// Sensitivities of its own; gains on the raw channels, then a 3 x 3 matrix fitted to smooth colours.
    OwnFilters,
}

/// Linear camera colour of bare crystals between crossed polars at 45°, white (bare glass, parallel polars) = 1, 1, 1.
#[derive(Clone, Debug)]
pub struct ColourTable {
    quartz: Vec<[f32; 3]>,
    plain: Vec<[f32; 3]>,
}

impl ColourTable {
    /// Integrates sin²(πΓ(λ)/λ) over the lamp and the camera for retardations up to 9 µm.
    #[must_use]
    pub fn new(lamp: Lamp, eye: Eye) -> Self {
        let camera = Camera::new(&lamp.spectrum(), eye);
        let at_589 = quartz_birefringence(589.3);
        let dispersion = spectrum_of(|nm| quartz_birefringence(nm) / at_589);
        let table = |dispersion: &[f64; SAMPLES]| {
            (0..ENTRIES)
                .into_par_iter()
                .map(|i| {
                    let retardation = i as f64 * f64::from(STEP_NM);
                    camera.colour(|k| {
                        let nm = (FIRST_NM + k) as f64;
                        (std::f64::consts::PI * retardation * dispersion[k] / nm).sin().powi(2)
                    })
                })
                .map(|c| c.map(|v| v as f32))
                .collect()
        };
        Self { quartz: table(&dispersion), plain: table(&[1.0; SAMPLES]) }
    }

    /// Colour at a retardation (nm at 589.3 nm), with the dispersion of quartz. May be negative: outside sRGB.
    #[must_use]
    pub fn quartz(&self, retardation_nm: f32) -> [f32; 3] {
        look_up(&self.quartz, retardation_nm)
    }

    /// Colour at a retardation (nm) that is the same at all wavelengths. May be negative: outside sRGB.
    #[must_use]
    pub fn plain(&self, retardation_nm: f32) -> [f32; 3] {
        look_up(&self.plain, retardation_nm)
    }
}

fn look_up(table: &[[f32; 3]], retardation_nm: f32) -> [f32; 3] {
    let at = (retardation_nm / STEP_NM).clamp(0.0, (ENTRIES - 2) as f32);
    let i = at as usize;
    let f = at - i as f32;
    std::array::from_fn(|c| table[i][c] + f * (table[i + 1][c] - table[i][c]))
}

/// Quartz: extraordinary minus ordinary index at a wavelength in nm, after G. Ghosh, Opt. Commun. 163, 95-102 (1999).
#[must_use]
pub fn quartz_birefringence(nm: f64) -> f64 {
    let [o, e] = quartz_indices(nm);
    e - o
}

/// Quartz: ordinary and extraordinary index at a wavelength in nm, after G. Ghosh, Opt. Commun. 163, 95-102 (1999).
#[must_use]
pub fn quartz_indices(nm: f64) -> [f64; 2] {
    let q = (nm / 1000.0).powi(2);
    let index = |a: f64, b: f64, c: f64, d: f64| (1.0 + a + b * q / (q - c) + d * q / (q - 100.0)).sqrt();
    [
        index(0.286_041_41, 1.070_440_83, 0.010_058_599_7, 1.102_022_42),
        index(0.288_518_04, 1.095_099_24, 0.010_210_186_4, 1.156_624_75),
    ]
}

/// Birefringence seen along a direction at `theta` radians from the optic axis of quartz, at 589.3 nm (exact form).
#[must_use]
pub fn quartz_seen_at(theta: f64) -> f64 {
    let [o, e] = quartz_indices(589.3);
    (theta.cos().powi(2) / (o * o) + theta.sin().powi(2) / (e * e)).powf(-0.5) - o
}

/// Wavelength of a sample of a spectrum, nm.
pub(crate) fn wavelength_of(sample: usize) -> f64 {
    (FIRST_NM + sample) as f64
}

/// Spectral weights of the three channels, such that white is 1, 1, 1.
pub(crate) struct Camera {
    weights: Vec<[f64; 3]>,
    matrix: [[f64; 3]; 3],
}

impl Camera {
    pub(crate) fn new(lamp: &[f64; SAMPLES], eye: Eye) -> Self {
        let observer: Vec<[f64; 3]> = (0..SAMPLES)
            .map(|k| Observer::Cie1931.xyz_at_wavelength(FIRST_NM + k).map_or([0.0; 3], |v| v.to_array()))
            .collect();
        let lit = |response: &[[f64; 3]]| -> Vec<[f64; 3]> {
            response.iter().zip(lamp).map(|(r, s)| r.map(|v| v * s)).collect()
        };
        let seen = lit(&observer);
        let white = sum(&seen, |_| 1.0);
        let xyz: Vec<[f64; 3]> = seen.iter().map(|v| v.map(|c| c / white[1])).collect();
        match eye {
            Eye::ColorimeterGains => {
                let rgb: Vec<[f64; 3]> = xyz.iter().map(|&v| apply(&XYZ_TO_SRGB, v)).collect();
                Self { weights: balanced(&rgb), matrix: IDENTITY }
            }
            Eye::ColorimeterBradford => {
                let adapt = adaptation(sum(&xyz, |_| 1.0));
                let rgb: Vec<[f64; 3]> = xyz.iter().map(|&v| apply(&XYZ_TO_SRGB, apply(&adapt, v))).collect();
                Self { weights: balanced(&rgb), matrix: IDENTITY }
            }
            Eye::OwnFilters => {
                let own: Vec<[f64; 3]> = (0..SAMPLES).map(|k| own_filters((FIRST_NM + k) as f64)).collect();
                let raw = balanced(&lit(&own));
                let ideal = Self::new(lamp, Eye::ColorimeterBradford);
                let matrix = fitted_matrix(&raw, &ideal.weights);
                Self { weights: raw, matrix }
            }
        }
    }

    /// Linear colour of what passes this share of each sample's light.
    pub(crate) fn colour(&self, transmittance: impl Fn(usize) -> f64) -> [f64; 3] {
        apply(&self.matrix, sum(&self.weights, transmittance))
    }
}

const IDENTITY: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// Invented filters: broad, overlapping, with a second hump of red in the blue, as dyed sensors have.
fn own_filters(nm: f64) -> [f64; 3] {
    [
        bell(nm, 602.0, 34.0) + 0.12 * bell(nm, 535.0, 30.0) + 0.05 * bell(nm, 440.0, 22.0),
        bell(nm, 532.0, 38.0) + 0.06 * bell(nm, 625.0, 30.0),
        bell(nm, 458.0, 27.0) + 0.09 * bell(nm, 520.0, 24.0),
    ]
}

/// Least-squares matrix from balanced raw colours to ideal ones over smooth filters, rows summing to one (white stays white).
fn fitted_matrix(raw: &[[f64; 3]], ideal: &[[f64; 3]]) -> [[f64; 3]; 3] {
    let mut smooth = Vec::new();
    for centre in (400..=720).step_by(20) {
        for sd in [30.0, 60.0, 110.0] {
            for floor in [0.05, 0.4] {
                let filter =
                    move |k: usize| floor + (0.95 - floor) * bell((FIRST_NM + k) as f64, f64::from(centre), sd);
                smooth.push((sum(raw, filter), sum(ideal, filter)));
            }
        }
    }
    // Each row is (1 - p - q, p, q) in some order: two unknowns on differences from the row's own channel.
    std::array::from_fn(|row| {
        let (a, b) = ((row + 1) % 3, (row + 2) % 3);
        let (mut aa, mut ab, mut bb, mut ay, mut by) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (r, i) in &smooth {
            let (u, v, y) = (r[a] - r[row], r[b] - r[row], i[row] - r[row]);
            aa += u * u;
            ab += u * v;
            bb += v * v;
            ay += u * y;
            by += v * y;
        }
        let det = aa * bb - ab * ab;
        let (p, q) = ((ay * bb - by * ab) / det, (by * aa - ay * ab) / det);
        let mut out = [0.0; 3];
        out[row] = 1.0 - p - q;
        out[a] = p;
        out[b] = q;
        out
    })
}

fn adaptation(white: [f64; 3]) -> [[f64; 3]; 3] {
    let from = apply(&BRADFORD, white);
    let to = apply(&BRADFORD, D65_WHITE);
    let scaled: [[f64; 3]; 3] = std::array::from_fn(|r| BRADFORD[r].map(|v| v * to[r] / from[r]));
    multiply(&inverse(&BRADFORD), &scaled)
}

fn balanced(weights: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let white = sum(weights, |_| 1.0);
    weights.iter().map(|w| std::array::from_fn(|c| w[c] / white[c])).collect()
}

fn sum(weights: &[[f64; 3]], transmittance: impl Fn(usize) -> f64) -> [f64; 3] {
    let mut out = [0.0; 3];
    for (k, w) in weights.iter().enumerate() {
        let t = transmittance(k);
        for c in 0..3 {
            out[c] += w[c] * t;
        }
    }
    out
}

fn spectrum_of(f: impl Fn(f64) -> f64) -> [f64; SAMPLES] {
    std::array::from_fn(|k| f((FIRST_NM + k) as f64))
}

fn bell(x: f64, centre: f64, sd: f64) -> f64 {
    (-0.5 * ((x - centre) / sd).powi(2)).exp()
}

fn apply(m: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

fn multiply(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    std::array::from_fn(|r| std::array::from_fn(|c| (0..3).map(|k| a[r][k] * b[k][c]).sum()))
}

fn inverse(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let det = m[0][0] * minor(0, 0) + m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2);
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / det))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quartz_has_the_published_indices() {
        // Computed from Ghosh (1999) to six decimals.
        for (nm, o, e) in [(435.8, 1.553_785, 1.563_213), (589.3, 1.544_206, 1.553_306), (656.3, 1.541_853, 1.550_872)]
        {
            let [no, ne] = quartz_indices(nm);
            assert!((no - o).abs() < 1e-6 && (ne - e).abs() < 1e-6, "{nm} nm: {no} {ne}");
        }
    }

    #[test]
    fn colours_without_dispersion_match_the_computed_chart() {
        // sRGB of Γ = 300 nm and 843 nm under D65, from colour-science 0.4.7 (constant Γ, clipped).
        let table = ColourTable::new(Lamp::Daylight { kelvin: 6504.0 }, Eye::ColorimeterBradford);
        for (retardation, expected) in
            [(97.0, [125.0, 145.0, 170.0]), (300.0, [255.0, 253.0, 222.0]), (843.0, [236.0, 252.0, 103.0])]
        {
            let seen = table.plain(retardation).map(|v| 255.0 * crate::demo::camera::encode(v.clamp(0.0, 1.0)));
            for c in 0..3 {
                assert!((seen[c] - expected[c]).abs() < 2.0, "Γ {retardation}: {seen:?} is not {expected:?}");
            }
        }
    }

    #[test]
    fn every_eye_sees_white_as_white_and_black_as_black() {
        for eye in [Eye::ColorimeterGains, Eye::ColorimeterBradford, Eye::OwnFilters] {
            let camera = Camera::new(&Lamp::warm_led().spectrum(), eye);
            for c in 0..3 {
                assert!((camera.colour(|_| 1.0)[c] - 1.0).abs() < 1e-9);
                assert!(camera.colour(|_| 0.0)[c].abs() < 1e-9);
            }
        }
    }
}
