//! `thinproof scale`: micrometres per pixel from a photograph of a stage micrometer.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use serde::Serialize;

use crate::cli::print::print;
use crate::error::{Error, Result, shown};
use crate::measured::{Measured, significant};
use crate::ruling::{Ruling, measure};
use crate::slide::Photograph;
use crate::slide::decode::{Reading, read_photograph};
use crate::slide::objectives::{self, Objective, Objectives};
use crate::units::Micrometres;

/// Shown under the command's help.
pub const EXAMPLES: &str = "The photograph must be taken as those of the sections are: same camera, same size, not cropped or \
resized.\n\nExamples:\n  thinproof scale micrometer.jpg\n  thinproof scale micrometer_10x.jpg --save 10x\n  \
thinproof scale micrometer_2x.jpg --division-um 100 --save 2x";

/// Largest photograph that is measured, pixels: one field of view, not a scanned slide.
const MAX_PIXELS: u64 = 200_000_000;

/// What is typed after `scale`.
#[derive(Args, Debug)]
pub struct ScaleArguments {
    /// Photograph of a stage micrometer.
    #[arg(value_name = "PHOTOGRAPH")]
    photograph: PathBuf,
    /// Distance from one ruled line to the next, µm; 10 (1 mm in 100 divisions) when not said.
    #[arg(long, value_name = "UM", allow_negative_numbers = true, value_parser = division)]
    division_um: Option<f64>,
    /// Keep the scale under this objective's name, to be named in slide.toml or by --objective.
    #[arg(long, value_name = "NAME", value_parser = name)]
    save: Option<String>,
    /// The objectives file, in place of the one in your folder for settings.
    #[arg(long, value_name = "FILE")]
    objectives: Option<PathBuf>,
    /// Print the result as one line of JSON.
    #[arg(long)]
    json: bool,
}

/// The result as one line of JSON.
#[derive(Debug, Serialize)]
struct Line<'a> {
    photograph: &'a str,
    sha256: &'a str,
    camera: Option<&'a str>,
    width_px: u32,
    height_px: u32,
    um_per_px: Measured,
    pitch_px: Measured,
    division_um: f64,
    division_stated: bool,
    tilt_deg: f64,
    lines: usize,
    missing: usize,
    long_every: &'a [usize],
    bend: f64,
    cross: Option<CrossLine>,
    notes: &'a [String],
    kept_as: Option<&'a str>,
    objectives: Option<String>,
}

/// The second direction in that line.
#[derive(Debug, Serialize)]
struct CrossLine {
    tilt_deg: f64,
    um_per_px: Measured,
    lines: usize,
    anisotropy: Measured,
}

/// Measures, prints, and keeps the scale when that was asked for.
///
/// # Errors
/// When the photograph cannot be read or shows no scale that can be told, or the objectives file cannot be read or written.
pub fn run(arguments: &ScaleArguments) -> Result<ExitCode> {
    // What cannot be kept is told before anything is measured.
    let kept = match &arguments.save {
        None => None,
        Some(name) => {
            let path = objectives::place(arguments.objectives.as_deref())?;
            Some((name.as_str(), Objectives::read(&path)?, path))
        }
    };
    let path = &arguments.photograph;
    let file = path.file_name().map_or_else(String::new, |f| shown(&f.to_string_lossy()));
    let photograph = read_photograph(path, &Reading::alone(&file, MAX_PIXELS))?;
    let ruling = measure(&photograph, arguments.division_um.map(Micrometres::from_um))
        .map_err(|why| Error::new(path, why.what(), why.remedy()))?;

    let mut said = sentences(&file, &ruling, arguments.division_um.is_some());
    let mut place = None;
    if let Some((name, mut known, at)) = kept {
        let older = known.keep(name, objective(&photograph, &ruling))?;
        known.write()?;
        said.push_str(&kept_sentences(name, &at, older.as_ref()));
        place = Some(at);
    } else {
        let _ = writeln!(
            said,
            "  write um_per_px = {} under [scale] in slide.toml, or keep it with --save NAME",
            digits(&ruling.um_per_px)
        );
    }
    if arguments.json {
        said = json(&photograph, &ruling, arguments, place.as_deref());
    }
    print(said)?;
    Ok(ExitCode::SUCCESS)
}

/// What is kept of a measurement.
#[must_use]
pub fn objective(photograph: &Photograph, ruling: &Ruling) -> Objective {
    let r = &photograph.record;
    let round = |v: f64| significant(v, 7);
    Objective {
        um_per_px: round(ruling.um_per_px.value),
        ci95: ruling.um_per_px.interval.map(round),
        camera: r.camera.clone(),
        width_px: r.width_px,
        height_px: r.height_px,
        division_um: ruling.division.um(),
        photograph: r.file.chars().take(255).collect(),
        sha256: r.sha256.clone(),
        measured_at: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    }
}

