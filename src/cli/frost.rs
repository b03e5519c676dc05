//! `thinproof frost`: which part of a slide is frosted, before a chip is bonded to it.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use image::RgbImage;

use crate::cli::exit;
use crate::cli::print::{complain, print};
use crate::error::{Error, Result, shown};
use crate::frosting::words::Said;
use crate::frosting::{self, Answer, Frosting, Light, Told};
use crate::slide::Photograph;
use crate::slide::decode::{Reading, read_photograph};
use crate::verdict::Outcome;

/// Shown under the command's help.
pub const EXAMPLES: &str = "Lay the dry slide on plain black with one lamp from aside, or flat on a light table, and photograph \
all of it from above.\n\nExamples:\n  thinproof frost slide.jpg\n  thinproof frost slide.jpg --width-mm 46 --overlay seen.png\n  \
thinproof frost slide.jpg --light transmitted --json\n\nExit codes: 0 frosted all over, 10 grind on, 13 undetermined, 1 a photograph could not be read.";

/// Largest photograph, pixels.
const MAX_PIXELS: u64 = 250_000_000;

/// What is typed after `frost`.
#[derive(Args, Debug)]
pub struct FrostArguments {
    /// Photographs of frosted slides, one slide in each: JPEG, PNG or TIFF.
    #[arg(required = true, value_name = "PHOTOGRAPH")]
    photographs: Vec<PathBuf>,
    /// How the slide is lit, when the picture does not tell: a lamp from aside on a dark ground, or a light behind it.
    #[arg(long, value_name = "LIGHT")]
    light: Option<Light>,
    /// Longer side of the glass, mm: gives the scale.
    #[arg(long, value_name = "MM", allow_negative_numbers = true, value_parser = glass_mm)]
    width_mm: Option<f64>,
    /// Draw what was found on the photograph: a PNG file to write, in place of an older drawing of this command only; for one photograph.
    #[arg(long, value_name = "FILE.png")]
    overlay: Option<PathBuf>,
    /// Print the findings as one line of JSON.
    #[arg(long)]
    json: bool,
}

/// Looks at every photograph; one that cannot be read is told on standard error and does not stop the others.
///
/// # Errors
/// When the drawing cannot be written or standard output is gone.
pub fn run(arguments: &FrostArguments) -> Result<ExitCode> {
    if let Some(overlay) = &arguments.overlay {
        if arguments.photographs.len() > 1 {
            return Err(Error::new(
                overlay,
                "is one drawing for several photographs",
                "give one photograph with --overlay",
            ));
        }
        if !overlay.extension().is_some_and(|e| e.eq_ignore_ascii_case("png")) {
            return Err(Error::new(
                overlay,
                "the drawing is written as PNG only",
                "give --overlay a name that ends in .png",
            ));
        }
        if arguments.photographs.iter().any(|p| same_file(p, overlay)) {
            return Err(Error::new(overlay, "is the photograph itself", "give --overlay another name"));
        }
        if overlay.symlink_metadata().is_ok() && !drawn_here(overlay) {
            let advice = "give --overlay another name, or move that file away";
            return Err(Error::new(overlay, "is there already, and is no drawing of thinproof frost", advice));
        }
    }
    let told = Told { light: arguments.light, width_mm: arguments.width_mm };
    let mut outcomes = Vec::new();
    for path in &arguments.photographs {
        match read(path) {
            Ok(photograph) => {
                let found = frosting::examine(&photograph, told);
                if let Some(overlay) = &arguments.overlay {
                    write_png(overlay, &photograph, &found)?;
                }
                let file = path.display().to_string();
                let said = Said::of(&file, &found);
                let text = if arguments.json { json(&said) } else { lines(&said, &photograph.record.warnings) };
                print(text)?;
                outcomes.push(Some(outcome(found.answer)));
            }
            Err(error) => {
                complain(error.chain());
                outcomes.push(None);
            }
        }
    }
    Ok(ExitCode::from(exit::of_all(&outcomes)))
}

