//! Photographs that contradict each other or show no section: said, and never measured.

use std::fs;
use std::path::{Path, PathBuf};

use image::{Rgb, RgbImage};
use tempfile::{TempDir, tempdir};
use thinproof::demo::{Rock, Scene, View};
use thinproof::house::House;
use thinproof::pipeline::{self, CheckedSlide};
use thinproof::slide::photograph::PhotographRecord;
use thinproof::thickness::Thickness;
use thinproof::verdict::Outcome;

use crate::bench::small;

/// A rendered sound slide whose files a test may spoil.
struct Bench {
    _dir: TempDir,
    slide: PathBuf,
}

impl Bench {
    fn of(scene: &Scene) -> Self {
        let dir = tempdir().unwrap();
        let (slide, _) = scene.render_to(dir.path()).unwrap();
        Self { _dir: dir, slide }
    }

    fn sound() -> Self {
        Self::of(&small("LM-0301", 301, 30.0))
    }

    /// The photographs of field A, plane light first.
    fn files(&self) -> Vec<PathBuf> {
        let mut files: Vec<PathBuf> = fs::read_dir(&self.slide).unwrap().map(|e| e.unwrap().path()).collect();
        files.retain(|f| f.extension().is_some_and(|e| e == "jpg"));
        files.sort();
        files
    }

    fn check(&self) -> thinproof::Result<CheckedSlide> {
        pipeline::check(&self.slide, &House::default(), |_| ())
    }

    /// Checks what must be undetermined, and gives back why.
    fn not_decided(&self) -> String {
        let checked = self.check().expect("it is checked");
        assert_eq!(checked.verdict.outcome, Outcome::Undetermined, "{}", checked.verdict.why);
        match checked.thickness {
            Thickness::NotMeasurable { why, .. } => why,
            Thickness::Measured(_) => panic!("nothing is measured on this"),
        }
    }

    fn replace_all(&self, draw: impl Fn(usize) -> RgbImage) {
        for (i, file) in self.files().iter().enumerate() {
            save(&draw(i), file, 92);
        }
    }
}

fn save(picture: &RgbImage, path: &Path, quality: u8) {
    let mut out = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, quality).encode_image(picture).unwrap();
    fs::write(path, out).unwrap();
}

fn open(path: &Path) -> RgbImage {
    image::open(path).unwrap().into_rgb8()
}

fn swap(a: &Path, b: &Path) {
    let (left, right) = (fs::read(a).unwrap(), fs::read(b).unwrap());
    fs::write(a, right).unwrap();
    fs::write(b, left).unwrap();
}

/// Plane light of one section and crossed polars of another: nothing on either is measured by the other.
#[test]
fn photographs_of_two_sections_are_not_taken_for_one_place() {
    let (bench, other) = (Bench::sound(), Bench::of(&small("LM-0302", 302, 30.0)));
    fs::copy(&other.files()[0], &bench.files()[0]).unwrap();
    let why = bench.not_decided();
    assert!(why.contains("another place") && why.contains("A_ppl.jpg"), "{why}");
}

#[test]
fn plane_and_crossed_exchanged_are_said_with_and_without_exif() {
    let bench = Bench::sound();
    let files = bench.files();
    assert!(matches!(bench.check().unwrap().thickness, Thickness::Measured(_)), "the slide is sound as it is");
    swap(&files[0], &files[3]);
    let why = bench.not_decided();
    assert!(why.contains("A_xpl_045.0.jpg is bright where A_ppl.jpg is dark"), "{why}");
    assert!(why.contains("exchanged"), "{why}");
    // Saved again by something that drops EXIF, and only one crossed photograph.
    files.iter().for_each(|f| save(&open(f), f, 90));
    fs::write(bench.slide.join("slide.toml"), "").unwrap();
    for i in [1, 2, 4] {
        fs::remove_file(&files[i]).unwrap();
    }
    assert!(bench.not_decided().contains("exchanged"));
}

#[test]
fn grey_photographs_and_bits_that_were_not_stretched_are_named_as_such() {
    let bench = Bench::sound();
    for file in bench.files() {
        image::open(&file).unwrap().into_luma8().save(&file).unwrap();
    }
    let why = bench.not_decided();
    assert!(why.contains("are grey, and thickness is read from interference colours"), "{why}");

    let bench = Bench::sound();
    fs::remove_file(bench.slide.join("slide.toml")).unwrap();
    for file in bench.files() {
        let mut picture = image::open(&file).unwrap().into_rgb16();
        picture.pixels_mut().for_each(|p| p.0 = p.0.map(|v| v >> 4));
        picture.save(file.with_extension("png")).unwrap();
        fs::remove_file(file).unwrap();
    }
    let why = bench.not_decided();
    assert!(
        why.contains("A_ppl.png is all but black, for its samples reach only") && why.contains("12 or 14 bits"),
        "{why}"
    );
}

