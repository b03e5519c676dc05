//! Areas that have come off the glass: a film of air under the rock, with Newton's colours.
//!
//! Colours of rock and film are multiplied channel by channel; within a channel their spectra are taken as even.

use std::f32::consts::TAU;

use super::canvas::Canvas;
use super::dice::{Dice, noise};
use super::light::{Camera, wavelength_of};
use super::scene::Scene;
use super::truth::TrueLifted;

/// Corners of an outline.
const CORNERS: usize = 180;
/// Step of the table of film colours, µm.
const STEP_UM: f32 = 0.01;

/// How the film's thickness runs over its patch.
#[derive(Clone, Copy)]
enum Form {
    /// From nothing at the edge to its greatest in the middle.
    Dome,
    /// From nothing at one side, seen under this angle, to its greatest at the other, where it ends in a step.
    Wedge(f32),
    /// A step of this share of the greatest all round, and a dome on it.
    Step(f32),
}

/// One lifted patch.
struct Patch {
    /// Middle, canvas pixels.
    centre: [f32; 2],
    /// Distance of the outline from the middle at even angles, pixels.
    reach: Vec<f32>,
    form: Form,
    /// Greatest thickness of the film, µm.
    film_um: f32,
    /// Depth of a dark line along the edge, log units, and its width, pixels.
    edge: [f32; 2],
    /// Pixels over which the film's thickness wanders, and the seed of that.
    wander: f32,
    seed: u32,
}

/// Lifts the scene's areas of one field off the glass.
pub(crate) fn lift(canvas: &mut Canvas, scene: &Scene, field: &str, dice: &mut Dice) -> Vec<TrueLifted> {
    if scene.flaws.lifted == 0 {
        return Vec::new();
    }
    let colours = film_colours(scene);
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let patches: Vec<Patch> = (0..scene.flaws.lifted).map(|_| Patch::new(scene, frame, dice)).collect();
    patches.iter().filter_map(|p| p.lay(canvas, scene, field, frame, &colours)).collect()
}

/// Logarithm of the light of each channel that a film passes, by its thickness in steps of [`STEP_UM`].
fn film_colours(scene: &Scene) -> Vec<[f32; 3]> {
    // Resin of 1.54 (common practice, no source); Fresnel's reflection and Airy's sum of all beams.
    let r = (0.54_f64 / 2.54).powi(2);
    let camera = Camera::new(&scene.lamp.spectrum(), scene.camera.eye);
    let last = (scene.flaws.film_um[1] * 1.5 / STEP_UM).ceil() as usize + 2;
    (0..last)
        .map(|i| {
            let film_nm = 1000.0 * f64::from(STEP_UM) * i as f64;
            let passed = camera.colour(|k| {
                let half_phase = std::f64::consts::TAU * film_nm / wavelength_of(k);
                (1.0 - r).powi(2) / ((1.0 - r).powi(2) + 4.0 * r * half_phase.sin().powi(2))
            });
            passed.map(|v| v.ln() as f32)
        })
        .collect()
}

impl Patch {
    fn new(scene: &Scene, frame: [usize; 4], dice: &mut Dice) -> Self {
        let um = scene.um_per_px as f32;
        let across = |[least, most]: [f32; 2], dice: &mut Dice| least * (most / least).powf(dice.between(0.0, 1.0));
        let radius = 0.5 * across(scene.flaws.lifted_um, dice) / um;
        let [x0, y0, x1, y1] = frame.map(|v| v as f32);
        let centre = [dice.between(x0, x1), dice.between(y0, y1)];
        // A few low harmonics: smooth, longer than wide.
        let waves: Vec<(f32, f32, f32)> = [(2.0, 0.22), (3.0, 0.12), (4.0, 0.08), (5.0, 0.05)]
            .iter()
            .map(|(n, size)| (*n, size * dice.normal().clamp(-1.8, 1.8), dice.between(0.0, TAU)))
            .collect();
        let reach = (0..CORNERS)
            .map(|k| {
                let a = k as f32 / CORNERS as f32 * TAU;
                radius * (1.0 + waves.iter().map(|(n, size, at)| size * (n * a + at).cos()).sum::<f32>()).max(0.3)
            })
            .collect();
        let form = match dice.index(4) {
            0 | 1 => Form::Dome,
            2 => Form::Wedge(dice.between(0.0, TAU)),
            _ => Form::Step(dice.between(0.2, 0.9)),
        };
        let edge = if dice.chance(0.6) { dice.between(0.02, 0.2) } else { 0.0 };
        Self {
            centre,
            reach,
            form,
            film_um: across(scene.flaws.film_um, dice),
            edge: [edge, dice.between(1.5, 5.0) / um],
            wander: dice.between(200.0, 500.0) / um,
            seed: dice.seed(),
        }
    }

    /// Outline towards an angle, pixels from the middle.
    fn reach_at(&self, angle: f32) -> f32 {
        let at = (angle / TAU).rem_euclid(1.0) * CORNERS as f32;
        let (i, t) = (at as usize % CORNERS, at.fract());
        self.reach[i] + t * (self.reach[(i + 1) % CORNERS] - self.reach[i])
    }

