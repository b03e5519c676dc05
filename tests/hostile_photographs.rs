//! Photographs from phones, scanners and strangers: whatever the file, a clear sentence or the right samples.

use std::path::Path;

use image::{DynamicImage, ImageFormat, RgbImage, imageops};
use thinproof::slide::Photograph;
use thinproof::slide::decode::{MAX_PIXELS, Reading, decode_photograph};
use thinproof::slide::photograph::Role;

use crate::odd_files::*;

fn read(file: &str, bytes: &[u8]) -> thinproof::Result<Photograph> {
    let reading = Reading {
        file,
        field: "A",
        role: Role::Plane,
        angle: None,
        encoding: None,
        max_pixels: MAX_PIXELS,
        like: None,
    };
    decode_photograph(Path::new(file), bytes, &reading)
}

fn samples(p: &Photograph) -> RgbImage {
    RgbImage::from_fn(p.width as u32, p.height as u32, |x, y| {
        image::Rgb([0, 1, 2].map(|c| p.code(x as usize, y as usize, c) as u8))
    })
}

/// The error as it is told: one sentence that begins with the file.
fn refused(file: &str, bytes: &[u8]) -> String {
    let told = read(file, bytes).map(drop).expect_err(file).chain();
    assert!(told.starts_with(&format!("{file}: ")) && told.contains("; "), "{told}");
    assert!(!told.contains('\n') && told.chars().count() < 300, "{told}");
    told
}

fn largest_difference(a: &RgbImage, b: &RgbImage) -> u8 {
    assert_eq!(a.dimensions(), b.dimensions());
    a.as_raw().iter().zip(b.as_raw()).map(|(a, b)| a.abs_diff(*b)).max().unwrap()
}

#[test]
fn every_turn_that_exif_states_gives_the_same_upright_pixels() {
    let upright = picture(40, 24);
    // How a camera stores the upright picture for each value: the inverse of what the viewer is told to do.
    let stored: [(u16, RgbImage); 8] = [
        (1, upright.clone()),
        (2, imageops::flip_horizontal(&upright)),
        (3, imageops::rotate180(&upright)),
        (4, imageops::flip_vertical(&upright)),
        (5, imageops::flip_horizontal(&imageops::rotate90(&upright))),
        (6, imageops::rotate270(&upright)),
        (7, imageops::flip_horizontal(&imageops::rotate270(&upright))),
        (8, imageops::rotate90(&upright)),
    ];
    for (value, picture) in stored {
        let p = read("a.png", &png_with_exif(&picture, orientation(value))).unwrap();
        assert_eq!(samples(&p), upright, "orientation {value}");
    }
    for nonsense in [0, 9, 65535] {
        let p = read("a.png", &png_with_exif(&upright, orientation(nonsense))).unwrap();
        assert_eq!(samples(&p), upright, "orientation {nonsense} is none");
    }
}

#[test]
fn the_bytes_count_and_not_the_extension() {
    let rgb = picture(32, 24);
    for (name, format) in [("a.jpg", ImageFormat::Png), ("a.png", ImageFormat::Tiff), ("a.tif", ImageFormat::Png)] {
        assert_eq!(samples(&read(name, &encoded(rgb.clone(), format)).unwrap()), rgb, "{format:?} as {name}");
    }
}

#[test]
fn four_inks_and_progressive_are_read_as_the_picture_they_show() {
    let shown =
        RgbImage::from_fn(32, 24, |x, y| image::Rgb([(40 + 5 * x) as u8, (30 + 6 * y) as u8, (200 - 4 * x) as u8]));
    for (name, bytes) in [
        ("cmyk.jpg", &include_bytes!("../fixtures/cmyk.jpg")[..]),
        ("progressive.jpg", &include_bytes!("../fixtures/progressive.jpg")[..]),
    ] {
        let p = read(name, bytes).unwrap();
        let off = largest_difference(&samples(&p), &shown);
        assert!(off < 16, "{name} is {off} codes off");
    }
}

