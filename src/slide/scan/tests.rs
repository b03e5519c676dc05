//! A photograph read in windows is the photograph.

use super::*;
use crate::demo::whole_section::{Cut, Sheet};
use crate::slide::decode::MAX_PIXELS;
use crate::slide::photograph::Role;
use tiff::encoder::compression::DeflateLevel;
use tiff::encoder::{Compression, TiffEncoder, colortype};

const SIZE: [usize; 2] = [301, 203];

fn reading() -> Reading<'static> {
    Reading::alone("a.tif", MAX_PIXELS)
}

/// A code that is another at every place.
fn code(x: usize, y: usize, c: usize) -> u16 {
    (x * 199 + y * 31 + c * 7001) as u16
}

fn codes(w: Window, sixteen: bool) -> Vec<u16> {
    let mut out = Vec::new();
    for y in w.y..w.y + w.height {
        for x in w.x..w.x + w.width {
            out.extend((0..3).map(|c| code(x, y, c)).map(|v| if sixteen { v } else { v >> 8 }));
        }
    }
    out
}

fn as_wide(samples: &Samples) -> Vec<u16> {
    match samples {
        Samples::Eight(s) => s.iter().map(|v| u16::from(*v)).collect(),
        Samples::Sixteen(s) => s.clone(),
    }
}

fn all_windows_agree(scan: &Scan, sixteen: bool) {
    assert_eq!(([scan.width, scan.height], scan.sixteen()), (SIZE, sixteen));
    for (x, y, width, height) in [(0, 0, 301, 203), (64, 64, 64, 64), (63, 120, 90, 83), (300, 202, 1, 1)] {
        let w = Window { x, y, width, height };
        assert_eq!(as_wide(&scan.window(w).expect("it reads").samples), codes(w, sixteen), "{w:?}");
    }
    let covered: usize = scan.from_end_to_end().iter().map(|w| w.width * w.height).sum();
    assert_eq!(covered, SIZE[0] * SIZE[1]);
}

#[test]
fn windows_are_the_same_however_the_file_is_cut_up() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.tif");
    for cut in [Cut::Tiles(64), Cut::Tiles(16), Cut::Strips(1), Cut::Strips(17), Cut::Strips(203)] {
        for (big, sixteen) in [(true, false), (true, true), (false, false), (false, true)] {
            let sheet = Sheet { size: SIZE, cut, big, sixteen, description: "", exposed_as: None };
            sheet.write(&path, |w| codes(w, sixteen)).unwrap();
            all_windows_agree(&Scan::open(&path, &reading()).unwrap(), sixteen);
            let whole = image::open(&path).unwrap();
            assert_eq!((whole.width(), whole.height()), (301, 203), "another reader reads it too");
        }
    }
}

#[test]
fn what_cannot_be_read_in_parts_is_unpacked_once() {
    let dir = tempfile::tempdir().unwrap();
    let all = Window { x: 0, y: 0, width: SIZE[0], height: SIZE[1] };
    let path = dir.path().join("a.tif");
    let mut encoder = TiffEncoder::new_big(File::create(&path).unwrap())
        .unwrap()
        .with_compression(Compression::Deflate(DeflateLevel::Fast));
    encoder.write_image::<colortype::RGB16>(SIZE[0] as u32, SIZE[1] as u32, &codes(all, true)).unwrap();
    all_windows_agree(&Scan::open(&path, &reading()).unwrap(), true);
    let path = dir.path().join("a.png");
    let eight: Vec<u8> = codes(all, false).iter().map(|v| *v as u8).collect();
    image::save_buffer(&path, &eight, SIZE[0] as u32, SIZE[1] as u32, image::ExtendedColorType::Rgb8).unwrap();
    all_windows_agree(&Scan::open(&path, &reading()).unwrap(), false);
}

#[test]
fn what_a_big_tiff_says_of_itself_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.tif");
    let description = "<OME><Image><Pixels PhysicalSizeX=\"950\" PhysicalSizeXUnit=\"nm\" PhysicalSizeY=\"0.95\" \
                       PhysicalSizeYUnit=\"µm\"/></Image></OME>";
    let scene =
        crate::demo::Scene { size_px: [120, 90], ..crate::demo::Scene::new("LM-1", 1, crate::demo::Rock::Quartzite) };
    let rendered = scene.render_field(0);
    for big in [true, false] {
        let exposed_as = Some(&rendered.crossed[0]);
        let sheet = Sheet { size: SIZE, cut: Cut::Tiles(64), big, sixteen: false, description, exposed_as };
        sheet.write(&path, |w| codes(w, false)).unwrap();
        let facts = file_facts(&std::fs::read(&path).unwrap());
        let scale = facts.resolution.expect("a scale");
        assert!((scale.um_per_px - 0.95).abs() < 1e-9 && scale.source.contains("PhysicalSizeX"), "{scale:?}");
        let record = Scan::open(&path, &reading()).unwrap().record;
        assert_eq!(record.exposure, facts.exposure);
        assert!(record.exposure.is_some_and(|e| e.time_s > 0.0 && e.iso.is_some()), "{:?}", record.exposure);
        assert_eq!(record.sha256, crate::slide::decode::sha256(&std::fs::read(&path).unwrap()));
    }
}

