//! Stage micrometers with known truth: ruled lines as a microscope's camera shows them.
//!
//! Lines are integrated over the pixel's own square and blurred before they are sampled, as light is: what is too fine for the
//! pixels folds over here as it does in a camera.

use rayon::prelude::*;

use super::dice::Dice;
use crate::slide::encoding::Curve;
use crate::slide::photograph::{Photograph, Role, Samples};

/// A stage micrometer under a camera.
#[derive(Clone, Debug)]
pub struct RuledScale {
    /// Width of the photograph, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Scale along the photograph's x axis, µm per pixel.
    pub um_per_px: f64,
    /// Scale along y over that along x: 1 for square pixels.
    pub aspect: f64,
    /// Direction across the lines, degrees, anticlockwise from +x as seen.
    pub tilt_deg: f64,
    /// Spacing of the lines, µm.
    pub division_um: f64,
    /// Spacings from the first line to the last.
    pub divisions: usize,
    /// Every spacing after this many is `coarse` times as wide; `divisions` counts the fine ones.
    pub fine_until: Option<(usize, usize, usize)>,
    /// Width of a line, µm.
    pub line_um: f64,
    /// Length of plain lines, of every fifth and of every tenth, µm.
    pub lengths_um: [f64; 3],
    /// Whether lines begin on a common foot or are centred on the axis.
    pub centred: bool,
    /// Middle of the scale, pixels from the middle of the photograph.
    pub centre_px: [f64; 2],
    /// A second scale at right angles, crossing in the middle.
    pub crossed: bool,
    /// A line along the axis.
    pub axis: bool,
    /// Digits beside every tenth line.
    pub digits: bool,
    /// Radius of a circle round the scale, µm.
    pub circle_um: Option<f64>,
    /// Bright lines on dark ground.
    pub dark_field: bool,
    /// Share of the light that a line takes, or sends in dark field, 0..=1.
    pub contrast: f64,
    /// Standard deviation of the blur, pixels.
    pub blur_px: f64,
    /// Light lost at the corners, share.
    pub vignette: f64,
    /// Slope of the light across the photograph, share.
    pub slope: f64,
    /// Electrons at full scale.
    pub electrons: f64,
    /// Specks of dust.
    pub dust: usize,
    /// Indices of lines that are not there.
    pub missing: Vec<usize>,
    /// Radial distortion: share by which the scale has changed at the corner of the photograph.
    pub distortion: f64,
    /// Quality of the JPEG; None for none.
    pub jpeg: Option<u8>,
    /// Seed of noise and dust.
    pub seed: u64,
}

impl Default for RuledScale {
    fn default() -> Self {
        Self {
            width: 1000,
            height: 750,
            um_per_px: 1.5,
            aspect: 1.0,
            tilt_deg: 0.0,
            division_um: 10.0,
            divisions: 100,
            fine_until: None,
            line_um: 2.0,
            lengths_um: [100.0, 150.0, 200.0],
            centred: true,
            centre_px: [0.0; 2],
            crossed: false,
            axis: false,
            digits: false,
            circle_um: None,
            dark_field: false,
            contrast: 0.7,
            blur_px: 0.8,
            vignette: 0.15,
            slope: 0.05,
            electrons: 12_000.0,
            dust: 10,
            missing: Vec::new(),
            distortion: 0.0,
            jpeg: None,
            seed: 1,
        }
    }
}

/// Entries of a tabulated edge per pixel.
const FINE: f64 = 64.0;

/// A straight edge as the camera sees it: light on its far side by the distance of the pixel's centre, 0..=1.
struct Edge {
    reach: f64,
    table: Vec<f64>,
}

impl Edge {
    /// An edge whose normal lies at this angle to the pixels, blurred by so many pixels.
    fn new(radians: f64, blur: f64) -> Self {
        let (a, b) = (radians.cos().abs(), radians.sin().abs());
        let (outer, inner) = ((a + b) / 2.0, (a - b).abs() / 2.0);
        let reach = outer + 5.0 * blur + 0.1;
        let n = (2.0 * reach * FINE).ceil() as usize + 2;
        // The pixel's square seen from the side is a trapezoid; it is blurred point by point.
        let shape = |d: f64| match d.abs() {
            d if d <= inner => 1.0,
            d if d >= outer => 0.0,
            d => (outer - d) / (outer - inner),
        };
        let parts = 129;
        let weights: Vec<(f64, f64)> = (0..parts)
            .map(|k| outer * (2.0 * (f64::from(k) + 0.5) / f64::from(parts) - 1.0))
            .map(|d| (d, shape(d)))
            .collect();
        let sum: f64 = weights.iter().map(|w| w.1).sum();
        let step = |d: f64| {
            if blur < 1e-6 {
                if d >= 0.0 { 1.0 } else { 0.0 }
            } else {
                0.5 * libm::erfc(-d / (blur * std::f64::consts::SQRT_2))
            }
        };
        let table = (0..n)
            .map(|i| i as f64 / FINE - reach)
            .map(|at| weights.iter().map(|(d, w)| w * step(at - d)).sum::<f64>() / sum)
            .collect();
        Self { reach, table }
    }