/// The first scans of a progressive file show the whole picture, coarse all over.
#[test]
fn a_progressive_photograph_without_its_last_scans_is_refused() {
    let whole = include_bytes!("../fixtures/progressive.jpg");
    let scans: Vec<usize> = (2..whole.len() - 1).filter(|i| whole[*i..*i + 2] == [0xff, 0xda]).collect();
    assert_eq!(scans.len(), 10, "as libjpeg stores colour");
    for at in &scans[1..] {
        let said = refused("a.jpg", &[&whole[..*at], &[0xff, 0xd9]].concat());
        assert!(said.contains("only the first, coarse passes of its progressive JPEG are there"), "{said}");
    }
}

/// As a card reader or a repair leaves it: the data ends early, the end marker is there. Decoders fill the rest with grey.
#[test]
fn a_photograph_whose_data_ends_before_its_picture_is_refused() {
    let shown = |x: u32, y: u32| image::Rgb([(x * 7 + y) as u8 % 200, (x + 3 * y) as u8 % 180, 90]);
    let photograph = RgbImage::from_fn(320, 240, shown);
    // As it lies, and to be turned: what is missing lies to the left then.
    let lying = jpeg(&photograph, None, None);
    let standing = jpeg(&photograph, Some(orientation(6)), None);
    let size = |file: &[u8]| read("a.jpg", file).map(|p| (p.width, p.height)).expect("it is whole");
    assert_eq!([size(&lying), size(&standing)], [(320, 240), (240, 320)]);
    for (whole, part) in [(&lying, 3), (&lying, 5), (&lying, 8), (&standing, 6)] {
        let mut cut = whole[..part * whole.len() / 10].to_vec();
        while cut.last() == Some(&0xff) {
            cut.pop();
        }
        cut.extend([0xff, 0xd9]);
        let said = refused("a.jpg", &cut);
        assert!(said.contains("is damaged or cut short"), "{part} tenths: {said}");
    }
}

#[test]
fn grey_palette_and_alpha_are_read_and_named() {
    let grey = encoded(DynamicImage::ImageRgb8(picture(20, 20)).into_luma8(), ImageFormat::Png);
    let p = read("a.png", &grey).unwrap();
    assert!(p.record.warnings.iter().any(|w| w.contains("it is grey")), "{:?}", p.record.warnings);

    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, 4, 2);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(vec![10, 20, 30, 200, 100, 50]);
    encoder.write_header().unwrap().write_image_data(&[0, 1, 0, 1, 1, 1, 0, 0]).unwrap();
    let p = samples(&read("a.png", &out).unwrap());
    assert_eq!((p.get_pixel(1, 0).0, p.get_pixel(3, 1).0), ([200, 100, 50], [10, 20, 30]));

    let clear = image::RgbaImage::from_pixel(9, 9, image::Rgba([9, 8, 7, 0]));
    let p = read("a.png", &encoded(clear, ImageFormat::Png)).unwrap();
    assert_eq!(samples(&p).get_pixel(0, 0).0, [9, 8, 7], "colours behind transparency are as they were");
    assert!(p.record.warnings[0].contains("transparency"));
}

#[test]
fn sixteen_bits_stay_sixteen_in_png_and_tiff() {
    let deep = image::ImageBuffer::<image::Rgb<u16>, _>::from_fn(12, 8, |x, y| {
        image::Rgb([4000 * x as u16 + 3, 5000 * y as u16 + 7, 60_001])
    });
    for format in [ImageFormat::Png, ImageFormat::Tiff] {
        let p = read("a", &encoded(deep.clone(), format)).unwrap();
        assert_eq!([p.code(5, 3, 0), p.code(5, 3, 1), p.code(5, 3, 2)], [20_003, 15_007, 60_001], "{format:?}");
    }
}

