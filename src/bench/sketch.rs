//! A photograph as small as sorting needs it: what it is by its light, and where it lies on another.

use std::path::PathBuf;
use std::sync::OnceLock;

use rayon::prelude::*;

use crate::register::overview::Overview;
use crate::register::{FieldStack, Placement};
use crate::slide::folder::{FieldPhotographs, FieldPlan};
use crate::slide::photograph::{Photograph, Role, Samples};
use crate::slide::{Curve, Turned};
use crate::units::Degrees;

/// Longest side of a sketch, pixels.
const SIDE: usize = 640;

/// Longest side on which a turn of the picture is searched, pixels.
const TURN_SIDE: usize = 224;

/// Height of a correlation's peak above which two photographs show the same place: that of `register`, where chance
/// reaches 4, and a little more, since here any two photographs meet and not only those that a person put together.
const SAME_PLACE: f64 = 6.5;

/// The same where many turns are tried, each a chance of its own.
const SAME_PLACE_TURNED: f64 = 7.5;

/// Turns of a stage that are tried first, degrees.
const USUAL_TURNS_DEG: [f64; 8] = [45.0, 22.5, 67.5, 90.0, 30.0, 60.0, 15.0, 75.0];

/// Correlation of what stands out in two plane photographs laid on each other, above which they show one place; chance
/// stays below 0.1. House value.
const SAME_GRAIN: f64 = 0.3;

/// Turns that a search on the coarse copy finds best and that are looked at closely.
const LOOKED_AT: usize = 2;

/// Quarter over three quarters of the light, above which a photograph is evenly lit as plane light is. Between crossed
/// polars grains of any lie follow sin² 2a, which alone gives 0.17. House value.
const EVEN: f64 = 0.5;
/// The same below which it is as uneven as crossed polars are. House value.
const UNEVEN: f64 = 0.3;

/// Crossed light over plane light on one exposure below which the second photograph is the crossed one, and above
/// which it is none: a rock at 30 µm passes a tenth to a third, plane light the whole. House values.
const PASSED_BY_CROSSED: f64 = 0.55;
/// See [`PASSED_BY_CROSSED`].
const PASSED_BY_PLANE: f64 = 0.8;

/// Correlation of brightness with plane light of the same place above which the other is plane light too, and below which
/// it is crossed polars, where brightness goes by the lie of the grains. House values.
const ALIKE: f64 = 0.8;
/// See [`ALIKE`].
const UNLIKE: f64 = 0.5;

/// Light below which a photograph is black, share of full scale; crossed ones of few bright grains lie above it.
const BLACK: f64 = 0.002;

/// Relative steps between neighbours, at their 98 % quantile, below which nothing is on the glass. House value.
const BARE: f64 = 0.02;

/// What a photograph is by its own light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// Plane light.
    Plane,
    /// Crossed polars.
    Crossed,
    /// Bare glass.
    Bare,
    /// Nothing is to be seen.
    Black,
    /// Its light alone does not tell.
    Unsure,
}

/// A small copy of a photograph in linear light.
#[derive(Debug)]
pub struct Sketch {
    photograph: Photograph,
    /// Width and height of the whole photograph, pixels.
    pub size_px: [usize; 2],
    /// What it is by its own light.
    pub look: Look,
    overview: OnceLock<Option<Overview>>,
    coarse: OnceLock<Photograph>,
}

impl Sketch {
    /// Of a photograph of any size.
    #[must_use]
    pub fn of(whole: &Photograph) -> Self {
        let photograph = smaller(whole, SIDE);
        let look = look(&photograph);
        let size_px = [whole.width, whole.height];
        Self { photograph, size_px, look, overview: OnceLock::new(), coarse: OnceLock::new() }
    }

    /// Whether the other photograph, in any light, shows the place of this one in plane light, the picture standing still.
    #[must_use]
    pub fn stands_on(&self, other: &Self) -> bool {
        let placed = || laid(&self.photograph, &other.photograph, Turned::Polars, 0.0);
        self.size_px == other.size_px && placed().is_some_and(|p| p.peak >= SAME_PLACE)
    }

