//! Slides of every kind for studies: each knob drawn at random from a seed.

use super::dice::Dice;
use super::light::{Eye, Lamp};
use super::scene::{Balance, CameraSpec, Exif, Fabric, Flaws, Rock, Scene, Wedge};
use crate::slide::record::{Impregnation, Turned};

impl Scene {
    /// A slide drawn at random: rock, thickness 18 to 52 µm, wedge when it has five fields, lamp, camera, dirt and defects.
    ///
    /// About one in three has planted bubbles, plucks or scratches; one in six is turned by the stage.
    #[must_use]
    pub fn varied(seed: u64) -> Self {
        let mut dice = Dice::new(seed, 0x5eed);
        let rock = match dice.between(0.0, 1.0) {
            r if r < 0.35 => Rock::Quartzite,
            r if r < 0.65 => Rock::Sandstone,
            r if r < 0.90 => Rock::Granite,
            r if r < 0.96 => Rock::Gabbro,
            _ => Rock::Marble,
        };
        let mut scene = Self::new(&format!("LM-{:05}", 10_000 + seed % 90_000), seed, rock);
        if dice.chance(0.35) {
            scene = scene.five_fields();
            scene.wedge.gx_um_per_mm = f64::from(0.15 * dice.normal());
            scene.wedge.gy_um_per_mm = f64::from(0.15 * dice.normal());
        }
        let centre = if dice.chance(0.5) { dice.between(25.0, 35.0) } else { dice.between(18.0, 52.0) };
        scene.wedge = Wedge { centre_um: f64::from(centre), ..scene.wedge };
        scene.grain_um = dice.log_normal(170.0, 0.3);
        scene.impregnation = match (rock, dice.index(3)) {
            (Rock::Sandstone, 0) => Impregnation::Clear,
            (Rock::Sandstone, _) => Impregnation::Blue,
            _ => Impregnation::None,
        };
        if dice.chance(0.1) {
            let pole = dice.direction();
            scene.fabric = if dice.chance(0.5) { Fabric::Cluster(pole, 1.0) } else { Fabric::Girdle(pole, 2.0) };
        }
        scene.lamp = match dice.index(5) {
            0 | 1 => Lamp::Tungsten { kelvin: f64::from(dice.between(2400.0, 3200.0)) },
            2 => Lamp::Daylight { kelvin: f64::from(dice.between(5000.0, 7500.0)) },
            3 => Lamp::cool_led(),
            _ => Lamp::warm_led(),
        };
        scene.camera = camera(&mut dice);
        scene.angles_deg = match dice.index(8) {
            0 => vec![45.0],
            1 => vec![0.0, 45.0],
            2 => vec![0.0, 15.0, 30.0, 45.0, 60.0, 75.0],
            _ => vec![0.0, 22.5, 45.0, 67.5],
        };
        if dice.chance(0.17) {
            scene.turned = Turned::Stage;
            scene.stage_sense = if dice.chance(0.5) { 1.0 } else { -1.0 };
            scene.pivot_px = [0; 2].map(|_| f64::from(40.0 * dice.normal().clamp(-2.0, 2.0)));
        }
        scene.shift_px = f64::from(dice.between(0.0, 3.0));
        scene.leakage = f64::from(dice.log_normal(0.0008, 0.8));
        scene.clutter = dice.between(0.4, 2.6);
        scene.rounds = if dice.chance(0.15) { 1 + dice.index(5) } else { 0 };
        scene.scale_bar = dice.chance(0.15);
        scene.flaws = Flaws {
            bubbles: if dice.chance(0.33) { 1 + dice.index(12) } else { 0 },
            plucks: if dice.chance(0.33) { 1 + dice.index(8) } else { 0 },
            scratches: if dice.chance(0.33) { 1 + dice.index(9) } else { 0 },
            scratch_sets: dice.chance(0.4),
            ..Flaws::default()
        };
        scene
    }
}

fn camera(dice: &mut Dice) -> CameraSpec {
    CameraSpec {
        eye: [Eye::ColorimeterGains, Eye::ColorimeterBradford, Eye::OwnFilters][dice.index(3)],
        contrast: if dice.chance(0.5) { f64::from(dice.between(0.05, 0.3)) } else { 0.0 },
        balance: if dice.chance(0.8) {
            Balance::Fixed(0.02)
        } else {
            Balance::Automatic(f64::from(dice.between(0.4, 1.0)))
        },
        exif: [Exif::Labels, Exif::Labels, Exif::Exact, Exif::None][dice.index(4)],
        electrons: f64::from(dice.log_normal(15_000.0, 0.6)),
        read_noise: f64::from(dice.log_normal(0.0006, 0.4)),
        blur_px: f64::from(dice.between(0.5, 1.3)),
        vignette: f64::from(dice.between(0.0, 0.3)),
        jpeg_quality: if dice.chance(0.85) { Some(70 + dice.index(28) as u8) } else { None },
    }
}
