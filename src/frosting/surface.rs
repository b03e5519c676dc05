//! From light to clearness: what frosted and what clear glass would send at each place, and where between them the slide is.

use nalgebra::{DMatrix, DVector};
use ndarray::Array2;
use rayon::prelude::*;

use crate::frosting::Light;
use crate::frosting::geometry::{Point, depth};
use crate::frosting::grid::{Grid, smooth};
use crate::frosting::ground::Ground;

/// What a clear glass lets through of the light behind it: two faces that reflect 4 % each (Fresnel, index 1.52).
const THROUGH_CLEAR: f64 = 0.92;
/// Least of |ln(frosted / clear)| at which the two are told apart. In oblique light the frosting must be half as bright again as
/// the ground, since the glass itself mirrors a little of the room; in transmitted light a tenth duller than clear glass.
const LEAST_CONTRAST: [f64; 2] = [0.4, 0.1];

/// How well the light of clear glass is known from its ground's, as a share of it. In oblique light glass and what water makes
/// of frosting show more or less of the ground (house value); in transmitted light a little dirt is in the way (house value).
const SHOWN_TO: [f64; 2] = [0.15, 0.015];
/// Side of the blocks in which the ground is carried in under the slide, cells.
const BLOCK: usize = 12;

/// The glass as a region of the grid.
pub struct Region {
    /// Signed depth of each cell's centre in the glass, cells; negative outside.
    pub depth: Array2<f32>,
    /// Shorter side of the glass, cells.
    pub short: f64,
    /// Nearer than this to the border nothing is judged: the ground edge of the glass and the blur of the camera.
    pub inset: f64,
}

impl Region {
    /// Of an outline in cells.
    #[must_use]
    pub fn of(outline: &[Point], dim: (usize, usize), short: f64) -> Self {
        let mut field = Array2::<f32>::zeros(dim);
        field.as_slice_mut().expect("standard layout").par_chunks_mut(dim.1.max(1)).enumerate().for_each(|(y, row)| {
            for (x, d) in row.iter_mut().enumerate() {
                *d = depth(outline, [x as f64, y as f64]) as f32;
            }
        });
        Self { depth: field, short, inset: (0.016 * short).max(4.0) }
    }

    /// Cells whose surface is judged.
    #[must_use]
    pub fn judged(&self) -> Array2<bool> {
        self.depth.mapv(|d| f64::from(d) > self.inset)
    }

    /// Cells of the ground round the glass, beyond its shadow.
    fn ring(&self) -> Array2<bool> {
        let (near, far) = (0.035 * self.short, 0.12 * self.short);
        self.depth.mapv(|d| (near..far).contains(&f64::from(-d)))
    }
}

/// Light of frosted and of clear glass over the slide, and what the slide has between them.
pub struct Surface {
    /// How it is lit.
    pub light: Light,
    /// 0 as frosted glass, 1 as clear glass, each cell; beyond both where something shines or shades.
    pub clear: Array2<f32>,
    /// Standard deviation of the clearness of a clear place: what lies behind it is not seen beside it.
    pub unsure: Array2<f32>,
    /// Light over what frosted glass would send.
    pub over_frosted: Array2<f32>,
    /// Root mean square of the fine grain in light (not over light): of frosted glass, and of the ground round the slide.
    pub grain: [f64; 2],
    /// Light of frosted and of clear glass at the slide's middle, full scale.
    pub levels: [f64; 2],
    /// Share of the judged cells that look frosted.
    pub frosted_share: f64,
    /// The ground is burnt out: clear glass is at least as bright as it is taken to be.
    pub ground_burnt: bool,
}

/// What can be said when frosted and clear glass are not told apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoSurface {
    /// The picture shows too little ground round the slide.
    NoGround,
    /// All of the slide looks like its ground: light over the ground's.
    LikeGround(f64),
}

