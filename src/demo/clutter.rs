//! What sound rock and clean glass show besides colours: borders, specks, inclusions, cracks, joints, dust.

use super::canvas::{Canvas, Pen};
use super::dice::{Dice, noise, rough_noise};
use super::mineral::{Grain, Mineral};
use super::rock::Grains;
use super::scene::Scene;
use super::truth::TrueFibre;

const GREY: [f32; 3] = [1.0, 1.0, 1.0];
const BROWN: [f32; 3] = [0.7, 1.0, 1.5];
const GREENISH: [f32; 3] = [1.1, 0.9, 1.0];

/// Paints the rock's own dirt: borders, specks, trails, cracks, joints.
pub(crate) fn soil_rock(canvas: &mut Canvas, rock: &Grains, um_per_px: f32, amount: f32, dice: &mut Dice) {
    let px = 1.0 / um_per_px;
    borders(canvas, rock, amount, dice.seed());
    let mut pen = Pen::new(canvas);
    specks(canvas, &mut pen, rock, px, amount, dice);
    trails(canvas, &mut pen, rock, px, amount, dice);
    cracks(canvas, &mut pen, rock, px, amount, dice);
    joints(canvas, &mut pen, rock, px, amount, dice);
}

/// Dust, fibres and out-of-focus specks on the glass: above everything, also above pores and holes. Returns the fibres.
pub(crate) fn soil_glass(canvas: &mut Canvas, scene: &Scene, field: &str, dice: &mut Dice) -> Vec<TrueFibre> {
    let (amount, px) = (scene.clutter, 1.0 / scene.um_per_px as f32);
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let mut fibres = Vec::new();
    let mut pen = Pen::new(canvas);
    let megapixels = (canvas.w * canvas.h) as f32 / 1e6;
    for _ in 0..dice.count(14.0 * amount * megapixels) {
        let radius = dice.log_normal(6.0, 0.5) * px;
        let depth = dice.between(0.04, 0.22);
        pen.disc(place(canvas, dice), radius, 0.7 * radius + 2.0, depth);
        pen.lift(|at, d| canvas.stain(at, d, GREY));
    }
    for _ in 0..dice.count(9.0 * amount * megapixels) {
        let radius = dice.log_normal(2.2, 0.4) * px;
        pen.disc(place(canvas, dice), radius, 0.8, dice.between(0.5, 1.8));
        pen.lift(|at, d| canvas.stain(at, d, GREY));
    }
    for _ in 0..dice.count(1.1 * amount * megapixels) {
        let mut at = place(canvas, dice);
        let (mut heading, mut bend) = (dice.between(0.0, 6.3), 0.02 * dice.normal());
        let step = 4.0;
        let mut points = vec![at];
        for _ in 0..(dice.log_normal(160.0, 0.6) * px / step) as usize {
            bend = 0.93 * bend + 0.022 * dice.normal();
            heading += bend;
            at = [at[0] + step * heading.cos(), at[1] + step * heading.sin()];
            points.push(at);
        }
        let sd = dice.between(0.8, 2.4) * px.max(0.6);
        let depth = dice.between(0.12, 0.6);
        let shines = dice.chance(0.4);
        // Full width at half depth of a Gaussian.
        fibres.extend(TrueFibre::of(field, &points, frame, scene.um_per_px, 2.355 * sd / px, depth));
        pen.line(&points, sd, |_, _| depth);
        pen.lift(|i, d| {
            canvas.stain(i, d, GREY);
            if shines {
                canvas.glow[i] += 0.15 * d;
            }
        });
    }
    fibres
}

