//! How wide the boundaries of grains are drawn, direction by direction.

use std::f64::consts::PI;

use ndarray::Array2;
use rayon::prelude::*;

use crate::register::drawing::blurred;
use crate::slide::photograph::{Photograph, Samples};

/// Longest sides of the middle of a photograph that is looked at, pixels.
const WINDOW: [usize; 2] = [1600, 1200];
/// Half the length of the profile across a boundary, pixels.
const REACH: i32 = 8;
/// The same.
const REACH_PX: f32 = REACH as f32;
/// Directions that are told apart.
pub(super) const DIRECTIONS: usize = 8;
/// Least step across a boundary, in codes of 8 bit: well above noise and the blocks of JPEG.
const LEAST_STEP: f32 = 16.0;
/// Share of the change along the profile that its ends have at least: one boundary, and no line.
const ONE_STEP: f32 = 0.85;

/// Widths of the boundaries that are one step, of each of [`DIRECTIONS`] directions in which the light rises, narrowest first, in cells of
/// `bin` pixels: the step's height over its greatest slope. Of a Gaussian step it is √(2π (σ² + 4/3)), see [`blur_of`]. None of a picture that is smaller than a boundary's profile.
pub(super) fn widths(photograph: &Photograph, bin: usize) -> Option<Vec<Vec<f32>>> {
    let grey = blurred(&middle(photograph, bin), &[0.0625, 0.25, 0.375, 0.25, 0.0625]);
    let (height, width) = grey.dim();
    let margin = REACH as usize + 2;
    if height <= 2 * margin || width <= 2 * margin {
        return None;
    }
    let cells = grey.as_slice().expect("standard layout");
    let mut found: Vec<Vec<f32>> = (margin..height - margin)
        .into_par_iter()
        .step_by(2)
        .map(|y| {
            let mut row = vec![Vec::new(); DIRECTIONS];
            let [above, here, below] = [y - 1, y, y + 1].map(|y| &cells[y * width..(y + 1) * width]);
            for x in (margin..width - margin).step_by(2) {
                let (gx, gy) = (0.5 * (here[x + 1] - here[x - 1]), 0.5 * (below[x] - above[x]));
                // Sparing of roots: most places are far from steep enough.
                if gx * gx + gy * gy < 0.99 * (LEAST_STEP / (2.0 * REACH_PX)).powi(2) {
                    continue;
                }
                let steep = gx.hypot(gy);
                // A step of that height is wider than the profile when it rises more slowly.
                if steep * 2.0 * REACH_PX < LEAST_STEP {
                    continue;
                }
                if let Some(step) = step_at(cells, width, [x as f32, y as f32], [gx / steep, gy / steep], steep) {
                    let turn = f64::from(gy.atan2(gx)).rem_euclid(PI) / PI;
                    row[(turn * DIRECTIONS as f64) as usize % DIRECTIONS].push(step / steep);
                }
            }
            row
        })
        .reduce(|| vec![Vec::new(); DIRECTIONS], joined);
    found.iter_mut().for_each(|widths| widths.sort_by(f32::total_cmp));
    Some(found)
}

/// Variance of what keeps noise out and of the two cells that a slope is taken over, cells².
const OWN_BLUR: f64 = 1.0 + 1.0 / 3.0;

/// Standard deviation of the Gaussian that draws a step as wide as [`widths`] says, cells.
pub(super) fn blur_of(width: f64) -> f64 {
    (width * width / (2.0 * PI) - OWN_BLUR).max(0.0).sqrt()
}

fn joined(mut a: Vec<Vec<f32>>, b: Vec<Vec<f32>>) -> Vec<Vec<f32>> {
    a.iter_mut().zip(b).for_each(|(a, b)| a.extend(b));
    a
}

/// Height of the step across a place, when it is one step whose steepest place is here.
fn step_at(grey: &[f32], width: usize, [x, y]: [f32; 2], [nx, ny]: [f32; 2], steep: f32) -> Option<f32> {
    let value = |t: i32| at(grey, width, x + t as f32 * nx, y + t as f32 * ny);
    // Most places fall out by their ends, and most of the others because the light rises faster just beside them.
    let first = value(-REACH);
    let step = value(REACH) - first;
    let steeper = |before: f32, after: f32| after - before > 1.05 * steep;
    if step <= LEAST_STEP || steeper(value(-2), value(-1)) || steeper(value(1), value(2)) {
        return None;
    }
    let (mut before, mut low, mut high) = (first, first, first);
    for t in 1 - REACH..=REACH {
        let value = value(t);
        if t != 0 && t != 1 && steeper(before, value) {
            return None;
        }
        (low, high) = (low.min(value), high.max(value));
        before = value;
    }
    (step > ONE_STEP * (high - low)).then_some(step)
}

/// Between four pixels.
fn at(grey: &[f32], width: usize, x: f32, y: f32) -> f32 {
    let (x0, y0) = (x as u32, y as u32);
    let (fx, fy) = (x - x0 as f32, y - y0 as f32);
    let at = y0 as usize * width + x0 as usize;
    let row = |cells: &[f32]| cells[0] * (1.0 - fx) + cells[1] * fx;
    row(&grey[at..at + 2]) * (1.0 - fy) + row(&grey[at + width..at + width + 2]) * fy
}

/// Green as encoded, in codes of 8 bit: about as steep for the eye in the dark as in the bright.
fn middle(photograph: &Photograph, bin: usize) -> Array2<f32> {
    let cells = |pixels: usize, most: usize| (pixels / bin).min(most) * bin;
    let (w, h) = (cells(photograph.width, WINDOW[0]), cells(photograph.height, WINDOW[1]));
    let (x0, y0) = ((photograph.width - w) / 2, (photograph.height - h) / 2);
    match &photograph.samples {
        Samples::Eight(codes) => green(codes, photograph.width, [x0, y0, w, h], bin, 1.0),
        Samples::Sixteen(codes) => green(codes, photograph.width, [x0, y0, w, h], bin, 1.0 / 257.0),
    }
}

