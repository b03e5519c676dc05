//! Crystals of one field: patches of one interference colour and one extinction, and how likely each is quartz.

mod joining;

use image::GrayImage;
use image::Luma;
use imageproc::distance_transform::Norm;
use imageproc::morphology::{erode, open};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;
use rayon::prelude::*;

use crate::section::clarity;
use crate::section::extinction::{AngleDesign, ExtinctionPlanes, Separation};
use crate::units::MicrometresPerPixel;

use self::joining::merged;
pub(crate) use self::joining::{join, neighbours};

/// One crystal with its mean interference colour.
#[derive(Clone, Debug)]
pub struct Crystal {
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Area of its clean part, square pixels.
    pub area_px: f64,
    /// Crossed over plane light of each photograph, linear R, G, B, mean over its clean part.
    pub ratio: Vec<[f64; 3]>,
    /// Share of its cells that are clipped in each crossed photograph, 0..=1.
    pub clipped: Vec<f64>,
    /// Plane light, linear R, G, B, share of full scale.
    pub plane: [f64; 3],
    /// Amplitude of the mean over the mean of the amplitudes: under 1 where extinction sweeps through the crystal.
    pub coherence: f64,
    /// Standard deviation over its cells of the log of its colour's brightness.
    pub scatter: f64,
    /// Medians over its cells of the logs of red over green, green, and blue over green in plane light.
    pub looks: [f64; 3],
    /// Median absolute deviation of the log of plane light inside: specks do not raise it.
    pub plane_mottle: f64,
    /// Its clean cells over the area of the ellipse with their second moments: 1 for one whole patch, less for a patch cut up.
    pub wholeness: f64,
    /// Number of cells that carried the mean.
    pub cells: usize,
    /// One colour in several orientations beside each other: twin lamellae.
    pub twinned: bool,
    /// How likely it is one of the colourless minerals by its tint and darkness, 0..=1.
    pub colourless: f64,
    /// How likely it is quartz by its looks in plane light, before its retardation is known, 0..=1.
    pub quartz: f64,
    /// The pieces it was joined from, as in [`Crystals::labels`]: it has one vote all the same.
    pub parts: Vec<u32>,
}

/// The crystals of one field and where they are.
#[derive(Clone, Debug)]
pub struct Crystals {
    /// Binning of `labels`.
    pub bin: usize,
    /// Piece that each cell belongs to, 0 for none; (height / bin, width / bin).
    pub labels: Array2<u32>,
    /// The crystals, largest first.
    pub crystals: Vec<Crystal>,
    /// The angles and what they separate.
    pub design: AngleDesign,
}

/// Side of a cell that crystals are looked for in, µm: fine enough for grains of 40 µm, coarse enough to average specks.
const CELL_UM: f64 = 3.2;
/// Binning where the scale is not known.
const USUAL_BIN: usize = 2;
/// Smallest clean patch, cells.
const SMALLEST_PATCH: usize = 40;
/// Pieces closer than this may be parts of one crystal, cells: a lamella or a seam may lie between.
pub(crate) const REACH: usize = 6;
/// How far from a mark its crystal may begin, cells.
const MARK_REACH: usize = 4;
/// A piece narrower than this, cells, and [`LAMELLA_LENGTH`] times as long as wide is shaped like a twin lamella.
const LAMELLA_WIDTH: f64 = 9.0;
/// See [`LAMELLA_WIDTH`].
const LAMELLA_LENGTH: f64 = 2.5;

/// Binning at which crystals are measured.
#[must_use]
pub fn binning(scale: Option<MicrometresPerPixel>) -> usize {
    scale.map_or(USUAL_BIN, |s| ((CELL_UM / s.um_per_px()).round() as usize).clamp(1, 8))
}

