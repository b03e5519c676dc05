//! The crystals of a field that is looked at window by window, as if it had been looked at whole.
//!
//! A piece that one window shows whole is measured there. One that no window shows whole is measured in parts, each core's by
//! itself, and the parts are one piece. Which pieces are the same is told near the borders of the cores, where each window
//! sees what the next one sees.

use std::collections::BTreeMap;

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::clarity;
use crate::section::crystals::{CleanLevels, Crystals, Patches, Piece, REACH, join, neighbours};
use crate::section::extinction::{AngleDesign, ExtinctionPlanes, Separation};
use crate::section::part::Part;
use crate::section::seams::Seams;

/// Cells about the border of a core where pieces are told to be the same: whatever may be joined across it reaches into them.
const NEAR: usize = 2 * REACH + 2;
/// Cells along the frame of a window that are never clean, and a little more.
const FRAME: usize = 8;
/// Cells of the map of a field's crystals, by which the preparator's marks are looked up; larger fields have a coarser one.
const MOST_CELLS: usize = 8_000_000;

/// A piece as one window saw it.
struct Seen {
    /// Its first cell in the field, row by row.
    first: usize,
    /// The window shows all of it.
    whole: bool,
    /// Measured over all of it, or over what lies in the core; None where nothing does.
    piece: Option<Piece>,
}

/// Crystals being gathered.
pub(crate) struct Stitching {
    bin: usize,
    dim: (usize, usize),
    seen: Vec<Seen>,
    /// For each piece a piece that it is the same as, an earlier one or itself.
    root: Vec<u32>,
    pairs: Vec<(u32, u32)>,
    seams: Seams,
    /// Piece at every so many cells, from 1 on.
    map: Array2<u32>,
    every: usize,
}

impl Stitching {
    /// Of a field of this size, pixels, on cells of `bin`; the cores begin at `xs` and `ys`, pixels, which lie on cells.
    pub(crate) fn new(field: [usize; 2], bin: usize, xs: &[usize], ys: &[usize]) -> Self {
        let dim = (field[1] / bin, field[0] / bin);
        let every = (1..).find(|e| (dim.0 / e) * (dim.1 / e) <= MOST_CELLS).expect("some map is small enough");
        let borders = |starts: &[usize]| starts.iter().filter(|s| **s > 0).map(|s| s / bin).collect();
        Self {
            bin,
            dim,
            seen: Vec::new(),
            root: Vec::new(),
            pairs: Vec::new(),
            seams: Seams::new(dim, borders(xs), borders(ys), NEAR),
            map: Array2::zeros((dim.0 / every, dim.1 / every)),
            every,
        }
    }

    /// Takes the crystals of a window.
    pub(crate) fn add(&mut self, planes: &ExtinctionPlanes, levels: CleanLevels, part: &Part) {
        let patches = Patches::in_window(planes, levels);
        let (rows, columns) = planes.dim();
        let at = [part.window.x / self.bin, part.window.y / self.bin];
        let within = |first: usize, size: usize, at: usize, n: usize| {
            (first / self.bin - at)..((first + size).div_ceil(self.bin) - at).min(n)
        };
        let core_x = within(part.core.x, part.core.width, at[0], columns);
        let core_y = within(part.core.y, part.core.height, at[1], rows);
        let inner = [
            at[0] > 0,
            at[1] > 0,
            part.window.x + part.window.width < part.field[0],
            part.window.y + part.window.height < part.field[1],
        ];
        let cell = |i: u32| [i as usize % columns, i as usize / columns];
        let in_core = |i: &u32| {
            let [x, y] = cell(*i);
            core_x.contains(&x) && core_y.contains(&y)
        };
        let near_core = |i: &u32| {
            let [x, y] = cell(*i);
            let near = |v: usize, r: &std::ops::Range<usize>| v + NEAR >= r.start && v < r.end + NEAR;
            near(x, &core_x) && near(y, &core_y)
        };
        let at_edge = |i: &u32| {
            let [x, y] = cell(*i);
            (inner[0] && x < FRAME)
                || (inner[1] && y < FRAME)
                || (inner[2] && x + FRAME >= columns)
                || (inner[3] && y + FRAME >= rows)
        };
        let found: Vec<(usize, Seen, Piece)> = patches
            .large()
            .filter(|(_, cells)| cells.iter().any(near_core))
            .map(|(i, cells)| {
                let label = i as u32 + 1;
                let whole = !cells.iter().any(at_edge);
                let measured = Piece::measure(planes, label, cells);
                let piece = if whole {
                    Some(measured.clone())
                } else {
                    let own: Vec<u32> = cells.iter().copied().filter(in_core).collect();
                    (!own.is_empty()).then(|| Piece::measure(planes, label, &own))
                };
                let [x, y] = cell(cells[0]);
                let first = (y + at[1]) * self.dim.1 + x + at[0];
                (i, Seen { first, whole, piece: piece.map(|p| p.moved(part.origin())) }, measured)
            })
            .collect();
        let before = self.seen.len() as u32;
        let pieces: Vec<Piece> = found.iter().map(|(_, _, p)| p.clone()).collect();
        self.pairs.extend(
            neighbours(&pieces, &patches.labels).into_iter().map(|(a, b)| (before + a as u32, before + b as u32)),
        );
        for (k, (patch, seen, _)) in found.into_iter().enumerate() {
            let id = before + k as u32;
            self.root.push(id);
            self.seen.push(seen);
            for i in &patches.cells[patch] {
                let [x, y] = cell(*i);
                let place = [x + at[0], y + at[1]];
                if in_core(i) && place.iter().all(|v| v % self.every == 0) {
                    let [x, y] = place.map(|v| v / self.every);
                    if let Some(map) = self.map.get_mut([y, x]) {
                        *map = id + 1;
                    }
                }
                if near_core(i) {
                    let root = &mut self.root;
                    self.seams.note(place, id + 1, |other| unite(root, id, other - 1));
                }
            }
        }
    }