/// Filled vesicles and spherulites: rough round outlines in the rock, a fine fibrous filling, no black rim.
pub(crate) fn round_things(canvas: &mut Canvas, um_per_px: f32, count: usize, dice: &mut Dice) {
    for _ in 0..count {
        let [cx, cy] = place(canvas, dice);
        let radius = dice.between(20.0, 90.0) / um_per_px;
        let seed = dice.seed();
        let (depth, filling) = (dice.between(0.15, 0.5), dice.between(0.02, 0.25));
        let reach = (1.3 * radius) as i64 + 3;
        for y in (cy as i64 - reach).max(0)..(cy as i64 + reach).min(canvas.h as i64) {
            for x in (cx as i64 - reach).max(0)..(cx as i64 + reach).min(canvas.w as i64) {
                let (dx, dy) = (x as f32 - cx, y as f32 - cy);
                let a = dy.atan2(dx);
                let lobes = 0.07 * noise(2.5 * a.cos() + 7.0, 2.5 * a.sin() + 7.0, seed);
                let inside =
                    radius * (1.0 + lobes) + 0.8 * noise(x as f32 / 4.0, y as f32 / 4.0, seed ^ 1) - dx.hypot(dy);
                let at = y as usize * canvas.w + x as usize;
                let uneven = (1.0 + 0.8 * noise(x as f32 / 14.0, y as f32 / 14.0, seed ^ 2)).max(0.1);
                canvas.stain(at, depth * uneven * (-(inside / 1.6).powi(2)).exp(), GREY);
                if inside > 0.0 {
                    // Fibres from the middle outward: the slow ray runs along them.
                    canvas.azimuth[at] = -a;
                    canvas.retardation[at] = 90.0 * (0.6 + 0.4 * noise(x as f32 / 3.0, y as f32 / 3.0, seed ^ 3));
                    canvas.is_quartz[at] = false;
                    let fine = 0.6 + 0.4 * noise(18.0 * a.cos(), 18.0 * a.sin(), seed ^ 4);
                    canvas.stain(at, filling * fine, BROWN);
                }
            }
        }
    }
}

fn place(canvas: &Canvas, dice: &mut Dice) -> [f32; 2] {
    [dice.between(0.0, canvas.w as f32), dice.between(0.0, canvas.h as f32)]
}

fn grain_at<'a>(canvas: &Canvas, rock: &'a Grains, p: [f32; 2]) -> Option<(usize, &'a Grain)> {
    let (x, y) = (p[0].round(), p[1].round());
    if x < 0.0 || y < 0.0 || x >= canvas.w as f32 || y >= canvas.h as f32 {
        return None;
    }
    let at = y as usize * canvas.w + x as usize;
    Some((at, &rock.grains[canvas.label[at] as usize]))
}

/// Relief along the borders: a dark line with a bright one beside it, stronger the more the index differs from resin.
fn borders(canvas: &mut Canvas, rock: &Grains, amount: f32, seed: u32) {
    let amount = amount.powf(0.7);
    for y in 0..canvas.h {
        for x in 0..canvas.w {
            let at = y * canvas.w + x;
            let e = canvas.edge[at];
            if e > 6.0 {
                continue;
            }
            let grain = &rock.grains[canvas.label[at] as usize];
            let (fx, fy) = (x as f32, y as f32);
            let uneven = (1.0 + 0.9 * rough_noise(fx / 30.0, fy / 30.0, seed, 3)).max(0.08);
            let relief = 0.20 + 2.2 * (grain.index - 1.535).abs().min(0.25);
            let dark = (-(e / 1.1).powi(2)).exp();
            let bright = 0.42 * (-((e - 3.0) / 1.2).powi(2)).exp();
            // A little colour fringes the relief: lenses are not perfect.
            canvas.stain(at, amount * uneven * relief * dark, [1.0, 1.05, 0.9]);
            canvas.stain(at, -amount * uneven * relief * bright, [1.15, 1.15, 0.6]);
            // Stain and clay creep along the border.
            let film = rough_noise(fx / 55.0, fy / 55.0, seed ^ 5, 3) - 0.25;
            if film > 0.0 {
                canvas.stain(at, 0.9 * amount * film * (-(e / 2.6).powi(2)).exp(), BROWN);
            }
        }
    }
}