impl Surface {
    /// Of the judged cells of a slide; `told` is the lighting when the user has said it.
    ///
    /// # Errors
    /// When frosted and clear glass are not told apart.
    pub fn of(grid: &Grid, region: &Region, told: Option<Light>) -> Result<Self, NoSurface> {
        let ring = region.ring();
        let around = ring.iter().filter(|r| **r).count();
        if (around as f64) < 0.08 * region.short * region.short {
            return Err(NoSurface::NoGround);
        }
        let burnt = ring.iter().zip(&grid.clipped).filter(|(r, c)| **r && **c > 0.3).count();
        let ground_burnt = burnt as f64 > 0.25 * around as f64;
        let judged = region.judged();
        let ground = Field::fit(&samples(&grid.light, &ring, 3), GROUND, [0.5, 0.5], None);
        let even = smooth(&grid.light, &ring, 0.025 * region.short);
        let step = ((around as f64 / 600.0).sqrt().ceil() as usize).max(3);
        let behind = Ground::of(ground, &samples(&even, &ring, step), region.short);
        let ground = behind.smooth();
        let counts = judged_unburnt(&judged, grid);
        let even = smooth(&grid.light, &counts, (0.008 * region.short).max(2.0));
        let cells = samples(&even, &counts, 4);
        let mut ratios: Vec<f64> = cells.iter().map(|(p, v)| v - ground.at(*p)).collect();
        ratios.sort_by(f64::total_cmp);
        if ratios.len() < 100 {
            return Err(NoSurface::NoGround);
        }
        let quantile = |p: f64| crate::measured::quantile(&ratios, p);
        let light = told.unwrap_or(if quantile(0.8) >= -quantile(0.2) { Light::Oblique } else { Light::Transmitted });
        let clear_over_ground = match light {
            Light::Oblique => 0.0,
            Light::Transmitted => THROUGH_CLEAR.ln(),
        };
        // Frosted glass is brighter than clear in oblique light and darker in transmitted.
        let toward = if light == Light::Oblique { 1.0 } else { -1.0 };
        let mut best: Option<(f64, Field)> = None;
        for start in [0.5, 0.7, 0.85, 0.95] {
            let level = quantile(if toward > 0.0 { start } else { 1.0 - start });
            let frosted = Field::fit(
                &cells,
                FACE,
                [if toward > 0.0 { 0.7 } else { 1.0 }, if toward > 0.0 { 1.0 } else { 0.7 }],
                Some((level, ground)),
            );
            let near = |(p, v): &&(Point, f64)| (v - frosted.at(*p)).abs() < 0.12;
            let far = |(p, _): &&(Point, f64)| {
                toward * (frosted.at(*p) - ground.at(*p) - clear_over_ground)
                    > LEAST_CONTRAST[usize::from(light == Light::Transmitted)]
            };
            let told_apart = cells.iter().filter(far).count() as f64 / cells.len() as f64;
            let share = cells.iter().filter(near).count() as f64 / cells.len() as f64;
            if told_apart > 0.97 && best.as_ref().is_none_or(|b| share > b.0 + 0.02) {
                best = Some((share, frosted));
            }
        }
        let Some((frosted_share, frosted)) = best.filter(|b| b.0 > 0.12) else {
            return Err(NoSurface::LikeGround(quantile(0.5).exp()));
        };
        let fine = smooth(&grid.light, &judged, (0.005 * region.short).max(1.5));
        let (mut clear, mut over) = (Array2::<f32>::zeros(fine.dim()), Array2::<f32>::zeros(fine.dim()));
        let mut unsure = Array2::<f32>::zeros(fine.dim());
        let shown_to = SHOWN_TO[usize::from(light == Light::Transmitted)];
        let under = Blocks::of(&behind, fine.dim());
        let mut grains = [Vec::new(), Vec::new()];
        for ((y, x), light) in fine.indexed_iter() {
            let p = [x as f64, y as f64];
            let at = [y, x];
            if ring[at] {
                grains[1].push(f64::from(grid.texture[at] * grid.light[at]) / ground.at(p).exp());
            }
            if !judged[at] {
                continue;
            }
            let (rest, spread) = under.at(y, x);
            let (f, c) = (frosted.at(p).exp(), (ground.at(p) + rest + clear_over_ground).exp());
            unsure[at] = (spread.hypot(shown_to) * c / (c - f).abs()) as f32;
            let l = f64::from(*light);
            clear[at] = ((l - f) / (c - f)) as f32;
            over[at] = (l / f) as f32;
            if (l / f).ln().abs() < 0.12 && grid.clipped[at] == 0.0 {
                grains[0].push(f64::from(grid.texture[at] * grid.light[at]) / f);
            }
        }
        let middle = {
            let n = cells.len() as f64;
            cells.iter().fold([0.0, 0.0], |m, (p, _)| [m[0] + p[0] / n, m[1] + p[1] / n])
        };
        let levels = [frosted.at(middle).exp(), (ground.at(middle) + clear_over_ground).exp()];
        let grain = [0, 1].map(|k| {
            let v = &mut grains[k];
            v.sort_by(f64::total_cmp);
            let median = if v.is_empty() { 0.0 } else { crate::measured::quantile(v, 0.5) };
            median * levels[k]
        });
        Ok(Self { light, clear, unsure, over_frosted: over, grain, levels, frosted_share, ground_burnt })
    }

