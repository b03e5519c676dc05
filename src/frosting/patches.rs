//! Places that are as clear as bare glass, and what each of them is: still glossy, wet, half clear, or a lamp mirrored in it.

use ndarray::Array2;

use crate::frosting::Light;
use crate::frosting::grid::Grid;
use crate::frosting::surface::{Region, Surface};

/// Half the way from frosted to clear: where a graded rim is cut.
const HALF: f32 = 0.5;
/// Half the least width of a patch, share of the short side: 1 mm wide on a slide of 27 mm.
const LEAST_HALF_WIDTH: f64 = 0.014;
/// Clearness that a glossy patch has at least in its middle: a film of water (index 1.33) takes the step in index from 0.52 to
/// 0.19 and leaves a seventh of the scatter (it goes with the square of the step), more where it is thin. Where frosted and
/// clear differ little, the light of clear glass is known less well against their difference: 1.5 % of it.
const LEAST_CLEAR: [f64; 2] = [0.89, 0.78];
const CLEAR_KNOWN_TO: f64 = 0.015;
/// Clearness of a full film of water, and by how many standard deviations of the clearness of a clear place a patch must be
/// clearer to be gloss by itself: when it reaches the border, and when the frosting closes round it as it does round a
/// puddle (house values).
const FILM: f64 = 0.87;
const BEYOND_FILM: [f64; 2] = [1.5, 2.0];
/// Most of the frosting's grain that a glossy patch may still show.
const MOST_GRAIN: f64 = 0.5;
/// Over frosted light by which something shines in oblique light.
const SHINES: f32 = 1.6;
/// Clearness of what is brighter than the bare light behind.
const BEYOND_CLEAR: f32 = 1.45;
/// Isolated patches smaller than this share of the slide are as likely drops as hollows.
const DROP_SHARE: f64 = 0.012;

/// What a clear place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The wheel has not reached it.
    Glossy,
    /// Water stands on it.
    Wet,
    /// Neither frosted nor clear: damp, greasy, or ground half.
    HalfClear,
    /// A lamp is mirrored in it or beside it.
    Shine,
}

/// One connected clear place.
#[derive(Clone, Debug)]
pub struct ClearPlace {
    /// What it is.
    pub kind: Kind,
    /// Its cells, (y, x).
    pub cells: Vec<[usize; 2]>,
    /// Clearness in its middle, 0 frosted, 1 clear.
    pub clearness: f64,
    /// It is clearer than a film of water, as far as the light of clear glass is known there.
    pub beyond_film: bool,
}

/// Everything seen on the slide's face.
pub struct Face {
    /// Clear places, largest first.
    pub places: Vec<ClearPlace>,
    /// Cells that a light burns out or brightens past what frosting sends.
    pub shine: Array2<bool>,
    /// Share of the glass that shines, 0..=1.
    pub shine_share: f64,
    /// Share of the glass that is neither frosted nor clear beside those places, 0..=1.
    pub dull_share: f64,
    /// Cells of the glass.
    pub area: f64,
    /// Glossy share of the glass when the rim is cut at 0.35 and at 0.65 of the way to clear.
    pub glossy_between: [f64; 2],
}