/// Dark specks and pits of 2 to 8 µm, most of all in quartz, in swarms.
fn specks(canvas: &mut Canvas, pen: &mut Pen, rock: &Grains, px: f32, amount: f32, dice: &mut Dice) {
    let swarm = dice.seed();
    // A few thousand a square millimetre are tried, about as many as on photographs of sandstones.
    let mm2 = (canvas.w * canvas.h) as f32 / (px * px) / 1e6;
    for _ in 0..dice.count(4600.0 * amount * mm2) {
        let p = place(canvas, dice);
        let Some((_, grain)) = grain_at(canvas, rock, p) else { continue };
        let density = match grain.mineral {
            Mineral::Pore => 0.06,
            Mineral::Opaque => 0.0,
            Mineral::Clay => 0.5,
            _ => grain.dirt,
        };
        let crowd = (1.0 + 1.3 * rough_noise(p[0] / (70.0 * px), p[1] / (70.0 * px), swarm, 3)).max(0.4);
        if !dice.chance(0.5 * density * crowd) {
            continue;
        }
        let radius = (dice.log_normal(1.2, 0.5) * px).clamp(0.45, 6.0 * px);
        let depth = dice.log_normal(0.55, 0.7).min(2.2);
        if dice.chance(0.25) {
            // Drawn out, as fluid inclusions and needles are.
            let a = dice.between(0.0, 6.3);
            let l = radius * dice.between(1.1, 3.0);
            let (q0, q1) = ([p[0] - l * a.cos(), p[1] - l * a.sin()], [p[0] + l * a.cos(), p[1] + l * a.sin()]);
            pen.line(&[q0, q1], 0.55 * radius.max(0.8), |_, _| depth);
        } else {
            pen.disc(p, radius, 0.7, depth);
        }
        let tint = if dice.chance(0.3) { GREENISH } else { GREY };
        pen.lift(|at, d| canvas.stain(at, d, tint));
        if dice.chance(0.3) {
            // A pit: bright middle.
            pen.disc(p, 0.5 * radius, 0.5, 0.7 * depth);
            pen.lift(|at, d| canvas.stain(at, -d, GREY));
        }
        if dice.chance(0.03) {
            let q = [p[0] + radius * dice.normal(), p[1] + radius * dice.normal()];
            pen.disc(q, radius * dice.between(1.2, 2.6), 1.0, dice.between(0.8, 2.5));
            pen.lift(|at, d| canvas.stain(at, d, GREY));
        }
    }
}

/// Trails of fluid inclusions: dotted, straight or gently bowed, within a grain or through a few.
fn trails(canvas: &mut Canvas, pen: &mut Pen, rock: &Grains, px: f32, amount: f32, dice: &mut Dice) {
    let mm2 = (canvas.w * canvas.h) as f32 / (px * px) / 1e6;
    for _ in 0..dice.count(26.0 * amount * mm2) {
        let start = place(canvas, dice);
        let Some((at, grain)) = grain_at(canvas, rock, start) else { continue };
        if grain.mineral != Mineral::Quartz {
            continue;
        }
        let home = canvas.label[at];
        let through = dice.chance(0.15);
        let (mut heading, bow) = (dice.between(0.0, 6.3), 0.004 * dice.normal());
        let length = dice.log_normal(120.0, 0.5) * px;
        let depth = dice.log_normal(0.35, 0.5).min(1.2);
        let (spacing, wander) = (dice.between(2.5, 7.0) * px, dice.between(0.4, 2.2) * px);
        let (mut p, mut gone) = (start, 0.0);
        while gone < length {
            let step = spacing * dice.between(0.3, 1.8);
            gone += step;
            heading += bow;
            p = [p[0] + step * heading.cos(), p[1] + step * heading.sin()];
            match grain_at(canvas, rock, p) {
                Some((at, _)) if through || canvas.label[at] == home => {}
                _ => break,
            }
            let dot = [p[0] + wander * dice.normal(), p[1] + wander * dice.normal()];
            pen.disc(dot, (dice.log_normal(0.8, 0.3) * px).max(0.4), 0.6, depth * dice.between(0.3, 1.4));
        }
        pen.lift(|at, d| canvas.stain(at, d, GREY));
    }
}

/// Ragged cracks: they wander, branch, change width, and mostly end at a border.
fn cracks(canvas: &mut Canvas, pen: &mut Pen, rock: &Grains, px: f32, amount: f32, dice: &mut Dice) {
    let mm2 = (canvas.w * canvas.h) as f32 / (px * px) / 1e6;
    for _ in 0..dice.count(24.0 * amount * mm2) {
        let start = place(canvas, dice);
        let heading = dice.between(0.0, 6.3);
        let length = dice.log_normal(130.0, 0.6) * px;
        let crosses = dice.chance(0.3);
        let rough = dice.between(0.18, 0.5);
        let branch = dice.chance(0.3);
        crack(canvas, pen, rock, start, heading, length, rough, crosses, px, dice);
        if branch {
            let turned = heading + 0.7 * dice.normal();
            crack(canvas, pen, rock, start, turned, 0.5 * length, rough, crosses, px, dice);
        }
    }
}

