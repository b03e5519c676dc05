//! Plucked grains: what comes out of the section, what fills the hole, and the truth of it.

use std::collections::{BTreeSet, HashMap};

use super::canvas::Canvas;
use super::dice::{Dice, lattice, noise, rough_noise};
use super::mineral::Mineral;
use super::rock::Grains;
use super::scene::Scene;
use super::truth::TruePluck;
use crate::slide::record::Impregnation;

/// Tears out grains or parts of grains; the holes fill with resin or air.
pub(crate) fn pluck(canvas: &mut Canvas, rock: &Grains, scene: &Scene, field: &str, dice: &mut Dice) -> Vec<TruePluck> {
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let mut areas: HashMap<u32, (usize, [f32; 2])> = HashMap::new();
    for y in frame[1]..frame[3] {
        for x in frame[0]..frame[2] {
            let entry = areas.entry(canvas.label[y * canvas.w + x]).or_insert((0, [0.0; 2]));
            entry.0 += 1;
            entry.1[0] += x as f32;
            entry.1[1] += y as f32;
        }
    }
    let solid = |label: u32| {
        !matches!(
            rock.grains[label as usize].mineral,
            Mineral::Pore | Mineral::Clay | Mineral::Opaque | Mineral::Fragment
        )
    };
    let frame_area = (scene.size_px[0] * scene.size_px[1]) as f32;
    let most = scene.flaws.pluck_share * frame_area / (scene.flaws.plucks.max(1) as f32);
    let smallest = 900.0 / (scene.um_per_px * scene.um_per_px) as f32;
    let mut candidates: Vec<(u32, usize, [f32; 2])> =
        areas.iter().filter(|(l, a)| solid(**l) && a.0 as f32 > smallest).map(|(l, a)| (*l, a.0, a.1)).collect();
    candidates.sort_by_key(|c| c.0);
    let mut out = Vec::new();
    let mut torn = 0;
    while torn < scene.flaws.plucks && !candidates.is_empty() {
        let (label, area, sum) = candidates.swap_remove(dice.index(candidates.len()));
        let centroid = [sum[0] / area as f32, sum[1] / area as f32];
        // A whole grain when it is small enough, else what breaks out along one or two fractures.
        let share = (most / area as f32 * dice.between(0.45, 1.5)).min(1.0);
        let members = torn_out(canvas, label, centroid, share, area as f32, dice);
        if members.len() as f32 > smallest
            && let Some(pieces) = hole(canvas, scene, field, &members, frame, dice)
        {
            torn += 1;
            out.extend(pieces);
        }
    }
    out
}

/// Pixels of the part of a grain that comes out.
fn torn_out(canvas: &Canvas, label: u32, centroid: [f32; 2], share: f32, area: f32, dice: &mut Dice) -> Vec<usize> {
    let all = (0..canvas.label.len()).filter(|&at| canvas.label[at] == label);
    let w = canvas.w;
    let seed = dice.seed();
    if share > 0.8 {
        return all.collect();
    }
    let radius = (share * area / std::f32::consts::PI).sqrt();
    let a = dice.between(0.0, 6.3);
    let away = dice.between(0.2, 0.7) * (area / std::f32::consts::PI).sqrt();
    let centre = [centroid[0] + away * a.cos(), centroid[1] + away * a.sin()];
    let stretch = dice.between(0.7, 1.4);
    let turn = dice.between(0.0, 6.3);
    all.filter(|&at| {
        let (x, y) = ((at % w) as f32, (at / w) as f32);
        let (dx, dy) = (x - centre[0], y - centre[1]);
        let (u, v) = (dx * turn.cos() + dy * turn.sin(), -dx * turn.sin() + dy * turn.cos());
        let r = (u * stretch).hypot(v / stretch);
        let ragged = rough_noise(x / (0.8 * radius), y / (0.8 * radius), seed, 4);
        r < 1.15 * radius * (1.0 + 0.35 * ragged)
    })
    .collect()
}