/// In three channels, and what colour would tell of a hole is not told: the tint of garnet, and dye.
#[test]
fn holes_in_grey_photographs_may_be_the_rocks_own() {
    let mut scene = small("LM-0303", 303, 30.0);
    (scene.flaws.plucks, scene.flaws.pluck_share) = (6, 0.06);
    let bench = Bench::of(&scene);
    let holes = |bench: &Bench| {
        let checked = bench.check().expect("it is checked");
        let holes: Vec<bool> = checked.fields.iter().flat_map(|f| &f.defects.plucks).map(|p| p.ambiguous).collect();
        (holes, checked.thickness)
    };
    let (seen, _) = holes(&bench);
    assert!(seen.iter().filter(|ambiguous| !**ambiguous).count() >= 2, "{seen:?}");
    for file in bench.files() {
        let grey = image::DynamicImage::ImageLuma8(image::open(&file).unwrap().into_luma8()).into_rgb8();
        save(&grey, &file, 92);
    }
    let (seen, thickness) = holes(&bench);
    assert!(!seen.is_empty() && seen.iter().all(|ambiguous| *ambiguous), "{seen:?}");
    let Thickness::NotMeasurable { why, .. } = thickness else { panic!("grey tells no thickness") };
    assert!(why.contains("are grey"), "{why}");
}

#[test]
fn one_picture_under_two_angles_is_said_even_when_it_was_saved_again() {
    let bench = Bench::sound();
    let files = bench.files();
    fs::copy(&files[3], &files[4]).unwrap();
    let told = bench.check().unwrap_err().chain();
    assert!(told.contains("A_xpl_067.5.jpg: is the same photograph as A_xpl_045.0.jpg"), "{told}");
    let mut brighter = open(&files[3]);
    brighter.pixels_mut().for_each(|p| p.0 = p.0.map(|v| (f32::from(v) * 0.92) as u8));
    save(&brighter, &files[4], 80);
    let why = bench.not_decided();
    assert!(why.contains("A_xpl_045.0.jpg and A_xpl_067.5.jpg show the same picture"), "{why}");
}

#[test]
fn angles_that_contradict_the_pictures_are_not_measured_by() {
    let bench = Bench::sound();
    let files = bench.files();
    swap(&files[1], &files[3]);
    swap(&files[1], &files[4]);
    let why = bench.not_decided();
    assert!(why.contains("do not brighten and go dark as their angles say"), "{why}");
}

#[test]
fn a_field_seen_twice_is_no_second_witness() {
    let bench = Bench::sound();
    fs::remove_file(bench.slide.join("slide.toml")).unwrap();
    let before = bench.check().unwrap();
    for file in bench.files() {
        let name = file.file_name().unwrap().to_string_lossy().replace("A_", "B_");
        fs::copy(&file, bench.slide.join(name)).unwrap();
    }
    let told = bench.check().unwrap_err().chain();
    assert!(told.contains("B_ppl.jpg: is the same photograph as A_ppl.jpg of field A"), "{told}");
    // The same place photographed again: other bytes, the same crystals.
    for file in bench.files().iter().filter(|f| f.to_string_lossy().contains("B_")) {
        let mut again = open(file);
        again.pixels_mut().for_each(|p| p.0 = p.0.map(|v| v.saturating_sub(1)));
        save(&again, file, 85);
    }
    let after = bench.check().unwrap();
    let told = after.warnings.iter().find(|w| w.contains("the same place"));
    assert!(told.is_some_and(|w| w.contains("fields A and B") && w.contains("100 %")), "{:?}", after.warnings);
    let grains = |checked: &CheckedSlide| match &checked.thickness {
        Thickness::Measured(surface) => surface.quartz_grains,
        Thickness::NotMeasurable { why, .. } => panic!("{why}"),
    };
    assert!(grains(&after) <= grains(&before), "{} grains of {}", grains(&after), grains(&before));
}