    /// The turn by which the other photograph lies on this one, degrees in image coordinates; None when no turn shows the
    /// same place. Usual turns of a stage are tried first, then the whole circle.
    #[must_use]
    pub fn turn_of(&self, other: &Self) -> Option<f64> {
        if self.size_px != other.size_px {
            return None;
        }
        let usual = USUAL_TURNS_DEG.iter().find_map(|deg| self.lies_turned_by(other, *deg));
        // `register` tries both senses and 1.4 degrees to either side of what it is told.
        usual.or_else(|| self.searched(other, &(1..64).map(|k| f64::from(k) * 2.8).collect::<Vec<_>>()))
    }

    fn searched(&self, other: &Self, steps_deg: &[f64]) -> Option<f64> {
        let (base, turned) = (self.coarse(), other.coarse());
        let mut found: Vec<Placement> =
            steps_deg.par_iter().filter_map(|deg| laid(base, turned, Turned::Stage, *deg)).collect();
        found.sort_by(|a, b| b.peak.total_cmp(&a.peak));
        found.iter().take(LOOKED_AT).find_map(|p| self.lies_turned_by(other, p.turn.to_degrees().rem_euclid(360.0)))
    }

    /// The exact turn when the other photograph lies on this one turned by about `deg` in either sense.
    fn lies_turned_by(&self, other: &Self, deg: f64) -> Option<f64> {
        let placement = laid(&self.photograph, &other.photograph, Turned::Stage, deg)?;
        (placement.peak >= SAME_PLACE_TURNED).then(|| placement.turn.to_degrees().rem_euclid(360.0))
    }

    /// Whether another plane photograph shows a place that this one shows: the same field after the slide lay elsewhere,
    /// shifted by any amount.
    #[must_use]
    pub fn shares_a_place_with(&self, other: &Self) -> bool {
        if self.size_px != other.size_px {
            return false;
        }
        let overlap = || Some(self.overview()?.overlap(other.overview()?)?.share > LEAST_SHARED);
        overlap() == Some(true)
    }

    /// The same after the slide was put back turned by a few degrees.
    #[must_use]
    pub fn shares_a_turned_place_with(&self, other: &Self) -> bool {
        self.put_back(other).is_some()
    }

    /// Where the other plane photograph lies on this one when the slide was put back turned by a few degrees.
    #[must_use]
    pub fn put_back(&self, other: &Self) -> Option<Placement> {
        if self.size_px != other.size_px {
            return None;
        }
        let (base, turned) = (self.coarse(), other.coarse());
        let mut found: Vec<Placement> =
            PUT_BACK_DEG.par_iter().filter_map(|deg| laid(base, turned, Turned::Stage, *deg)).collect();
        found.sort_by(|a, b| b.peak.total_cmp(&a.peak));
        found.iter().take(LOOKED_AT).find_map(|p| {
            let closely = laid(&self.photograph, &other.photograph, Turned::Stage, p.turn.to_degrees())?;
            let alike = || alike_at(&self.photograph, &other.photograph, &closely).is_some_and(|r| r > SAME_GRAIN);
            (closely.peak >= SAME_PLACE && alike()).then_some(closely)
        })
    }

    /// What the other photograph of the same place is beside this one in plane light: by how much light it passes, else by
    /// whether the same grains are bright in it; None when neither tells. `exposure` is its exposure over this one's, None when EXIF does not tell.
    #[must_use]
    pub fn role_beside(&self, other: &Self, exposure: Option<f64>) -> Option<Role> {
        let passed = median_light(&other.photograph) / median_light(&self.photograph).max(1e-6);
        match exposure.map(|e| passed / e) {
            Some(passed) if passed < PASSED_BY_CROSSED => Some(Role::Crossed),
            Some(passed) if passed > PASSED_BY_PLANE => Some(Role::Plane),
            _ => match correlation(self.coarse(), other.coarse())? {
                r if r > ALIKE => Some(Role::Plane),
                r if r < UNLIKE => Some(Role::Crossed),
                _ => None,
            },
        }
    }

    /// The small copy itself, linear light of 16 bit.
    #[must_use]
    pub fn photograph(&self) -> &Photograph {
        &self.photograph
    }

