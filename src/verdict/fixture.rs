//! Hand-made findings for the tests of the verdict and of the report: normal draws about a plane, exactly known.

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::measured::Measured;
use crate::slide::record::{Corner, Finish, Impregnation, SlideRecord, Turned};
use crate::thickness::{FieldThickness, SurfaceDraw, Thickness, ThicknessSurface};
use crate::units::Degrees;
use crate::verdict::limits::{LimitSet, Limits};

/// A section of 40 x 24 mm, bevelled at the top left, 30 µm wanted, read at 42 µm.
pub(crate) fn record() -> SlideRecord {
    SlideRecord {
        id: "LM-0142".into(),
        width_mm: Some(40.0),
        height_mm: Some(24.0),
        mark_corner: Some(Corner::TopLeft),
        impregnation: Impregnation::None,
        turned: Turned::Polars,
        finish: Finish::Uncovered,
        polish_to_come: false,
        target_um: 30.0,
        untouchable: false,
        offcut_left: Some(true),
        micrometer_um: Some(42.0),
        sequence: None,
        um_per_px: Some(1.6),
        scale_source: Some("slide.toml".into()),
        assumed: vec!["turned = polars".into()],
    }
}

pub(crate) fn limits() -> Limits {
    LimitSet::default().for_slide(&record(), Path::new("LM-0142")).expect("defaults resolve")
}

/// A measured surface over the section of [`record`].
pub(crate) fn surface(centre: f64, u: f64, gradient: [f64; 2], gradient_u: f64) -> ThicknessSurface {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut normal = |value: f64, u: f64| -> f64 {
        let z: f64 = StandardNormal.sample(&mut rng);
        value + u * z
    };
    let draws: Vec<SurfaceDraw> = (0..2000)
        .map(|_| {
            let centre = normal(centre, u);
            SurfaceDraw::plane(centre, [normal(gradient[0], gradient_u), normal(gradient[1], gradient_u)])
        })
        .collect();
    let half = |d: &SurfaceDraw| (d.gradient_um_per_mm[0] * 20.0).abs() + (d.gradient_um_per_mm[1] * 12.0).abs();
    let extremes: Vec<[f64; 2]> = draws.iter().map(|d| [d.centre_um - half(d), d.centre_um + half(d)]).collect();
    let over = |f: &dyn Fn(&SurfaceDraw) -> f64| Measured::from_draws(&draws.iter().map(f).collect::<Vec<_>>());
    let corner = |sx: f64, sy: f64| {
        over(&|d| d.centre_um + sx * 20.0 * d.gradient_um_per_mm[0] + sy * 12.0 * d.gradient_um_per_mm[1])
    };
    let steepness = gradient[0].hypot(gradient[1]);
    ThicknessSurface {
        mean_um: over(&|d| d.centre_um),
        gradient_um_per_mm: Some([over(&|d| d.gradient_um_per_mm[0]), over(&|d| d.gradient_um_per_mm[1])]),
        at_thinnest_um: over(&|d| d.centre_um - half(d)),
        at_thickest_um: over(&|d| d.centre_um + half(d)),
        range_across_um: Some(over(&|d| 2.0 * half(d))),
        thickens_toward: (steepness > 2.0 * gradient_u)
            .then(|| Degrees::from_deg(gradient[1].atan2(gradient[0]).to_degrees())),
        at_corners_um: Some([corner(-1.0, 1.0), corner(1.0, 1.0), corner(-1.0, -1.0), corner(1.0, -1.0)]),
        map: None,
        quartz_grains: 140,
        per_field: ["A", "B", "C", "D", "E"]
            .map(|name| FieldThickness {
                name: name.into(),
                thickness_um: Some(Measured::normal(centre, 2.0 * u)),
                quartz_grains: 28,
            })
            .to_vec(),
        draws,
        extremes_um: extremes,
        grains: Vec::new(),
        mineral: "quartz",
        largest_retardation_nm: 9.1 * centre,
        lamp: "D65".into(),
        notes: Vec::new(),
    }
}

/// The same without a gradient: one field.
pub(crate) fn one_field(centre: f64, u: f64) -> ThicknessSurface {
    let mut s = surface(centre, u, [0.0, 0.0], 0.0);
    s.gradient_um_per_mm = None;
    s.range_across_um = None;
    s.at_corners_um = None;
    s.thickens_toward = None;
    s.per_field.truncate(1);
    s
}

pub(crate) fn measured(surface: ThicknessSurface) -> Thickness {
    Thickness::Measured(Box::new(surface))
}
