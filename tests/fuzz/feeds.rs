//! What the fuzzer feeds and what must hold of every answer, one function a target. `tests/fuzz_corpus.rs` feeds the kept
//! inputs to the same functions, so that what was found once stays mended.

use std::fs;
use std::path::Path;

use image::{ImageEncoder, ImageFormat, Rgb, RgbImage};
use thinproof::cli::check::check_slide;
use thinproof::frosting::{self, Told};
use thinproof::house::House;
use thinproof::ruling;
use thinproof::slide::decode::{Reading, decode_photograph};
use thinproof::slide::exif::{file_facts, relative_exposure};
use thinproof::slide::names::{is_ignored, is_photograph, read_name};
use thinproof::slide::photograph::{Role, Samples};
use thinproof::slide::{Curve, Photograph, Slide};
use thinproof::verdict::LimitSet;

/// One sentence that can be shown: no control characters, not without end.
fn assert_told(error: &thinproof::Error) {
    let told = error.chain();
    assert!(!told.chars().any(char::is_control), "{told:?}");
    assert!(told.chars().count() < 2000, "{told:?}");
}

/// A folder in memory, where there is one.
fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let made = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    made.expect("a folder is made")
}

/// Any bytes as `slide.toml` beside photographs that it may name, and as a limits file.
pub(crate) fn slide_toml(data: &[u8]) {
    let dir = folder();
    let slide = dir.path().join("S");
    fs::create_dir(&slide).expect("a folder is made");
    for name in ["A_ppl.jpg", "A_xpl_0.jpg", "A_xpl_45.jpg", "B.png", "blank.jpg"] {
        fs::write(slide.join(name), b"").expect("a file is written");
    }
    fs::write(slide.join("slide.toml"), data).expect("a file is written");
    match Slide::read(&slide) {
        Ok(read) => {
            let inside = slide.canonicalize().expect("it is there");
            for field in &read.fields {
                let crossed = field.crossed.iter().map(|(path, _)| path);
                for path in std::iter::once(&field.plane).chain(crossed).chain(&field.blank) {
                    assert!(path.starts_with(&inside), "{} leaves the folder", path.display());
                }
                assert!(field.centre_mm.is_none_or(|c| c.iter().all(|v| v.is_finite())));
                assert!(field.crossed.iter().all(|(_, angle)| angle.deg().is_finite()));
            }
            assert!(!read.record.id.is_empty() && !read.record.id.chars().any(char::is_control));
            assert!(read.scale.is_none_or(|s| s.um_per_px() > 0.0 && s.um_per_px().is_finite()));
            assert!(read.record.target_um.is_finite());
            if let Err(error) = LimitSet::default().for_slide(&read.record, &slide) {
                assert_told(&error);
            }
        }
        Err(error) => assert_told(&error),
    }
    let Ok(text) = std::str::from_utf8(data) else { return };
    let limits = Path::new("limits.toml");
    match LimitSet::parse(limits, text).and_then(|set| set.for_target(30.0, false, limits)) {
        Ok(found) => {
            assert!(found.thickness_min_um < found.thickness_max_um && found.thickness_max_um.is_finite(), "{found:?}");
            let most = [found.range_um, found.largest_bubble_um, found.bubbles_per_mm2, found.scratch_mm_per_mm2];
            assert!(most.iter().all(|limit| limit.is_finite() && *limit >= 0.0), "{found:?}");
        }
        Err(error) => assert_told(&error),
    }
}

/// Lines as file names, and as the names of the photographs of one slide.
pub(crate) fn names(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let dir = folder();
    let slide = dir.path().join("S");
    fs::create_dir(&slide).expect("a folder is made");
    for name in text.split('\n').take(12) {
        let _ = (is_photograph(name), is_ignored(name));
        if let Some(read) = read_name(name) {
            assert!(read.angle_deg.is_none_or(f64::is_finite), "{name:?}");
            assert!(read.role == Role::Crossed || read.angle_deg.is_none(), "{name:?}");
            assert!(read.field.len() <= 2 * name.len() + 20, "{name:?}");
        }
        let whole = if is_photograph(name) { name.to_owned() } else { format!("{name}.jpg") };
        if !whole.contains(['/', '\0']) {
            // Some names are too long for the disk.
            let _ = fs::write(slide.join(whole), b"");
        }
    }
    match Slide::read(&slide) {
        Ok(read) => {
            assert!(read.fields.iter().all(|field| !field.name.is_empty() && !field.crossed.is_empty()));
            let mut names: Vec<&str> = read.fields.iter().map(|field| field.name.as_str()).collect();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), read.fields.len(), "two fields of one name");
        }
        Err(error) => assert_told(&error),
    }
}

