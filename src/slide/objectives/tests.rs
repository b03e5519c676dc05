//! The objectives file: kept, found again, refused.

use super::*;

fn objective(um_per_px: f64) -> Objective {
    Objective {
        um_per_px,
        ci95: [um_per_px * 0.9999, um_per_px * 1.0001],
        camera: Some("Example C1".into()),
        width_px: 4000,
        height_px: 3000,
        division_um: 10.0,
        photograph: "stage \"10x\".jpg".into(),
        sha256: "ab".repeat(32),
        measured_at: "2026-11-26T10:00:00Z".into(),
    }
}

fn record(camera: Option<&str>, width: u32, height: u32) -> PhotographRecord {
    use crate::slide::Curve;
    use crate::slide::photograph::{Photograph, Role, Samples};
    let p = Photograph::from_samples("a.jpg", Role::Plane, 1, 1, Samples::Eight(vec![0; 3]), &Curve::Srgb);
    PhotographRecord { camera: camera.map(Into::into), width_px: width, height_px: height, ..p.record }
}

#[test]
fn what_is_kept_is_read_back_and_others_stay() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("new").join("objectives.toml");
    let mut first = Objectives::read(&path).unwrap();
    assert_eq!(first.keep("10x", objective(0.6)).unwrap(), None);
    first.write().unwrap();
    let mut second = Objectives::read(&path).unwrap();
    assert_eq!(second.keep("40x/0.65 \"ph\" µ", objective(0.15)).unwrap(), None);
    second.write().unwrap();
    let third = Objectives::read(&path).unwrap();
    assert_eq!(third.names().collect::<Vec<_>>(), ["10x", "40x/0.65 \"ph\" µ"]);
    assert_eq!(third.named("10X").unwrap(), &objective(0.6), "capitals do not matter");
    let mut fourth = third.clone();
    assert_eq!(fourth.keep("10X", objective(0.7)).unwrap(), Some(objective(0.6)), "the older one is given back");
    assert_eq!(fourth.names().count(), 2);
    let left: Vec<_> = std::fs::read_dir(path.parent().unwrap()).unwrap().collect();
    assert_eq!(left.len(), 1, "no draft is left");
}

#[test]
fn an_unknown_name_is_answered_with_the_nearest() {
    let mut known = Objectives { path: "o.toml".into(), known: BTreeMap::new() };
    let said = known.named("10x").unwrap_err().to_string();
    assert!(said.contains("--save 10x"), "{said}");
    known.keep("10x", objective(0.6)).unwrap();
    known.keep("40x", objective(0.15)).unwrap();
    let said = known.named("10 x").unwrap_err().to_string();
    assert!(said.contains("\"10x\", \"40x\"; did you mean \"10x\"?"), "{said}");
    let said = known.named("condenser\u{1b}[31m").unwrap_err().to_string();
    assert!(!said.contains("did you mean") && !said.contains('\u{1b}'), "{said}");
}

#[test]
fn another_camera_or_size_is_refused_and_a_turned_frame_is_not() {
    let o = objective(0.6);
    assert_eq!(o.fits(&record(Some("Example C1"), 4000, 3000)), Ok(Fit::Same));
    assert_eq!(o.fits(&record(Some("example c1"), 3000, 4000)), Ok(Fit::Same));
    for (camera, w, h) in [(Some("Example C2"), 4000, 3000), (Some("Example C1"), 2000, 1500), (None, 4000, 2999)] {
        assert!(o.fits(&record(camera, w, h)).is_err(), "{camera:?} {w} {h}");
    }
    assert!(matches!(o.fits(&record(None, 4000, 3000)), Ok(Fit::CameraUnknown(_))));
    let unknown = Objective { camera: None, ..o };
    assert!(matches!(unknown.fits(&record(Some("Example C1"), 4000, 3000)), Ok(Fit::CameraUnknown(_))));
}

#[test]
fn hostile_files_get_one_sentence() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("o.toml");
    let good = toml::to_string(&File { objective: [("10x".to_owned(), objective(0.6))].into() }).unwrap();
    std::fs::write(&path, &good).unwrap();
    Objectives::read(&path).unwrap();
    let change = |from: &str, to: &str| {
        let text = good.replace(from, to);
        assert_ne!(text, good, "{from}");
        text.into_bytes()
    };
    let bad: Vec<Vec<u8>> = vec![
        change("um_per_px = 0.6", "um_per_px = nan"),
        change("um_per_px = 0.6", "um_per_px = -0.6"),
        change("um_per_px = 0.6", "um_per_px = 1e300"),
        change("um_per_px = 0.6", "um_per_px = inf"),
        change("ci95 = [", "ci95 = [nan, "),
        change("width_px = 4000", "width_px = 0"),
        change("width_px = 4000", "width_px = 4000000000"),
        change("width_px = 4000", "width_px = -1"),
        change("width_px = 4000", "width_px = 4000\nsurprise = 1"),
        change("division_um = 10.0", "division_um = 0.0"),
        change("abab", "ABAB"),
        change("[objective.10x]", "[objective.\"10x\\u001b[2J\"]"),
        change("[objective.10x]", "[objective.\"\"]"),
        change("Example C1", &"x".repeat(300)),
        change("[objective.", "[objectives."),
        [good.as_bytes(), good.replace("[objective.10x]", "[objective.10X]").as_bytes()].concat(),
        b"\xff\xfe".to_vec(),
        b"[[objective".to_vec(),
        vec![b'#'; (LONGEST + 1) as usize],
    ];
    for bytes in bad {
        std::fs::write(&path, &bytes).unwrap();
        let said = Objectives::read(&path).unwrap_err().chain();
        let start = String::from_utf8_lossy(&bytes[..bytes.len().min(200)]).into_owned();
        assert!(!said.contains('\n') && !said.contains('\u{1b}') && said.len() < 700, "{start}: {said}");
    }
    assert!(Objectives::read(dir.path()).is_err(), "a folder is no file");
    let mut known = Objectives::read(&dir.path().join("none.toml")).unwrap();
    for name in ["", " 10x", "a\nb", "\u{202e}x01", &"9".repeat(41)] {
        assert!(known.keep(name, objective(0.6)).is_err(), "{name:?}");
    }
    assert!(known.keep("10x", objective(f64::NAN)).is_err());
}

#[test]
fn the_file_stands_where_it_was_said() {
    let of = |set: &[(&str, &str)], given: Option<&str>, windows| {
        let find = |name: &str| set.iter().find(|s| s.0 == name).map(|s| PathBuf::from(s.1));
        place_of(given.map(Path::new), find, windows).ok()
    };
    let home = [("HOME", "/home/p"), ("APPDATA", "/roaming")];
    assert_eq!(of(&home, None, false), Some("/home/p/.config/thinproof/objectives.toml".into()));
    assert_eq!(of(&home, None, true), Some("/roaming/thinproof/objectives.toml".into()));
    let all = [("HOME", "/home/p"), ("XDG_CONFIG_HOME", "/etc/p"), (VARIABLE, "/v.toml")];
    assert_eq!(of(&all[..2], None, false), Some("/etc/p/thinproof/objectives.toml".into()));
    assert_eq!(
        of(&[("HOME", "/h"), ("XDG_CONFIG_HOME", "here")], None, false),
        Some("/h/.config/thinproof/objectives.toml".into())
    );
    assert_eq!(of(&all, None, false), Some("/v.toml".into()));
    assert_eq!(of(&all, Some("g.toml"), false), Some("g.toml".into()));
    assert_eq!(of(&[], None, false), None);
}
