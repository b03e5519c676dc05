//! Frosting of the glass, before any rock is on it: which part of a slide is frosted and which is still glossy.
//!
//! Frosted glass scatters. In oblique light on a dark ground it is bright and a glossy place shows the ground; against a light
//! it is dull and a glossy place is as clear as the bare light. Both ends are taken from the picture itself, the frosted one as a
//! smooth field over the slide, the clear one from the ground round it, and every place is put between them. Water, grease
//! and mirrored lamps are told from gloss or leave the answer undetermined.

pub mod bevel;
pub mod edges;
pub mod geometry;
pub mod grid;
pub mod grooves;
pub mod ground;
pub mod outline;
pub mod overlay;
pub mod patches;
pub mod places;
pub mod sides;
pub mod surface;
#[cfg(test)]
mod tests;
pub mod words;

use crate::measured::Measured;
use crate::slide::{Corner, Photograph};
use ndarray::Array2;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use grooves::Groove;
pub use places::{Edge, Where};

use edges::Edges;
use geometry::{Point, distance};
use grid::Grid;
use patches::{Face, Kind};
use surface::{NoSurface, Region, Surface};

/// Least length of the slide in the photograph, pixels: below it a patch of a millimetre is a handful of pixels.
const LEAST_LONG_PX: f64 = 300.0;
/// Glossy share from which the slide goes back to the wheel, 0..=1 (house value: 4 mm² of a slide of 46 x 27 mm).
const GLOSSY_FROM: f64 = 0.003;
/// Share that may be wet, half clear or mirror a lamp before nothing is said of the whole (house values).
const DOUBT_UP_TO: f64 = 0.01;
const SHINE_UP_TO: f64 = 0.06;
/// |ln(frosted / clear)| from which a dull slide is proof of frosting by itself: a light that lost a sixth more than glass takes.
const SCATTERS: f64 = 0.16;

/// How the slide is lit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Light {
    /// A lamp from aside, the slide on a dark ground: frosted is bright.
    Oblique,
    /// The slide in front of a light: frosted is dull.
    Transmitted,
}

/// What to do with the slide.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// It may be bonded.
    FrostedAllOver,
    /// It is still glossy somewhere.
    GrindOn,
    /// The photograph does not carry an answer.
    Undetermined,
}

/// Why the photograph carries no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// No glass with four straight edges is seen.
    NoSlide,
    /// An edge of the glass is not seen well enough.
    EdgeNotSeen,
    /// The slide runs out of the picture.
    CutOff,
    /// It is too small in the picture.
    TooSmall,
    /// Too little ground is seen round it.
    NoGround,
    /// The ground, or the light behind, is burnt out.
    GroundBurnt,
    /// The whole slide looks like its ground: frosted and clear are not told apart.
    NoContrast,
    /// Too little of the slide looks frosted to know what frosted looks like here.
    LittleFrosted,
    /// Water stands on it.
    Wet,
    /// Part of it is neither frosted nor clear.
    HalfClear,
    /// A lamp is mirrored in it.
    Shine,
}

/// A patch that the wheel has not reached.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Patch {
    /// Closed outline, pixels.
    pub outline_px: Vec<Point>,
    /// Share of the glass, 0..=1.
    pub share: f64,
    /// Where it lies, as seen in the picture.
    pub place: Where,
    /// The same counted from the bevelled corner; null without one.
    pub from_bevel: Option<String>,
    /// How clear it is in its middle: 0 as the frosting, 1 as bare glass.
    pub clearness: f64,
}

