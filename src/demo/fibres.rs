//! Textile fibres over the section: transparent threads with dark edges, out of focus, doubly refracting.

use super::canvas::Canvas;
use super::dice::{Dice, noise};
use super::scene::Scene;
use super::truth::TrueFibre;

/// Birefringence of wool, viscose, cotton, nylon and polyester; the slow ray runs along the fibre. From memory, rounded.
const BIREFRINGENCE: [f32; 5] = [0.010, 0.028, 0.046, 0.058, 0.17];
/// Distance between the points of a course, µm.
const STEP_UM: f32 = 4.0;

/// How one fibre looks.
struct Look {
    /// From edge to edge, pixels.
    width: f32,
    /// Blur of its edges, standard deviation in pixels.
    blur: f32,
    /// Depth of its edges (refraction) and of its body (dye, pigment), log units.
    edge: f32,
    body: f32,
    /// Depth of the bright line outside its edges.
    halo: f32,
    tint: [f32; 3],
    birefringence: f32,
    um: f32,
    seed: u32,
}

/// Lays the scene's fibres over one field.
pub(crate) fn lay_fibres(canvas: &mut Canvas, scene: &Scene, field: &str, dice: &mut Dice) -> Vec<TrueFibre> {
    let flaws = &scene.flaws;
    let um = scene.um_per_px as f32;
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let mut out = Vec::new();
    for _ in 0..flaws.fibres {
        let [short, long] = flaws.fibre_length_um;
        let length_um = short * (long / short).powf(dice.between(0.0, 1.0));
        let width_um = dice.between(flaws.fibre_um[0], flaws.fibre_um[1]);
        let course = course(frame, length_um / um, STEP_UM / um, um, dice);
        let dyed = dice.chance(0.35);
        let look = Look {
            width: width_um / um,
            blur: (dice.between(0.6, 6.0) / um).max(0.5),
            edge: dice.between(0.12, 1.0),
            body: if dyed { dice.between(0.05, 0.5) } else { dice.between(-0.02, 0.12) },
            halo: dice.between(0.0, 0.12),
            tint: if dyed { std::array::from_fn(|_| dice.between(0.4, 1.6)) } else { [1.0; 3] },
            birefringence: BIREFRINGENCE[dice.index(BIREFRINGENCE.len())],
            um,
            seed: dice.seed(),
        };
        let depth = draw(canvas, &course, &look);
        out.extend(TrueFibre::of(field, &course, frame, scene.um_per_px, width_um, depth));
    }
    out
}

/// A course that bends smoothly, now one way and now the other: radii from some tenths of a millimetre up.
fn course(frame: [usize; 4], length: f32, step: f32, um: f32, dice: &mut Dice) -> Vec<[f32; 2]> {
    let [x0, y0, x1, y1] = frame.map(|v| v as f32);
    let mut at = [dice.between(x0, x1), dice.between(y0, y1)];
    let mut heading = dice.between(0.0, std::f32::consts::TAU);
    // Bend in radians per µm, drawn anew over some 150 µm.
    let usual = dice.log_normal(1.0 / 450.0, 0.6).min(1.0 / 60.0);
    let mut bend = usual * dice.normal();
    let keep = (-step * um / 150.0).exp();
    let mut points = vec![at];
    for _ in 0..(length / step).ceil() as usize {
        bend = keep * bend + (1.0 - keep * keep).sqrt() * usual * dice.normal();
        heading += bend * step * um;
        at = [at[0] + step * heading.cos(), at[1] + step * heading.sin()];
        points.push(at);
    }
    points
}

/// Draws one and returns its greatest depth in plane light.
fn draw(canvas: &mut Canvas, course: &[[f32; 2]], look: &Look) -> f32 {
    let half = 0.5 * look.width;
    let reach = half + 3.0 * look.blur + 2.0;
    // Nearest point of the course for every pixel near it: distance, place along, heading.
    let mut near: std::collections::BTreeMap<usize, (f32, f32, f32)> = std::collections::BTreeMap::new();
    for (i, pair) in course.windows(2).enumerate() {
        let (dx, dy) = (pair[1][0] - pair[0][0], pair[1][1] - pair[0][1]);
        let length2 = (dx * dx + dy * dy).max(1e-6);
        let range = |a: f32, b: f32, n: usize| {
            ((a.min(b) - reach).max(0.0) as usize).min(n)..((a.max(b) + reach + 1.0).max(0.0) as usize).min(n)
        };
        for y in range(pair[0][1], pair[1][1], canvas.h) {
            for x in range(pair[0][0], pair[1][0], canvas.w) {
                let (px, py) = (x as f32 - pair[0][0], y as f32 - pair[0][1]);
                let t = ((px * dx + py * dy) / length2).clamp(0.0, 1.0);
                let d = (px - t * dx).hypot(py - t * dy);
                if d <= reach {
                    let here = (d, i as f32 + t, dy.atan2(dx));
                    let best = near.entry(y * canvas.w + x).or_insert(here);
                    if d < best.0 {
                        *best = here;
                    }
                }
            }
        }
    }
    if canvas.over.is_empty() && !near.is_empty() {
        canvas.over = vec![[0.0; 2]; canvas.w * canvas.h];
    }
    let mut greatest = 0.0_f32;
    let end = (course.len() - 1) as f32;
    for (at, (d, along, heading)) in near {
        // A flat ribbon that twists now and then: its width wanders by a tenth.
        let half = half * (1.0 + 0.1 * noise(along / 12.0, 3.0, look.seed));
        let soft = look.blur;
        let inside = 1.0 / (1.0 + ((d - half) / (0.55 * soft)).exp());
        let band = (0.14 * half).hypot(soft);
        // Blurred, an edge is as much paler as it is wider.
        let kept = (0.14 * half).max(0.7) / band.max(0.7);
        let line = |from: f32| (-0.5 * ((d - from) / band).powi(2)).exp();
        let fade = (along.min(end - along) + 0.5).min(1.0);
        let depth = fade * (look.body * inside + kept * look.edge * line(0.88 * half));
        let halo = fade * look.halo * kept * line(half + 1.5 * band);
        greatest = greatest.max(depth);
        canvas.stain(at, depth, look.tint);
        canvas.stain(at, -halo, [1.0; 3]);
        if d < half {
            // Round in section: its thickness falls off to the edges.
            let thick_um = look.um * 2.0 * half * (1.0 - (d / half).powi(2)).sqrt();
            // Image coordinates run down, azimuths up.
            canvas.over[at] = [(1000.0 * look.birefringence * thick_um).min(2500.0), -heading];
        }
    }
    greatest
}