/// Looks over the face of a slide.
#[must_use]
pub fn look(grid: &Grid, region: &Region, surface: &Surface) -> Face {
    let judged = region.judged();
    let area = region.depth.iter().filter(|d| **d > 0.0).count() as f64;
    let shine = shining(grid, region, surface, &judged);
    let near_shine = grown(&shine, (0.035 * region.short) as usize + 1);
    let mut clear = surface.clear.mapv(|c| c > HALF);
    clear.zip_mut_with(&judged, |c, j| *c &= *j);
    let open = opened(&clear, LEAST_HALF_WIDTH * region.short);
    let usual_meniscus = {
        let all = judged.indexed_iter().filter(|(_, j)| **j);
        all.filter(|(at, _)| like_meniscus(surface, *at)).count() as f64 / area
    };
    let mut places: Vec<ClearPlace> = components(&open)
        .into_iter()
        .map(|cells| classify(cells, grid, region, surface, [&shine, &near_shine], usual_meniscus, area))
        .collect();
    places.sort_by_key(|p| std::cmp::Reverse(p.cells.len()));
    // Several small round ones are drops, all of them.
    let small = |p: &ClearPlace| (p.cells.len() as f64) < DROP_SHARE * area && !touches(p, region);
    if places.iter().any(|p| p.kind == Kind::Wet) || places.iter().filter(|p| small(p)).count() >= 2 {
        for p in places.iter_mut().filter(|p| small(p) && p.kind != Kind::Shine) {
            p.kind = Kind::Wet;
        }
    }
    // What is no clearer than a film may be one. At the border of a slide that is glossy elsewhere it is taken for gloss.
    let sure = places.iter().any(|p| p.kind == Kind::Glossy && p.beyond_film);
    for p in places.iter_mut().filter(|p| p.kind == Kind::Glossy && !p.beyond_film) {
        if !sure || !touches(p, region) {
            p.kind = Kind::HalfClear;
        }
    }
    let mut taken = Array2::from_elem(clear.dim(), false);
    places.iter().flat_map(|p| &p.cells).for_each(|at| taken[*at] = true);
    let rims = grown(&taken, (0.09 * region.short) as usize + 1);
    let enough = if surface.levels[0] > 0.0 { 0.07 / (surface.levels[1] / surface.levels[0] - 1.0).abs() } else { 1.0 };
    let least = enough.max(0.4) as f32;
    let mut dull = surface.clear.mapv(|c| c > least);
    dull.indexed_iter_mut().for_each(|(at, d)| *d &= judged[at] && !rims[at] && !near_shine[at]);
    let dull = opened(&dull, 1.6 * LEAST_HALF_WIDTH * region.short);
    let dull_share = dull.iter().filter(|d| **d).count() as f64 / area;
    let glossy_between = [0.35, 0.65].map(|level: f32| {
        let mut wide = Array2::from_elem(clear.dim(), false);
        places.iter().filter(|p| p.kind == Kind::Glossy).flat_map(|p| &p.cells).for_each(|at| wide[*at] = true);
        let near = grown(&wide, (0.05 * region.short) as usize);
        let count = near.indexed_iter().filter(|(at, n)| **n && judged[*at] && surface.clear[*at] > level).count();
        count as f64 / area
    });
    for place in &mut places {
        place.cells = to_the_border(&place.cells, region, clear.dim());
    }
    let shine_share = shine.iter().filter(|s| **s).count() as f64 / area;
    Face { places, shine, shine_share, dull_share, area, glossy_between }
}

fn shining(grid: &Grid, region: &Region, surface: &Surface, judged: &Array2<bool>) -> Array2<bool> {
    let mut shine = judged.clone();
    shine.indexed_iter_mut().for_each(|(at, s)| {
        let bright = match surface.light {
            Light::Oblique => surface.over_frosted[at] > SHINES,
            Light::Transmitted => {
                let [frosted, clear] = surface.levels;
                surface.clear[at] > BEYOND_CLEAR && f64::from(surface.over_frosted[at]) > 1.1 * clear / frosted
            }
        };
        *s &= grid.clipped[at] > 0.1 || bright;
    });
    grown_within(&shine, judged, (0.006 * region.short) as usize + 1)
}

fn like_meniscus(surface: &Surface, at: (usize, usize)) -> bool {
    let over = surface.over_frosted[at];
    match surface.light {
        Light::Oblique => over > 1.15,
        Light::Transmitted => over < 0.9,
    }
}

