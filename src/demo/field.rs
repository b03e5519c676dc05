//! One field of a scene, rendered in memory.

use super::camera::{Bench, Pose, blur, crossed_light, develop, exposure, frame, frame_moving, plane_light};
use super::canvas::Canvas;
use super::clutter::{round_things, soil_glass, soil_rock};
use super::dice::Dice;
use super::exif::ExifBlock;
use super::fibres::lay_fibres;
use super::flaws::{blow, pores, scratch};
use super::lifted::lift;
use super::light::ColourTable;
use super::mineral::Mineral;
use super::plucked::pluck;
use super::rock::{Grains, grow, lay_rock};
use super::scale_bar::burn;
use super::scene::{Balance, Exif, Scene};
use super::truth::FieldTruth;
use crate::slide::record::Turned;

/// Purpose of the dice for planted fibres, the first field's.
const FIBRES: u64 = 1 << 40;
/// Purpose of the dice for lifted areas, the first field's.
const LIFTED: u64 = 1 << 41;

/// A rendered photograph: encoded RGB.
#[derive(Clone, Debug)]
pub struct RenderedPhotograph {
    /// File name.
    pub file: String,
    /// Stated angle, degrees; None for plane light.
    pub angle_deg: Option<f64>,
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// Encoded samples, R, G, B interleaved, row by row; before any JPEG.
    pub rgb: Vec<u8>,
    /// Exif block to be written with it.
    pub(crate) exif: Option<ExifBlock>,
}

/// A rendered field: its photographs and what is true of it.
#[derive(Clone, Debug)]
pub struct RenderedField {
    /// Plane light.
    pub plane: RenderedPhotograph,
    /// Crossed polars, in the order of the scene's angles.
    pub crossed: Vec<RenderedPhotograph>,
    /// Truth.
    pub truth: FieldTruth,
}

impl Scene {
    /// Renders field `index` in memory. Equal scenes give equal samples.
    ///
    /// # Panics
    /// When the scene has no such field.
    #[must_use]
    pub fn render_field(&self, index: usize) -> RenderedField {
        let view = &self.views[index];
        let [w, h] = self.size_px;
        let mut dice = Dice::new(self.seed, index as u64 + 1);
        let margin = self.margins();
        let mut canvas = Canvas::new(w + 2 * margin[0], h + 2 * margin[1], margin);
        let um = self.um_per_px as f32;

        let rock = lay_rock(&mut canvas, self, &mut dice);
        let thickness = |x: f32, y: f32| {
            let [x, y] = [f64::from(x) - margin[0] as f64, f64::from(y) - margin[1] as f64];
            self.thickness_um(self.place_mm(view, x, y)) as f32
        };
        grow(&mut canvas, &rock, self, thickness, dice.seed());
        soil_rock(&mut canvas, &rock, um, self.clutter, &mut dice);
        round_things(&mut canvas, um, self.rounds, &mut dice);
        let (quartz_grains, quartz_fraction) = count_quartz(&canvas, &rock, self);
        let plucks = pluck(&mut canvas, &rock, self, &view.name, &mut dice);
        let scratches = scratch(&mut canvas, &rock, self, &view.name, &mut dice);
        let bubbles = blow(&mut canvas, self, &view.name, &mut dice);
        let mut fibres = soil_glass(&mut canvas, self, &view.name, &mut dice);
        // Dice of their own: slides without them stay what they were.
        let mut own_dice = Dice::new(self.seed, FIBRES + index as u64);
        fibres.extend(lay_fibres(&mut canvas, self, &view.name, &mut own_dice));
        let lifted = lift(&mut canvas, self, &view.name, &mut Dice::new(self.seed, LIFTED + index as u64));

        let pores = pores(&canvas, &rock, self, &view.name);
        let mut truth = FieldTruth {
            name: view.name.clone(),
            centre_mm: view.centre_mm,
            thickness_um: self.thickness_um(view.centre_mm),
            quartz_grains,
            quartz_fraction,
            relative_exposure: Vec::new(),
            shifts_px: Vec::new(),
            bubbles,
            plucks,
            scratches,
            fibres,
            lifted,
            pores,
        };
        let (plane, crossed) = self.photograph(&canvas, index, &mut truth, &mut dice);
        RenderedField { plane, crossed, truth }
    }

