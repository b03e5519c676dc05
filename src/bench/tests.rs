//! The bench with rendered slides: sorting by what the pictures show, and a sitting from arrivals to kept folders.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant, SystemTime};

use crate::demo::{Rock, Scene, View, Wedge};
use crate::house::House;
use crate::slide::photograph::Role;
use crate::slide::{Slide, Turned};
use crate::thickness::Thickness;

use super::arrivals::taken_whole;
use super::session::{Event, Session, Settings};
use super::sorting::{Bench, Placed};
use super::visit::{Angle, Shot};

/// Slides of 440 by 330 pixels, rendered once.
fn slides() -> &'static Path {
    static DIR: OnceLock<tempfile::TempDir> = OnceLock::new();
    DIR.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let slide = |id: &str, seed, um| {
            let even = Wedge { centre_um: um, gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 };
            let two = [("A", 12.0), ("B", 26.0)].map(|(n, x)| View { name: n.into(), centre_mm: [x, 12.0] });
            let new = Scene::new(id, seed, Rock::Quartzite);
            Scene { size_px: [440, 330], grain_um: 62.0, wedge: even, views: two.to_vec(), record: false, ..new }
        };
        // One slide in three passes, another, and one photographed on a turned stage.
        for (id, um) in [("first", 46.0), ("second", 39.0), ("third", 31.0)] {
            slide(id, 5, um).render_to(dir.path()).unwrap();
        }
        slide("other", 6, 30.0).render_to(dir.path()).unwrap();
        let stage = slide("stage", 7, 36.0);
        Scene { turned: Turned::Stage, pivot_px: [9.0, -6.0], ..stage }.render_to(dir.path()).unwrap();
        dir
    })
    .path()
}

/// A photograph of a rendered slide as it would arrive under another name, `at` seconds after the sitting began.
fn shot(slide: &str, file: &str, name: &str, at: i64) -> Shot {
    let path = slides().join(slide).join(file);
    let a = taken_whole(&path, Path::new(name)).unwrap();
    Shot {
        relative: PathBuf::from(name),
        copy: path,
        sha256: a.sha256,
        taken_s: Some(at),
        saved: SystemTime::UNIX_EPOCH + Duration::from_secs(at as u64),
        exposure: a.exposure,
        um_per_px: None,
        sketch: a.sketch,
    }
}

/// (slide, number of its pass, field, role) of a photograph, or why it was put aside.
fn place(bench: &Bench, placed: &Placed) -> Result<(usize, usize, String, Role), String> {
    match placed {
        Placed::At { slide, field, role, .. } => Ok((*slide, bench.slides[*slide].passes.len(), field.clone(), *role)),
        Placed::Aside(why) => Err(why.clone()),
    }
}

#[test]
fn nameless_photographs_are_sorted_by_what_they_show() {
    let mut bench = Bench::new("camera", 300);
    let (plane, crossed) = (Role::Plane, Role::Crossed);
    let story = [
        // The first slide: two fields.
        ("first", "A_ppl.jpg", 0, (0, 1, "A", plane)),
        ("first", "A_xpl_000.0.jpg", 5, (0, 1, "A", crossed)),
        ("first", "A_xpl_045.0.jpg", 10, (0, 1, "A", crossed)),
        ("first", "B_ppl.jpg", 60, (0, 1, "B", plane)),
        ("first", "B_xpl_022.5.jpg", 65, (0, 1, "B", crossed)),
        // A crossed photograph of the field before: its place tells, not its time.
        ("first", "A_xpl_067.5.jpg", 70, (0, 1, "A", crossed)),
        // After the wheel: the same places are a new pass.
        ("second", "A_ppl.jpg", 400, (0, 2, "A", plane)),
        ("second", "A_xpl_000.0.jpg", 405, (0, 2, "A", crossed)),
        ("second", "B_ppl.jpg", 420, (0, 2, "B", plane)),
        // Another slide after a pause, and the first one back again.
        ("other", "A_ppl.jpg", 1000, (1, 1, "A", plane)),
        ("other", "A_xpl_045.0.jpg", 1005, (1, 1, "A", crossed)),
        ("third", "A_ppl.jpg", 1020, (0, 3, "A", plane)),
        ("third", "A_xpl_045.0.jpg", 1025, (0, 3, "A", crossed)),
    ];
    for (n, (slide, file, at, (to, pass, field, role))) in story.into_iter().enumerate() {
        let placed = bench.take(shot(slide, file, &format!("IMG_{n:04}.jpg"), at));
        let found = place(&bench, &placed[0].1);
        assert_eq!(found, Ok((to, pass, field.to_owned(), role)), "{slide}/{file}: {:?}", placed[0].1);
    }
    assert_eq!(bench.slides.len(), 2);
    assert_eq!(bench.slides.iter().map(|s| s.id.as_str()).collect::<Vec<_>>(), ["camera", "camera-2"]);
    let unknown = bench.slides[0].passes[0].fields[0].crossed.iter().all(|c| c.angle == Angle::Unknown);
    assert!(unknown, "still pictures alone tell no angle");
}

