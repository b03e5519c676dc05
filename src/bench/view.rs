//! What is shown of the bench: one value for the page, and the lines of the terminal. Nothing is measured here.

use std::fmt::Write as _;

use serde::Serialize;

use crate::measured::Measured;
use crate::report::terminal::plain;
use crate::report::words;
use crate::slide::photograph::Role;
use crate::thickness::Thickness;
use crate::verdict::{Limit, Outcome};

use super::history::{Goal, Reading, Way};
use super::next_picture::{lacking, next_picture};
use super::session::{Event, PassState, Session, time_of_day};
use super::visit::{Angle, Field};
use crate::pipeline::CheckedSlide;

/// Everything that the page shows.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct View {
    /// The watched folder's name.
    pub folder: String,
    /// The slide whose photograph came last; null before the first.
    pub slide: Option<SlideView>,
    /// The other slides of the sitting, newest first.
    pub others: Vec<OtherView>,
    /// What happened last, newest first.
    pub happened: Vec<String>,
}

/// The slide at hand.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SlideView {
    /// Id.
    pub id: String,
    /// Class of the verdict, for its colour.
    pub tone: &'static str,
    /// The verdict in a word or three.
    pub headline: String,
    /// Whether something is still being measured.
    pub checking: bool,
    /// Why, one sentence.
    pub why: String,
    /// How much to take off; null when nothing is.
    pub take_off: Option<String>,
    /// Where most of it comes off; null when evenly or not known.
    pub at_corner: Option<String>,
    /// Mean thickness and its 95 % interval, µm; null when it is not measured.
    pub thickness_um: Option<[f64; 3]>,
    /// The same in words, or why not.
    pub thickness: String,
    /// Target, least and greatest thickness allowed, µm; null before the first check.
    pub band_um: Option<[f64; 3]>,
    /// What to do, in order.
    pub steps: Vec<String>,
    /// What to take care of, when something is to be ground or opened.
    pub cautions: Vec<String>,
    /// What to photograph next; null when nothing more is needed.
    pub next: Option<String>,
    /// Each pass that was measured.
    pub passes: Vec<PassView>,
    /// Mean taken off per pass, µm, when it is certain that rock came off.
    pub per_pass_um: Option<f64>,
    /// Number of the pass at hand.
    pub pass: usize,
    /// What the passes say.
    pub way: Vec<String>,
    /// Fields of the pass at hand.
    pub fields: Vec<FieldView>,
}

/// A pass as it was measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PassView {
    /// Number.
    pub pass: usize,
    /// When its first photograph was saved, `14:05`.
    pub began: String,
    /// Mean thickness and its 95 % interval, µm.
    pub thickness_um: [f64; 3],
    /// Taken off since the pass before and twice its standard uncertainty, µm; null for the first.
    pub removed_um: Option<[f64; 2]>,
}

/// A field of the pass at hand.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FieldView {
    /// Name.
    pub name: String,
    /// Whether its plane photograph is there.
    pub plane: bool,
    /// Its crossed photographs: `0°, 22.5°, ?`.
    pub crossed: String,
}

/// Another slide of the sitting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OtherView {
    /// Id.
    pub id: String,
    /// Class of its verdict.
    pub tone: &'static str,
    /// Its verdict.
    pub headline: String,
    /// Its thickness, or why not.
    pub thickness: String,
}

impl View {
    /// Of a sitting; `happened` are the newest lines, newest first.
    #[must_use]
    pub fn of(session: &Session, happened: Vec<String>) -> Self {
        let current = session.bench.current;
        let others = (0..session.bench.slides.len())
            .rev()
            .filter(|s| Some(*s) != current)
            .filter_map(|s| {
                let state = newest(session, s)?;
                let said = Said::of(&session.bench.slides[s].id, Some(state), None);
                Some(OtherView { id: said.id, tone: said.tone, headline: said.headline, thickness: said.thickness })
            })
            .collect();
        let folder = session.folder().file_name().map_or_else(String::new, |n| plain(&n.to_string_lossy()));
        Self { folder, slide: current.map(|s| SlideView::of(session, s)), others, happened }
    }
}

/// The state of a slide's newest pass that was checked.
fn newest(session: &Session, slide: usize) -> Option<&PassState> {
    session
        .states
        .range((slide, 0)..(slide + 1, 0))
        .rev()
        .map(|(_, s)| s)
        .find(|s| s.checked.is_some() || s.failed.is_some())
}

/// The verdict in words, as page and terminal both show it.
struct Said {
    id: String,
    tone: &'static str,
    headline: String,
    why: String,
    take_off: Option<String>,
    at_corner: Option<String>,
    thickness: String,
    steps: Vec<String>,
    cautions: Vec<String>,
}