/// Finds the crystals of one field from the terms of its extinction.
#[must_use]
pub fn find_crystals(planes: &ExtinctionPlanes) -> Crystals {
    let (levels, change) = CleanLevels::of(planes);
    let patches = Patches::of(planes, &change, levels);
    let pieces: Vec<Piece> = patches.large().map(|(i, cells)| Piece::measure(planes, i as u32 + 1, cells)).collect();
    let pairs = neighbours(&pieces, &patches.labels);
    let crystals = join(&pieces, &pairs, planes.design.separation == Separation::Full);
    Crystals {
        bin: planes.bin,
        labels: patches.labels,
        crystals: clarity::judge(crystals),
        design: planes.design.clone(),
    }
}

/// By what a clean cell is told, found over a whole field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CleanLevels {
    /// Brightness below which relative changes are noise.
    dark: f32,
    /// Relative change from cell to cell up to which it is one crystal.
    still: f32,
}

impl CleanLevels {
    /// Of a field, with the change at each of its cells.
    pub(crate) fn of(planes: &ExtinctionPlanes) -> (Self, Vec<f32>) {
        let dark = dark_floor(planes);
        let change = change(planes, dark);
        let mut known: Vec<f32> = change.iter().copied().filter(|c| c.is_finite()).collect();
        let still = if known.is_empty() {
            0.0
        } else {
            let at = known.len() / 5;
            let (_, quiet, _) = known.select_nth_unstable_by(at, f32::total_cmp);
            (3.0 * *quiet).clamp(0.05, 0.25)
        };
        (Self { dark, still }, change)
    }
}

/// Connected clean cells.
pub(crate) struct Patches {
    /// Patch that each cell belongs to, 0 for none.
    pub(crate) labels: Array2<u32>,
    /// Cells of each patch, indices row by row.
    pub(crate) cells: Vec<Vec<u32>>,
}

impl Patches {
    /// Of a window of a field whose levels are known.
    pub(crate) fn in_window(planes: &ExtinctionPlanes, levels: CleanLevels) -> Self {
        Self::of(planes, &change(planes, levels.dark), levels)
    }

    fn of(planes: &ExtinctionPlanes, change: &[f32], levels: CleanLevels) -> Self {
        let clean = clean_cells(planes.dim(), change, levels.still);
        let labelled = connected_components(&clean, Connectivity::Four, Luma([0]));
        let labels = Array2::from_shape_vec(planes.dim(), labelled.into_raw()).expect("one label a cell");
        let mut cells: Vec<Vec<u32>> = vec![Vec::new(); labels.iter().max().map_or(0, |m| *m as usize)];
        for (i, label) in labels.iter().enumerate() {
            if *label > 0 {
                cells[*label as usize - 1].push(i as u32);
            }
        }
        Self { labels, cells }
    }

    /// Patches that are large enough to be measured, with their index.
    pub(crate) fn large(&self) -> impl ParallelIterator<Item = (usize, &Vec<u32>)> {
        self.cells.par_iter().enumerate().filter(|(_, c)| c.len() >= SMALLEST_PATCH)
    }
}

/// A connected clean patch.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    pub(crate) label: u32,
    pub(crate) crystal: Crystal,
    /// Colour c summed over channels.
    brightness: f64,
    colour: [f64; 3],
    /// Extinction phase 4φ, as cosine and sine; zeros where it is not known.
    phase: [f64; 2],
    /// Direction of its long axis, radians.
    axis: f64,
    /// Narrow and long.
    lamella: bool,
}

impl Crystals {
    /// None at all.
    #[must_use]
    pub fn none() -> Self {
        Self { bin: 1, labels: Array2::zeros((1, 1)), crystals: Vec::new(), design: AngleDesign::new(&[]) }
    }

