//! The photographs as the page shows them: small enough to send, true enough to agree with the outlines.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder as _};
use rayon::prelude::*;

use crate::error::{Error, Result};
use crate::optics::srgb;
use crate::register::FieldStack;
use crate::slide::photograph::{LinearPlanes, Photograph};

/// Longest side of a picture in the page, pixels.
const LONGEST_PX: usize = 2400;
/// Longest side of a thumbnail, pixels.
const THUMBNAIL_PX: usize = 112;
/// JPEG quality of a thumbnail.
const THUMBNAIL_QUALITY: u8 = 75;
/// JPEG qualities of the pictures in the page, tried in this order.
const QUALITIES: [u8; 2] = [82, 72];
/// Largest JPEG in the page, bytes: ten of them, two for each of five fields, make 5.4 MB as text, and the page is to stay under 6.
const MOST_BYTES: usize = 405_000;
/// Share of the light that may be blown out when a picture is brightened.
const BLOWN_SHARE: f64 = 0.005;

/// The pictures of one field.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldPicture {
    /// Name of the field.
    pub name: String,
    /// Width and height that the pictures cover, pixels of the plane photograph.
    pub covers_px: [f64; 2],
    /// How many of the photograph's pixels, along each side, are one of the picture's.
    pub pixels_in_one: usize,
    /// Plane light, as a data address.
    pub plane: String,
    /// The crossed photograph with most light, on the same grid, as a data address.
    pub crossed: Option<String>,
    /// Angle of that crossed photograph, degrees.
    pub crossed_angle_deg: Option<f64>,
    /// That crossed photograph, or the plane one where there is none, a thumb's width across: a JPEG file's bytes.
    pub thumbnail: Vec<u8>,
}

impl FieldPicture {
    /// Takes the pictures from a registered field.
    ///
    /// # Errors
    /// When a picture cannot be encoded.
    pub fn of(stack: &FieldStack) -> Result<Self> {
        let finest = stack.width.max(stack.height).div_ceil(LONGEST_PX).max(1);
        let coarse = (8 * finest).min(stack.width.min(stack.height).max(1));
        let brightest = (0..stack.crossed.len())
            .map(|i| (i, mean_light(&stack.crossed[i].photograph, coarse)))
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
        let sized = small_enough(finest, |bin| {
            let (plane, crossed) =
                rayon::join(|| stack.plane_light(bin), || brightest.map(|i| stack.crossed_light(i, bin)));
            std::iter::once(plane).chain(crossed).collect()
        });
        let Sized { bin, dim: (rows, columns), jpegs } = sized.map_err(failed)?;
        let tiny = stack.width.max(stack.height).div_ceil(THUMBNAIL_PX).clamp(1, stack.width.min(stack.height).max(1));
        let light = brightest.map_or_else(|| stack.plane_light(tiny), |i| stack.crossed_light(i, tiny));
        let thumbnail = jpeg(&light, THUMBNAIL_QUALITY).map_err(failed)?;
        let mut addresses = jpegs.into_iter().map(|jpeg| format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg)));
        Ok(Self {
            name: stack.name.clone(),
            covers_px: [columns, rows].map(|n| (n * bin * stack.reduced_by) as f64),
            pixels_in_one: bin * stack.reduced_by,
            plane: addresses.next().unwrap_or_default(),
            crossed: addresses.next(),
            crossed_angle_deg: brightest.map(|i| stack.crossed[i].angle.deg()),
            thumbnail,
        })
    }
}

/// Pictures of one field on one grid.
struct Sized {
    bin: usize,
    dim: (usize, usize),
    jpegs: Vec<Vec<u8>>,
}