impl Said {
    fn of(id: &str, state: Option<&PassState>, waits_for: Option<String>) -> Self {
        let mut said = Self {
            id: plain(id),
            tone: "undetermined",
            headline: "Not measured yet".into(),
            why: waits_for.unwrap_or_else(|| "It is being measured.".into()),
            take_off: None,
            at_corner: None,
            thickness: String::new(),
            steps: Vec::new(),
            cautions: Vec::new(),
        };
        let Some(state) = state else { return said };
        if let Some(failed) = &state.failed {
            said.headline = "Cannot be checked".into();
            said.why = plain(failed);
            return said;
        }
        let Some(checked) = state.checked.as_deref() else { return said };
        said.thickness = thickness(checked);
        said.tone = tone(checked.verdict.outcome);
        said.headline = words::headline(checked.verdict.outcome).to_owned();
        said.why = plain(&checked.verdict.why);
        said.steps = checked.verdict.next_steps.iter().take(3).map(|s| plain(s)).collect();
        if matches!(checked.verdict.outcome, Outcome::Regrind | Outcome::Remake | Outcome::Recover) {
            said.cautions = checked.verdict.cautions.clone();
        }
        if !state.whole {
            interim(checked, &mut said);
        }
        if let Some(plan) = &checked.verdict.regrind_plan {
            let at = plan.remove_um.at_each_corner.filter(|_| plan.high_corner.is_some());
            let most = at.map_or(plan.remove_um.mean, |a| a.to_array().into_iter().fold(0.0, f64::max));
            said.take_off = Some(if (most - most.round()).abs() < 0.05 {
                format!("{most:.0} µm")
            } else {
                format!("{most:.1} µm")
            });
            said.at_corner = plan.high_corner.map(|corner| {
                plan.relative_to_mark.as_ref().map_or_else(
                    || format!("at the {} corner as photographed", corner_words(corner)),
                    |mark| format!("at {mark}"),
                )
            });
        }
        said
    }
}

/// While defects are still being looked for, only what the thickness decides is said.
fn interim(checked: &CheckedSlide, said: &mut Said) {
    if checked.verdict.outcome != Outcome::Undetermined {
        return;
    }
    let open = checked
        .verdict
        .reasons
        .iter()
        .any(|r| matches!(r.limit, Limit::Thickness | Limit::RangeAcross) && (r.undetermined() || r.missing));
    said.steps.clear();
    if !open {
        said.tone = "pass";
        said.headline = "Thickness is right".into();
        said.why = "Bubbles, plucked places and scratches are still being looked for.".into();
    }
}

fn corner_words(corner: crate::slide::Corner) -> &'static str {
    use crate::slide::Corner;
    match corner {
        Corner::TopLeft => "top-left",
        Corner::TopRight => "top-right",
        Corner::BottomLeft => "bottom-left",
        Corner::BottomRight => "bottom-right",
    }
}

const fn tone(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Regrind => "regrind",
        Outcome::Recover => "recover",
        Outcome::Remake => "remake",
        Outcome::Undetermined => "undetermined",
    }
}

fn thickness(checked: &CheckedSlide) -> String {
    match &checked.thickness {
        Thickness::NotMeasurable { why, .. } => format!("not measured: {}", plain(why)),
        Thickness::Measured(surface) => {
            let mean = surface.mean_um.to_hundredths();
            let [low, high] = mean.interval;
            let across = |r: Measured| format!(", {:.1} µm across it", r.to_hundredths().value);
            let range = surface.range_across_um.map_or_else(String::new, across);
            format!("{:.1} µm (95 %: {low:.1} to {high:.1}){range}", mean.value)
        }
    }
}

impl SlideView {
    fn of(session: &Session, slide: usize) -> Self {
        let at_bench = &session.bench.slides[slide];
        let pass = at_bench.passes.len() - 1;
        let state = session.states.get(&(slide, pass));
        let fields = at_bench.passes.last().map_or(&[][..], |p| &p.fields);
        let newest_field = fields.last();
        let waits_for = newest_field.and_then(lacking);
        let known = state.filter(|s| s.checked.is_some() || s.failed.is_some());
        let said = Said::of(&at_bench.id, known, waits_for);
        let checked = known.and_then(|s| s.checked.as_deref());
        let next = newest_field.and_then(|f| next_picture(f, fields.len(), checked));
        let (readings, goal, way) = match session.way(slide) {
            Some((readings, goal, way)) => (readings, Some(goal), way),
            None => (Vec::new(), None, Way::default()),
        };
        let mean = checked.and_then(|c| match &c.thickness {
            Thickness::Measured(s) => Some([s.mean_um.value, s.mean_um.interval[0], s.mean_um.interval[1]]),
            Thickness::NotMeasurable { .. } => None,
        });
        Self {
            id: said.id,
            tone: said.tone,
            headline: said.headline,
            checking: session.checking(),
            why: said.why,
            take_off: said.take_off,
            at_corner: said.at_corner,
            thickness_um: mean,
            thickness: said.thickness,
            band_um: goal.map(|g: Goal| [g.target_um, g.min_um, g.max_um]),
            steps: said.steps,
            cautions: said.cautions,
            next: next.map(|n| plain(&n)),
            passes: passes(&readings, &way, |n| {
                at_bench.passes.get(n - 1).map_or_else(String::new, |p| time_of_day(p.began))
            }),
            per_pass_um: way.per_pass_um.filter(|_| way.passes_left.is_some()),
            pass: pass + 1,
            way: way.sentences,
            fields: fields.iter().map(FieldView::of).collect(),
        }
    }
}

