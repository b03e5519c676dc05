//! One patch under which a film was followed, with what was seen of it.

use image::{GrayImage, Luma};
use imageproc::contours::{BorderType, find_contours};
use imageproc::distance_transform::Norm;
use imageproc::morphology::close;
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;

use super::cells::TintCells;
use super::path::{FilmPath, STEP_NM, STEPS, film_nm};
use super::proof::proved;
use crate::section::beside::{ANOTHER, distance};
use crate::section::light_field::FieldLight;
use crate::section::shape::polygon_area;
use crate::section::sides::Sides;

/// Cells under which a patch is not looked at.
const FEWEST: usize = 60;
/// Gap in what shows a film, cells, over which it is one patch: a dark grain, or a band too narrow to be followed.
const GAP: u8 = 5;
/// Cells between two places whose crystals are compared.
const APART: usize = 3;

/// A patch that may be lifted.
#[derive(Clone, Debug)]
pub struct Patch {
    /// Outline, pixels, closed.
    pub outline_px: Vec<[f64; 2]>,
    /// Area within the outline, µm² (at the scale used).
    pub area_um2: f64,
    /// Short side of its box, µm.
    pub short_um: f64,
    /// Film at the thinnest and thickest twentieth of the cells that show its colour, nm.
    pub film_nm: [f64; 2],
    /// Share of the tints' squares that the film's colours explain.
    pub explained: f64,
    /// How even the film's slope is: (mean slope)² over mean square; plain tints side by side have little.
    pub even: f64,
    /// How the light follows the film: change of ln(green) over what the film should do, 1 is as it should.
    pub light: f64,
    /// Share of pairs of places some 24 µm apart that are different crystals.
    pub crystals: f64,
    /// Squares left by films one order thicker or thinner, over those of the film that fits.
    pub order: f64,
    /// Share of the area within the outline that shows rock without the film's colours.
    pub grey: f64,
    /// How sure that it is lifted, 0..=1.
    pub confidence: f64,
}

/// Patches in a box of cells in which a film was followed.
pub(super) fn patches(
    light: &FieldLight,
    cells: &TintCells,
    sides: Sides<'_>,
    path: &FilmPath,
    steps: &Array2<u8>,
    [x0, y0, ..]: [usize; 4],
) -> Vec<Patch> {
    let (rows, columns) = steps.dim();
    let proved = proved(cells, path, steps, [x0, y0]);
    let mask = GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
        Luma([255 * u8::from(proved[[y as usize, x as usize]])])
    });
    let labels = connected_components(&close(&mask, Norm::L1, GAP), Connectivity::Four, Luma([0]));
    let mut groups: Vec<Vec<[usize; 2]>> = Vec::new();
    for (x, y, Luma([label])) in labels.enumerate_pixels().filter(|(_, _, p)| p.0[0] > 0) {
        let at = *label as usize - 1;
        if groups.len() <= at {
            groups.resize_with(at + 1, Vec::new);
        }
        groups[at].push([x as usize, y as usize]);
    }
    groups
        .iter()
        .filter(|g| g.len() >= FEWEST)
        .filter_map(|g| Patch::of(light, &Look { cells, sides, path, steps, origin: [x0, y0] }, g))
        .collect()
}

/// What a patch is looked at with.
struct Look<'a> {
    cells: &'a TintCells,
    sides: Sides<'a>,
    path: &'a FilmPath,
    steps: &'a Array2<u8>,
    /// Cell of the field at the corner of the box.
    origin: [usize; 2],
}

