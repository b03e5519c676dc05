//! The section as a surface: centre-high and even sections told apart from grains whose colours are computed from spectra.

use thinproof::demo::Scene;
use thinproof::optics::Lamp;
use thinproof::thickness::{
    FieldCrystals, SectionMap, SectionSize, Shape, SurfaceDraw, SurfaceForm, Thickness, ThicknessSurface, Yardstick,
    measure,
};

use crate::bench::small;
use crate::thickness_grains::Field;

const SIZE_MM: [f64; 2] = [40.0, 24.0];
const NINE: [[f64; 2]; 9] = [
    [6.0, 4.0],
    [20.0, 4.0],
    [34.0, 4.0],
    [6.0, 12.0],
    [20.0, 12.0],
    [34.0, 12.0],
    [6.0, 20.0],
    [20.0, 20.0],
    [34.0, 20.0],
];

/// Fields of 45 grains at these places of a section of this shape.
fn fields(truth: &SurfaceDraw, places: &[[f64; 2]], seed: u64) -> Vec<FieldCrystals> {
    let lamp = [Lamp::Planck(3050.0), Lamp::D65, Lamp::Led { blue: 0.75, phosphor_nm: 565.0 }][seed as usize % 3];
    places
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let mut field =
                Field { grains: 45, seed: 1000 * seed + i as u64, lamp, centre_mm: Some(*c), ..Field::default() };
            // The grains lie about this place, which is not quite the field's centre.
            let off = [-0.06, 0.27];
            field.thickness_um = truth.at(c[0] + off[0] - SIZE_MM[0] / 2.0, c[1] + off[1] - SIZE_MM[1] / 2.0);
            field.crystals()
        })
        .collect()
}

fn surface(fields: &[FieldCrystals]) -> Box<ThicknessSurface> {
    let size = SectionSize { width_mm: Some(SIZE_MM[0]), height_mm: Some(SIZE_MM[1]) };
    match measure(fields, size, &Yardstick::quartz()) {
        Thickness::Measured(s) => s,
        Thickness::NotMeasurable { why, .. } => panic!("not measurable: {why}"),
    }
}

/// 33 µm at the centre, bending down by 3 µm to the short edges and 2.5 to the long ones, slightly tilted.
const DOMED: SurfaceDraw = SurfaceDraw {
    centre_um: 33.0,
    gradient_um_per_mm: [0.03, -0.02],
    curvature_um_per_mm2: [-3.0 / 400.0, 0.0, -2.5 / 144.0],
};

#[test]
fn a_domed_section_over_nine_fields_is_recognised() {
    let (mut covered, mut asked) = (0, 0);
    for seed in 1..=5 {
        let s = surface(&fields(&DOMED, &NINE, seed));
        let map = s.map.as_ref().expect("fields are spread");
        println!(
            "{seed}: {:?} {:?} {:?}",
            map.curved_probability,
            map.shape,
            map.curvature_um_per_mm2.map(|c| c.map(|m| m.interval))
        );
        assert_eq!(map.form, SurfaceForm::Curved, "{:?}", map.curved_probability);
        assert_eq!(map.told(), Some(Shape::CentreHigh), "{:?}", map.shape);
        assert!(s.notes.iter().any(|n| n.contains("centre-high")), "{:?}", s.notes);
        let curvature = map.curvature_um_per_mm2.expect("it is curved");
        let of = DOMED.curvature_um_per_mm2;
        let [thinnest, thickest] = DOMED.extremes_over(SIZE_MM);
        for (m, truth) in [
            (curvature[0], of[0]),
            (curvature[1], of[1]),
            (curvature[2], of[2]),
            (map.centre_um, DOMED.centre_um),
            (map.gradient_um_per_mm[0], DOMED.gradient_um_per_mm[0]),
            (map.gradient_um_per_mm[1], DOMED.gradient_um_per_mm[1]),
            (s.mean_um, DOMED.mean_over(SIZE_MM)),
            (s.at_thinnest_um, thinnest),
            (s.at_thickest_um, thickest),
        ] {
            asked += 1;
            covered += usize::from((m.interval[0]..=m.interval[1]).contains(&truth));
        }
        assert!(
            (curvature[0].value - of[0]).abs() < 0.003 && (curvature[2].value - of[2]).abs() < 0.006,
            "{curvature:?}"
        );
        assert!((s.mean_um.value - DOMED.mean_over(SIZE_MM)).abs() < 0.3, "{:?}", s.mean_um);
        assert!((s.at_thinnest_um.value - thinnest).abs() < 1.0, "{:?} {thinnest}", s.at_thinnest_um);
        for point in &map.grid {
            let truth = DOMED.at(point.at_mm[0] - 20.0, point.at_mm[1] - 12.0);
            assert!((point.mean_um - truth).abs() < 4.0 * point.standard_uncertainty_um + 0.1, "{point:?} {truth}");
        }
    }
    assert!(covered * 100 >= asked * 85, "{covered} of {asked} within their 95 % intervals");
}

