//! Plucked grains: holes, out at every angle between crossed polars while clear and uncoloured in plane light.
//!
//! A grain seen down its axis is out at every angle too, and a pore of the rock may hold clear resin. What decides is the
//! sum of several cues: a dark outline all round (the wall of a hole refracts), an inside without any feature (resin has
//! no specks, cracks or relief), light at the level of clear resin, and no light at all between crossed polars.

use std::collections::HashSet;

use image::{GrayImage, Luma};
use imageproc::contours::{BorderType, find_contours};
use imageproc::distance_transform::Norm;
use imageproc::morphology::{close, dilate, open};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;
use rayon::prelude::*;

use crate::section::burnt;
use crate::section::light_field::{FieldLight, box_mean, sample};
use crate::section::odds::Odds;
use crate::section::parting::parts;
use crate::section::shape::{polygon_area, polygon_centroid};

/// A patch that may be a hole, with what was seen of it.
#[derive(Clone, Debug)]
pub struct Hole {
    /// Outline along the middle of its wall, pixels.
    pub outline: Vec<[f64; 2]>,
    /// Area inside the outline, square pixels.
    pub area: f64,
    /// Centroid, pixels.
    pub centroid: [f64; 2],
    /// Share of the outline that can be judged where a dark wall is seen.
    pub wall: f64,
    /// Median depth of the wall under the inside, log units.
    pub wall_depth: f64,
    /// Scatter of fine detail inside over that of the field's quietest clear patches.
    pub detail: f64,
    /// The same for the field's clear crystals.
    pub usual_detail: f64,
    /// Mean light inside against the field's clear level, log units.
    pub level: f64,
    /// Mean light between crossed polars, 0 darkest of the field, 1 its bright crystals.
    pub lit: f64,
    /// Widest difference between crossed pictures of the mean light well inside, share of bright crystals: a hole has none,
    /// a crystal has some unless it is seen within a few degrees of its axis. 0 with one picture.
    pub swing: f64,
    /// Brightest mean light well inside, over the crossed pictures, share of bright crystals.
    pub inner_light: f64,
    /// Share of the inside that specks or cracks take up, by cells more uneven than three times the quiet patches.
    pub specks: f64,
    /// The same of the field's clear crystals.
    pub usual_specks: f64,
    /// Scatter of fine detail between the specks, over that of the quietest clear patches.
    pub ground: f64,
    /// Tint against the field's clear crystals, log units.
    pub tint: f64,
    /// Share of the outline on the frame.
    pub cut: f64,
    /// Area over that of the box it spans along its own axes: low for a seam between grains.
    pub fullness: f64,
    /// Share of the outline that can be judged.
    pub judged: f64,
    /// The polars were turned too little to tell a grain at extinction.
    pub one_angle: bool,
    /// How sure that it is a hole that the rock did not have, 0..=1.
    pub confidence: f64,
}

/// Smallest hole looked for, µm across; 60 µm and over count.
const SMALLEST_UM: f64 = 44.0;
/// Light between crossed polars below which a cell is out, share of bright crystals.
const OUT: f32 = 0.06;
/// Light between crossed polars below which a cell is out for certain: a quartz axis within some 15° of the view gives as much.
const SURELY_OUT: f32 = 0.025;
/// Darker than this in plane light is not clear, log units.
const CLEAR: f32 = -0.30;
/// Darkness against the surroundings from which a cell belongs to a wall, log units.
const PALE_WALL: f32 = 0.09;
/// Tint beyond which a cell is coloured, log units off the clear crystals.
const TINTED: f32 = 0.16;
/// A wall at least this much darker than the inside, log units.
const WALL: f32 = 0.16;
/// Area over that of its hull under which a patch may be several that touch.
const SPRAWLING: f64 = 0.82;
/// Farthest that a wall is looked for outside the patch, µm.
const WALL_REACH_UM: f64 = 12.0;