impl Look<'_> {
    fn step(&self, [x, y]: [usize; 2]) -> Option<usize> {
        self.steps.get([y, x]).and_then(|k| usize::from(*k).checked_sub(1))
    }

    fn seen(&self, [x, y]: [usize; 2]) -> bool {
        self.cells.seen[[y + self.origin[1], x + self.origin[0]]]
    }

    fn tint(&self, [x, y]: [usize; 2]) -> [f32; 2] {
        self.cells.tint[[y + self.origin[1], x + self.origin[0]]]
    }

    fn green(&self, [x, y]: [usize; 2]) -> f32 {
        self.cells.green[[y + self.origin[1], x + self.origin[0]]]
    }

    /// Mean square distance of the tints from the path, `more` steps on; None where too few films are left on it.
    fn left(&self, cells: &[[usize; 2]], more: i64) -> Option<f64> {
        let mut sum = (0.0, 0_usize);
        for c in cells {
            let Some(k) = self.step(*c).map(|k| k as i64 + more).filter(|k| (0..STEPS as i64).contains(k)) else {
                continue;
            };
            let (t, p) = (self.tint(*c), self.path.tint[k as usize]);
            sum = (sum.0 + f64::from((t[0] - p[0]).powi(2) + (t[1] - p[1]).powi(2)), sum.1 + 1);
        }
        (2 * sum.1 > cells.len()).then(|| sum.0 / sum.1 as f64)
    }

    /// How even the film's slope is.
    fn even(&self, cells: &[[usize; 2]]) -> f64 {
        const REACH: usize = 2;
        let slope = |a: [usize; 2], b: [usize; 2]| Some(self.step(b)? as f64 - self.step(a)? as f64);
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for [x, y] in cells.iter().filter(|c| c[0] >= REACH && c[1] >= REACH) {
            let across = slope([x - REACH, *y], [x + REACH, *y]);
            let down = slope([*x, y - REACH], [*x, y + REACH]);
            if let (Some(a), Some(d)) = (across, down) {
                (n, sum, squares) = (n + 1.0, sum + a.hypot(d), squares + a * a + d * d);
            }
        }
        if squares > 0.0 { sum * sum / (n * squares) } else { 0.0 }
    }

    /// Slope of ln(green) over what the film's is, by least squares.
    fn light(&self, cells: &[[usize; 2]]) -> f64 {
        let pairs: Vec<[f64; 2]> = cells
            .iter()
            .filter_map(|c| Some([f64::from(self.path.green[self.step(*c)?]), f64::from(self.green(*c))]))
            .collect();
        let n = pairs.len().max(1) as f64;
        let mean = pairs.iter().fold([0.0; 2], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
        let (both, own) = pairs.iter().fold((0.0, 0.0), |(both, own), p| {
            (both + (p[0] - mean[0]) * (p[1] - mean[1]), own + (p[0] - mean[0]).powi(2))
        });
        if own > 0.0 { both / own } else { 0.0 }
    }

    /// Share of pairs of places that are different crystals.
    fn crystals(&self, cells: &[[usize; 2]]) -> f64 {
        let colours = |[x, y]: [usize; 2]| self.sides.at([(x + self.origin[0]) as f64, (y + self.origin[1]) as f64]);
        let (mut pairs, mut differ) = (0.0_f64, 0.0);
        for c in cells.iter().step_by(3) {
            for other in [[c[0] + APART, c[1]], [c[0], c[1] + APART]] {
                if self.step(other).is_none() {
                    continue;
                }
                if let (Some(a), Some(b)) = (colours(*c), colours(other)) {
                    pairs += 1.0;
                    differ += f64::from(u8::from(distance(&a, &b) > ANOTHER));
                }
            }
        }
        differ / pairs.max(1.0)
    }
}

impl Patch {
    fn of(light: &FieldLight, look: &Look, cells: &[[usize; 2]]) -> Option<Self> {
        let shown: Vec<[usize; 2]> =
            cells.iter().copied().filter(|c| look.seen(*c) && look.step(*c).is_some()).collect();
        if shown.len() < FEWEST {
            return None;
        }
        let squares: f64 = shown.iter().map(|c| look.tint(*c)).map(|t| f64::from(t[0] * t[0] + t[1] * t[1])).sum();
        let left = look.left(&shown, 0)?;
        let mut films: Vec<usize> = shown.iter().filter_map(|c| look.step(*c)).collect();
        films.sort_unstable();
        let at = |p: f64| film_nm(films[((films.len() - 1) as f64 * p).round() as usize]);
        // A whole order is half a wave, 220 to 320 nm.
        let orders = (11..=16).flat_map(|k| [k, -k]).filter_map(|more| look.left(&shown, more));
        let Outlined { outline_px, within } = outlined(light, look, cells)?;
        let bare = within.iter().filter(|c| look.seen(**c) && look.step(**c).is_none()).count();
        let [x0, y0, x1, y1] = bounds(&outline_px);
        let mut patch = Self {
            area_um2: polygon_area(&outline_px) * light.plane.um_per_px * light.plane.um_per_px,
            short_um: (x1 - x0).min(y1 - y0) * light.plane.um_per_px,
            film_nm: [at(0.05), at(0.95)],
            explained: 1.0 - left * shown.len() as f64 / squares.max(1e-12),
            even: look.even(&shown),
            light: look.light(&shown),
            crystals: look.crystals(&shown),
            order: orders.fold(f64::INFINITY, f64::min) / left.max(1e-12),
            grey: bare as f64 / within.len().max(1) as f64,
            confidence: 0.0,
            outline_px,
        };
        patch.confidence = patch.odds().probability();
        Some(patch)
    }

