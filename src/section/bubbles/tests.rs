//! Bubbles on computed scenes.

use ndarray::Array2;

use super::*;
use crate::section::plane_light::coarse_bin;
use crate::slide::photograph::LinearPlanes;

fn bubbles(light: &FieldLight) -> Vec<Ring> {
    find(light).into_iter().filter(|r| r.confidence >= 0.5).collect()
}

/// Plane light of a scene given as transmittance; one crossed picture that shines evenly.
fn scene(rows: usize, columns: usize, f: impl Fn(f64, f64) -> f64) -> FieldLight {
    coloured_scene(rows, columns, f, |_, _| [1.0; 3])
}

/// The same, with a transmittance of each channel on top.
fn coloured_scene(
    rows: usize,
    columns: usize,
    f: impl Fn(f64, f64) -> f64,
    tint: impl Fn(f64, f64) -> [f64; 3],
) -> FieldLight {
    let plane = Array2::from_shape_fn((rows, columns), |(y, x)| {
        let mut sum = 0.0;
        for k in 0..9 {
            let (u, v) = (f64::from(k % 3) / 3.0 - 1.0 / 3.0, f64::from(k / 3) / 3.0 - 1.0 / 3.0);
            sum += f(x as f64 + u, y as f64 + v) / 9.0;
        }
        (0.8 * sum) as f32
    });
    let mask = Array2::zeros((rows, columns));
    let tinted =
        |c: usize| Array2::from_shape_fn((rows, columns), |(y, x)| plane[[y, x]] * tint(x as f64, y as f64)[c] as f32);
    let plane = LinearPlanes { bin: 1, rgb: [tinted(0), tinted(1), tinted(2)], mask };
    let bin = coarse_bin(Some(1.6));
    let (r, c) = (rows / bin, columns / bin);
    let even = Array2::from_shape_fn((r, c), |(y, x)| if (x / 7 + y / 7) % 2 == 0 { 0.3 } else { 0.2 });
    let crossed = LinearPlanes { bin, rgb: [even.clone(), even.clone(), even], mask: Array2::zeros((r, c)) };
    FieldLight::from_planes(&plane, &[crossed], &[0.0], Some(1.6))
}

/// Transmittance of a ball of air in resin by ray optics: collimated light on a lens of aperture `na`.
fn ball(b: f64, n: f64, na: f64) -> f64 {
    if b >= 1.0 {
        return 1.0;
    }
    if n * b >= 1.0 {
        return 0.0;
    }
    let deviation = 2.0 * ((n * b).asin() - b.asin());
    // What passes the aperture fades over the condenser's own cone, here as wide as the aperture.
    let out = n * deviation.sin() / na;
    (1.0 - 0.5 * out).clamp(0.0, 1.0)
}

#[test]
fn a_ball_of_air_is_found_with_its_diameter_and_its_rim() {
    for radius in [9.0, 22.0, 60.0] {
        let light = scene(260, 300, |x, y| ball((x - 140.3).hypot(y - 121.8) / radius, 1.54, 0.25));
        let found = bubbles(&light);
        assert_eq!(found.len(), 1, "{found:?}");
        let b = found[0];
        assert!((b.radius / radius - 1.0).abs() < 0.05, "{radius}: {b:?}");
        assert!((b.x - 140.3).abs() < 0.06 * radius && (b.y - 121.8).abs() < 0.06 * radius);
        // Total reflection outside b/R = 1/n leaves a rim of at least 0.35 of the radius.
        assert!(b.rim_width > 1.0 - 1.0 / 1.54 - 0.05, "{b:?}");
    }
}

/// A ball far above the focus, in light as rough as a rock's: its edge is blurred over a seventh of its radius.
#[test]
fn a_ball_out_of_focus_is_round() {
    const RADIUS: f64 = 34.0;
    let sharp = image::ImageBuffer::from_fn(300, 260, |x, y| {
        let b = (f64::from(x) - 140.3).hypot(f64::from(y) - 121.8) / RADIUS;
        image::Luma([ball(b, 1.54, 0.25) as f32])
    });
    let blurred = imageproc::filter::gaussian_blur_f32(&sharp, 5.0);
    for seed in 0..4_u32 {
        let rough = image::ImageBuffer::from_fn(300, 260, |x, y| {
            let mixed = (x + 300 * y + 78_000 * seed).wrapping_mul(2_654_435_761);
            image::Luma([((mixed ^ (mixed >> 15)).wrapping_mul(2_246_822_519) >> 8) as f32 / 8_388_608.0 - 1.0])
        });
        let rough = imageproc::filter::gaussian_blur_f32(&rough, 1.2);
        let at = |x: f64, y: f64| (x.round().clamp(0.0, 299.0) as u32, y.round().clamp(0.0, 259.0) as u32);
        let light = scene(260, 300, |x, y| {
            let (x, y) = at(x, y);
            f64::from(blurred.get_pixel(x, y).0[0]) * (1.0 + 0.45 * f64::from(rough.get_pixel(x, y).0[0]))
        });
        let found = bubbles(&light);
        assert_eq!(found.len(), 1, "seed {seed}: {:?}", find(&light));
        assert!((found[0].radius / RADIUS - 1.0).abs() < 0.08, "seed {seed}: {:?}", found[0]);
    }
}

