//! Thickness mapped over the section, and its shape in words.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::thickness::SurfaceDraw;

/// Difference across the section below which it is called even, µm: one pass of the wheel (a college laboratory's hand-out).
const EVEN_UM: f64 = 2.0;
/// Probability from which a form or a shape is told.
const TOLD_FROM: f64 = 0.95;
/// Points of the map along the width and the height.
const POINTS: [usize; 2] = [9, 6];

/// Whether the grains ask for more than a plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SurfaceForm {
    /// A tilted plane.
    Plane,
    /// A smooth surface of second order.
    Curved,
}

/// The shape of a section.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Nowhere more than 2 µm thicker than elsewhere.
    Even,
    /// It thickens toward one side.
    Wedge,
    /// Thicker at the centre than at the middle of each of its edges: the rim is lower all round.
    CentreHigh,
    /// Thinner at the centre than at the middle of each of its edges.
    CentreLow,
    /// Bent along one way only, or up along one and down along the other.
    Bent,
}

impl Shape {
    const ALL: [Self; 5] = [Self::Even, Self::Wedge, Self::CentreHigh, Self::CentreLow, Self::Bent];

    /// Of one state of a section of this width and height, mm.
    #[must_use]
    pub fn of(draw: &SurfaceDraw, size_mm: [f64; 2]) -> Self {
        let range = |d: &SurfaceDraw| {
            let [low, high] = d.extremes_over(size_mm);
            high - low
        };
        if range(draw) < EVEN_UM {
            return Self::Even;
        }
        let [w, h] = size_mm.map(|s| s / 2.0);
        let tilt = [draw.gradient_um_per_mm[0].abs() * w, draw.gradient_um_per_mm[1].abs() * h];
        let bend = [draw.curvature_um_per_mm2[0] * w * w, draw.curvature_um_per_mm2[2] * h * h];
        let bent = range(&SurfaceDraw { gradient_um_per_mm: [0.0; 2], ..*draw });
        if bent >= 0.5 * EVEN_UM {
            if (0..2).all(|k| -bend[k] > tilt[k]) {
                return Self::CentreHigh;
            }
            if (0..2).all(|k| bend[k] > tilt[k]) {
                return Self::CentreLow;
            }
            if bent > 2.0 * (tilt[0] + tilt[1]) {
                return Self::Bent;
            }
        }
        Self::Wedge
    }
}

/// Thickness at a place of the section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MapPoint {
    /// From the section's lower-left corner, mm.
    pub at_mm: [f64; 2],
    /// Thickness, µm.
    pub mean_um: f64,
    /// Its standard uncertainty, µm.
    pub standard_uncertainty_um: f64,
}

/// Thickness as a smooth surface over the section.
#[derive(Clone, Debug)]
pub struct SectionMap {
    /// Width and height of what is mapped, mm.
    pub size_mm: [f64; 2],
    /// Its centre, mm from the section's lower-left corner.
    pub centre_mm: [f64; 2],
    /// The likelier form.
    pub form: SurfaceForm,
    /// Probability that it is curved; None when the fields are too few or lie in too few rows to tell.
    pub curved_probability: Option<f64>,
    /// Thickness at the centre, µm.
    pub centre_um: Measured,
    /// Gradient at the centre toward +x and +y, µm/mm.
    pub gradient_um_per_mm: [Measured; 2],
    /// Coefficients of x², xy and y² from the centre, µm/mm²; None on a plane.
    pub curvature_um_per_mm2: Option<[Measured; 3]>,
    /// The likeliest shape with its probability; None when a curve could not have been told.
    pub shape: Option<(Shape, f64)>,
    /// The mean of all draws as one surface.
    pub mean: SurfaceDraw,
    /// Mean and uncertainty over the section, row by row from the lower left.
    pub grid: Vec<MapPoint>,
}

