//! Crystals of one field: patches of one interference colour and one extinction, and how likely each is quartz.

pub(crate) mod alike;
mod frame;
mod joining;
mod piece;

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

pub(crate) use self::joining::{join, neighbours};
pub(crate) use self::piece::Piece;

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
    /// Share of its cells that each crossed photograph does not show, 0..=1: their `ratio` there follows from the others.
    pub unseen: Vec<f64>,
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
    /// Mean second moments xx, yy and xy of the gradient of log plane light inside, taken over two cells: squared natural logs.
    pub plane_gradient: [f64; 3],
    /// Cosine and sine of twice the direction of its long axis, times one less width over length: nought of a round patch.
    pub long_axis: [f64; 2],
    /// Its clean cells over the area of the ellipse with their second moments: 1 for one whole patch, less for a patch cut up.
    pub wholeness: f64,
    /// Number of cells that carried the mean.
    pub cells: usize,
    /// One colour in several orientations beside each other: twin lamellae.
    pub twinned: bool,
    /// The frame of the photograph cuts it: it is larger than what is seen.
    pub cut_by_frame: bool,
    /// Other crystals of its colour and extinction near it: it may be one of the patches that cleavage or lamellae cut one crystal into.
    pub alike: usize,
    /// Cells of it, of those, and of all that are linked to it by such.
    pub alike_cells: usize,
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
    let mut crystals = join(&pieces, &pairs, planes.design.separation == Separation::Full);
    frame::mark_cut(&mut crystals, &patches);
    Crystals {
        bin: planes.bin,
        crystals: clarity::judge(crystals, &planes.design, planes.bin),
        labels: patches.labels,
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

impl Crystal {
    /// How much plane light changes across one direction inside, 0..=1: 0 where specks lie anywhere, 1 where there are parallel lines only:
    /// the coherence of the structure tensor, the difference of its eigenvalues over their sum (Bigün and Granlund 1987; from memory).
    pub(crate) fn lined(&self) -> f64 {
        let [xx, yy, xy] = self.plane_gradient;
        (xx - yy).hypot(2.0 * xy) / (xx + yy).max(1e-12)
    }
}

#[cfg(test)]
impl Crystal {
    /// One of which nothing is known.
    pub(crate) fn unmeasured() -> Self {
        Self {
            x_px: 0.0,
            y_px: 0.0,
            area_px: 0.0,
            ratio: Vec::new(),
            clipped: Vec::new(),
            unseen: Vec::new(),
            plane: [0.0; 3],
            coherence: 1.0,
            scatter: 0.0,
            looks: [0.0; 3],
            plane_mottle: 0.0,
            plane_gradient: [0.0; 3],
            long_axis: [0.0; 2],
            wholeness: 1.0,
            cells: 0,
            twinned: false,
            cut_by_frame: false,
            alike: 0,
            alike_cells: 0,
            colourless: 0.5,
            quartz: 0.5,
            parts: Vec::new(),
        }
    }
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
