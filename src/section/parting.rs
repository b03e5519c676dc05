//! Parts what lies side by side and looks alike: two holes, or a hole and a pore, that meet at a wall or at a neck.

use std::collections::BTreeMap;

use image::{GrayImage, Luma};
use imageproc::distance_transform::euclidean_squared_distance_transform;
use ndarray::Array2;

/// Cells by which a way between two middles must narrow before it can part them.
const NARROWS: f64 = 1.0;
/// Mean darkness along a border from which it is a wall, log units under the surroundings.
const WALL: f64 = 0.055;
/// Darkness from which a cell of a border is one of a wall, log units. House value.
const OF_A_WALL: f64 = 0.02;
/// Share of a border that such cells take up at least: specks in a hole are dark, and far between. House value.
const UNBROKEN: f64 = 0.6;
/// Width of a neck over that of the narrower of the two that it joins, under which they are two.
const NECK: f64 = 0.5;

/// A border between two parts.
#[derive(Clone, Copy, Default)]
struct Border {
    /// Cells.
    cells: f64,
    /// Sum of their darkness.
    dark: f64,
    /// How many of them are dark.
    dark_cells: f64,
    /// Widest distance from the outside along it.
    opening: f64,
}

impl Border {
    fn with(self, other: Self) -> Self {
        Self {
            cells: self.cells + other.cells,
            dark: self.dark + other.dark,
            dark_cells: self.dark_cells + other.dark_cells,
            opening: self.opening.max(other.opening),
        }
    }

    fn is_wall(&self) -> bool {
        self.dark / self.cells >= WALL && self.dark_cells / self.cells >= UNBROKEN
    }
}

/// Numbers the parts of a mask from 1; 0 outside it. `clear` is the mask without the cells of walls, `darkness` how much darker
/// than its surroundings each cell is, log units.
#[must_use]
pub(crate) fn parts(mask: &GrayImage, clear: &GrayImage, darkness: &Array2<f32>) -> Array2<u32> {
    let (columns, rows) = (mask.width() as usize, mask.height() as usize);
    let inside: Vec<bool> = mask.iter().map(|v| *v > 0).collect();
    let from_walls = distance(mask, clear);
    let from_outside = distance(mask, mask);
    // Flood from the middles down to the walls.
    let mut order: Vec<usize> = (0..inside.len()).filter(|i| inside[*i]).collect();
    order.sort_by(|a, b| from_walls[*b].total_cmp(&from_walls[*a]).then(a.cmp(b)));
    let mut basin = vec![u32::MAX; inside.len()];
    let mut groups = Groups::default();
    let mut borders: BTreeMap<(u32, u32), Border> = BTreeMap::new();
    for i in order {
        let (x, y) = (i % columns, i / columns);
        let mut beside: Vec<u32> = Vec::new();
        for (dx, dy) in [(-1_isize, 0_isize), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)] {
            let (Some(u), Some(v)) = (x.checked_add_signed(dx), y.checked_add_signed(dy)) else { continue };
            if u < columns && v < rows && basin[v * columns + u] != u32::MAX {
                let g = groups.of(basin[v * columns + u]);
                if !beside.contains(&g) {
                    beside.push(g);
                }
            }
        }
        beside.sort_by(|a, b| groups.peak[*b as usize].total_cmp(&groups.peak[*a as usize]));
        let Some(first) = beside.first().copied() else {
            basin[i] = groups.new_one(from_walls[i], from_outside[i]);
            continue;
        };
        basin[i] = first;
        for other in &beside[1..] {
            if groups.peak[*other as usize] - from_walls[i] < NARROWS {
                groups.join(first, *other);
            } else {
                let dark = f64::from(darkness[[y, x]].max(0.0));
                let dark_cells = f64::from(u8::from(dark > OF_A_WALL));
                let here = Border { cells: 1.0, dark, dark_cells, opening: from_outside[i] };
                let border = borders.entry((first.min(*other), first.max(*other))).or_default();
                *border = border.with(here);
            }
        }
        groups.widen(first, from_outside[i]);
    }
    // Join across the faintest border first, until only walls and necks are left. In order, so that sums round alike every time.
    loop {
        let mut merged: BTreeMap<(u32, u32), Border> = BTreeMap::new();
        for ((a, b), border) in &borders {
            let (a, b) = (groups.of(*a), groups.of(*b));
            if a != b {
                let all = merged.entry((a.min(b), a.max(b))).or_default();
                *all = all.with(*border);
            }
        }
        let open = merged
            .iter()
            .filter(|((a, b), border)| {
                let narrower = groups.width[*a as usize].min(groups.width[*b as usize]);
                !border.is_wall() && border.opening > NECK * narrower
            })
            .min_by(|p, q| {
                let faint = |b: &Border| b.dark / b.cells;
                faint(p.1).total_cmp(&faint(q.1)).then(p.0.cmp(q.0))
            });
        match open {
            Some(((a, b), _)) => groups.join(*a, *b),
            None => break,
        }
        borders = merged;
    }
    let mut names: BTreeMap<u32, u32> = BTreeMap::new();
    Array2::from_shape_fn((rows, columns), |(y, x)| {
        let b = basin[y * columns + x];
        if b == u32::MAX {
            return 0;
        }
        let next = names.len() as u32 + 1;
        *names.entry(groups.of(b)).or_insert(next)
    })
}

