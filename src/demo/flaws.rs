//! Planted defects: plucked grains, scratches, bubbles, each with its truth.

use std::collections::HashMap;

use super::canvas::{Canvas, Pen};
use super::dice::{Dice, lattice, noise, rough_noise};
use super::mineral::Mineral;
use super::rock::Grains;
use super::scene::Scene;
use super::truth::{TrueBubble, TruePluck, TruePore, TrueScratch};
use crate::slide::record::Impregnation;

const GREY: [f32; 3] = [1.0, 1.0, 1.0];

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
    while out.len() < scene.flaws.plucks && !candidates.is_empty() {
        let (label, area, sum) = candidates.swap_remove(dice.index(candidates.len()));
        let centroid = [sum[0] / area as f32, sum[1] / area as f32];
        // A whole grain when it is small enough, else what breaks out along one or two fractures.
        let share = (most / area as f32 * dice.between(0.45, 1.5)).min(1.0);
        let members = torn_out(canvas, label, centroid, share, area as f32, dice);
        if members.len() as f32 > smallest
            && let Some(truth) = hole(canvas, scene, field, &members, frame, dice)
        {
            out.push(truth);
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
) -> Option<TruePluck> {
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
    let (mut sx, mut sy, mut n) = (0.0f64, 0.0f64, 0usize);
    let mut bounds = [usize::MAX, usize::MAX, 0, 0];
    for (&at, &e) in members.iter().zip(&edge) {
        let (x, y) = (at % w, at / w);
        if (frame[0]..frame[2]).contains(&x) && (frame[1]..frame[3]).contains(&y) {
            let (fx, fy) = (x - frame[0], y - frame[1]);
            sx += fx as f64;
            sy += fy as f64;
            n += 1;
            bounds = [bounds[0].min(fx), bounds[1].min(fy), bounds[2].max(fx + 1), bounds[3].max(fy + 1)];
        }
        let (fx, fy) = (x as f32, y as f32);
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
    (n >= least).then(|| TruePluck {
        field: field.to_owned(),
        x_px: sx / n as f64,
        y_px: sy / n as f64,
        area_px: n as f64,
        area_um2: n as f64 * scene.um_per_px * scene.um_per_px,
        box_px: bounds.map(|b| b as f64),
        air,
        ambiguous_ok: scene.impregnation == Impregnation::Clear,
    })
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

/// Scores the surface; a scratch is broken up where grains differ in hardness.
pub(crate) fn scratch(
    canvas: &mut Canvas,
    rock: &Grains,
    scene: &Scene,
    field: &str,
    dice: &mut Dice,
) -> Vec<TrueScratch> {
    let mut pen = Pen::new(canvas);
    let flaws = &scene.flaws;
    let um = scene.um_per_px as f32;
    let (fw, fh) = (scene.size_px[0] as f32, scene.size_px[1] as f32);
    let origin = canvas.origin.map(|o| o as f32);
    let mut out = Vec::new();
    let mut common = dice.between(0.0, std::f32::consts::PI);
    let mut left_in_set = 0usize;
    let mut set_start = [0.0; 2];
    while out.len() < flaws.scratches {
        let mut start = [dice.between(0.0, fw), dice.between(0.0, fh)];
        if flaws.scratch_sets {
            if left_in_set == 0 {
                left_in_set = 2 + dice.index(4);
                common = dice.between(0.0, std::f32::consts::PI);
                set_start = start;
            }
            left_in_set -= 1;
            let (across, along) = (45.0 * dice.normal() / um, 140.0 * dice.normal() / um);
            start = [
                set_start[0] - across * common.sin() + along * common.cos(),
                set_start[1] + across * common.cos() + along * common.sin(),
            ];
        }
        let heading =
            if flaws.scratch_sets { common + 0.03 * dice.normal() } else { dice.between(0.0, std::f32::consts::PI) };
        let length = dice.between(flaws.scratch_length_um[0], flaws.scratch_length_um[1]) / um;
        let end = [start[0] + length * heading.cos(), start[1] + length * heading.sin()];
        let width_um = dice.between(flaws.scratch_um[0], flaws.scratch_um[1]);
        let contrast = dice.between(flaws.scratch_contrast[0], flaws.scratch_contrast[1]);
        let bow = if dice.chance(0.4) { 0.006 * length * dice.normal().clamp(-1.5, 1.5) } else { 0.0 };
        let Some((from, to)) = clip(start, end, [fw, fh]) else { continue };
        if (to[0] - from[0]).hypot(to[1] - from[1]) * um < 0.6 * flaws.scratch_length_um[0].min(400.0) {
            continue;
        }
        let count = (length / 6.0).ceil() as usize + 1;
        let normal = [-heading.sin(), heading.cos()];
        let points: Vec<[f32; 2]> = (0..=count)
            .map(|i| {
                let t = i as f32 / count as f32;
                let aside = 4.0 * bow * t * (1.0 - t);
                [
                    origin[0] + start[0] + t * (end[0] - start[0]) + aside * normal[0],
                    origin[1] + start[1] + t * (end[1] - start[1]) + aside * normal[1],
                ]
            })
            .collect();
        let seed = dice.seed();
        let depth = -(1.0 - contrast).ln();
        let sd = (0.5 * width_um / um / 1.18).max(0.35);
        // Blurred below the pixel, a thin line keeps its area.
        let flank = if dice.chance(0.45) { dice.between(0.15, 0.5) } else { 0.0 };
        let labels = &canvas.label;
        let hardness = |i: usize, at: usize| {
            let grain = &rock.grains[labels[at] as usize];
            let skip = lattice(labels[at] as i32, 1, seed);
            let base = match grain.mineral {
                Mineral::Pore => 0.45,
                _ if skip < 0.09 => 0.0,
                _ => 0.65 + 0.6 * lattice(labels[at] as i32, 2, seed),
            };
            let t = i as f32 / count as f32;
            let fade = (8.0 * t.min(1.0 - t) + 0.35).min(1.0);
            base * fade * (1.0 + 0.3 * noise(i as f32 / 3.0, 2.0, seed)).max(0.1)
        };
        pen.line(&points, sd, |i, at| depth * hardness(i, at));
        let mut dark = Vec::new();
        pen.lift(|at, d| dark.push((at, d)));
        let aside: Vec<[f32; 2]> =
            points.iter().map(|p| [p[0] + (2.0 * sd + 0.6) * normal[0], p[1] + (2.0 * sd + 0.6) * normal[1]]).collect();
        if flank > 0.0 {
            pen.line(&aside, sd, |i, at| flank * depth * hardness(i, at));
        }
        let mut bright = Vec::new();
        pen.lift(|at, d| bright.push((at, -d)));
        for (at, d) in dark.into_iter().chain(bright) {
            canvas.stain(at, d, GREY);
            canvas.glow[at] += 0.004 * d.max(0.0);
        }
        out.push(TrueScratch {
            field: field.to_owned(),
            x0_px: f64::from(from[0]),
            y0_px: f64::from(from[1]),
            x1_px: f64::from(to[0]),
            y1_px: f64::from(to[1]),
            width_um: f64::from(width_um),
            contrast: f64::from(contrast),
            bow_px: f64::from(bow.abs()),
        });
    }
    out
}

/// The part of a segment within the frame 0..w by 0..h.
fn clip(from: [f32; 2], to: [f32; 2], size: [f32; 2]) -> Option<([f32; 2], [f32; 2])> {
    let (mut t0, mut t1) = (0.0f32, 1.0f32);
    for k in 0..2 {
        let d = to[k] - from[k];
        for (edge, sign) in [(0.0, -1.0), (size[k] - 1.0, 1.0)] {
            let (p, q) = (sign * d, sign * (edge - from[k]));
            if p == 0.0 {
                if q < 0.0 {
                    return None;
                }
            } else if p > 0.0 {
                t1 = t1.min(q / p);
            } else {
                t0 = t0.max(q / p);
            }
        }
    }
    let at = |t: f32| [from[0] + t * (to[0] - from[0]), from[1] + t * (to[1] - from[1])];
    (t0 < t1).then(|| (at(t0), at(t1)))
}

/// Blows bubbles into the bond or the cover: balls with a dark rim outside b/R = 1/1.54, or flat ones, a wall only.
pub(crate) fn blow(canvas: &mut Canvas, scene: &Scene, field: &str, dice: &mut Dice) -> Vec<TrueBubble> {
    let flaws = &scene.flaws;
    let um = scene.um_per_px as f32;
    let (fw, fh) = (scene.size_px[0] as f32, scene.size_px[1] as f32);
    let mut out: Vec<TrueBubble> = Vec::new();
    for _ in 0..flaws.bubbles {
        let radius = 0.5 * dice.between(flaws.bubble_um[0], flaws.bubble_um[1]) / um;
        let mut centre =
            [dice.between(-0.2 * radius, fw + 0.2 * radius), dice.between(-0.2 * radius, fh + 0.2 * radius)];
        if let Some(last) = out.last()
            && dice.chance(0.15)
        {
            // Two that touch or overlap.
            let a = dice.between(0.0, 6.3);
            let apart = (radius + 0.5 * last.diameter_px as f32) * dice.between(0.75, 1.02);
            centre = [last.x_px as f32 + apart * a.cos(), last.y_px as f32 + apart * a.sin()];
        }
        if centre[0] < -0.3 * radius
            || centre[1] < -0.3 * radius
            || centre[0] > fw + 0.3 * radius
            || centre[1] > fh + 0.3 * radius
        {
            continue;
        }
        let flat = dice.chance(flaws.flat_share);
        draw_bubble(canvas, centre, radius, flat, um, dice);
        let cut = centre[0] < radius || centre[1] < radius || centre[0] > fw - radius || centre[1] > fh - radius;
        out.push(TrueBubble {
            field: field.to_owned(),
            x_px: f64::from(centre[0]),
            y_px: f64::from(centre[1]),
            diameter_px: f64::from(2.0 * radius),
            diameter_um: f64::from(2.0 * radius * um),
            flat,
            cut,
        });
    }
    out
}

fn draw_bubble(canvas: &mut Canvas, centre: [f32; 2], radius: f32, flat: bool, um: f32, dice: &mut Dice) {
    let soft = (dice.log_normal(1.6, 0.6) / um).clamp(0.6, 0.16 * radius.max(4.0));
    let squash = 1.0 + 0.012 * dice.normal().clamp(-2.0, 2.0);
    let turn = dice.between(0.0, 3.2);
    let seed = dice.seed();
    // Total reflection begins at b/R = 1/n; the bright core depends on the cone of the condenser.
    let core = dice.between(0.42, 0.66);
    let rim = dice.between(1.3, 3.2);
    let wall = dice.between(1.6, 4.0) / um;
    let wall_depth = dice.between(0.35, 1.1);
    let lens = dice.between(-0.05, 0.08);
    let halo = dice.between(0.03, 0.14);
    let reach = (1.3 * radius + 4.0 * soft) as i64;
    let (cx, cy) = (canvas.origin[0] as f32 + centre[0], canvas.origin[1] as f32 + centre[1]);
    let step = |r: f32, at: f32, s: f32| 1.0 / (1.0 + (-(r - at) / (0.45 * s)).exp());
    for y in (cy as i64 - reach).max(0)..(cy as i64 + reach).min(canvas.h as i64) {
        for x in (cx as i64 - reach).max(0)..(cx as i64 + reach).min(canvas.w as i64) {
            let (dx, dy) = (x as f32 - cx, y as f32 - cy);
            let (u, v) = (dx * turn.cos() + dy * turn.sin(), -dx * turn.sin() + dy * turn.cos());
            let r = (u * squash).hypot(v / squash);
            let at = y as usize * canvas.w + x as usize;
            let a = v.atan2(u);
            let inside = 1.0 - step(r, radius, soft);
            if flat {
                let uneven = (1.0 + 0.5 * noise(2.0 * a.cos() + 9.0, 2.0 * a.sin() + 9.0, seed)).max(0.3);
                let line = (-((r - radius + wall) / wall).powi(2)).exp();
                let inner = 0.35 * (-((r - radius + 3.2 * wall) / wall).powi(2)).exp();
                canvas.stain(at, uneven * wall_depth * (line - inner) + inside * (0.03 + lens), GREY);
            } else {
                let dark = inside * step(r, core * radius, soft + 0.10 * radius);
                let outside = halo * (-((r - radius - 1.5 * soft - 1.0) / (soft + 1.0)).powi(2)).exp();
                let sheen = 0.1 * (r / radius) * inside;
                canvas.stain(at, rim * dark + sheen + inside * lens - outside, GREY);
                canvas.glow[at] += 0.002 * dark;
            }
        }
    }
}

/// Lists the rock's own pores in the frame (after plucking took its share).
pub(crate) fn pores(canvas: &Canvas, rock: &Grains, scene: &Scene, field: &str) -> Vec<TruePore> {
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let (w, h) = (frame[2] - frame[0], frame[3] - frame[1]);
    let is_pore = |x: usize, y: usize| canvas.label[(y + frame[1]) * canvas.w + x + frame[0]] == rock.pore;
    let mut seen = vec![false; w * h];
    let least = 150.0 / (scene.um_per_px * scene.um_per_px);
    let mut out = Vec::new();
    for start in 0..w * h {
        if seen[start] || !is_pore(start % w, start / w) {
            continue;
        }
        seen[start] = true;
        let mut stack = vec![start];
        let (mut area, mut bounds) = (0usize, [usize::MAX, usize::MAX, 0, 0]);
        while let Some(at) = stack.pop() {
            let (x, y) = (at % w, at / w);
            area += 1;
            bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x + 1), bounds[3].max(y + 1)];
            let beside =
                [(x > 0, at.wrapping_sub(1)), (x + 1 < w, at + 1), (y > 0, at.wrapping_sub(w)), (y + 1 < h, at + w)];
            for (ok, next) in beside {
                if ok && !seen[next] && is_pore(next % w, next / w) {
                    seen[next] = true;
                    stack.push(next);
                }
            }
        }
        if area as f64 > least {
            out.push(TruePore { field: field.to_owned(), area_px: area as f64, box_px: bounds.map(|b| b as f64) });
        }
    }
    out
}
