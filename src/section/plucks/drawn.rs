//! Fields drawn for tests: crystals under polars at 0 and 45 degrees, and one place among them.

use ndarray::Array2;

use crate::section::light_field::FieldLight;
use crate::section::plane_light::coarse_bin;
use crate::slide::photograph::LinearPlanes;

/// Side of a field, pixels of 1.6 µm.
const SIDE: usize = 360;
/// Radius of the place, pixels.
pub(super) const RADIUS: f64 = 62.0;
/// Area of the place, square pixels.
pub(super) const WHOLE: f64 = std::f64::consts::PI * RADIUS * RADIUS;
/// What crossed polars pass of nothing.
pub(super) const DARK: f64 = 0.0005;

/// Distance from the middle of the place, pixels.
pub(super) fn from_the_middle(x: usize, y: usize) -> f64 {
    (x as f64 - 180.0).hypot(y as f64 - 176.0)
}

/// Crystals' light in plane light: even but for what a camera's noise makes of it.
pub(super) fn clear(x: usize, y: usize) -> f64 {
    0.7 + 0.004 * ((x * 73 + y * 151 + (x * y) % 89) % 17) as f64 / 17.0
}

/// A field of crystals of 60 pixels by its plane light, and by what the place passes between crossed polars; None where a crystal lies.
pub(super) fn field(
    plane: impl Fn(usize, usize, usize) -> f64,
    place: impl Fn(usize, usize) -> Option<f64>,
) -> FieldLight {
    let crossed = |k: usize| {
        let place = &place;
        move |x: usize, y: usize, _: usize| {
            let azimuth = 0.9 * (7 * (x / 60) + 5 * (y / 60)) as f64 + 0.4;
            let turned = (2.0 * (azimuth - std::f64::consts::FRAC_PI_4 * k as f64)).sin().powi(2);
            place(x, y).unwrap_or(DARK + 0.5 * turned)
        }
    };
    let bin = coarse_bin(Some(1.6));
    let planes = |bin: usize, of: &dyn Fn(usize, usize, usize) -> f64| LinearPlanes {
        bin,
        rgb: std::array::from_fn(|c| {
            Array2::from_shape_fn((SIDE / bin, SIDE / bin), |(y, x)| of(x * bin, y * bin, c) as f32)
        }),
        mask: Array2::zeros((SIDE / bin, SIDE / bin)),
    };
    let both = [planes(bin, &crossed(0)), planes(bin, &crossed(1))];
    FieldLight::from_planes(&planes(1, &plane), &both, &[0.0, 45.0], Some(1.6))
}
