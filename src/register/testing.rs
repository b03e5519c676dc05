//! A section drawn by formula and photographed through known placements, for the tests of registration.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::register::{FieldStack, Placement};
use crate::slide::Curve;
use crate::slide::folder::{FieldPhotographs, FieldPlan};
use crate::slide::photograph::{Photograph, Role, Samples};
use crate::slide::record::Turned;
use crate::units::Degrees;

/// An analytic rock: straight boundaries and specks, dark in every light, over grains whose brightness is drawn anew
/// for every crossed photograph.
pub(super) struct Rock {
    lines: Vec<[f64; 4]>,
    specks: Vec<[f64; 3]>,
    seeds: Vec<[f64; 2]>,
}

pub(super) const SIZE: (usize, usize) = (420, 320);

impl Rock {
    pub(super) fn new(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut draw = |low: f64, high: f64| rng.random_range(low..high);
        let (w, h) = (SIZE.0 as f64, SIZE.1 as f64);
        Self {
            lines: (0..70)
                .map(|_| {
                    let (x, y) = (draw(-150.0, w + 150.0), draw(-150.0, h + 150.0));
                    let (length, angle) = (draw(20.0, 90.0), draw(0.0, 3.1));
                    [x, y, x + length * f64::cos(angle), y + length * f64::sin(angle)]
                })
                .collect(),
            specks: (0..60).map(|_| [draw(-150.0, w + 150.0), draw(-150.0, h + 150.0), draw(0.8, 2.2)]).collect(),
            seeds: (0..90).map(|_| [draw(-200.0, w + 200.0), draw(-200.0, h + 200.0)]).collect(),
        }
    }

    /// Share of light that lines and specks leave at a point of the section.
    fn clear(&self, x: f64, y: f64) -> f64 {
        let mut log = 0.0;
        for [x0, y0, x1, y1] in &self.lines {
            let (dx, dy) = (x1 - x0, y1 - y0);
            let t = (((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
            let d2 = (x - x0 - t * dx).powi(2) + (y - y0 - t * dy).powi(2);
            if d2 < 12.0 {
                log -= 0.8 * (-d2 / 1.3).exp();
            }
        }
        for [sx, sy, r] in &self.specks {
            let d2 = (x - sx).powi(2) + (y - sy).powi(2);
            if d2 < 30.0 {
                log -= (-d2 / (r * r)).exp();
            }
        }
        log.exp()
    }

    fn grain(&self, x: f64, y: f64) -> usize {
        let far = |s: &[f64; 2]| (s[0] - x).powi(2) + (s[1] - y).powi(2);
        (0..self.seeds.len()).min_by(|a, b| far(&self.seeds[*a]).total_cmp(&far(&self.seeds[*b]))).unwrap()
    }

    /// The section photographed through `truth`, which says where the grid lies in the photograph.
    pub(super) fn photograph(&self, truth: &Placement, role: Role, seed: u64, hairs: bool) -> Photograph {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let bright: Vec<f64> =
            self.seeds
                .iter()
                .map(|_| {
                    if role == Role::Plane {
                        rng.random_range(0.55..0.7)
                    } else {
                        rng.random_range(0.02f64..0.6).powi(2)
                    }
                })
                .collect();
        let (w, h) = SIZE;
        let (cx, cy) = ((w as f64 - 1.0) / 2.0, (h as f64 - 1.0) / 2.0);
        let (sin, cos) = truth.turn.sin_cos();
        let mut codes = Vec::with_capacity(3 * w * h);
        for i in 0..w * h {
            let (px, py) = ((i % w) as f64, (i / w) as f64);
            let (u, v) = (px - cx - truth.shift[0], py - cy - truth.shift[1]);
            let (x, y) = (cos * u + sin * v + cx, -sin * u + cos * v + cy);
            let lamp = (-0.25 * ((px - cx).powi(2) + (py - cy).powi(2)) / (cx * cx)).exp();
            let mut light = bright[self.grain(x, y)] * self.clear(x, y) * lamp;
            if hairs && (((px - 205.0).abs() < 1.2) || ((py - 170.0).abs() < 1.2)) {
                light *= 0.15;
            }
            let noisy = Curve::Srgb.encoded(light.clamp(0.0, 1.0)) * 255.0 + rng.random_range(-2.0..2.0);
            codes.extend([noisy.clamp(0.0, 255.0) as u8; 3]);
        }
        Photograph::from_samples("p.jpg", role, w, h, Samples::Eight(codes), &Curve::Srgb)
    }
}

pub(super) fn stack(rock: &Rock, truths: &[(f64, Placement)], turned: Turned, hairs: bool) -> FieldStack {
    let plane = rock.photograph(&Placement { turn: 0.0, shift: [0.0, 0.0], peak: 0.0 }, Role::Plane, 1, hairs);
    let crossed = truths
        .iter()
        .enumerate()
        .map(|(i, (angle, truth))| {
            let mut p = rock.photograph(truth, Role::Crossed, 10 + i as u64, hairs);
            p.angle = Some(Degrees::from_deg(*angle));
            p
        })
        .collect();
    let plan = FieldPlan { name: "A".into(), centre_mm: None, plane: "p.jpg".into(), crossed: vec![], blank: None };
    FieldStack::register(&plan, FieldPhotographs { plane, crossed, blank: None }, None, turned).unwrap()
}

/// Largest distance between where two placements put the frame's pixels that both photographs show.
pub(super) fn worst(found: &Placement, truth: &Placement) -> f64 {
    let centre = [(SIZE.0 as f64 - 1.0) / 2.0, (SIZE.1 as f64 - 1.0) / 2.0];
    let mut worst: f64 = 0.0;
    for y in (0..SIZE.1).step_by(20) {
        for x in (0..SIZE.0).step_by(20) {
            let at = truth.map([x as f64, y as f64], centre);
            if at[0] < 0.0 || at[1] < 0.0 || at[0] > SIZE.0 as f64 || at[1] > SIZE.1 as f64 {
                continue;
            }
            let other = found.map([x as f64, y as f64], centre);
            worst = worst.max((at[0] - other[0]).hypot(at[1] - other[1]));
        }
    }
    worst
}
