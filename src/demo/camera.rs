//! From light to photograph: resampling, blur, vignette, noise, curve, and the exposure that EXIF states.

use rayon::prelude::*;

use super::canvas::Canvas;
use super::dice::hash;
use super::light::ColourTable;
use super::scene::{CameraSpec, Exif};

/// Linear light, three channels a pixel, row by row.
pub(crate) struct Light {
    pub(crate) w: usize,
    pub(crate) h: usize,
    pub(crate) rgb: Vec<[f32; 3]>,
}

/// sRGB encoding (IEC 61966-2-1:1999) of linear light 0..=1.
#[must_use]
pub(crate) fn encode(linear: f32) -> f32 {
    if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
}

/// How a photograph lies on the canvas: the turn of the picture (radians, anticlockwise as seen), its pivot and a shift.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    pub(crate) turn: f32,
    /// Pixels from the centre of the picture.
    pub(crate) pivot: [f32; 2],
    /// Pixels.
    pub(crate) shift: [f32; 2],
}

/// Light of the whole canvas in plane light, bare glass = 1.
pub(crate) fn plane_light(canvas: &Canvas) -> Vec<[f32; 3]> {
    canvas.absorbance.par_iter().map(|a| a.map(|v| (-v).exp())).collect()
}

/// The polars and what stands between them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bench {
    /// Position of the polars, radians.
    pub(crate) polars: f32,
    /// How far they are from crossed, radians.
    pub(crate) off: f32,
    /// Retardation of a plate at 45 degrees to them, nm.
    pub(crate) plate_nm: Option<f32>,
    /// Light that passes without any crystal.
    pub(crate) leakage: f32,
}

/// Light of the whole canvas between crossed polars, bare glass in parallel polars = 1.
pub(crate) fn crossed_light(canvas: &Canvas, plane: &[[f32; 3]], table: &ColourTable, bench: &Bench) -> Vec<[f32; 3]> {
    (0..plane.len())
        .into_par_iter()
        .with_min_len(4096)
        .map(|at| {
            let turn = 2.0 * (canvas.azimuth[at] - bench.polars);
            let retardation = canvas.retardation[at];
            let over = canvas.over.get(at).copied().unwrap_or_default();
            let passed = match bench.plate_nm {
                None if over[0] > 0.0 => through_two(table, turn, retardation, 2.0 * (over[1] - bench.polars), over[0]),
                None => {
                    let colour =
                        if canvas.is_quartz[at] { table.quartz(retardation) } else { table.plain(retardation) };
                    let (open, phase) = (bench.off.sin().powi(2), turn.sin() * (turn - 2.0 * bench.off).sin());
                    colour.map(|c| open + phase * c)
                }
                Some(plate) => through_plate(table, turn, retardation, plate),
            };
            std::array::from_fn(|c| plane[at][c] * (passed[c] + bench.leakage + canvas.glow[at]))
        })
        .collect()
}

/// Crystal and plate between crossed polars, from their Jones matrices: `turn` is twice the crystal's azimuth.
fn through_plate(table: &ColourTable, turn: f32, crystal: f32, plate: f32) -> [f32; 3] {
    let (sin, cos) = turn.sin_cos();
    // Cosine of the phase at a retardation, averaged over the light as the eye sees it.
    let wave = |nm: f32| table.plain(nm.abs()).map(|c| 1.0 - 2.0 * c);
    let (p, g, sum, difference) = (wave(plate), wave(crystal), wave(plate + crystal), wave(plate - crystal));
    std::array::from_fn(|c| {
        let both = 0.5 * (sum[c] + difference[c]);
        let plate_only = 0.25 * (1.0 - p[c] + g[c] - both);
        let crystal_only = 0.25 * (1.0 + p[c] - g[c] - both);
        let mixed = 0.25 * (difference[c] - sum[c]);
        let crossed = 0.25 * (1.0 - p[c] - g[c] + both);
        plate_only + crystal_only * sin * sin + mixed * sin + crossed * cos * cos
    })
}