/// Distance of each cell of `mask` from the nearest that is not in `clear`, cells.
fn distance(mask: &GrayImage, clear: &GrayImage) -> Vec<f64> {
    // The frame is no wall.
    let walls = GrayImage::from_fn(mask.width(), mask.height(), |x, y| {
        Luma([if clear.get_pixel(x, y).0[0] > 0 { 0 } else { 255 }])
    });
    euclidean_squared_distance_transform(&walls).iter().map(|d| d.min(1e6).sqrt()).collect()
}

/// Which basins are one.
#[derive(Default)]
struct Groups {
    parent: Vec<u32>,
    /// Greatest distance from a wall.
    peak: Vec<f64>,
    /// Greatest distance from the outside.
    width: Vec<f64>,
}

impl Groups {
    fn new_one(&mut self, peak: f64, width: f64) -> u32 {
        self.parent.push(self.parent.len() as u32);
        self.peak.push(peak);
        self.width.push(width);
        self.parent.len() as u32 - 1
    }

    fn of(&mut self, mut i: u32) -> u32 {
        while self.parent[i as usize] != i {
            let up = self.parent[self.parent[i as usize] as usize];
            self.parent[i as usize] = up;
            i = up;
        }
        i
    }

    fn widen(&mut self, i: u32, width: f64) {
        let w = &mut self.width[i as usize];
        *w = w.max(width);
    }

    fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.of(a), self.of(b));
        if a == b {
            return;
        }
        let (peak, width) = (self.peak[b as usize], self.width[b as usize]);
        self.parent[b as usize] = a;
        self.peak[a as usize] = self.peak[a as usize].max(peak);
        self.widen(a, width);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(shape: impl Fn(f64, f64) -> bool, wall: impl Fn(f64, f64) -> bool) -> usize {
        let at = |x: u32, y: u32| (f64::from(x), f64::from(y));
        let mask = GrayImage::from_fn(90, 60, |x, y| Luma([if shape(at(x, y).0, at(x, y).1) { 255 } else { 0 }]));
        let clear = GrayImage::from_fn(90, 60, |x, y| {
            let (u, v) = at(x, y);
            Luma([if shape(u, v) && !wall(u, v) { 255 } else { 0 }])
        });
        let dark = Array2::from_shape_fn((60, 90), |(y, x)| if wall(x as f64, y as f64) { 0.2 } else { 0.0 });
        parts(&mask, &clear, &dark).iter().copied().max().unwrap_or(0) as usize
    }

    fn disc(x: f64, y: f64, cx: f64, r: f64) -> bool {
        (x - cx).hypot(y - 30.0) < r
    }

    #[test]
    fn a_border_as_dark_as_a_wall_is_none_where_a_few_specks_make_it_dark() {
        let border = |dark_cells| Border { cells: 10.0, dark: 1.0, dark_cells, opening: 5.0 };
        assert!(border(8.0).is_wall() && !border(4.0).is_wall());
        let pale = Border { dark: 0.3, ..border(10.0) };
        assert!(!pale.is_wall());
    }

    #[test]
    fn discs_that_meet_at_a_neck_are_two_and_those_that_overlap_widely_are_one() {
        let none = |_: f64, _: f64| false;
        assert_eq!(of(|x, y| disc(x, y, 25.0, 16.0) || disc(x, y, 55.0, 16.0), none), 2);
        assert_eq!(of(|x, y| disc(x, y, 32.0, 16.0) || disc(x, y, 48.0, 16.0), none), 1);
    }

    #[test]
    fn a_wall_with_gaps_parts_a_rectangle_and_specks_do_not() {
        let rectangle = |x: f64, y: f64| (10.0..80.0).contains(&x) && (15.0..45.0).contains(&y);
        let broken = |x: f64, y: f64| x == 44.0 && !(28.0..32.0).contains(&y);
        assert_eq!(of(rectangle, broken), 2);
        let specks = |x: f64, y: f64| (x as i32 % 9 == 0) && (y as i32 % 7 == 0);
        assert_eq!(of(rectangle, specks), 1);
    }
}
