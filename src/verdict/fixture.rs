//! Hand-made findings for the tests of the verdict and of the report: normal draws about a plane, exactly known.

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::measured::Measured;
use crate::slide::record::{Corner, Finish, Impregnation, SlideRecord, Turned};
use crate::thickness::{FieldThickness, SectionMap, SurfaceDraw, Thickness, ThicknessSurface};
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
    let draws = (0..2000)
        .map(|_| {
            let centre = normal(centre, u);
            SurfaceDraw::plane(centre, [normal(gradient[0], gradient_u), normal(gradient[1], gradient_u)])
        })
        .collect();
    let steep = gradient[0].hypot(gradient[1]) > 2.0 * gradient_u;
    of_draws(draws, steep.then_some(gradient), None)
}

/// A section bent by these µm from its centre to the middle of its short and of its long edges, over nine fields.
pub(crate) fn bent(centre: f64, u: f64, gradient: [f64; 2], bend_um: [f64; 2]) -> ThicknessSurface {
    let curvature_um_per_mm2 = [bend_um[0] / 400.0, 0.0, bend_um[1] / 144.0];
    let flat = surface(centre, u, gradient, 0.003);
    let draws = flat.draws.iter().map(|d| SurfaceDraw { curvature_um_per_mm2, ..*d }).collect();
    of_draws(draws, flat.thickens_toward.map(|_| gradient), Some(1.0))
}

fn of_draws(draws: Vec<SurfaceDraw>, wedge: Option<[f64; 2]>, curved: Option<f64>) -> ThicknessSurface {
    let size = [40.0, 24.0];
    let extremes: Vec<[f64; 2]> = draws.iter().map(|d| d.extremes_over(size)).collect();
    let over = |f: &dyn Fn(&SurfaceDraw) -> f64| Measured::from_draws(&draws.iter().map(f).collect::<Vec<_>>());
    let over_extremes =
        |f: &dyn Fn(&[f64; 2]) -> f64| Measured::from_draws(&extremes.iter().map(f).collect::<Vec<_>>());
    let mean_um = over(&|d| d.mean_over(size));
    let map = SectionMap::of(&draws, [20.0, 12.0], size, curved);
    ThicknessSurface {
        mean_um,
        gradient_um_per_mm: Some([over(&|d| d.gradient_um_per_mm[0]), over(&|d| d.gradient_um_per_mm[1])]),
        at_thinnest_um: over_extremes(&|e| e[0]),
        at_thickest_um: over_extremes(&|e| e[1]),
        range_across_um: Some(over_extremes(&|e| e[1] - e[0])),
        thickens_toward: wedge.map(|g| Degrees::from_deg(g[1].atan2(g[0]).to_degrees())),
        at_corners_um: Some(
            [[-20.0, 12.0], [20.0, 12.0], [-20.0, -12.0], [20.0, -12.0]].map(|[x, y]| over(&|d| d.at(x, y))),
        ),
        quartz_grains: 140,
        per_field: ["A", "B", "C", "D", "E"]
            .map(|name| FieldThickness {
                name: name.into(),
                thickness_um: Some(Measured::normal(mean_um.value, 2.0 * mean_um.standard_uncertainty)),
                quartz_grains: 28,
            })
            .to_vec(),
        notes: map.sentence().into_iter().collect(),
        map: Some(map),
        draws,
        extremes_um: extremes,
        grains: Vec::new(),
        mineral: "quartz",
        largest_retardation_nm: 9.1 * mean_um.value,
        lamp: "D65".into(),
    }
}

/// The same without a gradient: one field.
pub(crate) fn one_field(centre: f64, u: f64) -> ThicknessSurface {
    let mut s = surface(centre, u, [0.0, 0.0], 0.0);
    s.gradient_um_per_mm = None;
    s.map = None;
    s.range_across_um = None;
    s.at_corners_um = None;
    s.thickens_toward = None;
    s.per_field.truncate(1);
    s
}

pub(crate) fn measured(surface: ThicknessSurface) -> Thickness {
    Thickness::Measured(Box::new(surface))
}