    /// How much of the frosting's own grain the cells show: 1 as frosted glass does, 0 no more than the ground; None when the
    /// photograph does not resolve it. `grain` is the root mean square of their fine grain, `level` their mean light.
    #[must_use]
    pub fn grain_left(&self, grain: f64, level: f64) -> Option<f64> {
        let [frosted, ground] = self.grain;
        // The camera's noise grows with the root of light.
        let noise = |at: f64| ground * ground * (at / self.levels[1]).clamp(0.05, 20.0);
        let own = frosted * frosted - noise(self.levels[0]);
        // A JPEG that leaves no noise at all on the ground says nothing of noise, and one that leaves some says it roughly.
        (ground > 0.0 && own > 4.0 * noise(self.levels[0]) && own > 2.0 * noise(level))
            .then(|| (grain * grain - noise(level)) / own)
    }
}

impl Surface {
    /// |ln(frosted / clear)| at the slide's middle.
    #[must_use]
    pub fn contrast(&self) -> f64 {
        (self.levels[0] / self.levels[1]).ln().abs()
    }

    /// Fine grain of the frosting over what the ground's noise would be at its light.
    #[must_use]
    pub fn grain_over_noise(&self) -> f64 {
        let noise = self.grain[1] * (self.levels[0] / self.levels[1]).sqrt();
        self.grain[0] / noise.max(1e-9)
    }
}

/// The ground behind the slide block by block: its log light over its smooth field, and the standard deviation of that.
struct Blocks(Array2<(f64, f64)>);

impl Blocks {
    fn of(ground: &Ground, (rows, columns): (usize, usize)) -> Self {
        let mut blocks = Array2::from_elem((rows / BLOCK + 2, columns / BLOCK + 2), (0.0, 0.0));
        let wide = blocks.ncols();
        blocks.as_slice_mut().expect("standard layout").par_iter_mut().enumerate().for_each(|(i, block)| {
            let p = [(i % wide * BLOCK) as f64, (i / wide * BLOCK) as f64];
            let (value, spread) = ground.behind(p);
            *block = (value - ground.smooth().at(p), spread);
        });
        Self(blocks)
    }

    /// Between the four block corners round a cell.
    fn at(&self, y: usize, x: usize) -> (f64, f64) {
        let (j, i) = (y / BLOCK, x / BLOCK);
        let (v, u) = ((y % BLOCK) as f64 / BLOCK as f64, (x % BLOCK) as f64 / BLOCK as f64);
        let mut out = (0.0, 0.0);
        for (dj, di, w) in [(0, 0, (1.0 - v) * (1.0 - u)), (0, 1, (1.0 - v) * u), (1, 0, v * (1.0 - u)), (1, 1, v * u)]
        {
            let (value, spread) = self.0[[j + dj, i + di]];
            out = (out.0 + w * value, out.1 + w * spread);
        }
        out
    }
}

fn judged_unburnt(judged: &Array2<bool>, grid: &Grid) -> Array2<bool> {
    let mut out = judged.clone();
    out.zip_mut_with(&grid.clipped, |j, c| *j &= *c < 0.02);
    out
}

/// Widths of the residuals that count while a field is fitted, log light, round by round: of the slide's face, and of the
/// ground, which may have a weave or a grain.
const FACE: &[f64] = &[0.5, 0.4, 0.3, 0.25, 0.2, 0.16, 0.13, 0.1, 0.1, 0.1];
const GROUND: &[f64] = &[1.2, 1.0, 0.8, 0.6, 0.5, 0.4, 0.4, 0.4];

/// Places and the logarithm of their light, every `step` cells.
fn samples(light: &Array2<f32>, counts: &Array2<bool>, step: usize) -> Vec<(Point, f64)> {
    let (rows, columns) = light.dim();
    let mut out = Vec::new();
    for y in (0..rows).step_by(step) {
        for x in (0..columns).step_by(step) {
            if counts[[y, x]] {
                out.push(([x as f64, y as f64], f64::from(light[[y, x]].max(3e-5)).ln()));
            }
        }
    }
    out
}

/// A smooth field of the logarithm of light: a quadratic over the slide.
pub(super) struct Field {
    centre: Point,
    scale: f64,
    terms: Vec<f64>,
}

impl Field {
    /// The same everywhere.
    #[cfg(test)]
    pub(super) fn level(value: f64) -> Self {
        Self { centre: [0.0; 2], scale: 1.0, terms: vec![value, 0.0, 0.0, 0.0, 0.0, 0.0] }
    }

