//! Pictures that are no ruled scale and look a little like one.

use crate::slide::photograph::Photograph;
use rayon::prelude::*;

use super::dice::Dice;
use super::ruled::{encode, photograph};

/// What a picture shows in place of a scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unruled {
    /// Even light and nothing else.
    Blank,
    /// Even noise.
    Noise,
    /// Parallel scratches at any distance.
    Scratches,
    /// Bands at distances that vary by a third, as twin lamellae do.
    Lamellae,
    /// Rows of letters.
    Text,
    /// Rings of wood: wavy bands of slowly changing distance.
    Wood,
    /// Slats: broad bars whose distances vary by some percent.
    Slats,
    /// Clouds of many sizes.
    Clouds,
    /// A checked cloth out of focus, its threads wandering.
    Cloth,
}

impl Unruled {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Blank,
        Self::Noise,
        Self::Scratches,
        Self::Lamellae,
        Self::Text,
        Self::Wood,
        Self::Slats,
        Self::Clouds,
        Self::Cloth,
    ];

    /// Renders one of a seed.
    #[must_use]
    pub fn photograph(self, seed: u64, width: usize, height: usize) -> Photograph {
        let mut dice = Dice::new(seed, 0x0abc + self as u64);
        let angle = dice.between(0.0, std::f32::consts::PI);
        let (s, c) = angle.sin_cos();
        let span = (width as f32).hypot(height as f32);
        let pitch = dice.log_normal(14.0, 0.6).max(4.0);
        // Edges of dark bands across the picture.
        let spread = match self {
            Self::Lamellae => 0.35,
            Self::Slats => 0.07,
            Self::Cloth => 0.12,
            Self::Wood => 0.15,
            _ => 0.0,
        };
        let mut bands: Vec<[f32; 3]> = Vec::new();
        if self == Self::Scratches {
            for _ in 0..(span / pitch) as usize {
                bands.push([dice.between(-span, span), dice.between(1.0, 2.5), dice.between(0.2, 0.8)]);
            }
        } else {
            let mut at = -span;
            while at < span {
                let w = if self == Self::Slats { 0.55 } else { dice.between(0.25, 0.6) };
                bands.push([at, w * pitch, if self == Self::Slats { 0.6 } else { dice.between(0.3, 0.6) }]);
                at += pitch * (1.0 + spread * dice.normal()).max(0.3);
            }
        }
        bands.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let soft = dice.between(0.5, 1.2);
        let wave = (dice.between(40.0, 300.0), dice.between(0.5, 3.0) * pitch, dice.between(0.0, 6.0));
        let (glyph, row) = (dice.between(7.0, 16.0), dice.between(1.6, 2.2));
        let level = dice.between(0.4, 0.8);
        let at_bands = |u: f32| -> f32 {
            let near = bands.partition_point(|b| b[0] < u - 4.0 * pitch);
            bands[near..]
                .iter()
                .take_while(|b| b[0] < u + 4.0 * pitch)
                .map(|b| {
                    let edge = |d: f32| 1.0 / (1.0 + (-2.0 * d / soft).exp());
                    b[2] * (edge(u - b[0]) - edge(u - b[0] - b[1])).max(0.0)
                })
                .fold(0.0, f32::max)
        };
        let light: Vec<f32> = (0..width * height)
            .into_par_iter()
            .map(|i| {
                let (x, y) = ((i % width) as f32 - width as f32 / 2.0, (i / width) as f32 - height as f32 / 2.0);
                let (u, v) = (x * c - y * s, x * s + y * c);
                let dark = match self {
                    Self::Blank => 0.0,
                    Self::Noise => 0.8 * cell(i as i64 % width as i64, (i / width) as i64, seed),
                    Self::Scratches | Self::Lamellae | Self::Slats => at_bands(u),
                    Self::Wood => at_bands(
                        u + wave.1 * (v / wave.0 + wave.2).sin() + 0.15 * pitch * smooth(u / 30.0, v / 90.0, seed),
                    ),
                    Self::Cloth => {
                        let bent = pitch * 0.4 * smooth(u / 80.0, v / 80.0, seed);
                        at_bands(u + bent).max(at_bands(v + bent))
                    }
                    Self::Clouds => {
                        (0..5)
                            .map(|k| smooth(x / (4.0 * 2_f32.powi(k)), y / (4.0 * 2_f32.powi(k)), seed + k as u64))
                            .sum::<f32>()
                            * 0.15
                            + 0.3
                    }
                    Self::Text => letters(x, y, glyph, row, seed),
                };
                level * (1.0 - dark.clamp(0.0, 1.0))
            })
            .collect();
        let quality = 80 + (seed % 16) as u8;
        photograph(encode(&light, width, height, 6000.0, Some(quality), seed), width, height)
    }
}

fn cell(x: i64, y: i64, seed: u64) -> f32 {
    let mut h = (x as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (y as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f) ^ seed;
    h = (h ^ (h >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    h = (h ^ (h >> 29)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (h >> 40) as f32 / 16_777_216.0
}

/// Smooth noise, -1..1.
fn smooth(x: f32, y: f32, seed: u64) -> f32 {
    let (i, j) = (x.floor(), y.floor());
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - i), ease(y - j));
    let at = |a: i64, b: i64| 2.0 * cell(i as i64 + a, j as i64 + b, seed) - 1.0;
    let top = at(0, 0) + (at(1, 0) - at(0, 0)) * u;
    let below = at(0, 1) + (at(1, 1) - at(0, 1)) * u;
    top + (below - top) * v
}

/// Rows of letters made of strokes, with gaps between words.
fn letters(x: f32, y: f32, glyph: f32, row: f32, seed: u64) -> f32 {
    let (w, h) = (glyph * 0.62, glyph * row);
    let (i, j) = ((x / w).floor() as i64, (y / h).floor() as i64);
    let (u, v) = (x / w - i as f32, y / h - j as f32);
    // Letters fill the middle of their row; a word ends now and then, and so does a row.
    if !(0.2..0.75).contains(&v) || cell(i, j, seed) < 0.17 || cell(i / 40, j, seed ^ 7) < 0.15 {
        return 0.0;
    }
    let v = (v - 0.2) / 0.55;
    let stroke = |k: i64, d: f32| cell(3 * i + k, 5 * j + k, seed ^ 0x55) > 0.45 && d.abs() < 0.11;
    let on =
        stroke(0, u - 0.2) || stroke(1, u - 0.75) || stroke(2, v - 0.1) || stroke(3, v - 0.5) || stroke(4, v - 0.9);
    if on && (0.08..0.88).contains(&u) { 0.85 } else { 0.0 }
}
