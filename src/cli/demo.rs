//! `thinproof demo`: slides of an invented collection rendered, checked, and each verdict shown beside the truth.

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use rayon::prelude::*;

use crate::cli::check::{Written, check_slide};
use crate::cli::exit;
use crate::demo::{Truth, larkmoor};
use crate::error::{Error, Result};
use crate::report::Report;
use crate::verdict::LimitSet;

/// How many slides are rendered at once: each takes some 200 MB while it is.
const AT_ONCE: usize = 3;

/// Renders the collection into `dir/slides`, checks it into `dir/reports` and prints a table.
///
/// Ends well when every slide could be checked, whatever the verdicts: they are shown, not judged.
///
/// # Errors
/// When the folder or standard output cannot be written.
pub fn run(dir: &Path) -> Result<ExitCode> {
    let (slides, reports) = (dir.join("slides"), dir.join("reports"));
    let collection = larkmoor();
    let start = Instant::now();
    let mut rendered = Vec::new();
    for some in collection.chunks(AT_ONCE) {
        let done: Result<Vec<_>> = some.par_iter().map(|s| s.scene.render_to(&slides)).collect();
        rendered.extend(done?);
    }
    say(&format!("{} slides rendered in {:.0} s\n\n", rendered.len(), start.elapsed().as_secs_f64()))?;
    say(&format!(
        "{:8} {:32} {:13} {:24} {:23} {}\n",
        "slide", "what it is", "verdict", "truth", "thickness, µm", "true"
    ))?;
    let limits = LimitSet::default();
    let (mut agreed, mut failed) = (0, 0);
    for (slide, (folder, truth)) in collection.iter().zip(&rendered) {
        match check(folder, &reports, &limits) {
            Ok(written) => {
                let report = &written.report;
                let agrees = truth.outcomes.contains(&outcome(report));
                agreed += usize::from(agrees);
                say(&row(slide.about, report, truth, agrees))?;
            }
            Err(error) => {
                failed += 1;
                eprintln!("thinproof: {}", error.chain());
            }
        }
    }
    say(&format!(
        "\n{agreed} of {} verdicts agree with the truth; {:.0} s in all\nslides   {}\nreports  {}\n",
        rendered.len(),
        start.elapsed().as_secs_f64(),
        slides.display(),
        reports.join("<slide>").join("report.html").display()
    ))?;
    Ok(if failed > 0 { ExitCode::from(exit::FAILED) } else { ExitCode::SUCCESS })
}

/// The one place where the checker is called; it gets the folder and never the truth.
fn check(folder: &Path, reports: &Path, limits: &LimitSet) -> Result<Written> {
    check_slide(folder, reports, limits)
}

fn row(about: &str, report: &Report, truth: &Truth, agrees: bool) -> String {
    let measured = match (report.thickness.mean_um, report.thickness.ci95_um) {
        (Some(mean), Some([lo, hi])) => format!("{mean:.1} ({lo:.1} to {hi:.1})"),
        _ => "not measurable".to_owned(),
    };
    let mut true_thickness = format!("{:.1}", truth.thickness.mean_um);
    if !truth.thickness.measurable {
        true_thickness += " (cannot be seen)";
    }
    format!(
        "{:8} {about:32} {:13} {:24} {measured:23} {true_thickness}\n",
        report.slide.id,
        outcome(report),
        format!("{}{}", truth.outcomes.join(" or "), if agrees { "" } else { "  <- differs" }),
    )
}

/// The outcome as the report writes it.
fn outcome(report: &Report) -> String {
    serde_json::to_value(report.verdict.outcome).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

fn say(text: &str) -> Result<()> {
    match std::io::stdout().write_all(text.as_bytes()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new("standard output", "it cannot be written to", "check where it is sent").caused_by(e))
        }
        _ => Ok(()),
    }
}
