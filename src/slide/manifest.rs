//! `slide.toml` as it is written: every key optional, nothing resolved yet.

use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::error::{Error, Result, utf8};
use crate::slide::decode::sha256;
use crate::slide::encoding::{Encoding, clean_line, clean_text};
use crate::slide::record::{Corner, Finish, Impregnation, Turned};

/// The name of the file.
pub const FILE: &str = "slide.toml";

/// A longer file is none that a person wrote.
const MAX_BYTES: u64 = 1 << 20;

/// The whole file.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Manifest {
    pub(crate) slide: SlideTable,
    pub(crate) scale: ScaleTable,
    pub(crate) camera: CameraTable,
    pub(crate) archive: Option<Archive>,
    pub(crate) field: Vec<FieldTable>,
    pub(crate) quartz: Vec<QuartzTable>,
}

/// `[slide]`.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct SlideTable {
    pub(crate) id: Option<Spanned<String>>,
    pub(crate) width_mm: Option<Spanned<f64>>,
    pub(crate) height_mm: Option<Spanned<f64>>,
    pub(crate) mark_corner: Option<Corner>,
    pub(crate) impregnation: Option<Impregnation>,
    pub(crate) turned: Option<Turned>,
    pub(crate) finish: Option<Finish>,
    pub(crate) polish_to_come: Option<bool>,
    pub(crate) target_um: Option<Spanned<f64>>,
    pub(crate) untouchable: Option<bool>,
    pub(crate) offcut_left: Option<bool>,
    pub(crate) micrometer_um: Option<Spanned<f64>>,
    pub(crate) sequence: Option<Spanned<i64>>,
    pub(crate) reference_mineral: Option<String>,
}

/// `[scale]`.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct ScaleTable {
    pub(crate) um_per_px: Option<Spanned<f64>>,
    pub(crate) objective: Option<String>,
}

/// `[camera]`.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct CameraTable {
    pub(crate) encoding: Option<Encoding>,
}

/// `[[field]]`.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct FieldTable {
    pub(crate) name: Option<Spanned<String>>,
    pub(crate) centre_mm: Option<Spanned<Vec<f64>>>,
    pub(crate) plane: Option<Spanned<String>>,
    pub(crate) crossed: Vec<CrossedTable>,
    pub(crate) blank: Option<Spanned<String>>,
}

/// One of `crossed`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CrossedTable {
    pub(crate) file: Spanned<String>,
    pub(crate) angle_deg: Option<Spanned<f64>>,
}

/// `[[quartz]]`: a grain that the preparator knows to be quartz.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct QuartzTable {
    pub(crate) field: Spanned<String>,
    pub(crate) x_px: Option<Spanned<f64>>,
    pub(crate) y_px: Option<Spanned<f64>>,
    pub(crate) box_px: Option<Spanned<Vec<f64>>>,
}

/// `[archive]`: what a collection keeps beside the measurement, as written.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Archive {
    /// The sample that the section was cut from.
    pub sample: Option<String>,
    /// International Generic Sample Number of that sample.
    pub igsn: Option<String>,
    /// Collection that the section belongs to.
    pub collection: Option<String>,
    /// Who made the section.
    pub preparator: Option<String>,
    /// Licence of photographs and report.
    pub licence: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

impl Archive {
    /// In single lines of at most 1000 characters; what is empty then was not said. None when nothing was.
    pub(crate) fn cleaned(self) -> Option<Self> {
        let clean = |text: Option<String>| text.map(|t| clean_line(&t, 1000)).filter(|t| !t.is_empty());
        let cleaned = Self {
            sample: clean(self.sample),
            igsn: clean(self.igsn),
            collection: clean(self.collection),
            preparator: clean(self.preparator),
            licence: clean(self.licence),
            note: clean(self.note),
        };
        (cleaned != Self::default()).then_some(cleaned)
    }
}

/// Keys and the table that each belongs to, to help who put one into the wrong table.
const HOMES: [(&str, &str); 28] = [
    ("id", "[slide]"),
    ("width_mm", "[slide]"),
    ("height_mm", "[slide]"),
    ("mark_corner", "[slide]"),
    ("impregnation", "[slide]"),
    ("turned", "[slide]"),
    ("finish", "[slide]"),
    ("polish_to_come", "[slide]"),
    ("target_um", "[slide]"),
    ("untouchable", "[slide]"),
    ("offcut_left", "[slide]"),
    ("micrometer_um", "[slide]"),
    ("sequence", "[slide]"),
    ("reference_mineral", "[slide]"),
    ("um_per_px", "[scale]"),
    ("objective", "[scale]"),
    ("encoding", "[camera]"),
    ("sample", "[archive]"),
    ("igsn", "[archive]"),
    ("collection", "[archive]"),
    ("preparator", "[archive]"),
    ("licence", "[archive]"),
    ("note", "[archive]"),
    ("centre_mm", "[[field]]"),
    ("plane", "[[field]]"),
    ("crossed", "[[field]]"),
    ("blank", "[[field]]"),
    ("name", "[[field]]"),
];

