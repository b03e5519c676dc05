//! Whether a camera that is handled badly can make the verdict lie:
//! `cargo run --release --example abuse_study -- 90 [FIRST [KIND|- [FOLDER]]]`.
//!
//! Slides of every rock and thickness are rendered, photographed badly in one way each, checked, and the verdict compared
//! with the truth of the section: undetermined, right, or fooled. One slide in three has planted defects. Fixed seeds: kind and
//! defects follow from the seed. With a FOLDER the slides that fooled it are left there to be looked at.

use std::error::Error;
use std::fs;
use std::io::Cursor;
use std::path::Path;

use image::codecs::jpeg::JpegEncoder;
use image::{ImageDecoder, ImageEncoder, ImageReader, RgbImage};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use thinproof::demo::{CameraSpec, Fabric, Flaws, Scene, ThicknessTruth, Wedge};
use thinproof::house::House;
use thinproof::pipeline;
use thinproof::register::smear;
use thinproof::slide::encoding::Curve;
use thinproof::thickness::Thickness;
use thinproof::verdict::Outcome;

/// Ways of handling the camera badly.
const KINDS: [&str; 10] = [
    "well handled",
    "overexposed",
    "EXIF exposure wrong by 2",
    "channels swapped",
    "polars 5 degrees off",
    "full-wave plate left in",
    "coloured filter",
    "JPEG quality 20 to 40",
    "motion blur",
    "scale wrong by 2",
];

#[derive(Clone, Copy, Default)]
struct Count {
    right: usize,
    undetermined: usize,
    asks_first: usize,
    fooled: usize,
}

fn main() -> Result<(), Box<dyn Error>> {
    let number = |n: usize, default: u64| std::env::args().nth(n).map_or(Ok(default), |text| text.parse::<u64>());
    let (slides, first) = (number(1, 90)?, number(2, 7000)?);
    let only = std::env::args().nth(3).filter(|k| k != "-").map(|k| k.parse::<usize>()).transpose()?;
    let keep = std::env::args().nth(4);
    let dir = tempfile::tempdir()?;
    let mut counts = [Count::default(); KINDS.len()];
    let mut fooled = Vec::new();
    for n in 0..slides {
        let seed = first + n;
        let kind = only.unwrap_or((seed % KINDS.len() as u64) as usize);
        let told = one(seed, kind, seed % 3 == 1, dir.path(), keep.as_deref().map(Path::new))?;
        let count = &mut counts[kind];
        match told.verdict {
            Told::Right => count.right += 1,
            Told::Undetermined => count.undetermined += 1,
            Told::AsksFirst => count.asks_first += 1,
            Told::Fooled => {
                count.fooled += 1;
                fooled.push(told.line.clone());
            }
        }
        eprintln!("{}", told.line);
    }
    println!("| handled | right | undetermined | asks first | fooled |\n| --- | --- | --- | --- | --- |");
    for (kind, count) in KINDS.iter().zip(counts) {
        println!("| {kind} | {} | {} | {} | {} |", count.right, count.undetermined, count.asks_first, count.fooled);
    }
    println!("\nFooled:\n{}", if fooled.is_empty() { "none".into() } else { fooled.join("\n") });
    Ok(())
}

enum Told {
    Right,
    Undetermined,
    /// A section that is too thick is to be ground, and before that it is to be made sure that it need not be made again: it must be.
    AsksFirst,
    Fooled,
}

struct Outcomes {
    verdict: Told,
    line: String,
}