#[test]
fn the_first_picture_of_an_animation_counts_and_other_animations_are_refused() {
    let rgb = picture(30, 20);
    let still = encoded(rgb.clone(), ImageFormat::Png);
    // acTL: two frames, for ever. What follows the first picture is not looked at.
    let (header, rest) = still.split_at(33);
    let animated = [header, &chunk(b"acTL", &[0, 0, 0, 2, 0, 0, 0, 0]), rest].concat();
    assert_eq!(samples(&read("a.png", &animated).unwrap()), rgb);
    assert!(refused("a.jpg", b"GIF89a\x10\0\x10\0\0\0\0;").contains("is not a JPEG, PNG or TIFF"));
    assert!(refused("a.jpg", b"RIFF\x24\0\0\0WEBPVP8 ").contains("is not a JPEG, PNG or TIFF"));
}

#[test]
fn colour_profiles_are_honoured_or_named() {
    let rgb = picture(24, 24);
    let profile = |p: moxcms::ColorProfile| p.encode().unwrap();
    let warned = |p: Option<Vec<u8>>| read("a.jpg", &jpeg(&rgb, None, p)).unwrap().record.warnings;
    assert_eq!(warned(None), Vec::<String>::new(), "untagged is taken as sRGB");
    assert_eq!(warned(Some(profile(moxcms::ColorProfile::new_srgb()))), Vec::<String>::new());
    for wide in [moxcms::ColorProfile::new_adobe_rgb(), moxcms::ColorProfile::new_display_p3()] {
        let said = warned(Some(profile(wide)));
        assert!(said.len() == 1 && said[0].contains("is not sRGB"), "{said:?}");
    }
    for torn in [vec![0xff; 3000], vec![0; 10], b"\0\0\x01\0lcms\x04\x30\0\0mntrRGB XYZ ".repeat(200)] {
        let said = warned(Some(torn));
        assert!(said.iter().any(|w| w.contains("colour profile")), "{said:?}");
    }
}

#[test]
fn bombs_are_refused_from_their_headers() {
    let rgb = picture(64, 64);
    let behind = zlib_of_zeros(10_000_000);
    let packed = |w, h| [tiff(&grey_tiff(w, h, behind.len() as u32, 8), &behind, 0)].concat();
    for (name, bytes, words) in [
        ("a.png", png_claiming(60_000, 60_000, 8, 2), "has 60000 x 60000 pixels, more than is allowed"),
        ("b.png", png_claiming(60_000, 60_000, 1, 0), "has 60000 x 60000 pixels, more than is allowed"),
        ("c.png", png_claiming(30_000, 30_000, 8, 2), "cannot hold such a photograph"),
        ("d.png", png_claiming(1, 1_000_000_000, 8, 2), "cannot hold such a photograph"),
        ("e.png", png_claiming(u32::MAX, u32::MAX, 8, 2), ""),
        ("f.jpg", jpeg_claiming(&rgb, 65_500, 65_500), "has 65500 x 65500 pixels, more than is allowed"),
        ("g.jpg", jpeg_claiming(&rgb, 20_000, 20_000), "says 20000 x 20000 pixels, but its"),
        (
            "h.tif",
            tiff(&grey_tiff(60_000, 60_000, 100, 1), &[0; 100], 0),
            "has 60000 x 60000 pixels, more than is allowed",
        ),
        ("i.tif", packed(60_000, 60_000), "has 60000 x 60000 pixels, more than is allowed"),
        ("j.tif", packed(30_000, 30_000), "cannot hold such a photograph"),
    ] {
        let start = std::time::Instant::now();
        let told = refused(name, &bytes);
        assert!(told.contains(words), "{told}");
        assert!(start.elapsed().as_millis() < 500, "{name}: {told}");
    }
}

