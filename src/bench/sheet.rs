//! `slide.toml` as it is written for a slide at the bench: what is known as keys, what is not as comments that say how.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use toml::{Table, Value};

use crate::error::{Error, Result};
use crate::report::write::folder_name;
use crate::slide::encoding::clean_text;

use super::visit::{Angle, Field, Pass, Shot};

/// Keys of `[slide]`, an example of each, and what it is for.
const SLIDE_KEYS: [(&str, &str, &str); 14] = [
    ("id", "\"LM-0142\"", "the slide's number"),
    ("width_mm", "40.0", "the rock section on the glass, not the glass"),
    ("height_mm", "24.0", ""),
    ("mark_corner", "\"top-left\"", "the bevelled corner, section side up: then the high corner is named from it"),
    ("impregnation", "\"none\"", "none, clear, or blue (dyed resin in the rock's own pores)"),
    ("turned", "\"polars\"", "what was turned between the crossed photographs: polars, or stage"),
    ("finish", "\"uncovered\"", "uncovered, covered, polished"),
    ("polish_to_come", "false", "it will still be polished, which takes 3 to 5 µm"),
    ("target_um", "30.0", "rock 30, soil 20 to 30, concrete 20"),
    ("untouchable", "false", "true for type, historic and lunar sections"),
    ("offcut_left", "true", "whether it can be made again"),
    ("reference_mineral", "\"quartz\"", "or a feldspar, in a rock without quartz"),
    ("micrometer_um", "42.0", "the grinding micrometer at the last pass, zeroed on the frosted slide"),
    ("sequence", "17", "the 17th section made since that zero"),
];

/// A field as it is written.
#[derive(Clone, Debug, Default)]
pub struct SheetField {
    /// Name.
    pub name: String,
    /// Plane photograph, relative to the slide's folder.
    pub plane: Option<String>,
    /// Crossed photographs with their angles.
    pub crossed: Vec<(String, Angle)>,
    /// Bare glass.
    pub blank: Option<String>,
}

/// Everything that is written into one `slide.toml`.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Slide id.
    pub id: String,
    /// What a person wrote: `[slide]`, `[scale]`, `[camera]`, `[archive]`, and `[[field]]` for the places of fields.
    pub said: Table,
    /// Scale that all the files state, µm per pixel.
    pub um_per_px: Option<f64>,
    /// Fields.
    pub fields: Vec<SheetField>,
}

impl SheetField {
    /// The fields of a pass; `file` names a photograph as it lies in the slide's folder.
    pub fn of_pass(pass: &Pass, file: impl Fn(&Shot) -> String) -> Vec<Self> {
        pass.fields
            .iter()
            .map(|f| {
                let mut crossed: Vec<(String, Angle)> = f.crossed.iter().map(|c| (file(&c.shot), c.angle)).collect();
                stage_zero(&mut crossed);
                Self {
                    name: f.name.clone(),
                    plane: f.plane.as_ref().map(&file),
                    crossed,
                    blank: f.blank.as_ref().map(&file),
                }
            })
            .collect()
    }

    /// Leaves those crossed photographs that can be compared: all when every angle is known or there is one alone, else
    /// those whose angle is known, else the newest alone.
    #[must_use]
    pub fn comparable(mut self) -> Self {
        let unknown = self.crossed.iter().filter(|(_, a)| *a == Angle::Unknown).count();
        if unknown > 0 && self.crossed.len() > 1 {
            if unknown < self.crossed.len() {
                self.crossed.retain(|(_, a)| *a != Angle::Unknown);
            } else {
                self.crossed.drain(..unknown - 1);
            }
        }
        self
    }
}

/// Where the picture turned with other photographs of a field, the one in which it stood still is that of the stage's zero.
fn stage_zero(crossed: &mut [(String, Angle)]) {
    if crossed.iter().any(|(_, a)| matches!(a, Angle::Turned(_))) {
        for (_, angle) in crossed.iter_mut().filter(|(_, a)| *a == Angle::Unknown) {
            *angle = Angle::Turned(0.0);
        }
    }
}

