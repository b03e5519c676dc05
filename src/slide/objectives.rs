//! The objectives file: what a pixel is under each objective, as measured from a stage micrometer.
//!
//! A small TOML file that people may read and edit, one table an objective. It is kept whole: written beside its place and moved
//! there. What stands in it is checked as strictly as what comes from outside.

use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use crate::error::{Error, Result, shown};
use crate::slide::encoding::clean_line;
use crate::slide::exif::BELIEVABLE_UM_PER_PX;
use crate::slide::photograph::PhotographRecord;
use crate::units::MicrometresPerPixel;
use serde::{Deserialize, Serialize};

/// Environment variable that says where the file is.
pub const VARIABLE: &str = "THINPROOF_OBJECTIVES";
/// Longest file that is read, bytes.
const LONGEST: u64 = 1 << 20;
/// Longest name of an objective, characters.
const LONGEST_NAME: usize = 40;

/// One objective with one camera.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Objective {
    /// Micrometres on the glass per pixel.
    pub um_per_px: f64,
    /// Interval that holds it with a probability of 0.95.
    pub ci95: [f64; 2],
    /// Make and model of the camera as EXIF states them; None when the photograph did not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera: Option<String>,
    /// Width of the photograph, pixels.
    pub width_px: u32,
    /// Height, pixels.
    pub height_px: u32,
    /// Distance of the ruled lines, µm.
    pub division_um: f64,
    /// File name of the photograph.
    pub photograph: String,
    /// SHA-256 of its bytes, lower-case hexadecimal.
    pub sha256: String,
    /// When it was measured, RFC 3339.
    pub measured_at: String,
}

/// How well an objective's scale fits a photograph that is to be measured by it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fit {
    /// Same camera, same size.
    Same,
    /// Same size, and not both say their camera: the sentence is a warning.
    CameraUnknown(String),
}

/// The file as read.
#[derive(Clone, Debug, PartialEq)]
pub struct Objectives {
    path: PathBuf,
    known: BTreeMap<String, Objective>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    objective: BTreeMap<String, Objective>,
}

const HEAD: &str = "# Scales of objectives, measured by `thinproof scale` from photographs of a stage micrometer.\n\
                    # A slide names one of them as objective = \"...\" under [scale] in its slide.toml.\n\n";

/// Where the file is: as given, else as [`VARIABLE`] says, else in the user's folder for settings.
///
/// # Errors
/// When none of them is known.
pub fn place(given: Option<&Path>) -> Result<PathBuf> {
    place_of(given, |name| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from), cfg!(windows))
}

fn place_of(given: Option<&Path>, variable: impl Fn(&str) -> Option<PathBuf>, windows: bool) -> Result<PathBuf> {
    if let Some(path) = given.map(Path::to_path_buf).or_else(|| variable(VARIABLE)) {
        return Ok(path);
    }
    let folder = if windows {
        variable("APPDATA")
    } else {
        // The XDG base directory specification asks that relative paths be ignored.
        variable("XDG_CONFIG_HOME")
            .filter(|p| p.is_absolute())
            .or_else(|| variable("HOME").map(|home| home.join(".config")))
    };
    folder.map(|f| f.join("thinproof").join("objectives.toml")).ok_or_else(|| {
        Error::new(
            "objectives.toml",
            "there is no folder for settings to keep it in",
            format!("name the file with --objectives, or in {VARIABLE}"),
        )
    })
}

/// A name as it is kept: one to forty printable characters.
///
/// # Errors
/// When it is no such name; the sentence says what to do.
pub fn checked_name(name: &str) -> Result<&str, String> {
    let good = !name.is_empty() && name.chars().count() <= LONGEST_NAME && clean_line(name, LONGEST_NAME) == name;
    if good {
        Ok(name)
    } else {
        Err(format!("must be 1 to {LONGEST_NAME} letters, digits and signs, as 10x or 10x/0.25"))
    }
}

