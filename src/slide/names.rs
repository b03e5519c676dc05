//! Which field, role and angle a photograph has by its file name.

use std::ops::RangeInclusive;

use crate::slide::photograph::Role;

/// What a file name says.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedPhotograph {
    /// The rest of the name, which is the field's; empty when nothing is left.
    pub field: String,
    /// What it is for.
    pub role: Role,
    /// Trailing number of a crossed photograph, degrees.
    pub angle_deg: Option<f64>,
}

/// Whether a file is a photograph by its extension.
#[must_use]
pub fn is_photograph(file: &str) -> bool {
    let lower = file.to_ascii_lowercase();
    [".jpg", ".jpeg", ".png", ".tif", ".tiff"].iter().any(|end| lower.ends_with(end))
}

/// Whether a file is a picture by its extension that is not read: what a telephone or a camera writes beside JPEG and TIFF.
#[must_use]
pub fn is_unread_picture(file: &str) -> bool {
    let unread = [
        "heic", "heif", "avif", "webp", "bmp", "gif", "jp2", "jxl", "dng", "raw", "cr2", "cr3", "nef", "arw", "raf",
        "orf", "rw2", "pef",
    ];
    file.rsplit_once('.')
        .is_some_and(|(stem, end)| !stem.is_empty() && unread.contains(&end.to_ascii_lowercase().as_str()))
}

/// Whether a file is none of the slide's photographs: hidden, or a small copy for looking at.
#[must_use]
pub fn is_ignored(file: &str) -> bool {
    file.starts_with('.')
        || tokens(stem(file))
            .any(|t| matches!(t.to_ascii_lowercase().as_str(), "thumb" | "thumbs" | "thumbnail" | "preview"))
}

/// Reads a file name: `ppl`, `plane` or `pl` is plane light, `xpl`, `xp`, `xn` or `crossed` crossed polars, `blank` bare
/// glass; the number at the end is the angle of a crossed photograph; the rest is the field.
///
/// `None` when no token says what it is, or two say different things.
#[must_use]
pub fn read_name(file: &str) -> Option<NamedPhotograph> {
    read(file).map(|(named, _)| named)
}

/// The number at the end of a crossed photograph's name when it is bare digits, as a camera counts: no point, sign or unit.
#[must_use]
pub(crate) fn counter_in(file: &str) -> Option<u32> {
    read(file)?.1
}

/// The step that photographs are best turned by, degrees: numbers that all lie within less of each other are of no use as angles.
const USUAL_STEP_DEG: u32 = 22;

/// Whether the numbers at the ends of the names of a field's crossed photographs count them: whole numbers in bare digits
/// that follow each other (1, 2, 3, 4), or a single one from 1 to 9. Nobody turns polars by a degree.
#[must_use]
pub(crate) fn are_counted(numbers: impl IntoIterator<Item = Option<u32>>) -> bool {
    let Some(mut numbers) = numbers.into_iter().collect::<Option<Vec<u32>>>() else { return false };
    numbers.sort_unstable();
    match numbers[..] {
        [] => false,
        [one] => (1..=9).contains(&one),
        [first, .., last] => last - first <= USUAL_STEP_DEG && numbers.windows(2).any(|pair| pair[1] - pair[0] == 1),
    }
}

