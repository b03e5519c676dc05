//! `thinproof demo`: a drawer of an invented collection rendered, checked, and what was found shown beside the truth.

use std::num::NonZeroUsize;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use rayon::prelude::*;

use crate::cli::check::check_slide;
use crate::cli::exit;
use crate::cli::print::{complain, print};
use crate::demo::{LARKMOOR_FAULT, Truth, larkmoor};
use crate::drawer::record::CheckedRow;
use crate::drawer::summary::complaints;
use crate::drawer::{Drawer, check_drawer, write::write_tables};
use crate::error::Result;
use crate::grinder::record::Found;
use crate::house::House;

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
    print(format!("{} slides rendered in {:.0} s\n\n", rendered.len(), start.elapsed().as_secs_f64()))?;
    print(format!(
        "{:8} {:32} {:13} {:24} {:23} {}\n",
        "slide", "what it is", "verdict", "truth", "thickness, µm", "true"
    ))?;
    let house = House::default();
    let jobs = std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN);
    let drawer = Drawer { folder: &slides, out: &reports, house: &house, jobs };
    // The drawer gets the folders and never the truth.
    let checked = check_drawer(&drawer, |dir| check_slide(dir, &reports, &house).map(|_| ()), |_| {})?;
    write_tables(&reports, &checked.record)?;
    let mut agreed = 0;
    for (slide, (_, truth)) in collection.iter().zip(&rendered) {
        let row = checked.record.slides.iter().find(|row| row.id == truth.id);
        let Some(found) = row.and_then(|row| row.checked.as_ref()) else { continue };
        let agrees = truth.outcomes.contains(&outcome(found));
        agreed += usize::from(agrees);
        print(line(slide.about, &truth.id, found, truth, agrees))?;
    }
    for complaint in complaints(&checked.record) {
        complain(complaint);
    }
    print("\nThe grinder, in truth: ")?;
    let [u, v] = LARKMOOR_FAULT.tilt_um_per_mm;
    print(format!(
        "its zero drifts by {:.2} µm a section, its chuck makes sections {:.2} µm/mm thicker away from the bevelled corner.\n",
        LARKMOOR_FAULT.drift_um,
        u.hypot(v)
    ))?;
    for said in checked.record.grinder.statements.iter().filter(|s| s.found == Found::Signal) {
        print(format!("found: {}\n", said.sentence))?;
    }
    print(format!(
        "\n{agreed} of {} verdicts agree with the truth; {:.0} s in all\nslides   {}\nreports  {}\ndrawer   {}\n",
        rendered.len(),
        start.elapsed().as_secs_f64(),
        slides.display(),
        reports.join("<slide>").join("report.html").display(),
        reports.join("index.html").display()
    ))?;
    Ok(if checked.record.counts.failed > 0 { ExitCode::from(exit::FAILED) } else { ExitCode::SUCCESS })
}

fn line(about: &str, id: &str, found: &CheckedRow, truth: &Truth, agrees: bool) -> String {
    let measured = match (found.thickness.mean_um, found.thickness.ci95_um) {
        (Some(mean), Some([lo, hi])) => format!("{mean:.1} ({lo:.1} to {hi:.1})"),
        _ => "not measurable".to_owned(),
    };
    let mut true_thickness = format!("{:.1}", truth.thickness.mean_um);
    if !truth.thickness.measurable {
        true_thickness += " (cannot be seen)";
    }
    format!(
        "{id:8} {about:32} {:13} {:24} {measured:23} {true_thickness}\n",
        outcome(found),
        format!("{}{}", truth.outcomes.join(" or "), if agrees { "" } else { "  <- differs" }),
    )
}

/// The outcome as the report writes it.
fn outcome(found: &CheckedRow) -> String {
    serde_json::to_value(found.outcome).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}
