//! What a file's name and folder say: slide, field, role and angle. What a camera counts is no name.

use std::path::Path;

use crate::report::write::folder_name;
use crate::slide::encoding::clean_text;
use crate::slide::names::read_name;
use crate::slide::photograph::Role;

/// What name and folder of an arriving photograph say; what they do not say is None.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// Slide, from the name (`LM-0142_A_ppl.jpg`) or from the folder that it was saved into.
    pub slide: Option<String>,
    /// Folder below the slide's, when there is one: a pass of its own.
    pub pass: Option<String>,
    /// Field of view.
    pub field: Option<String>,
    /// What it is for.
    pub role: Option<Role>,
    /// Angle of a crossed photograph, degrees.
    pub angle_deg: Option<f64>,
}

/// Words that cameras and phones count their photographs by: no slide and no field is named so.
const COUNTERS: [&str; 17] = [
    "img",
    "image",
    "dsc",
    "dscn",
    "dscf",
    "pxl",
    "pict",
    "pic",
    "photo",
    "sam",
    "mg",
    "snap",
    "snapshot",
    "capture",
    "p",
    "wp",
    "screenshot",
];

/// Reads what the path of a photograph says, relative to the watched folder.
#[must_use]
pub fn said(relative: &Path) -> Said {
    let file = relative.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let folders: Vec<String> = relative
        .parent()
        .into_iter()
        .flat_map(Path::components)
        .map(|c| c.as_os_str().to_string_lossy().into_owned())
        .filter(|folder| !is_cameras(folder))
        .collect();
    let mut said = Said { slide: folders.first().map(|f| as_id(f)), ..Said::default() };
    if folders.len() > 1 {
        said.pass = Some(folders[1..].join("/"));
    }
    let Some(named) = read_name(&file) else { return said };
    said.role = Some(named.role);
    said.angle_deg = named.angle_deg;
    let words: Vec<&str> = named.field.split('_').filter(|w| !w.is_empty()).collect();
    let rest = match id_length(&words) {
        0 => &words[..],
        n => {
            let id = words[..n].join("-");
            // A folder's name goes before; its id may be said again in the file's.
            said.slide.get_or_insert(id);
            &words[n..]
        }
    };
    let counted = rest.first().is_some_and(|w| is_counter(w)) || rest.iter().any(|w| is_long_number(w));
    said.field = Some(clean_text(&rest.join("_"))).filter(|name| !name.is_empty() && !counted);
    said
}

/// A text as a slide's id: one that can name a folder.
#[must_use]
pub fn as_id(text: &str) -> String {
    folder_name(clean_text(text).trim_matches(['.', ' ']))
}

/// How many of the first words make an id: letters and a number (`LM`, `0142`), together or apart.
fn id_length(words: &[&str]) -> usize {
    let number = |w: &str| (2..=6).contains(&w.len()) && w.bytes().all(|b| b.is_ascii_digit());
    let letters = |w: &str| (1..=8).contains(&w.len()) && w.bytes().all(|b| b.is_ascii_alphabetic());
    let Some(first) = words.first() else { return 0 };
    if is_counter(first) {
        return 0;
    }
    if letters(first) && words.get(1).is_some_and(|w| number(w)) {
        return 2;
    }
    let (head, tail) = first.split_at(first.bytes().take_while(u8::is_ascii_alphabetic).count());
    usize::from(letters(head) && number(tail) && !is_counter(head))
}

/// `IMG`, `DSC01234`: a camera's own.
fn is_counter(word: &str) -> bool {
    let letters = word.trim_end_matches(|c: char| c.is_ascii_digit()).to_ascii_lowercase();
    COUNTERS.contains(&letters.as_str())
}

/// A date, a time or a counter of many digits.
fn is_long_number(word: &str) -> bool {
    word.len() >= 5 && word.bytes().all(|b| b.is_ascii_digit())
}

/// Folders that cameras make: `DCIM`, `100ABCDE` (the DCF rule, from memory).
fn is_cameras(folder: &str) -> bool {
    let dcf = folder.len() == 8 && folder.is_char_boundary(3) && folder[..3].bytes().all(|b| b.is_ascii_digit());
    dcf || matches!(folder.to_ascii_lowercase().as_str(), "dcim" | "camera" | "camera roll" | "photos")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_folders_say_slide_field_role_and_angle() {
        let all = |slide: Option<&str>, pass: Option<&str>, field: Option<&str>, role, angle_deg| Said {
            slide: slide.map(str::to_owned),
            pass: pass.map(str::to_owned),
            field: field.map(str::to_owned),
            role,
            angle_deg,
        };
        let (plane, crossed) = (Some(Role::Plane), Some(Role::Crossed));
        let table = [
            ("A_ppl.jpg", all(None, None, Some("A"), plane, None)),
            ("LM-0142_A_ppl.jpg", all(Some("LM-0142"), None, Some("A"), plane, None)),
            ("LM0142-B-xpl-22.5.jpg", all(Some("LM0142"), None, Some("B"), crossed, Some(22.5))),
            ("LM-0142_ppl.jpg", all(Some("LM-0142"), None, None, plane, None)),
            ("LM-0142_xpl_45.jpg", all(Some("LM-0142"), None, None, crossed, Some(45.0))),
            ("LM-0142/A_ppl.jpg", all(Some("LM-0142"), None, Some("A"), plane, None)),
            ("LM-0142/LM-0142_A_ppl.jpg", all(Some("LM-0142"), None, Some("A"), plane, None)),
            ("LM-0142/second/A_ppl.jpg", all(Some("LM-0142"), Some("second"), Some("A"), plane, None)),
            ("LM-0142/IMG_0007.jpg", all(Some("LM-0142"), None, None, None, None)),
            (".x<y/IMG_0007.jpg", all(Some(&as_id(".x<y")), None, None, None, None)),
            ("DCIM/100ABCDE/IMG_0007.jpg", all(None, None, None, None, None)),
            ("IMG_0007_ppl.jpg", all(None, None, None, plane, None)),
            ("DSC01234_xpl_45.jpg", all(None, None, None, crossed, Some(45.0))),
            ("PXL_20310203_040506_xpl.jpg", all(None, None, None, crossed, None)),
            ("20310203_040506.jpg", all(None, None, None, None, None)),
            ("ppl.jpg", all(None, None, None, plane, None)),
        ];
        for (path, expected) in table {
            assert_eq!(said(Path::new(path)), expected, "{path}");
        }
    }
}