/// A ball's wide black rim, seen all round.
fn black_ring() -> Ring {
    Ring {
        x: 0.0,
        y: 0.0,
        radius: 60.0,
        share: 1.0,
        judged: 1.0,
        roughness: 0.01,
        oval: 0.0,
        depth: 2.0,
        inner_depth: 2.0,
        rim_width: 0.6,
        unevenness: 0.0,
        inside_out: 0.0,
        tint_step: 0.0,
        rim_tint: 0.0,
        on_circle: 0.0,
        divides: 0.0,
        cross: 0.0,
        confidence: 0.99,
    }
}

/// The rind of an ooid, as photographs by other code show it; gas colours nothing, and a black rim shows no colour of its own.
#[test]
fn a_wide_rim_that_passes_coloured_light_is_no_bubbles() {
    let ooid = Ring { depth: 0.7, inner_depth: 0.7, roughness: 0.02, rim_tint: 0.32, ..black_ring() };
    let darker = Ring { depth: 1.24, inner_depth: 1.27, rim_tint: 0.55, ..ooid };
    for rind in [ooid, darker] {
        assert!(rind.odds().probability() < 0.3, "{:?}", rind.odds());
    }
    for bubble in [
        Ring { rim_tint: 0.02, ..ooid },
        // Beside a coloured crystal.
        Ring { rim_tint: 0.15, ..ooid },
        Ring { depth: 1.4, inner_depth: 1.4, ..ooid },
        Ring { depth: 0.3, inner_depth: 0.4, rim_width: 0.1, on_circle: 1.0, roughness: 0.01, ..ooid },
    ] {
        assert!(bubble.odds().probability() > 0.8, "{bubble:?} {:?}", bubble.odds());
    }
}

#[test]
fn a_ball_over_the_rim_of_a_likelier_one_is_another_and_the_same_circle_is_not() {
    let blank = black_ring();
    // The rim reaches from 24 to 60 pixels from the middle: wholly over it, and half.
    for apart in [42.0, 58.0] {
        let small = Ring { x: apart, radius: 15.0, confidence: 0.9, ..blank };
        let again = Ring { x: 2.0, radius: 57.0, confidence: 0.8, ..blank };
        let core = Ring { y: 3.0, radius: 25.0, confidence: 0.7, ..blank };
        let kept: Vec<f64> = claim(vec![blank, small, again, core]).iter().map(|r| r.radius).collect();
        assert_eq!(kept, [60.0, 15.0], "{apart} apart");
    }
}

/// A lens spreads light, not its logarithm: the edge of a black rim stays where half of the light is. And an objective that takes
/// in little light leaves a mere dot of it in the middle, with a rim of four fifths of the radius and more.
#[test]
fn blur_and_a_small_aperture_change_neither_diameter_nor_call() {
    for (radius, na, blur) in [(8.0, 0.25, 0.5), (9.0, 0.1, 0.8), (13.0, 0.25, 2.0), (30.0, 0.1, 2.5)] {
        let rim_light = 0.02;
        let sharp = |x: f64, y: f64| ball((x - 140.3).hypot(y - 121.8) / radius, 1.54, na).max(rim_light);
        let light = scene(260, 300, |x, y| {
            // A Gaussian of standard deviation `blur` pixels by its values at seven by seven places.
            let (mut sum, mut total) = (0.0, 0.0);
            for k in 0..49 {
                let (u, v) = (f64::from(k % 7 - 3) * 0.8, f64::from(k / 7 - 3) * 0.8);
                let weight = (-0.5 * (u * u + v * v)).exp();
                sum += weight * sharp(x + blur * u, y + blur * v);
                total += weight;
            }
            sum / total
        });
        let found = bubbles(&light);
        assert_eq!(found.len(), 1, "{radius} {na} {blur}: {found:?}");
        assert!((found[0].radius / radius - 1.0).abs() < 0.03, "{radius} {na} {blur}: {:?}", found[0]);
    }
}

