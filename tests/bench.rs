//! What the tests of the built command share: running it, small slides, flat photographs.

use std::path::Path;
use std::process::{Command, Output};

use image::{Rgb, RgbImage};
use thinproof::demo::{Rock, Scene, Wedge};

/// Runs the built command in `dir`.
pub(crate) fn thinproof(dir: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thinproof"))
        .current_dir(dir)
        .args(arguments)
        .output()
        .expect("the built command starts")
}

/// What was printed, as text.
pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// The exit code.
pub(crate) fn code(output: &Output) -> i32 {
    output.status.code().expect("it was not killed")
}

/// A small field of clean and fine quartzite, quick to render and to check. How well defects are told from dirt is scored by
/// `examples/defect_study.rs`, not here.
pub(crate) fn small(id: &str, seed: u64, thickness_um: f64) -> Scene {
    Scene {
        size_px: [640, 480],
        grain_um: 100.0,
        clutter: 0.4,
        wedge: Wedge { centre_um: thickness_um, gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 },
        ..Scene::new(id, seed, Rock::Quartzite)
    }
}

/// Writes a photograph of one even grey.
pub(crate) fn flat(path: &Path, width: u32, height: u32, grey: u8) {
    RgbImage::from_pixel(width, height, Rgb([grey; 3])).save(path).expect("a photograph is written");
}

/// A slide folder of evenly grey photographs: one plane, two crossed.
pub(crate) fn flat_slide(dir: &Path) {
    std::fs::create_dir_all(dir).expect("a folder is made");
    for (name, grey) in [("A_ppl.jpg", 200), ("A_xpl_0.jpg", 100), ("A_xpl_45.jpg", 120)] {
        flat(&dir.join(name), 320, 240, grey);
    }
}
