//! Whether two fields of view show the same place: their lines in plane light laid on each other, anywhere.
//!
//! What is seen twice is no second witness: a field photographed twice would halve an interval that it knows nothing of.

use std::sync::OnceLock;

use ndarray::Array2;

use crate::register::correlate::Spectrum;
use crate::register::drawing::Drawing;

/// Longest side of an overview, cells.
const SIDE: usize = 320;
/// A line counts as much as this at most, log units: hairs of the eyepiece and opaque specks weigh as boundaries do.
const CAP: f32 = 0.12;
/// Height of a correlation's peak from which the place is looked at; chance reaches 5. House value.
const WORTH_A_LOOK: f64 = 6.5;
/// Correlation of the lines where both fields lie on each other, from which they are the same: chance leaves it under 0.1
/// on the thousands of cells of the smallest overlap. House value.
const SAME: f64 = 0.5;
/// The same where nothing is shifted: dust and hairs of the camera lie there in every field.
const SAME_UNMOVED: f64 = 0.75;
/// Smaller overlaps are not looked for, share of the field.
const SMALLEST: f64 = 0.06;

/// The plane light of a field seen from afar.
#[derive(Clone, Debug)]
pub struct Overview {
    lines: Array2<f32>,
    cell_px: usize,
    /// Of the lines; made when first compared.
    spectrum: OnceLock<Spectrum>,
}

/// Where one field lies on another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overlap {
    /// The other field shows at (x, y) + shift what this one shows at (x, y), pixels.
    pub shift_px: [f64; 2],
    /// Share of the field that both show, 0..=1.
    pub share: f64,
}

impl Overlap {
    /// Whether pixel (x, y) of the other field, `width` by `height`, is shown by this one too.
    #[must_use]
    pub fn shows(&self, [x, y]: [f64; 2], [width, height]: [usize; 2]) -> bool {
        let (x, y) = (x - self.shift_px[0], y - self.shift_px[1]);
        (0.0..width as f64).contains(&x) && (0.0..height as f64).contains(&y)
    }
}

impl Overview {
    pub(crate) fn of(lines: &Drawing) -> Self {
        let longer = lines.strength.nrows().max(lines.strength.ncols());
        let mut capped = lines.clone();
        capped.strength.par_mapv_inplace(|d| d.min(CAP));
        let coarse = capped.coarser(longer.div_ceil(SIDE).max(1));
        Self { lines: coarse.strength, cell_px: coarse.bin, spectrum: OnceLock::new() }
    }

    /// The same of a field that was seen reduced, `by` pixels along each side as one.
    pub(crate) fn of_reduced(mut self, by: usize) -> Self {
        self.cell_px *= by;
        self
    }

    fn spectrum(&self) -> &Spectrum {
        self.spectrum.get_or_init(|| Spectrum::of(&self.lines.view()))
    }

    /// Where the other field shows the same as this one; None when it does not.
    #[must_use]
    pub fn overlap(&self, other: &Self) -> Option<Overlap> {
        let (h, w) = self.lines.dim();
        if other.lines.dim() != (h, w) || other.cell_px != self.cell_px {
            return None;
        }
        let (base, turned) = (self.spectrum(), other.spectrum());
        let peak = base.peak(turned, w.max(h) as f64);
        if peak.height < WORTH_A_LOOK {
            return None;
        }
        let [dx, dy] = peak.shift.map(|s| s.round() as i64);
        // The correlation goes round the edges: each shift may as well be the one from the other side.
        let (width, height) = base.size();
        let around = |d: i64, n: usize| [d, if d > 0 { d - n as i64 } else { d + n as i64 }];
        around(dx, width)
            .into_iter()
            .flat_map(|x| around(dy, height).map(|y| [x, y]))
            .filter_map(|shift| {
                let (r, share) = alike(&self.lines, &other.lines, shift)?;
                let needed = if shift.iter().all(|s| s.abs() <= 2) { SAME_UNMOVED } else { SAME };
                (r > needed).then(|| (r, Overlap { shift_px: shift.map(|s| (s * self.cell_px as i64) as f64), share }))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, overlap)| overlap)
    }
}

/// Correlation of two pictures where one shifted by whole cells lies on the other, and the share that does.
fn alike(base: &Array2<f32>, other: &Array2<f32>, [dx, dy]: [i64; 2]) -> Option<(f64, f64)> {
    let (h, w) = base.dim();
    let range = |d: i64, n: usize| (-d).max(0)..(n as i64 - d.max(0)).max(0);
    let (rows, columns) = (range(dy, h), range(dx, w));
    let mut sums = [0.0f64; 6];
    for y in rows {
        for x in columns.clone() {
            let a = f64::from(base[[y as usize, x as usize]]);
            let b = f64::from(other[[(y + dy) as usize, (x + dx) as usize]]);
            for (sum, v) in sums.iter_mut().zip([1.0, a, b, a * a, b * b, a * b]) {
                *sum += v;
            }
        }
    }
    let [n, a, b, aa, bb, ab] = sums;
    let share = n / (h * w) as f64;
    if share < SMALLEST {
        return None;
    }
    let (va, vb) = (aa - a * a / n, bb - b * b / n);
    (va > 0.0 && vb > 0.0).then(|| ((ab - a * b / n) / (va * vb).sqrt(), share))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Cracks over an endless section, of which a field shows 300 by 220 cells.
    fn field(seed: u64, at: [f32; 2], hair: bool) -> Overview {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut lines = Array2::<f32>::zeros((220, 300));
        for _ in 0..260 {
            let mut p = [rng.random_range(-400.0..700.0f32) - at[0], rng.random_range(-400.0..700.0f32) - at[1]];
            let mut heading: f32 = rng.random_range(0.0..6.3);
            for _ in 0..70 {
                heading += rng.random_range(-0.3..0.3f32);
                p = [p[0] + heading.cos(), p[1] + heading.sin()];
                if (0.0..300.0).contains(&p[0]) && (0.0..220.0).contains(&p[1]) {
                    lines[[p[1] as usize, p[0] as usize]] = CAP;
                }
            }
        }
        if hair {
            lines.row_mut(110).fill(CAP);
            lines.column_mut(150).fill(CAP);
        }
        Overview { lines, cell_px: 4, spectrum: OnceLock::new() }
    }

    #[test]
    fn a_place_shown_twice_is_found_with_its_shift() {
        let base = field(1, [0.0, 0.0], true);
        assert!(base.overlap(&base).is_some_and(|o| o.shift_px == [0.0, 0.0] && o.share == 1.0));
        for at in [[40.0f32, -25.0], [-150.0, 30.0], [190.0, 0.0], [0.0, -140.0]] {
            let found = base.overlap(&field(1, at, true)).unwrap_or_else(|| panic!("{at:?}"));
            assert!((found.shift_px[0] + 4.0 * f64::from(at[0])).abs() <= 4.0, "{at:?} {found:?}");
            assert!((found.shift_px[1] + 4.0 * f64::from(at[1])).abs() <= 4.0, "{at:?} {found:?}");
        }
        let half = Overlap { shift_px: [-600.0, 0.0], share: 0.5 };
        assert!(half.shows([100.0, 50.0], [1200, 880]) && !half.shows([700.0, 50.0], [1200, 880]));
    }

    #[test]
    fn other_places_are_not_the_same_even_under_the_same_hairs() {
        for seed in 2..8 {
            assert_eq!(field(1, [0.0, 0.0], true).overlap(&field(seed, [0.0, 0.0], true)), None, "{seed}");
        }
    }
}