    /// Margins of the canvas, so that shifted and turned pictures stay on it.
    fn margins(&self) -> [usize; 2] {
        let around = self.shift_px.ceil() as usize + 4;
        match self.turned {
            Turned::Polars => [around; 2],
            Turned::Stage => {
                let [w, h] = self.size_px.map(|n| n as f64);
                let reach = 0.5 * w.hypot(h) + 2.0 * self.pivot_px[0].hypot(self.pivot_px[1]);
                [w, h].map(|n| (reach - 0.5 * n).ceil() as usize + around)
            }
        }
    }

    fn photograph(
        &self,
        canvas: &Canvas,
        index: usize,
        truth: &mut FieldTruth,
        dice: &mut Dice,
    ) -> (RenderedPhotograph, Vec<RenderedPhotograph>) {
        // Bare glass at 0.8 of full scale, a bright picture that does not clip.
        const GLASS: f32 = 0.8;
        let table = ColourTable::new(self.lamp, self.camera.eye);
        let view = &self.views[index];
        let camera = &self.camera;
        let error = match camera.balance {
            Balance::Fixed(sd) => sd as f32,
            Balance::Automatic(_) => 0.0,
        };
        // One setting of the white balance for the whole slide.
        let mut slide_dice = Dice::new(self.seed, 0);
        let gains: [f32; 3] = std::array::from_fn(|_| slide_dice.log_normal(1.0, error));

        let glass = plane_light(canvas);
        let still = Pose { turn: 0.0, pivot: [0.0; 2], shift: [0.0; 2] };
        let mut light = frame(canvas, &glass, self.size_px, still);
        blur(&mut light, camera.blur_px as f32);
        self.eyepiece_hair.iter().for_each(|ends| hair(&mut light, *ends));
        let mut plane_rgb = develop(&light, camera, GLASS, gains, dice.seed());

        let mut lights = Vec::new();
        for (n, &angle) in self.angles_deg.iter().enumerate() {
            let radians = angle.to_radians() as f32;
            let shift = if n == 0 && self.shift_px == 0.0 {
                [0.0; 2]
            } else {
                [0; 2].map(|_| dice.between(-1.0, 1.0) * self.shift_px as f32)
            };
            let (polars, pose) = match self.turned {
                Turned::Polars => (radians, Pose { turn: 0.0, pivot: [0.0; 2], shift }),
                Turned::Stage => {
                    let turn = radians * self.stage_sense as f32;
                    (-turn, Pose { turn, pivot: self.pivot_px.map(|p| p as f32), shift })
                }
            };
            let bench = Bench {
                polars,
                off: self.polars_off_deg.to_radians() as f32,
                plate_nm: self.plate_nm.map(|nm| nm as f32),
                leakage: self.leakage as f32,
            };
            let crossed = crossed_light(canvas, &glass, &table, &bench);
            let moved = self.moved.iter().find(|(moved, _)| *moved == n).map(|(_, by)| by.map(|px| px as f32));
            let mut light = frame_moving(canvas, &crossed, self.size_px, pose, moved);
            blur(&mut light, camera.blur_px as f32);
            self.eyepiece_hair.iter().for_each(|ends| hair(&mut light, *ends));
            lights.push(light);
            truth.shifts_px.push(shift.map(f64::from));
        }
        // Bright but not clipped: 99.8 % of the pixels stay below 0.9 of full scale at every angle.
        let mut peaks: Vec<f32> =
            lights.iter().flat_map(|l| l.rgb.iter().step_by(7).map(|p| p[0].max(p[1]).max(p[2]))).collect();
        let place = (0.998 * (peaks.len() - 1) as f64) as usize;
        let (_, &mut peak, _) = peaks.select_nth_unstable_by(place, f32::total_cmp);
        let wanted = 0.9 / f64::from(GLASS * peak.max(1e-4)) * self.overexposure;
        let (ratio, times) = exposure(wanted.min(2000.0), camera.exif);

        let stamp = |time_s: (u32, u32), automatic_white: bool, minute: usize| {
            (camera.exif != Exif::None).then(|| ExifBlock {
                time_s,
                f_number_tenths: 80,
                iso: 100,
                automatic_white,
                taken_at: format!("2026:03:02 {:02}:{:02}:00", 9 + index % 8, minute % 60),
            })
        };
        let mut crossed: Vec<RenderedPhotograph> = Vec::new();
        for (n, (light, &angle)) in lights.iter().zip(&self.angles_deg).enumerate() {
            let own = match camera.balance {
                Balance::Fixed(_) => gains,
                Balance::Automatic(share) => grey_gains(light, share as f32),
            };
            let mut rgb = develop(light, camera, GLASS * ratio as f32, own, dice.seed());
            if self.scale_bar {
                burn(&mut rgb, self.size_px, self.um_per_px, [255; 3]);
            }
            truth.relative_exposure.push(ratio);
            crossed.push(RenderedPhotograph {
                file: format!("{}_xpl_{angle:05.1}.{}", view.name, self.extension()),
                angle_deg: Some(angle),
                width: self.size_px[0],
                height: self.size_px[1],
                rgb,
                exif: stamp(times[1], matches!(camera.balance, Balance::Automatic(_)), n + 1),
            });
        }
        if self.scale_bar {
            burn(&mut plane_rgb, self.size_px, self.um_per_px, [0; 3]);
        }
        let plane = RenderedPhotograph {
            file: format!("{}_ppl.{}", view.name, self.extension()),
            angle_deg: None,
            width: self.size_px[0],
            height: self.size_px[1],
            rgb: plane_rgb,
            exif: stamp(times[0], matches!(camera.balance, Balance::Automatic(_)), 0),
        };
        (plane, crossed)
    }