impl Objectives {
    /// Reads the file; one that is not there knows no objective.
    ///
    /// # Errors
    /// When it cannot be read, is too long, is no TOML of this form, or holds what cannot be.
    pub fn read(path: &Path) -> Result<Self> {
        let none = || Self { path: path.to_path_buf(), known: BTreeMap::new() };
        let unreadable = |e: std::io::Error| {
            Error::new(path, "cannot be read", "check that it is a file and may be read").caused_by(e)
        };
        let file = match std::fs::File::open(path) {
            Ok(file) => file,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(none()),
            Err(e) => return Err(unreadable(e)),
        };
        let mut bytes = Vec::new();
        file.take(LONGEST + 1).read_to_end(&mut bytes).map_err(unreadable)?;
        if bytes.len() as u64 > LONGEST {
            return Err(Error::new(
                path,
                "is longer than 1 MB, which no objectives file is",
                "check that it is the right file",
            ));
        }
        let remedy = "put it right, or move it away and measure the scales again";
        let text = String::from_utf8(bytes).map_err(|_| Error::new(path, "is not text", remedy))?;
        let file: File = toml::from_str(&text).map_err(|e| {
            let line = e.span().map_or(1, |s| text[..s.start.min(text.len())].matches('\n').count() + 1);
            let message = clean_line(e.message(), 200);
            Error::new(path, format!("is not a list of objectives (line {line}: {message})"), remedy)
        })?;
        for (name, objective) in &file.objective {
            let wrong = checked_name(name).err().map(|e| format!("its name {e}")).or_else(|| objective.wrong());
            if let Some(wrong) = wrong {
                let name = clean_line(name, LONGEST_NAME);
                return Err(Error::new(path, format!("holds an objective \"{name}\" that cannot be: {wrong}"), remedy));
            }
        }
        let mut names: Vec<String> = file.objective.keys().map(|n| n.to_lowercase()).collect();
        names.dedup();
        if names.len() < file.objective.len() {
            return Err(Error::new(
                path,
                "holds two objectives whose names differ in capitals only",
                "rename one of them",
            ));
        }
        Ok(Self { known: file.objective, ..none() })
    }

    /// Names that are known, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.known.keys().map(String::as_str)
    }

    /// The objective of this name; capitals do not matter.
    ///
    /// # Errors
    /// When there is none: the sentence says which there are, and which may have been meant.
    pub fn named(&self, name: &str) -> Result<&Objective> {
        if let Some(key) = self.key(name) {
            return Ok(&self.known[key]);
        }
        let said = clean_line(name, LONGEST_NAME);
        let what = format!("knows no objective \"{said}\"");
        if self.known.is_empty() {
            let remedy =
                format!("photograph a stage micrometer and keep its scale: thinproof scale PHOTOGRAPH --save {said}");
            return Err(Error::new(&self.path, what, remedy));
        }
        let near = self
            .names()
            .map(|n| (strsim::damerau_levenshtein(&n.to_lowercase(), &name.to_lowercase()), n))
            .filter(|(d, n)| *d <= 2 && *d < n.chars().count())
            .min()
            .map_or_else(String::new, |(_, n)| format!("; did you mean \"{n}\"?"));
        let list = self.names().take(20).map(|n| format!("\"{n}\"")).collect::<Vec<_>>().join(", ");
        let more = if self.known.len() > 20 { " and others" } else { "" };
        Err(Error::new(&self.path, what, format!("name one that it knows: {list}{more}{near}")))
    }

    fn key(&self, name: &str) -> Option<&String> {
        self.known.keys().find(|k| k.to_lowercase() == name.to_lowercase())
    }

    /// Adds an objective, or puts it in the place of the one of that name, which is given back.
    ///
    /// # Errors
    /// When the name or a value is none that could be read back.
    pub fn keep(&mut self, name: &str, objective: Objective) -> Result<Option<Objective>> {
        let refused =
            |why: String| Error::new(&self.path, format!("cannot keep \"{}\": {why}", shown(name)), "choose another");
        checked_name(name).map_err(|e| refused(format!("a name {e}")))?;
        if let Some(why) = objective.wrong() {
            return Err(refused(why));
        }
        let older = self.key(name).cloned().and_then(|key| self.known.remove(&key));
        self.known.insert(name.to_owned(), objective);
        Ok(older)
    }

    /// Writes the file whole: beside its place, and moved there. Its folder is made when it is not there.
    ///
    /// # Errors
    /// When that fails; the older file is as it was then.
    pub fn write(&self) -> Result<()> {
        let failed = |e: std::io::Error| {
            Error::new(&self.path, "cannot be written", "check its folder, or name another file with --objectives")
                .caused_by(e)
        };
        let folder = self.path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(failed)?;
        let file = File { objective: self.known.clone() };
        let body = toml::to_string(&file)
            .map_err(|e| Error::new(&self.path, "cannot be written", "choose another name").caused_by(e))?;
        let draft = folder.join(format!(".objectives-{}.toml", std::process::id()));
        // What a link points to is renewed, not the link.
        let target = std::fs::canonicalize(&self.path).unwrap_or_else(|_| self.path.clone());
        let written = std::fs::File::create(&draft).and_then(|mut f| {
            f.write_all(HEAD.as_bytes())?;
            f.write_all(body.as_bytes())?;
            f.sync_all()
        });
        written.and_then(|()| std::fs::rename(&draft, &target)).map_err(|e| {
            // It may not be there at all.
            let _ = std::fs::remove_file(&draft);
            failed(e)
        })
    }
}

