//! What the grinding left, in one field: each kind told from what a sound rock shows.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::register::FieldStack;
use crate::register::smear::Smeared;
use crate::section::bubbles::Ring;
use crate::section::candidates::Candidates;
use crate::section::crossed_light::CrossedLight;
use crate::section::eyepiece;
use crate::section::fibres::Fibre;
use crate::section::lifted::Lifted;
use crate::section::light_field::FieldLight;
use crate::section::plane_light::PlaneLight;
use crate::section::plane_look::PlaneLook;
use crate::section::plucks::{self, Hole, OwnPores};
use crate::section::scratches::Line;
use crate::section::shape::simplified;
use crate::section::unjudged::unjudged;
use crate::section::unsharp;
use crate::slide::record::Impregnation;
use crate::timings::stage;

/// A gas bubble in the bond or under the cover.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bubble {
    /// Name of the field.
    pub field: String,
    /// Centre, pixels.
    pub x_px: f64,
    /// Centre, pixels.
    pub y_px: f64,
    /// Outer diameter of the dark rim, pixels.
    pub diameter_px: f64,
    /// Outer diameter, µm; null without a scale.
    pub diameter_um: Option<f64>,
    /// How sure, 0..=1.
    pub confidence: f64,
    /// Number of crossed photographs through which the rock's own colour shows inside the ring, over all; null when not told.
    pub rock_shows_through: Option<f64>,
}

/// A plucked grain or part of one: a hole that the rock did not have.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pluck {
    /// Name of the field.
    pub field: String,
    /// Centroid, pixels.
    pub x_px: f64,
    /// Centroid, pixels.
    pub y_px: f64,
    /// Area, square pixels.
    pub area_px: f64,
    /// Area, µm²; null without a scale.
    pub area_um2: Option<f64>,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// It may as well be the rock's own, a pore or an isotropic mineral; it does not count against the section.
    pub ambiguous: bool,
    /// How sure, 0..=1.
    pub confidence: f64,
    /// Outline, pixels, closed.
    pub outline_px: Vec<[f64; 2]>,
}

/// A scratch, one chord.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Scratch {
    /// Name of the field.
    pub field: String,
    /// One end, pixels.
    pub x0_px: f64,
    /// One end, pixels.
    pub y0_px: f64,
    /// Other end, pixels.
    pub x1_px: f64,
    /// Other end, pixels.
    pub y1_px: f64,
    /// Length, µm; null without a scale.
    pub length_um: Option<f64>,
    /// Width, µm; null without a scale.
    pub width_um: Option<f64>,
    /// How sure, 0..=1.
    pub confidence: f64,
}

/// Something that is seen, and neither judged nor counted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Other {
    /// What it is.
    pub kind: OtherKind,
    /// Name of the field.
    pub field: String,
    /// Bounding box x0, y0, x1, y1, pixels, half-open.
    pub box_px: [f64; 4],
    /// How sure, 0..=1.
    pub confidence: f64,
    /// What it is and how it was told, for people.
    pub sentence: String,
}

/// Kinds of things that are seen and not judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OtherKind {
    /// A hair or a scale in the eyepiece: no part of the section.
    EyepieceLine,
}

/// What was found in one field, and what could not be judged there.
#[derive(Clone, Debug, Default)]
pub struct FieldDefects {
    /// Bubbles, largest first.
    pub bubbles: Vec<Bubble>,
    /// Plucked areas, largest first.
    pub plucks: Vec<Pluck>,
    /// Holes that are less likely plucked than not: they are neither told nor counted, and leave the plucked area in doubt.
    pub plucks_in_doubt: Vec<Pluck>,
    /// Scratches, longest first.
    pub scratches: Vec<Scratch>,
    /// Lines that are less likely scratches than not, as [`Self::plucks_in_doubt`].
    pub scratches_in_doubt: Vec<Scratch>,
    /// Fibres on the section or under its cover, longest first; they are not judged.
    pub fibres: Vec<Fibre>,
    /// Areas that have come off the glass, largest first; they are not judged.
    pub lifted: Vec<Lifted>,
    /// What is seen and not judged.
    pub others: Vec<Other>,
    /// Area that was looked at, pixels.
    pub area_px: f64,
    /// Kinds that these photographs cannot show, each with its reason ("scratches: 6 µm per pixel is too coarse").
    pub unjudged: Vec<(DefectKind, String)>,
    /// A photograph is smeared, and that is why: photographed again they can be judged.
    pub moved: bool,
    /// The plane photograph is out of focus, and that is why.
    pub out_of_focus: bool,
}