    /// Extension of the photographs' files.
    pub(crate) fn extension(&self) -> &'static str {
        if self.camera.jpeg_quality.is_some() { "jpg" } else { "png" }
    }
}

/// Darkens a thin straight line: what lies in the focal plane of the eyepiece.
fn hair(light: &mut super::camera::Light, [a, b]: [[f64; 2]; 2]) {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    for (i, p) in light.rgb.iter_mut().enumerate() {
        let (x, y) = ((i % light.w) as f64 - a[0], (i / light.w) as f64 - a[1]);
        let (along, off) = ((x * dx + y * dy) / length, (x * dy - y * dx) / length);
        if (0.0..=length).contains(&along) {
            let through = (1.0 - 0.5 * (-0.5 * (off / 1.2).powi(2)).exp()) as f32;
            p.iter_mut().for_each(|v| *v *= through);
        }
    }
}

/// Gains that take the mean a share of the way to grey, green held.
fn grey_gains(light: &super::camera::Light, share: f32) -> [f32; 3] {
    let mut mean = [1e-6f64; 3];
    for p in light.rgb.iter().step_by(5) {
        for c in 0..3 {
            mean[c] += f64::from(p[c].max(0.0));
        }
    }
    mean.map(|m| ((mean[1] / m) as f32).powf(share))
}

