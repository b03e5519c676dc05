//! What a line is filled with: a scratch shows the crystals below it, a veinlet has a colour and crystals of its own.

use crate::section::cells::median;
use crate::section::line_search::LineSearch;
use crate::section::plane_light::PlaneLight;
use crate::section::sides::Sides;
use crate::section::trace::Path;

/// Spacing of the places along a line that are looked at, µm. This and what follows are house values.
const EVERY_UM: f64 = 5.0;
/// Distance of the places beside a line from its edge, µm, and from its middle at least.
const ASIDE_UM: [f64; 2] = [6.0, 10.0];
/// Width from which a line's own middle is seen between crossed polars, µm: cells there are some 2.6 µm wide, and what lies beside mixes in.
const WIDE_UM: f64 = 7.0;
/// Least room between a line's own edge and the other edge of a band, µm.
const BARE_UM: f64 = 5.0;
/// Depth up to which enough light is left to tell, log units.
const DIM: f64 = 0.7;

/// What a line is filled with.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Filling {
    /// How much browner it is in plane light than what lies beside it, and than neutral, log units: the lesser of more red and less blue
    /// over green.
    pub(crate) brown: f64,
    /// How far its light between crossed polars lies outside that of both sides, roots of bright crystals' light, mean over places and
    /// channels, less what places aside of it show; of a line that may be one edge of a band the light of the band. 0 where the line is
    /// too narrow or too dark to tell and there is no band.
    pub(crate) own: f64,
}

