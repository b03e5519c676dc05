//! Photographs as strangers send them, made byte by byte: what other encoders write, and what none should.

use std::io::{Cursor, Write};

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};

/// A colourful picture that no turn or flip leaves as it is.
pub(crate) fn picture(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| Rgb([(40 + 3 * x + y) as u8, (30 + 2 * y) as u8, (200 - x) as u8]))
}

/// Encodes a picture.
pub(crate) fn encoded(picture: impl Into<DynamicImage>, format: ImageFormat) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    picture.into().write_to(&mut out, format).expect("a picture is encoded");
    out.into_inner()
}

/// A JPEG with this Exif block and this colour profile.
pub(crate) fn jpeg(picture: &RgbImage, exif: Option<Vec<u8>>, profile: Option<Vec<u8>>) -> Vec<u8> {
    use image::ImageEncoder;
    let mut out = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 95);
    if let Some(block) = exif {
        encoder.set_exif_metadata(block).expect("JPEG takes Exif");
    }
    if let Some(profile) = profile {
        encoder.set_icc_profile(profile).expect("JPEG takes a profile");
    }
    encoder.encode_image(picture).expect("a picture is encoded");
    out
}

/// A PNG with this Exif block.
pub(crate) fn png_with_exif(picture: &RgbImage, exif: Vec<u8>) -> Vec<u8> {
    use image::ImageEncoder;
    let mut out = Vec::new();
    let mut encoder = image::codecs::png::PngEncoder::new(&mut out);
    encoder.set_exif_metadata(exif).expect("PNG takes Exif");
    encoder
        .write_image(picture, picture.width(), picture.height(), image::ExtendedColorType::Rgb8)
        .expect("a picture is encoded");
    out
}

/// A directory entry of a TIFF or an Exif block: tag, kind, count, value or offset.
pub(crate) type Entry = (u16, u16, u32, u32);

/// A little-endian TIFF of one directory at byte 8, `behind` following it, and the offset of the next directory.
pub(crate) fn tiff(entries: &[Entry], behind: &[u8], next: u32) -> Vec<u8> {
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    out.extend((entries.len() as u16).to_le_bytes());
    for (tag, kind, count, value) in entries {
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(count.to_le_bytes());
        out.extend(value.to_le_bytes());
    }
    out.extend(next.to_le_bytes());
    out.extend(behind);
    out
}

/// Entries of a grey 8-bit TIFF in one strip that begins behind them.
pub(crate) fn grey_tiff(width: u32, height: u32, strip: u32, compression: u32) -> Vec<Entry> {
    let behind = 8 + 2 + 9 * 12 + 4;
    vec![
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 8),
        (259, 3, 1, compression),
        (262, 3, 1, 1),
        (273, 4, 1, behind),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, strip),
    ]
}

/// An Exif block whose sub-directory holds one entry with a value of this kind.
pub(crate) fn exif(tag: u16, kind: u16, count: u32, value: &[u8]) -> Vec<u8> {
    let sub = 8 + 2 + 12 + 4;
    let mut behind = 1u16.to_le_bytes().to_vec();
    behind.extend(tag.to_le_bytes());
    behind.extend(kind.to_le_bytes());
    behind.extend(count.to_le_bytes());
    if value.len() <= 4 {
        let mut inline = value.to_vec();
        inline.resize(4, 0);
        behind.extend(inline);
        behind.extend([0; 4]);
    } else {
        behind.extend((sub + 18u32).to_le_bytes());
        behind.extend([0; 4]);
        behind.extend(value);
    }
    tiff(&[(0x8769, 4, 1, sub)], &behind, 0)
}

/// An Exif block that says how the picture is turned.
pub(crate) fn orientation(value: u16) -> Vec<u8> {
    tiff(&[(0x0112, 3, 1, u32::from(value))], &[], 0)
}

/// A chunk of a PNG.
pub(crate) fn chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut out = (data.len() as u32).to_be_bytes().to_vec();
    out.extend(kind);
    out.extend(data);
    let body = [kind.as_slice(), data].concat();
    let mut crc = u32::MAX;
    for byte in body {
        crc ^= u32::from(byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xedb8_8320 } else { crc >> 1 };
        }
    }
    out.extend((!crc).to_be_bytes());
    out
}

/// A PNG that claims this size, over hardly any data; `kind` 0 is grey, 2 colour.
pub(crate) fn png_claiming(width: u32, height: u32, depth: u8, kind: u8) -> Vec<u8> {
    let mut header = [width.to_be_bytes(), height.to_be_bytes()].concat();
    header.extend([depth, kind, 0, 0, 0]);
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    out.extend(chunk(b"IHDR", &header));
    out.extend(chunk(b"IDAT", &zlib_of_zeros(1 << 20)));
    out.extend(chunk(b"IEND", &[]));
    out
}

/// So many zeros as zlib packs them: about a thousandth.
pub(crate) fn zlib_of_zeros(count: usize) -> Vec<u8> {
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    let block = vec![0u8; 1 << 20];
    let mut left = count;
    while left > 0 {
        let now = left.min(block.len());
        packer.write_all(&block[..now]).expect("memory takes it");
        left -= now;
    }
    packer.finish().expect("memory takes it")
}

/// A PNG of `picture` with a chunk put in behind its header.
pub(crate) fn png_with_chunk(picture: &RgbImage, kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let plain = encoded(picture.clone(), ImageFormat::Png);
    let (header, rest) = plain.split_at(33);
    [header, &chunk(kind, data), rest].concat()
}

/// A JPEG whose frame header claims another size.
pub(crate) fn jpeg_claiming(picture: &RgbImage, width: u16, height: u16) -> Vec<u8> {
    let mut bytes = jpeg(picture, None, None);
    let frame = bytes.windows(2).position(|pair| pair == [0xff, 0xc0]).expect("a baseline frame");
    bytes[frame + 5..frame + 7].copy_from_slice(&height.to_be_bytes());
    bytes[frame + 7..frame + 9].copy_from_slice(&width.to_be_bytes());
    bytes
}

/// A TIFF of a picture in strips of so many rows, one packed after another (Adobe Deflate).
pub(crate) fn tiff_of_strips(picture: &RgbImage, rows: u32) -> Vec<u8> {
    let (width, height) = picture.dimensions();
    let strips: Vec<Vec<u8>> = picture
        .as_raw()
        .chunks((3 * width * rows) as usize)
        .map(|strip| {
            let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
            packer.write_all(strip).expect("memory takes it");
            packer.finish().expect("memory takes it")
        })
        .collect();
    let count = strips.len() as u32;
    let behind = 8 + 2 + 9 * 12 + 4;
    let (offsets, lengths) = (behind + 6, behind + 6 + 4 * count);
    let data = lengths + 4 * count;
    let entries = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 3, behind),
        (259, 3, 1, 8),
        (262, 3, 1, 2),
        (273, 4, count, offsets),
        (277, 3, 1, 3),
        (278, 4, 1, rows),
        (279, 4, count, lengths),
    ];
    let mut tail: Vec<u8> = [8u16; 3].iter().flat_map(|bits| bits.to_le_bytes()).collect();
    let mut at = data;
    for strip in &strips {
        tail.extend(at.to_le_bytes());
        at += strip.len() as u32;
    }
    strips.iter().for_each(|strip| tail.extend((strip.len() as u32).to_le_bytes()));
    strips.iter().for_each(|strip| tail.extend(strip));
    tiff(&entries, &tail, 0)
}