    /// The crystals of the whole field.
    pub(crate) fn done(mut self, design: AngleDesign) -> Crystals {
        let roots: Vec<u32> = (0..self.root.len() as u32).map(|i| find(&mut self.root, i)).collect();
        let mut groups: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (i, root) in roots.iter().enumerate() {
            groups.entry(*root).or_default().push(i);
        }
        // In the order in which a look at the whole field would meet them.
        let mut pieces: Vec<(usize, u32, Piece)> = groups
            .into_par_iter()
            .filter_map(|(root, members)| {
                let first = members.iter().map(|i| self.seen[*i].first).min()?;
                let whole = members.iter().find(|i| self.seen[**i].whole).and_then(|i| self.seen[*i].piece.clone());
                let piece = whole.or_else(|| {
                    let parts: Vec<&Piece> = members.iter().filter_map(|i| self.seen[*i].piece.as_ref()).collect();
                    (!parts.is_empty()).then(|| Piece::of_parts(&parts))
                })?;
                Some((first, root, piece))
            })
            .collect();
        pieces.sort_by_key(|(first, root, _)| (*first, *root));
        let mut index = vec![usize::MAX; self.root.len()];
        for (i, (_, root, piece)) in pieces.iter_mut().enumerate() {
            index[*root as usize] = i;
            piece.label = i as u32 + 1;
            piece.crystal.parts = vec![piece.label];
        }
        let of = |id: u32| index[roots[id as usize] as usize];
        let mut pairs: Vec<(usize, usize)> = self
            .pairs
            .iter()
            .map(|(a, b)| (of(*a), of(*b)))
            .map(|(a, b)| (a.min(b), a.max(b)))
            .filter(|(a, b)| a != b && *b != usize::MAX)
            .collect();
        pairs.sort_unstable();
        pairs.dedup();
        self.map.mapv_inplace(|id| match id.checked_sub(1).map(of) {
            Some(i) if i != usize::MAX => i as u32 + 1,
            _ => 0,
        });
        let pieces: Vec<Piece> = pieces.into_iter().map(|(_, _, p)| p).collect();
        let crystals = clarity::judge(join(&pieces, &pairs, design.separation == Separation::Full), &design, self.bin);
        Crystals { bin: self.bin * self.every, labels: self.map, crystals, design }
    }
}

fn find(root: &mut [u32], mut i: u32) -> u32 {
    while root[i as usize] != i {
        root[i as usize] = root[root[i as usize] as usize];
        i = root[i as usize];
    }
    i
}

fn unite(root: &mut [u32], a: u32, b: u32) {
    let (a, b) = (find(root, a), find(root, b));
    root[a.max(b) as usize] = a.min(b);
}