/// What one photograph of a frosted slide shows.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Frosting {
    /// What to do.
    pub answer: Answer,
    /// Why it is undetermined; empty otherwise.
    pub doubts: Vec<Doubt>,
    /// Outline of the glass with its bevel, pixels; empty when none is found.
    pub outline_px: Vec<Point>,
    /// The bevelled corner as seen in the picture; null when none is seen, or more than one.
    pub bevel: Option<Corner>,
    /// Ends of the bevel, pixels; null without one.
    pub bevel_px: Option<[Point; 2]>,
    /// Edges that the picture cuts off.
    pub cut_off: Vec<Edge>,
    /// How it is lit; null when that is not known.
    pub light: Option<Light>,
    /// Patches still glossy, largest first.
    pub glossy: Vec<Patch>,
    /// Their share of the glass, 0..=1; null when it is not known.
    pub glossy_share: Option<Measured>,
    /// Share of the glass that shows a mirrored lamp or is burnt out, where nothing is known, 0..=1.
    pub shine_share: f64,
    /// Share of the glass that is wet, 0..=1.
    pub wet_share: f64,
    /// Share of the glass that is neither frosted nor clear, 0..=1.
    pub half_clear_share: f64,
    /// Grooves of a coarser grit, longest first.
    pub grooves: Vec<Groove>,
    /// Scale, µm per pixel at the middle of the slide; null when the glass's width was not told.
    pub um_per_px: Option<f64>,
}

/// What the user knows.
#[derive(Clone, Copy, Debug, Default)]
pub struct Told {
    /// How the slide is lit; None to tell from the picture.
    pub light: Option<Light>,
    /// Length of the glass's longer side, mm.
    pub width_mm: Option<f64>,
}

impl Frosting {
    fn nothing(doubt: Doubt) -> Self {
        Self {
            answer: Answer::Undetermined,
            doubts: vec![doubt],
            outline_px: Vec::new(),
            bevel: None,
            bevel_px: None,
            cut_off: Vec::new(),
            light: None,
            glossy: Vec::new(),
            glossy_share: None,
            shine_share: 0.0,
            wet_share: 0.0,
            half_clear_share: 0.0,
            grooves: Vec::new(),
            um_per_px: None,
        }
    }
}

/// Looks at a photograph of a slide that was frosted.
#[must_use]
pub fn examine(photograph: &Photograph, told: Told) -> Frosting {
    examine_grid(&Grid::of(photograph), told)
}

/// The same on the photograph in cells.
#[must_use]
pub fn examine_grid(grid: &Grid, told: Told) -> Frosting {
    let (rows, columns) = grid.light.dim();
    if rows < 40 || columns < 40 {
        return Frosting::nothing(Doubt::TooSmall);
    }
    let edges = Edges::of(&grid.light);
    let Some(quad) = outline::find(&edges) else { return Frosting::nothing(Doubt::NoSlide) };
    let [_, long] = quad.sides();
    if long * (grid.bin as f64) < LEAST_LONG_PX {
        return Frosting::nothing(Doubt::TooSmall);
    }
    let sides = sides::refine(&quad, &edges);
    let corners: [Point; 4] = std::array::from_fn(|k| {
        let (a, b) = (sides[(k + 3) % 4].at(1.0), sides[k].at(0.0));
        [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
    });
    let whole = quad.cut_off == [false; 4] && !quad.corner_out;
    let bevel = if whole { bevel::find(&corners, &edges) } else { None };
    let outline = outline::bordered(&sides, bevel);
    let px = |p: Point| p.map(|v| grid.pixel(v));
    let mut found = Frosting {
        outline_px: outline.iter().copied().map(px).collect(),
        bevel: bevel.map(|b| b.corner),
        bevel_px: bevel.map(|b| b.ends.map(px)),
        cut_off: (0..4).filter(|k| quad.cut_off[*k]).map(|k| places::EDGES[k]).collect(),
        um_per_px: told.width_mm.filter(|_| whole).map(|mm| 1000.0 * mm / (long * grid.bin as f64)),
        ..Frosting::nothing(Doubt::NoSlide)
    };
    found.doubts.clear();
    if !whole {
        found.doubts.push(Doubt::CutOff);
    }
    if (0..4).any(|k| !quad.cut_off[k] && (quad.seen[k] < outline::LEAST_SEEN || sides[k].on_arc < outline::LEAST_SEEN))
    {
        found.doubts.push(Doubt::EdgeNotSeen);
        return found;
    }
    let region = Region::of(&outline, grid.light.dim(), quad.sides()[0]);
    match Surface::of(grid, &region, told.light) {
        Ok(surface) => {
            if quad.goes_on {
                found.doubts.push(Doubt::EdgeNotSeen);
            }
            judge(&mut found, &Glass { grid, region: &region, edges: &edges, sides: &sides, corners }, &surface);
        }
        Err(NoSurface::NoGround) => found.doubts.push(Doubt::NoGround),
        Err(NoSurface::LikeGround(_)) => found.doubts.push(Doubt::NoContrast),
    }
    found
}

/// A glass that was found in the picture.
struct Glass<'a> {
    grid: &'a Grid,
    region: &'a Region,
    edges: &'a Edges,
    sides: &'a [sides::Side; 4],
    corners: [Point; 4],
}