/// Renders, spoils and checks one slide.
fn one(seed: u64, kind: usize, flawed: bool, dir: &Path, keep: Option<&Path>) -> Result<Outcomes, Box<dyn Error>> {
    let mut dice = ChaCha8Rng::seed_from_u64(seed ^ 0xab05e);
    let mut scene = Scene { size_px: [900, 680], ..Scene::varied(seed) };
    // One field: nothing is said of a wedge, so there is none.
    scene.views.truncate(1);
    scene.wedge = Wedge { gx_um_per_mm: 0.0, gy_um_per_mm: 0.0, ..scene.wedge };
    scene.scale_bar = false;
    if !flawed {
        scene.flaws = Flaws::default();
    }
    let quality = scene.camera.jpeg_quality.unwrap_or(92);
    scene.camera.jpeg_quality = None;
    // What is true of the section, however it was photographed: a verdict that follows from it is no lie.
    let well = Scene { camera: CameraSpec::default(), fabric: Fabric::Random, ..scene.clone() };
    let truth = well.truth(vec![scene.render_field(0).truth]);
    // Where little quartz shows the thickness it may be left open, and a verdict by the true one is right all the same.
    let enough = truth.fields.iter().map(|f| f.quartz_grains).sum::<usize>() >= 5;
    let known = well.outcomes(&ThicknessTruth { measurable: true, ..truth.thickness.clone() }, &truth.totals);
    let too_thick = well.outcomes(&truth.thickness, &Default::default()).iter().any(|o| o == "regrind");
    match kind {
        1 => scene.overexposure = dice.random_range(1.5..4.0),
        4 => scene.polars_off_deg = if dice.random_bool(0.5) { 5.0 } else { -5.0 },
        5 => scene.plate_nm = Some(dice.random_range(530.0..560.0)),
        _ => {}
    }
    let (slide, _) = scene.render_to(dir)?;
    let spoil = Spoil::new(kind, quality, &mut dice);
    for entry in fs::read_dir(&slide)? {
        let path = entry?.path();
        if path.extension().is_some_and(|e| e == "png") {
            spoil.photograph(&path)?;
        }
    }
    let record = slide.join("slide.toml");
    let mut text = fs::read_to_string(&record)?.replace(".png", ".jpg");
    if kind == 9 {
        let wrong = scene.um_per_px * if dice.random_bool(0.5) { 2.0 } else { 0.5 };
        let lines =
            text.lines().map(|l| if l.starts_with("um_per_px") { format!("um_per_px = {wrong:?}") } else { l.into() });
        text = lines.collect::<Vec<String>>().join("\n");
    }
    fs::write(&record, text)?;
    let mut uneven = Vec::new();
    let checked = pipeline::check(&slide, &House::default(), |stack| {
        let photographs = std::iter::once(&stack.plane).chain(stack.crossed.iter().map(|c| &c.photograph));
        uneven.extend(photographs.map(|p| smear::unevenness(p).map_or("-".into(), |r| format!("{r:.2}"))));
    })?;
    let outcome = serde_json::to_value(checked.verdict.outcome)?.as_str().unwrap_or_default().to_owned();
    let verdict = if checked.verdict.outcome == Outcome::Undetermined {
        Told::Undetermined
    } else if truth.outcomes.contains(&outcome) || enough && known.contains(&outcome) {
        Told::Right
    } else if too_thick && checked.verdict.next_steps.first().is_some_and(|s| s.starts_with("Before it is ground")) {
        Told::AsksFirst
    } else {
        Told::Fooled
    };
    match keep.filter(|_| matches!(verdict, Told::Fooled)) {
        Some(folder) => {
            fs::create_dir_all(folder)?;
            fs::rename(&slide, folder.join(seed.to_string()))?;
        }
        None => fs::remove_dir_all(&slide)?,
    }
    let thickness = match &checked.thickness {
        Thickness::Measured(s) => {
            let [low, high] = s.mean_um.interval;
            format!("{:.1} µm ({low:.1} to {high:.1})", s.mean_um.value)
        }
        Thickness::NotMeasurable { why, .. } => why.clone(),
    };
    let mark = match verdict {
        Told::Right => "right",
        Told::Undetermined => "open",
        Told::AsksFirst => "asks",
        Told::Fooled => "FOOLED",
    };
    let line = format!(
        "{mark:6} {seed} {}, {:?} of {:.1} µm: {outcome} for {}; {thickness}; sharpness {}; {}",
        KINDS[kind],
        scene.rock,
        scene.wedge.centre_um,
        truth.outcomes.join(" or "),
        uneven.join(" "),
        checked.verdict.why
    );
    Ok(Outcomes { verdict, line })
}

/// What happens to each photograph between the camera and the folder.
struct Spoil {
    kind: usize,
    quality: u8,
    filter: [f64; 3],
    filter_on_plane: bool,
    exif_factor: f64,
    smear: [f64; 2],
}