#[test]
fn a_turned_stage_is_told_by_the_turn_of_the_picture() {
    let mut bench = Bench::new("camera", 300);
    bench.take(shot("stage", "A_ppl.jpg", "1.jpg", 0));
    for (n, (file, deg)) in [("A_xpl_022.5.jpg", 22.5), ("A_xpl_045.0.jpg", 45.0)].into_iter().enumerate() {
        let placed = bench.take(shot("stage", file, &format!("{n}x.jpg"), 10));
        assert!(matches!(placed[0].1, Placed::At { .. }), "{file}: {placed:?}");
        let Angle::Turned(turn) = bench.slides[0].passes[0].fields[0].crossed[n].angle else {
            panic!("{file}: no turn was seen")
        };
        // Which way a stage is read is the stage's affair.
        let off = (turn.min(360.0 - turn) - deg).abs();
        assert!(off < 0.3, "{file}: {turn:.2}");
    }
}

#[test]
fn crossed_photographs_wait_for_their_plane_one_and_twins_are_refused() {
    let mut bench = Bench::new("camera", 300);
    let early = bench.take(shot("first", "A_xpl_045.0.jpg", "1.jpg", 0));
    assert!(place(&bench, &early[0].1).unwrap_err().contains("waits"), "{early:?}");
    let both = bench.take(shot("first", "A_ppl.jpg", "2.jpg", 5));
    let roles: Vec<Role> = both.iter().map(|(_, p)| place(&bench, p).unwrap().3).collect();
    assert_eq!(roles, [Role::Plane, Role::Crossed]);
    assert_eq!(bench.aside().count(), 0);
    let twin = bench.take(shot("first", "A_ppl.jpg", "3.jpg", 6));
    assert!(place(&bench, &twin[0].1).unwrap_err().contains("same photograph as 2.jpg"));
    // Of another place, and not at once after the field at hand.
    let stray = bench.take(shot("other", "B_xpl_045.0.jpg", "4.jpg", 200));
    assert!(place(&bench, &stray[0].1).unwrap_err().contains("none of the fields"), "{stray:?}");
}

#[test]
fn names_go_before_pictures() {
    let mut bench = Bench::new("camera", 300);
    let mut put = |slide: &str, file: &str, name: &str, at: i64| {
        let placed = bench.take(shot(slide, file, name, at));
        let (to, pass, field, role) = place(&bench, &placed[0].1).unwrap();
        (bench.slides[to].id.clone(), pass, field, role)
    };
    let at = |id: &str, pass, field: &str, role| (id.to_owned(), pass, field.to_owned(), role);
    let (plane, crossed) = (Role::Plane, Role::Crossed);
    assert_eq!(put("first", "A_ppl.jpg", "LM-0142_A_ppl.jpg", 0), at("LM-0142", 1, "A", plane));
    assert_eq!(put("first", "A_xpl_045.0.jpg", "LM-0142_A_xpl_45.jpg", 5), at("LM-0142", 1, "A", crossed));
    assert_eq!(put("other", "A_ppl.jpg", "LM-0143_A_ppl.jpg", 9), at("LM-0143", 1, "A", plane));
    assert_eq!(put("second", "A_ppl.jpg", "LM-0142_A_ppl.jpg", 900), at("LM-0142", 2, "A", plane));
    assert_eq!(put("second", "A_xpl_045.0.jpg", "LM-0142_A_xpl_45.jpg", 905), at("LM-0142", 2, "A", crossed));
    // A folder of its own for each pass.
    assert_eq!(put("third", "A_ppl.jpg", "LM-0142/c/A_ppl.jpg", 1900), at("LM-0142", 3, "A", plane));
    let angle = bench.slides[0].passes[1].fields[0].crossed[0].angle;
    assert_eq!(angle, Angle::Named(45.0));
}

