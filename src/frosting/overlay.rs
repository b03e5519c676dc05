//! The photograph with what was found drawn on it.

use crate::slide::Photograph;
use crate::slide::photograph::Samples;
use image::{Rgb, RgbImage};

use crate::frosting::Frosting;
use crate::frosting::geometry::Point;

/// Longest side of the drawing, pixels.
const LONGEST: usize = 2400;
/// The glass, glossy patches, grooves and the bevel.
const GLASS: [u8; 3] = [40, 200, 90];
const GLOSSY: [u8; 3] = [230, 40, 40];
const GROOVE: [u8; 3] = [220, 60, 220];
const BEVEL: [u8; 3] = [250, 210, 30];

/// Draws outline (green), bevel (yellow), glossy patches (red) and grooves (violet); large photographs are drawn smaller.
#[must_use]
pub fn draw(photograph: &Photograph, found: &Frosting) -> RgbImage {
    let by = photograph.width.max(photograph.height).div_ceil(LONGEST).max(1);
    let (w, h) = (photograph.width / by, photograph.height / by);
    let shift = if matches!(photograph.samples, Samples::Sixteen(_)) { 8 } else { 0 };
    let mut image = RgbImage::from_fn(w as u32, h as u32, |x, y| {
        let (x, y) = (x as usize * by + by / 2, y as usize * by + by / 2);
        Rgb([0, 1, 2].map(|c| (photograph.code(x, y, c) >> shift) as u8))
    });
    let thick = (w.max(h) / 500).max(1) as i32;
    let mut line = |points: &[Point], closed: bool, colour: [u8; 3]| {
        let n = points.len();
        for i in 0..if closed { n } else { n.saturating_sub(1) } {
            stroke(&mut image, points[i], points[(i + 1) % n], by, thick, colour);
        }
    };
    line(&found.outline_px, true, GLASS);
    found.grooves.iter().for_each(|g| line(&g.ends_px, false, GROOVE));
    found.glossy.iter().for_each(|p| line(&p.outline_px, true, GLOSSY));
    if let Some(ends) = found.bevel_px {
        line(&ends, false, BEVEL);
    }
    image
}

fn stroke(image: &mut RgbImage, a: Point, b: Point, by: usize, thick: i32, colour: [u8; 3]) {
    let [a, b] = [a, b].map(|p| p.map(|v| v / by as f64));
    let steps = (b[0] - a[0]).abs().max((b[1] - a[1]).abs()).ceil() as usize;
    for k in 0..=steps {
        let t = k as f64 / steps.max(1) as f64;
        let (x, y) = (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]));
        for dy in 0..thick {
            for dx in 0..thick {
                let (u, v) =
                    (x.round() as i64 + i64::from(dx - thick / 2), y.round() as i64 + i64::from(dy - thick / 2));
                if u >= 0 && v >= 0 && u < i64::from(image.width()) && v < i64::from(image.height()) {
                    image.put_pixel(u as u32, v as u32, Rgb(colour));
                }
            }
        }
    }
}