/// Ray optics: with n·sin(deviation) = aperture, the bright core in resin of n = 1.54 ends at these b/R (computed with
/// other code).
#[test]
fn the_rays_bend_as_computed_elsewhere() {
    for (na, core) in [(0.04, 0.024), (0.10, 0.060), (0.25, 0.148), (0.40, 0.232)] {
        let half = |b: f64| ball(b, 1.54, na) - 0.5;
        assert!(half(core - 0.001) > 0.0 && half(core + 0.001) < 0.0, "{na}");
    }
}

/// Under a condenser wide open all light passes that is not totally reflected: what is black begins at b/R = 1/n.
#[test]
fn the_rim_is_as_wide_as_total_reflection_makes_it() {
    for n in [1.515_f64, 1.54, 1.66] {
        for radius in [25.0, 60.0] {
            let light = scene(260, 300, |x, y| {
                let b = (x - 140.3).hypot(y - 121.8) / radius;
                if b < 1.0 && n * b >= 1.0 { 0.0 } else { 1.0 }
            });
            let found = bubbles(&light);
            assert_eq!(found.len(), 1, "{found:?}");
            assert!((found[0].radius / radius - 1.0).abs() < 0.03, "{n}: {:?}", found[0]);
            let rim = 1.0 - 1.0 / n;
            assert!((found[0].rim_width - rim).abs() < 0.04, "{n}: {} against {rim}", found[0].rim_width);
        }
    }
}

#[test]
fn a_flat_one_that_shows_only_its_wall_is_found() {
    let light = scene(240, 260, |x, y| {
        let d = ((x - 120.0).hypot(y - 110.0) - 40.0).abs();
        1.0 - 0.6 * (-0.5 * (d / 1.3) * (d / 1.3)).exp()
    });
    let found = bubbles(&light);
    assert_eq!(found.len(), 1);
    assert!((found[0].radius - 40.0).abs() < 2.5, "{:?}", found[0]);
    assert!(found[0].rim_width < 0.2);
}

#[test]
fn a_ball_cut_by_the_frame_and_two_that_overlap_are_found() {
    let light = scene(240, 300, |x, y| {
        let one = |cx: f64, cy: f64, r: f64| ball((x - cx).hypot(y - cy) / r, 1.54, 0.25);
        one(6.0, 120.0, 30.0) * one(150.0, 100.0, 28.0) * one(185.0, 112.0, 24.0)
    });
    let found = bubbles(&light);
    assert_eq!(found.len(), 3, "{found:?}");
}

#[test]
fn dark_discs_squares_and_straight_lines_are_no_bubbles() {
    let disc = scene(200, 200, |x, y| if (x - 100.0).hypot(y - 90.0) < 25.0 { 0.03 } else { 1.0 });
    assert!(bubbles(&disc).is_empty(), "an opaque round grain");
    let square = scene(200, 200, |x, y| {
        let d: f64 = (x - 100.0).abs().max((y - 90.0).abs());
        if (d - 30.0).abs() < 1.5 { 0.4 } else { 1.0 }
    });
    assert!(bubbles(&square).is_empty(), "a square outline");
    let comb = scene(200, 200, |x, y| if (x + 0.4 * y).rem_euclid(17.0) < 2.0 { 0.5 } else { 1.0 });
    assert!(bubbles(&comb).is_empty(), "cleavage");
}

/// Pressed flat between glass and rock a bubble may be a little oval; a grain's outline is that and rough.
#[test]
fn a_flat_one_that_is_a_little_oval_is_found_and_an_oval_grain_is_not() {
    let wall = |radius_at: &dyn Fn(f64) -> f64, x: f64, y: f64| {
        let (u, v) = (x - 130.0, y - 112.0);
        let d = u.hypot(v) - radius_at(v.atan2(u));
        1.0 - 0.6 * (-0.5 * (d / 1.3) * (d / 1.3)).exp()
    };
    // Half axes of 40 and 36 pixels.
    let oval = |t: f64| 1.0 / ((t.cos() / 40.0).powi(2) + (t.sin() / 36.0).powi(2)).sqrt();
    let found = bubbles(&scene(240, 260, |x, y| wall(&oval, x, y)));
    assert_eq!(found.len(), 1, "{found:?}");
    // The radius is that of the wall's outer edge.
    assert!((found[0].radius - 38.0).abs() < 2.5, "{:?}", found[0]);
    assert!((found[0].oval - 4.0 / 76.0).abs() < 0.015, "{:?}", found[0]);
    let grain = |t: f64| oval(t) * (1.0 + 0.05 * (3.0 * t + 0.4).cos() + 0.05 * (5.0 * t).sin());
    let found = bubbles(&scene(240, 260, |x, y| wall(&grain, x, y)));
    assert!(found.is_empty(), "{found:?}");
}

