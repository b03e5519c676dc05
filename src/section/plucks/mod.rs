//! Plucked grains: holes, out at every angle between crossed polars while clear and uncoloured in plane light.
//!
//! A grain seen down its axis is out at every angle too, and a pore of the rock may hold clear resin. What decides is the
//! sum of several cues: a dark outline all round (the wall of a hole refracts), an inside without any feature (resin has
//! no specks, cracks or relief), light at the level of clear resin, and no light at all between crossed polars.

mod arcs;
mod company;
#[cfg(test)]
mod drawn;
mod floor;
mod inside;
mod isotropic;
mod judgement;
mod leak;
mod outline;
mod patch;
mod pores;
mod slurry;
mod usual;
mod vesicles;

use std::collections::{HashMap, HashSet};

use image::{GrayImage, Luma};
use imageproc::distance_transform::Norm;
use imageproc::morphology::{close, dilate, open};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;
use rayon::prelude::*;

use self::patch::Patch;
pub(crate) use self::pores::OwnPores;
pub(crate) use self::usual::{Usual, fine_detail};
use crate::section::burnt;
use crate::section::cells::box_mean;
use crate::section::defects::{IN_DOUBT, REPORTED};
use crate::section::light_field::FieldLight;
use crate::section::parting::parts;
use crate::slide::record::Impregnation;

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
    /// Mean light well inside in each crossed picture, sum of channels of crossed over plane light.
    pub passed: Vec<f64>,
    /// Share of the inside that specks or cracks take up, by cells more uneven than three times the quiet patches.
    pub specks: f64,
    /// The same of the field's clear crystals.
    pub usual_specks: f64,
    /// Scatter of fine detail between the specks, over that of the quietest clear patches.
    pub ground: f64,
    /// Tint against the field's clear crystals, log units.
    pub tint: f64,
    /// The part of the tint that is not brown as slurry is, log units.
    pub not_brown: f64,
    /// Share of the outline on the frame.
    pub cut: f64,
    /// Area over that of its convex hull, 0..=1: low for a seam between grains.
    pub fullness: f64,
    /// Length over width along its own axes, 1 and more: high for a piece of an open fissure, which resin fills too.
    pub slender: f64,
    /// Share of the outline that can be judged.
    pub judged: f64,
    /// Share of the outline beyond which lies dyed resin, or a mineral as strongly coloured.
    pub beside_dye: f64,
    /// Robust scatter of its outline about an oval, share of the radius: low for a vesicle. 1 where it is no outline of a disc.
    pub roughness: f64,
    /// Share of its outline off the frame that lies on wide arcs, 0..=1: high for vesicles that run together.
    pub arcs: f64,
    /// The polars were turned too little to tell a grain at extinction.
    pub one_angle: bool,
    /// It is dirty all over and sparkles between crossed polars where it is dark: full of slurry, or an isotropic mineral with small crystals.
    pub slurry: bool,
    /// Vesicles lie about it: it may be one of them, or several that run together.
    pub among_vesicles: bool,
    /// The rock has an isotropic mineral by the dozen, and it may be of it.
    pub among_isotropic: bool,
    /// How many other holes are expected about it, beyond crystals that chance makes as black; None where company says nothing of it.
    pub company: Option<f64>,
    /// How sure that it is a hole that the rock did not have, 0..=1.
    pub confidence: f64,
}