impl Glass<'_> {
    /// Whether the glass is seen to end all along where these cells touch its edges. A clear place shows the ground, so
    /// without its edge it may be ground.
    fn ends_at(&self, cells: &[[usize; 2]]) -> bool {
        const LEAST: f64 = 0.35;
        let to_unit = geometry::Homography::from_unit_square(self.corners).inverse();
        let near = (self.region.inset + 3.0) / self.region.short;
        let mut stretch = [[f64::MAX, f64::MIN]; 4];
        for [y, x] in cells {
            let [u, v] = to_unit.apply([*x as f64, *y as f64]);
            for (k, (off, t)) in [(v, u), (1.0 - u, v), (1.0 - v, 1.0 - u), (u, 1.0 - v)].into_iter().enumerate() {
                if off < near {
                    stretch[k] = [stretch[k][0].min(t), stretch[k][1].max(t)];
                }
            }
        }
        stretch.iter().zip(self.sides).all(|([from, to], side)| {
            if from >= to {
                return true;
            }
            let (a, b) = (from + 0.12 * (to - from), to - 0.12 * (to - from));
            if distance(side.at(a), side.at(b)) < 0.06 * self.region.short {
                return true;
            }
            let middle = (a + b) / 2.0;
            let seen = [[a, middle], [middle, b]].map(|[p, q]| self.edges.support(side.at(p), side.at(q)));
            (seen[0] + seen[1]) / 2.0 > LEAST
        })
    }
}