/// The verdict whose exit code stands for an answer: grinding on is a regrind.
fn outcome(answer: Answer) -> Outcome {
    match answer {
        Answer::FrostedAllOver => Outcome::Pass,
        Answer::GrindOn => Outcome::Regrind,
        Answer::Undetermined => Outcome::Undetermined,
    }
}

fn read(path: &Path) -> Result<Photograph> {
    let file = path.file_name().unwrap_or_default().to_string_lossy();
    read_photograph(path, &Reading::alone(&file, MAX_PIXELS))
}

fn lines(said: &Said<'_>, warnings: &[String]) -> String {
    let mut out = format!("{}  {}\n", shown(said.file), said.headline);
    let mut block = |label: &str, sentences: &[String]| {
        for (n, sentence) in sentences.iter().enumerate() {
            out.push_str(&format!("  {:<9}  {}\n", if n == 0 { label } else { "" }, shown(sentence)));
        }
    };
    block("seen", &said.sentences);
    // What is said of interference colours concerns sections, not bare glass.
    let of_this: Vec<String> = warnings.iter().filter(|w| !w.contains("interference")).cloned().collect();
    block("picture", &of_this);
    block("do", &said.next_steps);
    block("take care", &said.cautions);
    out
}

fn json(said: &Said<'_>) -> String {
    // Numbers, lists and plain text: nothing in it can fail to be written.
    serde_json::to_string(said).map(|text| text + "\n").unwrap_or_default()
}

fn write_png(path: &Path, photograph: &Photograph, found: &Frosting) -> Result<()> {
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| {
        Error::new(path, "the drawing cannot be written there", "check that its folder exists and can be written to")
            .caused_by(e)
    };
    let bytes = encoded(&frosting::overlay::draw(photograph, found)).map_err(|e| failed(e.into()))?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let draft = folder.join(format!(".thinproof-frost-{}.png", std::process::id()));
    std::fs::write(&draft, bytes).and_then(|()| std::fs::rename(&draft, path)).map_err(|e| {
        // It may not be there at all.
        let _ = std::fs::remove_file(&draft);
        failed(e.into())
    })
}

/// What drawings say of their origin (PNG 3rd edition, 11.3.3.2: the keyword Software).
const DRAWN_BY: &str = "thinproof frost";

fn encoded(drawing: &RgbImage) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, drawing.width(), drawing.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.add_text_chunk("Software".into(), DRAWN_BY.into())?;
    let mut writer = encoder.write_header()?;
    writer.write_image_data(drawing.as_raw())?;
    writer.finish()?;
    Ok(bytes)
}

/// Whether a file is a drawing that an earlier run made: it may be replaced.
fn drawn_here(path: &Path) -> bool {
    let Some(file) = path.is_file().then(|| File::open(path).ok()).flatten() else { return false };
    let Ok(reader) = png::Decoder::new(BufReader::new(file)).read_info() else { return false };
    reader.info().uncompressed_latin1_text.iter().any(|t| t.keyword == "Software" && t.text == DRAWN_BY)
}

fn same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

fn glass_mm(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(mm) if (10.0..=300.0).contains(&mm) => Ok(mm),
        _ => Err("the longer side of the glass must be a number from 10 to 300 mm".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawing_may_be_replaced_and_another_picture_may_not() {
        let dir = tempfile::tempdir().unwrap();
        let [drawing, other, text] = ["drawing.png", "other.png", "text.png"].map(|name| dir.path().join(name));
        let picture = RgbImage::from_pixel(4, 3, image::Rgb([200, 100, 50]));
        std::fs::write(&drawing, encoded(&picture).unwrap()).unwrap();
        assert_eq!(image::open(&drawing).unwrap().into_rgb8(), picture);
        picture.save(&other).unwrap();
        std::fs::write(&text, "thinproof frost").unwrap();
        assert!(drawn_here(&drawing));
        for kept in [other, text, dir.path().to_path_buf()] {
            assert!(!drawn_here(&kept), "{}", kept.display());
        }
    }
}