    /// Lets go of the picture; what it is and its size are kept. It shows no place any more.
    pub fn let_go(&mut self) {
        self.photograph = smaller(&self.photograph, 1);
        self.overview = OnceLock::from(None);
        self.coarse = OnceLock::new();
    }

    /// Whether the picture is still there.
    #[must_use]
    pub fn is_held(&self) -> bool {
        self.photograph.width > 1
    }

    fn overview(&self) -> Option<&Overview> {
        self.overview
            .get_or_init(|| {
                let photographs = FieldPhotographs { plane: self.photograph.clone(), crossed: Vec::new(), blank: None };
                FieldStack::register(&plan(), photographs, None, Turned::Polars).ok().map(|s| s.overview)
            })
            .as_ref()
    }

    fn coarse(&self) -> &Photograph {
        self.coarse.get_or_init(|| smaller(&self.photograph, TURN_SIDE))
    }
}

/// Part of the field that must be shared for it to be the same, 0..=1: neighbouring fields may overlap by less.
const LEAST_SHARED: f64 = 0.4;
/// Turns by which a slide may lie otherwise after it was off the stage, degrees.
const PUT_BACK_DEG: [f64; 4] = [0.0, 2.8, 5.6, 8.4];

fn plan() -> FieldPlan {
    FieldPlan { name: String::new(), centre_mm: None, plane: PathBuf::new(), crossed: Vec::new(), blank: None }
}

/// Where `other` lies on `base`; None when they cannot be compared.
fn laid(base: &Photograph, other: &Photograph, turned: Turned, deg: f64) -> Option<Placement> {
    let crossed = Photograph { angle: Some(Degrees::from_deg(deg)), ..other.clone() };
    let photographs = FieldPhotographs { plane: base.clone(), crossed: vec![crossed], blank: None };
    let stack = FieldStack::register(&plan(), photographs, None, turned).ok()?;
    stack.crossed.first().map(|c| c.placement)
}

/// The mean light of square cells, so that no side is longer than `side`.
fn smaller(photograph: &Photograph, side: usize) -> Photograph {
    let bin = photograph.width.max(photograph.height).div_ceil(side).max(1);
    let (w, h) = ((photograph.width / bin).max(1), (photograph.height / bin).max(1));
    let mut samples = vec![0u16; 3 * w * h];
    samples.par_chunks_exact_mut(3 * w).enumerate().for_each(|(y, row)| {
        for (x, out) in row.chunks_exact_mut(3).enumerate() {
            for (c, out) in out.iter_mut().enumerate() {
                let mut sum = 0.0;
                for v in y * bin..((y + 1) * bin).min(photograph.height) {
                    for u in x * bin..((x + 1) * bin).min(photograph.width) {
                        sum += photograph.light(u, v, c);
                    }
                }
                *out = (sum / (bin * bin) as f32 * 65_535.0).round() as u16;
            }
        }
    });
    let role = photograph.record.role;
    Photograph::from_samples(&photograph.record.file, role, w, h, Samples::Sixteen(samples), &Curve::Linear)
}

fn grey(photograph: &Photograph, x: usize, y: usize) -> f64 {
    let [r, g, b] = [0, 1, 2].map(|c| f64::from(photograph.light(x, y, c)));
    0.25 * r + 0.5 * g + 0.25 * b
}

fn sorted_light(photograph: &Photograph) -> Vec<f64> {
    let mut light: Vec<f64> = (0..photograph.height)
        .step_by(2)
        .flat_map(|y| (0..photograph.width).step_by(2).map(move |x| grey(photograph, x, y)))
        .collect();
    light.sort_by(f64::total_cmp);
    light
}

fn quantile(sorted: &[f64], p: f64) -> f64 {
    sorted.get(((sorted.len() as f64 - 1.0) * p) as usize).copied().unwrap_or(0.0)
}