/// Clear crystals of the field: what a hole is compared with.
#[derive(Clone, Debug)]
pub(crate) struct Usual {
    tint: [f32; 2],
    level: f32,
    detail: f64,
    quiet: f64,
    /// Share of clear crystals that specks take up.
    specks: f64,
    /// Sum of channels of the darkest cells and of bright crystals, in each crossed picture.
    bright: Vec<(f32, f32)>,
}

/// Finds patches that may be plucked, likeliest first.
#[must_use]
pub fn find(light: &FieldLight) -> Vec<Hole> {
    let detail = fine_detail(light);
    look_over(light, &detail, &Usual::of(light, &detail))
}

/// The same by what is usual over a field that `light` is a window of.
pub(crate) fn find_in_window(light: &FieldLight, usual: &Usual) -> Vec<Hole> {
    look_over(light, &fine_detail(light), usual)
}

fn look_over(light: &FieldLight, detail: &Array2<f32>, usual: &Usual) -> Vec<Hole> {
    let (rows, columns) = light.coarse.dim();
    let cell_um = light.um_per_px * light.bin as f64;
    let around = box_mean(&light.coarse, ((8.0 / cell_um).round() as usize).max(2));
    let inked = !light.burnt.is_empty();
    let mut mask = GrayImage::new(columns as u32, rows as u32);
    for (i, pixel) in mask.iter_mut().enumerate() {
        let at = [i / columns, i % columns];
        let tint = (light.tint[0][at] - usual.tint[0]).hypot(light.tint[1][at] - usual.tint[1]);
        let hole = light.lit[at] < OUT && light.coarse[at] > usual.level + CLEAR && tint < TINTED
            // A wall, even a pale one, parts a hole from the next patch that is out.
            && light.coarse[at] > around[at] - PALE_WALL
            && !light.outside[at]
            && !(inked && burnt::covers(&light.burnt, at[1] as f64 * light.bin as f64, at[0] as f64 * light.bin as f64));
        *pixel = if hole { 255 } else { 0 };
    }
    // What is dark for certain, and what is dark enough within two cells of it: a hole's border is lit by its neighbours,
    // a tilted crystal is lit throughout.
    let sure = GrayImage::from_fn(columns as u32, rows as u32, |x, y| {
        let dark = light.lit[[y as usize, x as usize]] < SURELY_OUT;
        Luma([if dark { mask.get_pixel(x, y).0[0] } else { 0 }])
    });
    let near = dilate(&open(&close(&sure, Norm::L1, 1), Norm::L1, 1), Norm::L1, 3);
    mask.iter_mut().zip(near.iter()).for_each(|(m, n)| *m = (*m).min(*n));
    // Specks inside are bridged, thin bridges between patches are cut.
    let clear = mask;
    let mask = open(&close(&clear, Norm::L1, 1), Norm::L1, ((5.0 / cell_um).round() as u8).max(1));
    let least = std::f64::consts::FRAC_PI_4 * (SMALLEST_UM / cell_um).powi(2) * 0.6;
    let seen = |labels: &Array2<u32>| -> Vec<(u32, Hole)> {
        patches(labels, least)
            .into_par_iter()
            .filter_map(|(l, patch, x0, y0)| Some((l, look(light, detail, usual, &patch, x0, y0)?)))
            .filter(|(_, h)| h.area >= std::f64::consts::FRAC_PI_4 * light.px(SMALLEST_UM).powi(2))
            .collect()
    };
    let connected = connected_components(&mask, Connectivity::Four, Luma([0]));
    let connected = Array2::from_shape_fn((rows, columns), |(y, x)| connected.get_pixel(x as u32, y as u32).0[0]);
    // A sprawling patch may be several that touch; a compact one that lines cut up is a crystal.
    let (whole, sprawling): (Vec<_>, Vec<_>) = seen(&connected).into_iter().partition(|(_, h)| h.fullness > SPRAWLING);
    let mut holes: Vec<Hole> = whole.into_iter().map(|(_, h)| h).collect();
    if !sprawling.is_empty() {
        let of: HashSet<u32> = sprawling.iter().map(|(l, _)| *l).collect();
        let within = |x: u32, y: u32| of.contains(&connected[[y as usize, x as usize]]);
        let sprawl = GrayImage::from_fn(columns as u32, rows as u32, |x, y| Luma([if within(x, y) { 255 } else { 0 }]));
        let labels = parts(&sprawl, &clear, &(&around - &light.coarse));
        holes.extend(seen(&labels).into_iter().map(|(_, h)| h));
    }
    holes.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    holes
}