/// Two retarders on each other between crossed polars, from their Jones matrices: `rock` and `over` are twice the azimuths of
/// their slow rays. A retarder of phase δ is cos(δ/2) + i·sin(δ/2)·K with K = \[cos, sin; sin, -cos\] of twice its azimuth; the
/// element of the product that crossed polars pass has the square
/// (s₁s₂·sin(over - rock))² + (c₂s₁·sin(rock) + s₂c₁·sin(over))². Polars are taken as crossed exactly.
fn through_two(table: &ColourTable, rock: f32, rock_nm: f32, over: f32, over_nm: f32) -> [f32; 3] {
    let wave = |nm: f32| table.plain(nm.abs()).map(|c| 1.0 - 2.0 * c);
    let (g, p, sum, difference) = (wave(rock_nm), wave(over_nm), wave(rock_nm + over_nm), wave(rock_nm - over_nm));
    let (aside, a, b) = ((over - rock).sin(), rock.sin(), over.sin());
    std::array::from_fn(|c| {
        let both = 0.5 * (sum[c] + difference[c]);
        let neither = 0.25 * (1.0 - g[c] - p[c] + both);
        let rock_only = 0.25 * (1.0 - g[c] + p[c] - both);
        let over_only = 0.25 * (1.0 + g[c] - p[c] - both);
        let mixed = 0.25 * (difference[c] - sum[c]);
        neither * aside * aside + rock_only * a * a + over_only * b * b + mixed * a * b
    })
}

/// Samples the canvas as the camera sees it.
pub(crate) fn frame(canvas: &Canvas, light: &[[f32; 3]], size: [usize; 2], pose: Pose) -> Light {
    let [w, h] = size;
    let (s, c) = pose.turn.sin_cos();
    let centre = [0.5 * (w as f32 - 1.0) + pose.pivot[0], 0.5 * (h as f32 - 1.0) + pose.pivot[1]];
    let mut rgb = vec![[0.0; 3]; w * h];
    rgb.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (x, out) in row.iter_mut().enumerate() {
            let (dx, dy) = (x as f32 - centre[0], y as f32 - centre[1]);
            let u = dx * c - dy * s + centre[0] + pose.shift[0] + canvas.origin[0] as f32;
            let v = dx * s + dy * c + centre[1] + pose.shift[1] + canvas.origin[1] as f32;
            let (u, v) = (u.clamp(0.0, canvas.w as f32 - 1.001), v.clamp(0.0, canvas.h as f32 - 1.001));
            let (i, j) = (u as usize, v as usize);
            let (fu, fv) = (u - i as f32, v - j as f32);
            let at = j * canvas.w + i;
            for k in 0..3 {
                let top = light[at][k] + fu * (light[at + 1][k] - light[at][k]);
                let below = light[at + canvas.w][k] + fu * (light[at + canvas.w + 1][k] - light[at + canvas.w][k]);
                out[k] = top + fv * (below - top);
            }
        }
    });
    Light { w, h, rgb }
}

/// The same while the picture moves evenly by `moved` pixels, with `pose` in the middle.
pub(crate) fn frame_moving(
    canvas: &Canvas,
    light: &[[f32; 3]],
    size: [usize; 2],
    pose: Pose,
    moved: Option<[f32; 2]>,
) -> Light {
    const MOMENTS: usize = 12;
    let Some(moved) = moved else { return frame(canvas, light, size, pose) };
    let at = |moment: usize| {
        let t = (moment as f32 + 0.5) / MOMENTS as f32 - 0.5;
        frame(canvas, light, size, Pose { shift: [0, 1].map(|k| pose.shift[k] + t * moved[k]), ..pose })
    };
    let mut sum = at(0);
    for next in (1..MOMENTS).map(at) {
        sum.rgb.iter_mut().zip(next.rgb).for_each(|(sum, next)| (0..3).for_each(|c| sum[c] += next[c]));
    }
    sum.rgb.iter_mut().for_each(|rgb| *rgb = rgb.map(|v| v / MOMENTS as f32));
    sum
}

/// Gaussian blur, in place.
pub(crate) fn blur(light: &mut Light, sd: f32) {
    if sd <= 0.05 {
        return;
    }
    let reach = (3.0 * sd).ceil() as i64;
    let mut kernel: Vec<f32> = (-reach..=reach).map(|k| (-0.5 * (k as f32 / sd).powi(2)).exp()).collect();
    let total: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|k| *k /= total);
    let (w, h) = (light.w, light.h);
    let mut across = vec![[0.0f32; 3]; w * h];
    let source = &light.rgb;
    across.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (x, out) in row.iter_mut().enumerate() {
            for (k, weight) in kernel.iter().enumerate() {
                let i = (x as i64 + k as i64 - reach).clamp(0, w as i64 - 1) as usize;
                for c in 0..3 {
                    out[c] += weight * source[y * w + i][c];
                }
            }
        }
    });
    light.rgb.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        row.fill([0.0; 3]);
        for (k, weight) in kernel.iter().enumerate() {
            let j = (y as i64 + k as i64 - reach).clamp(0, h as i64 - 1) as usize;
            for (out, from) in row.iter_mut().zip(&across[j * w..(j + 1) * w]) {
                for c in 0..3 {
                    out[c] += weight * from[c];
                }
            }
        }
    });
}