/// Bytes as they are, and as the Exif block of a JPEG and of a PNG.
pub(crate) fn exposure(data: &[u8]) {
    let block = data.get(..data.len().min(60_000)).unwrap_or_default();
    let picture = RgbImage::from_pixel(2, 2, Rgb([90, 80, 70]));
    let mut jpeg = b"\xff\xd8\xff\xe1".to_vec();
    jpeg.extend((block.len() as u16 + 8).to_be_bytes());
    jpeg.extend(b"Exif\0\0");
    jpeg.extend(block);
    jpeg.extend(b"\xff\xd9");
    let mut png = Vec::new();
    let mut encoder = image::codecs::png::PngEncoder::new(&mut png);
    encoder.set_exif_metadata(block.to_vec()).expect("PNG takes Exif");
    encoder.write_image(&picture, 2, 2, image::ExtendedColorType::Rgb8).expect("a picture is encoded");
    let told = [data, jpeg.as_slice(), png.as_slice()].map(file_facts);
    for facts in &told {
        if let Some(exposure) = &facts.exposure {
            for number in [Some(exposure.time_s), exposure.f_number, exposure.iso].into_iter().flatten() {
                assert!(number.is_finite() && number > 0.0, "{exposure:?}");
            }
        }
        assert!(facts.resolution.as_ref().is_none_or(|r| (0.05..=12.0).contains(&r.um_per_px)));
        for text in facts.camera.iter().chain(&facts.taken_at).chain(&facts.warnings) {
            assert!(!text.chars().any(char::is_control) && text.chars().count() < 500, "{text:?}");
        }
    }
    let ratio = relative_exposure(told[0].exposure.as_ref(), told[1].exposure.as_ref());
    assert!(ratio.is_none_or(|r| r.is_finite() && r > 0.0));
}

/// More pixels are refused: a decoder may take no more memory than they need.
const MOST_PIXELS: u64 = 1 << 16;

/// Bytes as a photograph of any kind, to linear light.
pub(crate) fn decode(data: &[u8]) {
    let mut reading = Reading::alone("a.jpg", MOST_PIXELS);
    reading.role = Role::Crossed;
    match decode_photograph(Path::new("a.jpg"), data, &reading) {
        Ok(photograph) => assert_sound(&photograph),
        Err(error) => assert_told(&error),
    }
}

fn assert_sound(photograph: &Photograph) {
    let (width, height) = (photograph.width, photograph.height);
    assert!(width > 0 && height > 0 && (width * height) as u64 <= MOST_PIXELS);
    let count = match &photograph.samples {
        Samples::Eight(samples) => samples.len(),
        Samples::Sixteen(samples) => samples.len(),
    };
    assert_eq!(count, 3 * width * height);
    assert!((0.0..=1.0).contains(&photograph.record.clipped_fraction));
    let rising = photograph.to_linear.windows(2).all(|pair| pair[0] <= pair[1]);
    assert!(rising && photograph.to_linear.iter().all(|light| (0.0..=1.0).contains(light)), "light");
    for (x, y) in [(0, 0), (width - 1, height - 1), (width / 2, height / 2)] {
        (0..3).for_each(|c| assert!(photograph.light(x, y, c).is_finite()));
    }
}

/// Bytes dealt out one after another; zeros when they are used up.
struct Deal<'a>(&'a [u8]);

impl Deal<'_> {
    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        *first
    }

    fn in_steps(&mut self, low: f64, step: f64) -> f64 {
        low + step * f64::from(self.byte())
    }
}

/// A picture of flat cells, as grains are, whose colours are the next bytes, with a little noise.
fn mosaic(deal: &mut Deal<'_>, width: u32, height: u32, cell: u32) -> RgbImage {
    let across = width.div_ceil(cell);
    let cells: Vec<[u8; 3]> =
        (0..across * height.div_ceil(cell)).map(|_| [deal.byte(), deal.byte(), deal.byte()]).collect();
    RgbImage::from_fn(width, height, |x, y| {
        let noise = (x.wrapping_mul(73) ^ y.wrapping_mul(151)) % 5;
        Rgb(cells[(y / cell * across + x / cell) as usize].map(|v| v.saturating_add(noise as u8)))
    })
}

