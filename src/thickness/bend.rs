//! One state of the section: thickness at a place, its mean and its extremes over the rectangle of the section.

use crate::thickness::SurfaceDraw;

impl SurfaceDraw {
    /// An even or tilted section.
    #[must_use]
    pub const fn plane(centre_um: f64, gradient_um_per_mm: [f64; 2]) -> Self {
        Self { centre_um, gradient_um_per_mm, curvature_um_per_mm2: [0.0; 3] }
    }

    /// Thickness at a place, mm from the centre, µm.
    #[must_use]
    pub fn at(&self, x_mm: f64, y_mm: f64) -> f64 {
        let [gx, gy] = self.gradient_um_per_mm;
        let [xx, xy, yy] = self.curvature_um_per_mm2;
        let plane = self.centre_um + gx * x_mm + gy * y_mm;
        plane + (xx * x_mm * x_mm + xy * x_mm * y_mm + yy * y_mm * y_mm)
    }

    /// Mean over a rectangle about the centre, its width and height in mm, µm.
    #[must_use]
    pub fn mean_over(&self, [width_mm, height_mm]: [f64; 2]) -> f64 {
        let [xx, _, yy] = self.curvature_um_per_mm2;
        self.centre_um + (xx * width_mm * width_mm + yy * height_mm * height_mm) / 12.0
    }

    /// Least and greatest thickness over a rectangle about the centre, its width and height in mm, µm.
    ///
    /// They lie at a corner, where an edge turns, or where the surface is level.
    #[must_use]
    pub fn extremes_over(&self, [width_mm, height_mm]: [f64; 2]) -> [f64; 2] {
        let (w, h) = (width_mm / 2.0, height_mm / 2.0);
        let [gx, gy] = self.gradient_um_per_mm;
        let [xx, xy, yy] = self.curvature_um_per_mm2;
        let mut found = [f64::INFINITY, f64::NEG_INFINITY];
        let mut look = |x: f64, y: f64| {
            if x.abs() <= w && y.abs() <= h {
                let t = self.at(x, y);
                found = [found[0].min(t), found[1].max(t)];
            }
        };
        for (x, y) in [(-w, -h), (w, -h), (-w, h), (w, h)] {
            look(x, y);
        }
        if self.curvature_um_per_mm2 != [0.0; 3] {
            // Divisions by zero give places that are nowhere on the section.
            for (x, y) in [(-w, -h), (w, h)] {
                look(x, -(gy + xy * x) / (2.0 * yy));
                look(-(gx + xy * y) / (2.0 * xx), y);
            }
            let determinant = 4.0 * xx * yy - xy * xy;
            look((xy * gy - 2.0 * yy * gx) / determinant, (xy * gx - 2.0 * xx * gy) / determinant);
        }
        found
    }

    /// The same section with every thickness multiplied.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            centre_um: self.centre_um * factor,
            gradient_um_per_mm: self.gradient_um_per_mm.map(|g| g * factor),
            curvature_um_per_mm2: self.curvature_um_per_mm2.map(|c| c * factor),
        }
    }

    /// What is left after these amounts (µm) came off at the corners (top left, top right, bottom left, bottom right) of a
    /// rectangle about the centre, its width and height in mm, and bilinearly between them.
    #[must_use]
    pub fn less(&self, [tl, tr, bl, br]: [f64; 4], [width_mm, height_mm]: [f64; 2]) -> Self {
        let ([gx, gy], [xx, xy, yy]) = (self.gradient_um_per_mm, self.curvature_um_per_mm2);
        Self {
            centre_um: self.centre_um - 0.25 * (tl + tr + bl + br),
            gradient_um_per_mm: [gx - 0.5 * (tr + br - tl - bl) / width_mm, gy - 0.5 * (tl + tr - bl - br) / height_mm],
            curvature_um_per_mm2: [xx, xy - (tr + bl - tl - br) / (width_mm * height_mm), yy],
        }
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    /// Slow reference: every place of a dense grid.
    #[test]
    fn extremes_and_mean_are_those_of_a_dense_grid() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let size = [40.0, 24.0];
        let (nx, ny) = (400, 240);
        let mut inside = 0;
        for case in 0..60 {
            let mut draw = |scale: f64| scale * (2.0 * rng.random::<f64>() - 1.0);
            let mut s = SurfaceDraw {
                centre_um: 30.0 + draw(5.0),
                gradient_um_per_mm: [draw(0.2), draw(0.2)],
                curvature_um_per_mm2: [draw(0.02), draw(0.02), draw(0.04)],
            };
            // Bowls along one axis only, saddles and planes too.
            match case % 6 {
                0 => s.curvature_um_per_mm2[0] = 0.0,
                1 => s.curvature_um_per_mm2 = [0.0, 0.02, 0.0],
                2 => s.curvature_um_per_mm2 = [0.0; 3],
                _ => {}
            }
            let (mut low, mut high, mut sum) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
            for i in 0..=nx {
                for j in 0..=ny {
                    let t =
                        s.at(40.0 * (f64::from(i) / f64::from(nx) - 0.5), 24.0 * (f64::from(j) / f64::from(ny) - 0.5));
                    (low, high) = (low.min(t), high.max(t));
                    let edge = |k: i32, n: i32| if k == 0 || k == n { 0.5 } else { 1.0 };
                    sum += t * edge(i, nx) * edge(j, ny);
                }
            }
            let [least, most] = s.extremes_over(size);
            assert!((least - low).abs() < 1e-3 && (most - high).abs() < 1e-3, "{s:?}: {least} {low} {most} {high}");
            assert!(least <= low + 1e-12 && most >= high - 1e-12, "the grid may not go beyond the extremes");
            assert!((s.mean_over(size) - sum / f64::from(nx * ny)).abs() < 1e-3, "{s:?}");
            let at_corners = [(-20.0, -12.0), (20.0, -12.0), (-20.0, 12.0), (20.0, 12.0)].map(|(x, y)| s.at(x, y));
            inside += usize::from(at_corners.iter().all(|t| *t < most - 1e-6));
        }
        assert!(inside > 10, "the cases must hold some that no corner shows: {inside}");
    }

    #[test]
    fn what_is_left_is_what_was_less_what_came_off() {
        let s = SurfaceDraw {
            centre_um: 36.0,
            gradient_um_per_mm: [0.1, -0.05],
            curvature_um_per_mm2: [-0.01, 0.003, -0.02],
        };
        let off = [1.0, 4.0, 0.0, 2.5];
        let left = s.less(off, [40.0, 24.0]);
        for (x, y, off) in
            [(-20.0, 12.0, 1.0), (20.0, 12.0, 4.0), (-20.0, -12.0, 0.0), (20.0, -12.0, 2.5), (0.0, 0.0, 1.875)]
        {
            assert!((left.at(x, y) - (s.at(x, y) - off)).abs() < 1e-9);
            assert!((s.scaled(1.1).at(x, y) - 1.1 * s.at(x, y)).abs() < 1e-12);
        }
    }
}