/// Kinds of preparation defect that are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DefectKind {
    /// Bubbles.
    Bubbles,
    /// Plucked areas.
    Plucks,
    /// Scratches.
    Scratches,
}

/// Confidence from which something is reported.
pub(crate) const REPORTED: f64 = 0.5;
/// Confidence from which what is not reported leaves its limit in doubt. House value.
pub(crate) const IN_DOUBT: f64 = 0.15;

/// Finds the defects of one field.
///
/// Lengths follow the field's scale; without one they are taken at a usual 1.6 µm per pixel and given in pixels only.
#[must_use]
pub fn find_defects(stack: &FieldStack, impregnation: Impregnation) -> FieldDefects {
    find_defects_unless(stack, &CrossedLight::NotYet, stack.smeared().as_ref(), impregnation)
}

/// The same of a field of which is known whether a photograph is smeared: most defects cannot be judged then.
pub(crate) fn find_defects_unless(
    stack: &FieldStack,
    crossed: &CrossedLight,
    smeared: Option<&Smeared>,
    impregnation: Impregnation,
) -> FieldDefects {
    stage!("defects");
    let plane = {
        stage!("defects: light");
        Arc::new(PlaneLight::of(&stack.plane, stack.scale))
    };
    let (look, light) = rayon::join(
        || PlaneLook::of(Arc::clone(&plane)),
        || {
            stage!("defects: crossed light");
            FieldLight::over_made(Arc::clone(&plane), stack, crossed)
        },
    );
    find_by(stack, &light, &look, smeared, impregnation)
}

/// The same of a field whose plane photograph was looked over before.
#[must_use]
pub fn find_defects_after(
    look: &PlaneLook,
    stack: &FieldStack,
    smeared: Option<&Smeared>,
    impregnation: Impregnation,
) -> FieldDefects {
    stage!("defects");
    let light = {
        stage!("defects: crossed light");
        FieldLight::over(Arc::clone(&look.light), stack)
    };
    find_by(stack, &light, look, smeared, impregnation)
}

fn find_by(
    stack: &FieldStack,
    light: &FieldLight,
    look: &PlaneLook,
    smeared: Option<&Smeared>,
    impregnation: Impregnation,
) -> FieldDefects {
    let mut found = report(light, Candidates::by(light, look), &stack.name, impregnation);
    if stack.crossed.iter().all(|c| c.photograph.record.is_grey()) {
        // Neither dye in a pore nor the tint of an isotropic mineral shows.
        found.plucks.iter_mut().for_each(|pluck| pluck.ambiguous = true);
    }
    let (still, scratches) = std::mem::take(&mut found.scratches)
        .into_iter()
        .partition(|s| eyepiece::stays_still(stack, [[s.x0_px, s.y0_px], [s.x1_px, s.y1_px]]) == Some(true));
    found.scratches = scratches;
    found
        .scratches_in_doubt
        .retain(|s| eyepiece::stays_still(stack, [[s.x0_px, s.y0_px], [s.x1_px, s.y1_px]]) != Some(true));
    found.others = Vec::from_iter(still).iter().map(Other::in_the_eyepiece).collect();
    let (still, fibres) = std::mem::take(&mut found.fibres).into_iter().partition(|f| {
        let pieces: Vec<bool> = f.chords().into_iter().filter_map(|c| eyepiece::stays_still(stack, c)).collect();
        2 * pieces.iter().filter(|p| **p).count() > pieces.len()
    });
    found.fibres = fibres;
    found.others.extend(Vec::from_iter(still).iter().map(Other::bent_in_the_eyepiece));
    unsharp::unjudge(&mut found, smeared, stack.out_of_focus().as_ref());
    found
}