fn hole(
    canvas: &mut Canvas,
    scene: &Scene,
    field: &str,
    members: &[usize],
    frame: [usize; 4],
    dice: &mut Dice,
) -> Option<Vec<TruePluck>> {
    let w = canvas.w;
    let air = dice.chance(scene.flaws.air_share);
    let edge = distance_inside(members, w);
    let seed = dice.seed();
    let px = 1.0 / scene.um_per_px as f32;
    // Outlines are dark, but pale and broken in places.
    let (strength, width) = if air {
        (dice.between(0.9, 2.2), dice.between(2.0, 4.0))
    } else {
        (dice.between(0.22, 0.75), dice.between(0.9, 1.9))
    };
    let brokenness = dice.between(0.2, 0.95);
    let slurry = if dice.chance(0.35) { dice.between(0.002, 0.02) * scene.clutter } else { 0.0 };
    let film = dice.between(0.0, 0.03);
    for (&at, &e) in members.iter().zip(&edge) {
        let (fx, fy) = ((at % w) as f32, (at / w) as f32);
        canvas.retardation[at] = 0.0;
        canvas.is_quartz[at] = false;
        let uneven = (1.0 + brokenness * 1.6 * rough_noise(fx / 22.0, fy / 22.0, seed, 3)).clamp(0.0, 1.6);
        let rim = strength * uneven * (-(e / width).powi(2)).exp()
            - 0.3 * strength.min(0.6) * uneven * (-((e - 1.3 * width - 1.5) / 1.3).powi(2)).exp();
        let even = film + 0.006 * noise(fx / 3.0, fy / 3.0, seed ^ 1) + if air { 0.04 } else { 0.0 };
        canvas.absorbance[at] = [rim + even; 3];
        canvas.glow[at] = if air { 0.0015 * (-(e / width).powi(2)).exp() } else { 0.0 };
        if slurry > 0.0 {
            let crowd = (-(e / (14.0 * px)).powi(2)).exp() + 0.2;
            let grain = lattice((fx / (2.0 * px).max(1.5)) as i32, (fy / (2.0 * px).max(1.5)) as i32, seed ^ 2);
            if grain < slurry * 4.0 * crowd {
                canvas.stain(at, 0.9, [0.9, 1.0, 1.2]);
            }
        }
    }
    // Outside the hole the broken edge of the neighbours is still dark for a pixel; the mosaic's own border does that.
    let least = (900.0 / (scene.um_per_px * scene.um_per_px)) as usize;
    let seen: Vec<[usize; 2]> = members
        .iter()
        .map(|at| [at % w, at / w])
        .filter(|[x, y]| (frame[0]..frame[2]).contains(x) && (frame[1]..frame[3]).contains(y))
        .map(|[x, y]| [x - frame[0], y - frame[1]])
        .collect();
    let truth = |piece: Vec<[usize; 2]>| {
        let n = piece.len() as f64;
        let mean = |k: usize| piece.iter().map(|p| p[k] as f64).sum::<f64>() / n;
        let low = |k: usize| piece.iter().map(|p| p[k]).min().unwrap_or(0) as f64;
        let high = |k: usize| piece.iter().map(|p| p[k] + 1).max().unwrap_or(0) as f64;
        TruePluck {
            field: field.to_owned(),
            x_px: mean(0),
            y_px: mean(1),
            area_px: n,
            area_um2: n * scene.um_per_px * scene.um_per_px,
            box_px: [low(0), low(1), high(0), high(1)],
            air,
            ambiguous_ok: scene.impregnation == Impregnation::Clear,
        }
    };
    (seen.len() >= least).then(|| connected(&seen).into_iter().filter(|p| p.len() >= least).map(truth).collect())
}

/// Pieces that hang together by sides or corners: a grain behind others is seen in several, each a hole of its own.
fn connected(pixels: &[[usize; 2]]) -> Vec<Vec<[usize; 2]>> {
    let mut left: BTreeSet<[usize; 2]> = pixels.iter().copied().collect();
    let mut out = Vec::new();
    while let Some(first) = left.pop_first() {
        let mut piece = vec![first];
        let mut next = 0;
        while next < piece.len() {
            let [x, y] = piece[next];
            next += 1;
            for beside in (x.saturating_sub(1)..=x + 1).flat_map(|x| (y.saturating_sub(1)..=y + 1).map(move |y| [x, y]))
            {
                if left.remove(&beside) {
                    piece.push(beside);
                }
            }
        }
        out.push(piece);
    }
    out
}

/// Distance of each member to the outside of the set, pixels, up to about 40 (two-pass chamfer).
fn distance_inside(members: &[usize], w: usize) -> Vec<f32> {
    let index: HashMap<usize, usize> = members.iter().enumerate().map(|(i, &at)| (at, i)).collect();
    let mut distance = vec![40.0f32; members.len()];
    let mut pass = |order: &mut dyn Iterator<Item = usize>, steps: [(isize, f32); 4]| {
        for i in order {
            for (step, cost) in steps {
                let beside = members[i].wrapping_add_signed(step);
                let from = index.get(&beside).map_or(0.0, |&j| distance[j]);
                distance[i] = distance[i].min(from + cost);
            }
        }
    };
    let row = w as isize;
    pass(&mut (0..members.len()), [(-1, 1.0), (-row, 1.0), (-row - 1, 1.41), (-row + 1, 1.41)]);
    pass(&mut (0..members.len()).rev(), [(1, 1.0), (row, 1.0), (row + 1, 1.41), (row - 1, 1.41)]);
    distance
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grain_seen_in_pieces_is_as_many_holes() {
        let block = |x0: usize, y0: usize| (x0..x0 + 3).flat_map(move |x| (y0..y0 + 2).map(move |y| [x, y]));
        // The second touches the first by a corner, the third does not.
        let pixels: Vec<[usize; 2]> = block(0, 0).chain(block(3, 2)).chain(block(9, 2)).collect();
        let mut sizes: Vec<usize> = connected(&pixels).iter().map(Vec::len).collect();
        sizes.sort_unstable();
        assert_eq!(sizes, [6, 12]);
    }
}