#[test]
fn a_plane_over_nine_fields_is_not_called_domed() {
    let mut curved = 0;
    for seed in 11..=18 {
        let gradient = if seed % 2 == 0 { [0.0, 0.0] } else { [0.08, -0.05] };
        let s = surface(&fields(&SurfaceDraw::plane(31.0, gradient), &NINE, seed));
        let map = s.map.as_ref().expect("fields are spread");
        println!("{seed}: {:?} {:?} {:?}", map.curved_probability, map.shape, s.mean_um.interval);
        assert!(!matches!(map.told(), Some(Shape::CentreHigh | Shape::CentreLow | Shape::Bent)), "{:?}", map.shape);
        curved += usize::from(map.form == SurfaceForm::Curved);
        if seed % 2 == 1 {
            assert_eq!(map.shape.map(|s| s.0), Some(Shape::Wedge), "{:?}", map.shape);
        }
    }
    assert!(curved <= 1, "{curved} of 8 planes are called curved");
}

/// A dished plate's other side, and places that cannot tell.
#[test]
fn centre_low_is_told_and_five_fields_are_a_plane() {
    let dished = SurfaceDraw { curvature_um_per_mm2: [0.01, 0.0, 0.02], ..SurfaceDraw::plane(29.0, [0.0, 0.0]) };
    let s = surface(&fields(&dished, &NINE, 21));
    assert_eq!(
        s.map.as_ref().and_then(SectionMap::told),
        Some(Shape::CentreLow),
        "{:?}",
        s.map.as_ref().map(|m| m.shape)
    );

    let five = [NINE[0], NINE[2], NINE[4], NINE[6], NINE[8]];
    let two_rows = [NINE[0], NINE[1], NINE[2], NINE[6], NINE[7], NINE[8]];
    for places in [&five[..], &two_rows[..]] {
        let s = surface(&fields(&DOMED, places, 22));
        let map = s.map.as_ref().expect("fields are spread");
        assert_eq!((map.form, map.curved_probability, map.shape), (SurfaceForm::Plane, None, None));
        assert!(s.draws.iter().all(|d| d.curvature_um_per_mm2 == [0.0; 3]));
    }
    let one = surface(&fields(&DOMED, &NINE[4..5], 23));
    assert!(one.map.is_none() && one.gradient_um_per_mm.is_none());
}

/// The whole way from photographs: a centre-high slide, its report's map and its plan.
#[test]
fn a_rendered_dome_is_mapped_and_lapped_flat() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scene = Scene { dome_um: 7.0, ..small("LM-0950", 95, 36.0).nine_fields() };
    let (dir, truth) = scene.render_to(folder.path()).expect("rendered");
    assert!((scene.thickness_um([20.0, 12.0]) - (36.0 + 7.0 / 3.0)).abs() < 1e-9);
    assert_eq!(truth.outcomes[0], "regrind");
    let checked = thinproof::pipeline::check(&dir, &thinproof::house::House::default(), |_| ()).expect("checked");
    let Thickness::Measured(s) = &checked.thickness else { panic!("{:?}", checked.thickness) };
    let map = s.map.as_ref().expect("fields are spread");
    println!("{:?} {:?} {:?} {:?}", map.curved_probability, map.shape, map.curvature_um_per_mm2, s.mean_um);
    assert_eq!(map.told(), Some(Shape::CentreHigh), "{:?}", map.shape);
    assert!((s.mean_um.value - 36.0).abs() < 1.0, "{:?}", s.mean_um);
    assert!((map.centre_over_corners_um() - 7.0).abs() < 1.5, "{}", map.centre_over_corners_um());
    let plan = checked.verdict.regrind_plan.expect("it is too thick");
    let corners = plan.remove_um.at_each_corner.expect("the corners are known").to_array();
    let centre = plan.remove_um.at_centre.expect("it is curved");
    assert!(corners.iter().all(|c| (3.0..=8.0).contains(&(centre - c))), "{plan:?}");
}