#[expect(clippy::too_many_arguments, reason = "one drawing routine, all of it geometry")]
fn crack(
    canvas: &mut Canvas,
    pen: &mut Pen,
    rock: &Grains,
    start: [f32; 2],
    heading: f32,
    length: f32,
    rough: f32,
    crosses: bool,
    px: f32,
    dice: &mut Dice,
) {
    let Some((at, grain)) = grain_at(canvas, rock, start) else { return };
    if matches!(grain.mineral, Mineral::Pore | Mineral::Clay | Mineral::Opaque) {
        return;
    }
    let home = canvas.label[at];
    let (mut p, mut points, mut gone, mut direction) = (start, vec![start], 0.0, heading);
    while gone < length {
        let step = dice.between(2.0, 7.0) * px.max(0.5);
        gone += step;
        direction = heading + 0.9 * (direction - heading) + rough * dice.normal();
        p = [p[0] + step * direction.cos(), p[1] + step * direction.sin()];
        match grain_at(canvas, rock, p) {
            Some((at, grain)) if canvas.label[at] == home || (crosses && grain.mineral != Mineral::Pore) => {
                points.push(p);
            }
            _ => break,
        }
    }
    let (depth, sd) = (dice.log_normal(0.3, 0.5).min(1.1), dice.between(0.45, 1.1) * px.max(0.7));
    let seed = dice.seed();
    let uneven = |i: usize| (0.7 + 0.7 * noise(i as f32 / 4.0, 0.0, seed)).max(0.05);
    let tint = if dice.chance(0.25) { BROWN } else { GREY };
    pen.line(&points, sd, |i, _| depth * uneven(i));
    pen.lift(|at, d| canvas.stain(at, d, tint));
    if dice.chance(0.5) {
        let aside: Vec<[f32; 2]> = points.iter().map(|q| [q[0] + 1.6 * sd, q[1] - 1.4 * sd]).collect();
        pen.line(&aside, sd, |i, _| 0.4 * depth * uneven(i));
        pen.lift(|at, d| canvas.stain(at, -d, GREY));
    }
}

/// Joints: almost straight through many grains, but rough on the scale of a few pixels and uneven in width.
fn joints(canvas: &mut Canvas, pen: &mut Pen, rock: &Grains, px: f32, amount: f32, dice: &mut Dice) {
    let mm2 = (canvas.w * canvas.h) as f32 / (px * px) / 1e6;
    for _ in 0..dice.count(0.9 * amount * mm2) {
        let mut p = place(canvas, dice);
        let heading = dice.between(0.0, 6.3);
        let length = dice.log_normal(500.0, 0.4) * px;
        let seed = dice.seed();
        let (mut points, mut gone, mut off) = (vec![p], 0.0, 0.0f32);
        while gone < length {
            let step = dice.between(3.0, 8.0) * px.max(0.5);
            gone += step;
            // Steps aside now and then, more at the borders of grains.
            off = 0.8 * off + 0.22 * dice.normal();
            let direction = heading + off + 0.06 * noise(gone / (120.0 * px), 0.0, seed);
            p = [p[0] + step * direction.cos(), p[1] + step * direction.sin()];
            if dice.chance(0.04) {
                let aside = 2.5 * px * dice.normal();
                p = [p[0] - aside * heading.sin(), p[1] + aside * heading.cos()];
            }
            points.push(p);
        }
        let (depth, sd) = (dice.between(0.15, 0.6), dice.between(0.6, 1.3) * px.max(0.7));
        let filled = dice.chance(0.5);
        pen.line(&points, sd, |i, at| {
            let open = (0.6 + 0.9 * noise(i as f32 / 3.0, 1.0, seed)).max(0.0);
            let soft = matches!(rock.grains[canvas.label[at] as usize].mineral, Mineral::Pore | Mineral::Clay);
            if soft { 0.0 } else { depth * open }
        });
        pen.lift(|at, d| canvas.stain(at, d, if filled { BROWN } else { GREY }));
    }
}