/// What fills a line that is so wide and so deep, µm and log units, or the band between it and another edge so many cells aside.
pub(super) fn filling(
    path: &Path,
    search: &LineSearch,
    plane: &PlaneLight,
    sides: Sides<'_>,
    [width_um, depth]: [f64; 2],
    edge: Option<f64>,
) -> Filling {
    let cell_um = plane.um_per_px * search.bin as f64;
    let aside = (width_um / 2.0 + ASIDE_UM[0]).max(ASIDE_UM[1]) / cell_um;
    let [from, to] = path.ends;
    let count = ((to - from) * cell_um / EVERY_UM).max(1.0) as usize;
    let along = || (0..count).map(|k| from + (k as f64 + 0.5) * (to - from) / count as f64);
    // Only beyond neutral: where a groove lets through less of a blue resin it is no browner for it.
    let brown = [(0, 1.0), (1, -1.0)].map(|(channel, sign)| {
        let at = |s: f64, o: f64| Some(sign * plane.tint_at(channel, path.at(s, o).map(|v| search.px(v)))?);
        let more = |s: f64| {
            let here = at(s, 0.0)?;
            Some((here - (at(s, aside)? + at(s, -aside)?) / 2.0).min(here))
        };
        median(&mut Vec::from_iter(along().filter_map(more)))
    });
    let brown = brown[0].min(brown[1]).max(0.0);
    // Of three places one lies outside the other two here, and by how much.
    let outside = |s: f64, [left, middle, right]: [f64; 3]| {
        let [left, here, right] = [left, middle, right].map(|o| sides.at(path.at(s, o)));
        let (left, here, right) = (left?, here?, right?);
        let each = here.iter().zip(left.iter().zip(&right));
        let sum: f32 = each.map(|(h, (l, r))| (h - l.max(*r)).max(l.min(*r) - h).max(0.0)).sum();
        Some(f64::from(sum) / here.len().max(1) as f64)
    };
    let own_light = |places: [f64; 3]| {
        let mean = |shift: f64| {
            let found: Vec<f64> = along().filter_map(|s| outside(s, places.map(|o| o + shift))).collect();
            (!found.is_empty()).then(|| found.iter().sum::<f64>() / found.len() as f64)
        };
        // Small crystals do the same anywhere: what they do on either side is taken off.
        let span = 1.25 * (places[2] - places[0]).abs();
        let usual: Vec<f64> = [span, -span].into_iter().filter_map(mean).collect();
        mean(0.0).map_or(0.0, |own| (own - usual.iter().sum::<f64>() / usual.len().max(1) as f64).max(0.0))
    };
    let of_the_line = if width_um < WIDE_UM || depth > DIM { 0.0 } else { own_light([-aside, 0.0, aside]) };
    let of_the_band = edge.filter(|edge| edge.abs() * cell_um > width_um + BARE_UM).map_or(0.0, |edge| {
        let beyond = aside.copysign(edge);
        own_light([-beyond, edge / 2.0, edge + beyond])
    });
    let own = of_the_line.max(of_the_band);
    Filling { brown, own }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::section::light_field::FieldLight;
    use crate::section::plane_light::coarse_bin;
    use crate::section::sides::CrossedColours;
    use crate::slide::photograph::LinearPlanes;

    /// What fills a line along y = 120 across a field of 1.6 µm a pixel, so wide and so deep, µm and log units, by what plane light each row
    /// passes, and by the share of bright crystals' light that a place passes between crossed polars.
    fn of(
        plane: impl Fn(usize) -> [f32; 3],
        crossed: impl Fn(usize, usize) -> f32,
        look: [f64; 2],
        edge: Option<f64>,
    ) -> Filling {
        let planes = |bin: usize, value: &dyn Fn(usize, usize) -> [f32; 3]| {
            let dim = (240 / bin, 320 / bin);
            let rgb = std::array::from_fn(|c| Array2::from_shape_fn(dim, |(y, x)| value(y * bin, x * bin)[c]));
            LinearPlanes { bin, rgb, mask: Array2::zeros(dim) }
        };
        // A dark corner says what dark is.
        let share = |y: usize, x: usize| match (x, y) {
            (260.., 0..60) => 0.0,
            _ => crossed(x, y),
        };
        let between_crossed = planes(coarse_bin(Some(1.6)), &|y, x| plane(y).map(|v| 0.4 * share(y, x) * v));
        let light = FieldLight::from_planes(
            &planes(1, &|y, _| plane(y).map(|v| 0.8 * v)),
            &[between_crossed],
            &[0.0],
            Some(1.6),
        );
        let colours = CrossedColours::of(&light);
        let search = LineSearch::of(&light.plane, 1).expect("large enough");
        let path = Path {
            origin: [160.0, 120.0],
            along: [1.0, 0.0],
            sideways: [0.0; 3],
            ends: [-140.0, 140.0],
            evidence: 0.0,
        };
        filling(&path, &search, &light.plane, colours.sides(1), look, edge)
    }

    /// A line 10 µm wide of such a transmission, as bright between crossed polars as is said of its two halves.
    fn wide(line: [f32; 3], crossed: [f32; 2]) -> Filling {
        let on_line = |y: usize| (117..=123).contains(&y);
        let between = |x: usize, y: usize| if on_line(y) { crossed[usize::from(x > 160)] } else { 0.6 };
        of(|y| if on_line(y) { line } else { [1.0; 3] }, between, [10.0, 0.3], None)
    }

    #[test]
    fn a_groove_is_grey_and_shows_the_crystals_below_it() {
        let groove = wide([0.75; 3], [0.6, 0.6]);
        assert!(groove.brown < 0.005 && groove.own < 0.02, "{groove:?}");
    }

    #[test]
    fn clay_in_a_veinlet_is_brown_by_what_it_takes_from_green_and_blue() {
        let clay = wide([0.8, 0.7, 0.56], [0.6, 0.6]);
        // ln(0.8 / 0.7) = 0.134 more red, ln(0.7 / 0.56) = 0.223 less blue, less what the edges mix in.
        assert!((clay.brown - 0.134).abs() < 0.02, "{clay:?}");
        let blue = wide([0.56, 0.7, 0.8], [0.6, 0.6]);
        assert!(blue.brown < 0.005, "{blue:?}");
        let through_blue = |y: usize| match y {
            117..=123 => [0.55, 0.6, 0.62],
            85..=155 => [0.5, 0.7, 0.95],
            _ => [1.0; 3],
        };
        let groove = of(through_blue, |_, _| 0.6, [10.0, 0.3], None);
        assert!(groove.brown < 0.02, "it lets through less of a blue resin: {groove:?}");
    }

    #[test]
    fn crystals_of_a_veinlet_have_light_of_their_own() {
        let crystals = wide([0.75; 3], [1.0, 0.2]);
        // The roots of 1 and of 0.2 over 0.6, which is what bright crystals have here: 0.291 above them and 0.423 below.
        assert!((crystals.own - 0.357).abs() < 0.02, "{crystals:?}");
    }

    /// Two dark lines 14 pixels apart, as a clear veinlet's edges or as two scratches.
    #[test]
    fn a_band_between_two_lines_is_a_veinlet_where_it_has_light_of_its_own() {
        let between_them = |crossed: [f32; 2], edge: Option<f64>| {
            let plane =
                |y: usize| if (119..=121).contains(&y) || (133..=135).contains(&y) { [0.75; 3] } else { [1.0; 3] };
            let light = |x: usize, y: usize| if (120..=134).contains(&y) { crossed[usize::from(x > 160)] } else { 0.6 };
            of(plane, light, [3.0, 0.3], edge).own
        };
        let veinlet = between_them([1.0, 0.2], Some(14.0));
        assert!((veinlet - 0.357).abs() < 0.02, "{veinlet}");
        assert!(between_them([0.6, 0.6], Some(14.0)) < 0.02, "two scratches");
        assert!(between_them([1.0, 0.2], None) == 0.0, "too narrow by itself");
    }

    #[test]
    fn two_scratches_through_small_crystals_are_no_veinlet() {
        let plane = |y: usize| if (119..=121).contains(&y) || (133..=135).contains(&y) { [0.75; 3] } else { [1.0; 3] };
        // Crystals of 16 µm, any as bright as any other.
        let mosaic = |x: usize, y: usize| ((x / 10 * 73 + y / 10 * 151 + (x / 10) * (y / 10)) % 89) as f32 / 89.0;
        let own = of(plane, mosaic, [3.0, 0.3], Some(14.0)).own;
        assert!(own < 0.06, "{own}");
    }
}
