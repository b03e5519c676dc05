//! What the field's clear crystals look like: a hole is compared with them.

use ndarray::Array2;

use super::{CLEAR, OUT};
use crate::section::cells::{box_mean, shrink};
use crate::section::light_field::FieldLight;

/// Clear crystals of the field: what a hole is compared with.
#[derive(Clone, Debug)]
pub(crate) struct Usual {
    /// Tint of clear crystals.
    tint: [f32; 2],
    /// Tint of the brightest light: what has no colour of its own in a rock that has one, as a brown limestone.
    white: [f32; 2],
    pub(super) level: f32,
    pub(super) detail: f64,
    pub(super) quiet: f64,
    /// Share of clear crystals that specks take up.
    pub(super) specks: f64,
    /// Sum of channels of the darkest cells and of bright crystals, in each crossed picture.
    pub(super) bright: Vec<(f32, f32)>,
}

/// Square of what is finer than a few pixels, averaged over coarse cells.
pub(crate) fn fine_detail(light: &FieldLight) -> Array2<f32> {
    let reach = (light.plane.px(4.0).round() as usize).clamp(1, 5);
    let smooth = box_mean(&light.plane.fine, reach);
    let mut squares = &light.plane.fine - &smooth;
    squares.mapv_inplace(|d| (d * d).min(0.04));
    shrink(&squares, light.plane.bin)
}

/// Red and blue over green of slurry, log units, as a direction: light that it absorbs the more the shorter it is. House value.
const BROWN: [f32; 2] = [0.6, -0.8];

/// Share of the cells that are the brightest of a field. House value.
const BRIGHTEST: f64 = 0.03;

/// Tint of the cells that are brightest in the channel where each is darkest: what is dyed is bright in one channel only.
///
/// A cell is the log transmission of its brightest channel and its tints, red and blue over green, log units.
fn white(cells: impl Iterator<Item = [f32; 3]>) -> [f32; 2] {
    let darkest = |[brightest, red, blue]: [f32; 3]| brightest - red.max(blue).max(0.0) + red.min(blue).min(0.0);
    let mut all: Vec<[f32; 3]> = cells.map(|c| [darkest(c), c[1], c[2]]).collect();
    let count = (BRIGHTEST * all.len() as f64) as usize;
    if count == 0 {
        return [0.0; 2];
    }
    all.select_nth_unstable_by(count, |a, b| b[0].total_cmp(&a[0]));
    [1, 2].map(|k| {
        let mut tints: Vec<f32> = all[..count].iter().map(|c| c[k]).collect();
        *tints.select_nth_unstable_by(count / 2, f32::total_cmp).1
    })
}

impl Usual {
    /// How far a tint is from none, log units: from that of clear crystals or of the brightest light, whichever is nearer.
    pub(super) fn tinted(&self, tint: [f32; 2]) -> f32 {
        let [red, blue] = self.off(tint);
        red.hypot(blue)
    }

    /// How far a tint is from every brown, log units: slurry is brown, and what else fills a hole, but dyed resin, has no colour.
    pub(super) fn not_brown(&self, tint: [f32; 2]) -> f32 {
        let [red, blue] = self.off(tint);
        let brown = (red * BROWN[0] + blue * BROWN[1]).max(0.0);
        (red - brown * BROWN[0]).hypot(blue - brown * BROWN[1])
    }

    /// Red and blue over green of a tint, less those of clear crystals or of the brightest light, whichever are nearer.
    fn off(&self, [red, blue]: [f32; 2]) -> [f32; 2] {
        let from = |none: [f32; 2]| [red - none[0], blue - none[1]];
        let (clear, white) = (from(self.tint), from(self.white));
        if clear[0].hypot(clear[1]) < white[0].hypot(white[1]) { clear } else { white }
    }