#[allow(clippy::too_many_arguments)]
fn classify(
    cells: Vec<[usize; 2]>,
    grid: &Grid,
    region: &Region,
    surface: &Surface,
    [shine, near_shine]: [&Array2<bool>; 2],
    usual_meniscus: f64,
    area: f64,
) -> ClearPlace {
    let dim = grid.light.dim();
    let mut own = Array2::from_elem(dim, false);
    cells.iter().for_each(|at| own[*at] = true);
    let inward = distances(&own);
    let deepest = cells.iter().map(|at| inward[*at]).fold(0.0, f32::max);
    let core: Vec<&[usize; 2]> = cells.iter().filter(|at| inward[**at] >= 0.6 * deepest).collect();
    let mut levels: Vec<f64> = core.iter().map(|at| f64::from(surface.clear[**at])).collect();
    levels.sort_by(f64::total_cmp);
    // Not the middle one: a place of two levels is as clear as its duller part.
    let clearness = crate::measured::quantile(&levels, 0.2);
    let n = core.len() as f64;
    let unsure = core.iter().map(|at| f64::from(surface.unsure[**at])).sum::<f64>() / n;
    let light = core.iter().map(|at| f64::from(grid.light[**at])).sum::<f64>() / n;
    let mut grains: Vec<f64> = core.iter().map(|at| f64::from(grid.texture[**at] * grid.light[**at])).collect();
    grains.sort_by(f64::total_cmp);
    let grain_left = surface.grain_left(crate::measured::quantile(&grains, 0.5), light);
    // Highlights and rims of a meniscus, on it or beside it: brighter than frosting in oblique light, darker in transmitted.
    let around = grown(&own, (0.02 * region.short) as usize + 2);
    let lowest = region.inset + 0.012 * region.short;
    let (mut beside_it, mut meniscus) = (0.0, 0.0);
    for (at, a) in around.indexed_iter() {
        if *a && !own[at] && f64::from(region.depth[at]) > lowest {
            beside_it += 1.0;
            meniscus += f64::from(u8::from(like_meniscus(surface, at)));
        }
    }
    let meniscus = if beside_it > 0.0 { meniscus / beside_it } else { 0.0 };
    let inside = cells.iter().filter(|at| shine[**at]).count() as f64 / cells.len() as f64;
    let beside = cells.iter().filter(|at| near_shine[**at]).count() as f64 / cells.len() as f64;
    let share = cells.len() as f64 / area;
    let [frosted_light, clear_light] = surface.levels;
    let least_clear =
        (LEAST_CLEAR[0] - CLEAR_KNOWN_TO * clear_light / (clear_light - frosted_light).abs()).max(LEAST_CLEAR[1]);
    let mut place = ClearPlace { kind: Kind::Glossy, cells, clearness, beyond_film: false };
    let within = usize::from(!touches(&place, region));
    place.beyond_film = clearness > FILM + BEYOND_FILM[within] * unsure;
    let alone = share < DROP_SHARE && !touches(&place, region);
    place.kind = if surface.light == Light::Transmitted && (beside > 0.4 || inside > 0.08) {
        Kind::Shine
    } else if surface.light == Light::Transmitted && inside > 0.0 && meniscus < 0.025 + 3.0 * usual_meniscus {
        // A glare lies over part of it: what it hides does not make the rest wet.
        if clearness < least_clear { Kind::HalfClear } else { Kind::Glossy }
    } else if meniscus > 0.025 + 3.0 * usual_meniscus
        || inside > 0.002
        || (0.004..0.15).contains(&holes(&place.cells))
        || (beside > 0.25 && alone)
    {
        Kind::Wet
    } else if clearness < least_clear || grain_left.is_some_and(|g| (MOST_GRAIN..1.3).contains(&g)) || alone {
        Kind::HalfClear
    } else {
        Kind::Glossy
    };
    place
}

/// Area of what it encloses, over its own: a highlight or a shadow in a drop.
fn holes(cells: &[[usize; 2]]) -> f64 {
    let low = cells.iter().fold([usize::MAX; 2], |m, c| [m[0].min(c[0]), m[1].min(c[1])]);
    let high = cells.iter().fold([0; 2], |m, c| [m[0].max(c[0]), m[1].max(c[1])]);
    let mut empty = Array2::from_elem((high[0] - low[0] + 3, high[1] - low[1] + 3), true);
    cells.iter().for_each(|c| empty[[c[0] - low[0] + 1, c[1] - low[1] + 1]] = false);
    // The first patch found begins in the corner of the frame, outside.
    let enclosed: usize = components(&empty).iter().skip(1).map(Vec::len).filter(|n| *n >= 10).sum();
    enclosed as f64 / cells.len() as f64
}

/// Whether it reaches the border of what is judged.
fn touches(place: &ClearPlace, region: &Region) -> bool {
    place.cells.iter().any(|at| f64::from(region.depth[*at]) < region.inset + 2.5)
}

/// Cells with those of the unjudged rim next to them.
fn to_the_border(cells: &[[usize; 2]], region: &Region, dim: (usize, usize)) -> Vec<[usize; 2]> {
    let mut own = Array2::from_elem(dim, false);
    cells.iter().for_each(|at| own[*at] = true);
    let rim = region.depth.mapv(|d| d > 0.0 && f64::from(d) <= region.inset + 1.0);
    let mut out = cells.to_vec();
    let grown = grown_within(&own, &rim, region.inset.ceil() as usize + 1);
    out.extend(grown.indexed_iter().filter(|(at, g)| **g && !own[*at]).map(|((y, x), _)| [y, x]));
    out
}

/// Grown by a square of `by` cells each way, only over cells of `within`.
fn grown_within(mask: &Array2<bool>, within: &Array2<bool>, by: usize) -> Array2<bool> {
    let mut out = grown(mask, by);
    ndarray::Zip::from(&mut out).and(mask).and(within).for_each(|o, m, w| *o = *m || (*o && *w));
    out
}