#[test]
fn fields_that_overlap_count_their_common_crystals_once() {
    let scene = Scene { size_px: [960, 480], ..small("LM-0302", 302, 30.0) };
    let whole = Bench::of(&scene);
    let parts = tempdir().unwrap();
    for file in whole.files() {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let picture = open(&file);
        for (field, x) in [("A_", 0), ("B_", 320)] {
            let part = image::imageops::crop_imm(&picture, x, 0, 640, 480).to_image();
            save(&part, &parts.path().join(name.replace("A_", field)), 92);
        }
    }
    let checked = pipeline::check(parts.path(), &House::default(), |_| ()).unwrap();
    let told = checked.warnings.iter().find(|w| w.contains("the same place"));
    assert!(told.is_some_and(|w| w.contains("50 %")), "{:?}", checked.warnings);
}

#[test]
fn two_fields_of_one_rock_are_not_taken_for_one() {
    let views = ["A", "B"].map(|name| View { name: name.into(), centre_mm: [20.0, 12.0] });
    let checked = Bench::of(&Scene { views: views.to_vec(), ..small("LM-0303", 303, 30.0) }).check().unwrap();
    assert!(!checked.warnings.iter().any(|w| w.contains("same place")), "{:?}", checked.warnings);
}

#[test]
fn a_plate_that_was_left_in_is_named() {
    let why = Bench::of(&Scene { plate_nm: Some(550.0), ..small("LM-0304", 304, 30.0) }).not_decided();
    assert!(why.contains("full-wave plate"), "{why}");
}

/// Draws a photograph out along its rows, as when the camera moves by nine pixels.
fn draw_out(file: &Path) {
    let still = open(file);
    let moved = RgbImage::from_fn(still.width(), still.height(), |x, y| {
        let seen = |k: u32| still.get_pixel((x + k).clamp(4, still.width() + 3) - 4, y).0;
        Rgb([0, 1, 2].map(|c| ((0..9).map(|k| u32::from(seen(k)[c])).sum::<u32>() / 9) as u8))
    });
    save(&moved, file, 90);
}

/// Of four positions any three tell all that four do.
#[test]
fn one_crossed_picture_that_moved_is_left_out_and_named() {
    let bench = Bench::sound();
    draw_out(&bench.files()[2]);
    let checked = bench.check().unwrap();
    assert!(checked.tally.unjudged.is_empty() && !checked.tally.moved, "{:?}", checked.tally.unjudged);
    let field = &checked.fields[0];
    assert_eq!(field.crystals.crystals.design.angles.len(), 3);
    let told = field.warnings.iter().find(|w| w.starts_with("A_xpl_022.5.jpg is smeared along one direction"));
    assert!(told.is_some_and(|w| w.contains("left out")), "{:?}", field.warnings);
    assert_eq!(field.photographs.len(), 5, "it stays in the report");
    let warned = |p: &&PhotographRecord| p.warnings.iter().any(|w| w.starts_with("smeared"));
    let warned: Vec<&str> = field.photographs.iter().filter(warned).map(|p| p.file.as_str()).collect();
    assert_eq!(warned, ["A_xpl_022.5.jpg"]);
    let Thickness::Measured(s) = &checked.thickness else { panic!("not measured: {:?}", checked.thickness) };
    let [low, high] = s.mean_um.interval;
    assert!(low < 30.0 && 30.0 < high, "{:?}", s.mean_um);
}

/// Two positions do not, and all light is held against the plane photograph's.
#[test]
fn where_the_others_do_not_suffice_a_picture_that_moved_is_named_and_nothing_judged_on_it() {
    // Few boundaries are sharp in the plane light of a clean quartzite.
    let granite = Scene { size_px: [900, 680], grain_um: 100.0, ..Scene::new("LM-0305", 301, Rock::Granite) };
    for (bench, moved) in [(Bench::sound(), &[2, 3][..]), (Bench::of(&granite), &[0])] {
        let before = bench.check().unwrap();
        assert!(before.tally.unjudged.is_empty() && !before.tally.moved, "{:?}", before.tally.unjudged);
        let files = bench.files();
        moved.iter().for_each(|i| draw_out(&files[*i]));
        let after = bench.check().unwrap();
        assert_eq!(after.tally.unjudged.len(), 3);
        let names: Vec<&str> = moved.iter().map(|i| files[*i].file_name().unwrap().to_str().unwrap()).collect();
        let named =
            |why: &str| names.iter().any(|name| why.starts_with(&format!("{name} is smeared along one direction")));
        assert!(named(&after.tally.unjudged[0].1), "{}", after.tally.unjudged[0].1);
        assert_eq!(after.verdict.outcome, Outcome::Undetermined, "{}", after.verdict.why);
        let Thickness::NotMeasurable { why, .. } = &after.thickness else { panic!("{names:?}: measured") };
        assert!(named(why), "{why}");
    }
}