/// What a name says, and the number at its end where that is bare digits.
fn read(file: &str) -> Option<(NamedPhotograph, Option<u32>)> {
    let words: Vec<&str> = tokens(stem(file)).collect();
    let mut role = None;
    let mut role_at = 0;
    let mut glued = None;
    for (at, word) in words.iter().enumerate() {
        let Some((found, number)) = role_of(word) else { continue };
        if role.is_some_and(|r| r != found) {
            return None;
        }
        role = Some(found);
        role_at = at;
        glued = number;
    }
    let role = role?;
    let mut counter =
        glued.and(words.get(role_at)).and_then(|w| bare(w.trim_start_matches(|c: char| !c.is_ascii_digit())));
    let mut rest: Vec<&str> = words.iter().enumerate().filter(|(at, _)| *at != role_at).map(|(_, w)| *w).collect();
    rest.retain(|w| role_of(w).is_none());
    let mut angle = None;
    if role == Role::Crossed {
        angle = glued.or_else(|| {
            // A number before the role word is the field's; only one after it is an angle.
            let last = words.last().filter(|_| role_at + 1 < words.len())?;
            let angle = angle_of(last)?;
            counter = bare(last);
            rest.pop();
            Some(angle)
        });
        // A date or a serial number is no angle.
        angle = angle.filter(|a| ANGLES_DEG.contains(a));
        if rest.last().is_some_and(|w| w.eq_ignore_ascii_case("deg")) {
            rest.pop();
            counter = None;
            if angle.is_none() && role_at + 1 < words.len() {
                angle = rest.last().and_then(|w| angle_of(w)).inspect(|_| {
                    rest.pop();
                });
            }
        }
    } else if let Some(number) = glued {
        // `ppl2` is plane light of field 2.
        return Some((NamedPhotograph { field: joined(&rest, Some(number)), role, angle_deg: None }, None));
    }
    Some((NamedPhotograph { field: joined(&rest, None), role, angle_deg: angle }, counter))
}

/// A whole number written in digits alone.
fn bare(word: &str) -> Option<u32> {
    word.bytes().all(|b| b.is_ascii_digit()).then(|| word.parse().ok()).flatten()
}

fn joined(words: &[&str], number: Option<f64>) -> String {
    let mut name = words.join("_");
    if let Some(number) = number {
        if !name.is_empty() {
            name.push('_');
        }
        name.push_str(&number.to_string());
    }
    name
}

fn stem(file: &str) -> &str {
    file.rsplit_once('.').map_or(file, |(stem, _)| stem)
}

/// What stands between the words of a name, beside commas, hyphens and points.
const BETWEEN: [char; 8] = ['_', ' ', '(', ')', '[', ']', '+', '='];

/// Words of a name. A hyphen parts words too, but after another sign and before a digit it is a minus (`xpl_-22.5`).
fn tokens(stem: &str) -> impl Iterator<Item = &str> {
    stem.split(BETWEEN)
        .flat_map(split_commas)
        .flat_map(|word| {
            let minus = word.strip_prefix('-').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
            let (signed, rest) =
                if minus { word.split_at(1 + word[1..].find('-').unwrap_or(word.len() - 1)) } else { ("", word) };
            std::iter::once(signed).chain(rest.split('-'))
        })
        .flat_map(split_points)
        .filter(|w| !w.is_empty())
}

/// Splits at commas, but for one alone between two digits: that is a decimal comma (`22,5`).
fn split_commas(word: &str) -> Vec<&str> {
    let decimal = word.split_once(',').is_some_and(|(before, after)| {
        before.ends_with(|c: char| c.is_ascii_digit())
            && after.starts_with(|c: char| c.is_ascii_digit())
            && !after.contains(',')
    });
    if decimal { vec![word] } else { word.split(',').collect() }
}

/// A number with a decimal point or comma.
fn number(text: &str) -> Option<f64> {
    text.replace(',', ".").parse().ok()
}

/// Splits at points that do not stand between two digits.
fn split_points(word: &str) -> Vec<&str> {
    let bytes = word.as_bytes();
    let mut parts = Vec::new();
    let mut start = 0;
    for (at, byte) in bytes.iter().enumerate() {
        let decimal =
            at > 0 && at + 1 < bytes.len() && bytes[at - 1].is_ascii_digit() && bytes[at + 1].is_ascii_digit();
        if *byte == b'.' && !decimal {
            parts.push(&word[start..at]);
            start = at + 1;
        }
    }
    parts.push(&word[start..]);
    parts
}