/// Names, sizes, times and bytes of everything in a folder.
fn everything(dir: &Path) -> BTreeMap<PathBuf, (SystemTime, Vec<u8>)> {
    let entries = fs::read_dir(dir).unwrap().map(|e| e.unwrap().path());
    entries.map(|p| (p.clone(), (fs::metadata(&p).unwrap().modified().unwrap(), fs::read(&p).unwrap()))).collect()
}

/// Looks until nothing is under way; what happened.
fn settle(session: &mut Session) -> Vec<Event> {
    let begun = Instant::now();
    let mut events = Vec::new();
    for quiet in 0.. {
        events.extend(session.look().unwrap());
        if quiet > 3 && !session.busy() {
            events.extend(session.look().unwrap());
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(120), "it does not come to rest: {events:?}");
        std::thread::sleep(Duration::from_millis(30));
    }
    events
}

#[test]
fn a_sitting_follows_a_slide_from_pass_to_pass_and_changes_nothing_in_the_folder() {
    let (watched, kept) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (dir, save) = (watched.path(), kept.path().join("kept"));
    fs::write(dir.join("slide.toml"), "[slide]\nmark_corner = \"top-left\"\n[scale]\num_per_px = 1.6\n").unwrap();
    let settings =
        Settings { folder: dir.into(), gap_s: 300, grit: None, house: House::default(), save: Some(save.clone()) };
    let mut session = Session::begin(settings).unwrap();
    let mut n = 0;
    let mut arrive = |slide: &str, file: &str| {
        n += 1;
        fs::copy(slides().join(slide).join(file), dir.join(format!("IMG_{n:04}.jpg"))).unwrap();
    };
    for (pass, slide, um) in [(0, "first", 46.0), (1, "second", 39.0)] {
        let mut verdicts = 0;
        // One after the other, and all that the second pass has in one go.
        let files = ["A_ppl.jpg", "A_xpl_000.0.jpg", "A_xpl_022.5.jpg", "A_xpl_045.0.jpg"];
        let goes: &[&[&str]] = if pass == 0 { &[&files[..2], &files[2..]] } else { &[&files] };
        for go in goes {
            go.iter().for_each(|file| arrive(slide, file));
            let file = go[0];
            let events = settle(&mut session);
            assert!(events.iter().any(|e| matches!(e, Event::Placed { .. })), "{file}: {events:?}");
            let state = &session.states[&(0, pass)];
            assert_eq!(state.failed, None, "{file}");
            let checked = state.checked.as_ref().expect("one crossed photograph is enough for a verdict");
            let Thickness::Measured(surface) = &checked.thickness else { panic!("{file}: not measured") };
            verdicts += 1;
            assert!((surface.mean_um.value - um).abs() < 2.5, "{file}: {:.1} of {um}", surface.mean_um.value);
            assert!(state.whole, "{file}: at rest the defects are in it");
        }
        assert_eq!(verdicts, goes.len());
    }
    assert_eq!((session.bench.slides.len(), session.bench.slides[0].passes.len()), (1, 2));
    let angles: Vec<f64> =
        session.bench.slides[0].passes[0].fields[0].crossed.iter().map(|c| c.angle.deg().unwrap()).collect();
    for (found, true_deg) in angles.iter().zip([0.0, 22.5, 45.0]) {
        assert!((found - true_deg).abs() < 2.0, "{angles:?}");
    }
    let (readings, _, way) = session.way(0).unwrap();
    assert_eq!(readings.len(), 2);
    assert!((way.removed[0].um - 7.0).abs() < 2.0, "{way:?}");

    let before = everything(dir);
    assert_eq!(before.len(), 9, "eight photographs and slide.toml, nothing else");
    session.keep_all().unwrap();
    drop(session);
    assert_eq!(everything(dir), before);
    // What was kept are slide folders that can be checked again.
    let base = super::naming::as_id(&dir.file_name().unwrap().to_string_lossy());
    for folder in [save.join(&base), save.join(format!("{base}-pass-2"))] {
        let slide = Slide::read(&folder).unwrap();
        assert_eq!(slide.fields.len(), 1);
        assert_eq!(slide.fields[0].crossed.len(), 3);
        assert_eq!(slide.scale.map(crate::units::MicrometresPerPixel::um_per_px), Some(1.6));
    }
    assert_eq!(fs::read_to_string(save.join(&base).join("passes.csv")).unwrap().lines().count(), 3);
}