/// Smooth coloured blobs, such as a photograph of a cat has.
fn blobs(seed: f64, width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let (x, y) = (f64::from(x) / 60.0, f64::from(y) / 60.0);
        Rgb([0, 1, 2].map(|c| {
            let phase = seed + f64::from(c);
            let v = (x * 1.3 + phase).sin() + (y * 0.9 - 2.0 * phase).sin() + (0.7 * x - y + 3.0 * phase).cos();
            (128.0 + 38.0 * v) as u8
        }))
    })
}

#[test]
fn what_is_no_section_is_undetermined_and_why_is_said() {
    let bench = Bench::sound();
    let even = |white: bool| {
        move |i: usize| {
            let grey = if white { 255 - i as u8 } else { i as u8 };
            RgbImage::from_pixel(640, 480, Rgb([grey; 3]))
        }
    };
    let noise = |i: usize| {
        let mut state = 77 + i as u32;
        RgbImage::from_fn(640, 480, |_, _| {
            Rgb([0; 3].map(|_: u8| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            }))
        })
    };
    let ramp = |i: usize| {
        RgbImage::from_fn(640, 480, |x, y| {
            Rgb([(x * 255 / 640) as u8, (y * 255 / 480) as u8, ((x + y + 10 * i as u32) % 256) as u8])
        })
    };
    type Draw<'a> = Box<dyn Fn(usize) -> RgbImage + 'a>;
    let table: [(&str, Draw, &str); 6] = [
        ("black", Box::new(even(false)), "A_ppl.jpg is black"),
        ("white", Box::new(even(true)), "A_ppl.jpg is burnt out"),
        ("noise", Box::new(noise), "nothing goes dark"),
        ("a gradient", Box::new(ramp), "show the same picture"),
        (
            "one cat",
            Box::new(|i| {
                let mut cat = blobs(1.0, 640, 480);
                cat.pixels_mut().for_each(|p| p.0 = p.0.map(|v| (f64::from(v) * (1.0 - 0.04 * i as f64)) as u8));
                cat
            }),
            "show the same picture",
        ),
        ("five cats", Box::new(|i| blobs(i as f64, 640, 480)), ""),
    ];
    for (what, draw, words) in table {
        bench.replace_all(draw);
        let why = bench.not_decided();
        assert!(why.contains(words), "{what}: {why}");
    }
}

#[test]
fn pictures_too_small_for_a_field_are_refused_in_a_sentence() {
    let bench = Bench::sound();
    for (w, h) in [(1, 1), (1, 100), (100, 1), (2, 2), (3, 3), (16, 16), (17, 5), (63, 480), (1, 5000), (70, 3000)] {
        bench.replace_all(|i| blobs(i as f64, w, h));
        let told = bench.check().unwrap_err().chain();
        assert!(told.contains(&format!("{w} x {h} pixels")) && told.contains("as the camera took it"), "{told}");
    }
    for (w, h) in [(64, 64), (64, 1000), (1000, 64)] {
        bench.replace_all(|i| blobs(i as f64, w, h));
        bench.check().expect("small, and checked");
        fs::write(bench.slide.join("slide.toml"), "[scale]\num_per_px = 0.001\n").unwrap();
        bench.check().expect("checked at any scale");
        fs::write(bench.slide.join("slide.toml"), "[scale]\num_per_px = 1000\n").unwrap();
        bench.check().expect("checked at any scale");
        fs::write(bench.slide.join("slide.toml"), "").unwrap();
    }
}

#[test]
fn a_plane_photograph_that_is_mostly_white_is_named_where_thickness_is_refused() {
    let bench = Bench::of(&Scene::new("pale", 31, Rock::Marble));
    assert!(!bench.not_decided().contains("overexposed"));
    let file = bench.files().remove(0);
    let mut plane = open(&file);
    // The lamp lies off the axis: half of the field is white.
    let half = plane.width() / 2;
    plane
        .enumerate_pixels_mut()
        .filter(|(x, ..)| *x < half)
        .for_each(|(_, _, p)| p.0 = p.0.map(|v| v.saturating_mul(2)));
    save(&plane, &file, 95);
    let why = bench.not_decided();
    assert!(why.contains("_ppl.jpg is overexposed on"), "{why}");
}
