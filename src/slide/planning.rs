//! From a folder's listing to the plan of its fields.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::slide::decode::MAX_PIXELS;
use crate::slide::folder::{FieldPlan, Slide};
use crate::slide::names::{NamedPhotograph, is_ignored, is_photograph, read_name};
use crate::slide::photograph::Role;
use crate::slide::record::{Finish, Impregnation, SlideRecord, Turned};
use crate::units::Degrees;

/// Reads a slide folder; see [`Slide::read`].
pub(crate) fn plan(dir: &Path) -> Result<Slide> {
    if !dir.is_dir() {
        return Err(Error::new(dir, "is not a folder", "give the folder that holds the slide's photographs"));
    }
    let dir = dir
        .canonicalize()
        .map_err(|e| Error::new(dir, "cannot be opened", "check that the folder may be read").caused_by(e))?;
    let mut record = SlideRecord {
        id: dir.file_name().map_or_else(|| "slide".into(), |n| n.to_string_lossy().into_owned()),
        width_mm: None,
        height_mm: None,
        mark_corner: None,
        impregnation: Impregnation::None,
        turned: Turned::Polars,
        finish: Finish::Uncovered,
        polish_to_come: false,
        target_um: 30.0,
        untouchable: false,
        offcut_left: None,
        micrometer_um: None,
        sequence: None,
        um_per_px: None,
        scale_source: None,
        assumed: Vec::new(),
    };
    let mut warnings = Vec::new();
    let fields = fields_by_name(&dir, &mut record.assumed, &mut warnings)?;
    Ok(Slide { dir, record, fields, scale: None, encoding: None, max_pixels: MAX_PIXELS, warnings })
}

/// Photographs of one field as their names tell.
#[derive(Default)]
struct Gathered {
    name: String,
    plane: Vec<PathBuf>,
    crossed: Vec<(PathBuf, Option<f64>)>,
    blank: Vec<PathBuf>,
}

/// Works the fields out from the file names.
pub(crate) fn fields_by_name(
    dir: &Path,
    assumed: &mut Vec<String>,
    warnings: &mut Vec<String>,
) -> Result<Vec<FieldPlan>> {
    let mut untold = Vec::new();
    let mut gathered: BTreeMap<String, Gathered> = BTreeMap::new();
    let mut shared_blank = Vec::new();
    for file in photographs_in(dir)? {
        let path = dir.join(&file);
        match read_name(&file) {
            None => untold.push(file),
            Some(NamedPhotograph { field, role: Role::Blank, .. }) if field.is_empty() => shared_blank.push(path),
            Some(NamedPhotograph { field, role, angle_deg }) => {
                let entry = gathered.entry(field.to_lowercase()).or_default();
                entry.name = field;
                match role {
                    Role::Plane => entry.plane.push(path),
                    Role::Crossed => entry.crossed.push((path, angle_deg)),
                    Role::Blank => entry.blank.push(path),
                }
            }
        }
    }
    if gathered.is_empty() && untold.is_empty() && shared_blank.is_empty() {
        return Err(Error::new(dir, "holds no photographs", "put the slide's JPEG, PNG or TIFF photographs into it"));
    }
    if !untold.is_empty() {
        warnings.push(format!(
            "{} left out: the name says neither plane light (ppl) nor crossed polars (xpl)",
            list(&untold)
        ));
    }
    one_of(dir, &shared_blank, "blank")?;
    let mut fields = Vec::new();
    let names: Vec<String> = gathered.values().map(|g| g.name.clone()).collect();
    for mut entry in gathered.into_values() {
        if entry.name.is_empty() {
            entry.name = ('A'..='Z').map(String::from).find(|n| !names.contains(n)).unwrap_or_else(|| "unnamed".into());
        }
        one_of(dir, &entry.plane, "plane-light photograph")?;
        one_of(dir, &entry.blank, "blank")?;
        let name = &entry.name;
        let (Some(plane), false) = (entry.plane.pop(), entry.crossed.is_empty()) else {
            let missing = if entry.crossed.is_empty() { "crossed-polar" } else { "plane-light" };
            warnings.push(format!("field {name} left out: it has no {missing} photograph"));
            continue;
        };
        let crossed = angles(name, entry.crossed, assumed)?;
        let blank = entry.blank.pop().or_else(|| shared_blank.first().cloned());
        fields.push(FieldPlan { name: entry.name, centre_mm: None, plane, crossed, blank });
    }
    if fields.is_empty() {
        return Err(Error::new(
            dir,
            "holds no plane-light photograph with a crossed-polar one beside it",
            "name them like A_ppl.jpg and A_xpl_45.jpg, or list them in slide.toml",
        ));
    }
    Ok(fields)
}

/// Names of the photographs in a folder, sorted.
fn photographs_in(dir: &Path) -> Result<Vec<String>> {
    let unreadable =
        |e: std::io::Error| Error::new(dir, "cannot be listed", "check that the folder may be read").caused_by(e);
    let mut files = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let file = entry.file_name().to_string_lossy().into_owned();
        let regular = entry.file_type().map_err(unreadable)?.is_file();
        if regular && is_photograph(&file) && !is_ignored(&file) {
            files.push(file);
        }
    }
    files.sort();
    Ok(files)
}

/// Gives every crossed photograph its angle: one alone may lack it, since nothing is compared then.
pub(crate) fn angles(
    field: &str,
    crossed: Vec<(PathBuf, Option<f64>)>,
    assumed: &mut Vec<String>,
) -> Result<Vec<(PathBuf, Degrees)>> {
    let alone = crossed.len() == 1;
    let mut told = Vec::with_capacity(crossed.len());
    for (path, angle) in crossed {
        let angle = match angle {
            Some(angle) => angle,
            None if alone => {
                assumed.push(format!("angle_deg of field {field}'s only crossed photograph = 0"));
                0.0
            }
            None => {
                return Err(Error::new(
                    path,
                    format!("has no angle, and field {field} has several crossed photographs"),
                    "put the angle at the end of its name (A_xpl_45.jpg) or into slide.toml",
                ));
            }
        };
        told.push((path, Degrees::from_deg(angle)));
    }
    told.sort_by(|a, b| a.1.deg().total_cmp(&b.1.deg()));
    if let Some(pair) = told.windows(2).find(|pair| (pair[0].1.deg() - pair[1].1.deg()).abs() < 1e-9) {
        let first = pair[0].0.file_name().unwrap_or_default().to_string_lossy().into_owned();
        return Err(Error::new(
            &pair[1].0,
            format!("is said to be at {} degrees, and so is {first}", pair[1].1.deg()),
            format!("give every crossed photograph of field {field} its own angle"),
        ));
    }
    Ok(told)
}

fn one_of(dir: &Path, paths: &[PathBuf], what: &str) -> Result<()> {
    if paths.len() < 2 {
        return Ok(());
    }
    let names: Vec<String> =
        paths.iter().map(|p| p.file_name().unwrap_or_default().to_string_lossy().into_owned()).collect();
    Err(Error::new(
        dir,
        format!("has more than one {what} for one field ({})", list(&names)),
        "keep the one that counts",
    ))
}

/// The first few names, and how many more.
fn list(names: &[String]) -> String {
    let shown = names.iter().take(4).cloned().collect::<Vec<_>>().join(", ");
    if names.len() > 4 { format!("{shown} and {} more", names.len() - 4) } else { shown }
}