    /// Index of the crystal that covers most of a half-open box [x0, y0, x1, y1] in pixels; None when none reaches it.
    #[must_use]
    pub fn under(&self, box_px: [f64; 4]) -> Option<usize> {
        let (rows, columns) = self.labels.dim();
        let cell = |v: f64, n: usize| ((v / self.bin as f64).floor().max(0.0) as usize).min(n.saturating_sub(1));
        let [x0, x1] = [cell(box_px[0], columns), cell(box_px[2] - 1.0, columns)];
        let [y0, y1] = [cell(box_px[1], rows), cell(box_px[3] - 1.0, rows)];
        // Specks and seams leave holes in a clean patch: a mark beside one is meant for the crystal around it.
        for margin in 0..=MARK_REACH {
            let rows = y0.saturating_sub(margin)..=(y1 + margin).min(rows - 1);
            let columns = x0.saturating_sub(margin)..=(x1 + margin).min(columns - 1);
            let mut votes = vec![0_usize; self.crystals.len()];
            for y in rows {
                for x in columns.clone() {
                    let label = self.labels[[y, x]];
                    if label > 0
                        && let Some(i) = self.crystals.iter().position(|c| c.parts.contains(&label))
                    {
                        votes[i] += 1;
                    }
                }
            }
            let most = (0..votes.len()).max_by_key(|i| votes[*i]);
            if let Some(i) = most.filter(|i| votes[*i] > 0) {
                return Some(i);
            }
        }
        None
    }
}

impl Piece {
    /// One piece of parts that were measured each by itself: means by area, its shape that of the largest part.
    ///
    /// # Panics
    /// When there are no parts.
    pub(crate) fn of_parts(parts: &[&Self]) -> Self {
        let area = |p: &Self| p.crystal.area_px;
        let largest = parts.iter().max_by(|a, b| area(a).total_cmp(&area(b))).expect("a piece has a part");
        let total: f64 = parts.iter().map(|p| area(p)).sum();
        let mean = |f: &dyn Fn(&Self) -> f64| parts.iter().map(|p| f(p) * area(p) / total).sum::<f64>();
        let phase = [0, 1].map(|k| mean(&|p| p.phase[k]));
        let length = phase[0].hypot(phase[1]).max(1e-12);
        Self {
            crystal: merged(parts.iter().map(|p| &p.crystal)),
            brightness: mean(&|p| p.brightness),
            colour: std::array::from_fn(|c| mean(&|p| p.colour[c])),
            phase: phase.map(|p| p / length),
            ..(*largest).clone()
        }
    }

