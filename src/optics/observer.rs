//! From spectra to what an observer or a camera records: CIE 1931 2° tristimulus values and linear sRGB.

use std::sync::LazyLock;

use colorimetry::observer::Observer;
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

use crate::optics::lamp::{COUNT, FIRST_NM, Lamp, STEP_NM};

/// CIE 1931 2° colour-matching functions on the wavelength grid.
pub static CIE_1931: LazyLock<Vec<[f64; 3]>> = LazyLock::new(|| {
    (0..COUNT)
        .map(|i| {
            Observer::Cie1931
                .xyz_at_wavelength(FIRST_NM + i * STEP_NM)
                .expect("the grid is within the tables")
                .to_array()
        })
        .collect()
});

/// XYZ to linear sRGB, white D65 (IEC 61966-2-1:1999; matrix to full precision from its primaries and D65 0.3127, 0.3290).
pub static XYZ_TO_SRGB: LazyLock<Matrix3<f64>> = LazyLock::new(|| {
    let primaries = [(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)];
    let column = |(x, y): (f64, f64)| Vector3::new(x / y, 1.0, (1.0 - x - y) / y);
    let p = Matrix3::from_columns(&primaries.map(column));
    let white = column((0.3127, 0.3290));
    let scale = p.try_inverse().expect("primaries are independent") * white;
    (p * Matrix3::from_diagonal(&scale)).try_inverse().expect("primaries are independent")
});

/// Bradford cone-response matrix (ICC.1:2010 annex E; from memory).
const BRADFORD: [[f64; 3]; 3] = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// How the camera's white balance takes the lamp's white to neutral.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhiteScaling {
    /// Channel by channel in linear sRGB.
    Channels,
    /// In Bradford cone space, then to sRGB.
    Bradford,
    /// A dyed sensor's own channels, balanced one by one, then by a matrix fitted to smooth colours: no camera is a colorimeter.
    DyedSensor,
    /// The same with its matrix fitted once and for all under daylight (D65).
    DyedSensorDaylight,
}

impl WhiteScaling {
    /// A sensor's own dyes, not an observer.
    #[must_use]
    pub const fn is_dyed(self) -> bool {
        matches!(self, Self::DyedSensor | Self::DyedSensorDaylight)
    }
}

/// Sensitivities of a usual dyed silicon sensor behind its infrared filter: peaks and widths (nm) and a crosstalk, from memory of
/// published curves; no particular camera.
fn dyed_sensor(nm: f64) -> Vector3<f64> {
    let bell = |peak: f64, short: f64, long: f64| {
        let width = if nm < peak { short } else { long };
        (-0.5 * ((nm - peak) / width).powi(2)).exp()
    };
    Vector3::new(
        bell(602.0, 24.0, 38.0) + 0.10 * bell(540.0, 35.0, 30.0) + 0.03 * bell(440.0, 22.0, 22.0),
        bell(534.0, 36.0, 42.0) + 0.05 * bell(640.0, 30.0, 25.0),
        bell(460.0, 30.0, 32.0) + 0.06 * bell(525.0, 25.0, 25.0),
    )
}

/// What [`dyed_sensor`] says on the wavelength grid.
static DYED_SENSOR: LazyLock<Vec<Vector3<f64>>> =
    LazyLock::new(|| (0..COUNT).map(|i| dyed_sensor((FIRST_NM + i * STEP_NM) as f64)).collect());

/// Smooth spectra on the wavelength grid: (1 + cos)/2 of 180 to 500 nm period.
static SMOOTH: LazyLock<Vec<Vec<f64>>> = LazyLock::new(|| {
    let spectrum = |period: f64, phase: i32| {
        let turn = |i: usize| i as f64 / period + f64::from(phase) / 12.0;
        (0..COUNT).map(|i| 0.5 + 0.5 * (2.0 * std::f64::consts::PI * turn(i)).cos()).collect()
    };
    [180.0, 250.0, 350.0, 500.0]
        .into_iter()
        .flat_map(|period| (0..12).map(move |phase| spectrum(period, phase)))
        .collect()
});

/// Row-wise least-squares matrix, rows summing to one so that white stays white, that takes balanced sensor channels to ideal
/// ones over smooth spectra.
fn matrix_to(ideal: &[[f64; 3]], raw: &[[f64; 3]]) -> Matrix3<f64> {
    let pairs: Vec<(Vector3<f64>, Vector3<f64>)> = SMOOTH
        .iter()
        .map(|smooth| {
            let seen = |weights: &[[f64; 3]]| -> Vector3<f64> {
                weights.iter().zip(smooth).map(|(w, light)| Vector3::from(*w) * *light).sum()
            };
            (seen(raw), seen(ideal))
        })
        .collect();
    let mut matrix = Matrix3::zeros();
    for row in 0..3 {
        let (a, b) = ((row + 1) % 3, (row + 2) % 3);
        let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
        for (r, t) in &pairs {
            let d = Vector2::new(r[a] - r[row], r[b] - r[row]);
            normal += d * d.transpose();
            right += d * (t[row] - r[row]);
        }
        let p = normal.try_inverse().expect("smooth spectra differ") * right;
        matrix[(row, a)] = p.x;
        matrix[(row, b)] = p.y;
        matrix[(row, row)] = 1.0 - p.x - p.y;
    }
    matrix
}

/// The matrix of the dyed sensor fitted under a lamp.
fn dyed_matrix(lamp: &[f64]) -> Matrix3<f64> {
    matrix_to(&camera_weights(lamp, WhiteScaling::Bradford), &dyed_raw(lamp))
}