    /// Thickness of the film at a place, µm, and how far that lies inside the outline, pixels; None outside.
    fn film_at(&self, x: f32, y: f32) -> Option<(f32, f32)> {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let away = dx.hypot(dy);
        let reach = self.reach_at(dy.atan2(dx));
        if away >= reach {
            return None;
        }
        let u = away / reach;
        let dome = 1.0 - u * u;
        let share = match self.form {
            Form::Dome => dome,
            Form::Wedge(towards) => {
                let (s, c) = towards.sin_cos();
                let (near, far) = (self.reach_at(towards + TAU / 2.0), self.reach_at(towards));
                ((dx * c + dy * s + near) / (near + far)).clamp(0.0, 1.0)
            }
            Form::Step(step) => step + (1.0 - step) * dome,
        };
        let uneven = 1.0 + 0.2 * noise(x / self.wander, y / self.wander, self.seed);
        Some((self.film_um * share * uneven, reach - away))
    }

    /// Lays the film and returns its truth; None when none of it lies in the frame.
    fn lay(
        &self,
        canvas: &mut Canvas,
        scene: &Scene,
        field: &str,
        frame: [usize; 4],
        colours: &[[f32; 3]],
    ) -> Option<TrueLifted> {
        let most = self.reach.iter().copied().fold(0.0, f32::max) + 1.0;
        let range =
            |c: f32, n: usize| ((c - most).max(0.0) as usize).min(n)..((c + most + 1.0).max(0.0) as usize).min(n);
        let (mut pixels, mut film) = (0_usize, [f64::INFINITY, 0.0]);
        for y in range(self.centre[1], canvas.h) {
            for x in range(self.centre[0], canvas.w) {
                let Some((um, inside)) = self.film_at(x as f32, y as f32) else { continue };
                let at = y * canvas.w + x;
                let place = (um / STEP_UM).min((colours.len() - 2) as f32);
                let (i, t) = (place as usize, place.fract());
                for (c, a) in canvas.absorbance[at].iter_mut().enumerate() {
                    *a -= colours[i][c] + t * (colours[i + 1][c] - colours[i][c]);
                }
                let [depth, width] = self.edge;
                canvas.stain(at, depth * (-(inside / width).powi(2)).exp(), [1.0; 3]);
                if (frame[0]..frame[2]).contains(&x) && (frame[1]..frame[3]).contains(&y) {
                    pixels += 1;
                    film = [film[0].min(f64::from(um)), film[1].max(f64::from(um))];
                }
            }
        }
        let origin = [frame[0], frame[1]].map(|v| v as f64);
        let outline_px = (0..CORNERS)
            .map(|k| {
                let (s, c) = (k as f32 / CORNERS as f32 * TAU).sin_cos();
                let [dx, dy] = [c, s].map(|v| f64::from(self.reach[k] * v));
                [f64::from(self.centre[0]) + dx - origin[0], f64::from(self.centre[1]) + dy - origin[1]]
            })
            .collect();
        (pixels > 0).then(|| TrueLifted {
            field: field.to_owned(),
            outline_px,
            area_px: pixels as f64,
            area_um2: pixels as f64 * scene.um_per_px * scene.um_per_px,
            film_um: film,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Flaws, Rock};

    /// Only the patch is darker, by 16 % and its edge at most; what lies ten pixels and more beside it is to the last bit what it was.
    #[test]
    fn a_film_darkens_its_patch_and_nothing_else() {
        let mut sound = Scene::new("lifted", 77, Rock::Quartzite);
        sound.size_px = [400, 300];
        let mut lifted = sound.clone();
        lifted.flaws = Flaws { lifted: 1, ..Flaws::default() };
        let (sound, lifted) = (sound.render_field(0), lifted.render_field(0));
        assert!(sound.truth.lifted.is_empty());
        let truth = &lifted.truth.lifted[0];
        let within = |x: usize, y: usize| truth.holds([x as f64, y as f64]);
        let light = |code: u8| crate::optics::srgb::decode(f64::from(code) / 255.0);
        let (mut seen, mut beside) = ([0.0, 0.0, 0.0], 0);
        for (i, (a, b)) in sound.plane.rgb.chunks(3).zip(lifted.plane.rgb.chunks(3)).enumerate() {
            let (x, y) = (i % 400, i / 400);
            if within(x, y) {
                seen = [seen[0] + light(a[1]), seen[1] + light(b[1]), seen[2] + 1.0];
            } else if truth.outline_px.iter().all(|p| (p[0] - x as f64).hypot(p[1] - y as f64) > 10.0) {
                assert_eq!(a, b, "at {x}, {y}");
                beside += 1;
            }
        }
        assert!(beside > 500, "{beside} pixels beside the patch");
        let share = seen[1] / seen[0];
        assert!(seen[2] > 500.0 && (0.8..0.99).contains(&share), "{seen:?}");
    }
}