#[test]
fn nothing_is_kept_in_the_watched_folder_or_over_what_is_there() {
    let watched = tempfile::tempdir().unwrap();
    let settings = |save: PathBuf| Settings {
        folder: watched.path().into(),
        gap_s: 300,
        grit: None,
        house: House::default(),
        save: Some(save),
    };
    let error = Session::begin(settings(watched.path().join("kept"))).unwrap_err();
    assert!(error.to_string().contains("nothing is changed"), "{error}");
    assert_eq!(fs::read_dir(watched.path()).unwrap().count(), 0);

    let kept = tempfile::tempdir().unwrap();
    fs::create_dir(kept.path().join("LM-0142")).unwrap();
    let mut session = Session::begin(settings(kept.path().into())).unwrap();
    fs::copy(slides().join("first/A_ppl.jpg"), watched.path().join("LM-0142_A_ppl.jpg")).unwrap();
    settle(&mut session);
    let error = session.keep_all().unwrap_err();
    assert!(error.to_string().contains("was there before"), "{error}");
    assert_eq!(fs::read_dir(kept.path().join("LM-0142")).unwrap().count(), 0);
}

#[test]
fn fields_of_two_slides_in_one_folder_are_told_of() {
    let folder = tempfile::tempdir().unwrap();
    for (slide, name) in [("first", "granite"), ("other", "basalt")] {
        for file in ["A_ppl.jpg", "A_xpl_045.0.jpg"] {
            fs::copy(slides().join(slide).join(file), folder.path().join(format!("{name}_{file}"))).unwrap();
        }
    }
    let said = super::sorting_of::sorted(folder.path(), "new", false).unwrap().unwrap().said;
    assert!(said.iter().any(|s| s.contains("put the photographs of each into a folder of its own")), "{said:?}");
    let warnings = Slide::read(folder.path()).unwrap().warnings;
    assert!(warnings.iter().any(|s| s.contains("(basalt, granite): if they are of several slides")), "{warnings:?}");
}

/// Names that end in 1, 2, 3 count the photographs: the grains tell the angles.
#[test]
fn a_counter_in_the_names_is_no_angle() {
    let folder = tempfile::tempdir().unwrap();
    for (file, name) in [
        ("A_ppl.jpg", "A_ppl.jpg"),
        ("A_xpl_000.0.jpg", "A_xpl_1.jpg"),
        ("A_xpl_022.5.jpg", "A_xpl_2.jpg"),
        ("A_xpl_045.0.jpg", "A_xpl_3.jpg"),
    ] {
        fs::copy(slides().join("first").join(file), folder.path().join(name)).unwrap();
    }
    let error = Slide::read(folder.path()).unwrap_err().to_string();
    assert!(error.contains("A_xpl_1.jpg: ") && error.contains("(1, 2, 3) and is no angle"), "{error}");
    let sorted = super::sorting_of::sorted(folder.path(), "first", false).unwrap().unwrap();
    let angles: Vec<f64> = sorted.sheet.fields[0].crossed.iter().filter_map(|(_, a)| a.deg()).collect();
    assert_eq!(angles.len(), 3, "{:?}", sorted.said);
    for (found, true_deg) in angles.iter().zip([0.0, 22.5, 45.0]) {
        assert!((found - true_deg).abs() < 2.0, "{angles:?}");
    }
    // What it wrote can be checked.
    fs::write(folder.path().join("slide.toml"), sorted.sheet.text()).unwrap();
    assert_eq!(Slide::read(folder.path()).unwrap().fields[0].crossed.len(), 3);
}

/// Photographs that were there before the sitting began give the passes too.
#[test]
fn what_is_there_at_the_start_is_taken_in_the_order_of_its_names() {
    let watched = tempfile::Builder::new().prefix("camera").tempdir().unwrap();
    let mut n = 0;
    for slide in ["first", "second"] {
        for file in ["A_ppl.jpg", "A_xpl_045.0.jpg"] {
            n += 1;
            let to = watched.path().join(format!("{n}.png"));
            // Without EXIF, so that names alone order them.
            let picture = image::open(slides().join(slide).join(file)).unwrap();
            picture.save(&to).unwrap();
            fs::File::options()
                .write(true)
                .open(&to)
                .unwrap()
                .set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000))
                .unwrap();
        }
    }
    let folder = watched.path().to_path_buf();
    let settings = Settings { folder, gap_s: 300, grit: None, house: House::default(), save: None };
    let mut session = Session::begin(settings).unwrap();
    let events = settle(&mut session);
    assert_eq!((session.bench.slides.len(), session.bench.slides[0].passes.len()), (1, 2), "{events:?}");
    assert_eq!(session.way(0).unwrap().0.len(), 2, "both passes are measured: {events:?}");
}
