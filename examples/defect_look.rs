//! What the defect finders see in one plane and one or more crossed pictures of the same place (PNG or JPEG, same size):
//!
//! `cargo run --example defect_look -- 1.6 none plane.png crossed_000.png crossed_022.5.png ...`
//!
//! The first argument is the scale in µm per pixel, `-` when it is not known, the second the
//! resin in the rock's own pores (none, clear, blue). Prints every candidate with its measures,
//! those below the bar too, as tab-separated lines.

use std::time::Instant;

use ndarray::Array2;
use thinproof::section::candidates::Candidates;
use thinproof::section::defects::find_in_light;
use thinproof::section::light_field::FieldLight;
use thinproof::section::plane_light::coarse_bin;
use thinproof::slide::photograph::LinearPlanes;
use thinproof::slide::record::Impregnation;

fn linear(path: &str) -> LinearPlanes {
    let picture = image::open(path).unwrap_or_else(|e| panic!("{path}: {e}")).to_rgb8();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let curve = |v: u8| {
        let e = f32::from(v) / 255.0;
        if e <= 0.04045 { e / 12.92 } else { ((e + 0.055) / 1.055).powf(2.4) }
    };
    let table: Vec<f32> = (0..=255).map(curve).collect();
    let rgb = std::array::from_fn(|c| {
        Array2::from_shape_fn((h, w), |(y, x)| table[usize::from(picture.get_pixel(x as u32, y as u32).0[c])])
    });
    LinearPlanes { bin: 1, rgb, mask: Array2::zeros((h, w)) }
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let scale: Option<f64> = arguments.next().and_then(|a| a.parse().ok());
    let impregnation = match arguments.next().as_deref() {
        Some("clear") => Impregnation::Clear,
        Some("blue") => Impregnation::Blue,
        _ => Impregnation::None,
    };
    let files: Vec<String> = arguments.collect();
    let plane = linear(&files[0]);
    let bin = coarse_bin(scale);
    let crossed: Vec<LinearPlanes> = files[1..]
        .iter()
        .map(|f| {
            let x = linear(f);
            let rgb = x.rgb.map(|p| thinproof::section::cells::shrink(&p, bin));
            let mask = Array2::zeros(rgb[0].dim());
            LinearPlanes { bin, rgb, mask }
        })
        .collect();
    let angles: Vec<f64> = (0..crossed.len()).map(|i| 22.5 * i as f64).collect();
    let start = Instant::now();
    let light = FieldLight::from_planes(&plane, &crossed, &angles, scale);
    let prepared = start.elapsed().as_secs_f64();
    let candidates = Candidates::of(&light);
    let looked = start.elapsed().as_secs_f64();
    let start_all = Instant::now();
    let found = find_in_light(&light, "field", impregnation);
    println!("# seconds for all: {:.2}", start_all.elapsed().as_secs_f64());
    for b in &found.bubbles {
        println!("reported bubble\t{}\t{}\t{}\t{}", b.x_px, b.y_px, b.diameter_px, b.confidence);
    }
    for p in &found.plucks {
        println!("reported pluck\t{}\t{}\t{}\t{}\t{}", p.x_px, p.y_px, p.area_px, p.confidence, p.ambiguous);
    }
    for l in &found.scratches {
        println!("reported scratch\t{}\t{}\t{}\t{}\t{}", l.x0_px, l.y0_px, l.x1_px, l.y1_px, l.confidence);
    }
    for f in &found.fibres {
        let [x0, y0, x1, y1] = f.box_px;
        println!("reported fibre\t{x0}\t{y0}\t{x1}\t{y1}\t{:.0}\t{}", f.length_px, f.confidence);
    }
    println!("# seconds: light {prepared:.2}, candidates {:.2}", looked - prepared);
    for r in &candidates.rings {
        print!(
            "bubble\t{:.2}\tx {:.1}\ty {:.1}\td {:.1}\tshare {:.2}\tjudged {:.2}\trough {:.3}\tdepth {:.2}\tinner {:.2}\trim {:.2}\tuneven {:.2}\tout {:.2}",
            r.confidence,
            r.x,
            r.y,
            2.0 * r.radius,
            r.share,
            r.judged,
            r.roughness,
            r.depth,
            r.inner_depth,
            r.rim_width,
            r.unevenness,
            r.inside_out
        );
        print!("\toval {:.4}\trough {:.4}\trim tint {:.3}", r.oval, r.roughness, r.rim_tint);
        r.odds().0.iter().for_each(|c| print!("\t{} {:.4}", c.name, c.value));
        println!();
    }
    for h in &candidates.holes {
        print!(
            "pluck\t{:.2}\tx {:.1}\ty {:.1}\tarea {:.0}\twall {:.2}\tdepth {:.2}\tdetail {:.2}\tusual {:.2}\tlevel {:.3}\tlit {:.3}\ttint {:.3}\tcut {:.2}\tfull {:.2}",
            h.confidence,
            h.centroid[0],
            h.centroid[1],
            h.area,
            h.wall,
            h.wall_depth,
            h.detail,
            h.usual_detail,
            h.level,
            h.lit,
            h.tint,
            h.cut,
            h.fullness
        );
        h.odds().0.iter().for_each(|c| print!("\t{} {:.4}", c.name, c.value));
        println!();
    }
    for l in &candidates.lines {
        print!(
            "scratch\t{:.2}\tx0 {:.1}\ty0 {:.1}\tx1 {:.1}\ty1 {:.1}\tum {:.0}\twidth {:.2}\tdepth {:.3}",
            l.confidence, l.ends[0][0], l.ends[0][1], l.ends[1][0], l.ends[1][1], l.length_um, l.width_um, l.depth
        );
        l.odds().0.iter().for_each(|c| print!("\t{} {:.3}", c.name, c.value));
        println!();
    }
}
