//! What may be a defect in a field, before it is called one.

use std::sync::Arc;

use ndarray::Array2;
use rayon::prelude::*;

use crate::section::bubbles::{self, Ring};
use crate::section::defects::REPORTED;
use crate::section::fibres::{self, Thread};
use crate::section::lifted::{self, Patch};
use crate::section::light_field::FieldLight;
use crate::section::plane_look::{Followed, PlaneLook};
use crate::section::plucks::{self, Hole, Usual};
use crate::section::scratches::{self, Line};
use crate::section::sides::CrossedColours;
use crate::section::surround::surround;
use crate::timings::stage;

/// Everything that looked like a defect for a moment, whatever became of it.
#[derive(Clone, Debug, Default)]
pub struct Candidates {
    /// Circles.
    pub rings: Vec<Ring>,
    /// Patches.
    pub holes: Vec<Hole>,
    /// Lines; none where the pixel is too coarse to show scratches.
    pub lines: Vec<Line>,
    /// Threads; none where the pixel is too coarse to show scratches.
    pub threads: Vec<Thread>,
    /// Patches that may have come off the glass.
    pub lifted: Vec<Patch>,
}

impl Candidates {
    /// Looks a field over.
    #[must_use]
    pub fn of(light: &FieldLight) -> Self {
        Self::by(light, &PlaneLook::of(Arc::clone(&light.plane)))
    }

    /// Looks a field over whose plane light was looked over before.
    #[must_use]
    pub fn by(light: &FieldLight, look: &PlaneLook) -> Self {
        let mut found = Self::seen(light, look, || plucks::find(light));
        found.lines = scratches::settled(found.lines, light.plane.um_per_px);
        found.threads = fibres::settled(found.threads, light.plane.um_per_px);
        found
    }

    /// Looks a window of a field over, by what is usual in the field; its lines are each judged by themselves only.
    pub(crate) fn in_window(light: &FieldLight, usual: &Usual) -> Self {
        let look = PlaneLook::of(Arc::clone(&light.plane));
        Self::seen(light, &look, || plucks::find_in_window(light, usual))
    }

    fn seen(light: &FieldLight, look: &PlaneLook, holes: impl FnOnce() -> Vec<Hole> + Send) -> Self {
        let ((rings, lifted), holes) = rayon::join(
            || {
                rayon::join(
                    || {
                        stage!("defects: bubbles");
                        bubbles::judged(light, &look.circles)
                    },
                    || {
                        stage!("defects: lifted areas");
                        lifted::find(light)
                    },
                )
            },
            || {
                stage!("defects: plucks");
                holes()
            },
        );
        let sure_rings: Vec<Ring> = rings.iter().copied().filter(|r| r.confidence >= REPORTED).collect();
        let sure_holes: Vec<&Hole> = holes.iter().filter(|h| h.confidence >= REPORTED).collect();
        let explained = explained(light, &sure_rings, &sure_holes);
        let (height, width) = explained.dim();
        let hidden = |x: f64, y: f64| {
            let at = |v: f64, n: usize| (v.round().max(0.0) as usize).min(n.saturating_sub(1));
            explained[[at(y, height), at(x, width)]]
        };
        stage!("defects: scratches");
        let (lines, threads) = lines_and_threads(light, &look.courses, &hidden);
        Self { rings, holes, lines, threads, lifted }
    }

    /// Those that are called what they look like; `um_per_px` is the scale used. Holes are all that count for
    /// [`plucks::called`], which calls them over the whole field.
    pub(crate) fn called(self, um_per_px: f64) -> Self {
        let rings: Vec<Ring> = self.rings.into_iter().filter(|r| r.confidence >= REPORTED).collect();
        // A bubble's own clear middle is no hole in the rock.
        let in_bubble = |h: &Hole| {
            rings.iter().any(|r| {
                (r.x - h.centroid[0]).hypot(r.y - h.centroid[1]) < 0.6 * r.radius
                    && h.area < 1.3 * std::f64::consts::PI * r.radius * r.radius
            })
        };
        let holes = self.holes.into_iter().filter(|h| plucks::counts(h) && !in_bubble(h)).collect();
        let mut lines: Vec<Line> = self.lines.into_iter().filter(|l| l.confidence >= REPORTED).collect();
        let mut threads: Vec<Thread> =
            self.threads.into_iter().filter(|t| t.confidence >= fibres::CALLED_FROM).collect();
        fibres::told_apart(&mut lines, &mut threads, um_per_px);
        let lifted: Vec<Patch> = self.lifted.into_iter().filter(Patch::is_called).collect();
        // The edge of a lifted area and its bands are no threads.
        threads.retain(|t| lifted.iter().all(|p| !p.explains(&t.course_px, um_per_px)));
        Self { rings, holes, lines, threads, lifted }
    }
}

