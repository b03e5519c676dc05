//! From pieces to crystals: neighbours of one colour and one extinction are one crystal with one vote.

use ndarray::Array2;

use super::{Crystal, Piece, REACH};
use crate::section::linked::Linked;

/// Joins neighbouring pieces of one colour and one extinction into one crystal; marks twins.
pub(crate) fn join(pieces: &[Piece], pairs: &[(usize, usize)], full: bool) -> Vec<Crystal> {
    let bright = pieces.iter().map(|p| p.brightness).fold(0.0, f64::max);
    let mut linked = Linked::new(pieces.len());
    let mut twins = vec![0_usize; pieces.len()];
    for &(a, b) in pairs {
        let (p, q) = (&pieces[a], &pieces[b]);
        // Narrow pieces side by side and parallel are twin lamellae, whatever their colours.
        if p.lamella && q.lamella && (p.axis - q.axis).cos().abs() > 0.97 {
            twins[a] += 1;
            twins[b] += 1;
        }
        if !p.same_colour(q) {
            continue;
        }
        // Subgrains of one strained crystal differ by a few degrees, the parts of a twin by ten and more.
        if !full || p.phase_agreement(q) > 0.7 || p.brightness < 0.05 * bright {
            linked.link(a, b);
        } else if p.lamella || q.lamella {
            twins[a] += 1;
            twins[b] += 1;
        }
    }
    let mut groups: Vec<Vec<usize>> = vec![Vec::new(); pieces.len()];
    for i in 0..pieces.len() {
        groups[linked.group_of(i)].push(i);
    }
    let mut crystals: Vec<Crystal> = groups
        .into_iter()
        .filter(|g| !g.is_empty())
        .map(|g| {
            let mut crystal = merged(g.iter().map(|i| &pieces[*i].crystal));
            let lamellae = g.iter().filter(|i| pieces[**i].lamella).count();
            crystal.twinned =
                g.iter().map(|i| twins[*i]).sum::<usize>() >= 2 || (lamellae >= 2 && 2 * lamellae > g.len());
            crystal
        })
        .collect();
    crystals.sort_by(|a, b| b.area_px.total_cmp(&a.area_px).then(a.y_px.total_cmp(&b.y_px)));
    crystals
}

/// Area-weighted mean of pieces of one crystal.
pub(super) fn merged<'a>(pieces: impl Iterator<Item = &'a Crystal> + Clone) -> Crystal {
    let total: f64 = pieces.clone().map(|p| p.area_px).sum();
    let mean = |f: &dyn Fn(&Crystal) -> f64| pieces.clone().map(|p| f(p) * p.area_px / total).sum::<f64>();
    let first = pieces.clone().next().expect("a crystal has a piece");
    Crystal {
        x_px: mean(&|p| p.x_px),
        y_px: mean(&|p| p.y_px),
        area_px: total,
        ratio: (0..first.ratio.len()).map(|a| std::array::from_fn(|c| mean(&|p| p.ratio[a][c]))).collect(),
        clipped: (0..first.clipped.len()).map(|a| mean(&|p| p.clipped[a])).collect(),
        unseen: (0..first.unseen.len()).map(|a| mean(&|p| p.unseen[a])).collect(),
        plane: std::array::from_fn(|c| mean(&|p| p.plane[c])),
        coherence: mean(&|p| p.coherence),
        scatter: mean(&|p| p.scatter),
        looks: std::array::from_fn(|c| mean(&|p| p.looks[c])),
        plane_mottle: mean(&|p| p.plane_mottle),
        plane_gradient: std::array::from_fn(|k| mean(&|p| p.plane_gradient[k])),
        long_axis: std::array::from_fn(|k| mean(&|p| p.long_axis[k])),
        wholeness: mean(&|p| p.wholeness),
        cells: pieces.clone().map(|p| p.cells).sum(),
        twinned: false,
        cut_by_frame: pieces.clone().any(|p| p.cut_by_frame),
        alike: 0,
        alike_cells: pieces.clone().map(|p| p.cells).sum(),
        colourless: first.colourless,
        quartz: first.quartz,
        parts: pieces.flat_map(|p| p.parts.iter().copied()).collect(),
    }
}

/// Pairs of pieces whose surroundings meet within [`REACH`] cells, each once.
pub(crate) fn neighbours(pieces: &[Piece], labels: &Array2<u32>) -> Vec<(usize, usize)> {
    let (rows, columns) = labels.dim();
    let most = labels.iter().max().copied().unwrap_or(0) as usize;
    let mut index = vec![u32::MAX; most + 1];
    for (i, p) in pieces.iter().enumerate() {
        index[p.label as usize] = i as u32;
    }
    let mut owner: Vec<u32> = labels.iter().map(|l| if *l == 0 { u32::MAX } else { index[*l as usize] }).collect();
    let mut front: Vec<u32> = (0..owner.len() as u32).filter(|i| owner[*i as usize] != u32::MAX).collect();
    let mut pairs = Vec::new();
    for _ in 0..=REACH {
        let mut next = Vec::new();
        for i in front {
            let i = i as usize;
            let (y, x) = (i / columns, i % columns);
            let around = [
                (x > 0).then(|| i - 1),
                (x + 1 < columns).then(|| i + 1),
                (y > 0).then(|| i - columns),
                (y + 1 < rows).then(|| i + columns),
            ];
            for j in around.into_iter().flatten() {
                if owner[j] == u32::MAX {
                    owner[j] = owner[i];
                    next.push(j as u32);
                } else if owner[j] != owner[i] {
                    pairs.push((owner[i].min(owner[j]), owner[i].max(owner[j])));
                }
            }
        }
        front = next;
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs.into_iter().map(|(a, b)| (a as usize, b as usize)).collect()
}
