//! Planted defects: scratches and bubbles, each with its truth.

use super::canvas::{Canvas, Pen};
use super::dice::{Dice, lattice, noise};
use super::mineral::Mineral;
use super::rock::Grains;
use super::scene::Scene;
use super::truth::{TrueBubble, TruePore, TrueScratch};

const GREY: [f32; 3] = [1.0, 1.0, 1.0];

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
