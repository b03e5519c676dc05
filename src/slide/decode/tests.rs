use super::testing::{jpeg, jpeg_of, picture};
use super::*;

fn reading<'a>() -> Reading<'a> {
    Reading {
        file: "a.jpg",
        field: "A",
        role: Role::Plane,
        angle: None,
        encoding: None,
        max_pixels: MAX_PIXELS,
        like: None,
    }
}

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    picture.write_to(&mut out, format).unwrap();
    out.into_inner()
}

#[test]
fn a_torn_photograph_is_an_error_at_any_length() {
    let whole = jpeg(64, 48);
    assert!(decode_photograph(Path::new("a.jpg"), &whole, &reading()).is_ok());
    let png = encoded(&DynamicImage::ImageRgb8(picture(64, 48)), ImageFormat::Png);
    let tiff = encoded(&DynamicImage::ImageRgb8(picture(64, 48)), ImageFormat::Tiff);
    for (file, skip) in [(&whole, 1), (&png, 13), (&tiff, 1)] {
        for cut in (0..file.len() - skip).step_by(97).chain([1, 2, 3, file.len() / 2, file.len() - skip - 1]) {
            let error = decode_photograph(Path::new("a.jpg"), &file[..cut], &reading())
                .expect_err(&format!("{cut} of {} bytes", file.len()));
            assert!(error.to_string().starts_with("a.jpg: "), "{error}");
        }
    }
}

#[test]
fn samples_stay_as_they_are_in_the_file() {
    let rgb = picture(9, 5);
    let p = decode_photograph(
        Path::new("a.png"),
        &encoded(&DynamicImage::ImageRgb8(rgb.clone()), ImageFormat::Png),
        &reading(),
    )
    .unwrap();
    assert_eq!((p.width, p.height), (9, 5));
    assert!(matches!(&p.samples, Samples::Eight(s) if *s == rgb.into_raw()));
    assert_eq!(p.record.sha256.len(), 64);
    let grey = image::ImageBuffer::<image::Luma<u16>, _>::from_fn(4, 3, |x, y| image::Luma([(1000 * x + y) as u16]));
    let p = decode_photograph(
        Path::new("a.tif"),
        &encoded(&DynamicImage::ImageLuma16(grey), ImageFormat::Tiff),
        &reading(),
    )
    .unwrap();
    assert_eq!([p.code(3, 2, 0), p.code(3, 2, 1), p.code(3, 2, 2)], [3002; 3]);
    assert_eq!(p.to_linear.len(), 65536);
    assert!(p.record.warnings.iter().any(|w| w.contains("grey")));
    assert!(p.record.warnings.iter().any(|w| w.contains("sRGB curve was assumed")));
}

#[test]
fn transparency_is_dropped_with_a_word() {
    let rgba = image::RgbaImage::from_pixel(3, 3, image::Rgba([10, 20, 30, 7]));
    let bytes = encoded(&DynamicImage::ImageRgba8(rgba), ImageFormat::Png);
    let p = decode_photograph(Path::new("a.png"), &bytes, &reading()).unwrap();
    assert_eq!([p.code(1, 1, 0), p.code(1, 1, 1), p.code(1, 1, 2)], [10, 20, 30]);
    assert_eq!(p.record.warnings, ["its transparency was dropped"]);
}

#[test]
fn exif_orientation_turns_the_picture_upright() {
    let turned =
        exif::Field { tag: exif::Tag::Orientation, ifd_num: exif::In::PRIMARY, value: exif::Value::Short(vec![6]) };
    let mut grey = image::RgbImage::from_pixel(32, 16, image::Rgb([20, 20, 20]));
    for y in 0..8 {
        for x in 0..8 {
            grey.put_pixel(x, y, image::Rgb([220, 220, 220]));
        }
    }
    let p = decode_photograph(Path::new("a.jpg"), &jpeg_of(&grey, &[turned]), &reading()).unwrap();
    assert_eq!((p.width, p.height), (16, 32));
    assert!(p.code(12, 3, 0) > 200, "the top-left corner goes to the top right when turned 90 degrees clockwise");
    assert!(p.code(3, 3, 0) < 40);
}

#[test]
fn a_huge_picture_is_refused_from_its_header() {
    let mut small = reading();
    small.max_pixels = 100;
    let error = decode_photograph(Path::new("a.jpg"), &jpeg(64, 48), &small).unwrap_err();
    assert!(error.to_string().contains("64 x 48"), "{error}");
    // A header that claims 60000 x 60000 pixels over no data.
    let mut png = encoded(&DynamicImage::ImageRgb8(picture(4, 4)), ImageFormat::Png);
    png[16..24].copy_from_slice(&[0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60]);
    assert!(decode_photograph(Path::new("a.png"), &png, &reading()).is_err());
}

#[test]
fn what_is_no_photograph_is_named_as_such() {
    for (bytes, word) in [(&b""[..], "empty"), (b"GIF89a....", "not a JPEG"), (b"hello there", "not a JPEG")] {
        let error = decode_photograph(Path::new("a.jpg"), bytes, &reading()).unwrap_err();
        assert!(error.to_string().contains(word), "{error}");
    }
}