impl Spoil {
    fn new(kind: usize, quality: u8, dice: &mut ChaCha8Rng) -> Self {
        let direction: f64 = dice.random_range(0.0..std::f64::consts::PI);
        let length = dice.random_range(5.0..14.0);
        Self {
            kind,
            quality: if kind == 7 { dice.random_range(20..=40) } else { quality },
            filter: [dice.random_range(0.4..1.0), dice.random_range(0.5..1.0), dice.random_range(0.3..1.0)],
            filter_on_plane: dice.random_bool(0.5),
            exif_factor: if dice.random_bool(0.5) { 2.0 } else { 0.5 },
            smear: [length * direction.cos(), length * direction.sin()],
        }
    }

    /// Reads a PNG, spoils it and writes it as JPEG in its place.
    fn photograph(&self, path: &Path) -> Result<(), Box<dyn Error>> {
        let crossed = path.to_string_lossy().contains("_xpl");
        let bytes = fs::read(path)?;
        let mut decoder = ImageReader::with_format(Cursor::new(&bytes), image::ImageFormat::Png).into_decoder()?;
        let mut exif = decoder.exif_metadata()?;
        let mut picture = image::DynamicImage::from_decoder(decoder)?.into_rgb8();
        match self.kind {
            2 if crossed => {
                if let Some(block) = &mut exif {
                    scale_exposure(block, self.exif_factor);
                }
            }
            3 => picture.pixels_mut().for_each(|p| p.0.swap(0, 2)),
            6 if crossed || self.filter_on_plane => filtered(&mut picture, self.filter),
            8 if crossed => picture = smeared(&picture, self.smear),
            _ => {}
        }
        let mut out = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut out, self.quality);
        if let Some(block) = exif {
            encoder.set_exif_metadata(block)?;
        }
        encoder.encode_image(&picture)?;
        fs::write(path.with_extension("jpg"), out)?;
        Ok(fs::remove_file(path)?)
    }
}

fn filtered(picture: &mut RgbImage, filter: [f64; 3]) {
    let tables: [Vec<u8>; 3] = filter.map(|f| {
        (0..256)
            .map(|v| (255.0 * Curve::Srgb.encoded(f * Curve::Srgb.light(f64::from(v) / 255.0))).round() as u8)
            .collect()
    });
    picture.pixels_mut().for_each(|p| (0..3).for_each(|c| p.0[c] = tables[c][usize::from(p.0[c])]));
}

/// Mean of linear light along a line.
fn smeared(picture: &RgbImage, [dx, dy]: [f64; 2]) -> RgbImage {
    const STEPS: usize = 15;
    let lookup = Curve::Srgb.lookup(256);
    let (w, h) = (f64::from(picture.width() - 1), f64::from(picture.height() - 1));
    RgbImage::from_fn(picture.width(), picture.height(), |x, y| {
        let mut sum = [0.0f64; 3];
        for k in 0..STEPS {
            let t = k as f64 / (STEPS - 1) as f64 - 0.5;
            let (x, y) = ((f64::from(x) + t * dx).clamp(0.0, w), (f64::from(y) + t * dy).clamp(0.0, h));
            let p = picture.get_pixel(x.round() as u32, y.round() as u32);
            (0..3).for_each(|c| sum[c] += f64::from(lookup[usize::from(p.0[c])]));
        }
        image::Rgb(sum.map(|s| (255.0 * Curve::Srgb.encoded(s / STEPS as f64)).round() as u8))
    })
}

/// Multiplies the exposure time (tag 0x829a, a rational) of a little-endian Exif block.
fn scale_exposure(block: &mut [u8], factor: f64) {
    let entry = [0x9a, 0x82, 5, 0, 1, 0, 0, 0];
    let Some(at) = block.windows(8).position(|w| w == entry) else { return };
    let number = |b: &[u8], at: usize| u32::from_le_bytes([b[at], b[at + 1], b[at + 2], b[at + 3]]);
    let value = number(block, at + 8) as usize;
    let (top, bottom) = (number(block, value), number(block, value + 4));
    let (top, bottom) = if factor > 1.0 { (2 * top, bottom) } else { (top, 2 * bottom) };
    block[value..value + 4].copy_from_slice(&top.to_le_bytes());
    block[value + 4..value + 8].copy_from_slice(&bottom.to_le_bytes());
}