impl Sheet {
    /// The text of `slide.toml`.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::from(
            "# What the photographs do not show. Every key may be left out; the report names what was assumed instead.\n\n",
        );
        let turned = self.fields.iter().flat_map(|f| &f.crossed).any(|(_, a)| matches!(a, Angle::Turned(_)));
        let slide = table(&self.said, "slide");
        // Writing into a String cannot fail.
        let _ = writeln!(out, "[slide]");
        for (key, example, what) in SLIDE_KEYS {
            let what = if what.is_empty() { String::new() } else { format!("   # {what}") };
            let known = match key {
                "id" => Some(Value::String(self.id.clone())),
                "turned" if turned => Some(Value::String("stage".into())),
                _ => slide.get(key).cloned(),
            };
            let _ = match known {
                Some(value) => writeln!(out, "{key} = {}", shown(&value)),
                None => writeln!(out, "# {key} = {example}{what}"),
            };
        }
        others(&mut out, &slide, |key| SLIDE_KEYS.iter().any(|k| k.0 == key));
        let _ = writeln!(out, "\n[scale]");
        let scale = table(&self.said, "scale");
        if scale.contains_key("um_per_px") {
            others(&mut out, &scale, |_| false);
        } else {
            let _ = match self.um_per_px {
                Some(um) => writeln!(out, "um_per_px = {um}   # from the photographs' own files"),
                None => writeln!(
                    out,
                    "# um_per_px = 1.6   # from a stage micrometer; without it nothing is told in µm but the thickness"
                ),
            };
            others(&mut out, &scale, |_| false);
        }
        for name in ["camera", "archive"] {
            let more = table(&self.said, name);
            if !more.is_empty() {
                let _ = writeln!(out, "\n[{name}]");
                others(&mut out, &more, |_| false);
            }
        }
        for field in &self.fields {
            self.field(&mut out, field);
        }
        for mark in self.said.get("quartz").and_then(Value::as_array).into_iter().flatten() {
            if let Some(mark) = mark.as_table().filter(|m| self.has_field(m)) {
                let _ = writeln!(out, "\n[[quartz]]");
                others(&mut out, mark, |_| false);
            }
        }
        out
    }

    fn has_field(&self, mark: &Table) -> bool {
        mark.get("field").and_then(Value::as_str).is_some_and(|name| self.fields.iter().any(|f| f.name == name))
    }

    fn field(&self, out: &mut String, field: &SheetField) {
        let _ = writeln!(out, "\n[[field]]\nname = {}", quoted(&field.name));
        let _ = match self.centre(&field.name) {
            Some(centre) => writeln!(out, "centre_mm = {}", shown(&centre)),
            None => {
                writeln!(out, "# centre_mm = [8.0, 12.0]   # from the section's lower-left corner, section side up")
            }
        };
        let _ = match &field.plane {
            Some(plane) => writeln!(out, "plane = {}", quoted(plane)),
            None => writeln!(out, "# plane = \"{}_ppl.jpg\"   # not photographed yet", field.name.escape_default()),
        };
        let _ = writeln!(out, "crossed = [");
        for (file, angle) in &field.crossed {
            let (deg, how) = match angle {
                Angle::Named(deg) => (Some(*deg), String::new()),
                Angle::Turned(deg) => (Some(*deg), "   # from the turn of the picture".into()),
                Angle::Estimated(deg, 0.0) => (Some(*deg), "   # the others are counted from it".into()),
                Angle::Estimated(deg, u) => {
                    (Some(*deg), format!("   # from the light of the grains, give or take {:.1}", 2.0 * u))
                }
                Angle::Unknown => (None, "   # write angle_deg: nothing tells it".into()),
            };
            let angle = deg.map_or_else(String::new, |d| format!(", angle_deg = {d:.1}"));
            let _ = writeln!(out, "  {{ file = {}{angle} }},{how}", quoted(file));
        }
        let _ = writeln!(out, "]");
        if let Some(blank) = &field.blank {
            let _ = writeln!(out, "blank = {}", quoted(blank));
        }
    }

    /// Where a person said that a field lies.
    fn centre(&self, name: &str) -> Option<Value> {
        let fields = self.said.get("field")?.as_array()?;
        let of_name = |f: &&Value| f.get("name").and_then(Value::as_str) == Some(name);
        fields.iter().find(of_name)?.get("centre_mm").cloned()
    }
}

fn table(of: &Table, name: &str) -> Table {
    of.get(name).and_then(Value::as_table).cloned().unwrap_or_default()
}

fn others(out: &mut String, table: &Table, told: impl Fn(&str) -> bool) {
    for (key, value) in table.iter().filter(|(key, _)| !told(key)) {
        let _ = writeln!(out, "{key} = {}", shown(value));
    }
}

fn shown(value: &Value) -> String {
    value.to_string()
}

fn quoted(text: &str) -> String {
    Value::String(text.to_owned()).to_string()
}

/// Longest `slide.toml` that is read, bytes.
const MAX_BYTES: u64 = 1 << 20;

