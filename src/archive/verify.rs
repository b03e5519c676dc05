//! Whether a bag is as it was written: what changed, what is missing, what is new.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use crate::archive::bag::{DECLARATION, MANIFEST, TAG_MANIFEST, decoded};
use crate::archive::digest;
use crate::archive::parcel::inside;
use crate::archive::recorded::Recorded;
use crate::error::{Error, Result};
use crate::report::terminal::plain;

/// A way in which a bag differs from what was written. Paths are those within the bag, as text that is safe to print.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Difference {
    /// A file whose checksum is another.
    Changed(String),
    /// A file that a manifest names and that is not there.
    Missing(String),
    /// A file that is there and that no manifest names.
    New(String),
    /// Anything else, in words.
    Wrong(String),
}

/// The condition of a bag.
#[derive(Clone, Debug)]
pub struct Condition {
    /// The bag.
    pub folder: PathBuf,
    /// How many files its manifests name.
    pub files: usize,
    /// Their length together, bytes, of those that are there.
    pub bytes: u64,
    /// What differs; nothing when it is whole.
    pub differences: Vec<Difference>,
}

impl Condition {
    /// Whether nothing differs.
    #[must_use]
    pub fn whole(&self) -> bool {
        self.differences.is_empty()
    }
}

/// The bags of a folder: the folder itself when it is one, else those in it at any depth, in the order of their paths. A folder in
/// it that holds no bag is given back as one: it may be what is left of it.
///
/// # Errors
/// When it cannot be read or holds no bag at all.
pub fn bags_in(dir: &Path) -> Result<Vec<PathBuf>> {
    if is_bag(dir) {
        return Ok(vec![dir.to_path_buf()]);
    }
    let mut found = Vec::new();
    let holds = bags_below(dir, &mut found)
        .map_err(|e| Error::new(dir, "cannot be read", "give a bag, or the folder that holds the bags").caused_by(e))?;
    if !holds {
        return Err(Error::new(dir, "holds no bag", "give a bag, or the folder that holds the bags"));
    }
    found.sort();
    Ok(found)
}

fn is_bag(dir: &Path) -> bool {
    dir.join("bagit.txt").is_file() || dir.join(MANIFEST).is_file()
}

/// Gathers the bags below a folder, and the folders in it that hold none. Whether there was a bag; links are not followed.
fn bags_below(dir: &Path, found: &mut Vec<PathBuf>) -> std::io::Result<bool> {
    let mut holds = false;
    for entry in fs::read_dir(dir)? {
        let entry = entry?;
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        if hidden || !entry.file_type()?.is_dir() {
            continue;
        }
        let (path, before) = (entry.path(), found.len());
        if is_bag(&path) {
            found.push(path);
        } else if !bags_below(&path, found)? {
            found.truncate(before);
            found.push(path);
            continue;
        }
        holds = true;
    }
    Ok(holds)
}

/// Reads a bag back. Nothing outside it is read, whatever its manifests say; links are not followed.
///
/// # Errors
/// When a file of the bag cannot be read.
pub fn verify(bag: &Path) -> Result<Condition> {
    let unreadable = |path: &Path, e: std::io::Error| {
        Error::new(path, "cannot be read", "check the disk, or take the bag from another copy").caused_by(e)
    };
    let mut differences = BTreeSet::new();
    let mut there = BTreeSet::new();
    walk(bag, "", &mut there, &mut differences).map_err(|e| unreadable(bag, e))?;
    let mut named = BTreeMap::new();
    for manifest in [MANIFEST, TAG_MANIFEST] {
        if !there.contains(manifest) {
            differences.insert(Difference::Missing(manifest.into()));
            continue;
        }
        let path = bag.join(manifest);
        let text = fs::read(&path).map_err(|e| unreadable(&path, e))?;
        read_manifest(&String::from_utf8_lossy(&text), manifest, &mut named, &mut differences);
    }
    match fs::read_to_string(bag.join("bagit.txt")) {
        Ok(text) if text.replace("\r\n", "\n") == DECLARATION => {}
        Ok(_) => drop(differences.insert(Difference::Wrong("bagit.txt does not declare a bag of version 1.0".into()))),
        Err(_) => drop(differences.insert(Difference::Missing("bagit.txt".into()))),
    }
    let mut short = BTreeMap::new();
    let mut bytes = 0;
    for (file, sha512) in &named {
        if !there.contains(file) {
            differences.insert(Difference::Missing(plain(file)));
            continue;
        }
        let path = bag.join(file);
        let found = digest::of_file(&path).map_err(|e| unreadable(&path, e))?;
        bytes += found.bytes;
        if found.sha512 != *sha512 {
            differences.insert(Difference::Changed(plain(file)));
        }
        short.insert(file.as_str(), found.sha256);
    }
    let unnamed = there.iter().filter(|f| !named.contains_key(*f) && *f != TAG_MANIFEST);
    differences.extend(unnamed.map(|f| Difference::New(plain(f))));
    differences.extend(not_what_the_report_read(bag, &short));
    Ok(Condition {
        folder: bag.to_path_buf(),
        files: named.len(),
        bytes,
        differences: differences.into_iter().collect(),
    })
}