    pub(crate) fn measure(planes: &ExtinctionPlanes, label: u32, cells: &[u32]) -> Self {
        let columns = planes.dim().1;
        let flat = |p: &Array2<f32>, i: u32| f64::from(p.as_slice().expect("standard layout")[i as usize]);
        let cell_colour = |i: u32| -> [f64; 3] {
            let terms: [[f64; 3]; 3] = std::array::from_fn(|c| std::array::from_fn(|k| flat(&planes.terms[k][c], i)));
            let phase = unit(&terms);
            std::array::from_fn(|c| planes.design.colour(terms[c], phase))
        };
        let colours: Vec<[f64; 3]> = cells.iter().map(|i| cell_colour(*i)).collect();
        let mut brightness: Vec<(f64, usize)> =
            colours.iter().map(|c| c.iter().sum::<f64>()).enumerate().map(|(k, b)| (b, k)).collect();
        brightness.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The middle 70 % by brightness: pits, specks and seams at the edge fall out on both sides.
        let trim = brightness.len() * 15 / 100;
        let kept = &brightness[trim..brightness.len() - trim];
        let n = kept.len() as f64;
        let mean = |f: &dyn Fn(u32) -> f64| kept.iter().map(|(_, k)| f(cells[*k])).sum::<f64>() / n;
        let ratio: Vec<[f64; 3]> =
            planes.ratio.iter().map(|r| std::array::from_fn(|c| mean(&|i| flat(&r[c], i)))).collect();
        let terms: [[f64; 3]; 3] =
            std::array::from_fn(|c| std::array::from_fn(|k| mean(&|i| flat(&planes.terms[k][c], i))));
        let phase = unit(&terms);
        let of_mean: f64 = (0..3).map(|c| planes.design.colour(terms[c], phase)).sum();
        let colour: [f64; 3] = {
            let mut sum = [0.0; 3];
            for (_, k) in kept {
                for (sum, c) in sum.iter_mut().zip(colours[*k]) {
                    *sum += c / n;
                }
            }
            sum
        };
        let mean_of: f64 = colour.iter().sum();
        let logs: Vec<f64> = kept.iter().map(|(b, _)| b.max(1e-4).ln()).collect();
        let plane_logs: Vec<f64> = cells.iter().map(|i| flat(&planes.plane.rgb[1], *i).max(1e-3).ln()).collect();
        let clipped = (0..planes.ratio.len())
            .map(|a| {
                let bit = 1_u16 << a.min(15);
                let flags = planes.clipped.as_slice().expect("standard layout");
                cells.iter().filter(|i| flags[**i as usize] & bit != 0).count() as f64 / cells.len() as f64
            })
            .collect();
        let (axis, length, width) = shape(cells, columns);
        let log = |c: usize, i: u32| flat(&planes.plane.rgb[c], i).max(1e-3).ln();
        let looks = [
            median(cells.iter().map(|i| log(0, *i) - log(1, *i)).collect()),
            median(plane_logs.clone()),
            median(cells.iter().map(|i| log(2, *i) - log(1, *i)).collect()),
        ];
        let plane_mottle = median(plane_logs.iter().map(|l| (l - looks[1]).abs()).collect());
        let b = planes.bin as f64;
        let at = |v: f64| b * v + (b - 1.0) / 2.0;
        let crystal = Crystal {
            x_px: at(cells.iter().map(|i| (*i as usize % columns) as f64).sum::<f64>() / cells.len() as f64),
            y_px: at(cells.iter().map(|i| (*i as usize / columns) as f64).sum::<f64>() / cells.len() as f64),
            area_px: cells.len() as f64 * b * b,
            ratio,
            clipped,
            plane: std::array::from_fn(|c| mean(&|i| flat(&planes.plane.rgb[c], i))),
            coherence: if planes.design.separation == Separation::Full {
                (of_mean / mean_of).clamp(0.0, 1.0)
            } else {
                1.0
            },
            scatter: deviation(&logs),
            looks,
            plane_mottle,
            wholeness: (cells.len() as f64 / (0.25 * std::f64::consts::PI * length * width)).min(1.0),
            cells: kept.len(),
            twinned: false,
            colourless: 0.5,
            quartz: 0.5,
            parts: vec![label],
        };
        let phase = if planes.design.separation == Separation::Full { phase } else { [0.0, 0.0] };
        let lamella = width < LAMELLA_WIDTH && length > LAMELLA_LENGTH * width;
        Self { label, crystal, brightness: mean_of, colour, phase, axis, lamella }
    }

    /// The same where its window lies in the field: `origin` is the window's upper left corner.
    pub(crate) fn moved(mut self, origin: [f64; 2]) -> Self {
        self.crystal.x_px += origin[0];
        self.crystal.y_px += origin[1];
        self
    }

    /// Same colour within what dirt does to it.
    fn same_colour(&self, other: &Self) -> bool {
        (0..3).all(|c| {
            let (a, b) = (self.colour[c], other.colour[c]);
            (a - b).abs() < 0.05 * (a.abs() + b.abs()) / 2.0 + 0.008
        })
    }

    /// Cosine of the difference of 4φ.
    fn phase_agreement(&self, other: &Self) -> f64 {
        self.phase[0] * other.phase[0] + self.phase[1] * other.phase[1]
    }
}

