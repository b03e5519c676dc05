//! A hair or a scale in the eyepiece: it stays where it is in the camera while a turned stage turns the rock under it.

use crate::register::FieldStack;
use crate::slide::photograph::Photograph;

/// Turn of the picture from which what stays is told from what turns along, radians (5 degrees): the ends of a line of 130 µm
/// move by more than its width.
const LEAST_TURN: f64 = 0.09;
/// Profile on either side of the line, pixels.
const REACH: usize = 12;
/// Pixels on either side of the line that are the line itself.
const ITSELF: usize = 3;
/// Share of its contrast in plane light that must be there in a crossed photograph.
const KEPT: f64 = 0.5;
/// How far it must stand out of the profile's own scatter there.
const CLEARLY: f64 = 4.0;

/// Whether a dark line of the plane photograph lies in the same place of the camera in every photograph whose stage was turned.
///
/// None when no stage was turned: then nothing tells.
#[must_use]
pub fn stays_still(stack: &FieldStack, ends: [[f64; 2]; 2]) -> Option<bool> {
    let turned: Vec<&Photograph> =
        stack.crossed.iter().filter(|c| c.placement.turn.abs() > LEAST_TURN).map(|c| &c.photograph).collect();
    if turned.is_empty() {
        return None;
    }
    let (plane, _) = contrast(&stack.plane, ends)?;
    Some(
        turned.iter().all(|p| {
            contrast(p, ends).is_some_and(|(there, scatter)| there > KEPT * plane && there > CLEARLY * scatter)
        }),
    )
}

/// Contrast of a line over its sides, and the scatter of the sides, both as shares of their light; None outside the photograph
/// or in the dark.
fn contrast(photograph: &Photograph, [a, b]: [[f64; 2]; 2]) -> Option<(f64, f64)> {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    let (nx, ny) = (-dy / length, dx / length);
    let mut profile = [0.0_f64; 2 * REACH + 1];
    let steps = (length as usize).max(1);
    for k in 0..steps {
        let t = (k as f64 + 0.5) / steps as f64;
        let mut across = [0.0_f64; 2 * REACH + 1];
        let whole = across.iter_mut().enumerate().all(|(i, v)| {
            let off = i as f64 - REACH as f64;
            let (x, y) = ((a[0] + t * dx + off * nx).round(), (a[1] + t * dy + off * ny).round());
            let inside = x >= 0.0 && y >= 0.0 && x < photograph.width as f64 && y < photograph.height as f64;
            if inside {
                *v = f64::from(photograph.light(x as usize, y as usize, 1));
            }
            inside
        });
        if whole {
            profile.iter_mut().zip(across).for_each(|(p, v)| *p += v);
        }
    }
    let is_side = |i: usize| i.abs_diff(REACH) > ITSELF;
    let sides: Vec<f64> = (0..profile.len()).filter(|i| is_side(*i)).map(|i| profile[i]).collect();
    let level = sides.iter().sum::<f64>() / sides.len() as f64;
    if level <= 0.0 {
        return None;
    }
    // Neighbouring places see the same grains: their steps are the scatter, not the slope from side to side.
    let left = (0..REACH - ITSELF).map(|i| profile[i]).sum::<f64>() / (REACH - ITSELF) as f64;
    let slope = (2.0 * level - 2.0 * left) / (REACH + ITSELF + 1) as f64;
    let trend = |i: usize| level + slope * (i as f64 - REACH as f64);
    let squares: f64 = (0..profile.len()).filter(|i| is_side(*i)).map(|i| (profile[i] - trend(i)).powi(2)).sum();
    let scatter = (squares / sides.len() as f64).sqrt() / level;
    let darkest = (REACH - ITSELF + 1..REACH + ITSELF).map(|i| trend(i) - profile[i]).fold(f64::NEG_INFINITY, f64::max);
    Some((darkest / level, scatter))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{Flaws, Rock, Scene};
    use crate::section::defects::{OtherKind, find_defects};
    use crate::slide::Slide;
    use crate::slide::record::{Impregnation, Turned};

    fn stack(scene: &Scene) -> FieldStack {
        let dir = tempfile::tempdir().expect("a place to render to");
        let (folder, _) = scene.render_to(dir.path()).expect("a rendered slide");
        let slide = Slide::read(&folder).expect("a readable slide");
        let plan = &slide.fields[0];
        FieldStack::register(plan, slide.load(plan).expect("photographs"), slide.scale, slide.record.turned)
            .expect("a registered field")
    }

    fn scene(turned: Turned) -> Scene {
        Scene {
            size_px: [800, 600],
            turned,
            angles_deg: vec![0.0, 22.5, 45.0],
            flaws: Flaws {
                scratches: 2,
                scratch_length_um: [700.0, 900.0],
                scratch_um: [4.0, 6.0],
                scratch_contrast: [0.4, 0.5],
                ..Flaws::default()
            },
            eyepiece_hair: Some([[-20.0, 140.0], [820.0, 320.0]]),
            clutter: 0.5,
            ..Scene::new("hair", 12, Rock::Quartzite)
        }
    }

    #[test]
    fn on_a_turned_stage_the_hair_stays_and_the_scratches_turn() {
        let stack = stack(&scene(Turned::Stage));
        let found = find_defects(&stack, Impregnation::None);
        // 140 + 180 · (x + 20) / 840.
        let on_hair = |x: f64, y: f64| (y - 140.0 - 180.0 * (x + 20.0) / 840.0).abs() < 6.0;
        assert!(
            found.scratches.iter().all(|s| !(on_hair(s.x0_px, s.y0_px) && on_hair(s.x1_px, s.y1_px))),
            "{:?}",
            found.scratches
        );
        assert!(!found.scratches.is_empty(), "scratches are not taken for the hair");
        let hair = found.others.iter().find(|o| o.kind == OtherKind::EyepieceLine).expect("the hair is told");
        assert!(hair.box_px[2] - hair.box_px[0] > 200.0, "{hair:?}");
    }

    #[test]
    fn with_turned_polars_nothing_tells() {
        let stack = stack(&scene(Turned::Polars));
        assert_eq!(stays_still(&stack, [[100.0, 165.7], [700.0, 294.3]]), None);
    }
}