fn passes(readings: &[Reading], way: &Way, began: impl Fn(usize) -> String) -> Vec<PassView> {
    readings
        .iter()
        .map(|r| {
            let m = r.thickness_um;
            let removed = way.removed.iter().find(|d| d.before_pass == r.pass).map(|d| [d.um, 2.0 * d.u_um]);
            PassView {
                pass: r.pass,
                began: began(r.pass),
                thickness_um: [m.value, m.interval[0], m.interval[1]],
                removed_um: removed,
            }
        })
        .collect()
}

impl FieldView {
    fn of(field: &Field) -> Self {
        let crossed: Vec<String> = field.crossed.iter().map(|c| angle_words(c.angle)).collect();
        Self { name: plain(&field.name), plane: field.plane.is_some(), crossed: crossed.join(", ") }
    }
}

fn angle_words(angle: Angle) -> String {
    let number =
        |deg: f64| if (deg - deg.round()).abs() < 0.05 { format!("{deg:.0}°") } else { format!("{deg:.1}°") };
    match angle {
        Angle::Named(deg) => number(deg),
        Angle::Turned(deg) => format!("turned {}", number(deg)),
        Angle::Estimated(deg, _) => format!("about {deg:.0}°"),
        Angle::Unknown => "angle not known".into(),
    }
}

/// The line of an event, for the page's list and the terminal; control characters are taken out.
#[must_use]
pub fn line(session: &Session, event: &Event) -> String {
    let text = match event {
        Event::Placed { file, slide, pass, field, role, angle, how } => {
            let what = match role {
                Role::Plane => "plane light".to_owned(),
                Role::Blank => "bare glass".to_owned(),
                Role::Crossed => format!("crossed polars, {}", angle.map_or_else(String::new, angle_words)),
            };
            let pass = if *pass > 1 { format!(" pass {pass}") } else { String::new() };
            let how = if how.is_empty() { String::new() } else { format!(" ({})", how.join("; ")) };
            format!("{file}: {slide}{pass}, field {field}, {what}{how}")
        }
        Event::Aside { file, why } => format!("{file}: put aside: {why}"),
        Event::Trouble(said) => said.clone(),
        Event::Verdict { slide, pass, whole, took_s } => {
            let state = session.states.get(&(*slide, *pass));
            let said = Said::of(&session.bench.slides[*slide].id, state, None);
            let take = said.take_off.as_ref().map_or_else(String::new, |t| {
                format!(", take off {t}{}", said.at_corner.as_ref().map_or_else(String::new, |c| format!(" {c}")))
            });
            let so_far = if *whole { "" } else { ", by thickness alone" };
            let pass = if *pass > 0 { format!(" pass {}", pass + 1) } else { String::new() };
            let headline = said.headline.to_uppercase();
            format!("{}{pass}  {headline}{so_far}: {}{take}  [{took_s:.1} s]", said.id, said.thickness)
        }
    };
    plain(&text)
}

/// What follows a verdict on the terminal: why, what the passes say, what to photograph next.
#[must_use]
pub fn after_verdict(session: &Session, slide: usize, pass: usize) -> String {
    if session.bench.slides[slide].passes.len() != pass + 1 {
        // A newer pass has begun: what this one asked for is past.
        return String::new();
    }
    let view = SlideView::of(session, slide);
    let mut out = String::new();
    // Writing into a String cannot fail.
    let _ = writeln!(out, "    why   {}", view.why);
    for step in &view.steps {
        let _ = writeln!(out, "    do    {step}");
    }
    for sentence in &view.way {
        let _ = writeln!(out, "    pass  {sentence}");
    }
    if let Some(next) = &view.next {
        let _ = writeln!(out, "    next  {next}");
    }
    out
}

/// What to take care of, a line each, when something is to be ground or opened.
#[must_use]
pub fn cautions(session: &Session, slide: usize, pass: usize) -> String {
    if session.bench.slides[slide].passes.len() != pass + 1 {
        return String::new();
    }
    SlideView::of(session, slide).cautions.iter().map(|c| format!("    care  {c}\n")).collect()
}