/// Correlation of what stands out from its surroundings, in plane light, where one photograph lies on the other; None
/// when they share too little. The lamp's fall-off, which is the same in every field, does not stand out.
fn alike_at(base: &Photograph, other: &Photograph, placement: &Placement) -> Option<f64> {
    let centre = [base.width, base.height].map(|n| 0.5 * (n as f64 - 1.0));
    let mean = |p: &Photograph, x: f64, y: f64, half: i64| -> Option<f64> {
        let (x, y) = (x.round() as i64, y.round() as i64);
        if x < half || y < half || x >= p.width as i64 - half || y >= p.height as i64 - half {
            return None;
        }
        let square = (-half..=half).flat_map(|v| (-half..=half).map(move |u| (x + u, y + v)));
        let sum: f64 = square.map(|(u, v)| grey(p, u as usize, v as usize)).sum();
        Some(sum / ((2 * half + 1) * (2 * half + 1)) as f64)
    };
    let stands_out = |p: &Photograph, x: f64, y: f64| Some(mean(p, x, y, 1)? / mean(p, x, y, 9)?.max(1e-6) - 1.0);
    let mut sums = [0.0; 6];
    for y in (0..base.height).step_by(4) {
        for x in (0..base.width).step_by(4) {
            let at = [x as f64, y as f64];
            let [u, v] = placement.map(at, centre);
            let (Some(a), Some(b)) = (stands_out(base, at[0], at[1]), stands_out(other, u, v)) else { continue };
            for (sum, value) in sums.iter_mut().zip([1.0, a, b, a * a, b * b, a * b]) {
                *sum += value;
            }
        }
    }
    let [n, a, b, aa, bb, ab] = sums;
    let (va, vb) = (aa - a * a / n, bb - b * b / n);
    (n > 400.0 && va > 0.0 && vb > 0.0).then(|| (ab - a * b / n) / (va * vb).sqrt())
}

/// Correlation of the square roots of light, cell by cell; None when one of the two is even.
fn correlation(a: &Photograph, b: &Photograph) -> Option<f64> {
    let light = |p: &Photograph| -> Vec<f64> {
        let cells = (0..p.height).flat_map(|y| (0..p.width).map(move |x| (x, y)));
        cells.map(|(x, y)| grey(p, x, y).sqrt()).collect()
    };
    let (a, b) = (light(a), light(b));
    let n = a.len().min(b.len()) as f64;
    let mean = |v: &[f64]| v.iter().sum::<f64>() / n;
    let (ma, mb) = (mean(&a), mean(&b));
    let sum = |of: &dyn Fn(f64, f64) -> f64| a.iter().zip(&b).map(|(x, y)| of(x - ma, y - mb)).sum::<f64>();
    let (aa, bb, ab) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    let varied = |squares: f64, mean: f64| (squares / n).sqrt() > 0.02 * mean;
    (varied(aa, ma) && varied(bb, mb)).then(|| ab / (aa * bb).sqrt())
}

fn median_light(photograph: &Photograph) -> f64 {
    quantile(&sorted_light(photograph), 0.5)
}

/// What a photograph is by its own light: how even it is, and whether anything lies on the glass.
fn look(photograph: &Photograph) -> Look {
    let light = sorted_light(photograph);
    let [quarter, three, most] = [0.25, 0.75, 0.98].map(|p| quantile(&light, p));
    if most < BLACK {
        return Look::Black;
    }
    let even = quarter / three.max(1e-6);
    if even > EVEN && three > 0.05 && bare(photograph) {
        return Look::Bare;
    }
    match even {
        e if e > EVEN => Look::Plane,
        e if e < UNEVEN => Look::Crossed,
        _ => Look::Unsure,
    }
}

/// Whether neighbours differ so little that no rock lies there.
fn bare(photograph: &Photograph) -> bool {
    let mut steps: Vec<f64> = (0..photograph.height)
        .step_by(3)
        .flat_map(|y| (4..photograph.width).step_by(3).map(move |x| (x, y)))
        .map(|(x, y)| {
            let (a, b) = (grey(photograph, x - 4, y), grey(photograph, x, y));
            (a - b).abs() / (0.5 * (a + b)).max(1e-6)
        })
        .collect();
    steps.sort_by(f64::total_cmp);
    !steps.is_empty() && quantile(&steps, 0.98) < BARE
}