    fn at(&self, d: f64) -> f64 {
        let x = (d + self.reach) * FINE;
        if x <= 0.0 {
            return 0.0;
        }
        let i = x as usize;
        if i + 1 >= self.table.len() {
            return 1.0;
        }
        self.table[i] + (self.table[i + 1] - self.table[i]) * (x - i as f64)
    }

    /// Share of a strip from `lo` to `hi`.
    fn strip(&self, d: f64, lo: f64, hi: f64) -> f64 {
        (self.at(d - lo) - self.at(d - hi)).max(0.0)
    }
}

/// Segments of a digit on a grid of 2 by 3 corners, as on old calculators.
const DIGITS: [u8; 10] = [
    0b111_0111, 0b001_0010, 0b101_1101, 0b101_1011, 0b011_1010, 0b110_1011, 0b110_1111, 0b101_0010, 0b111_1111,
    0b111_1011,
];

impl RuledScale {
    /// Positions of the lines from the middle of the scale, µm, with their length, µm.
    fn lines(&self) -> Vec<(f64, f64)> {
        let mut at = 0.0;
        let mut lines = Vec::new();
        for n in 0..=self.divisions {
            let class = match n {
                n if n % 10 == 0 => 2,
                n if n % 5 == 0 => 1,
                _ => 0,
            };
            if !self.missing.contains(&n) {
                lines.push((at, self.lengths_um[class]));
            }
            let wide = self.fine_until.is_some_and(|(until, _, _)| n >= until);
            at += self.division_um * if wide { self.fine_until.map_or(1.0, |f| f.1 as f64) } else { 1.0 };
            if self.fine_until.is_some_and(|(until, _, more)| n >= until + more) {
                break;
            }
        }
        let middle = lines.last().map_or(0.0, |l| l.0) / 2.0;
        lines.iter().map(|(at, length)| (at - middle, *length)).collect()
    }

    /// Mean scale along the direction across the lines, µm per pixel.
    #[must_use]
    pub fn truth_um_per_px(&self) -> f64 {
        let a = self.tilt_deg.to_radians();
        self.um_per_px * (a.cos().powi(2) + (self.aspect * a.sin()).powi(2)).sqrt()
    }

    /// The photograph in linear light, 0..=1, a value a pixel, before noise.
    fn light(&self) -> Vec<f32> {
        let angle = self.tilt_deg.to_radians();
        let (c, s) = (angle.cos(), -angle.sin());
        let across = Edge::new(angle, self.blur_px);
        let lines = self.lines();
        let half_length: f64 = lines.last().map_or(0.0, |l| l.0) + self.line_um;
        let longest = self.lengths_um.iter().copied().fold(0.0, f64::max);
        let corner2 = (self.width.pow(2) + self.height.pow(2)) as f64 / 4.0;
        let px = self.um_per_px;
        let marks = self.digit_marks(longest);
        // Covered share at a place of the scale: `u` across the lines and `v` along them, µm.
        let scale = |u: f64, v: f64| -> f64 {
            if u.abs() > half_length + 8.0 * px || v.abs() > longest + 8.0 * px {
                return 0.0;
            }
            let near = 8.0 * px + self.line_um;
            let from = lines.partition_point(|l| l.0 < u - near);
            let mut covered = 0.0;
            for (at, length) in lines[from..].iter().take_while(|l| l.0 <= u + near) {
                let (lo, hi) =
                    if self.centred { (-length / 2.0, length / 2.0) } else { (-longest / 2.0, length - longest / 2.0) };
                let w = self.line_um / 2.0;
                covered += across.strip((u - at) / px, -w / px, w / px) * across.strip(v / px, lo / px, hi / px);
            }
            if self.axis {
                let w = self.line_um / 2.0;
                covered +=
                    across.strip(v / px, -w / px, w / px) * across.strip(u / px, (-half_length) / px, half_length / px);
            }
            covered.min(1.0)
        };
        (0..self.width * self.height)
            .into_par_iter()
            .map(|i| {
                let x = (i % self.width) as f64 - (self.width as f64 - 1.0) / 2.0;
                let y = (i / self.width) as f64 - (self.height as f64 - 1.0) / 2.0;
                let r2 = (x * x + y * y) / corner2;
                // Places on the glass: the scale changes by 3·k·r² along the radius.
                let bent = 1.0 + self.distortion * r2 / 3.0;
                let (gx, gy) = ((x * bent - self.centre_px[0]) * px, (y * bent - self.centre_px[1]) * px * self.aspect);
                let (u, v) = (gx * c + gy * s, -gx * s + gy * c);
                let mut covered = scale(u, v);
                if self.crossed {
                    covered = covered.max(scale(v, -u));
                }
                if let Some(radius) = self.circle_um {
                    let d = (u.hypot(v) - radius).abs() / px;
                    covered = covered.max(across.strip(d, -self.line_um / px, self.line_um / px));
                }
                for m in &marks {
                    let near = (u - m[0]).abs() < m[2] + 6.0 * px && (v - m[1]).abs() < m[3] + 6.0 * px;
                    if near {
                        covered = covered.max(
                            across.strip((u - m[0]) / px, -m[2] / px, m[2] / px)
                                * across.strip((v - m[1]) / px, -m[3] / px, m[3] / px),
                        );
                    }
                }
                let lamp = (1.0 - self.vignette * r2) * (1.0 + self.slope * x / self.width as f64);
                let light = if self.dark_field {
                    lamp * (0.02 + self.contrast * 0.7 * covered)
                } else {
                    0.75 * lamp * (1.0 - self.contrast * covered)
                };
                light as f32
            })
            .collect()
    }

