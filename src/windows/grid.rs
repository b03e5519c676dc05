//! How a field is cut up: cores that cover it, each with a margin, on the cells of every search.

use crate::section::crystals::binning;
use crate::section::line_search::line_bins;
use crate::section::part::Part;
use crate::section::plane_light::{USUAL_UM_PER_PX, coarse_bin};
use crate::slide::folder::InWindows;
use crate::slide::scan::Window;
use crate::units::MicrometresPerPixel;

/// Pixels after which the light field repeats its steps.
const LIGHT_STEP: usize = 16;
/// Windows lie on multiples of no more pixels than this; the cells of coarser searches lie as they come.
const MOST_ALIGNED: usize = 512;
/// Margins in pixels, whatever the scale.
const MARGINS: std::ops::RangeInclusive<usize> = 64..=640;

/// The windows of a field.
#[derive(Clone, Debug)]
pub(super) struct Grid {
    /// In rows from the upper left.
    pub(super) parts: Vec<Part>,
    /// Left edges of the cores.
    pub(super) xs: Vec<usize>,
    /// Upper edges of the cores.
    pub(super) ys: Vec<usize>,
    /// Margin about a core, pixels.
    pub(super) margin: usize,
    /// What windows' corners are multiples of.
    pub(super) align: usize,
}

impl Grid {
    /// Of a field of this size.
    pub(super) fn new(size: [usize; 2], um_per_px: Option<f64>, how: &InWindows) -> Self {
        let align = alignment(um_per_px);
        let um = um_per_px.unwrap_or(USUAL_UM_PER_PX);
        let margin =
            ((how.margin_um / um).round() as usize).clamp(*MARGINS.start(), *MARGINS.end()).next_multiple_of(align);
        let core = (how.side.saturating_sub(2 * margin) / align).max(1) * align;
        let starts = |n: usize| -> Vec<usize> {
            let step = n.div_ceil(n.div_ceil(core)).next_multiple_of(align);
            (0..n).step_by(step).collect()
        };
        let (xs, ys) = (starts(size[0]), starts(size[1]));
        let spans = |starts: &[usize], n: usize| -> Vec<[usize; 2]> {
            let ends = starts.iter().skip(1).copied().chain([n]);
            starts.iter().copied().zip(ends).map(|(from, to)| [from, to]).collect()
        };
        let (columns, rows) = (spans(&xs, size[0]), spans(&ys, size[1]));
        let parts = rows
            .iter()
            .flat_map(|y| columns.iter().map(move |x| (x, y)))
            .map(|(x, y)| {
                let core = Window { x: x[0], y: y[0], width: x[1] - x[0], height: y[1] - y[0] };
                Part { field: size, window: widened(core, margin, size), core }
            })
            .collect();
        Self { parts, xs, ys, margin, align }
    }
}

/// A window with a margin about it, within the field.
pub(super) fn widened(core: Window, margin: usize, size: [usize; 2]) -> Window {
    let (x, y) = (core.x.saturating_sub(margin), core.y.saturating_sub(margin));
    let width = (core.x + core.width + margin).min(size[0]) - x;
    let height = (core.y + core.height + margin).min(size[1]) - y;
    Window { x, y, width, height }
}

/// What windows' corners are multiples of, so that the cells of the searches are those of the whole field.
fn alignment(um_per_px: Option<f64>) -> usize {
    let lines = line_bins(um_per_px.unwrap_or(USUAL_UM_PER_PX));
    let coarse = coarse_bin(um_per_px);
    let crystals = binning(um_per_px.map(MicrometresPerPixel::from_um_per_px));
    let mut align = least_common_multiple(LIGHT_STEP, least_common_multiple(coarse, crystals));
    // Circles are looked for on cells twice, four times ... as large.
    for more in [lines[0], lines[1], 4 * coarse, 8 * coarse, 16 * coarse] {
        let finer = least_common_multiple(align, more);
        if finer <= MOST_ALIGNED {
            align = finer;
        }
    }
    align
}

fn least_common_multiple(a: usize, b: usize) -> usize {
    fn divisor(a: usize, b: usize) -> usize {
        if b == 0 { a } else { divisor(b, a % b) }
    }
    a / divisor(a, b) * b
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cores_cover_a_field_once_and_windows_lie_on_the_cells() {
        for (um, size) in [(0.5, [7000, 5000]), (1.0, [40_000, 24_000]), (1.6, [3000, 2000]), (3.0, [5001, 3333])] {
            let grid = Grid::new(size, Some(um), &InWindows::default());
            let area: usize = grid.parts.iter().map(|p| p.core.width * p.core.height).sum();
            assert_eq!(area, size[0] * size[1], "{um}");
            let bins = [coarse_bin(Some(um)), binning(Some(MicrometresPerPixel::from_um_per_px(um)))];
            for p in &grid.parts {
                assert!(p.window.width <= 3072 && p.window.height <= 3072, "{p:?}");
                for edge in [p.window.x, p.window.y, p.core.x, p.core.y] {
                    assert!(bins.iter().all(|b| edge % b == 0), "{um} {p:?}");
                }
            }
        }
    }
}
