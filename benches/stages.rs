//! The stages of a check, each by itself, on one field of 1 + 4 photographs of 2 megapixels (rendered with a fixed seed):
//! `cargo bench --bench stages`. `RAYON_NUM_THREADS=1` shows one core.

use std::path::PathBuf;
use std::sync::LazyLock;

use divan::{Bencher, black_box};
use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use thinproof::demo::{Flaws, Rock, Scene};
use thinproof::pipeline::crystals_of;
use thinproof::register::FieldStack;
use thinproof::report::FieldPicture;
use thinproof::section::cells::box_mean;
use thinproof::section::crystals::{binning, find_crystals};
use thinproof::section::extinction::ExtinctionPlanes;
use thinproof::section::light_field::FieldLight;
use thinproof::section::ridge::{LineField, RidgeBasis};
use thinproof::section::{bubbles, find_defects, plucks};
use thinproof::slide::folder::FieldPhotographs;
use thinproof::slide::{Impregnation, Slide, Turned};
use thinproof::thickness::{SectionSize, Yardstick, measure};

/// As the command has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Stretch of the line search, cells.
const STRETCH: usize = 48;

struct Field {
    slide: Slide,
    stack: FieldStack,
    light: FieldLight,
    _folder: tempfile::TempDir,
}

static FIELD: LazyLock<Field> = LazyLock::new(|| {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let flaws = Flaws { bubbles: 3, plucks: 2, scratches: 4, ..Flaws::default() };
    let scene = Scene { flaws, size_px: [1640, 1230], ..Scene::new("LM-4100", 4100, Rock::Quartzite) };
    let path: PathBuf = scene.render_to(folder.path()).expect("the slide is rendered").0;
    // THINPROOF_BENCH_SLIDE=DIR leaves the photographs there, for the same stages in other programs.
    if let Ok(kept) = std::env::var("THINPROOF_BENCH_SLIDE") {
        scene.render_to(kept.as_ref()).expect("the slide is rendered");
    }
    let slide = Slide::read(&path).expect("the rendered slide is whole");
    let photographs = slide.load(&slide.fields[0]).expect("the photographs are whole");
    let stack = register(&slide, photographs);
    let light = FieldLight::of(&stack);
    Field { slide, stack, light, _folder: folder }
});

fn register(slide: &Slide, photographs: FieldPhotographs) -> FieldStack {
    FieldStack::register(&slide.fields[0], photographs, slide.scale, Turned::Polars).expect("the field is whole")
}

fn main() {
    LazyLock::force(&FIELD);
    divan::main();
}

#[divan::bench(sample_count = 10)]
fn a_decode() -> FieldPhotographs {
    FIELD.slide.load(&FIELD.slide.fields[0]).expect("the photographs are whole")
}

#[divan::bench(sample_count = 10)]
fn b_register(bencher: Bencher) {
    let load = || FIELD.slide.load(&FIELD.slide.fields[0]).expect("the photographs are whole");
    bencher.with_inputs(load).bench_values(|photographs| register(&FIELD.slide, photographs));
}

#[divan::bench(sample_count = 10)]
fn c_linear_light() {
    black_box(FIELD.stack.plane_light(1));
    for i in 0..FIELD.stack.crossed.len() {
        black_box(FIELD.stack.crossed_light(i, 1));
    }
}

#[divan::bench(sample_count = 10)]
fn d_ratio_and_extinction() -> ExtinctionPlanes {
    ExtinctionPlanes::new(&FIELD.stack, binning(FIELD.stack.scale))
}

#[divan::bench(sample_count = 10)]
fn e_smoothing() -> ndarray::Array2<f32> {
    box_mean(&FIELD.light.plane.fine, 5)
}

#[divan::bench(sample_count = 10)]
fn f_ridge_filter() -> RidgeBasis {
    RidgeBasis::of(&FIELD.light.plane.fine, 30, 0.018)
}

#[divan::bench(sample_count = 5)]
fn g_line_search(bencher: Bencher) {
    let basis = RidgeBasis::of(&FIELD.light.plane.fine, 30, 0.018);
    bencher.bench(|| LineField::search(&basis, STRETCH));
}

#[divan::bench(sample_count = 10)]
fn h_components() -> image::ImageBuffer<Luma<u32>, Vec<u32>> {
    let (rows, columns) = FIELD.light.plane.fine.dim();
    let dark = |x: u32, y: u32| FIELD.light.plane.fine[[y as usize, x as usize]] < -0.3;
    let mask = GrayImage::from_fn(columns as u32, rows as u32, |x, y| Luma([if dark(x, y) { 255 } else { 0 }]));
    connected_components(&mask, Connectivity::Four, Luma([0]))
}

#[divan::bench(sample_count = 10)]
fn i_crystals(bencher: Bencher) {
    let planes = ExtinctionPlanes::new(&FIELD.stack, binning(FIELD.stack.scale));
    bencher.bench(|| find_crystals(&planes));
}

#[divan::bench(sample_count = 10)]
fn j_thickness(bencher: Bencher) {
    let fields = [crystals_of(&FIELD.stack)];
    let size = SectionSize { width_mm: None, height_mm: None };
    let yardstick = Yardstick::quartz();
    bencher.bench(|| measure(&fields, size, &yardstick));
}

#[divan::bench(sample_count = 10)]
fn k_bubbles() -> usize {
    bubbles::find(&FIELD.light).len()
}

#[divan::bench(sample_count = 10)]
fn l_plucks() -> usize {
    plucks::find(&FIELD.light).len()
}

#[divan::bench(sample_count = 5)]
fn m_all_defects() -> usize {
    find_defects(&FIELD.stack, Impregnation::None).scratches.len()
}

#[divan::bench(sample_count = 10)]
fn n_pictures() -> FieldPicture {
    FieldPicture::of(&FIELD.stack).expect("pictures are encoded")
}