/// Each labelled patch of `least` cells or more, with a margin of a cell: label, mask, and where its corner lies.
fn patches(labels: &Array2<u32>, least: f64) -> Vec<(u32, GrayImage, i64, i64)> {
    let count = labels.iter().copied().max().unwrap_or(0) as usize;
    let mut boxes = vec![(u32::MAX, u32::MAX, 0_u32, 0_u32, 0_usize); count + 1];
    for ((y, x), l) in labels.indexed_iter() {
        let (x, y, b) = (x as u32, y as u32, &mut boxes[*l as usize]);
        *b = (b.0.min(x), b.1.min(y), b.2.max(x), b.3.max(y), b.4 + 1);
    }
    let large = (1..=count as u32).filter(|l| boxes[*l as usize].4 as f64 >= least);
    large
        .map(|l| {
            let (x0, y0, x1, y1, _) = boxes[l as usize];
            let patch = GrayImage::from_fn(x1 - x0 + 3, y1 - y0 + 3, |x, y| {
                let inside = (1..=x1 - x0 + 1).contains(&x)
                    && (1..=y1 - y0 + 1).contains(&y)
                    && labels[[(y + y0 - 1) as usize, (x + x0 - 1) as usize]] == l;
                Luma([if inside { 255 } else { 0 }])
            });
            (l, patch, i64::from(x0) - 1, i64::from(y0) - 1)
        })
        .collect()
}

/// Square of what is finer than a few pixels, averaged over coarse cells.
pub(crate) fn fine_detail(light: &FieldLight) -> Array2<f32> {
    let reach = (light.px(4.0).round() as usize).clamp(1, 5);
    let smooth = box_mean(&light.fine, reach);
    let mut squares = &light.fine - &smooth;
    squares.mapv_inplace(|d| (d * d).min(0.04));
    crate::section::light_field::shrink(&squares, light.bin)
}

