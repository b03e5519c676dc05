//! A window of a field that is looked at part by part: where it lies, and the core of it that no other window counts.

use crate::slide::scan::Window;

/// A window with its core. All windows' cores cover the field, each pixel once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Part {
    /// Width and height of the field, pixels.
    pub(crate) field: [usize; 2],
    /// What is looked at: the core with a margin about it.
    pub(crate) window: Window,
    /// What is its own.
    pub(crate) core: Window,
}

impl Part {
    /// Upper left corner of the window in the field, pixels.
    pub(crate) fn origin(&self) -> [f64; 2] {
        [self.window.x as f64, self.window.y as f64]
    }

    /// Whether a place of the field is its own. What lies beyond the field's frame belongs to the core that it is nearest to.
    pub(crate) fn owns(&self, at: [f64; 2]) -> bool {
        let core = [(self.core.x, self.core.width), (self.core.y, self.core.height)];
        (0..2).all(|k| {
            let (from, size) = core[k];
            (from == 0 || at[k] >= from as f64 - 0.5)
                && (from + size == self.field[k] || at[k] < (from + size) as f64 - 0.5)
        })
    }

    /// Whether a place of the field lies within `near` pixels of an edge of the window that is none of the field's.
    pub(crate) fn is_cut_at(&self, at: [f64; 2], near: f64) -> bool {
        let window = [(self.window.x, self.window.width), (self.window.y, self.window.height)];
        (0..2).any(|k| {
            let (from, size) = window[k];
            (from > 0 && at[k] < from as f64 + near)
                || (from + size < self.field[k] && at[k] > (from + size) as f64 - 1.0 - near)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_has_one_owner_and_only_inner_edges_cut() {
        let window = |x: usize, width: usize| Window { x, y: 0, width, height: 100 };
        let left = Part { field: [200, 100], window: window(0, 120), core: window(0, 96) };
        let right = Part { field: [200, 100], window: window(72, 128), core: window(96, 104) };
        for x in [-5.0, 0.0, 95.4, 95.5, 96.0, 199.0, 230.0] {
            assert!(left.owns([x, 50.0]) != right.owns([x, 50.0]), "{x}");
        }
        assert!(left.is_cut_at([118.0, 50.0], 8.0) && !left.is_cut_at([2.0, 50.0], 8.0));
        assert!(right.is_cut_at([75.0, 99.0], 8.0) && !right.is_cut_at([198.0, 50.0], 8.0));
    }
}
