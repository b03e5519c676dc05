//! A frosted slide rendered from its scene: geometry and truth, and the photograph as a camera would file it.

use std::io::Cursor;

use image::codecs::jpeg::JpegEncoder;
use rayon::prelude::*;

use super::dice::{Dice, hash};
use super::frosted_light::Shade;
use super::frosted_scene::FrostedScene;
use crate::frosting::geometry::{Homography, Point};
use crate::section::shape::holds;
use crate::slide::Corner;

/// A rendered photograph with what is true of it.
pub struct FrostedPicture {
    /// Width and height, pixels.
    pub size_px: [usize; 2],
    /// Encoded samples R, G, B, row by row, after the JPEG when there was one.
    pub samples: Vec<u8>,
    /// The glass: its outline in the photograph, with the bevel, pixels.
    pub outline_px: Vec<Point>,
    /// Bevelled corner.
    pub bevel: Option<Corner>,
    /// For every pixel whether it is glass that is still glossy (more clear than frosted).
    pub glossy: Vec<bool>,
    /// Glossy share of the glass, 0..1.
    pub glossy_share: f64,
}

impl FrostedScene {
    /// The four corners of the uncut glass in the photograph: top-left, top-right, bottom-right, bottom-left, pixels.
    #[must_use]
    pub fn corners_px(&self) -> [Point; 4] {
        let (s, c) = f64::from(self.turn_deg).to_radians().sin_cos();
        let half = self.glass_mm.map(|m| f64::from(m * self.px_per_mm) / 2.0);
        let long = 2.0 * half[0].max(half[1]);
        let signs = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
        std::array::from_fn(|k| {
            let [x, y] = [signs[k][0] * half[0], signs[k][1] * half[1]];
            let centre = [0, 1].map(|i| self.size_px[i] as f64 / 2.0 + f64::from(self.shift_px[i]));
            [
                centre[0] + x * c - y * s + long * f64::from(self.skew[k][0]),
                centre[1] + x * s + y * c + long * f64::from(self.skew[k][1]),
            ]
        })
    }

    /// The outline of the glass on itself, mm, clockwise as seen from the top-left.
    #[must_use]
    pub fn outline_mm(&self) -> Vec<Point> {
        let [w, h] = self.glass_mm.map(f64::from);
        let [a, b] = self.bevel.map_or([0.0; 2], |(_, legs)| legs.map(f64::from));
        let cut = |corner| self.bevel.is_some_and(|(c, _)| c == corner);
        let mut out = Vec::new();
        let mut add = |corner, whole: Point, cuts: [Point; 2]| {
            if cut(corner) { out.extend(cuts) } else { out.push(whole) }
        };
        add(Corner::TopLeft, [0.0, 0.0], [[0.0, b], [a, 0.0]]);
        add(Corner::TopRight, [w, 0.0], [[w - a, 0.0], [w, b]]);
        add(Corner::BottomRight, [w, h], [[w, h - b], [w - a, h]]);
        add(Corner::BottomLeft, [0.0, h], [[a, h], [0.0, h - b]]);
        out
    }

