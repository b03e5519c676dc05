//! `thinproof new`: a slide's folder with a `slide.toml` to be filled in.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::bench::naming::as_id;
use crate::bench::sorting_of::sorted;
use crate::cli::print::print;
use crate::error::{Error, Result};
use crate::report::terminal::plain;

/// Shown under the command's help.
pub const EXAMPLES: &str = "Examples:\n  thinproof new LM-0142\n  thinproof new LM-0142 --from camera";

/// What is typed after `new`.
#[derive(Args, Debug)]
pub struct NewArguments {
    /// The slide's folder; it is made when it is missing.
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Copy the photographs of one slide from here into it; without it those are used that lie in the folder.
    #[arg(long, value_name = "PHOTOGRAPHS")]
    from: Option<PathBuf>,
}

/// Writes `slide.toml` with what the photographs tell, never over an older one.
///
/// # Errors
/// When there is a `slide.toml` already, the photographs are of several slides, or something cannot be read or written.
pub fn run(arguments: &NewArguments) -> Result<ExitCode> {
    let folder = &arguments.folder;
    let sheet_path = folder.join("slide.toml");
    if fs::symlink_metadata(&sheet_path).is_ok() {
        return Err(Error::new(
            &sheet_path,
            "is there already and is left as it is",
            "change it with an editor, or give another folder",
        ));
    }
    let from = arguments.from.as_deref().unwrap_or(folder);
    let id = folder
        .canonicalize()
        .ok()
        .as_deref()
        .unwrap_or(folder)
        .file_name()
        .map_or_else(|| "slide".into(), |n| as_id(&n.to_string_lossy()));
    let there = from.is_dir();
    if arguments.from.is_some() && !there {
        return Err(Error::new(from, "is not a folder", "give the folder that holds the photographs"));
    }
    let sorted = if there { sorted(from, &id, arguments.from.is_some())? } else { None };
    fs::create_dir_all(folder).map_err(|e| unwritable(folder, e))?;
    let text = match &sorted {
        Some(sorted) => sorted.sheet.text(),
        None => crate::bench::sheet::Sheet { id, said: toml::Table::new(), um_per_px: None, fields: Vec::new() }.text(),
    };
    if arguments.from.is_some() {
        for (original, name) in sorted.iter().flat_map(|s| &s.names) {
            copy_new(original, &folder.join(name))?;
        }
    }
    write_new(&sheet_path, &text)?;
    let said = sorted.map(|s| s.said).unwrap_or_default();
    let lines: String = said.iter().map(|line| format!("  {}\n", plain(line))).collect();
    let text = format!("wrote {}\n{lines}", plain(&sheet_path.display().to_string()));
    print(text).map(|()| ExitCode::SUCCESS)
}

/// Copies a photograph to where nothing lies.
fn copy_new(from: &Path, to: &Path) -> Result<()> {
    let mut source = fs::File::open(from)
        .map_err(|e| Error::new(from, "cannot be read", "check that it may be read").caused_by(e))?;
    let mut target = fs::File::create_new(to).map_err(|e| match e.kind() {
        std::io::ErrorKind::AlreadyExists => {
            Error::new(to, "is there already and is left as it is", "give another folder")
        }
        _ => unwritable(to, e),
    })?;
    std::io::copy(&mut source, &mut target).map(drop).map_err(|e| unwritable(to, e))
}

fn write_new(path: &Path, text: &str) -> Result<()> {
    let mut file = fs::File::create_new(path).map_err(|e| unwritable(path, e))?;
    file.write_all(text.as_bytes()).map_err(|e| unwritable(path, e))
}

fn unwritable(path: &Path, e: std::io::Error) -> Error {
    Error::new(path, "cannot be written", "see that there is room and that it may be written to").caused_by(e)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Typed {
        #[command(flatten)]
        new: NewArguments,
    }

    fn typed(of: &[&Path]) -> NewArguments {
        let words = of.iter().map(|p| p.as_os_str().to_owned());
        Typed::parse_from(std::iter::once("new".into()).chain(words)).new
    }

    #[test]
    fn an_empty_slide_gets_a_sheet_of_comments_and_never_a_second_one() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("LM-0150");
        run(&typed(&[&folder])).unwrap();
        let text = fs::read_to_string(folder.join("slide.toml")).unwrap();
        assert!(text.contains("id = \"LM-0150\"") && text.contains("# width_mm = "), "{text}");
        fs::write(folder.join("slide.toml"), "# mine\n").unwrap();
        let error = run(&typed(&[&folder])).unwrap_err();
        assert!(error.to_string().contains("is left as it is"), "{error}");
        assert_eq!(fs::read_to_string(folder.join("slide.toml")).unwrap(), "# mine\n");
    }

    #[test]
    fn photographs_are_copied_sorted_and_only_those_of_one_slide() {
        let dir = tempfile::tempdir().unwrap();
        let scene = |id: &str, seed| {
            let new = crate::demo::Scene::new(id, seed, crate::demo::Rock::Quartzite);
            crate::demo::Scene {
                size_px: [320, 240],
                grain_um: 60.0,
                angles_deg: vec![0.0, 45.0],
                record: false,
                ..new
            }
        };
        let (camera, _) = scene("camera", 3).render_to(dir.path()).unwrap();
        let folder = dir.path().join("LM-0150");
        let before: Vec<_> = fs::read_dir(&camera).unwrap().map(|e| e.unwrap().file_name()).collect();
        run(&typed(&[&folder, Path::new("--from"), &camera])).unwrap();
        let slide = crate::slide::Slide::read(&folder).unwrap();
        assert_eq!((slide.record.id.as_str(), slide.fields.len()), ("LM-0150", 1));
        let angles: Vec<f64> = slide.fields[0].crossed.iter().map(|(_, a)| a.deg()).collect();
        assert_eq!(angles, [0.0, 45.0]);
        let after: Vec<_> = fs::read_dir(&camera).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(before, after);
        // A second slide among them.
        fs::copy(camera.join("A_ppl.jpg"), camera.join("LM-0151_A_ppl.jpg")).unwrap();
        let (other, _) = scene("other", 4).render_to(dir.path()).unwrap();
        fs::copy(other.join("A_ppl.jpg"), camera.join("LM-0152_A_ppl.jpg")).unwrap();
        let error = run(&typed(&[&dir.path().join("LM-0153"), Path::new("--from"), &camera])).unwrap_err();
        assert!(error.to_string().contains("slides (") && error.to_string().contains("LM-0152"), "{error}");
        assert!(!dir.path().join("LM-0153").exists());
    }
}