/// What a person wrote into `slide.toml` of the watched folder, with that of the slide's own folder over it.
///
/// # Errors
/// When one of them is no TOML.
pub fn said_in(folders: &[&Path]) -> Result<Table> {
    let mut all = Table::new();
    for path in folders.iter().map(|f| f.join("slide.toml")) {
        let small = fs::metadata(&path).is_ok_and(|m| m.is_file() && m.len() <= MAX_BYTES);
        let Some(text) = small.then(|| fs::read_to_string(&path).ok()).flatten() else { continue };
        let read: Table = toml::from_str(text.trim_start_matches('\u{feff}')).map_err(|e: toml::de::Error| {
            Error::new(
                &path,
                format!("cannot be understood ({})", e.message()),
                "put it right: it counts from the next photograph on",
            )
        })?;
        for (key, value) in read {
            match (all.get_mut(&key), value) {
                (Some(Value::Table(old)), Value::Table(new)) => old.extend(new),
                (_, value) => {
                    all.insert(key, value);
                }
            }
        }
    }
    Ok(all)
}

/// The sheet of a pass, and each photograph's name in the slide's folder by its copy. `comparable`: only what can be checked.
pub(super) fn sheet_of(pass: &Pass, id: &str, said: Table, comparable: bool) -> (Sheet, HashMap<PathBuf, String>) {
    let mut names: HashMap<PathBuf, String> = HashMap::new();
    for shot in pass.fields.iter().flat_map(Field::shots) {
        let file = shot.relative.file_name().map_or_else(String::new, |n| file_name(&n.to_string_lossy()));
        let taken = |name: &String| names.values().any(|n| n.eq_ignore_ascii_case(name));
        let free = std::iter::once(file.clone()).chain((2..).map(|n| format!("{n}_{file}"))).find(|n| !taken(n));
        names.insert(shot.copy.clone(), free.unwrap_or(file));
    }
    let file = |shot: &Shot| names.get(&shot.copy).cloned().unwrap_or_default();
    let mut fields = SheetField::of_pass(pass, file);
    if comparable {
        fields = fields
            .into_iter()
            .filter(|f| f.plane.is_some() && !f.crossed.is_empty())
            .map(SheetField::comparable)
            .collect();
    }
    let scales: Vec<f64> = pass.fields.iter().filter_map(|f| f.plane.as_ref()?.um_per_px).collect();
    let one = scales.first().copied().filter(|first| scales.iter().all(|s| (s / first - 1.0).abs() < 0.01));
    (Sheet { id: id.to_owned(), said, um_per_px: one, fields }, names)
}

/// Writes a slide folder with the photographs that a sheet names.
pub(super) fn lay_out(dir: &Path, sheet: &Sheet, names: &HashMap<PathBuf, String>, pass: &Pass) -> Result<()> {
    let shots = pass.fields.iter().flat_map(Field::shots);
    write_folder(dir, sheet, shots.map(|shot| (shot.copy.as_path(), names[&shot.copy].as_str())))
}

/// Writes a slide folder with the plane photograph of a field alone. It stands in for the crossed one to come as well, since
/// a field has both.
pub(super) fn lay_out_plane(dir: &Path, id: &str, said: Table, field: &Field) -> Result<()> {
    let Some(shot) = &field.plane else { return Ok(()) };
    let extension = shot.copy.extension().unwrap_or_default().to_string_lossy();
    let [plane, crossed] = ["plane", "to-come"].map(|name| format!("{name}.{extension}"));
    let fields = vec![SheetField {
        name: field.name.clone(),
        plane: Some(plane.clone()),
        crossed: vec![(crossed.clone(), Angle::Unknown)],
        blank: None,
    }];
    let sheet = Sheet { id: id.to_owned(), said, um_per_px: shot.um_per_px, fields };
    write_folder(dir, &sheet, [&plane, &crossed].map(|name| (shot.copy.as_path(), name.as_str())).into_iter())
}

/// Writes a slide folder: each file under its name there, and the sheet.
fn write_folder<'a>(dir: &Path, sheet: &Sheet, files: impl Iterator<Item = (&'a Path, &'a str)>) -> Result<()> {
    let unwritable =
        |e: std::io::Error| Error::new(dir, "cannot be written", "make room there, or set TMPDIR").caused_by(e);
    fs::create_dir_all(dir).map_err(unwritable)?;
    for (from, name) in files {
        let to = dir.join(name);
        if fs::hard_link(from, &to).is_err() {
            fs::copy(from, &to).map_err(unwritable)?;
        }
    }
    fs::write(dir.join("slide.toml"), sheet.text()).map_err(unwritable)
}