fn judge(found: &mut Frosting, glass: &Glass, surface: &Surface) {
    let (grid, region, corners) = (glass.grid, glass.region, &glass.corners);
    found.light = Some(surface.light);
    let mut face = patches::look(grid, region, surface);
    if found.doubts.contains(&Doubt::CutOff) {
        // Where the picture ends it may be ground that is taken for glass.
        let (rows, columns) = grid.light.dim();
        let at_the_end = |[y, x]: &[usize; 2]| *y < 3 || *x < 3 || y + 4 > rows || x + 4 > columns;
        for place in face.places.iter_mut().filter(|p| p.cells.iter().any(at_the_end)) {
            place.kind = Kind::HalfClear;
        }
    }
    for place in face.places.iter_mut().filter(|p| p.kind == Kind::Glossy) {
        if !glass.ends_at(&place.cells) {
            place.kind = Kind::HalfClear;
            if !found.doubts.contains(&Doubt::EdgeNotSeen) {
                found.doubts.push(Doubt::EdgeNotSeen);
            }
        }
    }
    let share = |kind: Kind| {
        face.places.iter().filter(|p| p.kind == kind).map(|p| p.cells.len()).sum::<usize>() as f64 / face.area
    };
    found.glossy = face
        .places
        .iter()
        .filter(|p| p.kind == Kind::Glossy)
        .map(|p| {
            let part = p.cells.len() as f64 / face.area;
            let place = Where::of(&p.cells, *corners, part);
            Patch {
                outline_px: traced(&p.cells, grid),
                share: part,
                place,
                from_bevel: found.bevel.and_then(|b| place.from_bevel(b)),
                clearness: p.clearness,
            }
        })
        .collect();
    found.wet_share = share(Kind::Wet);
    found.half_clear_share = share(Kind::HalfClear) + face.dull_share;
    found.shine_share = (face.shine_share + share(Kind::Shine)).min(1.0);
    found.grooves = grooves::find(grid, region, surface, &face, found.um_per_px);
    let glossy = share(Kind::Glossy);
    found.glossy_share = Some(glossy_share(glossy, share(Kind::HalfClear) + share(Kind::Wet), &face));
    if surface.frosted_share < 0.2 {
        found.doubts.push(Doubt::LittleFrosted);
    }
    if found.wet_share > 0.0 {
        found.doubts.push(Doubt::Wet);
        // Rims of water are lines too.
        found.grooves.clear();
    }
    if surface.ground_burnt && (glossy > 0.0 || found.half_clear_share + found.shine_share > DOUBT_UP_TO) {
        found.doubts.push(Doubt::GroundBurnt);
    }
    let cut_off = found.doubts.contains(&Doubt::CutOff);
    let certain = glossy >= GLOSSY_FROM
        && !found.doubts.iter().any(|d| matches!(d, Doubt::Wet | Doubt::LittleFrosted | Doubt::GroundBurnt));
    if certain {
        // What is glossy is glossy, whatever is not seen besides.
        found.doubts.clear();
        found.answer = Answer::GrindOn;
        return;
    }
    if found.half_clear_share > DOUBT_UP_TO {
        found.doubts.push(Doubt::HalfClear);
    }
    if found.shine_share > SHINE_UP_TO {
        found.doubts.push(Doubt::Shine);
    }
    if surface.light == Light::Transmitted && surface.contrast() < SCATTERS && surface.grain_over_noise() < 1.5 {
        found.doubts.push(Doubt::NoContrast);
    }
    if found.doubts.is_empty() && !cut_off {
        found.answer = Answer::FrostedAllOver;
    }
}

/// The share with what the cut through the rims and a cell of the outline leave open; `doubtful` is the share of wet and half
/// clear places, any of which may be glossy.
fn glossy_share(value: f64, doubtful: f64, face: &Face) -> Measured {
    let [wide, narrow] = face.glossy_between;
    let rims = (wide - narrow).abs() / 4.0;
    let outline = if value > 0.0 { 2.0 * (value / face.area).sqrt() } else { 0.0 };
    let mut share = Measured::normal(value, rims.hypot(outline).hypot(0.0005));
    share.interval = [share.interval[0], share.interval[1] + doubtful].map(|b| b.clamp(0.0, 1.0));
    share
}

/// Outline of connected cells, pixels.
fn traced(cells: &[[usize; 2]], grid: &Grid) -> Vec<Point> {
    let (mut y0, mut y1, mut x0, mut x1) = (usize::MAX, 0, usize::MAX, 0);
    for [y, x] in cells {
        (y0, y1, x0, x1) = (y0.min(*y), y1.max(*y), x0.min(*x), x1.max(*x));
    }
    let mut mask = Array2::<u8>::zeros((y1 - y0 + 3, x1 - x0 + 3));
    for [y, x] in cells {
        mask[[y - y0 + 1, x - x0 + 1]] = 255;
    }
    let (h, w) = mask.dim();
    let image = image::GrayImage::from_raw(w as u32, h as u32, mask.into_raw_vec_and_offset().0);
    let contours = image.map_or_else(Vec::new, |i| imageproc::contours::find_contours::<i32>(&i));
    contours
        .into_iter()
        .filter(|c| c.border_type == imageproc::contours::BorderType::Outer)
        .max_by_key(|c| c.points.len())
        .map(|c| {
            c.points
                .iter()
                .step_by(2)
                .map(|p| [grid.pixel(f64::from(p.x - 1) + x0 as f64), grid.pixel(f64::from(p.y - 1) + y0 as f64)])
                .collect()
        })
        .unwrap_or_default()
}
