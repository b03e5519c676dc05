//! `slide.toml` resolved: defaults filled in and named, values checked, files found inside the folder.

use std::collections::HashSet;
use std::path::{Component, Path, PathBuf};

use toml::Spanned;

use crate::error::{Error, Result};
use crate::slide::encoding::clean_text;
use crate::slide::folder::{FieldPlan, QuartzMark};
use crate::slide::manifest::{FieldTable, Written};
use crate::slide::names::ANGLES_DEG;
use crate::slide::planning::{Position, angles};
use crate::slide::record::{Finish, Impregnation, SlideRecord, Turned};

/// Target of a rock section, µm (EN 12407:2019, 0.030 mm).
const ROCK_TARGET_UM: f64 = 30.0;

/// `[slide]` and `[scale]` with defaults, each default named in `assumed`.
pub(crate) fn record(written: &Written, folder_name: &str) -> Result<SlideRecord> {
    let slide = &written.manifest.slide;
    let mut assumed = Vec::new();
    let id = match &slide.id {
        Some(id) => checked_id(written, id)?,
        None => {
            assumed.push(format!("id = \"{folder_name}\""));
            folder_name.to_owned()
        }
    };
    let number = |key: &str, value: &Option<Spanned<f64>>, allowed| {
        value.as_ref().map(|v| written.number(key, v, allowed)).transpose()
    };
    let width_mm = number("width_mm", &slide.width_mm, 0.1..=500.0)?;
    let height_mm = number("height_mm", &slide.height_mm, 0.1..=500.0)?;
    let target_um = number("target_um", &slide.target_um, 1.0..=1000.0)?;
    let micrometer_um = number("micrometer_um", &slide.micrometer_um, -1000.0..=10_000.0)?;
    let um_per_px = number("um_per_px", &written.manifest.scale.um_per_px, 0.001..=1000.0)?;
    let sequence = match &slide.sequence {
        None => None,
        Some(s) => Some(
            u32::try_from(*s.get_ref())
                .ok()
                .filter(|n| *n > 0)
                .ok_or_else(|| written.wrong(s, format!("sequence = {} cannot be", s.get_ref()), "count from 1"))?,
        ),
    };
    for (key, missing) in [
        ("width_mm", width_mm.is_none()),
        ("height_mm", height_mm.is_none()),
        ("mark_corner", slide.mark_corner.is_none()),
        ("offcut_left", slide.offcut_left.is_none()),
    ] {
        if missing {
            assumed.push(format!("{key} = not known"));
        }
    }
    let mut default = |key: &str, value: &str, missing: bool| {
        if missing {
            assumed.push(format!("{key} = {value}"));
        }
    };
    default("impregnation", "\"none\"", slide.impregnation.is_none());
    default("turned", "\"polars\"", slide.turned.is_none());
    default("finish", "\"uncovered\"", slide.finish.is_none());
    default("polish_to_come", "false", slide.polish_to_come.is_none());
    default("target_um", "30", target_um.is_none());
    default("untouchable", "false", slide.untouchable.is_none());
    Ok(SlideRecord {
        id,
        width_mm,
        height_mm,
        mark_corner: slide.mark_corner,
        impregnation: slide.impregnation.unwrap_or(Impregnation::None),
        turned: slide.turned.unwrap_or(Turned::Polars),
        finish: slide.finish.unwrap_or(Finish::Uncovered),
        polish_to_come: slide.polish_to_come.unwrap_or(false),
        target_um: target_um.unwrap_or(ROCK_TARGET_UM),
        untouchable: slide.untouchable.unwrap_or(false),
        offcut_left: slide.offcut_left,
        micrometer_um,
        sequence,
        um_per_px,
        scale_source: um_per_px.map(|_| "slide.toml".into()),
        assumed,
    })
}

/// The id names the report's folder: nothing that could lead out of it.
fn checked_id(written: &Written, id: &Spanned<String>) -> Result<String> {
    let text = id.get_ref();
    let bad = text.trim().is_empty()
        || text.starts_with('.')
        || text.chars().count() > 80
        || text.contains(['/', '\\', ':', '*', '?', '"', '<', '>', '|'])
        || clean_text(text) != *text;
    if bad {
        return Err(written.wrong(
            id,
            format!("the id \"{}\" cannot name a folder", clean_text(text)),
            "use up to 80 letters, digits, points, dashes and spaces, not starting with a point",
        ));
    }
    Ok(text.clone())
}

/// The `[[field]]` tables as plans; what a table leaves out is taken from `named`, the fields told by file names.
pub(crate) fn fields(
    written: &Written,
    dir: &Path,
    record: &mut SlideRecord,
    named: &[FieldPlan],
) -> Result<Vec<FieldPlan>> {
    let mut seen = HashSet::new();
    let mut plans = Vec::new();
    for (index, table) in written.manifest.field.iter().enumerate() {
        let name = match &table.name {
            Some(name) if clean_text(name.get_ref()).is_empty() => {
                return Err(written.wrong(name, "a field has an empty name", "give it a letter or a word"));
            }
            Some(name) => clean_text(name.get_ref()),
            None => {
                let letter = char::from(b'A' + (index % 26) as u8).to_string();
                record.assumed.push(format!("name of field {} = \"{letter}\"", index + 1));
                letter
            }
        };
        if !seen.insert(name.to_lowercase()) {
            return Err(match &table.name {
                Some(at) => {
                    written.wrong(at, format!("the field {name} is there twice"), "give every field its own name")
                }
                None => {
                    Error::new(dir.join("slide.toml"), format!("the field {name} is there twice"), "name every field")
                }
            });
        }
        plans.push(field(written, dir, record, table, name, named)?);
    }
    Ok(plans)
}