/// `scale` times the green codes of a part x, y, width, height of a picture of some width, means over `bin` by `bin` pixels.
fn green<T: Copy + Into<f32>>(
    codes: &[T],
    width: usize,
    [x, y, w, h]: [usize; 4],
    bin: usize,
    scale: f32,
) -> Array2<f32> {
    let (columns, rows) = (w / bin, h / bin);
    let mut out = vec![0.0_f32; columns * rows];
    let scale = scale / (bin * bin) as f32;
    for (j, row) in codes.chunks_exact(3 * width.max(1)).skip(y).take(h).enumerate() {
        let out = &mut out[j / bin * columns..][..columns];
        for (out, pixels) in out.iter_mut().zip(row[3 * x..3 * (x + w)].chunks_exact(3 * bin)) {
            *out += pixels.chunks_exact(3).map(|pixel| scale * pixel[1].into()).sum::<f32>();
        }
    }
    Array2::from_shape_vec((rows, columns), out).expect("a mean a cell")
}

#[cfg(test)]
pub(super) mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::slide::Curve;
    use crate::slide::photograph::Role;

    /// Grains of even grey, drawn out by `stretch`, as seen by a soft lens, moved by `smear` pixels, with noise.
    pub(in crate::register) fn grains(seed: u64, stretch: f64, smear: [f64; 2]) -> Photograph {
        const STEPS: usize = 12;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let seeds: Vec<[f64; 3]> = (0..260)
            .map(|_| [rng.random_range(-40.0..560.0), rng.random_range(-40.0..460.0), rng.random_range(0.05..0.9)])
            .collect();
        let grain = |x: f64, y: f64| {
            let far = |s: &[f64; 3]| ((s[0] - x) / stretch).powi(2) + (s[1] - y).powi(2);
            seeds.iter().min_by(|a, b| far(a).total_cmp(&far(b))).unwrap()[2]
        };
        let (w, h) = (520, 420);
        let sharp = Array2::from_shape_fn((h, w), |(y, x)| grain(x as f64, y as f64) as f32);
        let soft = blurred(&sharp, &[0.05, 0.25, 0.4, 0.25, 0.05]);
        let codes = (0..w * h).flat_map(|i| {
            let (x, y) = ((i % w) as f64, (i / w) as f64);
            let light: f32 = (0..STEPS)
                .map(|k| {
                    let t = k as f64 / (STEPS - 1) as f64 - 0.5;
                    let (x, y) = ((x + t * smear[0]).clamp(0.0, 518.0), (y + t * smear[1]).clamp(0.0, 418.0));
                    at(soft.as_slice().expect("standard layout"), soft.dim().1, x as f32, y as f32)
                })
                .sum();
            [(light / STEPS as f32 * 230.0 + rng.random_range(-3.0..3.0)).clamp(0.0, 255.0) as u8; 3]
        });
        Photograph::from_samples("a", Role::Crossed, w, h, Samples::Eight(codes.collect()), &Curve::Srgb)
    }

    /// The same through a lens out of focus: blurred by a Gaussian of `blur_px` pixels.
    pub(in crate::register) fn softened(photograph: &Photograph, blur_px: f64) -> Photograph {
        let Samples::Eight(codes) = &photograph.samples else { panic!("8 bit") };
        let (w, h) = (photograph.width, photograph.height);
        let grey = Array2::from_shape_fn((h, w), |(y, x)| f32::from(codes[3 * (y * w + x)]));
        let reach = (4.0 * blur_px).ceil() as i32;
        let kernel: Vec<f32> = (-reach..=reach)
            .map(|t| if blur_px > 0.0 { (-0.5 * (f64::from(t) / blur_px).powi(2)).exp() as f32 } else { 1.0 })
            .collect();
        let sum: f32 = kernel.iter().sum();
        let soft = blurred(&grey, &kernel.iter().map(|k| k / sum).collect::<Vec<_>>());
        let codes = soft.iter().flat_map(|v| [v.round() as u8; 3]).collect();
        Photograph::from_samples("a", Role::Plane, w, h, Samples::Eight(codes), &Curve::Srgb)
    }

    /// A Gaussian step rises by its height over √(2π) σ where it is steepest.
    #[test]
    fn a_step_is_as_wide_as_it_was_drawn() {
        for blur_px in [1.0_f64, 2.0, 3.0] {
            let light = |x: i32| [60_u8, 120, 180][((x - 60).signum() + 1) as usize];
            let step: Vec<u8> = (0..120 * 120).flat_map(|i| [light(i % 120); 3]).collect();
            let step = Photograph::from_samples("a", Role::Plane, 120, 120, Samples::Eight(step), &Curve::Srgb);
            let found = widths(&softened(&step, blur_px), 1).unwrap().concat();
            let mean = f64::from(found.iter().sum::<f32>()) / found.len() as f64;
            // Two half steps a pixel apart have a variance of a quarter.
            let expected = (2.0 * PI * (blur_px * blur_px + 0.25 + OWN_BLUR)).sqrt();
            assert!(found.len() > 40 && (mean / expected - 1.0).abs() < 0.03, "{blur_px}: {mean} of {expected}");
            assert!((blur_of(mean) / blur_px.hypot(0.5) - 1.0).abs() < 0.05, "{blur_px}: {}", blur_of(mean));
        }
    }
}
