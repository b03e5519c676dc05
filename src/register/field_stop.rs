//! The dark surround that the field stop of an eyepiece leaves about a picture: it stays where it is whatever the section does.

use image::{GrayImage, Luma};
use imageproc::distance_transform::Norm;
use imageproc::morphology::dilate;
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;

/// Least share of the picture's outermost cells that one corner's surround takes up. House value.
const OF_THE_FRAME: f64 = 0.02;

/// Cells of the surround, which is dark from a corner of the picture on, and those within `shade` cells of it; None where there is none.
pub(crate) fn surround(dark: &Array2<bool>, shade: u8) -> Option<Array2<bool>> {
    let (rows, columns) = dark.dim();
    if rows < 2 || columns < 2 {
        return None;
    }
    let corners = [[0, 0], [0, columns - 1], [rows - 1, 0], [rows - 1, columns - 1]];
    if !corners.iter().any(|at| dark[*at]) {
        return None;
    }
    let mask = GrayImage::from_fn(columns as u32, rows as u32, |x, y| Luma([u8::from(dark[[y as usize, x as usize]])]));
    let parts = connected_components(&mask, Connectivity::Four, Luma([0]));
    let part = |[y, x]: [usize; 2]| parts.get_pixel(x as u32, y as u32).0[0] as usize;
    let across = (0..columns).flat_map(|x| [[0, x], [rows - 1, x]]);
    let frame: Vec<[usize; 2]> = across.chain((1..rows - 1).flat_map(|y| [[y, 0], [y, columns - 1]])).collect();
    let mut on_the_frame = vec![0_usize; parts.iter().copied().max().unwrap_or(0) as usize + 1];
    frame.iter().for_each(|at| on_the_frame[part(*at)] += 1);
    let mut of_the_surround = vec![false; on_the_frame.len()];
    for part in corners.map(part).into_iter().filter(|part| *part > 0) {
        of_the_surround[part] = on_the_frame[part] as f64 >= OF_THE_FRAME * frame.len() as f64;
    }
    if !of_the_surround.contains(&true) {
        return None;
    }
    let mask = GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
        Luma([if of_the_surround[parts.get_pixel(x, y).0[0] as usize] { 255 } else { 0 }])
    });
    let mask = dilate(&mask, Norm::LInf, shade);
    Some(Array2::from_shape_fn((rows, columns), |(y, x)| mask.get_pixel(x as u32, y as u32).0[0] > 0))
}