/// Grown by a square of `by` cells each way.
#[must_use]
pub fn grown(mask: &Array2<bool>, by: usize) -> Array2<bool> {
    let spread = |line: Vec<bool>| -> Vec<bool> {
        let n = line.len();
        let mut out = vec![false; n];
        let mut until = 0;
        for (i, v) in line.iter().enumerate() {
            if *v {
                for o in &mut out[i.saturating_sub(by).max(until)..(i + by + 1).min(n)] {
                    *o = true;
                }
                until = (i + by + 1).min(n);
            }
        }
        out
    };
    let mut out = mask.clone();
    for mut row in out.rows_mut() {
        let line = spread(row.to_vec());
        row.iter_mut().zip(line).for_each(|(o, v)| *o = v);
    }
    for mut column in out.columns_mut() {
        let line = spread(column.to_vec());
        column.iter_mut().zip(line).for_each(|(o, v)| *o = v);
    }
    out
}

/// Distance of each true cell to the nearest false one, cells (chamfer 3-4; the frame counts as true).
#[must_use]
pub fn distances(mask: &Array2<bool>) -> Array2<f32> {
    let (rows, columns) = mask.dim();
    let mut d = mask.mapv(|m| if m { f32::MAX / 4.0 } else { 0.0 });
    let step = |d: &mut Array2<f32>, y: usize, x: usize, around: [(isize, isize, f32); 4]| {
        let mut least = d[[y, x]];
        for (dy, dx, by) in around {
            let (j, i) = (y as isize + dy, x as isize + dx);
            if j >= 0 && i >= 0 && j < rows as isize && i < columns as isize {
                least = least.min(d[[j as usize, i as usize]] + by);
            }
        }
        d[[y, x]] = least;
    };
    for y in 0..rows {
        for x in 0..columns {
            step(&mut d, y, x, [(-1, -1, 4.0 / 3.0), (-1, 0, 1.0), (-1, 1, 4.0 / 3.0), (0, -1, 1.0)]);
        }
    }
    for y in (0..rows).rev() {
        for x in (0..columns).rev() {
            step(&mut d, y, x, [(1, 1, 4.0 / 3.0), (1, 0, 1.0), (1, -1, 4.0 / 3.0), (0, 1, 1.0)]);
        }
    }
    d
}

/// What is left when everything narrower than twice `by` is taken away.
fn opened(mask: &Array2<bool>, by: f64) -> Array2<bool> {
    let deep = distances(mask).mapv(|d| f64::from(d) > by);
    let back = distances(&deep.mapv(|d| !d)).mapv(|d| f64::from(d) <= by);
    let mut out = mask.clone();
    ndarray::Zip::from(&mut out).and(&deep).and(&back).for_each(|o, d, b| *o &= *d || *b);
    out
}

/// Connected patches of true cells, sides and corners joined.
#[must_use]
pub fn components(mask: &Array2<bool>) -> Vec<Vec<[usize; 2]>> {
    let (rows, columns) = mask.dim();
    let mut left = mask.clone();
    let mut out = Vec::new();
    for y in 0..rows {
        for x in 0..columns {
            if !left[[y, x]] {
                continue;
            }
            left[[y, x]] = false;
            let mut cells = vec![[y, x]];
            let mut next = 0;
            while next < cells.len() {
                let [j, i] = cells[next];
                next += 1;
                for v in j.saturating_sub(1)..(j + 2).min(rows) {
                    for u in i.saturating_sub(1)..(i + 2).min(columns) {
                        if left[[v, u]] {
                            left[[v, u]] = false;
                            cells.push([v, u]);
                        }
                    }
                }
            }
            out.push(cells);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn opening_takes_lines_away_and_leaves_discs() {
        let mask = Array2::from_shape_fn((80, 120), |(y, x)| {
            let disc = (x as f64 - 80.0).hypot(y as f64 - 40.0) < 15.0;
            disc || (38..42).contains(&y)
        });
        let open = opened(&mask, 4.0);
        assert!(open[[40, 80]] && !open[[40, 20]]);
        let area = open.iter().filter(|o| **o).count() as f64;
        assert!((area / (std::f64::consts::PI * 225.0) - 1.0).abs() < 0.06, "{area}");
        assert_eq!(components(&open).len(), 1);
    }

    #[test]
    fn distances_are_within_a_twelfth_of_the_true_ones() {
        let mask = Array2::from_shape_fn((61, 61), |(y, x)| (x, y) != (30, 30));
        let d = distances(&mask);
        for (y, x) in [(0, 0), (10, 40), (30, 60), (45, 33)] {
            let truth = (x as f64 - 30.0).hypot(y as f64 - 30.0);
            assert!((f64::from(d[[y, x]]) / truth - 1.0).abs() < 0.085, "{y} {x}");
        }
    }

    #[test]
    fn growing_is_by_a_square() {
        let mask = Array2::from_shape_fn((20, 20), |at| at == (10, 10) || at == (10, 12));
        assert_eq!(grown(&mask, 2).iter().filter(|g| **g).count(), 35);
    }
}