/// Small and out of focus a ball is a black disc with a gleam in its middle, in log light hardly to be seen.
#[test]
fn a_small_ball_out_of_focus_is_known_by_its_gleam() {
    let disc = |gleam: f64| {
        scene(240, 260, |x, y| {
            let r = (x - 130.0).hypot(y - 112.0);
            let edge = 1.0 / (1.0 + (-(r - 11.0) / 1.1).exp());
            0.012 + 0.988 * edge + gleam * (-0.5 * (r / 2.2).powi(2)).exp()
        })
    };
    let found = bubbles(&disc(0.08));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0].radius - 11.0).abs() < 1.0, "{:?}", found[0]);
    assert!(bubbles(&disc(0.0)).is_empty(), "an opaque round grain out of focus");
}

/// What little light passes the middle of a ball may show four dark arms between crossed polars; a filling is clear all over.
#[test]
fn a_black_cross_within_a_ball_does_not_make_it_a_filling() {
    let radius = 24.0;
    let seen = |plane_at: &dyn Fn(f64) -> f64| {
        let place = |y: usize, x: usize, step: f64| (step * x as f64 - 130.0, step * y as f64 - 112.0);
        let plane = Array2::from_shape_fn((240, 260), |(y, x)| {
            let (u, v) = place(y, x, 1.0);
            (0.8 * plane_at(u.hypot(v) / radius)) as f32
        });
        let bin = coarse_bin(Some(1.6));
        let crossed = Array2::from_shape_fn((240 / bin, 260 / bin), |(y, x)| {
            let (u, v) = place(y, x, bin as f64);
            let arms = if u.hypot(v) < radius { (2.0 * v.atan2(u)).sin().powi(2) } else { 0.7 };
            (0.25 * plane_at(u.hypot(v) / radius) * arms) as f32
        });
        let planes =
            |a: Array2<f32>, bin| LinearPlanes { bin, mask: Array2::zeros(a.dim()), rgb: [a.clone(), a.clone(), a] };
        find(&FieldLight::from_planes(&planes(plane, 1), &[planes(crossed, bin)], &[0.0], Some(1.6)))
    };
    let ball = seen(&|b| ball(b, 1.54, 0.25).max(0.02));
    assert!(ball.first().is_some_and(|r| r.confidence > 0.9 && r.cross == 0.0), "{ball:?}");
    let filling = seen(&|b| 1.0 - 0.6 * (-0.5 * ((b - 1.0) * radius / 1.3).powi(2)).exp());
    assert!(filling.iter().all(|r| r.confidence < 0.5), "{filling:?}");
    assert!(filling.first().is_some_and(|r| r.cross > 0.8), "{filling:?}");
}

/// A rind of half the radius that passes less than half of the light: brown, as an ooid's, and grey.
#[test]
fn the_tint_of_a_rim_is_told_from_photographs() {
    let rind = |x: f64, y: f64| (20.0..40.0).contains(&(x - 130.0).hypot(y - 112.0));
    let of = |passes: [f64; 3]| {
        let scene = coloured_scene(240, 260, |_, _| 1.0, |x, y| if rind(x, y) { passes } else { [1.0; 3] });
        let found = find(&scene);
        *found.iter().find(|r| (r.radius - 40.0).abs() < 3.0).unwrap_or_else(|| panic!("{found:?}"))
    };
    let (brown, grey) = (of([0.45, 0.37, 0.28]), of([0.45; 3]));
    // ln(0.45 / 0.37) and ln(0.28 / 0.37).
    let tint = 0.196_f64.hypot(-0.279);
    assert!((brown.rim_tint - tint).abs() < 0.04 && grey.rim_tint < 0.01, "{} {}", brown.rim_tint, grey.rim_tint);
    assert!(brown.confidence < 0.5 && grey.confidence > 0.9, "{brown:?} {grey:?}");
}

/// Air has no colour of its own, and what lies beneath it goes on beyond its rim.
#[test]
fn a_round_flake_of_mica_is_no_bubble_and_one_beneath_a_bubble_does_not_hide_it() {
    let wall = |x: f64, y: f64| {
        let d = (x - 130.0).hypot(y - 112.0) - 38.0;
        1.0 - 0.6 * (-0.5 * (d / 1.3) * (d / 1.3)).exp()
    };
    let brown = |there: bool| if there { [0.7, 0.45, 0.15] } else { [1.0; 3] };
    let flake = coloured_scene(240, 260, wall, |x, y| brown((x - 130.0).hypot(y - 112.0) < 38.0));
    assert!(bubbles(&flake).is_empty(), "{:?}", find(&flake));
    let beneath = coloured_scene(240, 260, wall, |x, _| brown(x < 120.0));
    assert_eq!(bubbles(&beneath).len(), 1, "{:?}", find(&beneath));
    assert_eq!(bubbles(&scene(240, 260, wall)).len(), 1);
}
