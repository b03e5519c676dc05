//! The dark surround of a picture taken through an eyepiece: a field stop leaves a bright disc, and its edge is no line of the section.

use ndarray::Array2;

use crate::register::field_stop;
use crate::section::plane_light::PlaneLight;

/// Log transmission under which a cell may be of the surround. House value: a twelfth of full light.
const DARK: f32 = -2.5;
/// How far from it the stop's own shade reaches, µm and cells at least. House values.
const SHADE: (f64, f64) = (16.0, 5.0);

/// Coarse cells of the surround, and those in the shade of its edge; None where there is none.
pub(crate) fn surround(plane: &PlaneLight) -> Option<Array2<bool>> {
    let shade = (plane.px(SHADE.0) / plane.bin as f64).max(SHADE.1).round().min(255.0) as u8;
    field_stop::surround(&plane.coarse.mapv(|light| light < DARK), shade)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::photograph::LinearPlanes;

    fn plane_of(light: impl Fn(usize, usize) -> f32) -> PlaneLight {
        let grey = Array2::from_shape_fn((300, 400), |(y, x)| light(y, x));
        let planes = LinearPlanes { bin: 1, mask: Array2::zeros(grey.dim()), rgb: [grey.clone(), grey.clone(), grey] };
        PlaneLight::from_planes(&planes, Some(2.6))
    }

    #[test]
    fn the_dark_about_an_eyepieces_disc_is_its_surround() {
        let disc = plane_of(|y, x| if (y as f32 - 150.0).hypot(x as f32 - 200.0) < 180.0 { 0.8 } else { 0.001 });
        let found = surround(&disc).expect("the corners are dark");
        assert!(found[[0, 0]] && found[[299, 399]] && !found[[150, 200]]);
        // Its edge, 180 pixels to the left of the middle, and the shade inside it.
        assert!(found[[150, 23]] && !found[[150, 40]]);
    }

    #[test]
    fn an_ore_grain_on_the_frame_is_none_nor_is_a_dark_one_within() {
        for x in [0..20, 100..240] {
            let ore = plane_of(|row, column| if row < 5 && x.contains(&column) { 0.001 } else { 0.8 });
            assert!(surround(&ore).is_none(), "a small one in the corner, a large one beside it");
        }
        let within = plane_of(|y, x| if (y as f32 - 150.0).hypot(x as f32 - 200.0) < 90.0 { 0.001 } else { 0.8 });
        assert!(surround(&within).is_none());
    }
}