impl Usual {
    /// Of a field's coarse light and its [`fine_detail`].
    pub(crate) fn of(light: &FieldLight, detail: &Array2<f32>) -> Self {
        let mut clear: Vec<(f32, f32, f32)> = Vec::new();
        let mut levels: Vec<f32> = Vec::new();
        for (i, level) in light.coarse.iter().enumerate().step_by(5) {
            levels.push(*level);
            let columns = light.coarse.dim().1;
            let at = [i / columns, i % columns];
            if light.lit[at] > 0.25 && *level > -0.2 {
                clear.push((light.tint[0][at], light.tint[1][at], *level));
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
        let reach = ((10.0 / (light.um_per_px * light.bin as f64)).round() as usize).max(1);
        let patches = box_mean(detail, reach);
        let step = (2 * reach + 1).max(3);
        let (rows, columns) = patches.dim();
        let mut spread: Vec<f32> = Vec::new();
        for y in (reach..rows.saturating_sub(reach)).step_by(step) {
            for x in (reach..columns.saturating_sub(reach)).step_by(step) {
                if light.coarse[[y, x]] > level + CLEAR && light.lit[[y, x]] > OUT {
                    spread.push(patches[[y, x]].sqrt());
                }
            }
        }
        spread.sort_by(f32::total_cmp);
        let quiet = f64::from(spread.get(spread.len() * 3 / 100).copied().unwrap_or(0.01)).max(0.002);
        let (mut speckled, mut seen) = (0, 0);
        for (i, d) in detail.iter().enumerate().step_by(3) {
            let at = [i / columns, i % columns];
            if light.lit[at] > OUT && patches[at] > 0.0 && light.coarse[at] > level + 2.0 * CLEAR {
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
                    .filter(|at| !light.outside[*at])
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
        let at = |p: f64| spread.get(((spread.len() as f64 - 1.0) * p).max(0.0) as usize).copied().unwrap_or(0.01);
        Self {
            tint: [mid(&mut clear.iter().map(|c| c.0).collect()), mid(&mut clear.iter().map(|c| c.1).collect())],
            level,
            detail: f64::from(at(0.3)).max(0.002),
            quiet,
            specks: f64::from(speckled as u32) / f64::from((seen as u32).max(1)),
            bright,
        }
    }
}

fn look(light: &FieldLight, detail: &Array2<f32>, usual: &Usual, patch: &GrayImage, x0: i64, y0: i64) -> Option<Hole> {
    let contour = find_contours::<i32>(patch)
        .into_iter()
        .filter(|c| c.border_type == BorderType::Outer && c.parent.is_none())
        .max_by_key(|c| c.points.len())?;
    let cell = light.bin as f64;
    let to_px = |v: f64| v * cell + (cell - 1.0) / 2.0;
    let raw: Vec<[f64; 2]> = contour
        .points
        .iter()
        .map(|p| [to_px((i64::from(p.x) + x0) as f64), to_px((i64::from(p.y) + y0) as f64)])
        .collect();
    if raw.len() < 8 {
        return None;
    }
    let outline = resample(&raw, light.px(4.0).max(1.5));
    let n = outline.len();
    if n < 8 {
        return None;
    }
    // Inside: cells of the patch away from its border.
    let (rows, columns) = light.coarse.dim();
    let (mut count, mut level, mut square, mut lit, mut tint) = (0.0, 0.0, 0.0, 0.0, [0.0; 2]);
    let mut eroded = imageproc::morphology::erode(patch, Norm::LInf, 2);
    if eroded.iter().filter(|v| **v > 0).count() < 24 {
        eroded = imageproc::morphology::erode(patch, Norm::LInf, 1);
    }
    let (mut eroded_count, mut all) = (0.0_f64, 0.0_f64);
    for (x, y, p) in patch.enumerate_pixels() {
        if p.0[0] == 0 {
            continue;
        }
        let at = [(i64::from(y) + y0) as usize, (i64::from(x) + x0) as usize];
        all += 1.0;
        lit += f64::from(light.lit[at]);
        if eroded.get_pixel(x, y).0[0] == 0 {
            continue;
        }
        eroded_count += 1.0;
        count += 1.0;
        level += f64::from(light.coarse[at]);
        square += f64::from(detail[at]);
        tint[0] += f64::from(light.tint[0][at] - usual.tint[0]);
        tint[1] += f64::from(light.tint[1][at] - usual.tint[1]);
    }
    if eroded_count < 6.0 {
        return None;
    }
    let level = level / count;
    let inside = level as f32;
    // Well away from the wall, whose light and dirt reach in.
    let mut deep = eroded.clone();
    for _ in 0..3 {
        let deeper = imageproc::morphology::erode(&deep, Norm::LInf, 1);
        if deeper.iter().filter(|v| **v > 0).count() < 60 {
            break;
        }
        deep = deeper;
    }
    let deep: Vec<[usize; 2]> = deep
        .enumerate_pixels()
        .filter(|(_, _, p)| p.0[0] > 0)
        .map(|(x, y, _)| [(i64::from(y) + y0) as usize, (i64::from(x) + x0) as usize])
        .collect();
    let means: Vec<f64> = usual
        .bright
        .iter()
        .zip(&light.crossed)
        .map(|((dark, bright), r)| {
            let sum: f32 = deep.iter().map(|at| r[0][*at] + r[1][*at] + r[2][*at]).sum();
            f64::from((sum / deep.len() as f32 - dark) / (bright - dark))
        })
        .collect();
    let inner_light = means.iter().copied().fold(f64::NEG_INFINITY, f64::max).max(0.0);
    let swing = inner_light - means.iter().copied().fold(f64::INFINITY, f64::min).max(0.0);
    let mut roughness: Vec<f64> = deep.iter().map(|at| f64::from(detail[*at]).sqrt() / usual.quiet).collect();
    let specks = roughness.iter().filter(|d| **d > 3.0).count() as f64 / roughness.len().max(1) as f64;
    let ground = median(&mut roughness);
    let reach = light.px(WALL_REACH_UM).max(3.0 * cell).max(5.0);
    // Wall: darkest place along the normal, from a cell inside to some way out.
    let frame = |p: [f64; 2]| {
        p[0] < 2.0 * cell
            || p[1] < 2.0 * cell
            || p[0] > (columns as f64 - 2.0) * cell
            || p[1] > (rows as f64 - 2.0) * cell
    };
    let mut walls: Vec<Option<(f64, f32)>> = Vec::with_capacity(n);
    let (mut judged, mut cut, mut seen) = (0.0, 0.0, 0.0);
    let mut depths: Vec<f64> = Vec::new();
    for k in 0..n {
        let p = outline[k];
        if frame(p) {
            cut += 1.0;
            walls.push(None);
            continue;
        }
        let normal = normal(&outline, k);
        let (mut best, mut at) = (f32::INFINITY, 0.0);
        let mut profile: Vec<f32> = Vec::new();
        let mut t = -1.5 * cell;
        while t <= reach {
            let Some(v) = sample(&light.fine, p[0] + t * normal[0], p[1] + t * normal[1]) else { break };
            profile.push(v);
            // Nearer walls before farther ones of the same depth.
            let weighed = v + 0.25 * (t.max(0.0) / reach) as f32;
            if weighed < best {
                (best, at) = (weighed, t);
            }
            t += 0.75;
        }
        let dark = profile.iter().copied().fold(f32::INFINITY, f32::min);
        let last = profile.iter().rev().take(3).copied().sum::<f32>() / 3.0;
        // Beside something dark, a wall cannot be told from its neighbour.
        if last < inside - 0.8 {
            walls.push(None);
            continue;
        }
        judged += 1.0;
        let depth = inside - dark;
        depths.push(f64::from(depth));
        if depth > WALL {
            seen += 1.0;
            walls.push(Some((at, depth)));
        } else {
            walls.push(None);
        }
    }
    let mut offsets: Vec<f64> = walls.iter().flatten().map(|w| w.0).collect();
    let usual_offset = if offsets.is_empty() {
        cell
    } else {
        let at = offsets.len() / 2;
        *offsets.select_nth_unstable_by(at, f64::total_cmp).1
    };
    let shifted: Vec<[f64; 2]> = (0..n)
        .map(|k| {
            let p = outline[k];
            if frame(p) {
                return p;
            }
            let mut near: Vec<f64> = (0..5).filter_map(|d| walls[(k + n + d - 2) % n].map(|w| w.0)).collect();
            let offset = if near.is_empty() {
                usual_offset
            } else {
                let at = near.len() / 2;
                *near.select_nth_unstable_by(at, f64::total_cmp).1
            };
            let normal = normal(&outline, k);
            [p[0] + offset * normal[0], p[1] + offset * normal[1]]
        })
        .collect();
    let area = polygon_area(&shifted);
    let hull = crate::section::shape::convex_hull(shifted.clone());
    let mut hole = Hole {
        centroid: polygon_centroid(&shifted),
        area,
        wall: if judged > 0.0 { seen / judged } else { 0.0 },
        wall_depth: median(&mut depths),
        detail: (square / count).sqrt() / usual.quiet,
        usual_detail: usual.detail / usual.quiet,
        level: level - f64::from(usual.level),
        lit: lit / all,
        swing,
        inner_light,
        specks,
        usual_specks: usual.specks,
        ground,
        tint: (tint[0] / count).hypot(tint[1] / count),
        cut: cut / n as f64,
        fullness: area / polygon_area(&hull).max(1.0),
        judged: judged / n as f64,
        one_angle: light.angle_spread_deg < 15.0,
        confidence: 0.0,
        outline: shifted,
    };
    hole.confidence = hole.odds().probability();
    Some(hole)
}

fn median(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let at = v.len() / 2;
    *v.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Points at even spacing along a closed outline, smoothed over their neighbours.
fn resample(raw: &[[f64; 2]], spacing: f64) -> Vec<[f64; 2]> {
    let mut lengths = vec![0.0];
    for (i, a) in raw.iter().enumerate() {
        let b = raw[(i + 1) % raw.len()];
        lengths.push(lengths[i] + (a[0] - b[0]).hypot(a[1] - b[1]));
    }
    let total = lengths[raw.len()];
    let n = ((total / spacing) as usize).max(8);
    let mut out = Vec::with_capacity(n);
    let mut i = 0;
    for k in 0..n {
        let s = total * k as f64 / n as f64;
        while lengths[i + 1] < s && i + 1 < raw.len() {
            i += 1;
        }
        let span = (lengths[i + 1] - lengths[i]).max(1e-9);
        let (a, b, u) = (raw[i], raw[(i + 1) % raw.len()], (s - lengths[i]) / span);
        out.push([a[0] + (b[0] - a[0]) * u, a[1] + (b[1] - a[1]) * u]);
    }
    (0..n)
        .map(|k| {
            let (a, b, c) = (out[(k + n - 1) % n], out[k], out[(k + 1) % n]);
            [0.25 * a[0] + 0.5 * b[0] + 0.25 * c[0], 0.25 * a[1] + 0.5 * b[1] + 0.25 * c[1]]
        })
        .collect()
}

/// Outward unit normal of an outline that turns clockwise on the screen or not: away from its own inside.
fn normal(outline: &[[f64; 2]], k: usize) -> [f64; 2] {
    let n = outline.len();
    let (a, b) = (outline[(k + n - 2) % n], outline[(k + 2) % n]);
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy).max(1e-9);
    let mut turn = 0.0;
    for (i, p) in outline.iter().enumerate() {
        let q = outline[(i + 1) % n];
        turn += p[0] * q[1] - q[0] * p[1];
    }
    let sign = if turn > 0.0 { 1.0 } else { -1.0 };
    [sign * dy / length, -sign * dx / length]
}

impl Hole {
    /// What speaks for a hole and against it.
    #[must_use]
    pub fn odds(&self) -> Odds {
        Odds::before(-2.5)
            .with("wall", self.wall - 0.6, 2.0)
            .with("wall depth", (self.wall_depth / 0.3).max(0.05).ln().clamp(-1.5, 1.0), 0.7)
            // No light at all: a crystal near its axis passes some, at one angle or another.
            .with("lit", (self.lit - 0.012).max(0.0), -34.0)
            .with("swing", (self.swing.max(0.0005) / 0.002).ln(), -0.7)
            .with("inner light", (self.inner_light.max(0.001) / 0.004).ln(), -0.7)
            // Resin between its specks is as even as the camera lets it be; crystals have relief, haze and inclusions.
            .with("ground", self.ground.max(0.3).ln(), -3.4)
            .with("tint", (self.tint - 0.035).max(0.0), -30.0)
            .with("dim", (-0.05 - self.level).max(0.0), -4.8)
            .with("ragged", (self.fullness - 0.85).min(0.0), 2.3)
            .with("hardly judged", (self.judged - 0.6).min(0.0), 0.5)
            // One angle: every grain at extinction is out.
            .with("one angle", f64::from(u8::from(self.one_angle)), -1.5)
    }
}