/// Quartz grains of more than 400 µm² in the frame, and the share of the frame that is quartz.
fn count_quartz(canvas: &Canvas, rock: &Grains, scene: &Scene) -> (usize, f64) {
    let frame = canvas.frame(scene.size_px[0], scene.size_px[1]);
    let mut area = vec![0usize; rock.grains.len()];
    for y in frame[1]..frame[3] {
        for x in frame[0]..frame[2] {
            area[canvas.label[y * canvas.w + x] as usize] += 1;
        }
    }
    let quartz = |i: usize| rock.grains[i].mineral == Mineral::Quartz;
    let least = 400.0 / (scene.um_per_px * scene.um_per_px);
    let count = (0..area.len()).filter(|&i| quartz(i) && area[i] as f64 > least).count();
    let total: usize = (0..area.len()).filter(|&i| quartz(i)).map(|i| area[i]).sum();
    (count, total as f64 / (scene.size_px[0] * scene.size_px[1]) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{CameraSpec, Flaws, Rock};

    fn small() -> Scene {
        Scene {
            size_px: [160, 120],
            grain_um: 60.0,
            flaws: Flaws { bubbles: 2, bubble_um: [20.0, 40.0], scratches: 1, ..Flaws::default() },
            ..Scene::new("LM-T", 5, Rock::Quartzite)
        }
    }

    #[test]
    fn equal_scenes_give_equal_samples_and_other_seeds_others() {
        let (a, b) = (small().render_field(0), small().render_field(0));
        assert_eq!(a.plane.rgb, b.plane.rgb);
        assert_eq!(a.crossed[2].rgb, b.crossed[2].rgb);
        assert_eq!(a.truth, b.truth);
        assert_ne!(a.plane.rgb, Scene { seed: 6, ..small() }.render_field(0).plane.rgb);
    }

    /// A perfect camera on a clean flat canvas: the ratio of the photographs is the interference colour.
    #[test]
    fn crossed_over_plane_is_the_interference_colour() {
        let table = ColourTable::new(crate::demo::Lamp::cool_led(), crate::demo::Eye::OwnFilters);
        let mut canvas = Canvas::new(4, 4, [0, 0]);
        canvas.retardation.fill(250.0);
        canvas.azimuth.fill(0.3);
        canvas.is_quartz.fill(true);
        canvas.absorbance.fill([0.1, 0.2, 0.3]);
        let plane = plane_light(&canvas);
        let bench = Bench { polars: 0.1, off: 0.0, plate_nm: None, leakage: 0.001 };
        let crossed = crossed_light(&canvas, &plane, &table, &bench);
        let phase = (2.0f32 * 0.2).sin().powi(2);
        for c in 0..3 {
            let ratio = crossed[5][c] / plane[5][c];
            assert!((ratio - (phase * table.quartz(250.0)[c] + 0.001)).abs() < 1e-6);
        }
    }

    /// Two retarders whose slow rays lie along each other add up, across each other they cancel, and over no crystal a thread shows
    /// its own colour.
    #[test]
    fn a_thread_over_a_crystal_adds_along_its_slow_ray_and_cancels_across_it() {
        let table = ColourTable::new(crate::demo::Lamp::cool_led(), crate::demo::Eye::OwnFilters);
        let seen = |rock_nm: f32, over_nm: f32, turned: f32| {
            let mut canvas = Canvas::new(2, 2, [0, 0]);
            canvas.retardation.fill(rock_nm);
            canvas.azimuth.fill(0.3);
            canvas.over = vec![[over_nm, 0.3 + turned]; 4];
            let bench = Bench { polars: 0.1, off: 0.0, plate_nm: None, leakage: 0.0 };
            crossed_light(&canvas, &plane_light(&canvas), &table, &bench)[0]
        };
        let phase = (2.0f32 * 0.2).sin().powi(2);
        let alone = |nm: f32| table.plain(nm).map(|c| phase * c);
        let alike = |a: [f32; 3], b: [f32; 3]| (0..3).all(|c| (a[c] - b[c]).abs() < 2e-3);
        assert!(alike(seen(250.0, 300.0, 0.0), alone(550.0)), "{:?}", seen(250.0, 300.0, 0.0));
        let across = std::f32::consts::FRAC_PI_2;
        assert!(alike(seen(250.0, 300.0, across), alone(50.0)), "{:?}", seen(250.0, 300.0, across));
        assert!(alike(seen(0.0, 300.0, 0.0), alone(300.0)));
    }

    #[test]
    fn a_turned_stage_shows_the_same_rock_turned_by_its_sense() {
        // Without noise the plane picture and a turned one (parallel polars are not modelled, so turn plane light) agree.
        let scene = Scene { turned: Turned::Stage, pivot_px: [4.0, -3.0], ..small() };
        let margin = scene.margins();
        let mut canvas = Canvas::new(160 + 2 * margin[0], 120 + 2 * margin[1], margin);
        // One dark dot 30 px right of the pivot.
        let (px, py) = (margin[0] as f32 + 79.5 + 4.0 + 30.0, margin[1] as f32 + 59.5 - 3.0);
        for dy in 0..2 {
            for dx in 0..2 {
                let at = (py as usize + dy) * canvas.w + px as usize + dx;
                canvas.absorbance[at] = [9.0; 3];
            }
        }
        let light = plane_light(&canvas);
        let quarter = Pose { turn: std::f32::consts::FRAC_PI_2, pivot: [4.0, -3.0], shift: [0.0; 2] };
        let seen = frame(&canvas, &light, scene.size_px, quarter);
        // Anticlockwise as seen: from right of the pivot to above it.
        let at = (59.5f32 - 3.0 - 30.0) as usize * 160 + (79.5f32 + 4.0) as usize;
        assert!(seen.rgb[at][0] < 0.1, "the dot is not above the pivot");
    }

    #[test]
    fn exposure_labels_differ_from_the_truth_only_by_rounding() {
        let scene = Scene { camera: CameraSpec { exif: Exif::Labels, ..CameraSpec::default() }, ..small() };
        let field = scene.render_field(0);
        let time = |p: &RenderedPhotograph| {
            let (top, bottom) = p.exif.as_ref().expect("EXIF was asked for").time_s;
            f64::from(top) / f64::from(bottom)
        };
        let stated = time(&field.crossed[0]) / time(&field.plane);
        assert!((stated / field.truth.relative_exposure[0] - 1.0).abs() < 0.07);
    }
}