#[test]
fn text_and_profiles_that_unpack_without_end_are_not_unpacked() {
    let rgb = picture(64, 64);
    let endless = zlib_of_zeros(400_000_000);
    let named = |start: &[u8]| [start, &endless].concat();
    for (kind, data) in [(b"zTXt", named(b"Comment\0\0")), (b"iTXt", named(b"Comment\0\x01\0\0\0"))] {
        let p = read("a.png", &png_with_chunk(&rgb, kind, &data)).unwrap();
        assert_eq!(samples(&p), rgb);
    }
    // 400 MB of profile: more than the picture may take beside itself. Refused, or read without it.
    let start = std::time::Instant::now();
    match read("a.png", &png_with_chunk(&rgb, b"iCCP", &named(b"p\0\0"))) {
        Ok(p) => assert_eq!(samples(&p), rgb),
        Err(e) => assert!(e.chain().contains("more memory"), "{}", e.chain()),
    }
    assert!(start.elapsed().as_secs() < 5, "{:?}", start.elapsed());
}

#[test]
fn directories_of_a_tiff_that_loop_overlap_or_lead_nowhere_end() {
    let (w, h) = (64, 48);
    let strip = vec![90u8; (w * h) as usize];
    let plain = grey_tiff(w, h, w * h, 1);
    let with = |more: Entry| {
        let mut entries = plain.clone();
        entries.push(more);
        // One entry more lies between: the strip begins twelve bytes later.
        entries[5].3 += 12;
        entries
    };
    assert!(read("a.tif", &tiff(&plain, &strip, 0)).is_ok(), "the plain one is read");
    let overlapping: Vec<Entry> = plain.iter().map(|e| if e.0 == 273 { (273, 4, 1, 8) } else { *e }).collect();
    for (what, bytes) in [
        ("its own next directory", tiff(&plain, &strip, 8)),
        ("its own Exif directory", tiff(&with((0x8769, 4, 1, 8)), &strip, 0)),
        ("its own GPS directory", tiff(&with((0x8825, 4, 1, 8)), &strip, 0)),
        ("a next directory nowhere", tiff(&plain, &strip, u32::MAX - 3)),
        ("a strip over the directory", tiff(&overlapping, &strip, 0)),
        ("a text of 4 GB", tiff(&with((270, 2, u32::MAX, 8)), &strip, 0)),
        ("no directory", b"II\x2a\0\xf0\xff\xff\xff\0\0\0\0".to_vec()),
        ("65535 entries", [b"II\x2a\0\x08\0\0\0\xff\xff".to_vec(), vec![0; 65_535 * 12]].concat()),
        ("a billion strips", {
            let many = plain.iter().map(|e| match e.0 {
                273 | 279 => (e.0, 4, 0x3fff_ffff, 8),
                278 => (278, 4, 1, 1),
                _ => *e,
            });
            tiff(&many.collect::<Vec<_>>(), &strip, 0)
        }),
        ("60000 channels", {
            let many = plain.iter().map(|e| if e.0 == 277 { (277, 3, 1, 60_000) } else { *e });
            tiff(&many.collect::<Vec<_>>(), &strip, 0)
        }),
    ] {
        let start = std::time::Instant::now();
        match read("a.tif", &bytes) {
            Ok(p) => assert_eq!((p.width, p.height), (64, 48), "{what}"),
            Err(e) => assert!(e.chain().starts_with("a.tif: "), "{what}: {}", e.chain()),
        }
        assert!(start.elapsed().as_millis() < 1000, "{what}");
    }
}