/// A whole slide of tiny photographs whose cells, angles and scale are the bytes: checked and its report written.
pub(crate) fn check(data: &[u8]) {
    let dir = folder();
    let slide = dir.path().join("S");
    fs::create_dir(&slide).expect("a folder is made");
    let mut deal = Deal(data);
    let (width, height) = (64 + u32::from(deal.byte() % 48), 64 + u32::from(deal.byte() % 48));
    let cell = 8 + u32::from(deal.byte() % 24);
    let crossed = 1 + deal.byte() % 5;
    let kind = deal.byte();
    let mut text = String::from("[slide]\nid = \"S\"\nwidth_mm = 40\nheight_mm = 24\n");
    if kind & 1 == 1 {
        text += "turned = \"stage\"\n";
    }
    if kind & 2 == 2 {
        text += "impregnation = \"blue\"\n";
    }
    text += &format!("target_um = {}\n", deal.in_steps(15.0, 0.2));
    if kind & 4 == 4 {
        text += &format!("[scale]\num_per_px = {}\n", 0.05 * 1.03f64.powi(i32::from(deal.byte())));
    }
    let fields = if kind & 8 == 8 { 2 } else { 1 };
    for field in ["A", "B"].into_iter().take(fields) {
        text += &format!("[[field]]\nname = \"{field}\"\n");
        if kind & 16 == 16 {
            text += &format!("centre_mm = [{}, {}]\n", deal.in_steps(0.0, 0.15), deal.in_steps(0.0, 0.09));
        }
        text += &format!("plane = \"{field}_ppl.png\"\n");
        let angles: Vec<f64> = (0..crossed).map(|_| deal.in_steps(0.0, 1.4)).collect();
        let shots: Vec<String> = angles
            .iter()
            .enumerate()
            .map(|(i, angle)| format!("{{ file = \"{field}_xpl_{i}.png\", angle_deg = {angle} }}"))
            .collect();
        text += &format!("crossed = [ {} ]\n", shots.join(", "));
        let mut save = |name: String| {
            let picture = mosaic(&mut deal, width, height, cell);
            picture.save_with_format(slide.join(name), ImageFormat::Png).expect("a photograph is written");
        };
        save(format!("{field}_ppl.png"));
        (0..crossed).for_each(|i| save(format!("{field}_xpl_{i}.png")));
    }
    fs::write(slide.join("slide.toml"), text).expect("a file is written");
    let out = dir.path().join("out");
    let report = match check_slide(&slide, &out, &House::default()) {
        Ok(written) => written.report,
        Err(error) => {
            assert!(!out.join("S").exists(), "no report of a slide that failed");
            return assert_told(&error);
        }
    };
    assert!(!report.verdict.reasons.is_empty(), "a verdict has its reasons");
    let thickness = &report.thickness;
    if let (Some(mean), Some([low, high])) = (thickness.mean_um, thickness.ci95_um) {
        assert!(low <= mean && mean <= high && low >= 0.0 && high < 1000.0, "{low} {mean} {high}");
    }
    let json = fs::read_to_string(out.join("S/report.json")).expect("a report");
    let whole: serde_json::Value = serde_json::from_str(&json).expect("a report is JSON");
    let probabilities = whole["verdict"]["reasons"].as_array().expect("reasons");
    for reason in probabilities {
        let probability = reason["conformance_probability"].as_f64();
        assert!(probability.is_none_or(|p| (0.0..=1.0).contains(&p)), "{reason}");
    }
}

/// A tiny picture as bare glass and as a stage micrometer.
pub(crate) fn glass(data: &[u8]) {
    let mut deal = Deal(data);
    let (width, height) = (48 + u32::from(deal.byte()), 48 + u32::from(deal.byte()));
    let cell = 1 + u32::from(deal.byte() % 40);
    let ruled = deal.byte();
    let mut picture = mosaic(&mut deal, width, height, cell);
    if ruled & 1 == 1 {
        let pitch = 3 + u32::from(deal.byte() % 60);
        for (x, y, pixel) in picture.enumerate_pixels_mut() {
            if (x + (y * u32::from(ruled >> 4)) / 16) % pitch < 2 {
                pixel.0 = [deal.0.first().copied().unwrap_or(20); 3];
            }
        }
    }
    let samples = Samples::Eight(picture.into_raw());
    let photograph =
        Photograph::from_samples("a.png", Role::Plane, width as usize, height as usize, samples, &Curve::Srgb);
    if let Ok(ruling) = ruling::measure(&photograph, None) {
        let [low, high] = ruling.um_per_px.interval;
        assert!(low <= ruling.um_per_px.value && ruling.um_per_px.value <= high && low.is_finite() && high.is_finite());
        assert!(ruling.lines >= 2);
    }
    let told = Told { light: None, width_mm: (ruled & 2 == 2).then_some(46.0) };
    let found = frosting::examine(&photograph, told);
    for share in [found.shine_share, found.wet_share, found.half_clear_share] {
        assert!(share.is_finite() && share >= 0.0, "{share}");
    }
    assert!(found.glossy_share.is_none_or(|share| (0.0..=1.0).contains(&share.value)));
}