fn field(
    written: &Written,
    dir: &Path,
    record: &mut SlideRecord,
    table: &FieldTable,
    name: String,
    named: &[FieldPlan],
) -> Result<FieldPlan> {
    let by_name = named.iter().find(|plan| plan.name.to_lowercase() == name.to_lowercase());
    let plane = match (&table.plane, by_name) {
        (Some(plane), _) => inside(written, dir, plane)?,
        (None, Some(found)) => found.plane.clone(),
        (None, None) => return Err(lacking(dir, &name, "plane-light", "plane = \"...\"")),
    };
    let mut crossed = Vec::with_capacity(table.crossed.len());
    for shot in &table.crossed {
        let path = inside(written, dir, &shot.file)?;
        if crossed.iter().any(|other: &Position| other.path == path) || path == plane {
            return Err(written.wrong(
                &shot.file,
                format!("{} is given twice in field {name}", shot.file.get_ref()),
                "name every photograph once",
            ));
        }
        crossed.push(match &shot.angle_deg {
            Some(angle) => Position::stated(path, written.number("angle_deg", angle, ANGLES_DEG)?),
            None => Position::named(path),
        });
    }
    let crossed = match (crossed.is_empty(), by_name) {
        (false, _) => angles(&name, crossed, &mut record.assumed)?,
        (true, Some(found)) => found.crossed.clone(),
        (true, None) => return Err(lacking(dir, &name, "crossed-polar", "crossed = [ ... ]")),
    };
    let blank = match (&table.blank, by_name) {
        (Some(blank), _) => Some(inside(written, dir, blank)?),
        (None, found) => found.and_then(|plan| plan.blank.clone()),
    };
    let centre_mm = table.centre_mm.as_ref().map(|centre| on_section(written, record, centre)).transpose()?;
    Ok(FieldPlan { name, centre_mm, plane, crossed, blank })
}

fn lacking(dir: &Path, name: &str, what: &str, key: &str) -> Error {
    Error::new(
        dir.join("slide.toml"),
        format!("field {name} has no {what} photograph"),
        format!("add {key} under its [[field]]"),
    )
}

fn on_section(written: &Written, record: &SlideRecord, centre: &Spanned<Vec<f64>>) -> Result<[f64; 2]> {
    let [x, y] = centre.get_ref()[..] else {
        return Err(written.wrong(centre, "centre_mm is no pair of numbers", "give [x, y] in millimetres"));
    };
    let within = |at: f64, size: Option<f64>| at.is_finite() && at >= 0.0 && at <= size.unwrap_or(500.0);
    if within(x, record.width_mm) && within(y, record.height_mm) {
        return Ok([x, y]);
    }
    Err(written.wrong(
        centre,
        format!("centre_mm = [{x}, {y}] lies off the section"),
        "give millimetres from the section's lower-left corner, x right, y up",
    ))
}

/// A file of the folder, and of no other place: no absolute path, no `..`, no link that leads out.
fn inside(written: &Written, dir: &Path, file: &Spanned<String>) -> Result<PathBuf> {
    let relative = Path::new(file.get_ref());
    let shown = clean_text(file.get_ref());
    let plain = relative.components().all(|c| matches!(c, Component::Normal(_) | Component::CurDir));
    let leaves = || {
        written.wrong(
            file,
            format!("\"{shown}\" lies outside the slide's folder"),
            "copy the photograph into the slide's folder",
        )
    };
    if !plain || shown.is_empty() || file.get_ref().contains(['\0', '\\']) {
        return Err(leaves());
    }
    let path = dir.join(relative);
    match path.canonicalize() {
        Ok(real) if !real.starts_with(dir) => Err(leaves()),
        Ok(real) if real.is_file() => Ok(real),
        _ => Err(written.wrong(
            file,
            format!("there is no photograph \"{shown}\""),
            "correct the name, or copy it into the slide's folder",
        )),
    }
}

/// The `[[quartz]]` marks, checked against the fields.
pub(crate) fn quartz(written: &Written, fields: &[FieldPlan]) -> Result<Vec<QuartzMark>> {
    let mut marks = Vec::new();
    for table in &written.manifest.quartz {
        let wanted = table.field.get_ref();
        let Some(field) = fields.iter().find(|f| f.name.eq_ignore_ascii_case(wanted)) else {
            let names: Vec<&str> = fields.iter().map(|f| f.name.as_str()).collect();
            return Err(written.wrong(
                &table.field,
                format!("there is no field \"{}\"", clean_text(wanted)),
                format!("use one of {}", names.join(", ")),
            ));
        };
        let box_px = match (&table.x_px, &table.y_px, &table.box_px) {
            (Some(x), Some(y), None) => {
                let x = written.number("x_px", x, 0.0..=1e6)?;
                let y = written.number("y_px", y, 0.0..=1e6)?;
                [x, y, x + 1.0, y + 1.0]
            }
            (None, None, Some(corners)) => {
                let within = |v: &f64| (0.0..=1e6).contains(v);
                match corners.get_ref()[..] {
                    [x0, y0, x1, y1] if corners.get_ref().iter().all(within) && x1 > x0 && y1 > y0 => [x0, y0, x1, y1],
                    _ => {
                        return Err(written.wrong(
                            corners,
                            "box_px is no box",
                            "give [x0, y0, x1, y1] with x1 > x0 and y1 > y0",
                        ));
                    }
                }
            }
            _ => {
                return Err(written.wrong(
                    &table.field,
                    "a [[quartz]] mark is neither a point nor a box",
                    "give x_px and y_px, or box_px",
                ));
            }
        };
        marks.push(QuartzMark { field: field.name.clone(), box_px });
    }
    Ok(marks)
}
