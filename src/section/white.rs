//! The light that the lamp throws on a field, smooth over all of it: what rock in plane light is measured against.

use ndarray::Array2;
use rayon::prelude::*;

/// Blocks down and across a field of which the bright end is taken.
const BLOCKS: [usize; 2] = [20, 28];

/// Where the light of a field is taken to find its light field.
#[derive(Clone, Debug)]
pub(crate) struct WhiteSamples {
    /// Width and height of the field, pixels.
    size: [usize; 2],
    blocks: Vec<Block>,
}

/// A block of a field with the light of some of its pixels, a list a channel.
#[derive(Clone, Debug)]
struct Block {
    from: [usize; 2],
    to: [usize; 2],
    /// Pixels from one sample to the next.
    step: usize,
    light: [Vec<f32>; 3],
}

impl WhiteSamples {
    /// Of a field of this width and height; no light yet.
    pub(crate) fn new(size: [usize; 2]) -> Self {
        let [width, height] = size;
        let (rows, columns) = (height.min(BLOCKS[0]), width.min(BLOCKS[1]));
        let blocks = (0..rows)
            .flat_map(|j| (0..columns).map(move |i| (j, i)))
            .map(|(j, i)| {
                let (y0, y1) = (j * height / rows, (j + 1) * height / rows);
                let (x0, x1) = (i * width / columns, (i + 1) * width / columns);
                let step = ((y1 - y0).max(x1 - x0) / 24).max(1);
                Block { from: [x0, y0], to: [x1, y1], step, light: [const { Vec::new() }; 3] }
            })
            .collect();
        Self { size, blocks }
    }

    /// With the light of the whole field.
    pub(crate) fn of(mut self, rgb: &[Array2<f32>; 3]) -> Self {
        let [width, height] = self.size;
        self.take([0, 0], [width, height], |x, y, c| rgb[c][[y, x]]);
        self
    }

    /// Takes what it needs of the pixels from `from` to `to` (half-open); `light` is asked for pixel (x, y) and channel.
    pub(crate) fn take(&mut self, from: [usize; 2], to: [usize; 2], light: impl Fn(usize, usize, usize) -> f32) {
        for block in &mut self.blocks {
            let within = |k: usize| {
                let (low, high) = (block.from[k].max(from[k]), block.to[k].min(to[k]));
                // The block's own steps, from the first that is not before the window.
                let first = block.from[k] + (low - block.from[k]).div_ceil(block.step) * block.step;
                (first..high.max(first)).step_by(block.step)
            };
            if (0..2).any(|k| block.from[k] >= to[k] || block.to[k] <= from[k]) {
                continue;
            }
            for y in within(1) {
                for x in within(0) {
                    for (c, list) in block.light.iter_mut().enumerate() {
                        list.push(light(x, y, c));
                    }
                }
            }
        }
    }
}

/// A light field of three channels.
#[derive(Clone, Debug)]
pub(crate) struct White {
    size: [usize; 2],
    channels: Vec<QuadraticField>,
}

impl White {
    /// From samples of the whole field.
    pub(crate) fn fit(samples: &WhiteSamples) -> Self {
        Self { size: samples.size, channels: (0..3).into_par_iter().map(|c| QuadraticField::fit(samples, c)).collect() }
    }

    /// Width of the field, pixels.
    pub(crate) fn width(&self) -> usize {
        self.size[0]
    }

    /// One over the light of a channel along row `y` of a window whose upper left corner is `at`.
    ///
    /// Windows whose corners are multiples of 16 pixels agree with the whole to the last bit.
    pub(crate) fn inverse_row(&self, channel: usize, at: [usize; 2], y: usize, out: &mut [f32]) {
        self.channels[channel].inverse_row(self.size, [at[0], at[1] + y], out);
    }
}

/// A smooth light field: log of it is quadratic in x and y over the picture (-1..=1).
#[derive(Clone, Debug)]
struct QuadraticField {
    terms: [f64; 6],
}

impl QuadraticField {
    /// Robust fit to the bright end of each of a few hundred blocks: rock darkens, nothing brightens.
    fn fit(samples: &WhiteSamples, channel: usize) -> Self {
        let [width, height] = samples.size;
        let mut points: Vec<([f64; 6], f64)> = Vec::new();
        for block in &samples.blocks {
            let mut v = block.light[channel].clone();
            if v.is_empty() {
                continue;
            }
            let at = (v.len() - 1) * 8 / 10;
            let bright = f64::from(*v.select_nth_unstable_by(at, f32::total_cmp).1);
            if bright > 1e-3 {
                let x = (block.from[0] + block.to[0]) as f64 / width as f64 - 1.0;
                let y = (block.from[1] + block.to[1]) as f64 / height as f64 - 1.0;
                points.push(([1.0, x, y, x * x, x * y, y * y], bright.ln()));
            }
        }
        let mut terms = [0.0; 6];
        if points.is_empty() {
            return Self { terms };
        }
        let mut levels: Vec<f64> = points.iter().map(|p| p.1).collect();
        levels.sort_by(f64::total_cmp);
        terms[0] = levels[levels.len() * 8 / 10];
        for _ in 0..12 {
            let mut normal = nalgebra::SMatrix::<f64, 6, 6>::identity() * 1e-6;
            // A light field is gentle: its curvature is held by 1 % of the weight of the blocks.
            for k in 1..6 {
                normal[(k, k)] += 0.01 * points.len() as f64;
            }
            let mut right = nalgebra::SVector::<f64, 6>::zeros();
            for (basis, value) in &points {
                let fit: f64 = basis.iter().zip(&terms).map(|(b, t)| b * t).sum();
                let residual = value - fit;
                let side = if residual > 0.0 { 0.75 } else { 0.25 };
                let weight = side / (1.0 + (residual / 0.08).powi(2));
                let b = nalgebra::SVector::<f64, 6>::from_row_slice(basis);
                normal += weight * b * b.transpose();
                right += weight * *value * b;
            }
            match normal.cholesky() {
                Some(c) => terms.copy_from_slice(c.solve(&right).as_slice()),
                None => break,
            }
        }
        Self { terms }
    }

    /// One over the light from pixel `at` along its row of a picture of `size`.
    fn inverse_row(&self, [width, height]: [usize; 2], at: [usize; 2], out: &mut [f32]) {
        const STRIDE: usize = 16;
        let v = (2 * at[1] + 1) as f64 / height as f64 - 1.0;
        let t = &self.terms;
        let light = |x: usize| {
            let u = (2 * (at[0] + x) + 1) as f64 / width as f64 - 1.0;
            (-(t[0] + t[1] * u + t[2] * v + t[3] * u * u + t[4] * u * v + t[5] * v * v)).exp() as f32
        };
        let mut left = light(0);
        let end = out.len();
        for x0 in (0..end).step_by(STRIDE) {
            let right = light(x0 + STRIDE);
            for (k, o) in out[x0..(x0 + STRIDE).min(end)].iter_mut().enumerate() {
                *o = left + (right - left) * k as f32 / STRIDE as f32;
            }
            left = right;
        }
    }
}