/// Develops a photograph: gains, vignette, noise, clipping, curve; encoded RGB.
pub(crate) fn develop(light: &Light, camera: &CameraSpec, exposure: f32, gains: [f32; 3], seed: u32) -> Vec<u8> {
    let curve = curve(camera.contrast as f32);
    let (w, h) = (light.w, light.h);
    let (cx, cy) = (0.5 * w as f32, 0.5 * h as f32);
    let corner2 = cx * cx + cy * cy;
    let mut out = vec![0u8; 3 * w * h];
    let shot = 1.0 / camera.electrons.max(1.0) as f32;
    let read2 = (camera.read_noise * camera.read_noise) as f32;
    out.par_chunks_mut(3 * w).enumerate().for_each(|(y, row)| {
        for x in 0..w {
            let r2 = ((x as f32 - cx).powi(2) + (y as f32 - cy).powi(2)) / corner2;
            let fall = 1.0 - camera.vignette as f32 * r2;
            for c in 0..3 {
                let signal = light.rgb[y * w + x][c] * exposure * fall;
                let sd = (signal.max(0.0) * shot + read2).sqrt();
                let value = (signal + sd * normal(x, y, seed ^ (c as u32 * 0x51))) * gains[c];
                row[3 * x + c] = curve[(value.clamp(0.0, 1.0) * 65535.0) as usize];
            }
        }
    });
    out
}

/// Nearly normal noise of a pixel: eight bytes of two hashes summed.
fn normal(x: usize, y: usize, seed: u32) -> f32 {
    let (a, b) = (hash(x as i32, y as i32, seed), hash(x as i32, y as i32, seed ^ 0xa5a5_5a5a));
    let sum: u32 = a.to_le_bytes().iter().chain(&b.to_le_bytes()).map(|v| u32::from(*v)).sum();
    // Mean 8 · 127.5, variance 8 · (256² - 1) / 12.
    (sum as f32 - 1020.0) / 209.0
}

/// Code value of each 16-bit linear value.
fn curve(contrast: f32) -> Vec<u8> {
    (0..65536)
        .map(|i| {
            let v = encode(i as f32 / 65535.0);
            let steep = v - contrast / std::f32::consts::TAU * (std::f32::consts::TAU * v).sin();
            (255.0 * steep.clamp(0.0, 1.0)).round() as u8
        })
        .collect()
}

/// Labels of shutter times a third of a stop apart, as cameras write them; the first is really 1/1024 s.
const LABELS: [(u32, u32); 40] = [
    (1, 1000),
    (1, 800),
    (1, 640),
    (1, 500),
    (1, 400),
    (1, 320),
    (1, 250),
    (1, 200),
    (1, 160),
    (1, 125),
    (1, 100),
    (1, 80),
    (1, 60),
    (1, 50),
    (1, 40),
    (1, 30),
    (1, 25),
    (1, 20),
    (1, 15),
    (1, 13),
    (1, 10),
    (1, 8),
    (1, 6),
    (1, 5),
    (1, 4),
    (3, 10),
    (4, 10),
    (5, 10),
    (6, 10),
    (8, 10),
    (1, 1),
    (13, 10),
    (16, 10),
    (2, 1),
    (25, 10),
    (32, 10),
    (4, 1),
    (5, 1),
    (6, 1),
    (8, 1),
];
/// Which of them plane light gets: 1/500.
const PLANE_LABEL: usize = 3;

/// The exposure of a crossed photograph over that of the plane one: what it is, and the two times EXIF states.
pub(crate) fn exposure(wanted: f64, exif: Exif) -> (f64, [(u32, u32); 2]) {
    match exif {
        Exif::Labels => {
            let thirds = (3.0 * wanted.log2()).floor().clamp(0.0, (LABELS.len() - 1 - PLANE_LABEL) as f64);
            (2f64.powf(thirds / 3.0), [LABELS[PLANE_LABEL], LABELS[PLANE_LABEL + thirds as usize]])
        }
        Exif::Exact | Exif::None => {
            let micros = (wanted * 2000.0).round().max(1.0);
            (micros / 2000.0, [(2000, 1_000_000), (micros as u32, 1_000_000)])
        }
    }
}