    /// Robust fit; residuals below and above are forgiven by the shares `slack` of the width. `start` is a level over another
    /// field to begin from; otherwise it begins from the median.
    fn fit(cells: &[(Point, f64)], widths: &[f64], slack: [f64; 2], start: Option<(f64, &Field)>) -> Self {
        let n = cells.len().max(1) as f64;
        let centre = cells.iter().fold([0.0, 0.0], |m, (p, _)| [m[0] + p[0] / n, m[1] + p[1] / n]);
        let spread = cells.iter().map(|(p, _)| (p[0] - centre[0]).hypot(p[1] - centre[1])).fold(1.0, f64::max);
        let mut field = Self { centre, scale: spread, terms: vec![0.0; 6] };
        let mut sorted: Vec<f64> = cells.iter().map(|c| c.1).collect();
        sorted.sort_by(f64::total_cmp);
        field.terms[0] = if sorted.is_empty() { 0.0 } else { crate::measured::quantile(&sorted, 0.5) };
        if let Some((level, under)) = start {
            field.terms[0] = level + under.at(centre);
            field.terms[1] = under.terms[1] * spread / under.scale;
            field.terms[2] = under.terms[2] * spread / under.scale;
        }
        for (round, width) in widths.iter().enumerate() {
            let size = if round < 2 {
                1
            } else if round > 4 {
                6
            } else {
                3
            };
            let mut m = DMatrix::<f64>::zeros(size, size);
            let mut v = DVector::<f64>::zeros(size);
            for (p, value) in cells {
                let basis = DVector::from_column_slice(&field.basis(*p)[..size]);
                let rest: f64 = value
                    - (0..field.terms.len())
                        .filter(|i| *i >= size)
                        .map(|i| field.terms[i] * field.basis(*p)[i])
                        .sum::<f64>();
                let residual = value - field.at(*p);
                let r = residual / (width * slack[usize::from(residual > 0.0)]);
                let w = if r.abs() < 3.0 { (1.0 - (r / 3.0).powi(2)).powi(2) } else { 0.0 };
                if w > 0.0 {
                    m.ger(w, &basis, &basis, 1.0);
                    v.axpy(w * rest, &basis, 1.0);
                }
            }
            // A little pull to no bend: terms that the cells do not bear stay small.
            for i in 1..size {
                m[(i, i)] += 0.01 * m[(0, 0)].max(1.0);
            }
            m[(0, 0)] += 1e-9;
            if let Some(solved) = m.lu().solve(&v) {
                field.terms[..size].copy_from_slice(solved.as_slice());
            }
        }
        field
    }

    fn basis(&self, p: Point) -> [f64; 6] {
        let (u, v) = ((p[0] - self.centre[0]) / self.scale, (p[1] - self.centre[1]) / self.scale);
        [1.0, u, v, u * u, u * v, v * v]
    }

    pub(super) fn at(&self, p: Point) -> f64 {
        self.basis(p).iter().zip(&self.terms).map(|(b, t)| b * t).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(frosted: f32, ground: f32, patch: f32) -> (Grid, Region) {
        let outline = [[60.0, 50.0], [340.0, 50.0], [340.0, 210.0], [60.0, 210.0]];
        let light = Array2::from_shape_fn((260, 400), |(y, x)| {
            let lamp = 1.0 + 0.0008 * x as f32 + 0.0005 * y as f32;
            let on = depth(&outline, [x as f64, y as f64]) > 0.0;
            lamp * if !on {
                ground
            } else if x < 110 {
                patch
            } else {
                frosted
            }
        });
        let grid = Grid::from_light(&light, &Array2::zeros((260, 400)));
        (grid, Region::of(&outline, (260, 400), 160.0))
    }

    #[test]
    fn clearness_is_nought_on_frosting_and_one_where_the_ground_shows() {
        for (frosted, ground, patch, light) in
            [(0.4, 0.03, 0.03, Light::Oblique), (0.4, 0.8, 0.8 * 0.92, Light::Transmitted)]
        {
            let (grid, region) = scene(frosted, ground, patch);
            let s = Surface::of(&grid, &region, None).unwrap_or_else(|e| panic!("{e:?}"));
            assert_eq!(s.light, light);
            assert!(s.clear[[130, 240]].abs() < 0.03, "{}", s.clear[[130, 240]]);
            assert!((s.clear[[130, 85]] - 1.0).abs() < 0.05, "{}", s.clear[[130, 85]]);
        }
    }

    #[test]
    fn a_slide_like_its_ground_is_not_told_apart() {
        let (grid, region) = scene(0.3, 0.3, 0.3);
        assert!(matches!(Surface::of(&grid, &region, None), Err(NoSurface::LikeGround(r)) if (r - 1.0).abs() < 0.02));
    }
}