/// A file's name as it can stand in `slide.toml` and on every file system; ordinary names stay as they are.
fn file_name(name: &str) -> String {
    if clean_text(name) == name && !name.contains(['/', '\\', ':', '*', '?', '"', '<', '>', '|']) {
        return name.to_owned();
    }
    let (stem, extension) = name.rsplit_once('.').unwrap_or((name, "jpg"));
    format!("{}.{extension}", folder_name(stem))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(said: &str) -> Sheet {
        let crossed = vec![("A_xpl_0.jpg".into(), Angle::Named(0.0)), ("q\"uote.jpg".into(), Angle::Unknown)];
        let field = SheetField { name: "A".into(), plane: Some("A_ppl.jpg".into()), crossed, blank: None };
        Sheet { id: "LM-0142".into(), said: toml::from_str(said).unwrap(), um_per_px: None, fields: vec![field] }
    }

    #[test]
    fn what_is_known_is_a_key_and_what_is_not_a_comment() {
        let text =
            sheet("[slide]\nwidth_mm = 40.0\ntarget_um = 25.0\n[[field]]\nname = \"A\"\ncentre_mm = [8.0, 12.0]")
                .text();
        let back: Table = toml::from_str(&text).expect("it is read again");
        assert_eq!(back["slide"]["id"].as_str(), Some("LM-0142"));
        assert_eq!(back["slide"]["target_um"].as_float(), Some(25.0));
        assert!(back["slide"].get("height_mm").is_none() && text.contains("# height_mm = "), "{text}");
        assert!(back["scale"].as_table().unwrap().is_empty() && text.contains("# um_per_px"), "{text}");
        let field = &back["field"][0];
        assert_eq!(field["centre_mm"][1].as_float(), Some(12.0));
        assert_eq!(field["crossed"][0]["angle_deg"].as_float(), Some(0.0));
        assert_eq!(field["crossed"][1]["file"].as_str(), Some("q\"uote.jpg"));
        assert!(field["crossed"][1].get("angle_deg").is_none());
    }

    /// What is looked over before its crossed photograph comes has the scale and the encoding that the check will find.
    #[test]
    fn a_plane_photograph_alone_is_laid_out_as_it_will_be_checked() {
        let dir = tempfile::tempdir().unwrap();
        let scene = crate::demo::Scene {
            size_px: [320, 240],
            ..crate::demo::Scene::new("LM-0304", 4, crate::demo::Rock::Quartzite)
        };
        let (folder, _) = scene.render_to(dir.path()).unwrap();
        let path = fs::canonicalize(&folder).unwrap().join("A_ppl.jpg");
        let arrived = super::super::arrivals::taken_whole(&path, Path::new("A_ppl.jpg")).unwrap();
        let shot = Shot {
            relative: "A_ppl.jpg".into(),
            copy: path,
            sha256: arrived.sha256,
            taken_s: None,
            saved: arrived.saved,
            exposure: None,
            um_per_px: None,
            sketch: arrived.sketch,
        };
        let field = Field { name: "A".into(), plane: Some(shot), ..Field::default() };
        let said: Table = toml::from_str("[scale]\num_per_px = 1.3\n[camera]\nencoding = \"linear\"").unwrap();
        let alone = dir.path().join("alone").join("LM-0304");
        lay_out_plane(&alone, "LM-0304", said, &field).unwrap();
        let slide = crate::slide::Slide::read(&alone).expect("it can be read as a slide folder");
        assert_eq!(slide.scale.map(crate::units::MicrometresPerPixel::um_per_px), Some(1.3));
        assert_eq!(slide.encoding, Some(crate::slide::encoding::Encoding::Linear));
        let plane = slide.load_plane(&slide.fields[0]).expect("the plane photograph is there");
        assert_eq!(Some(plane.record.sha256), field.plane.map(|p| p.sha256));
    }

    #[test]
    fn what_cannot_be_compared_is_left_out() {
        let of = |angles: &[Angle]| {
            let crossed = angles.iter().enumerate().map(|(i, a)| (i.to_string(), *a)).collect();
            let left = SheetField { crossed, ..SheetField::default() }.comparable();
            left.crossed.iter().map(|(f, _)| f.clone()).collect::<Vec<_>>().join("")
        };
        let (n, u) = (Angle::Named(45.0), Angle::Unknown);
        assert_eq!(of(&[u]), "0");
        assert_eq!(of(&[u, n]), "1");
        assert_eq!(of(&[u, u, u]), "2", "the newest");
        assert_eq!(of(&[n, u, Angle::Turned(1.0)]), "02");
        assert_eq!(of(&[n, n]), "01");
    }
}