/// Direction of the long axis (radians), length and width (cells) of the ellipse with the same second moments.
fn shape(cells: &[u32], columns: usize) -> (f64, f64, f64) {
    let n = cells.len() as f64;
    let at = |i: &u32| ((*i as usize % columns) as f64, (*i as usize / columns) as f64);
    let (sx, sy) = cells.iter().map(at).fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let (mx, my) = (sx / n, sy / n);
    let (mut xx, mut yy, mut xy) = (1.0 / 12.0, 1.0 / 12.0, 0.0);
    for (x, y) in cells.iter().map(at) {
        xx += (x - mx).powi(2) / n;
        yy += (y - my).powi(2) / n;
        xy += (x - mx) * (y - my) / n;
    }
    let root = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
    let axis = 0.5 * (2.0 * xy).atan2(xx - yy);
    (axis, 4.0 * ((xx + yy + root) / 2.0).sqrt(), 4.0 * ((xx + yy - root) / 2.0).max(0.0).sqrt())
}

/// Cosine and sine of the phase of all channels' summed extinction term.
fn unit(terms: &[[f64; 3]; 3]) -> [f64; 2] {
    let (x, y) = terms.iter().fold((0.0, 0.0), |(x, y), t| (x + t[1], y + t[2]));
    let length = x.hypot(y).max(1e-12);
    [x / length, y / length]
}

fn median(mut values: Vec<f64>) -> f64 {
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

fn deviation(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Relative change of the terms from cell to cell; infinite where a cell is masked or on the frame.
fn change(planes: &ExtinctionPlanes, floor: f32) -> Vec<f32> {
    let (rows, columns) = planes.dim();
    let terms: Vec<&[f32]> = planes.terms.iter().flatten().map(|p| p.as_slice().expect("standard layout")).collect();
    let used = if planes.design.separation == Separation::Full {
        9
    } else if planes.design.separation == Separation::Pair {
        6
    } else {
        3
    };
    let mask = planes.mask.as_slice().expect("standard layout");
    let mut change = vec![f32::INFINITY; rows * columns];
    change.par_chunks_mut(columns).enumerate().skip(2).take(rows.saturating_sub(4)).for_each(|(y, row)| {
        for (x, cell) in row.iter_mut().enumerate().take(columns.saturating_sub(2)).skip(2) {
            let i = y * columns + x;
            if mask[i] != 0 {
                continue;
            }
            let (mut squares, mut level) = (0.0_f32, 0.0_f32);
            for p in &terms[..used] {
                // Two-cell means on either side, two cells apart: one speck does not make an edge.
                let dx = p[i + 1] + p[i + 2] - p[i - 1] - p[i - 2];
                let dy = p[i + columns] + p[i + 2 * columns] - p[i - columns] - p[i - 2 * columns];
                squares += dx * dx + dy * dy;
            }
            for p in &terms[..3] {
                level += p[i];
            }
            *cell = squares.sqrt() / (2.0 * (level + floor));
        }
    });
    change
}

/// Cells inside one crystal: where no term changes by more than a few per cent from cell to cell.
fn clean_cells((rows, columns): (usize, usize), change: &[f32], threshold: f32) -> GrayImage {
    let mut clean = GrayImage::new(columns as u32, rows as u32);
    for (pixel, c) in clean.iter_mut().zip(change) {
        *pixel = if *c < threshold { 255 } else { 0 };
    }
    erode(&open(&clean, Norm::L1, 1), Norm::L1, 1)
}

/// Brightness below which relative changes are noise: 3 % of the slide's bright crystals.
fn dark_floor(planes: &ExtinctionPlanes) -> f32 {
    let p = &planes.terms[0];
    let mut sums: Vec<f32> = p[0].iter().zip(&p[1]).zip(&p[2]).step_by(7).map(|((r, g), b)| r + g + b).collect();
    if sums.is_empty() {
        return 1.0;
    }
    let at = sums.len() * 95 / 100;
    let (_, bright, _) = sums.select_nth_unstable_by(at, f32::total_cmp);
    (0.03 * *bright).max(1e-4)
}