#[test]
fn pages_after_the_first_are_told_of_and_smaller_copies_are_not() {
    let (w, h) = (64, 48);
    let strip = vec![90u8; (w * h) as usize];
    let pages = |kinds: &[u32]| {
        // The pictures share one strip, which follows the last directory.
        let size = 2 + 10 * 12 + 4;
        let last = 8 + size * kinds.len() as u32;
        let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
        for (n, kind) in kinds.iter().enumerate() {
            let mut entries = vec![(254, 4, 1, *kind)];
            entries
                .extend(grey_tiff(w, h, w * h, 1).into_iter().map(|e| if e.0 == 273 { (273, 4, 1, last) } else { e }));
            let next = if n + 1 < kinds.len() { 8 + size * (n as u32 + 1) } else { 0 };
            out.extend(&tiff(&entries, &[], next)[8..]);
        }
        out.extend(&strip);
        read("a.tif", &out).unwrap().record.warnings
    };
    let told = |kinds: &[u32]| pages(kinds).into_iter().find(|w| w.contains("pages"));
    assert_eq!(told(&[0]), None);
    assert_eq!(told(&[0, 1, 1]), None, "a pyramid");
    let said = "it holds 3 pages, and only the first was read: save the others as files of their own";
    assert_eq!(told(&[0, 0, 1, 0]).as_deref(), Some(said));
}

#[test]
fn samples_of_twelve_bits_are_named_with_what_to_do() {
    let packed: Vec<Entry> = grey_tiff(64, 48, 64 * 48 * 3 / 2, 1)
        .into_iter()
        .map(|e| if e.0 == 258 { (258, 3, 1, 12) } else { e })
        .collect();
    let said = refused("a.tif", &tiff(&packed, &[90; 64 * 48 * 3 / 2], 0));
    assert!(said.contains("a.tif: ") && said.contains("save it as 8 or 16 bit"), "{said}");
    let dark = image::ImageBuffer::from_fn(20, 20, |x, _| image::Rgb([4000 + x as u16; 3]));
    let warnings = read("a.png", &encoded(DynamicImage::ImageRgb16(dark), ImageFormat::Png)).unwrap().record.warnings;
    assert!(warnings.iter().any(|w| w.contains("reach only 4019") && w.contains("12 or 14 bits")), "{warnings:?}");
}

#[test]
fn exif_that_makes_no_sense_is_not_believed_and_said() {
    let rgb = picture(32, 32);
    let facts = |block: Vec<u8>| read("a.jpg", &jpeg(&rgb, Some(block), None)).unwrap().record;
    let ratio = |top: u32, bottom: u32| [top.to_le_bytes(), bottom.to_le_bytes()].concat();
    let good = facts(exif(0x829a, 5, 1, &ratio(1, 40)));
    assert_eq!(good.exposure.unwrap().time_s, 0.025);
    for (top, bottom) in [(0, 0), (1, 0), (0, 1), (u32::MAX, 1), (1, u32::MAX)] {
        let record = facts(exif(0x829a, 5, 1, &ratio(top, bottom)));
        assert_eq!(record.exposure, None, "{top}/{bottom}");
        assert!(record.warnings.iter().any(|w| w.contains("exposure time makes no sense")), "{:?}", record.warnings);
    }
    for value in [f64::NAN, f64::INFINITY, -1.0] {
        assert_eq!(facts(exif(0x829a, 12, 1, &value.to_le_bytes())).exposure, None, "{value}");
    }
    let minus = [(-1i32).to_le_bytes(), 40i32.to_le_bytes()].concat();
    assert_eq!(facts(exif(0x829a, 10, 1, &minus)).exposure, None, "a negative time");
    // A comment of 60 kB, a text without an end, a block that is its own directory, and noise.
    for block in [
        exif(0x9286, 7, 60_000, &[b'A'; 60_000]),
        exif(0x9286, 2, 60_000, &[b'A'; 100]),
        tiff(&[(0x8769, 4, 1, 8)], &[], 8),
        (0..3000u32).map(|i| (i * 7919 % 251) as u8).collect(),
        Vec::new(),
    ] {
        assert_eq!(facts(block).exposure, None);
    }
    let camera = b"=cmd|' /c calc'!A1\x1b[31m\x07\xe2\x80\xae<script>\0";
    let mut block = tiff(&[(0x010f, 2, camera.len() as u32, 26)], &[], 0);
    block.extend(camera);
    let shown = facts(block).camera.unwrap();
    assert!(!shown.chars().any(char::is_control) && !shown.contains('\u{202e}'), "{shown:?}");
}
