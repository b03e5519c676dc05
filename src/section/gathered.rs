//! The defects of a field that is looked at window by window, each of them once.

use crate::register::focus::OutOfFocus;
use crate::section::candidates::Candidates;
use crate::section::chords::{SeenLine, united};
use crate::section::defects::{Bubble, FieldDefects, Pluck, REPORTED, Scratch};
use crate::section::fibres::{self, Fibre, Thread};
use crate::section::lifted::{self, Lifted, Patch};
use crate::section::light_field::FieldLight;
use crate::section::part::Part;
use crate::section::plucks::{self, Hole, Usual};
use crate::section::scratches::{Line, settled};
use crate::section::unjudged::unjudged;
use crate::section::unsharp;
use crate::slide::record::Impregnation;
use crate::timings::stage;

/// Defects being gathered.
pub(crate) struct Gathered {
    field: String,
    impregnation: Impregnation,
    um_per_px: f64,
    angle_spread_deg: f64,
    scale_known: bool,
    size: [usize; 2],
    found: FieldDefects,
    lines: Vec<SeenLine>,
    holes: Vec<Hole>,
    threads: Vec<Thread>,
    lifted: Vec<Patch>,
    parts: Vec<Part>,
    focus: Focus,
}

/// Share of a field out of focus from which its holes and scratches are not judged: house value.
const MOST_OUT_OF_FOCUS: f64 = 0.25;

/// In how much of a field plane light is out of focus.
#[derive(Default)]
struct Focus {
    asked_px: f64,
    out_px: f64,
    /// The sharpest of what is out of focus: at least so blurred is all of it.
    least: Option<OutOfFocus>,
}

impl Focus {
    /// What is said where too much of the field is.
    fn lost(&self) -> Option<OutOfFocus> {
        let share = self.out_px / self.asked_px;
        let least = self.least.clone().filter(|_| share >= MOST_OUT_OF_FOCUS)?;
        let file = if share > 0.95 { least.file } else { format!("{} (on {:.0} % of it)", least.file, 100.0 * share) };
        Some(OutOfFocus { file, ..least })
    }
}

impl Gathered {
    /// Of a field of this name and size, pixels.
    pub(crate) fn new(field: &str, size: [usize; 2], impregnation: Impregnation) -> Self {
        Self {
            field: field.to_owned(),
            impregnation,
            um_per_px: 1.0,
            angle_spread_deg: 0.0,
            scale_known: false,
            size,
            found: FieldDefects::default(),
            lines: Vec::new(),
            holes: Vec::new(),
            threads: Vec::new(),
            lifted: Vec::new(),
            parts: Vec::new(),
            focus: Focus::default(),
        }
    }

    /// Hears whether plane light is out of focus in a window.
    pub(crate) fn hear_focus(&mut self, part: &Part, out: Option<OutOfFocus>) {
        let area = (part.core.width * part.core.height) as f64;
        self.focus.asked_px += area;
        if let Some(out) = out {
            self.focus.out_px += area;
            let sharper = self.focus.least.as_ref().is_none_or(|least| out.rise_um < least.rise_um);
            self.focus.least = if sharper { Some(out) } else { self.focus.least.take() };
        }
    }

    /// Looks a window over; `usual` is what is usual in the whole field.
    pub(crate) fn add(&mut self, light: &FieldLight, usual: &Usual, part: &Part) {
        stage!("defects");
        (self.um_per_px, self.scale_known) = (light.plane.um_per_px, light.plane.scale_known);
        self.angle_spread_deg = light.angle_spread_deg;
        let index = self.parts.len();
        self.parts.push(*part);
        let mut candidates = Candidates::in_window(light, usual);
        self.lines.extend(std::mem::take(&mut candidates.lines).into_iter().map(|l| SeenLine::new(l, part, index)));
        let Candidates { rings, holes, threads, lifted, .. } = candidates.called(light.plane.um_per_px);
        let origin = part.origin();
        self.threads.extend(threads.into_iter().map(|t| t.moved(origin)));
        self.lifted.extend(lifted.into_iter().map(|p| p.moved(origin)));
        let owns = |at: [f64; 2]| part.owns([at[0] + origin[0], at[1] + origin[1]]);
        self.found.bubbles.extend(
            rings.iter().filter(|r| owns([r.x, r.y])).map(|r| Bubble::of(light, r, &self.field).moved(origin, 1.0)),
        );
        self.holes.extend(holes.into_iter().filter(|h| owns(h.centroid)).map(|h| h.moved(origin, 1.0)));
        let corner = [part.core.x - part.window.x, part.core.y - part.window.y];
        let to = [corner[0] + part.core.width, corner[1] + part.core.height];
        self.found.area_px += light.seen_area_within(corner, to);
    }

