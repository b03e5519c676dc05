//! From a folder's listing to the plan of its fields.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::slide::decode::MAX_PIXELS;
use crate::slide::encoding::clean_text;
use crate::slide::exif::{FileResolution, file_facts};
use crate::slide::folder::{FieldPlan, InWindows, Slide};
use crate::slide::manifest::{Archive, Manifest, Written};
use crate::slide::names::{
    NamedPhotograph, are_counted, counter_in, is_ignored, is_photograph, is_unread_picture, read_name, several_slides,
};
use crate::slide::photograph::Role;
use crate::slide::record::SlideRecord;
use crate::slide::resolve;
use crate::slide::tiff_head::{self, is_tiff};
use crate::units::{Degrees, MicrometresPerPixel};

/// Reads a slide folder; see [`Slide::read`].
pub(crate) fn plan(dir: &Path) -> Result<Slide> {
    let (dir, written, mut record) = record_in(dir)?;
    let mut warnings = Vec::new();
    let fields = if written.manifest.field.is_empty() {
        let fields = fields_by_name(&dir, &mut record.assumed, &mut warnings)?;
        warnings.extend(several_slides(fields.iter().map(|field| field.name.as_str())));
        fields
    } else {
        // What the tables leave out may be told by names; what names cannot tell is no matter then.
        let named = fields_by_name(&dir, &mut Vec::new(), &mut Vec::new()).unwrap_or_default();
        let fields = resolve::fields(&written, &dir, &mut record, &named)?;
        warnings.extend(not_named(&dir, &fields));
        fields
    };
    each_once(&fields)?;
    let quartz = resolve::quartz(&written, &fields)?;
    match record.um_per_px {
        None => scale_from_files(&fields, &mut record, &mut warnings),
        Some(written) => warnings.extend(another_scale(&fields, written)),
    }
    let Manifest { slide, scale, camera, archive, .. } = written.manifest;
    Ok(Slide {
        scale: record.um_per_px.map(MicrometresPerPixel::from_um_per_px),
        dir,
        record,
        fields,
        encoding: camera.encoding,
        max_pixels: MAX_PIXELS,
        windows: InWindows::default(),
        objective: scale.objective.map(|o| clean_text(&o)),
        scaled_by: None,
        reference_mineral: slide.reference_mineral.map(|m| clean_text(&m)),
        quartz,
        archive: archive.and_then(Archive::cleaned),
        slide_toml_sha256: written.sha256,
        warnings,
    })
}

/// The slide's id as `slide.toml` or the folder's name gives it; see [`Slide::id`].
pub(crate) fn id(dir: &Path) -> Result<String> {
    record_in(dir).map(|(_, _, record)| record.id)
}

/// The folder, its `slide.toml` and what that says of the slide.
fn record_in(dir: &Path) -> Result<(PathBuf, Written, SlideRecord)> {
    if !dir.is_dir() {
        return Err(Error::new(dir, "is not a folder", "give the folder that holds the slide's photographs"));
    }
    let dir = dir
        .canonicalize()
        .map_err(|e| Error::new(dir, "cannot be opened", "check that the folder may be read").caused_by(e))?;
    let folder_name = dir.file_name().map_or_else(String::new, |n| clean_text(&n.to_string_lossy()));
    let folder_name = if folder_name.is_empty() { "slide".to_owned() } else { folder_name };
    let written = Written::read(&dir)?.unwrap_or_default();
    let record = resolve::record(&written, &folder_name)?;
    Ok((dir, written, record))
}

/// What is said of photographs that lie in the folder and that `slide.toml` does not name.
fn not_named(dir: &Path, fields: &[FieldPlan]) -> Option<String> {
    let named: HashSet<&PathBuf> = fields
        .iter()
        .flat_map(|field| {
            std::iter::once(&field.plane).chain(field.crossed.iter().map(|(path, _)| path)).chain(&field.blank)
        })
        .collect();
    // A folder that cannot be listed, or a name that is no text, matters only where names are all there is.
    let files = photographs_in(dir, &mut Vec::new()).unwrap_or_default();
    let others: Vec<String> = files.into_iter().filter(|file| !named.contains(&dir.join(file))).collect();
    match others.len() {
        0 => None,
        1 => {
            Some(format!("{} lies in the folder and is in no [[field]] of slide.toml: it was not looked at", others[0]))
        }
        _ => Some(format!(
            "{} lie in the folder and are in no [[field]] of slide.toml: they were not looked at",
            list(&others)
        )),
    }
}

