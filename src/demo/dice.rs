//! Chance, from a seed: draws in sequence, and noise that is a function of place.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Draws in sequence from a seed.
#[derive(Clone, Debug)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// A stream of its own for each (seed, purpose).
    pub(crate) fn new(seed: u64, purpose: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(mix(seed ^ mix(purpose))))
    }

    /// Uniform in lo..hi.
    pub(crate) fn between(&mut self, lo: f32, hi: f32) -> f32 {
        lo + (hi - lo) * self.0.random::<f32>()
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f32) -> bool {
        self.0.random::<f32>() < p
    }

    /// Standard normal.
    pub(crate) fn normal(&mut self) -> f32 {
        let u: f32 = 1.0 - self.0.random::<f32>();
        let v: f32 = self.0.random();
        (-2.0 * u.ln()).sqrt() * (std::f32::consts::TAU * v).cos()
    }

    /// Log-normal with this median and this standard deviation of the logarithm.
    pub(crate) fn log_normal(&mut self, median: f32, sd: f32) -> f32 {
        median * (sd * self.normal()).exp()
    }

    /// Poisson-like count with this mean.
    pub(crate) fn count(&mut self, mean: f32) -> usize {
        let spread = if mean > 0.0 { mean + mean.sqrt() * self.normal() } else { 0.0 };
        let floor = spread.max(0.0).floor();
        floor as usize + usize::from(self.chance(spread.max(0.0) - floor))
    }

    /// An index below `n`.
    pub(crate) fn index(&mut self, n: usize) -> usize {
        self.0.random_range(0..n)
    }

    /// A seed for noise.
    pub(crate) fn seed(&mut self) -> u32 {
        self.0.random()
    }

    /// A direction uniform on the sphere.
    pub(crate) fn direction(&mut self) -> [f64; 3] {
        let z: f64 = 2.0 * self.0.random::<f64>() - 1.0;
        let a: f64 = std::f64::consts::TAU * self.0.random::<f64>();
        let r = (1.0 - z * z).sqrt();
        [r * a.cos(), r * a.sin(), z]
    }
}

fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A well mixed 32-bit value of a lattice point.
pub(crate) fn hash(x: i32, y: i32, seed: u32) -> u32 {
    let mut h =
        (x as u32).wrapping_mul(0x85eb_ca6b) ^ (y as u32).wrapping_mul(0xc2b2_ae35) ^ seed.wrapping_mul(0x27d4_eb2f);
    h = (h ^ (h >> 15)).wrapping_mul(0x2c1b_3c6d);
    h = (h ^ (h >> 12)).wrapping_mul(0x297a_2d39);
    h ^ (h >> 15)
}

/// Uniform 0..1 of a lattice point.
pub(crate) fn lattice(x: i32, y: i32, seed: u32) -> f32 {
    (hash(x, y, seed) >> 8) as f32 / (1 << 24) as f32
}

/// Smooth noise, -1..1, features about one unit across.
pub(crate) fn noise(x: f32, y: f32, seed: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - fx), ease(y - fy));
    let (a, b) = (lattice(ix, iy, seed), lattice(ix + 1, iy, seed));
    let (c, d) = (lattice(ix, iy + 1, seed), lattice(ix + 1, iy + 1, seed));
    let top = a + u * (b - a);
    2.0 * (top + v * (c + u * (d - c) - top)) - 1.0
}

/// Noise of several octaves, about -1..1, coarsest features about one unit across.
pub(crate) fn rough_noise(x: f32, y: f32, seed: u32, octaves: u32) -> f32 {
    let (mut sum, mut amplitude, mut scale, mut total) = (0.0, 1.0, 1.0, 0.0);
    for k in 0..octaves {
        sum += amplitude * noise(x * scale + 17.3 * k as f32, y * scale - 9.1 * k as f32, seed ^ (k * 0x9e37));
        total += amplitude;
        amplitude *= 0.55;
        scale *= 2.03;
    }
    sum / total * 1.4
}