/// The role of a word, with the number that may be written onto it (`xpl45`).
fn role_of(word: &str) -> Option<(Role, Option<f64>)> {
    let letters = word.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.' || c == ',');
    let digits = &word[letters.len()..];
    let role = match letters.to_ascii_lowercase().as_str() {
        "ppl" | "plane" | "pl" => Role::Plane,
        "xpl" | "xp" | "xn" | "crossed" => Role::Crossed,
        "blank" => Role::Blank,
        _ => return None,
    };
    if digits.is_empty() {
        return Some((role, None));
    }
    number(digits).map(|n| (role, Some(n)))
}

/// Angles that may be stated, degrees.
pub(crate) const ANGLES_DEG: RangeInclusive<f64> = -720.0..=720.0;

fn angle_of(word: &str) -> Option<f64> {
    let digits = word.strip_suffix("deg").or_else(|| word.strip_suffix('°')).unwrap_or(word);
    let plain =
        digits.strip_prefix('-').unwrap_or(digits).bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b',');
    (plain && !digits.is_empty()).then(|| number(digits)).flatten().filter(|a: &f64| a.is_finite())
}

/// What is said of fields whose names begin differently before a letter or a number (`granite_A`, `basalt_A`): they may be of
/// several slides.
#[must_use]
pub(crate) fn several_slides<'a>(fields: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let short = |word: &str| {
        let digits = word.len() <= 2 && word.bytes().all(|b| b.is_ascii_digit());
        digits || (word.len() == 1 && word.bytes().all(|b| b.is_ascii_alphabetic()))
    };
    let mut stems: Vec<String> = Vec::new();
    for field in fields {
        let Some((stem, _)) = field.rsplit_once('_').filter(|(_, last)| short(last)) else { continue };
        if stems.iter().all(|s| s.to_lowercase() != stem.to_lowercase()) {
            stems.push(stem.to_owned());
        }
    }
    (stems.len() > 1).then(|| {
        let shown = stems.iter().take(4).cloned().collect::<Vec<_>>().join(", ");
        let more = if stems.len() > 4 { ", ..." } else { "" };
        format!(
            "the names of the fields begin differently ({shown}{more}): if they are of several slides, put the photographs of each into a folder of its own"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_say_field_role_and_angle() {
        let plane = |field: &str| Some(NamedPhotograph { field: field.into(), role: Role::Plane, angle_deg: None });
        let crossed =
            |field: &str, angle_deg| Some(NamedPhotograph { field: field.into(), role: Role::Crossed, angle_deg });
        let table = [
            ("A_ppl.jpg", plane("A")),
            ("A_xpl_022.5.jpg", crossed("A", Some(22.5))),
            ("A_XPL_000.0.JPG", crossed("A", Some(0.0))),
            ("A_xpl_-22.5.jpg", crossed("A", Some(-22.5))),
            ("A xpl -45deg.jpg", crossed("A", Some(-45.0))),
            ("A_xpl-45.jpg", crossed("A", Some(45.0))),
            ("A_xpl_22,5.jpg", crossed("A", Some(22.5))),
            ("A_xpl_-22,5°.jpg", crossed("A", Some(-22.5))),
            ("xpl67,5.jpg", crossed("", Some(67.5))),
            ("A,xpl,45.jpg", crossed("A", Some(45.0))),
            ("A_xpl_0,1,2.jpg", crossed("A_0_1", Some(2.0))),
            ("A_xpl_22,5,.jpg", crossed("A_22", Some(5.0))),
            ("ppl.jpg", plane("")),
            ("xpl.jpg", crossed("", None)),
            ("xpl45.jpg", crossed("", Some(45.0))),
            ("crossed 67.5deg.tif", crossed("", Some(67.5))),
            ("field 2 crossed 45 deg.tif", crossed("field_2", Some(45.0))),
            ("LM-0142-B-plane.png", plane("LM_0142_B")),
            ("LM-0142-B-xn-90.png", crossed("LM_0142_B", Some(90.0))),
            ("xpl_A_45.jpg", crossed("A", Some(45.0))),
            ("3_xp.jpg", crossed("3", None)),
            ("A_xpl_20251130.jpg", crossed("A", None)),
            ("A_xpl_-720.jpg", crossed("A", Some(-720.0))),
            ("xpl721.jpg", crossed("", None)),
            ("3_pl.jpg", plane("3")),
            ("A.xpl.45.jpg", crossed("A", Some(45.0))),
            ("blank.jpg", Some(NamedPhotograph { field: String::new(), role: Role::Blank, angle_deg: None })),
            ("A_blank.jpg", Some(NamedPhotograph { field: "A".into(), role: Role::Blank, angle_deg: None })),
            ("sample.jpg", None),
            ("apple_explain.jpg", None),
            ("ppl_xpl.jpg", None),
            ("IMG_0001.jpg", None),
        ];
        for (file, expected) in table {
            assert_eq!(read_name(file), expected, "{file}");
        }
    }

    #[test]
    fn what_a_camera_counts_is_told_from_angles() {
        let counted = |files: &[&str]| are_counted(files.iter().map(|f| counter_in(f)));
        for files in [
            &["A_xpl_1.jpg", "A_xpl_2.jpg", "A_xpl_3.jpg", "A_xpl_4.jpg"][..],
            &["A_xpl_000.jpg", "A_xpl_001.jpg"],
            &["xpl1.jpg", "xpl2.jpg", "xpl3.jpg"],
            &["A_xn_0231.jpg", "A_xn_0233.jpg", "A_xn_0232.jpg"],
            &["A_xpl_1.jpg", "A_xpl_2.jpg", "A_xpl_4.jpg"],
            &["A_xpl_1.jpg"],
            &["xpl (3).jpg"],
        ] {
            assert!(counted(files), "{files:?}");
        }
        for files in [
            &["A_xpl_0.jpg", "A_xpl_45.jpg"][..],
            &["A_xpl_0.jpg", "A_xpl_22.5.jpg", "A_xpl_45.jpg", "A_xpl_67.5.jpg"],
            &["A_xpl_0.jpg", "A_xpl_15.jpg", "A_xpl_30.jpg"],
            &["A_xpl_0.jpg", "A_xpl_5.jpg", "A_xpl_10.jpg"],
            &["A_xpl_0.jpg", "A_xpl_1.jpg", "A_xpl_45.jpg"],
            &["A_xpl_1deg.jpg", "A_xpl_2deg.jpg"],
            &["A xpl 1 deg.jpg", "A xpl 2 deg.jpg"],
            &["A_xpl_1.0.jpg", "A_xpl_2.0.jpg"],
            &["A_xpl_-1.jpg", "A_xpl_0.jpg"],
            &["A_xpl_0.jpg"],
            &["A_xpl_45.jpg"],
            &["A_xpl.jpg"],
            &["1_xpl.jpg", "2_xpl.jpg"],
            &[],
        ] {
            assert!(!counted(files), "{files:?}");
        }
    }

    #[test]
    fn fields_that_may_be_of_several_slides_are_told_of() {
        let said = several_slides(["granite_A", "basalt_A", "Granite_B"]).unwrap();
        assert!(said.contains("(granite, basalt): if they are of several slides"), "{said}");
        assert!(several_slides(["LM_0142_1", "LM_0158_1"]).is_some_and(|s| s.contains("(LM_0142, LM_0158)")));
        for fields in [
            &["A", "B", "1"][..],
            &["field_1", "field_2", "Field_12"],
            &["LM_0142_A", "LM_0142_B"],
            &["top_left", "bottom_left", "top_right"],
            &["granite_A", "B"],
            &[],
        ] {
            assert_eq!(several_slides(fields.iter().copied()), None, "{fields:?}");
        }
    }

    #[test]
    fn small_copies_and_hidden_files_are_left_out() {
        for file in [".A_ppl.jpg", "A_ppl_thumb.jpg", "thumbnail-A_ppl.jpg"] {
            assert!(is_ignored(file), "{file}");
        }
        assert!(!is_ignored("A_ppl.jpg"));
        assert!(is_photograph("a.TIFF") && !is_photograph("notes.txt"));
    }
}
