//! `thinproof frost`: which part of a slide is frosted, before a chip is bonded to it.

use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

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
    /// Draw what was found on the photograph: a PNG file to write; for one photograph.
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
    let mut bytes = Cursor::new(Vec::new());
    frosting::overlay::draw(photograph, found)
        .write_to(&mut bytes, image::ImageFormat::Png)
        .map_err(|e| failed(e.into()))?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let draft = folder.join(format!(".thinproof-frost-{}.png", std::process::id()));
    std::fs::write(&draft, bytes.into_inner()).and_then(|()| std::fs::rename(&draft, path)).map_err(|e| {
        // It may not be there at all.
        let _ = std::fs::remove_file(&draft);
        failed(e.into())
    })
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