    /// Renders the photograph.
    ///
    /// # Panics
    /// When the JPEG encoder fails, which it does not in memory.
    #[must_use]
    pub fn render(&self) -> FrostedPicture {
        let [w, h] = self.size_px;
        let corners = self.corners_px();
        let to_px = Homography::from_unit_square(corners);
        let to_unit = to_px.inverse();
        let [gw, gh] = self.glass_mm.map(f64::from);
        let to_mm = |p: Point| {
            let [u, v] = to_unit.apply(p);
            [u * gw, v * gh]
        };
        let outline_mm = self.outline_mm();
        let shade = Shade::of(self, &outline_mm);
        let mut light = vec![[0.0_f32; 3]; w * h];
        light.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
            for (x, out) in row.iter_mut().enumerate() {
                for k in 0..4 {
                    let p = [x as f64 - 0.25 + 0.5 * f64::from(k % 2), y as f64 - 0.25 + 0.5 * f64::from(k / 2)];
                    let rgb = shade.light(p, to_mm(p));
                    for c in 0..3 {
                        out[c] += 0.25 * rgb[c];
                    }
                }
            }
        });
        let outline_px: Vec<Point> = outline_mm.iter().map(|[x, y]| to_px.apply([x / gw, y / gh])).collect();
        let glass: Vec<(bool, bool)> = (0..w * h)
            .into_par_iter()
            .map(|i| {
                let p = [(i % w) as f64, (i / w) as f64];
                let is_glass = holds(&outline_px, p);
                (is_glass, is_glass && shade.clearness(to_mm(p)) > 0.5)
            })
            .collect();
        let count = |f: fn(&(bool, bool)) -> bool| glass.iter().filter(|g| f(g)).count() as f64;
        FrostedPicture {
            size_px: self.size_px,
            samples: self.file(&self.expose(light)),
            outline_px,
            bevel: self.bevel.map(|b| b.0),
            glossy_share: count(|g| g.1) / count(|g| g.0).max(1.0),
            glossy: glass.into_iter().map(|g| g.1).collect(),
        }
    }

    /// Vignette, blur, noise and the camera's curve: samples 0..=255.
    fn expose(&self, mut light: Vec<[f32; 3]>) -> Vec<u8> {
        let [w, h] = self.size_px;
        blur(&mut light, w, self.blur_px);
        let mut dice = Dice::new(self.seed, 0xca3e);
        let noise_seed = dice.seed();
        let gains = [self.tint[0], 1.0, self.tint[1]];
        let mut out = vec![0_u8; 3 * w * h];
        out.par_chunks_mut(3 * w).enumerate().for_each(|(y, row)| {
            for x in 0..w {
                let u = (x as f32 / w as f32 - 0.5) * 2.0;
                let v = (y as f32 / h as f32 - 0.5) * 2.0;
                let shadow = 1.0 - self.vignette * 0.5 * (u * u + v * v);
                for c in 0..3 {
                    let value = light[y * w + x][c] * shadow * gains[c] / gains[0].max(gains[2]).max(1.0);
                    let sd = (value.max(0.0) / self.electrons + 4e-7).sqrt();
                    let n = normal(x as i32, y as i32, noise_seed ^ c as u32);
                    let linear = (value + sd * n).clamp(0.0, 1.0);
                    let e = if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
                    let e = e + self.contrast * e * (1.0 - e) * (2.0 * e - 1.0);
                    row[3 * x + c] = (255.0 * e).round().clamp(0.0, 255.0) as u8;
                }
            }
        });
        out
    }

    /// Through the JPEG and back.
    fn file(&self, samples: &[u8]) -> Vec<u8> {
        let Some(quality) = self.jpeg else { return samples.to_vec() };
        let mut bytes = Vec::new();
        let [w, h] = self.size_px.map(|s| s as u32);
        JpegEncoder::new_with_quality(&mut bytes, quality)
            .encode(samples, w, h, image::ExtendedColorType::Rgb8)
            .expect("a JPEG in memory");
        image::ImageReader::with_format(Cursor::new(bytes), image::ImageFormat::Jpeg)
            .decode()
            .expect("the JPEG just written")
            .into_rgb8()
            .into_raw()
    }
}

/// Standard normal of a lattice point.
pub(super) fn normal(x: i32, y: i32, seed: u32) -> f32 {
    let a = (hash(x, y, seed) >> 8) as f32 / (1 << 24) as f32;
    let b = (hash(x, y, seed ^ 0x5bd1_e995) >> 8) as f32 / (1 << 24) as f32;
    (-2.0 * (1.0 - a).ln()).sqrt() * (std::f32::consts::TAU * b).cos()
}

/// Gaussian blur by two passes, edges continued.
fn blur(light: &mut Vec<[f32; 3]>, w: usize, sd: f32) {
    if sd < 0.05 {
        return;
    }
    let reach = (3.0 * sd).ceil() as isize;
    let kernel: Vec<f32> = (-reach..=reach).map(|k| (-0.5 * (k as f32 / sd).powi(2)).exp()).collect();
    let total: f32 = kernel.iter().sum();
    let h = light.len() / w;
    for across in [true, false] {
        let source = std::mem::take(light);
        *light = (0..source.len())
            .into_par_iter()
            .with_min_len(4096)
            .map(|i| {
                let (x, y) = ((i % w) as isize, (i / w) as isize);
                let mut sum = [0.0; 3];
                for (k, weight) in kernel.iter().enumerate() {
                    let d = k as isize - reach;
                    let (x, y) = if across { (x + d, y) } else { (x, y + d) };
                    let at = y.clamp(0, h as isize - 1) as usize * w + x.clamp(0, w as isize - 1) as usize;
                    for c in 0..3 {
                        sum[c] += weight / total * source[at][c];
                    }
                }
                sum
            })
            .collect();
    }
}
