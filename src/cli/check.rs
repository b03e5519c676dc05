//! `thinproof check`: slides from photographs to verdict.

use std::collections::HashMap;
use std::io::{IsTerminal, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::cli::bounds::BoundsArguments;
use crate::cli::exit;
use crate::cli::print::{aside, complain, print};
use crate::error::{Error, Result};
use crate::house::House;
use crate::pipeline::{self, CheckedSlide};
use crate::report::{self, FieldPicture, ReadFrom, Report};
use crate::slide::Slide;
use crate::timings::{Timings, stage};
use crate::verdict::Outcome;
use crate::windows::Progress;

/// Shown under the command's help.
pub const EXAMPLES: &str = "Examples:\n  thinproof check LM-0142\n  thinproof check LM-0142 LM-0143 --out reports --limits house.toml\n  thinproof check scans/LM-0144 --max-megapixels 4000 --time-limit 7200";

/// What is typed after `check`.
#[derive(Args, Debug)]
pub struct CheckArguments {
    /// Slide folders: photographs, and slide.toml when you wrote one.
    #[arg(required = true, value_name = "SLIDE FOLDER")]
    slides: Vec<PathBuf>,
    /// Folder to write the reports to, one folder a slide.
    #[arg(long, default_value = "reports", value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    house: HouseArguments,
    #[command(flatten)]
    bounds: BoundsArguments,
    /// Print each report as one line of JSON instead of the lines for the bench.
    #[arg(long)]
    json: bool,
    /// Print what each stage took, in time and peak memory, when done.
    #[arg(long)]
    timings: bool,
}

/// What is typed of the laboratory's settings, after every command that checks slides.
#[derive(Args, Debug)]
pub struct HouseArguments {
    /// Your own limits, in place of the built-in ones (thinproof limits prints them to edit).
    #[arg(long, value_name = "FILE")]
    limits: Option<PathBuf>,
    /// The objective of all photographs, as thinproof scale --save named it; um_per_px in slide.toml goes before it.
    #[arg(long, value_name = "NAME")]
    objective: Option<String>,
    /// The objectives file, in place of the one in your folder for settings.
    #[arg(long, value_name = "FILE")]
    objectives: Option<PathBuf>,
}

impl HouseArguments {
    /// Reads the files that were named.
    ///
    /// # Errors
    /// See [`House::read`].
    pub fn read(&self) -> Result<House> {
        House::read(self.limits.as_deref(), self.objectives.as_deref(), self.objective.as_deref())
    }
}

/// A slide that was checked and whose reports are written.
#[derive(Debug)]
pub struct Written {
    /// The report.
    pub report: Report,
    /// The page.
    pub page: PathBuf,
    /// Where the report of another slide was moved that lay in its place.
    pub moved: Option<PathBuf>,
}

impl Written {
    /// What is said of another slide's report that lay there.
    pub fn said_of_other(&self) -> Option<String> {
        let id = report::terminal::plain(&self.report.slide.id);
        let moved = report::terminal::plain(&self.moved.as_ref()?.display().to_string());
        Some(format!(
            "{id}: a report of another slide with this id lay there and is in {moved} now; give each slide an id of its own, or another --out"
        ))
    }
}

/// Checks one slide and writes both reports, whole or not at all.
///
/// # Errors
/// When the slide cannot be checked or the reports cannot be written; nothing is written then.
pub fn check_slide(dir: &Path, out: &Path, house: &House) -> Result<Written> {
    check_watched(dir, out, house, |_| {})
}

/// The same; `progress` hears how far the look at a field too large to be held is.
fn check_watched(dir: &Path, out: &Path, house: &House, progress: impl FnMut(&Progress)) -> Result<Written> {
    let mut pictures: Vec<Result<FieldPicture>> = Vec::new();
    let clock = house.bounds.start(dir);
    let (slide, limits) = house.slide(dir)?;
    report::write::writable_folder(out)?;
    let checked =
        pipeline::check_read(slide, limits, &clock, |stack| pictures.push(FieldPicture::of(stack)), progress)?;
    let pictures: Vec<FieldPicture> = pictures.into_iter().collect::<Result<_>>()?;
    stage!("report");
    let chart = checked.chart();
    let read_from = ReadFrom {
        folder: report::seen_from(out, &checked.record.id, dir)?,
        slide_toml_sha256: checked.slide_toml_sha256.clone(),
    };
    let report = report_of(checked, read_from);
    let json = report::to_json(&report);
    let html = report::to_html(&report, &pictures, chart.as_ref())?;
    let html = report::beside::bound(&html, &json, &report.made_at);
    let thumbnail = pictures.first().map(|p| p.thumbnail.as_slice());
    let (folder, moved) = report::write_keeping(out, &report, &json, &html, thumbnail)?;
    Ok(Written { report, page: folder.join("report.html"), moved })
}

fn report_of(checked: CheckedSlide, read_from: ReadFrom) -> Report {
    let defects: Vec<_> = checked.fields.iter().map(|f| f.defects.clone()).collect();
    let warnings = checked
        .warnings
        .iter()
        .cloned()
        .chain(checked.fields.iter().flat_map(|f| f.warnings.iter().cloned()))
        .collect();
    Report::assemble(report::Pieces {
        record: &checked.record,
        archive: checked.archive.clone(),
        read_from,
        fields: checked
            .fields
            .iter()
            .map(|f| report::FieldRecord::new(&f.name, f.centre_mm, f.size_px[0], f.size_px[1], f.scale))
            .collect(),
        photographs: checked.fields.iter().flat_map(|f| f.photographs.iter().cloned()).collect(),
        thickness: &checked.thickness,
        defects: &defects,
        totals: checked.tally.totals,
        scratch_sets: &checked.tally.scratch_sets,
        verdict: &checked.verdict,
        limits: &checked.limits,
        warnings,
        made_at: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    })
}

/// Checks every slide; one that fails is told on standard error and does not stop the others.
///
/// # Errors
/// When the limits file cannot be used or standard output is gone.
pub fn run(arguments: &CheckArguments) -> Result<ExitCode> {
    let house = House { bounds: arguments.bounds.into(), ..arguments.house.read()? };
    let timings = arguments.timings.then(Timings::listen);
    let watched = std::io::stderr().is_terminal();
    let progress = |progress: &Progress| {
        if watched {
            // The line is cleared when the last window is done. A terminal that went away is no error.
            let line = if progress.done < progress.all { progress.line() } else { String::new() };
            let _ = write!(std::io::stderr(), "\r\u{1b}[K{line}");
        }
    };
    let mut outcomes: Vec<Option<Outcome>> = Vec::new();
    let mut taken = HashMap::new();
    for dir in &arguments.slides {
        let checked = alone(dir, &mut taken).and_then(|()| check_watched(dir, &arguments.out, &house, progress));
        match checked {
            Ok(written) => {
                outcomes.push(Some(written.report.verdict.outcome));
                written.said_of_other().into_iter().for_each(complain);
                let text = if arguments.json {
                    report::json::to_line(&written.report)
                } else {
                    report::terminal::lines(&written.report, &written.page)
                };
                print(text)?;
            }
            Err(error) => {
                outcomes.push(None);
                complain(error.chain());
            }
        }
    }
    if let Some(timings) = timings {
        aside(&timings.table());
    }
    Ok(ExitCode::from(exit::of_all(&outcomes)))
}

/// Refuses a slide whose report would take the place of one that was written just now.
fn alone<'a>(dir: &'a Path, taken: &mut HashMap<String, &'a Path>) -> Result<()> {
    // What is wrong with the slide itself is told by the check.
    let Ok(id) = Slide::id(dir) else { return Ok(()) };
    // Many file systems do not tell upper from lower case.
    match taken.insert(report::write::folder_name(&id).to_lowercase(), dir) {
        Some(first) => Err(Error::new(
            dir,
            format!("has the id {id}, as {} has: its report would take that one's place", first.display()),
            "give one of them another id in slide.toml, or another --out",
        )),
        None => Ok(()),
    }
}