/// A photograph is of one place: none may stand for two fields.
fn each_once(fields: &[FieldPlan]) -> Result<()> {
    let mut seen: HashMap<&Path, &str> = HashMap::new();
    for field in fields {
        for path in std::iter::once(&field.plane).chain(field.crossed.iter().map(|(path, _)| path)) {
            if let Some(other) = seen.insert(path, &field.name).filter(|other| *other != field.name) {
                return Err(Error::new(
                    path,
                    format!("is given for field {other} and for field {}", field.name),
                    "give every field its own photographs",
                ));
            }
        }
    }
    Ok(())
}

/// Takes the scale from the plane photographs when every one that states a believable scale states the same.
fn scale_from_files(fields: &[FieldPlan], record: &mut SlideRecord, warnings: &mut Vec<String>) {
    let found: Vec<FileResolution> =
        fields.iter().filter_map(|field| file_facts(&head(&field.plane)).resolution).collect();
    match found.first() {
        Some(first) if found.iter().all(|other| (other.um_per_px / first.um_per_px - 1.0).abs() < 0.01) => {
            record.um_per_px = Some(first.um_per_px);
            record.scale_source = Some(first.source.clone());
            record.assumed.push(format!("um_per_px = {:.4}, from {}", first.um_per_px, first.source));
        }
        Some(_) => {
            warnings.push("the photographs state different scales, so none is believed: say [scale] um_per_px".into());
            record.assumed.push("um_per_px = not known".into());
        }
        None => record.assumed.push("um_per_px = not known".into()),
    }
}

/// Scales that differ by less are the same: a stage micrometer and a maker's nominal magnification hardly agree better.
const SAME_SCALE: f64 = 0.1;

/// What is said when a photograph believably states another scale than `slide.toml`, whose word is taken.
fn another_scale(fields: &[FieldPlan], written: f64) -> Option<String> {
    let found = fields.iter().find_map(|field| file_facts(&beginning(&field.plane)).resolution)?;
    let differs = (found.um_per_px / written).ln().abs() > SAME_SCALE.ln_1p();
    differs.then(|| {
        format!(
            "slide.toml says {written} um per pixel and {} {:.4}: the first was taken, and sizes are off by the factor if it is wrong",
            found.source, found.um_per_px
        )
    })
}

/// The first megabyte of a file; nothing when it cannot be read, which is told when the photograph is.
fn beginning(path: &Path) -> Vec<u8> {
    let mut bytes = Vec::new();
    if let Ok(file) = std::fs::File::open(path) {
        let _ = file.take(1 << 20).read_to_end(&mut bytes);
    }
    bytes
}

/// The part of a file that says what it is: the tags of a TIFF, whose directory may lie anywhere, else the first megabyte.
fn head(path: &Path) -> Vec<u8> {
    let mut bytes = Vec::new();
    let Ok(mut file) = std::fs::File::open(path) else { return bytes };
    let _ = file.by_ref().take(1 << 20).read_to_end(&mut bytes);
    if !is_tiff(&bytes) {
        return bytes;
    }
    std::fs::File::open(path).ok().and_then(|file| tiff_head::head(BufReader::new(file))).unwrap_or(bytes)
}

/// Photographs of one field as their names tell.
#[derive(Default)]
struct Gathered {
    name: String,
    plane: Vec<PathBuf>,
    crossed: Vec<Position>,
    blank: Vec<PathBuf>,
}

/// A crossed photograph with what is said of its angle.
pub(crate) struct Position {
    /// The photograph.
    pub(crate) path: PathBuf,
    angle_deg: Option<f64>,
    /// Number at the end of its name that may only count it.
    counter: Option<u32>,
}

impl Position {
    /// At an angle that `slide.toml` states.
    pub(crate) fn stated(path: PathBuf, angle_deg: f64) -> Self {
        Self { path, angle_deg: Some(angle_deg), counter: None }
    }