/// A manifest with its text, so that what is found wrong later still has its line and column.
#[derive(Debug, Default)]
pub(crate) struct Written {
    pub(crate) manifest: Manifest,
    /// SHA-256 of the file, hexadecimal; None when there was none.
    pub(crate) sha256: Option<String>,
    text: String,
    path: std::path::PathBuf,
}

impl Written {
    /// Reads the file; `None` when the folder has none.
    pub(crate) fn read(dir: &Path) -> Result<Option<Self>> {
        let path = dir.join(FILE);
        let failed = |e: std::io::Error| {
            Error::new(&path, "cannot be read", "check that it is a text file that may be read").caused_by(e)
        };
        let length = match std::fs::metadata(&path) {
            Ok(found) if found.is_file() => found.len(),
            Ok(_) => return Err(Error::new(&path, "is not a file", "write it as a text file, or remove it")),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(failed(e)),
        };
        if length > MAX_BYTES {
            return Err(Error::new(&path, "is longer than a megabyte", "write only the slide's own keys into it"));
        }
        let text = utf8(&path, std::fs::read(&path).map_err(failed)?)?;
        let digest = sha256(text.as_bytes());
        Self::parse(&path, text).map(|written| Some(Self { sha256: Some(digest), ..written }))
    }

    /// Parses the text of `path`.
    pub(crate) fn parse(path: &Path, text: String) -> Result<Self> {
        match toml::from_str(text.trim_start_matches('\u{feff}')) {
            Ok(manifest) => {
                let text = text.trim_start_matches('\u{feff}').to_owned();
                Ok(Self { manifest, sha256: None, text, path: path.to_path_buf() })
            }
            Err(e) => {
                let at = e.span().map(|span| place(&text, span.start)).unwrap_or_default();
                let (what, remedy) = plain_words(e.message());
                let remedy = e.span().and_then(|span| decimal_comma(&text, span.start)).unwrap_or(remedy);
                Err(Error::new(path, format!("{at}{what}"), remedy).caused_by(e))
            }
        }
    }

    /// An error about a value of the file.
    pub(crate) fn wrong<T>(&self, value: &Spanned<T>, what: impl AsRef<str>, remedy: impl Into<String>) -> Error {
        let at = place(&self.text, value.span().start);
        Error::new(&self.path, format!("{at}{}", what.as_ref()), remedy)
    }

    /// A number within bounds, or an error that names the key.
    pub(crate) fn number(
        &self,
        key: &str,
        value: &Spanned<f64>,
        allowed: std::ops::RangeInclusive<f64>,
    ) -> Result<f64> {
        let number = *value.get_ref();
        if allowed.contains(&number) {
            return Ok(number);
        }
        let (low, high) = (allowed.start(), allowed.end());
        let told = written_number(number);
        Err(self.wrong(value, format!("{key} = {told} cannot be"), format!("give a number from {low} to {high}")))
    }
}

/// A number as it may be told: one of many digits in powers of ten.
fn written_number(number: f64) -> String {
    let short = number == 0.0 || !number.is_finite() || (1e-4..1e9).contains(&number.abs());
    if short { number.to_string() } else { format!("{number:e}") }
}

/// "line 3, column 7: ", counted from 1 and in characters.
pub(crate) fn place(text: &str, offset: usize) -> String {
    let before = text.get(..offset.min(text.len())).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
    format!("line {line}, column {column}: ")
}

/// What to do about a number with a decimal comma on the line of an error.
pub(crate) fn decimal_comma(text: &str, offset: usize) -> Option<String> {
    let line = text.get(..offset)?.matches('\n').count();
    let (_, value) = text.lines().nth(line)?.split_once('=')?;
    let (whole, part) = value.trim().split_once(',')?;
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    (digits(whole) && digits(part)).then(|| format!("write the number with a point: {whole}.{part}"))
}

/// What the parser says in words that help: an unknown key with the nearest right one.
fn plain_words(message: &str) -> (String, String) {
    let message = message.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let (Some(found), true) = (quoted.first(), message.starts_with("unknown ")) else {
        return (clean_line(&of_the_trade(&message), 200), "correct this line".into());
    };
    let known = &quoted[1..];
    let nearest = nearest(found, known);
    let shown = clean_text(found);
    if message.starts_with("unknown variant") {
        let remedy =
            nearest.map_or_else(|| format!("use one of {}", known.join(", ")), |n| format!("did you mean \"{n}\"?"));
        return (format!("\"{shown}\" is not one of the words allowed here"), remedy);
    }
    let what = format!("the key {shown} is not known here");
    if let Some((_, home)) = HOMES.iter().find(|(key, _)| key == found) {
        return (what, format!("it belongs under {home}"));
    }
    let remedy = nearest.map_or_else(
        || if known.is_empty() { "remove it".into() } else { format!("use one of {}", known.join(", ")) },
        |n| format!("did you mean {n}?"),
    );
    (what, remedy)
}

