//! What a camera program burnt into the picture: a scale bar and its figures. No part of the rock.

use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;

/// Log transmission under which ink is black: an opaque grain is as dark, but no rectangle.
const BLACK_INK: f32 = -2.3;
/// Log transmission over which ink is white: brighter than the open field.
const WHITE_INK: f32 = 0.06;
/// Shortest bar, share of the picture's width.
const SHORTEST: f64 = 0.03;
/// Margin round ink, pixels: JPEG rings.
const MARGIN: f64 = 4.0;
/// How far from the bar its figures stand at most, share of its length, and at least so many pixels.
const FIGURES: (f64, usize) = (0.4, 24);

/// Boxes (x0, y0, x1, y1, pixels) that burnt-in ink covers: each bar and each figure beside it. `fine` shows a picture that is
/// `across` pixels wide, or a window of it.
#[must_use]
pub fn boxes(fine: &Array2<f32>, across: usize) -> Vec<[f64; 4]> {
    let inks: [fn(f32) -> bool; 2] = [|v| v < BLACK_INK, |v| v > WHITE_INK];
    inks.iter().flat_map(|ink| of_ink(fine, across, *ink)).collect()
}

/// Whether (x, y) lies in one of the boxes.
#[must_use]
pub fn covers(boxes: &[[f64; 4]], x: f64, y: f64) -> bool {
    boxes.iter().any(|b| x >= b[0] && y >= b[1] && x <= b[2] && y <= b[3])
}

fn of_ink(fine: &Array2<f32>, across: usize, ink: fn(f32) -> bool) -> Vec<[f64; 4]> {
    let (height, width) = fine.dim();
    let least = ((SHORTEST * across as f64) as usize).max(16);
    // Long runs of ink, row by row; those of the same two ends in rows that follow are one bar.
    let mut bars: Vec<[usize; 4]> = Vec::new();
    for y in 0..height {
        let row = fine.row(y);
        let mut x = 0;
        while x < width {
            if !ink(row[x]) {
                x += 1;
                continue;
            }
            let start = x;
            while x < width && ink(row[x]) {
                x += 1;
            }
            if x - start < least {
                continue;
            }
            let same = |b: &&mut [usize; 4]| b[3] == y && b[0].abs_diff(start) <= 2 && b[2].abs_diff(x) <= 2;
            match bars.iter_mut().find(same) {
                Some(b) => b[3] = y + 1,
                None => bars.push([start, y, x, y + 1]),
            }
        }
    }
    bars.retain(|b| {
        let (length, tall) = (b[2] - b[0], b[3] - b[1]);
        // A rectangle: no ink goes on above or below its ends, as it would in an opaque grain.
        let free = |y: Option<usize>| {
            y.filter(|y| *y < height).is_none_or(|y| {
                let inked = (b[0]..b[2]).filter(|x| ink(fine[[y, *x]])).count();
                inked * 5 < length
            })
        };
        tall >= 2 && 5 * tall < length && free(b[1].checked_sub(2)) && free(Some(b[3] + 1))
    });
    let mut out = Vec::new();
    for b in bars {
        let length = b[2] - b[0];
        out.push([b[0] as f64 - MARGIN, b[1] as f64 - MARGIN, b[2] as f64 + MARGIN, b[3] as f64 + MARGIN]);
        let reach = ((FIGURES.0 * length as f64) as usize).max(FIGURES.1);
        let (x0, x1) = (b[0].saturating_sub(length / 10), (b[2] + length / 10).min(width));
        figures(fine, ink, [x0, b[1].saturating_sub(reach), x1, b[1].saturating_sub(1)], &mut out);
        figures(fine, ink, [x0, (b[3] + 1).min(height), x1, (b[3] + reach).min(height)], &mut out);
    }
    out
}

/// Small pieces of ink within a box that do not touch its sides.
fn figures(fine: &Array2<f32>, ink: fn(f32) -> bool, [x0, y0, x1, y1]: [usize; 4], out: &mut Vec<[f64; 4]>) {
    if x1 <= x0 + 2 || y1 <= y0 + 2 {
        return;
    }
    let (w, h) = ((x1 - x0) as u32, (y1 - y0) as u32);
    let inked =
        GrayImage::from_fn(w, h, |x, y| Luma([if ink(fine[[y0 + y as usize, x0 + x as usize]]) { 255 } else { 0 }]));
    let labels = connected_components(&inked, Connectivity::Eight, Luma([0]));
    let count = labels.iter().copied().max().unwrap_or(0) as usize;
    let mut bounds = vec![[u32::MAX, u32::MAX, 0, 0]; count];
    for (x, y, l) in labels.enumerate_pixels() {
        if l.0[0] > 0 {
            let b = &mut bounds[l.0[0] as usize - 1];
            *b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        }
    }
    for b in bounds {
        let inside = b[0] > 0 && b[1] > 0 && b[2] + 1 < w && b[3] + 1 < h;
        if inside && b[3] - b[1] >= 4 {
            let at = |v: u32, from: usize| f64::from(v) + from as f64;
            out.push([at(b[0], x0) - MARGIN, at(b[1], y0) - MARGIN, at(b[2], x0) + MARGIN, at(b[3], y0) + MARGIN]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_with_its_figures_is_found_and_an_opaque_grain_is_not() {
        let mut fine = Array2::<f32>::zeros((300, 400));
        for y in 270..275 {
            for x in 250..350 {
                fine[[y, x]] = -3.0;
            }
        }
        for y in 250..262 {
            for x in 290..298 {
                fine[[y, x]] = -3.0;
            }
        }
        for y in 40..120_usize {
            let half = (1600.0 - (y as f64 - 80.0).powi(2)).max(0.0).sqrt() as usize;
            for x in 100 - half..100 + half {
                fine[[y, x]] = -3.4;
            }
        }
        let found = boxes(&fine, 400);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(covers(&found, 300.0, 272.0) && covers(&found, 294.0, 256.0));
        assert!(!covers(&found, 100.0, 80.0));
    }
}
