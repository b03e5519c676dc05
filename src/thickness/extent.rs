//! The rectangle that thickness is given for, and whether the fields lie far enough apart for a plane.

use crate::thickness::fit::SectionSize;
use crate::thickness::grain::FieldCrystals;

/// The rectangle that thickness is given for.
pub(crate) struct Extent {
    width_mm: f64,
    height_mm: f64,
    centre: [f64; 2],
    /// The fields lie far enough apart for a plane, or cover the section.
    pub(crate) spread: bool,
    /// A photograph reaches over most of the section.
    pub(crate) covered: bool,
}

impl Extent {
    /// Fields must span this share of the section's width and height for a plane.
    const SPREAD: f64 = 0.3;
    /// One photograph must span this share of the section's width and height to stand for fields over it.
    const COVERED: f64 = 0.7;

    pub(crate) fn of(fields: &[FieldCrystals], size: SectionSize) -> Self {
        let centres: Vec<[f64; 2]> = fields.iter().filter_map(|f| f.centre_mm).collect();
        let bound = |k: usize, f: fn(f64, f64) -> f64, from: f64| centres.iter().map(|c| c[k]).fold(from, f);
        let low = [bound(0, f64::min, f64::INFINITY), bound(1, f64::min, f64::INFINITY)];
        let high = [bound(0, f64::max, f64::NEG_INFINITY), bound(1, f64::max, f64::NEG_INFINITY)];
        let spans = [high[0] - low[0], high[1] - low[1]];
        let width_mm = size.width_mm.unwrap_or(spans[0].max(0.0));
        let height_mm = size.height_mm.unwrap_or(spans[1].max(0.0));
        let covered = size.width_mm.is_some()
            && size.height_mm.is_some()
            && fields.iter().any(|f| {
                let mm = f.scale.map_or(0.0, |s| s.um_per_px() / 1000.0);
                let [w, h] = f.size_px.map(|n| n as f64 * mm);
                f.centre_mm.is_some() && w >= Self::COVERED * width_mm && h >= Self::COVERED * height_mm
            });
        let apart = centres.len() >= 3
            && centres.len() == fields.len()
            && spans[0] >= (Self::SPREAD * width_mm).max(2.0)
            && spans[1] >= (Self::SPREAD * height_mm).max(2.0)
            && !collinear(&centres);
        let centre = if size.width_mm.is_some() && size.height_mm.is_some() {
            [width_mm / 2.0, height_mm / 2.0]
        } else {
            [(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0]
        };
        let spread = apart || covered;
        Self { width_mm, height_mm, centre, spread, covered }
    }

    /// Centre of the section, or of the fields where its size is not known, mm.
    pub(crate) fn centre(&self) -> [f64; 2] {
        self.centre
    }

    /// Width and height that thickness is given for, mm; zeros where the fields do not carry a plane.
    pub(crate) fn size(&self) -> [f64; 2] {
        if self.spread { [self.width_mm, self.height_mm] } else { [0.0, 0.0] }
    }
}

/// Whether all points lie nearly on one line: the smaller principal spread is under a sixth of the larger.
fn collinear(points: &[[f64; 2]]) -> bool {
    let n = points.len() as f64;
    let mean = |k: usize| points.iter().map(|p| p[k]).sum::<f64>() / n;
    let (mx, my) = (mean(0), mean(1));
    let sum = |f: &dyn Fn(f64, f64) -> f64| points.iter().map(|p| f(p[0] - mx, p[1] - my)).sum::<f64>();
    let (xx, yy, xy) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    let (trace, root) = (xx + yy, ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt());
    ((trace - root) / (trace + root).max(1e-12)).sqrt() < 1.0 / 6.0
}