impl Hole {
    /// Sets what the light between crossed polars says, and the confidence; `leak` is what the polars pass anyway.
    fn weigh(&mut self, usual: &Usual, leak: Option<&[f64]>) {
        let share = |(k, passed): (usize, &f64)| {
            let (dark, bright) = usual.bright[k];
            let none = leak.map_or(f64::from(dark), |l| l[k].max(f64::from(dark)));
            (passed - none) / f64::from(bright - dark)
        };
        let shares: Vec<f64> = self.passed.iter().enumerate().map(share).collect();
        self.inner_light = shares.iter().copied().fold(f64::NEG_INFINITY, f64::max).max(0.0);
        self.swing = self.inner_light - shares.iter().copied().fold(f64::INFINITY, f64::min).max(0.0);
        self.confidence = self.odds().probability();
    }
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
/// The same where a patch is parted: a pale wall is followed there through its palest cells, and specks part nothing by themselves.
const PALEST_WALL: f32 = 0.05;
/// Tint beyond which a cell is coloured, log units off the clear crystals.
const TINTED: f32 = 0.16;
/// Area over that of its hull under which a patch may be several that touch.
const SPRAWLING: f64 = 0.82;
/// Area over the least from which a patch that is no hole as a whole may hold one. House value.
const SEVERAL: f64 = 3.0;
/// Confidence by its looks under which a compact patch is taken apart. House value.
const DOUBTFUL: f64 = 0.2;
/// Confidence by its looks alone below which no company makes a patch a hole.
const MAY_BE: f64 = 0.05;

/// The holes of a field.
pub(crate) struct Called {
    /// Those that are called holes.
    pub(crate) holes: Vec<Hole>,
    /// Those that are not, and may be.
    pub(crate) in_doubt: Vec<Hole>,
    /// The rock's own pores, as far as they may be taken for them.
    pub(crate) own_pores: OwnPores,
}

/// Whether a patch counts when holes are called: it may be one, or tells how many crystals look like one by chance.
pub(crate) fn counts(hole: &Hole) -> bool {
    hole.confidence >= MAY_BE || company::is_nearly_black(hole)
}

/// Those that are called holes, and those in doubt, weighed by the company they keep; µm per pixel of the scale used.
pub(crate) fn called(holes: Vec<Hole>, um_per_px: f64, impregnation: Impregnation) -> Called {
    let (mut holes, crystals): (Vec<Hole>, Vec<Hole>) = holes.into_iter().partition(|h| h.confidence >= MAY_BE);
    vesicles::leave_out(&mut holes);
    let own_pores = OwnPores::of(&holes, impregnation);
    let isotropic = isotropic::mark(&mut holes);
    if own_pores == OwnPores::Apart && !isotropic {
        company::weigh(&mut holes, &crystals, company::REACH_UM / um_per_px);
    }
    holes.retain(|h| h.confidence >= IN_DOUBT);
    let (holes, in_doubt) = holes.into_iter().partition(|h| h.confidence >= REPORTED);
    Called { holes, in_doubt, own_pores }
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
    let (rows, columns) = light.plane.coarse.dim();
    let cell_um = light.plane.um_per_px * light.plane.bin as f64;
    let around = box_mean(&light.plane.coarse, ((8.0 / cell_um).round() as usize).max(2));
    let inked = !light.plane.burnt.is_empty();
    let mut mask = GrayImage::new(columns as u32, rows as u32);
    for (i, pixel) in mask.iter_mut().enumerate() {
        let at = [i / columns, i % columns];
        let tint = usual.tinted([light.plane.tint[0][at], light.plane.tint[1][at]]);
        let hole = light.lit[at] < OUT && light.plane.coarse[at] > usual.level + CLEAR && tint < TINTED
            // A wall, even a pale one, parts a hole from the next patch that is out.
            && light.plane.coarse[at] > around[at] - PALE_WALL
            && !light.outside[at]
            && !(inked && burnt::covers(&light.plane.burnt, at[1] as f64 * light.plane.bin as f64, at[0] as f64 * light.plane.bin as f64));
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
            .filter_map(|p| Some((p.label, patch::look(light, detail, usual, &p)?)))
            .filter(|(_, h)| is_large_enough(light, h))
            .collect()
    };
    let connected = labelled(&mask);
    // A sprawling patch may be several that touch; a compact one that lines cut up is a crystal, or a hole beside one that is out.
    let (whole, sprawling): (Vec<_>, Vec<_>) = seen(&connected).into_iter().partition(|(_, h)| h.fullness > SPRAWLING);
    let large = |h: &Hole| h.area > SEVERAL * least * (light.plane.bin as f64).powi(2);
    let doubtful = |h: &Hole| h.fullness > SPRAWLING && h.confidence < DOUBTFUL && large(h);
    let (doubtful, whole): (Vec<_>, Vec<_>) = whole.into_iter().partition(|(_, h)| doubtful(h));
    let mut holes: Vec<Hole> = whole.into_iter().map(|(_, h)| h).collect();
    let split: HashSet<u32> = sprawling.iter().chain(&doubtful).map(|(l, _)| *l).collect();
    if !split.is_empty() {
        let within = |x: u32, y: u32| split.contains(&connected[[y as usize, x as usize]]);
        let several =
            GrayImage::from_fn(columns as u32, rows as u32, |x, y| Luma([if within(x, y) { 255 } else { 0 }]));
        let darkness = &around - &light.plane.coarse;
        let mut clear = clear;
        clear.iter_mut().zip(&darkness).filter(|(_, d)| **d > PALEST_WALL).for_each(|(c, _)| *c = 0);
        let labels = parts(&several, &clear, &darkness);
        let of: HashMap<u32, u32> = labels.iter().copied().zip(connected.iter().copied()).collect();
        let mut pieces: Vec<(u32, Hole)> = seen(&labels).into_iter().map(|(l, h)| (of[&l], h)).collect();
        for (label, hole) in doubtful {
            if pieces.iter().any(|(l, piece)| *l == label && piece.confidence > hole.confidence) {
                continue;
            }
            pieces.retain(|(l, _)| *l != label);
            holes.push(hole);
        }
        holes.extend(pieces.into_iter().map(|(_, h)| h));
    }
    holes = floor::put_together(light, detail, usual, holes, least);
    slurry::found(light, detail, usual, &mut holes, least);
    if let Some(leak) = leak::leak(&holes) {
        holes.iter_mut().for_each(|h| h.weigh(usual, Some(&leak)));
    }
    holes.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    holes
}

/// Whether a hole is as large as those that are looked for.
fn is_large_enough(light: &FieldLight, hole: &Hole) -> bool {
    hole.area >= std::f64::consts::FRAC_PI_4 * light.plane.px(SMALLEST_UM).powi(2)
}

/// Numbers the connected patches of a mask from 1; 0 outside them.
fn labelled(mask: &GrayImage) -> Array2<u32> {
    let labels = connected_components(mask, Connectivity::Four, Luma([0]));
    Array2::from_shape_fn((mask.height() as usize, mask.width() as usize), |(y, x)| {
        labels.get_pixel(x as u32, y as u32).0[0]
    })
}

/// Each labelled patch of `least` cells or more.
fn patches(labels: &Array2<u32>, least: f64) -> Vec<Patch> {
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
            let mask = GrayImage::from_fn(x1 - x0 + 3, y1 - y0 + 3, |x, y| {
                let inside = (1..=x1 - x0 + 1).contains(&x)
                    && (1..=y1 - y0 + 1).contains(&y)
                    && labels[[(y + y0 - 1) as usize, (x + x0 - 1) as usize]] == l;
                Luma([if inside { 255 } else { 0 }])
            });
            Patch { label: l, mask, x0: i64::from(x0) - 1, y0: i64::from(y0) - 1 }
        })
        .collect()
}

/// From nothing at `from` to all at `to`, 0..=1.
fn rising(v: f64, from: f64, to: f64) -> f64 {
    ((v - from) / (to - from)).clamp(0.0, 1.0)
}

/// A hole of which nothing was seen.
#[cfg(test)]
fn bare() -> Hole {
    Hole {
        outline: Vec::new(),
        area: 0.0,
        centroid: [0.0; 2],
        wall: 0.0,
        wall_depth: 0.0,
        detail: 0.0,
        usual_detail: 0.0,
        level: 0.0,
        lit: 0.0,
        swing: 0.0,
        inner_light: 0.0,
        passed: Vec::new(),
        specks: 0.0,
        usual_specks: 0.0,
        ground: 0.0,
        tint: 0.0,
        not_brown: 0.0,
        cut: 0.0,
        fullness: 0.0,
        slender: 1.0,
        judged: 0.0,
        beside_dye: 0.0,
        roughness: 1.0,
        arcs: 0.0,
        one_angle: false,
        slurry: false,
        among_vesicles: false,
        among_isotropic: false,
        company: None,
        confidence: 0.0,
    }
}