/// Where a bag keeps the slide's settings.
const SLIDE_TOML: &str = "data/slide/slide.toml";

/// Manifests can be written anew after a change; the report knows its photographs and settings by checksums of its own.
fn not_what_the_report_read(bag: &Path, sha256: &BTreeMap<&str, String>) -> Vec<Difference> {
    const REPORT: &str = "data/report/report.json";
    if !sha256.contains_key(REPORT) {
        return vec![Difference::Wrong(format!("the bag holds no report: {REPORT} is not among its files"))];
    }
    let Ok((recorded, _)) = Recorded::read(&bag.join(REPORT)) else {
        return vec![Difference::Wrong(format!("{REPORT} is no report of thinproof"))];
    };
    let differs = |photograph: &crate::archive::recorded::Photograph| {
        let file = format!("data/slide/{}", photograph.file);
        let found = sha256.get(file.as_str());
        (found != Some(&photograph.sha256.to_ascii_lowercase()))
            .then(|| Difference::Wrong(format!("{} is not the photograph that the report read", plain(&file))))
    };
    let told = recorded.read_from.and_then(|from| from.slide_toml_sha256);
    let changed = told.is_some_and(|told| sha256.get(SLIDE_TOML) != Some(&told.to_ascii_lowercase()));
    let settings = changed.then(|| Difference::Wrong(format!("{SLIDE_TOML} is not the one that the report read")));
    recorded.photographs.iter().filter_map(differs).chain(settings).collect()
}

/// The files of a folder, as paths from it with `/`; links and whatever is neither file nor folder are named as wrong.
fn walk(
    folder: &Path,
    from: &str,
    there: &mut BTreeSet<String>,
    differences: &mut BTreeSet<Difference>,
) -> std::io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let path = format!("{from}{}", name.to_string_lossy());
        let kind = entry.file_type()?;
        if name.to_str().is_none() {
            differences.insert(Difference::New(plain(&path)));
        } else if kind.is_dir() {
            walk(&entry.path(), &format!("{path}/"), there, differences)?;
        } else if kind.is_file() {
            there.insert(path);
        } else {
            differences.insert(Difference::Wrong(format!("{} is a link, and not a file of the bag", plain(&path))));
        }
    }
    Ok(())
}

/// Reads the lines of a manifest; a line that names a place outside the bag, or none at all, is wrong.
fn read_manifest(
    text: &str,
    manifest: &str,
    named: &mut BTreeMap<String, String>,
    differences: &mut BTreeSet<Difference>,
) {
    for (n, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let mut wrong = |what: &str| {
            differences.insert(Difference::Wrong(format!("{manifest}, line {}: {what}", n + 1)));
        };
        let Some((digest, path)) = line.split_once([' ', '\t']) else {
            wrong("no checksum with a path");
            continue;
        };
        let digest = digest.to_ascii_lowercase();
        let path = decoded(path.trim_start_matches([' ', '\t', '*']));
        if digest.len() != 128 || !digest.bytes().all(|b| b.is_ascii_hexdigit()) {
            wrong("no SHA-512");
        } else if inside(&path).is_none() || path.starts_with("data/") != (manifest == MANIFEST) {
            wrong("a path that this manifest may not name");
        } else if named.insert(path, digest).is_some() {
            wrong("a path that was named before");
        }
    }
}