/// The same under daylight.
static DYED_DAYLIGHT: LazyLock<Matrix3<f64>> = LazyLock::new(|| dyed_matrix(&Lamp::D65.spectrum()));

/// The weights of the dyed sensor under a lamp.
fn dyed_weights(lamp: &[f64], matrix: &Matrix3<f64>) -> Vec<[f64; 3]> {
    dyed_raw(lamp).iter().map(|r| (matrix * Vector3::from(*r)).into()).collect()
}

/// The sensor's own channels under a lamp, balanced one by one.
fn dyed_raw(lamp: &[f64]) -> Vec<[f64; 3]> {
    let own: Vec<Vector3<f64>> = lamp.iter().zip(&*DYED_SENSOR).map(|(p, sensor)| sensor * *p).collect();
    let white: Vector3<f64> = own.iter().sum();
    own.iter().map(|o| o.component_div(&white).into()).collect()
}

/// Three weights a wavelength that take a spectrum, already multiplied by the lamp, to linear sRGB with white at (1, 1, 1).
///
/// `lamp` is a spectrum on the wavelength grid.
///
/// # Panics
/// When the lamp is dark.
#[must_use]
pub fn camera_weights(lamp: &[f64], scaling: WhiteScaling) -> Vec<[f64; 3]> {
    let cmf = &*CIE_1931;
    let white: Vector3<f64> = lamp.iter().zip(cmf).map(|(p, m)| Vector3::from(*m) * *p).sum();
    assert!(white.y > 0.0, "a lamp must give light");
    let white = white / white.y;
    let to_rgb = match scaling {
        WhiteScaling::DyedSensor => return dyed_weights(lamp, &dyed_matrix(lamp)),
        WhiteScaling::DyedSensorDaylight => return dyed_weights(lamp, &DYED_DAYLIGHT),
        WhiteScaling::Channels => {
            let rgb = *XYZ_TO_SRGB * white;
            Matrix3::from_diagonal(&rgb.map(|c| 1.0 / c)) * *XYZ_TO_SRGB
        }
        WhiteScaling::Bradford => {
            let bradford = Matrix3::from_fn(|r, c| BRADFORD[r][c]);
            let d65 = XYZ_TO_SRGB.try_inverse().expect("invertible") * Vector3::new(1.0, 1.0, 1.0);
            let gain = (bradford * d65).component_div(&(bradford * white));
            *XYZ_TO_SRGB * bradford.try_inverse().expect("invertible") * Matrix3::from_diagonal(&gain) * bradford
        }
    };
    let norm: f64 = lamp.iter().zip(cmf).map(|(p, m)| p * m[1]).sum();
    lamp.iter().zip(cmf).map(|(p, m)| (to_rgb * Vector3::from(*m) * (p / norm)).into()).collect()
}

/// CIE 1931 chromaticity and relative luminance (x, y, Y) of a transmittance under a lamp, open field Y = 1.
///
/// Both on the wavelength grid.
#[must_use]
pub fn xyy(lamp: &[f64], transmittance: &[f64]) -> [f64; 3] {
    let mut sum = Vector3::zeros();
    let mut open = 0.0;
    for ((p, t), m) in lamp.iter().zip(transmittance).zip(&*CIE_1931) {
        sum += Vector3::from(*m) * (p * t);
        open += p * m[1];
    }
    let total = sum.sum();
    [sum.x / total, sum.y / total, sum.y / open]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CIE 1931 2° table values.
    #[test]
    fn colour_matching_functions_agree_with_cie() {
        let table = [
            (450, [0.3362, 0.038, 1.77211]),
            (500, [0.0049, 0.323, 0.272]),
            (550, [0.43345, 0.99495, 0.00875]),
            (600, [1.0622, 0.631, 0.0008]),
            (650, [0.2835, 0.107, 0.0]),
        ];
        let peak = CIE_1931[555 - FIRST_NM][1];
        for (nm, values) in table {
            for c in 0..3 {
                let ours = CIE_1931[nm - FIRST_NM][c] / peak;
                assert!((ours - values[c]).abs() < 5e-4, "{nm} nm, {c}: {ours}");
            }
        }
    }

    /// White points as integrated 380 to 780 nm at 1 nm: A 0.44756, 0.40744; D65 0.31274, 0.32905 (CIE 15 to 1e-4).
    #[test]
    fn white_points() {
        for (lamp, x, y) in [(Lamp::A, 0.44756, 0.40744), (Lamp::D65, 0.31274, 0.32905)] {
            let [wx, wy, ly] = xyy(&lamp.spectrum(), &[1.0; COUNT]);
            assert!((wx - x).abs() < 1e-4 && (wy - y).abs() < 1e-4 && (ly - 1.0).abs() < 1e-12, "{lamp}: {wx} {wy}");
        }
    }

    #[test]
    fn the_open_field_is_white_for_every_lamp_and_scaling() {
        for lamp in [Lamp::A, Lamp::Planck(2700.0), Lamp::Daylight(5500.0), Lamp::Led { blue: 0.9, phosphor_nm: 560.0 }]
        {
            for scaling in [
                WhiteScaling::Channels,
                WhiteScaling::Bradford,
                WhiteScaling::DyedSensor,
                WhiteScaling::DyedSensorDaylight,
            ] {
                let white = camera_weights(&lamp.spectrum(), scaling)
                    .iter()
                    .fold([0.0; 3], |s, w| [s[0] + w[0], s[1] + w[1], s[2] + w[2]]);
                for c in white {
                    assert!((c - 1.0).abs() < 1e-9, "{lamp} {scaling:?}: {white:?}");
                }
            }
        }
    }
}