/// Lines that may be scratches and threads, each judged by itself. `hidden` says of a pixel that what lies there is explained
/// otherwise.
fn lines_and_threads(
    light: &FieldLight,
    courses: &[Followed],
    hidden: &(dyn Fn(f64, f64) -> bool + Sync),
) -> (Vec<Line>, Vec<Thread>) {
    let Some(Followed { search: narrow, .. }) = courses.iter().min_by_key(|c| c.search.bin) else {
        return Default::default();
    };
    let colours = CrossedColours::of(light);
    let found: Vec<(Vec<Line>, Vec<Thread>)> = courses
        .par_iter()
        .map(|Followed { search, straight, bent }| {
            let sides = colours.sides(search.bin);
            rayon::join(
                || scratches::lines_along(straight, &light.plane, search, narrow, sides, hidden),
                || {
                    stage!("defects: fibres");
                    fibres::threads_along(bent, &light.plane, search, sides, hidden)
                },
            )
        })
        .collect();
    let (lines, threads): (Vec<_>, Vec<_>) = found.into_iter().unzip();
    (lines.into_iter().flatten().collect(), threads.into_iter().flatten().collect())
}

/// How far about a rim or a wall its darkness reaches, pixels.
const OF_THE_RIM_PX: f64 = 4.0;

/// Pixels whose darkness is a bubble's rim, the wall of a hole, burnt-in ink or the surround of an eyepiece's disc.
fn explained(light: &FieldLight, rings: &[Ring], holes: &[&Hole]) -> Array2<bool> {
    let (height, width) = light.plane.fine.dim();
    let mut out = Array2::from_elem((height, width), false);
    let mut mark = |x0: f64, y0: f64, x1: f64, y1: f64, within: &dyn Fn(f64, f64) -> bool| {
        let range =
            |a: f64, b: f64, n: usize| (a.ceil().max(0.0) as usize)..((b.floor() + 1.0).max(0.0) as usize).min(n);
        for y in range(y0, y1, height) {
            for x in range(x0, x1, width) {
                out[[y, x]] |= within(x as f64, y as f64);
            }
        }
    };
    for r in rings {
        let reach = r.radius + OF_THE_RIM_PX;
        mark(r.x - reach, r.y - reach, r.x + reach, r.y + reach, &|x, y| {
            let at = (x - r.x).hypot(y - r.y);
            at < reach && at > 0.6 * r.radius - OF_THE_RIM_PX
        });
    }
    for h in holes {
        for (i, a) in h.outline.iter().enumerate() {
            let b = h.outline[(i + 1) % h.outline.len()];
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let within = |x: f64, y: f64| {
                let u = (((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy).max(1e-9)).clamp(0.0, 1.0);
                (x - a[0] - u * dx).hypot(y - a[1] - u * dy) < OF_THE_RIM_PX
            };
            let k = OF_THE_RIM_PX;
            mark(a[0].min(b[0]) - k, a[1].min(b[1]) - k, a[0].max(b[0]) + k, a[1].max(b[1]) + k, &within);
        }
    }
    for b in &light.plane.burnt {
        mark(b[0], b[1], b[2], b[3], &|_, _| true);
    }
    if let Some(surround) = surround(&light.plane) {
        for ((y, x), _) in surround.indexed_iter().filter(|(_, dark)| **dark) {
            let [x0, y0, end] = [x, y, 1].map(|v| (v * light.plane.bin) as f64);
            mark(x0, y0, x0 + end - 1.0, y0 + end - 1.0, &|_, _| true);
        }
    }
    out
}
