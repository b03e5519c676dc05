//! The photographs that lie in a folder, sorted in one go: the sheet of a new slide.

use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::error::{Error, Result};
use crate::slide::names::several_slides;

use super::angles::estimate_angles;
use super::arrivals::{Arrivals, Found};
use super::sheet::{Sheet, SheetField, said_in, sheet_of};
use super::sorting::{Bench, Placed};
use super::visit::Shot;

/// A slide as its photographs tell it.
#[derive(Debug)]
pub struct Sorted {
    /// What is written into `slide.toml`.
    pub sheet: Sheet,
    /// Each photograph and its name in the slide's folder.
    pub names: Vec<(PathBuf, String)>,
    /// What was seen, and what could not be told.
    pub said: Vec<String>,
}

/// Sorts the photographs of one slide; None when the folder holds none.
///
/// `moved`: the photographs will be copied into one folder; else they stay where they lie in `dir`.
///
/// # Errors
/// When the folder cannot be read, or holds photographs of several slides or passes.
pub fn sorted(dir: &Path, id: &str, moved: bool) -> Result<Option<Sorted>> {
    let mut arrivals = Arrivals::of(dir)?;
    // They are said to be of one slide: no pause makes a second one, only names do.
    let mut bench = Bench::new(id, i64::MAX);
    let mut said = Vec::new();
    let begun = Instant::now();
    arrivals.look()?;
    loop {
        for found in arrivals.look()? {
            match found {
                Found::Broken(path, why) => said.push(format!("{} left out: {why}", path.display())),
                Found::Photograph(arrival) => {
                    let a = *arrival;
                    let copy = arrivals.dir().join(&a.relative);
                    let shot = Shot {
                        relative: a.relative,
                        copy,
                        sha256: a.sha256,
                        taken_s: a.taken_s,
                        saved: a.saved,
                        exposure: a.exposure,
                        um_per_px: a.um_per_px,
                        sketch: a.sketch,
                    };
                    for (file, placed) in bench.take(shot) {
                        said.extend(told(&file, placed));
                    }
                }
            }
        }
        if !arrivals.waiting() || begun.elapsed().as_secs() > LONGEST_S {
            break;
        }
        std::thread::sleep(arrivals.pause());
    }
    if bench.slides.len() > 1 || bench.slides.iter().any(|s| s.passes.len() > 1) {
        let ids: Vec<&str> = bench.slides.iter().map(|s| s.id.as_str()).collect();
        let what = if bench.slides.len() > 1 {
            format!("holds photographs of {} slides ({})", ids.len(), ids.join(", "))
        } else {
            "holds one field more than once: photographs of several passes".into()
        };
        return Err(Error::new(dir, what, "put those of each into a folder of its own"));
    }
    let Some(slide) = bench.slides.first_mut() else { return Ok(None) };
    for field in slide.passes.iter_mut().flat_map(|p| &mut p.fields) {
        said.extend(estimate_angles(field));
    }
    said.extend(several_slides(slide.passes[0].fields.iter().map(|field| field.name.as_str())));
    let own = said_in(&[dir])?;
    let pass = &slide.passes[0];
    let (mut sheet, names) = sheet_of(pass, id, own, false);
    if !moved {
        let stays = |shot: &Shot| shot.relative.to_string_lossy().replace('\\', "/");
        sheet.fields = SheetField::of_pass(pass, stays);
    }
    Ok(Some(Sorted { sheet, names: names.into_iter().collect(), said }))
}

/// Files that are still being written are waited for so long, seconds.
const LONGEST_S: u64 = 30;

fn told(file: &Path, placed: Placed) -> Option<String> {
    match placed {
        Placed::Aside(why) => Some(format!("{} left out: {why}", file.display())),
        Placed::At { field, how, .. } if !how.is_empty() => {
            Some(format!("{}: field {field}, {}", file.display(), how.join("; ")))
        }
        Placed::At { .. } => None,
    }
}
