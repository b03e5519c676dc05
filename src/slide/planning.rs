//! From a folder's listing to the plan of its fields.

use std::collections::{BTreeMap, HashMap};
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::slide::decode::MAX_PIXELS;
use crate::slide::encoding::clean_text;
use crate::slide::exif::{FileResolution, file_facts};
use crate::slide::folder::{FieldPlan, InWindows, Slide};
use crate::slide::manifest::{Archive, Manifest, Written};
use crate::slide::names::{NamedPhotograph, is_ignored, is_photograph, read_name};
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
        fields_by_name(&dir, &mut record.assumed, &mut warnings)?
    } else {
        // What the tables leave out may be told by names; what names cannot tell is no matter then.
        let named = fields_by_name(&dir, &mut Vec::new(), &mut Vec::new()).unwrap_or_default();
        resolve::fields(&written, &dir, &mut record, &named)?
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
    for file in photographs_in(dir, warnings)? {
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
fn photographs_in(dir: &Path, warnings: &mut Vec<String>) -> Result<Vec<String>> {
    let unreadable =
        |e: std::io::Error| Error::new(dir, "cannot be listed", "check that the folder may be read").caused_by(e);
    let mut files = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let file = match entry.file_name().into_string() {
            Ok(file) if is_photograph(&file) && !is_ignored(&file) => file,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::decode::testing::{jpeg, jpeg_of, picture};

    struct Folder(tempfile::TempDir);

    impl Folder {
        fn with(files: &[&str]) -> Self {
            let dir = tempfile::Builder::new().prefix("LM").tempdir().unwrap();
            for (i, file) in files.iter().enumerate() {
                std::fs::write(dir.path().join(file), jpeg(24 + i as u32 / 100, 16)).unwrap();
            }
            Self(dir)
        }

        fn toml(self, text: &str) -> Self {
            std::fs::write(self.0.path().join("slide.toml"), text).unwrap();
            self
        }

        fn read(&self) -> Result<Slide> {
            Slide::read(self.0.path())
        }

        fn error(&self) -> String {
            self.read().expect_err("this folder is wrong").to_string()
        }
    }

    fn file(path: &Path) -> String {
        path.file_name().unwrap().to_string_lossy().into_owned()
    }

    #[test]
    fn fields_are_told_by_names_without_slide_toml() {
        let folder = Folder::with(&[
            "A_ppl.jpg",
            "A_xpl_022.5.jpg",
            "A_xpl_000.0.jpg",
            "B_plane.jpg",
            "B_crossed_45.jpg",
            "blank.jpg",
            "IMG_1.jpg",
            "C_xpl_0.jpg",
            "A_ppl_thumb.jpg",
            ".D_ppl.jpg",
        ]);
        let slide = folder.read().unwrap();
        assert_eq!(slide.fields.iter().map(|f| f.name.as_str()).collect::<Vec<_>>(), ["A", "B"]);
        let a = &slide.fields[0];
        assert_eq!(
            a.crossed.iter().map(|(p, d)| (file(p), d.deg())).collect::<Vec<_>>(),
            [("A_xpl_000.0.jpg".to_owned(), 0.0), ("A_xpl_022.5.jpg".to_owned(), 22.5)]
        );
        assert_eq!(file(a.blank.as_ref().unwrap()), "blank.jpg");
        assert_eq!(slide.warnings.len(), 2, "{:?}", slide.warnings);
        assert!(slide.warnings.iter().any(|w| w.contains("IMG_1.jpg")));
        assert!(slide.record.assumed.contains(&"target_um = 30".to_owned()));
        assert_eq!(slide.scale, None);
        let pair = Folder::with(&["ppl.jpg", "xpl.jpg"]).read().unwrap();
        assert_eq!(pair.fields[0].name, "A");
        assert!(pair.record.assumed.iter().any(|a| a.starts_with("angle_deg")));
    }

    #[test]
    fn folders_that_cannot_be_are_refused_in_one_sentence() {
        let table: [(&[&str], &str, &str); 16] = [
            (&[], "", "holds no photographs"),
            (&["A_ppl.jpg"], "", "no plane-light photograph with a crossed-polar one"),
            (&["A_ppl.jpg", "A_xpl.jpg", "A_xn.jpg"], "", "has no angle"),
            (&["A_ppl.jpg", "A_xpl_45.jpg", "A_xpl_45.0.jpg"], "", "45 degrees, and so is"),
            (&["A_ppl.jpg", "A_plane.jpg", "A_xpl.jpg"], "", "more than one plane-light"),
            (
                &["p.jpg", "x.jpg"],
                "[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"../x.jpg\" }]",
                "outside the slide's folder",
            ),
            (&["p.jpg", "x.jpg"], "[[field]]\nplane = \"/etc/p.jpg\"", "outside the slide's folder"),
            (&["p.jpg", "x.jpg"], "[[field]]\nplane = \"q.jpg\"", "line 2, column 9: there is no photograph \"q.jpg\""),
            (&["p.jpg", "x.jpg"], "[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"p.jpg\" }]", "given twice"),
            (
                &["p.jpg", "x.jpg", "y.jpg"],
                "[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"x.jpg\", angle_deg = 5 }, { file = \"y.jpg\", angle_deg = 5.0 }]",
                "at 5 degrees, and so is x.jpg",
            ),
            (&["p.jpg", "x.jpg"], "[slide]\nwidth_mm = nan", "width_mm = NaN cannot be"),
            (&["p.jpg", "x.jpg"], "[slide]\nwidth_mm = -4", "width_mm = -4 cannot be"),
            (&["p.jpg", "x.jpg"], "[scale]\num_per_px = inf", "um_per_px = inf cannot be"),
            (&["p.jpg", "x.jpg"], "[slide]\nid = \"../up\"", "cannot name a folder"),
            (&["A_ppl.jpg", "A_xpl.jpg"], "[[field]]\nname = \"A\"\n[[field]]\nname = \"a\"", "is there twice"),
            (
                &["A_ppl.jpg", "A_xpl.jpg"],
                "[slide]\nwidth_mm = 20\n[[field]]\nname = \"A\"\ncentre_mm = [30, 1]",
                "lies off the section",
            ),
        ];
        for (files, toml, expected) in table {
            let folder = Folder::with(files);
            let folder = if toml.is_empty() { folder } else { folder.toml(toml) };
            let said = folder.error();
            assert!(said.contains(expected), "{files:?} {toml:?} gives {said:?}");
            assert!(!said.contains('\n'), "{said:?}");
        }
        assert!(Slide::read(Path::new("no/such/folder")).unwrap_err().to_string().contains("is not a folder"));
    }

    #[test]
    fn slide_toml_may_leave_files_to_their_names() {
        let folder = Folder::with(&["A_ppl.jpg", "A_xpl_0.jpg", "B_ppl.jpg", "B_xpl_0.jpg"]).toml(
            "[slide]\nid = \"LM-1\"\n[scale]\num_per_px = 1.6\n[[field]]\nname = \"B\"\ncentre_mm = [3, 4]\n[[quartz]]\nfield = \"B\"\nx_px = 3\ny_px = 4",
        );
        let slide = folder.read().unwrap();
        assert_eq!((slide.record.id.as_str(), slide.fields.len()), ("LM-1", 1));
        assert_eq!(file(&slide.fields[0].plane), "B_ppl.jpg");
        assert_eq!(slide.fields[0].centre_mm, Some([3.0, 4.0]));
        assert_eq!(slide.quartz[0].box_px, [3.0, 4.0, 4.0, 5.0]);
        assert_eq!(slide.record.scale_source.as_deref(), Some("slide.toml"));
        assert!(!slide.record.assumed.iter().any(|a| a.starts_with("id")));
    }

    #[cfg(unix)]
    #[test]
    fn links_out_of_the_folder_are_not_followed() {
        let other = Folder::with(&["x.jpg"]);
        let folder = Folder::with(&["p.jpg", "A_ppl.jpg", "A_xpl.jpg"]);
        std::os::unix::fs::symlink(other.0.path().join("x.jpg"), folder.0.path().join("B_xpl.jpg")).unwrap();
        let slide = folder.read().unwrap();
        assert!(slide.warnings.iter().any(|w| w.contains("B_xpl.jpg left out: it is a link")));
        let folder = folder.toml("[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"B_xpl.jpg\" }]");
        assert!(folder.error().contains("outside the slide's folder"));
    }

    #[test]
    fn photographs_of_a_field_are_of_one_size_and_different() {
        let folder = Folder::with(&["A_ppl.jpg", "A_xpl.jpg"]);
        let slide = folder.read().unwrap();
        let error = slide.load(&slide.fields[0]).unwrap_err().to_string();
        assert!(error.contains("is the same photograph as A_ppl.jpg"), "{error}");
        std::fs::write(folder.0.path().join("A_xpl.jpg"), jpeg(25, 16)).unwrap();
        let error = slide.load(&slide.fields[0]).unwrap_err().to_string();
        assert!(error.contains("25 x 16 pixels, but A_ppl.jpg has 24 x 16"), "{error}");
        let mut other = picture(24, 16);
        other.put_pixel(0, 0, image::Rgb([255, 255, 255]));
        std::fs::write(folder.0.path().join("A_xpl.jpg"), jpeg_of(&other, &[])).unwrap();
        let loaded = slide.load(&slide.fields[0]).unwrap();
        assert_eq!(loaded.crossed[0].record.file, "A_xpl.jpg");
        assert_eq!(loaded.plane.record.field, "A");
    }

    #[test]
    fn a_scale_in_the_files_is_used_and_named() {
        let folder = Folder::with(&["A_ppl.jpg", "A_xpl.jpg"]);
        let field = |tag, value| exif::Field { tag, ifd_num: exif::In::PRIMARY, value };
        let per_cm = |n| exif::Value::Rational(vec![exif::Rational { num: n, denom: 1 }]);
        let fields = [
            field(exif::Tag::XResolution, per_cm(6250)),
            field(exif::Tag::YResolution, per_cm(6250)),
            field(exif::Tag::ResolutionUnit, exif::Value::Short(vec![3])),
        ];
        std::fs::write(folder.0.path().join("A_ppl.jpg"), jpeg_of(&picture(24, 16), &fields)).unwrap();
        let slide = folder.read().unwrap();
        assert!((slide.scale.unwrap().um_per_px() - 1.6).abs() < 1e-9);
        assert_eq!(slide.record.scale_source.as_deref(), Some("the file's XResolution"));
        // What is written goes before it, and is contradicted aloud when it is another scale.
        let folder = folder.toml("[scale]\num_per_px = 3.2");
        let slide = folder.read().unwrap();
        assert!((slide.scale.unwrap().um_per_px() - 3.2).abs() < 1e-9);
        let said = "slide.toml says 3.2 um per pixel and the file's XResolution 1.6000";
        assert!(slide.warnings.iter().any(|w| w.starts_with(said)), "{:?}", slide.warnings);
        let slide = folder.toml("[scale]\num_per_px = 1.65").read().unwrap();
        assert_eq!(slide.warnings, Vec::<String>::new());
    }
}
