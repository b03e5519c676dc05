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
    // A number that counts is no angle; one alone needs none.
    let counted = Folder::with(&["A_ppl.jpg", "A_xpl_1.jpg"]).read().unwrap();
    assert_eq!(counted.fields[0].crossed[0].1.deg(), 0.0);
    assert!(counted.record.assumed.iter().any(|a| a.starts_with("angle_deg of field A's only")));
    let stated = Folder::with(&["p.jpg", "xpl_1.jpg", "xpl_2.jpg"])
        .toml("[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"xpl_1.jpg\", angle_deg = 1 }, { file = \"xpl_2.jpg\", angle_deg = 2 }]")
        .read()
        .unwrap();
    assert_eq!(stated.fields[0].crossed[1].1.deg(), 2.0, "what slide.toml says is believed");
}

#[test]
fn pictures_that_are_not_read_are_named() {
    let said = Folder::with(&["A_ppl.heic", "A_xpl_45.HEIC", "notes.txt"]).read().unwrap_err().to_string();
    assert!(said.contains("no photographs that can be read; A_ppl.heic, A_xpl_45.HEIC left out: only JPEG"), "{said}");
    let said = Folder::with(&["A_ppl.jpg", "A_xpl_45.dng"]).read().unwrap_err().to_string();
    assert!(said.contains("A_xpl_45.dng left out") && said.contains("it has no crossed-polar photograph"), "{said}");
    let beside = Folder::with(&["A_ppl.jpg", "A_ppl.dng", "A_xpl.jpg", "A_xpl.DNG"]).read().unwrap();
    assert!(beside.warnings.is_empty(), "{:?}", beside.warnings);
}

#[cfg(unix)]
#[test]
fn a_folder_of_links_says_that_they_are_not_followed() {
    let folder = Folder::with(&[]);
    for name in ["A_ppl.jpg", "A_xpl_45.jpg"] {
        std::os::unix::fs::symlink("/nowhere", folder.0.path().join(name)).unwrap();
    }
    let said = folder.read().unwrap_err().to_string();
    assert!(said.contains("no photographs that can be read; A_") && said.contains("it is a link"), "{said}");
}

#[test]
fn folders_that_cannot_be_are_refused_in_one_sentence() {
    let table: [(&[&str], &str, &str); 18] = [
        (&[], "", "holds no photographs that can be read; put"),
        (&["A_ppl.jpg"], "", "no plane-light photograph with a crossed-polar one"),
        (&["A_ppl.jpg", "A_xpl.jpg", "A_xn.jpg"], "", "has no angle"),
        (
            &["A_ppl.jpg", "A_xpl_1.jpg", "A_xpl_2.jpg"],
            "",
            "counts the crossed photographs of field A (1, 2) and is no",
        ),
        (
            &["p.jpg", "xpl_001.jpg", "xpl_002.jpg"],
            "[[field]]\nplane = \"p.jpg\"\ncrossed = [{ file = \"xpl_001.jpg\" }, { file = \"xpl_002.jpg\" }]",
            "or into slide.toml, or let thinproof new",
        ),
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

#[test]
fn photographs_that_slide_toml_does_not_name_are_told_of() {
    let own = ["A_ppl.jpg", "A_xpl_0.jpg", "glass.jpg"];
    let toml = "[[field]]\nname = \"A\"\nblank = \"glass.jpg\"";
    let warnings = |more: &[&str]| Folder::with(&[&own[..], more].concat()).toml(toml).read().unwrap().warnings;
    // What a check writes beside the photographs is none.
    assert_eq!(warnings(&["thumbnail.jpg", "report.json", "report.html"]), Vec::<String>::new());
    let one = "B_ppl.jpg lies in the folder and is in no [[field]] of slide.toml: it was not looked at";
    assert_eq!(warnings(&["B_ppl.jpg"]), [one]);
    let many = ["B_ppl.jpg", "B_xpl_0.jpg", "IMG_1.jpg", "IMG_2.jpg", "IMG_3.jpg"];
    let said = "B_ppl.jpg, B_xpl_0.jpg, IMG_1.jpg, IMG_2.jpg and 1 more lie in the folder and are in no [[field]]";
    assert!(warnings(&many)[0].starts_with(said), "{:?}", warnings(&many));
    // Without [[field]] names decide, and what they leave out was told of before.
    assert_eq!(Folder::with(&own[..2]).toml("[slide]\nid = \"LM-1\"").read().unwrap().warnings, Vec::<String>::new());
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

#[test]
fn a_scale_that_makes_a_field_far_larger_than_the_section_is_not_believed() {
    let of = |um_per_px: f64, size: &str| {
        let folder = Folder::with(&["A_ppl.jpg", "A_xpl.jpg"])
            .toml(&format!("[slide]\n{size}\n[scale]\num_per_px = {um_per_px}"));
        std::fs::write(folder.0.path().join("A_ppl.jpg"), jpeg(96, 64)).unwrap();
        let mut slide = folder.read().unwrap();
        slide.doubt_scale();
        slide
    };
    let slide = of(1000.0, "width_mm = 24\nheight_mm = 40");
    assert_eq!((slide.scale, slide.record.um_per_px, slide.record.scale_source.as_deref()), (None, None, None));
    assert!(slide.record.assumed.contains(&"um_per_px = not known".to_owned()));
    let said = "at 1000 um per pixel (slide.toml) field A would be 96.0 x 64.0 mm, and the section is 24 x 40 mm: the scale is not believed";
    assert!(slide.warnings.iter().any(|w| w.starts_with(said)), "{:?}", slide.warnings);
    for (um_per_px, size) in [
        (1000.0, "width_mm = 60\nheight_mm = 40"),
        (1000.0, "width_mm = 6"),
        // The whole glass.
        (750.0, "width_mm = 20\nheight_mm = 15"),
    ] {
        let slide = of(um_per_px, size);
        assert_eq!((slide.record.um_per_px, slide.warnings.len()), (Some(um_per_px), 0), "{size}");
    }
}
