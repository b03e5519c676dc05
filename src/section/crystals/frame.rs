//! Which crystals the frame of the photograph cuts.

use super::{Crystal, Patches};

/// Cells from the frame up to which a clean part reaches when the frame cuts its crystal: what lies nearer is never clean.
const AT_FRAME: usize = 5;

/// Marks the crystals that the frame cuts: how large they are is not seen.
pub(super) fn mark_cut(crystals: &mut [Crystal], patches: &Patches) {
    let (rows, columns) = patches.labels.dim();
    let at_frame = |cell: &u32| {
        let (y, x) = (*cell as usize / columns, *cell as usize % columns);
        x.min(y).min(columns - 1 - x).min(rows - 1 - y) <= AT_FRAME
    };
    for crystal in crystals {
        crystal.cut_by_frame = crystal.parts.iter().any(|p| patches.cells[*p as usize - 1].iter().any(at_frame));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn a_crystal_is_cut_when_any_of_its_parts_reaches_the_frame() {
        let at = |y: u32, x: u32| y * 40 + x;
        let cells = vec![vec![at(20, 20), at(20, 21)], vec![at(20, 34), at(20, 33)], vec![at(15, 20)]];
        let patches = Patches { labels: Array2::zeros((30, 40)), cells };
        let crystal = |parts: &[u32]| Crystal { parts: parts.to_vec(), ..Crystal::unmeasured() };
        let mut crystals = [crystal(&[1]), crystal(&[1, 2]), crystal(&[3])];
        mark_cut(&mut crystals, &patches);
        assert_eq!(crystals.map(|c| c.cut_by_frame), [false, true, false]);
    }
}