    /// Takes bubbles and holes that are wider than `wider_px` from the light of the field seen from afar, where `by` pixels along
    /// each side are one: no window shows them whole. What windows saw of them is theirs.
    pub(crate) fn add_large(&mut self, light: &FieldLight, by: f64, wider_px: f64) {
        stage!("defects");
        let usual = Usual::of(light, &crate::section::plucks::fine_detail(light));
        let Candidates { rings, holes, .. } = Candidates::in_window(light, &usual).called(light.plane.um_per_px);
        let holes = plucks::called(holes, light.plane.um_per_px, self.impregnation).holes;
        let across = |area: f64| 2.0 * (area / std::f64::consts::PI).sqrt();
        for r in rings.iter().filter(|r| 2.0 * r.radius * by > wider_px) {
            let bubble = Bubble::of(light, r, &self.field).moved([0.0, 0.0], by);
            let inside = |x: f64, y: f64| (x - bubble.x_px).hypot(y - bubble.y_px) < 0.5 * bubble.diameter_px;
            self.found.bubbles.retain(|b| !inside(b.x_px, b.y_px) || b.diameter_px < 0.3 * bubble.diameter_px);
            self.holes.retain(|h| !inside(h.centroid[0], h.centroid[1]));
            self.found.bubbles.push(bubble);
        }
        for h in holes.into_iter().filter(|h| across(h.area) * by > wider_px) {
            let hole = h.moved([0.0, 0.0], by);
            let [x, y] = [0, 1].map(|k| {
                let along = hole.outline.iter().map(|p| p[k]);
                along.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], v| [low.min(v), high.max(v)])
            });
            self.holes
                .retain(|h| [x, y].iter().zip(h.centroid).any(|([low, high], v)| !(*low..*high + 1.0).contains(&v)));
            self.holes.push(hole);
        }
    }

    /// The defects of the whole field.
    pub(crate) fn done(mut self) -> FieldDefects {
        let share = |a: usize, b: usize| {
            let (a, b) = (self.parts[a].window, self.parts[b].window);
            a.x < b.x + b.width && b.x < a.x + a.width && a.y < b.y + b.height && b.y < a.y + a.height
        };
        let scale = self.scale_known.then_some(self.um_per_px);
        let plucks::Called { holes, in_doubt, own_pores } =
            plucks::called(self.holes, self.um_per_px, self.impregnation);
        let [holes, in_doubt] =
            [holes, in_doubt].map(|holes| holes.iter().map(|h| Pluck::of(h, &self.field, own_pores, scale)).collect());
        (self.found.plucks, self.found.plucks_in_doubt) = (holes, in_doubt);
        let mut lines = settled(united(&self.lines, share, self.um_per_px, self.size), self.um_per_px);
        let mut in_doubt: Vec<Line> = lines.iter().filter(|l| l.is_in_doubt()).cloned().collect();
        lines.retain(|l| l.confidence >= REPORTED);
        // What several windows saw of one thread is told once; where none saw most of it, in pieces.
        let mut threads = fibres::settled(self.threads, self.um_per_px);
        fibres::told_apart(&mut lines, &mut threads, self.um_per_px);
        fibres::told_apart(&mut in_doubt, &mut threads.clone(), self.um_per_px);
        let [lines, in_doubt] = [lines, in_doubt]
            .map(|lines| lines.iter().map(|l| Scratch::of(l, &self.field, self.scale_known)).collect());
        (self.found.scratches, self.found.scratches_in_doubt) = (lines, in_doubt);
        self.found.fibres = threads.iter().map(|t| Fibre::of(t, &self.field, self.scale_known)).collect();
        // A patch wider than a window is told in pieces; what several windows saw of one is told once.
        let lifted = lifted::told_once(self.lifted);
        let known = self.scale_known;
        self.found.lifted = lifted.iter().map(|p| Lifted::of(p, &self.field, known, self.um_per_px)).collect();
        self.found.unjudged = unjudged(self.um_per_px, self.angle_spread_deg);
        unsharp::unjudge(&mut self.found, None, self.focus.lost().as_ref());
        self.found.largest_first();
        self.found
    }
}

impl Bubble {
    /// The same in pixels of a field in which this one's grid begins at `origin`, `by` pixels of which are one of its.
    fn moved(mut self, origin: [f64; 2], by: f64) -> Self {
        [self.x_px, self.y_px] = moved([self.x_px, self.y_px], origin, by);
        self.diameter_px *= by;
        self
    }
}

impl Hole {
    /// See [`Bubble::moved`].
    fn moved(mut self, origin: [f64; 2], by: f64) -> Self {
        self.centroid = moved(self.centroid, origin, by);
        self.outline.iter_mut().for_each(|p| *p = moved(*p, origin, by));
        self.area *= by * by;
        self
    }
}

/// Centres of pixels: one of `by` by `by` has its centre in their middle.
fn moved(at: [f64; 2], origin: [f64; 2], by: f64) -> [f64; 2] {
    [0, 1].map(|k| at[k] * by + (by - 1.0) / 2.0 + origin[k])
}
