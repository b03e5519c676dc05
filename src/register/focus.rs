//! Whether plane light is in focus: out of it, scratches and the walls of holes are spread until nothing is left of them.

use crate::register::FieldStack;
use crate::register::boundaries;
use crate::slide::photograph::Photograph;
use crate::units::MicrometresPerPixel;

/// Side of the cells that boundaries are measured on, µm: a finer pixel than the lens would only make them longer.
const CELL_UM: f64 = 1.0;
/// How often the cells are doubled where too few boundaries are seen: what is far out of focus has none on fine ones.
const DOUBLED: usize = 3;
/// Share of the boundaries that is sharper than what counts.
const SHARPEST: f64 = 0.05;
/// Boundaries that are enough to tell.
const FEWEST: usize = 100;
/// Blur from which a photograph is out of focus, µm (standard deviation), ...
///
/// House values, see docs/robustness.md: of 212 slides one plane photograph passes both, and is out of focus.
const BLURRED_UM: f64 = 2.3;
/// ... and cells: a coarse pixel is no bad focus.
const BLURRED_CELLS: f64 = 1.25;
/// A Gaussian step rises from a tenth to nine tenths over so many standard deviations.
const TENTH_TO_NINE_TENTHS: f64 = 2.563;

/// A plane-light photograph that is out of focus.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OutOfFocus {
    /// Its file.
    pub(crate) file: String,
    /// Over how much its sharpest boundaries rise from a tenth to nine tenths, µm, at least: far out of focus the grains beside blur it.
    pub(crate) rise_um: f64,
}

impl FieldStack {
    /// Whether plane light is out of focus; None where it is not, where too few boundaries are seen to tell, and without a scale.
    pub(crate) fn out_of_focus(&self) -> Option<OutOfFocus> {
        let rise_um = TENTH_TO_NINE_TENTHS * blur_um(&self.plane, self.scale?)?;
        Some(OutOfFocus { file: self.plane.record.file.clone(), rise_um })
    }
}

/// Blur of the sharpest boundaries of a photograph, µm (standard deviation), where it is out of focus.
fn blur_um(photograph: &Photograph, scale: MicrometresPerPixel) -> Option<f64> {
    let finest = ((CELL_UM / scale.um_per_px()).round() as usize).max(1);
    (0..=DOUBLED)
        .find_map(|k| {
            let bin = finest << k;
            let cells = blur_cells(photograph, bin)?;
            Some((cells, cells * bin as f64 * scale.um_per_px()))
        })
        .filter(|(cells, um)| *cells > BLURRED_CELLS && *um > BLURRED_UM)
        .map(|(_, um)| um)
}

/// The same in cells of `bin` pixels; None where too few boundaries are seen.
fn blur_cells(photograph: &Photograph, bin: usize) -> Option<f64> {
    let mut widths = boundaries::widths(photograph, bin)?.concat();
    if widths.len() < FEWEST {
        return None;
    }
    let at = (SHARPEST * widths.len() as f64) as usize;
    let width = f64::from(*widths.select_nth_unstable_by(at, f32::total_cmp).1);
    Some(boundaries::blur_of(width))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::register::boundaries::tests::{grains, softened};

    fn told(blur_px: f64, um_per_px: f64) -> Option<f64> {
        blur_um(&softened(&grains(3, 1.0, [0.0, 0.0]), blur_px), MicrometresPerPixel::from_um_per_px(um_per_px))
    }

    /// A lens that draws a step with 1.1 pixels is in focus at any scale; blur beyond that adds in squares, and is told too small where it
    /// is a third of a grain.
    #[test]
    fn a_photograph_out_of_focus_is_told_with_its_blur() {
        for um_per_px in [0.4, 1.0, 1.6, 3.0] {
            assert_eq!(told(0.0, um_per_px), None, "{um_per_px}");
        }
        for (blur_px, um_per_px) in [(3.0, 1.6), (2.5, 2.5), (4.0, 1.0), (9.0, 0.5), (12.0, 1.0)] {
            let expected = f64::hypot(blur_px, 1.1) * um_per_px;
            let um = told(blur_px, um_per_px).unwrap_or_else(|| panic!("{blur_px} px at {um_per_px} µm"));
            assert!(
                (if blur_px < 5.0 { 0.75 } else { 0.4 }..1.2).contains(&(um / expected)),
                "{blur_px} px at {um_per_px} µm: {um} of {expected} µm"
            );
        }
    }

    #[test]
    fn what_hides_no_scratch_is_in_focus() {
        assert_eq!(told(2.5, 0.5), None, "1.4 µm");
        assert_eq!(told(0.5, 3.9), None, "a coarse pixel");
    }
}