/// The pictures at the finest binning from `finest` at which each is small enough for the page.
fn small_enough(finest: usize, pictures: impl Fn(usize) -> Vec<LinearPlanes>) -> Result<Sized, image::ImageError> {
    let mut bin = finest;
    loop {
        let planes = pictures(bin);
        let dim = planes[0].dim();
        for quality in QUALITIES {
            let jpegs = planes.par_iter().map(|p| jpeg(p, quality)).collect::<Result<Vec<_>, _>>()?;
            // A picture of a few hundred pixels is small whatever it shows: the loop ends.
            if jpegs.iter().all(|j| j.len() <= MOST_BYTES) || dim.0.min(dim.1) < 2 {
                return Ok(Sized { bin, dim, jpegs });
            }
        }
        bin += 1;
    }
}

/// Mean light of every `step`th pixel each way, three channels added.
fn mean_light(photograph: &Photograph, step: usize) -> f64 {
    let places = (step / 2..photograph.height)
        .step_by(step)
        .flat_map(|y| (step / 2..photograph.width).step_by(step).map(move |x| (x, y)));
    let (mut sum, mut count) = (0.0, 0.0);
    for (x, y) in places {
        sum += (0..3).map(|c| f64::from(photograph.light(x, y, c))).sum::<f64>();
        count += 1.0;
    }
    sum / f64::max(count, 1.0)
}

/// Linear light as a JPEG in sRGB, brightened or darkened as a whole so that little is blown out.
fn jpeg(planes: &LinearPlanes, quality: u8) -> Result<Vec<u8>, image::ImageError> {
    let (rows, columns) = planes.dim();
    // A third of the pixels says well enough what the brightest two hundredth are.
    let mut greatest: Vec<f32> = planes.rgb[1]
        .iter()
        .zip(&planes.rgb[0])
        .zip(&planes.rgb[2])
        .step_by(if rows * columns > 100_000 { 3 } else { 1 })
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
    let [red, green, blue] = planes.rgb.each_ref().map(|p| p.as_slice().expect("standard layout"));
    let mut codes = vec![0; 3 * red.len()];
    for (((pixel, r), g), b) in codes.chunks_exact_mut(3).zip(red).zip(green).zip(blue) {
        pixel[0] = srgb::picture_code(r * gain);
        pixel[1] = srgb::picture_code(g * gain);
        pixel[2] = srgb::picture_code(b * gain);
    }
    let mut jpeg = Vec::new();
    let (width, height) = (u32::try_from(columns).unwrap_or(0), u32::try_from(rows).unwrap_or(0));
    JpegEncoder::new_with_quality(&mut jpeg, quality).write_image(&codes, width, height, ExtendedColorType::Rgb8)?;
    Ok(jpeg)
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
        let jpeg = jpeg(&planes, 82).unwrap();
        let picture = image::load_from_memory(&jpeg).unwrap().to_rgb8();
        assert_eq!(picture.dimensions(), (24, 16));
        assert!(picture.pixels().all(|p| p.0.iter().all(|c| c.abs_diff(srgb::code(0.95)) <= 2)));
    }
    /// The worst that a photograph can be for a JPEG is noise.
    #[test]
    fn pictures_stay_small_and_as_fine_as_that_allows() {
        let noise = |bin: usize| {
            let mut state = 1_u32;
            let mut next = |_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / 16_777_216.0
            };
            let (rows, columns) = (1500 / bin, 2000 / bin);
            let rgb = std::array::from_fn(|_| Array2::from_shape_fn((rows, columns), &mut next));
            LinearPlanes { bin, rgb, mask: Array2::zeros((rows, columns)) }
        };
        let sized = small_enough(1, |bin| vec![noise(bin)]).unwrap();
        assert!(sized.bin > 1 && sized.jpegs[0].len() <= MOST_BYTES, "{} at {}", sized.jpegs[0].len(), sized.bin);
        let even = |bin: usize| LinearPlanes {
            bin,
            rgb: std::array::from_fn(|_| Array2::from_elem((1500 / bin, 2000 / bin), 0.4)),
            mask: Array2::zeros((1500 / bin, 2000 / bin)),
        };
        assert_eq!(
            small_enough(1, |bin| vec![even(bin), even(bin)]).unwrap().bin,
            1,
            "an even picture needs no binning"
        );
    }
}