    /// Of a field's coarse light and its [`fine_detail`].
    pub(crate) fn of(light: &FieldLight, detail: &Array2<f32>) -> Self {
        let mut clear: Vec<(f32, f32, f32)> = Vec::new();
        let mut levels: Vec<f32> = Vec::new();
        for (i, level) in light.plane.coarse.iter().enumerate().step_by(5) {
            levels.push(*level);
            let columns = light.plane.coarse.dim().1;
            let at = [i / columns, i % columns];
            if light.lit[at] > 0.25 && *level > -0.2 {
                clear.push((light.plane.tint[0][at], light.plane.tint[1][at], *level));
            }
        }
        let mid = |v: &mut Vec<f32>| -> f32 {
            if v.is_empty() {
                return 0.0;
            }
            let at = v.len() / 2;
            *v.select_nth_unstable_by(at, f32::total_cmp).1
        };
        let level = if clear.len() > 50 {
            mid(&mut clear.iter().map(|c| c.2).collect())
        } else {
            let at = levels.len() * 8 / 10;
            if levels.is_empty() { 0.0 } else { *levels.select_nth_unstable_by(at, f32::total_cmp).1 }
        };
        // Detail of patches of some 20 µm: their quiet end is the camera's noise, their middle what crystals show.
        let reach = ((10.0 / (light.plane.um_per_px * light.plane.bin as f64)).round() as usize).max(1);
        let patches = box_mean(detail, reach);
        let step = (2 * reach + 1).max(3);
        let (rows, columns) = patches.dim();
        let mut spread: Vec<f32> = Vec::new();
        for y in (reach..rows.saturating_sub(reach)).step_by(step) {
            for x in (reach..columns.saturating_sub(reach)).step_by(step) {
                if light.plane.coarse[[y, x]] > level + CLEAR && light.lit[[y, x]] > OUT {
                    spread.push(patches[[y, x]].sqrt());
                }
            }
        }
        spread.sort_by(f32::total_cmp);
        let quiet = f64::from(spread.get(spread.len() * 3 / 100).copied().unwrap_or(0.01)).max(0.002);
        let (mut speckled, mut seen) = (0, 0);
        for (i, d) in detail.iter().enumerate().step_by(3) {
            let at = [i / columns, i % columns];
            if light.lit[at] > OUT && patches[at] > 0.0 && light.plane.coarse[at] > level + 2.0 * CLEAR {
                seen += 1;
                speckled += usize::from(f64::from(d.sqrt()) > 3.0 * quiet);
            }
        }
        let bright = light
            .crossed
            .iter()
            .map(|r| {
                let mut v: Vec<f32> = (0..r[0].len())
                    .step_by(7)
                    .map(|i| [i / columns, i % columns])
                    .filter(|at| !light.outside[*at] && !light.partly[*at])
                    .map(|at| r[0][at] + r[1][at] + r[2][at])
                    .collect();
                let n = v.len();
                if n == 0 {
                    return (0.0, 1.0);
                }
                let dark = *v.select_nth_unstable_by(n / 400, f32::total_cmp).1;
                let bright = *v.select_nth_unstable_by(n * 9 / 10, f32::total_cmp).1;
                (dark, bright.max(dark + 1e-4))
            })
            .collect();
        let [red, blue] = light.plane.tint.each_ref().map(|t| t.iter());
        let sparse = light.plane.coarse.iter().zip(red).zip(blue).step_by(5).map(|((c, r), b)| [*c, *r, *b]);
        let at = |p: f64| spread.get(((spread.len() as f64 - 1.0) * p).max(0.0) as usize).copied().unwrap_or(0.01);
        Self {
            tint: [mid(&mut clear.iter().map(|c| c.0).collect()), mid(&mut clear.iter().map(|c| c.1).collect())],
            white: white(sparse),
            level,
            detail: f64::from(at(0.3)).max(0.002),
            quiet,
            specks: f64::from(speckled as u32) / f64::from((seen as u32).max(1)),
            bright,
        }
    }
}

#[cfg(test)]
mod tests {
    use ndarray::{Axis, Slice};

    use super::*;
    use crate::section::plane_light::coarse_bin;
    use crate::slide::photograph::LinearPlanes;

    #[test]
    fn white_is_told_in_a_brown_rock_and_dye_is_none() {
        // Brown groundmass, pores dyed blue that are as bright in blue as what is white, and a few places that have no colour.
        let (brown, dyed, colourless) = ([-0.1, 0.06, -0.7], [0.35, -0.8, 0.1], [0.34, -0.16, -0.25]);
        let rock = || (0..1000).map(|k| if k % 20 == 3 { colourless } else { brown });
        assert_eq!(white(rock()), [-0.16, -0.25]);
        assert_eq!(white(rock().chain([dyed; 300])), [-0.16, -0.25]);
        let usual = Usual { tint: [0.06, -0.7], white: white(rock()), ..bare() };
        assert!(usual.tinted([-0.16, -0.25]) < 1e-6 && usual.tinted([0.06, -0.7]) < 1e-6);
        assert!(usual.tinted([-0.8, 0.1]) > 0.5, "dye is a colour");
    }

    #[test]
    fn every_brown_is_slurrys_and_pink_is_not() {
        let usual = bare();
        for brown in [[0.03, -0.04], [0.072, -0.096], [0.0, 0.0]] {
            assert!(usual.not_brown(brown) < 1e-6, "{brown:?}");
        }
        assert!(usual.not_brown([0.09, 0.015]) > 0.07, "garnet");
        assert!(usual.not_brown([-0.03, 0.04]) > 0.049, "blue is no brown");
    }

    /// Where a turned photograph does not reach, what stands for it may even be less than no light.
    #[test]
    fn what_stands_for_a_photograph_does_not_tell_how_dark_it_is() {
        let bin = coarse_bin(Some(1.6));
        let planes = |bin: usize, light: f32| LinearPlanes {
            bin,
            rgb: std::array::from_fn(|_| Array2::from_elem((240 / bin, 240 / bin), light)),
            mask: Array2::zeros((240 / bin, 240 / bin)),
        };
        let crossed = [planes(bin, 0.3), planes(bin, 0.2)];
        let mut light = FieldLight::from_planes(&planes(1, 0.7), &crossed, &[0.0, 45.0], Some(1.6));
        let bright = |light: &FieldLight| Usual::of(light, &fine_detail(light)).bright;
        let before = bright(&light);
        assert!(before.iter().all(|(dark, _)| *dark > 0.2), "{before:?}");
        light.crossed[0].iter_mut().for_each(|c| c.slice_axis_mut(Axis(0), Slice::from(..40)).fill(-0.1));
        assert!(bright(&light)[0].0 < 0.0, "it would be taken for the darkest");
        light.partly.slice_axis_mut(Axis(0), Slice::from(..40)).fill(true);
        assert_eq!(bright(&light), before);
    }

    #[test]
    fn a_field_of_no_cells_has_no_tint() {
        assert_eq!(white(std::iter::empty()), [0.0; 2]);
    }

    fn bare() -> Usual {
        let none = [0.0; 2];
        Usual { tint: none, white: none, level: 0.0, detail: 0.01, quiet: 0.01, specks: 0.0, bright: Vec::new() }
    }
}