impl SectionMap {
    /// From equally likely states. `curved`: probability that it is curved, where that could be told.
    #[must_use]
    pub fn of(draws: &[SurfaceDraw], centre_mm: [f64; 2], size_mm: [f64; 2], curved: Option<f64>) -> Self {
        let over = |f: &dyn Fn(&SurfaceDraw) -> f64| Measured::from_draws(&draws.iter().map(f).collect::<Vec<_>>());
        let n = draws.len() as f64;
        let average = |f: &dyn Fn(&SurfaceDraw) -> f64| draws.iter().map(f).sum::<f64>() / n;
        let form = if curved.is_some_and(|p| p >= 0.5) { SurfaceForm::Curved } else { SurfaceForm::Plane };
        let shape = curved.and_then(|_| {
            let shapes: Vec<Shape> = draws.iter().map(|d| Shape::of(d, size_mm)).collect();
            let share = |shape: Shape| shapes.iter().filter(|s| **s == shape).count() as f64 / n;
            Shape::ALL.into_iter().map(|s| (s, share(s))).max_by(|a, b| a.1.total_cmp(&b.1))
        });
        let part = |k: usize, i: usize| i as f64 / (POINTS[k] - 1) as f64 - 0.5;
        let grid = (0..POINTS[1])
            .flat_map(|j| (0..POINTS[0]).map(move |i| (i, j)))
            .map(|(i, j)| {
                let (x, y) = (part(0, i) * size_mm[0], part(1, j) * size_mm[1]);
                let mean = average(&|d| d.at(x, y));
                let variance = draws.iter().map(|d| (d.at(x, y) - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
                MapPoint {
                    at_mm: [centre_mm[0] + x, centre_mm[1] + y],
                    mean_um: mean,
                    standard_uncertainty_um: variance.sqrt(),
                }
            })
            .collect();
        Self {
            size_mm,
            centre_mm,
            form,
            curved_probability: curved,
            centre_um: over(&|d| d.centre_um),
            gradient_um_per_mm: [over(&|d| d.gradient_um_per_mm[0]), over(&|d| d.gradient_um_per_mm[1])],
            curvature_um_per_mm2: (form == SurfaceForm::Curved)
                .then(|| std::array::from_fn(|k| over(&|d| d.curvature_um_per_mm2[k]))),
            shape,
            mean: SurfaceDraw {
                centre_um: average(&|d| d.centre_um),
                gradient_um_per_mm: [average(&|d| d.gradient_um_per_mm[0]), average(&|d| d.gradient_um_per_mm[1])],
                curvature_um_per_mm2: std::array::from_fn(|k| average(&|d| d.curvature_um_per_mm2[k])),
            },
            grid,
        }
    }

    /// The shape when it is told for certain.
    #[must_use]
    pub fn told(&self) -> Option<Shape> {
        self.shape.filter(|s| s.1 >= TOLD_FROM).map(|s| s.0)
    }

    /// Thickness at the centre over the mean of the four corners, µm.
    #[must_use]
    pub fn centre_over_corners_um(&self) -> f64 {
        let [w, h] = self.size_mm.map(|s| s / 2.0);
        let corners: f64 = [(-w, -h), (w, -h), (-w, h), (w, h)].iter().map(|(x, y)| self.mean.at(*x, *y)).sum();
        self.mean.centre_um - corners / 4.0
    }

    /// One sentence on a shape that is no plane, when it is told for certain.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let by = self.centre_over_corners_um();
        match self.told()? {
            Shape::Even | Shape::Wedge => None,
            Shape::CentreHigh => Some(format!(
                "The section is centre-high: it falls from the centre toward all four edges, by about {by:.1} µm to the corners."
            )),
            Shape::CentreLow => Some(format!(
                "The section is centre-low: it rises from the centre toward all four edges, by about {:.1} µm to the corners.",
                -by
            )),
            Shape::Bent => Some(
                "The section is bent: it is no plane, and neither its centre nor its rim is lowest all round.".into(),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_are_called_what_the_trade_calls_them() {
        let size = [40.0, 24.0];
        let draw = |gradient_um_per_mm: [f64; 2], bend_um: [f64; 2]| SurfaceDraw {
            centre_um: 30.0,
            gradient_um_per_mm,
            curvature_um_per_mm2: [bend_um[0] / 400.0, 0.0, bend_um[1] / 144.0],
        };
        for (state, shape) in [
            (draw([0.02, 0.0], [-0.3, -0.3]), Shape::Even),
            (draw([0.2, -0.1], [0.0, 0.0]), Shape::Wedge),
            (draw([0.2, -0.1], [-1.0, -1.0]), Shape::Wedge),
            (draw([0.02, 0.02], [-3.0, -2.0]), Shape::CentreHigh),
            (draw([-0.02, 0.02], [3.0, 2.0]), Shape::CentreLow),
            (draw([0.0, 0.0], [-4.0, 0.2]), Shape::Bent),
        ] {
            assert_eq!(Shape::of(&state, size), shape, "{state:?}");
        }
        let map = SectionMap::of(&[draw([0.0, 0.0], [-3.0, -2.0]); 4], [20.0, 12.0], size, Some(0.99));
        assert_eq!((map.form, map.told()), (SurfaceForm::Curved, Some(Shape::CentreHigh)));
        assert!(map.sentence().unwrap().contains("by about 5.0 µm"), "{:?}", map.sentence());
        assert_eq!((map.grid.len(), map.grid[0].at_mm, map.grid[53].at_mm), (54, [0.0, 0.0], [40.0, 24.0]));
        assert!((map.grid[0].mean_um - 25.0).abs() < 1e-9);
        let unasked = SectionMap::of(&[draw([0.2, 0.0], [0.0, 0.0]); 4], [20.0, 12.0], size, None);
        assert_eq!((unasked.form, unasked.told(), unasked.curvature_um_per_mm2), (SurfaceForm::Plane, None, None));
    }
}