/// What the parser's own words mean to who writes the file.
fn of_the_trade(message: &str) -> String {
    let table = [
        ("expected f64", "expected a number"),
        ("expected i64", "expected a whole number"),
        ("expected a sequence", "expected a list in [ ]"),
        ("wanted string or table", "expected a text in quotes"),
        ("cannot recurse further; max recursion depth met", "it is nested too deeply"),
        ("recursion limit", "it is nested too deeply"),
    ];
    table.iter().fold(message.replace('`', ""), |said, (theirs, ours)| said.replace(theirs, ours))
}

/// The known word nearest to a mistyped one, when it is near at all: a third of its letters may differ.
fn nearest<'a>(found: &str, known: &[&'a str]) -> Option<&'a str> {
    let lower = found.to_lowercase();
    known
        .iter()
        .map(|word| (strsim::damerau_levenshtein(&lower, word), *word))
        .min()
        .filter(|(distance, word)| *distance <= (word.chars().count() / 3).max(1))
        .map(|(_, word)| word)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(text: &str) -> String {
        Written::parse(Path::new("slide.toml"), text.into()).expect_err(text).to_string()
    }

    #[test]
    fn mistakes_are_named_with_line_column_and_the_right_word() {
        let table = [
            (
                "[slide]\nwidht_mm = 4",
                "slide.toml: line 2, column 1: the key widht_mm is not known here; did you mean width_mm?",
            ),
            ("width_mm = 4", "line 1, column 1: the key width_mm is not known here; it belongs under [slide]"),
            (
                "[slide]\nfinish = \"coverd\"",
                "line 2, column 10: \"coverd\" is not one of the words allowed here; did you mean \"covered\"?",
            ),
            ("[slide]\nfinish = \"x\"", "use one of uncovered, covered, polished"),
            ("[slide]\nwidth_mm = \"wide\"", "line 2, column 12: "),
            ("[slide]\nwidth_mm = ", "line 2, column 1"),
            ("[slide]\nid = 1\n[slide]\n", "line 3, column 2"),
            ("[[field]]\ncrossed = [ { fil = \"a\" } ]", "did you mean file?"),
            ("[camera]\nencoding = \"srbg\"", "did you mean \"srgb\"?"),
            ("[archives]\n", "did you mean archive?"),
            (
                "[scale]\num_per_px = 1,61\n",
                "line 2, column 14: unexpected key or value, expected newline, #; write the number with a point: 1.61",
            ),
        ];
        for (text, expected) in table {
            let said = error(text);
            assert!(said.contains(expected), "{text:?} gives {said:?}");
            assert!(!said.contains('\n'), "one sentence: {said:?}");
        }
    }

    #[test]
    fn what_the_archive_is_told_is_plain_text_or_nothing() {
        let archive = |text: &str| {
            Written::parse(Path::new("slide.toml"), text.into()).unwrap().manifest.archive.and_then(Archive::cleaned)
        };
        assert_eq!(archive("[slide]"), None);
        assert_eq!(archive("[archive]\nnote = \"\"\nsample = \" \\n\""), None);
        let found = archive("[archive]\nsample = \"S\\u001b7\\r\\nX: 1\"").unwrap().sample.unwrap();
        assert!(found.starts_with('S') && !found.chars().any(char::is_control), "{found:?}");
    }

    #[test]
    fn the_whole_contract_is_understood() {
        let text = r#"
            [slide]
            id = "LM-0142"
            width_mm = 40
            height_mm = 24.0
            mark_corner = "top-left"
            impregnation = "blue"
            turned = "stage"
            finish = "covered"
            polish_to_come = false
            target_um = 30.0
            untouchable = false
            offcut_left = true
            micrometer_um = 42.0
            sequence = 17
            [scale]
            um_per_px = 1.6
            [archive]
            igsn = "X"
            [[field]]
            name = "A"
            centre_mm = [8.0, 12]
            plane = "A_ppl.jpg"
            crossed = [ { file = "A_xpl_000.0.jpg", angle_deg = 0 }, { file = "A_xpl_022.5.jpg", angle_deg = 22.5 } ]
            blank = "blank.jpg"
            [[quartz]]
            field = "A"
            x_px = 10
            y_px = 20
        "#;
        let written = Written::parse(Path::new("slide.toml"), text.into()).unwrap();
        assert_eq!(written.manifest.field[0].crossed.len(), 2);
        assert_eq!(*written.manifest.slide.width_mm.unwrap().get_ref(), 40.0);
    }
}