    /// Box about its outline, pixels.
    pub(crate) fn box_px(&self) -> [f64; 4] {
        bounds(&self.outline_px)
    }

    /// Range of the film that its colours show, nm.
    pub(super) fn range_nm(&self) -> f64 {
        self.film_nm[1] - self.film_nm[0] + STEP_NM
    }

    /// The same in the pixels of a field in which this one's window begins at `origin`.
    pub(crate) fn moved(mut self, origin: [f64; 2]) -> Self {
        self.outline_px.iter_mut().for_each(|p| *p = [p[0] + origin[0], p[1] + origin[1]]);
        self
    }
}

fn bounds(outline: &[[f64; 2]]) -> [f64; 4] {
    let bound = |f: fn(f64, f64) -> f64, i: usize, start: f64| outline.iter().map(|p| p[i]).fold(start, f);
    let (least, most) = (f64::INFINITY, f64::NEG_INFINITY);
    [bound(f64::min, 0, least), bound(f64::min, 1, least), bound(f64::max, 0, most), bound(f64::max, 1, most)]
}

/// A patch with its outline.
struct Outlined {
    /// Closed, pixels.
    outline_px: Vec<[f64; 2]>,
    /// Cells of the box within it.
    within: Vec<[usize; 2]>,
}

/// Outer border of a patch through the middles of its outer cells, and the cells within it.
fn outlined(light: &FieldLight, look: &Look, cells: &[[usize; 2]]) -> Option<Outlined> {
    let (rows, columns) = look.steps.dim();
    // A margin of a cell, so that the outside is one.
    let mut mask = GrayImage::new(columns as u32 + 2, rows as u32 + 2);
    cells.iter().for_each(|[x, y]| mask.put_pixel(*x as u32 + 1, *y as u32 + 1, Luma([255])));
    let contour = find_contours::<i32>(&mask)
        .into_iter()
        .filter(|c| c.border_type == BorderType::Outer && c.parent.is_none())
        .max_by_key(|c| c.points.len())?;
    let side = (look.cells.by * light.plane.bin) as f64;
    let n = contour.points.len();
    // Smoothed over neighbours: cells are coarse.
    let to_px = |k: usize| {
        let near = [n - 2, n - 1, 0, 1, 2].map(|d| &contour.points[(k + d) % n]);
        let mean =
            |f: fn(&imageproc::point::Point<i32>) -> i32| near.iter().map(|p| f64::from(f(p))).sum::<f64>() / 5.0;
        let cell = [mean(|p| p.x) - 1.0 + look.origin[0] as f64, mean(|p| p.y) - 1.0 + look.origin[1] as f64];
        cell.map(|v| v * side + (side - 1.0) / 2.0)
    };
    if n < 8 {
        return None;
    }
    let outside: Vec<bool> = {
        let filled = connected_components(&mask, Connectivity::Four, Luma([255]));
        let out = filled.get_pixel(0, 0).0[0];
        filled.pixels().map(|p| p.0[0] == out).collect()
    };
    let within = (0..rows)
        .flat_map(|y| (0..columns).map(move |x| [x, y]))
        .filter(|[x, y]| !outside[(y + 1) * (columns + 2) + x + 1])
        .collect();
    Some(Outlined { outline_px: (0..n).map(to_px).collect(), within })
}