impl Objective {
    /// The scale.
    #[must_use]
    pub fn scale(&self) -> MicrometresPerPixel {
        MicrometresPerPixel::from_um_per_px(self.um_per_px)
    }

    /// What cannot be, if anything.
    fn wrong(&self) -> Option<String> {
        let believed = |v: f64| BELIEVABLE_UM_PER_PX.contains(&v);
        let [lo, hi] = self.ci95;
        let text = |t: &str, longest: usize| clean_line(t, longest) == t;
        if !believed(self.um_per_px) {
            Some(format!(
                "um_per_px = {} is not from {} to {}",
                self.um_per_px,
                BELIEVABLE_UM_PER_PX.start(),
                BELIEVABLE_UM_PER_PX.end()
            ))
        } else if !(lo > 0.0 && lo <= self.um_per_px && self.um_per_px <= hi && hi.is_finite()) {
            Some("ci95 is no interval that holds um_per_px".into())
        } else if !(1..=1_000_000).contains(&self.width_px) || !(1..=1_000_000).contains(&self.height_px) {
            Some("width_px and height_px are no size of a photograph".into())
        } else if !(0.1..=10_000.0).contains(&self.division_um) {
            Some(format!("division_um = {} is not from 0.1 to 10000", self.division_um))
        } else if self.sha256.len() != 64
            || !self.sha256.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
        {
            Some("sha256 is not 64 lower-case hexadecimal digits".into())
        } else if !text(&self.photograph, 255)
            || !self.camera.as_deref().is_none_or(|c| text(c, 200))
            || !text(&self.measured_at, 40)
        {
            Some("a text in it is too long or holds control characters".into())
        } else {
            None
        }
    }

    /// Whether a photograph may be measured by this scale: taken by the same camera at the same size, on either side of its frame.
    ///
    /// # Errors
    /// When the camera or the size is another: the sentence says which, a fragment that follows the photograph's name.
    pub fn fits(&self, photograph: &PhotographRecord) -> Result<Fit, String> {
        let (w, h) = (photograph.width_px, photograph.height_px);
        if let (Some(kept), Some(here)) = (&self.camera, &photograph.camera)
            && !kept.eq_ignore_ascii_case(here)
        {
            return Err(format!("was taken with {here}, but the scale was measured with {kept}"));
        }
        if [w, h] != [self.width_px, self.height_px] && [h, w] != [self.width_px, self.height_px] {
            return Err(format!(
                "has {w} x {h} pixels, but the scale was measured on {} x {}: resized or cropped, it has another scale or none that is known",
                self.width_px, self.height_px
            ));
        }
        match (&self.camera, &photograph.camera) {
            (Some(_), Some(_)) => Ok(Fit::Same),
            (Some(kept), None) => Ok(Fit::CameraUnknown(format!(
                "it does not say its camera: the scale holds if it was taken with {kept}, as the stage micrometer was"
            ))),
            (None, _) => Ok(Fit::CameraUnknown(
                "the photograph of the stage micrometer did not say its camera: the scale holds if both were taken with one".into(),
            )),
        }
    }
}

#[cfg(test)]
mod tests;