#[test]
fn too_many_pixels_and_empty_claims_are_refused_from_the_header() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.tif");
    let sheet = Sheet { size: SIZE, cut: Cut::Tiles(64), big: true, sixteen: false, description: "", exposed_as: None };
    sheet.write(&path, |w| codes(w, false)).unwrap();
    let few = Reading { max_pixels: 60_000, ..reading() };
    assert!(Scan::open(&path, &few).unwrap_err().to_string().contains("more than is allowed"));
    let other = Reading { like: Some(("b.tif", 300, 203)), ..reading() };
    assert!(Scan::open(&path, &other).unwrap_err().to_string().contains("b.tif has 300 x 203"));
    // A header that says 40,000 x 24,000 before a few bytes.
    let mut bytes = std::fs::read(&path).unwrap();
    for (tag, value) in [(256_u16, 40_000_u64), (257, 24_000)] {
        let at =
            (0..bytes.len() - 20).find(|i| bytes[*i..*i + 4] == [tag.to_le_bytes(), 16_u16.to_le_bytes()].concat());
        let at = at.expect("the tag") + 12;
        bytes[at..at + 8].copy_from_slice(&value.to_le_bytes());
    }
    std::fs::write(&path, &bytes).unwrap();
    assert!(Scan::open(&path, &reading()).is_err());
    // Cut short, it is opened, and the missing part is an error.
    sheet.write(&path, |w| codes(w, false)).unwrap();
    let whole = std::fs::read(&path).unwrap();
    std::fs::write(&path, &whole[..whole.len() - 11_500]).unwrap();
    let scan = Scan::open(&path, &reading()).unwrap();
    assert!(scan.window(Window { x: 290, y: 195, width: 5, height: 5 }).unwrap_err().to_string().contains("cut short"));
    assert!(scan.window(Window { x: 0, y: 0, width: 5, height: 5 }).is_ok());
    assert_eq!(reading().role, Role::Plane);
}

/// A TIFF of one JPEG tile, which says what size it likes.
fn of_jpeg(jpeg: &[u8], side: u32) -> Vec<u8> {
    let tags: [(u16, u32); 11] = [
        (256, side),
        (257, side),
        (258, 8),
        (259, 7),
        (262, 6),
        (277, 3),
        (284, 1),
        (322, side),
        (323, side),
        (324, 8 + 2 + 12 * 11 + 4 + 6),
        (325, jpeg.len() as u32),
    ];
    let mut out = b"II\x2a\0\x08\0\0\0\x0b\0".to_vec();
    for (tag, value) in tags {
        out.extend(tag.to_le_bytes());
        let bits = tag == 258;
        out.extend(if bits { 3_u16 } else { 4 }.to_le_bytes());
        out.extend(if bits { 3_u32 } else { 1 }.to_le_bytes());
        out.extend(if bits { 8 + 2 + 12 * 11 + 4 } else { value }.to_le_bytes());
    }
    out.extend([0; 4]);
    out.extend([8, 0, 8, 0, 8, 0]);
    out.extend(jpeg);
    out
}

#[test]
fn tiles_of_luma_and_colour_come_back_as_colours_and_a_tile_that_claims_too_much_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.tif");
    let picture =
        image::RgbImage::from_fn(64, 64, |x, _| image::Rgb(if x < 32 { [200, 40, 90] } else { [20, 160, 220] }));
    let jpeg = crate::slide::decode::testing::jpeg_of(&picture, &[]);
    std::fs::write(&path, of_jpeg(&jpeg, 64)).unwrap();
    let whole = Scan::open(&path, &reading()).unwrap().window(Window { x: 0, y: 0, width: 64, height: 64 }).unwrap();
    for (x, y) in [(4, 4), (60, 60)] {
        for c in 0..3 {
            let (found, planted) = (whole.code(x, y, c), u16::from(picture.get_pixel(x as u32, y as u32).0[c]));
            assert!(found.abs_diff(planted) <= 4, "{x} {y} {c}: {found} {planted}");
        }
    }
    let mut claims = jpeg;
    let frame = claims.windows(2).position(|m| m == [0xff, 0xc0]).expect("a frame") + 5;
    claims[frame..frame + 4].copy_from_slice(&[0x40, 0, 0x40, 0]);
    std::fs::write(&path, of_jpeg(&claims, 64)).unwrap();
    let opened = Scan::open(&path, &reading());
    assert!(opened.and_then(|scan| scan.window(Window { x: 0, y: 0, width: 8, height: 8 })).is_err());
}
