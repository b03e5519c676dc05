//! The Larkmoor collection: a drawer of invented slides, one for each thing that a preparator must be told, then a row of
//! sections that show what the grinder does.

use super::dice::Dice;
use super::drawer::GrinderFault;
use super::light::{Eye, Lamp};
use super::scene::{Balance, CameraSpec, Exif, Flaws, Rock, Scene, Wedge};
use crate::slide::record::{Corner, Finish, Impregnation, Turned};

/// A slide of the collection with what it is there for.
#[derive(Clone, Debug)]
pub struct LarkmoorSlide {
    /// A few words for the table.
    pub about: &'static str,
    /// The slide.
    pub scene: Scene,
}

/// What is wrong with Larkmoor's grinder: the zero drifts, and the chuck is out of parallel.
pub const LARKMOOR_FAULT: GrinderFault =
    GrinderFault { drift_um: 0.15, tilt_um_per_mm: [0.075, 0.045], scratched_from: None };

/// The collection, in the order of its numbers, which is the order in which they were made. The same slides every time.
#[must_use]
pub fn larkmoor() -> Vec<LarkmoorSlide> {
    let mut slides = told_apart();
    let mut dice = Dice::new(1, 142);
    for (n, slide) in (1..).zip(&mut slides) {
        slide.scene.sequence = Some(n);
        slide.scene.micrometer_um = Some(LARKMOOR_FAULT.reading_um(&mut dice, n, slide.scene.wedge.centre_um));
    }
    let made = slides.len() as u32;
    slides.extend((1..=11).map(|n| LarkmoorSlide {
        about: "quartzite, made in a row",
        scene: LARKMOOR_FAULT.section(&format!("LM-{:04}", 180 + n), 180 + u64::from(n), made + n),
    }));
    slides
}

/// One slide for each thing that a preparator must be told.
fn told_apart() -> Vec<LarkmoorSlide> {
    let even = |centre_um: f64| Wedge { centre_um, gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 };
    let quartzite = |id: &str, seed: u64, um: f64| Scene {
        grain_um: 150.0,
        wedge: even(um),
        ..Scene::new(id, seed, Rock::Quartzite)
    };
    let slide = |about, scene| LarkmoorSlide { about, scene };
    vec![
        slide("sound quartzite", quartzite("LM-0142", 142, 30.1)),
        slide(
            "granite, too thick",
            Scene {
                grain_um: 190.0,
                wedge: even(41.0),
                lamp: Lamp::cool_led(),
                ..Scene::new("LM-0143", 143, Rock::Granite)
            },
        ),
        slide(
            "sandstone, a wedge",
            Scene {
                grain_um: 170.0,
                wedge: Wedge { centre_um: 34.0, gx_um_per_mm: 0.28, gy_um_per_mm: -0.10 },
                mark_corner: Corner::TopLeft,
                ..Scene::new("LM-0144", 144, Rock::Sandstone)
            }
            .five_fields(),
        ),
        slide("quartzite, too thin", quartzite("LM-0147", 147, 22.0)),
        slide(
            "bubbles in the bond",
            Scene {
                flaws: Flaws { bubbles: 11, ..Flaws::default() },
                lamp: Lamp::warm_led(),
                ..quartzite("LM-0151", 151, 30.6)
            },
        ),
        slide(
            "sandstone, grains plucked",
            Scene {
                grain_um: 170.0,
                flaws: Flaws { plucks: 7, ..Flaws::default() },
                ..Scene::new("LM-0152", 152, Rock::Sandstone)
            },
        ),
        slide(
            "scratched, no rock to spare",
            Scene {
                flaws: Flaws { scratches: 7, scratch_contrast: [0.2, 0.5], ..Flaws::default() },
                ..quartzite("LM-0158", 158, 27.0)
            },
        ),
        slide(
            "scratched, too thick",
            Scene {
                flaws: Flaws { scratches: 9, scratch_sets: true, scratch_contrast: [0.2, 0.5], ..Flaws::default() },
                lamp: Lamp::Daylight { kelvin: 5500.0 },
                camera: CameraSpec { eye: Eye::OwnFilters, ..CameraSpec::default() },
                ..quartzite("LM-0159", 159, 39.5)
            },
        ),
        slide(
            "covered, bubbles in the cement",
            Scene {
                finish: Finish::Covered,
                flaws: Flaws { bubbles: 10, bubble_um: [40.0, 180.0], ..Flaws::default() },
                ..quartzite("LM-0163", 163, 29.6)
            },
        ),
        slide("gabbro: no quartz", Scene { grain_um: 260.0, ..Scene::new("LM-0166", 166, Rock::Gabbro) }),
        slide(
            "one crossed photograph, no EXIF",
            Scene {
                angles_deg: vec![45.0],
                camera: CameraSpec { exif: Exif::None, contrast: 0.1, ..CameraSpec::default() },
                ..quartzite("LM-0170", 170, 43.0)
            },
        ),
        slide(
            "turned stage, LED",
            Scene {
                turned: Turned::Stage,
                stage_sense: -1.0,
                pivot_px: [22.0, -15.0],
                lamp: Lamp::cool_led(),
                impregnation: Impregnation::Clear,
                ..quartzite("LM-0171", 171, 31.0)
            },
        ),
        slide(
            "overexposed",
            Scene {
                overexposure: 3.2,
                camera: CameraSpec { balance: Balance::Automatic(0.7), contrast: 0.2, ..CameraSpec::default() },
                ..quartzite("LM-0174", 174, 30.0)
            },
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_outcome_is_shown_and_no_number_is_given_twice() {
        let slides = larkmoor();
        let mut ids: Vec<&str> = slides.iter().map(|s| s.scene.id.as_str()).collect();
        ids.dedup();
        assert_eq!(ids.len(), slides.len());
        assert!(ids.is_sorted());
    }
}