    /// At the angle that its name says, if any.
    pub(crate) fn named(path: PathBuf) -> Self {
        let file = path.file_name().unwrap_or_default().to_string_lossy();
        let (angle_deg, counter) = (read_name(&file).and_then(|n| n.angle_deg), counter_in(&file));
        Self { path, angle_deg, counter }
    }
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
    for file in photographs_in(dir, warnings)? {
        let path = dir.join(&file);
        match read_name(&file) {
            None => untold.push(file),
            Some(NamedPhotograph { field, role: Role::Blank, .. }) if field.is_empty() => shared_blank.push(path),
            Some(NamedPhotograph { field, role, .. }) => {
                let entry = gathered.entry(field.to_lowercase()).or_default();
                entry.name = field;
                match role {
                    Role::Plane => entry.plane.push(path),
                    Role::Crossed => entry.crossed.push(Position::named(path)),
                    Role::Blank => entry.blank.push(path),
                }
            }
        }
    }
    if gathered.is_empty() && untold.is_empty() && shared_blank.is_empty() {
        let left_out: String = warnings.iter().take(3).map(|w| format!("; {w}")).collect();
        return Err(Error::new(
            dir,
            format!("holds no photographs that can be read{left_out}"),
            "put the slide's JPEG, PNG or TIFF photographs into it",
        ));
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
        let left_out: String = warnings.iter().take(3).map(|w| format!("; {w}")).collect();
        return Err(Error::new(
            dir,
            format!("holds no plane-light photograph with a crossed-polar one beside it{left_out}"),
            "name them like A_ppl.jpg and A_xpl_45.jpg, or list them in slide.toml; thinproof watch tells photographs apart by what they show",
        ));
    }
    Ok(fields)
}

/// Names of the photographs in a folder, sorted.
fn photographs_in(dir: &Path, warnings: &mut Vec<String>) -> Result<Vec<String>> {
    let unreadable =
        |e: std::io::Error| Error::new(dir, "cannot be listed", "check that the folder may be read").caused_by(e);
    let (mut files, mut unread) = (Vec::new(), Vec::new());
    for entry in std::fs::read_dir(dir).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let file = match entry.file_name().into_string() {
            Ok(file) if is_photograph(&file) && !is_ignored(&file) => file,
            Ok(file) if is_unread_picture(&file) && !is_ignored(&file) => {
                unread.push(file);
                continue;
            }
            Err(file) if is_photograph(&file.to_string_lossy()) => {
                return Err(Error::new(
                    entry.path(),
                    "has a name that is no UTF-8 text",
                    "rename it with plain letters and digits",
                ));
            }
            _ => continue,
        };
        let kind = entry.file_type().map_err(unreadable)?;
        if kind.is_file() {
            files.push(file);
        } else if kind.is_symlink() {
            warnings.push(format!("{file} left out: it is a link, and only the folder's own files are read"));
        } else {
            warnings.push(format!("{file} left out: it is named like a photograph and is no file"));
        }
    }
    files.sort();
    // A camera's raw file beside the photograph of the same name is a habit and no news.
    let stem = |file: &str| file.rsplit_once('.').map_or("", |(stem, _)| stem).to_lowercase();
    let read: HashSet<String> = files.iter().map(|f| stem(f)).collect();
    unread.retain(|file| !read.contains(&stem(file)));
    if !unread.is_empty() {
        unread.sort();
        warnings.push(format!("{} left out: only JPEG, PNG and TIFF are read", list(&unread)));
    }
    Ok(files)
}

/// Gives every crossed photograph its angle: one alone may lack it, since nothing is compared then.
pub(crate) fn angles(
    field: &str,
    crossed: Vec<Position>,
    assumed: &mut Vec<String>,
) -> Result<Vec<(PathBuf, Degrees)>> {
    let alone = crossed.len() == 1;
    let counted = are_counted(crossed.iter().map(|p| p.counter));
    if counted && !alone {
        let numbers: Vec<String> = crossed.iter().filter_map(|p| p.counter).map(|n| n.to_string()).collect();
        return Err(Error::new(
            &crossed[0].path,
            format!(
                "ends in a number that counts the crossed photographs of field {field} ({}) and is no angle",
                list(&numbers)
            ),
            "write the angles into the names (A_xpl_22.5.jpg) or into slide.toml, or let thinproof new find them",
        ));
    }
    let mut told = Vec::with_capacity(crossed.len());
    for Position { path, angle_deg, .. } in crossed {
        let angle = match angle_deg.filter(|_| !counted) {
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

#[cfg(test)]
mod tests;
