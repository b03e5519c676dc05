//! The photographs as the page shows them: small enough to send, true enough to agree with the outlines.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder as _};

use crate::error::{Error, Result};
use crate::optics::srgb;
use crate::register::FieldStack;
use crate::slide::photograph::LinearPlanes;

/// Longest side of a picture in the page, pixels.
const LONGEST_PX: usize = 1100;
/// JPEG quality of the pictures in the page.
const QUALITY: u8 = 82;
/// Share of the light that may be blown out when a picture is brightened.
const BLOWN_SHARE: f64 = 0.005;

/// The pictures of one field.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldPicture {
    /// Name of the field.
    pub name: String,
    /// Width and height that the pictures cover, pixels of the plane photograph.
    pub covers_px: [f64; 2],
    /// Plane light, as a data address.
    pub plane: String,
    /// The crossed photograph with most light, on the same grid, as a data address.
    pub crossed: Option<String>,
    /// Angle of that crossed photograph, degrees.
    pub crossed_angle_deg: Option<f64>,
}

impl FieldPicture {
    /// Takes the pictures from a registered field.
    ///
    /// # Errors
    /// When a picture cannot be encoded.
    pub fn of(stack: &FieldStack) -> Result<Self> {
        let bin = stack.width.max(stack.height).div_ceil(LONGEST_PX).max(1);
        let coarse = (8 * bin).min(stack.width.min(stack.height).max(1));
        let brightest = (0..stack.crossed.len())
            .map(|i| (i, mean_light(&stack.crossed_light(i, coarse))))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(i, _)| i);
        let failed = |e: image::ImageError| {
            Error::new(
                &stack.plane.path,
                "its picture for the page cannot be made",
                "check that the photograph opens elsewhere",
            )
            .caused_by(e)
        };
        let plane = stack.plane_light(bin);
        let (rows, columns) = plane.dim();
        let crossed = match brightest {
            Some(i) => Some(data_address(&stack.crossed_light(i, bin)).map_err(failed)?),
            None => None,
        };
        Ok(Self {
            name: stack.name.clone(),
            covers_px: [(columns * bin) as f64, (rows * bin) as f64],
            plane: data_address(&plane).map_err(failed)?,
            crossed,
            crossed_angle_deg: brightest.map(|i| stack.crossed[i].angle.deg()),
        })
    }
}

fn mean_light(planes: &LinearPlanes) -> f64 {
    planes.rgb.iter().map(|p| f64::from(p.mean().unwrap_or(0.0))).sum()
}

/// Linear light as a JPEG in sRGB, brightened or darkened as a whole so that little is blown out, in a data address.
fn data_address(planes: &LinearPlanes) -> Result<String, image::ImageError> {
    let (rows, columns) = planes.dim();
    let mut greatest: Vec<f32> = planes.rgb[1]
        .iter()
        .zip(&planes.rgb[0])
        .zip(&planes.rgb[2])
        .map(|((g, r), b)| g.max(*r).max(*b))
        .filter(|v| v.is_finite())
        .collect();
    let gain = if greatest.is_empty() {
        1.0
    } else {
        let at = ((greatest.len() - 1) as f64 * (1.0 - BLOWN_SHARE)) as usize;
        let (_, top, _) = greatest.select_nth_unstable_by(at, f32::total_cmp);
        if *top > 0.0 { (0.95 / *top).min(20.0) } else { 1.0 }
    };
    let mut codes = Vec::with_capacity(3 * rows * columns);
    for y in 0..rows {
        for x in 0..columns {
            codes.extend(planes.rgb.iter().map(|p| srgb::code(f64::from(p[[y, x]] * gain))));
        }
    }
    let mut jpeg = Vec::new();
    let (width, height) = (u32::try_from(columns).unwrap_or(0), u32::try_from(rows).unwrap_or(0));
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).write_image(&codes, width, height, ExtendedColorType::Rgb8)?;
    Ok(format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn a_grey_picture_comes_back_as_grey() {
        // sRGB test value: linear 0.2140 is code 127.5.
        assert_eq!((srgb::code(0.0), srgb::code(1.0), srgb::code(0.2140), srgb::code(f64::NAN)), (0, 255, 127, 0));
        let planes = LinearPlanes {
            bin: 1,
            rgb: std::array::from_fn(|_| Array2::from_elem((16, 24), 0.3)),
            mask: Array2::zeros((16, 24)),
        };
        let address = data_address(&planes).unwrap();
        let jpeg = STANDARD.decode(address.strip_prefix("data:image/jpeg;base64,").unwrap()).unwrap();
        let picture = image::load_from_memory(&jpeg).unwrap().to_rgb8();
        assert_eq!(picture.dimensions(), (24, 16));
        assert!(picture.pixels().all(|p| p.0.iter().all(|c| c.abs_diff(srgb::code(0.95)) <= 2)));
    }
}