/// As many digits as the interval bears, and one more.
fn digits(m: &Measured) -> String {
    let half = ((m.interval[1] - m.interval[0]) / 2.0).max(1e-9);
    let decimals = (1.0 - half.log10().floor()).clamp(2.0, 8.0) as usize;
    format!("{:.decimals$}", m.value)
}

fn sentences(file: &str, ruling: &Ruling, stated: bool) -> String {
    let m = &ruling.um_per_px;
    let value = digits(m);
    let decimals = value.split('.').nth(1).map_or(2, str::len);
    let mut text =
        format!("{file}: {value} um per pixel (95 %: {:.decimals$} to {:.decimals$})\n", m.interval[0], m.interval[1]);
    let taken = if stated { "" } else { ", taken as the usual 10 um: state another with --division-um" };
    let division = ruling.division.um();
    let _ = writeln!(text, "  {} lines, {} px from one to the next{taken}", ruling.lines, digits(&ruling.pitch_px));
    if stated {
        let _ = writeln!(text, "  a division is {division} um, as you said");
    }
    let _ = writeln!(
        text,
        "  the scale lies at {:.2} degrees, anticlockwise from the picture's lower edge",
        ruling.tilt.deg()
    );
    match ruling.long_every[..] {
        [a, b] => {
            let _ = writeln!(text, "  longer lines at every {a} divisions, the longest at every {b}");
        }
        [a] => {
            let _ = writeln!(text, "  longer lines at every {a} divisions");
        }
        _ => {}
    }
    if ruling.missing > 0 {
        let lines = if ruling.missing == 1 { "1 line is" } else { &format!("{} lines are", ruling.missing) };
        let _ = writeln!(text, "  {lines} missing or dirty and left out");
    }
    if let Some(cross) = &ruling.cross {
        let _ = writeln!(
            text,
            "  the crossing scale at {:.2} degrees: {} um per pixel from {} lines; over the first {:.5} +/- {:.5}",
            cross.tilt.deg(),
            digits(&cross.um_per_px),
            cross.lines,
            cross.anisotropy.value,
            1.96 * cross.anisotropy.standard_uncertainty
        );
    }
    for note in &ruling.notes {
        let _ = writeln!(text, "  {note}");
    }
    text
}

fn kept_sentences(name: &str, path: &Path, older: Option<&Objective>) -> String {
    let place = shown(&path.display().to_string());
    let instead = older.map_or_else(String::new, |o| {
        format!(", in place of {} um per pixel measured {}", o.um_per_px, shown(&o.measured_at))
    });
    format!(
        "  kept as \"{name}\" in {place}{instead}\n  name it as objective = \"{name}\" under [scale] in slide.toml, or by --objective {name}\n"
    )
}

fn json(photograph: &Photograph, ruling: &Ruling, arguments: &ScaleArguments, place: Option<&Path>) -> String {
    let r = &photograph.record;
    let line = Line {
        photograph: &r.file,
        sha256: &r.sha256,
        camera: r.camera.as_deref(),
        width_px: r.width_px,
        height_px: r.height_px,
        um_per_px: ruling.um_per_px,
        pitch_px: ruling.pitch_px,
        division_um: ruling.division.um(),
        division_stated: arguments.division_um.is_some(),
        tilt_deg: ruling.tilt.deg(),
        lines: ruling.lines,
        missing: ruling.missing,
        long_every: &ruling.long_every,
        bend: ruling.bend,
        cross: ruling.cross.map(|c| CrossLine {
            tilt_deg: c.tilt.deg(),
            um_per_px: c.um_per_px,
            lines: c.lines,
            anisotropy: c.anisotropy,
        }),
        notes: &ruling.notes,
        kept_as: arguments.save.as_deref(),
        objectives: place.map(|p| p.display().to_string()),
    };
    serde_json::to_string(&line).expect("numbers and text become JSON") + "\n"
}

fn division(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(um) if (0.1..=10_000.0).contains(&um) => Ok(um),
        _ => Err("must be a number from 0.1 to 10000".into()),
    }
}

fn name(text: &str) -> Result<String, String> {
    objectives::checked_name(text).map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_many_digits_as_the_interval_bears() {
        assert_eq!(digits(&Measured::normal(1.499_998_1, 0.000_02)), "1.499998");
        assert_eq!(digits(&Measured::normal(1.499_998_1, 0.02)), "1.500");
        assert_eq!(digits(&Measured::normal(12.820_5, 0.3)), "12.82");
    }

    #[test]
    fn what_is_typed_is_checked() {
        for bad in ["0", "-10", "nan", "1e9", "ten", ""] {
            assert!(division(bad).is_err(), "{bad}");
        }
        assert_eq!(division("100"), Ok(100.0));
        for bad in ["", "a\u{1b}", " 10x", "a\nb"] {
            assert!(name(bad).is_err(), "{bad:?}");
        }
    }
}