impl Other {
    fn bent_in_the_eyepiece(fibre: &Fibre) -> Self {
        Self {
            kind: OtherKind::EyepieceLine,
            field: fibre.field.clone(),
            box_px: fibre.box_px,
            confidence: fibre.confidence,
            sentence: "a dark bent line that stays still in the camera while the stage turns: a hair in the eyepiece or on the \
                       camera, none on the section"
                .into(),
        }
    }

    fn in_the_eyepiece(line: &Scratch) -> Self {
        Self {
            kind: OtherKind::EyepieceLine,
            field: line.field.clone(),
            box_px: [
                line.x0_px.min(line.x1_px),
                line.y0_px.min(line.y1_px),
                line.x0_px.max(line.x1_px) + 1.0,
                line.y0_px.max(line.y1_px) + 1.0,
            ],
            confidence: line.confidence,
            sentence: "a dark line that stays still in the camera while the stage turns: a hair or a scale in the eyepiece, no scratch"
                .into(),
        }
    }
}

/// Finds the defects in a field's light.
#[must_use]
pub fn find_in_light(light: &FieldLight, field: &str, impregnation: Impregnation) -> FieldDefects {
    report(light, Candidates::of(light), field, impregnation)
}

/// What is reported of a field's candidates, and what could not be judged there.
#[must_use]
pub fn report(light: &FieldLight, candidates: Candidates, field: &str, impregnation: Impregnation) -> FieldDefects {
    let mut lines_in_doubt: Vec<Line> = candidates.lines.iter().filter(|l| l.is_in_doubt()).cloned().collect();
    let Candidates { rings, holes, lines, threads, lifted } = candidates.called(light.plane.um_per_px);
    crate::section::fibres::told_apart(&mut lines_in_doubt, &mut threads.clone(), light.plane.um_per_px);
    let plucks::Called { holes, in_doubt, own_pores } = plucks::called(holes, light.plane.um_per_px, impregnation);
    let scale = light.plane.scale_known.then_some(light.plane.um_per_px);
    let mut found = FieldDefects {
        bubbles: rings.iter().map(|r| Bubble::of(light, r, field)).collect(),
        plucks: holes.iter().map(|h| Pluck::of(h, field, own_pores, scale)).collect(),
        plucks_in_doubt: in_doubt.iter().map(|h| Pluck::of(h, field, own_pores, scale)).collect(),
        scratches: lines.iter().map(|l| Scratch::of(l, field, light.plane.scale_known)).collect(),
        scratches_in_doubt: lines_in_doubt.iter().map(|l| Scratch::of(l, field, light.plane.scale_known)).collect(),
        fibres: threads.iter().map(|t| Fibre::of(t, field, light.plane.scale_known)).collect(),
        lifted: lifted.iter().map(|p| Lifted::of(p, field, light.plane.scale_known, light.plane.um_per_px)).collect(),
        others: Vec::new(),
        area_px: light.seen_area(),
        unjudged: unjudged(light.plane.um_per_px, light.angle_spread_deg),
        moved: false,
        out_of_focus: false,
    };
    found.largest_first();
    found
}