    /// Strokes of the digits: middle and half-widths along u and v, µm.
    fn digit_marks(&self, longest: f64) -> Vec<[f64; 4]> {
        if !self.digits {
            return Vec::new();
        }
        let (w, h, thick) = (2.4 * self.division_um, 4.0 * self.division_um, 0.25 * self.division_um);
        let foot = longest / 2.0 + 0.8 * h;
        let lines = self.lines();
        let mut marks = Vec::new();
        for (tenth, (at, _)) in lines.iter().step_by(10).enumerate() {
            let segments = DIGITS[tenth % 10];
            let spots = [
                [0.0, -h / 2.0, w / 2.0, thick],
                [-w / 2.0, -h / 4.0, thick, h / 4.0],
                [w / 2.0, -h / 4.0, thick, h / 4.0],
                [0.0, 0.0, w / 2.0, thick],
                [-w / 2.0, h / 4.0, thick, h / 4.0],
                [w / 2.0, h / 4.0, thick, h / 4.0],
                [0.0, h / 2.0, w / 2.0, thick],
            ];
            for (k, m) in spots.iter().enumerate() {
                if segments >> (6 - k) & 1 == 1 {
                    marks.push([m[0] + at, m[1] + foot, m[2], m[3]]);
                }
            }
        }
        marks
    }

    /// Encoded samples, R, G, B interleaved, row by row.
    ///
    /// # Panics
    /// When the encoder of JPEG fails, which it does not on a picture in memory.
    #[must_use]
    pub fn render(&self) -> Vec<u8> {
        let mut light = self.light();
        let mut dice = Dice::new(self.seed, 0x0d57);
        for _ in 0..self.dust {
            let (cx, cy) = (dice.between(0.0, self.width as f32), dice.between(0.0, self.height as f32));
            let (r, depth) = (dice.log_normal(3.0, 0.6), dice.between(0.15, 0.8));
            let reach = (r + 3.0) as isize;
            for y in (cy as isize - reach).max(0)..(cy as isize + reach).min(self.height as isize) {
                for x in (cx as isize - reach).max(0)..(cx as isize + reach).min(self.width as isize) {
                    let d = (x as f32 - cx).hypot(y as f32 - cy);
                    let share = 1.0 / (1.0 + (2.5 * (d - r)).exp());
                    let cell = &mut light[y as usize * self.width + x as usize];
                    if self.dark_field { *cell += 0.4 * depth * share } else { *cell *= 1.0 - depth * share }
                }
            }
        }
        encode(&light, self.width, self.height, self.electrons, self.jpeg, self.seed)
    }

    /// The same as a photograph that was read.
    #[must_use]
    pub fn photograph(&self) -> Photograph {
        photograph(self.render(), self.width, self.height)
    }
}

/// A photograph of encoded samples.
#[must_use]
pub fn photograph(rgb: Vec<u8>, width: usize, height: usize) -> Photograph {
    Photograph::from_samples("micrometer.jpg", Role::Plane, width, height, Samples::Eight(rgb), &Curve::Srgb)
}

/// Linear light with noise, sRGB curve, 8 bit, and a JPEG's loss.
///
/// # Panics
/// As [`RuledScale::render`].
#[must_use]
pub fn encode(light: &[f32], width: usize, height: usize, electrons: f64, jpeg: Option<u8>, seed: u64) -> Vec<u8> {
    let gain = [0.92_f32, 1.0, 0.85];
    let rows: Vec<Vec<u8>> = light
        .par_chunks(width)
        .enumerate()
        .map(|(y, row)| {
            let mut dice = Dice::new(seed, 0x1000 + y as u64);
            let mut out = Vec::with_capacity(3 * width);
            for l in row {
                for g in gain {
                    let mean = f64::from((l * g).max(0.0));
                    let noise = ((mean / electrons).max(0.0) + 4e-7).sqrt() * f64::from(dice.normal());
                    let code = 255.0 * Curve::Srgb.encoded((mean + noise).clamp(0.0, 1.0));
                    out.push(code.round() as u8);
                }
            }
            out
        })
        .collect();
    let rgb = rows.concat();
    let Some(quality) = jpeg else { return rgb };
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality)
        .encode(&rgb, width as u32, height as u32, image::ExtendedColorType::Rgb8)
        .expect("a picture in memory can be encoded");
    image::load_from_memory_with_format(&bytes, image::ImageFormat::Jpeg)
        .expect("what was encoded can be decoded")
        .into_rgb8()
        .into_raw()
}
