//! Which fields are held whole, and which are looked at in windows: by the memory that they take.

use std::path::Path;

use image::ImageFormat;

use crate::section::line_search::line_bins;
use crate::section::plane_light::USUAL_UM_PER_PX;
use crate::slide::Slide;
use crate::slide::folder::{FieldPlan, InWindows};
use crate::slide::record::Turned;
use crate::slide::scan;
use crate::units::MicrometresPerPixel;

/// Bytes that the planes of the stages take a cell of the finest search, and the pictures a pixel. Measured, see docs/performance.md.
const CELL_BYTES: u64 = 180;
/// The same.
const PIXEL_BYTES: u64 = 8;

/// Whether a field is to be looked at in windows. A photograph whose header cannot be read is left to the reading, which says why.
#[must_use]
pub fn wanted(slide: &Slide, plan: &FieldPlan) -> bool {
    let Some((width, height)) = scan::size(&plan.plane) else { return false };
    let pixels = u64::from(width) * u64::from(height);
    !fits(&slide.windows, pixels, held_bytes(plan, pixels, slide.scale), slide.record.turned)
}

fn fits(how: &InWindows, pixels: u64, bytes: u64, turned: Turned) -> bool {
    let times = if turned == Turned::Stage { 2 } else { 1 };
    pixels <= how.from_pixels || bytes <= how.held_bytes.saturating_mul(times)
}

/// Bytes that a field of so many pixels takes at its most while it is held: its photographs, and the planes of the stages.
fn held_bytes(plan: &FieldPlan, pixels: u64, scale: Option<MicrometresPerPixel>) -> u64 {
    let all = std::iter::once(&plan.plane).chain(plan.crossed.iter().map(|(path, _)| path)).chain(&plan.blank);
    let photographs: u64 = all.map(|path| if is_jpeg(path) { 3 } else { 6 }).sum();
    let [bin, _] = line_bins(scale.map_or(USUAL_UM_PER_PX, MicrometresPerPixel::um_per_px)).map(|bin| bin as u64);
    pixels.saturating_mul(photographs + PIXEL_BYTES + CELL_BYTES / (bin * bin))
}

/// Others may have 16 bit.
fn is_jpeg(path: &Path) -> bool {
    ImageFormat::from_path(path).is_ok_and(|format| format == ImageFormat::Jpeg)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Degrees;

    fn plan(crossed: usize, suffix: &str) -> FieldPlan {
        let path = |name: &str| format!("{name}.{suffix}").into();
        FieldPlan {
            name: "A".into(),
            centre_mm: None,
            plane: path("A_ppl"),
            crossed: (0..crossed).map(|k| (path("A_xpl"), Degrees::from_deg(22.5 * k as f64))).collect(),
            blank: None,
        }
    }

    fn held(pixels: u64, um_per_px: Option<f64>, suffix: &str, turned: Turned) -> bool {
        let bytes = held_bytes(&plan(4, suffix), pixels, um_per_px.map(MicrometresPerPixel::from_um_per_px));
        fits(&InWindows::default(), pixels, bytes, turned)
    }

    /// Peaks of `check` on one field of 5880 x 3920 pixels, four crossed JPEGs, as `/usr/bin/time` told them.
    #[test]
    fn what_is_held_takes_about_what_was_measured() {
        for (um_per_px, measured_mb) in [(0.5, 975.0), (1.0, 1421.0), (2.0, 4527.0)] {
            let scale = Some(MicrometresPerPixel::from_um_per_px(um_per_px));
            let told = held_bytes(&plan(4, "jpg"), 5880 * 3920, scale) as f64 / 1e6;
            assert!((0.95..1.2).contains(&(told / measured_mb)), "{told} MB at {um_per_px} µm, {measured_mb} measured");
        }
    }

    #[test]
    fn one_field_of_a_large_camera_is_held_and_a_whole_section_is_not() {
        let polars = |pixels, um| held(pixels, um, "jpg", Turned::Polars);
        assert!(polars(24_000_000, None) && polars(24_240_000, Some(1.0)), "a usual camera");
        assert!(polars(45_400_000, Some(0.4)) && polars(61_000_000, Some(0.3)), "large ones");
        assert!(!polars(24_240_000, Some(2.0)) && !polars(102_000_000, Some(0.3)) && !polars(960_000_000, Some(1.0)));
        assert!(!held(45_400_000, Some(0.5), "tif", Turned::Polars), "16 bit takes twice as much");
        assert!(held(45_400_000, Some(1.0), "jpg", Turned::Stage), "windows cannot follow a stage");
        assert!(!held(960_000_000, Some(1.0), "jpg", Turned::Stage));
    }
}