impl FieldDefects {
    pub(crate) fn largest_first(&mut self) {
        self.bubbles.sort_by(|a, b| b.diameter_px.total_cmp(&a.diameter_px));
        self.plucks.sort_by(|a, b| b.area_px.total_cmp(&a.area_px));
        let length = |s: &Scratch| (s.x1_px - s.x0_px).hypot(s.y1_px - s.y0_px);
        self.scratches.sort_by(|a, b| length(b).total_cmp(&length(a)));
        self.fibres.sort_by(|a, b| b.length_px.total_cmp(&a.length_px));
        self.lifted.sort_by(|a, b| b.area_px.total_cmp(&a.area_px));
    }
}

impl Bubble {
    pub(crate) fn of(light: &FieldLight, r: &Ring, field: &str) -> Self {
        Self {
            field: field.to_owned(),
            x_px: r.x,
            y_px: r.y,
            diameter_px: 2.0 * r.radius,
            diameter_um: light.plane.scale_known.then_some(2.0 * r.radius * light.plane.um_per_px),
            confidence: r.confidence,
            rock_shows_through: rock_shows_through(light, r),
        }
    }
}

impl Pluck {
    /// Of a hole in a field with such pores of the rock's own, with µm per pixel where they are known.
    pub(crate) fn of(h: &Hole, field: &str, own_pores: OwnPores, um_per_px: Option<f64>) -> Self {
        let outline = simplified(&h.outline, 0.7);
        let bound = |f: fn(f64, f64) -> f64, i: usize, start: f64| outline.iter().map(|p| p[i]).fold(start, f);
        let ambiguous = !own_pores.are_told_from(h) || h.one_angle || h.among_vesicles || h.may_be_isotropic();
        Self {
            field: field.to_owned(),
            x_px: h.centroid[0],
            y_px: h.centroid[1],
            area_px: h.area,
            area_um2: um_per_px.map(|um| h.area * um * um),
            box_px: [
                bound(f64::min, 0, f64::INFINITY),
                bound(f64::min, 1, f64::INFINITY),
                bound(f64::max, 0, f64::NEG_INFINITY) + 1.0,
                bound(f64::max, 1, f64::NEG_INFINITY) + 1.0,
            ],
            ambiguous,
            confidence: h.confidence,
            outline_px: outline,
        }
    }
}

impl Scratch {
    pub(crate) fn of(l: &Line, field: &str, scale_known: bool) -> Self {
        Self {
            field: field.to_owned(),
            x0_px: l.ends[0][0],
            y0_px: l.ends[0][1],
            x1_px: l.ends[1][0],
            y1_px: l.ends[1][1],
            length_um: scale_known.then_some(l.length_um),
            width_um: scale_known.then_some(l.width_um),
            confidence: l.confidence,
        }
    }
}

/// Share of crossed photographs in which light and its variation inside a ring are those of the rock; None when too small to tell.
fn rock_shows_through(light: &FieldLight, ring: &Ring) -> Option<f64> {
    if light.crossed.is_empty() {
        return None;
    }
    let cell = light.plane.bin as f64;
    let (cx, cy, r) = ((ring.x + 0.5) / cell - 0.5, (ring.y + 0.5) / cell - 0.5, 0.55 * ring.radius / cell);
    let (rows, columns) = light.plane.coarse.dim();
    let cells: Vec<[usize; 2]> = (0..rows)
        .skip((cy - r).max(0.0) as usize)
        .take_while(|y| *y as f64 <= cy + r)
        .flat_map(|y| {
            (0..columns).skip((cx - r).max(0.0) as usize).take_while(move |x| *x as f64 <= cx + r).map(move |x| [y, x])
        })
        .filter(|at| (at[0] as f64 - cy).hypot(at[1] as f64 - cx) <= r)
        .collect();
    if cells.len() < 5 {
        return None;
    }
    let shows = light
        .crossed
        .iter()
        .zip(&light.levels.green)
        .filter(|(x, [dark, bright])| {
            let lit = cells.iter().filter(|c| x[1][**c] > dark + 0.12 * (bright - dark)).count();
            lit * 3 > cells.len()
        })
        .count();
    Some(shows as f64 / light.crossed.len() as f64)
}
