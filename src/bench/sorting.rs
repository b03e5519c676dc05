//! What lies at the bench: photographs put to slides, passes and fields as they arrive.
//!
//! Names go first. What they do not say is seen from the pictures: plane light or crossed polars from how even the light
//! is, the field from where the lines of one photograph lie on another, a turned stage's angle from the turn of the
//! picture. A photograph that nothing places is put aside and named, not guessed at.

mod held;

use std::path::PathBuf;
use std::time::SystemTime;

use crate::slide::exif::relative_exposure;
use crate::slide::photograph::Role;

use super::naming::{Said, said};
use super::sketch::Look;
use super::visit::{Angle, BenchSlide, Crossed, Field, Shot, put_crossed};

/// A crossed photograph whose lines tell no place is taken for the field at hand when it came so soon after it, seconds.
const AT_ONCE_S: i64 = 60;

/// A slide that was off the stage and lies a little turned came no sooner than this, seconds.
const OFF_THE_STAGE_S: i64 = 20;

/// Slides whose places are known again when they come back, and passes of one slide.
const SLIDES_HELD: usize = 30;
/// See [`SLIDES_HELD`].
const PASSES_HELD: usize = 4;

/// Fields on which a turned picture is looked for.
const TURNED_FIELDS: usize = 2;

/// Where one photograph lies on another.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Lies {
    /// The picture stayed still.
    Still,
    /// It turned by so much, degrees.
    Turned(f64),
}

/// What became of a photograph.
#[derive(Clone, Debug, PartialEq)]
pub enum Placed {
    /// It stands in this slide, its newest pass and this field, as this; `how` says what was not told by names.
    At {
        /// Index of the slide.
        slide: usize,
        /// Name of the field.
        field: String,
        /// What it is.
        role: Role,
        /// Whether it began a pass after the first.
        new_pass: bool,
        /// What was seen from the pictures, sentences for the bench.
        how: Vec<String>,
    },
    /// Nothing tells where it belongs; the reason.
    Aside(String),
}

/// Everything that lies at the bench.
#[derive(Debug)]
pub struct Bench {
    /// Slides, in the order in which they came.
    pub slides: Vec<BenchSlide>,
    /// Crossed photographs that wait for their plane one, or whose place is not known.
    aside: Vec<Shot>,
    /// The slide whose photograph came last.
    pub current: Option<usize>,
    stem: String,
    gap_s: i64,
    last: Option<(Option<i64>, SystemTime)>,
}

impl Bench {
    /// An empty bench; slides without a name are called `stem`, `stem-2` and so on. A plane photograph that shows no known
    /// place begins a new slide when it came more than `gap_s` seconds after the one before, else a new field.
    #[must_use]
    pub fn new(stem: &str, gap_s: i64) -> Self {
        Self { slides: Vec::new(), aside: Vec::new(), current: None, stem: stem.to_owned(), gap_s, last: None }
    }

    /// Names of the photographs that are put aside.
    pub fn aside(&self) -> impl Iterator<Item = &std::path::Path> {
        self.aside.iter().map(|s| s.relative.as_path())
    }

    /// Puts a photograph to its place. Of several results the first is its own; others are of photographs that waited for it.
    pub fn take(&mut self, shot: Shot) -> Vec<(PathBuf, Placed)> {
        let said = said(&shot.relative);
        let relative = shot.relative.clone();
        if let Some(twin) = self.twin(&shot.sha256) {
            return vec![(relative, Placed::Aside(format!("it is the same photograph as {twin}")))];
        }
        let since = self.seconds_since_last(&shot);
        self.last = Some((shot.taken_s, shot.saved));
        let first = match said.role {
            Some(Role::Blank) => self.blank(shot, &said),
            Some(Role::Plane) => self.plane(shot, &said, since, Vec::new()),
            Some(Role::Crossed) => self.crossed(shot, &said, since, Vec::new()),
            None => self.by_look(shot, &said, since),
        };
        let is_plane = matches!(first, Placed::At { role: Role::Plane, .. });
        let mut placed = vec![(relative, first)];
        if is_plane {
            // Crossed photographs that came before their plane one.
            for waiting in std::mem::take(&mut self.aside) {
                let relative = waiting.relative.clone();
                let said = super::naming::said(&relative);
                let found =
                    self.crossed(waiting, &said, None, vec!["it came before its plane-light photograph".into()]);
                if !matches!(found, Placed::Aside(_)) {
                    placed.push((relative, found));
                }
            }
        }
        placed
    }

    /// Lets go of pictures that nothing will be compared with any more, so that a long sitting stays small: crossed ones of
    /// all but each slide's newest pass, and all of slides that came long ago. Returns the bench's copies that are not
    /// needed for a check any more.
    pub fn lighten(&mut self) -> Vec<PathBuf> {
        let recent = self.slides.len().saturating_sub(SLIDES_HELD);
        let mut free = Vec::new();
        for (s, slide) in self.slides.iter_mut().enumerate() {
            let long_ago = s < recent && self.current != Some(s);
            let newest = slide.passes.len() - 1;
            for (p, pass) in slide.passes.iter_mut().enumerate().filter(|(p, _)| long_ago || *p < newest) {
                // A pass older than the one before is known by the planes of the newer one.
                let planes_too = long_ago || p + PASSES_HELD <= newest;
                for field in &mut pass.fields {
                    let planes = field.plane.iter_mut().filter(|_| planes_too);
                    let shots = planes.chain(field.crossed.iter_mut().map(|c| &mut c.shot)).chain(&mut field.blank);
                    shots.filter(|shot| shot.sketch.is_held()).for_each(|shot| shot.sketch.let_go());
                    free.extend(field.shots().map(|shot| shot.copy.clone()));
                }
            }
        }
        free
    }

    fn by_look(&mut self, shot: Shot, said: &Said, since: Option<i64>) -> Placed {
        let seen = |what: &str| vec![format!("seen to be {what}")];
        match shot.sketch.look {
            Look::Black => Placed::Aside("it is black: is the shutter open and the lamp on?".into()),
            Look::Bare => self.blank(shot, said),
            Look::Crossed => self.crossed(shot, said, since, seen("crossed polars")),
            Look::Plane | Look::Unsure => {
                let unsure = shot.sketch.look == Look::Unsure;
                let beside = self.planes_at_hand(said).into_iter().find(|p| p.sketch.stands_on(&shot.sketch));
                let beside = beside.and_then(|plane| {
                    let exposure = relative_exposure(shot.exposure.as_ref(), plane.exposure.as_ref());
                    plane.sketch.role_beside(&shot.sketch, exposure)
                });
                match beside {
                    Some(Role::Crossed) => self.crossed(shot, said, since, seen("crossed polars")),
                    Some(_) => self.plane(shot, said, since, seen("plane light")),
                    _ if !unsure => self.plane(shot, said, since, seen("plane light")),
                    _ => {
                        self.last = None;
                        Placed::Aside("its light does not tell plane from crossed: put ppl or xpl into its name".into())
                    }
                }
            }
        }
    }

    fn plane(&mut self, shot: Shot, said: &Said, since: Option<i64>, mut how: Vec<String>) -> Placed {
        let slide = match self.slide_of_plane(&shot, said, since, &mut how) {
            Some(slide) => slide,
            None => self.new_slide(said, shot.saved),
        };
        self.current = Some(slide);
        let mut new_pass = self.pass_by_folder(slide, said, shot.saved);
        let place = self.field_of_plane(slide, &shot, said, since, &mut how);
        let known = place.as_ref().and_then(|name| self.pass(slide).fields.iter().position(|f| f.name == *name));
        if let Some(at) = known.filter(|_| !new_pass) {
            let field = &self.pass(slide).fields[at];
            if field.plane.is_some() && !field.crossed.is_empty() {
                self.begin_pass(slide, said, shot.saved);
                new_pass = true;
                how.push("this field again: a new pass of this slide".into());
            }
        }
        let name = place.unwrap_or_else(|| self.next_letter(slide));
        let field = self.field(slide, &name);
        field.plane = Some(shot);
        Placed::At { slide, field: name, role: Role::Plane, new_pass, how }
    }

    /// The slide that a plane photograph is of; None for a new one.
    fn slide_of_plane(&self, shot: &Shot, said: &Said, since: Option<i64>, how: &mut Vec<String>) -> Option<usize> {
        if let Some(id) = &said.slide {
            return self.slides.iter().position(|s| s.id == *id);
        }
        let current = self.current.filter(|s| !self.slides[*s].named)?;
        // A name that stands for no field yet is that of the next one.
        let whole = |f: &Field| f.is_whole() && said.field.as_ref() == Some(&f.name);
        if said.field.is_some() && (!self.gap(since) || !self.pass(current).fields.iter().any(whole)) {
            return Some(current);
        }
        // Any slide that shows the place: it came back to the bench.
        let newest_first = std::iter::once(current).chain((0..self.slides.len()).rev().filter(|s| *s != current));
        let unnamed: Vec<usize> = newest_first.filter(|s| !self.slides[*s].named).collect();
        for turned in [false, true].into_iter().take(if since.is_some_and(|s| s > OFF_THE_STAGE_S) { 2 } else { 1 }) {
            if let Some(slide) = unnamed.iter().find(|s| self.same_place(**s, shot, turned).is_some()) {
                return Some(*slide);
            }
        }
        if self.gap(since) {
            how.push("it shows no place that was photographed before, and came after a pause: a new slide".into());
            return None;
        }
        Some(current)
    }

    /// The field of a plane photograph: by name, else the one that shows the same place; None for a new one.
    fn field_of_plane(
        &self,
        slide: usize,
        shot: &Shot,
        said: &Said,
        since: Option<i64>,
        how: &mut Vec<String>,
    ) -> Option<String> {
        if said.field.is_some() {
            return said.field.clone();
        }
        let turned = || self.same_place(slide, shot, true).filter(|_| since.is_some_and(|s| s > OFF_THE_STAGE_S));
        let found = self.same_place(slide, shot, false).or_else(turned)?;
        how.push(format!("shows the place of field {found}"));
        Some(found)
    }

    /// The field of a slide, of any pass and the newest first, that a plane photograph shows too; `turned`: as after the
    /// slide was put back a little turned.
    fn same_place(&self, slide: usize, shot: &Shot, turned: bool) -> Option<String> {
        let passes = self.slides[slide].passes.iter().rev();
        let mut planes: Vec<(&str, &Shot)> = Vec::new();
        for field in passes.flat_map(|p| p.fields.iter().rev()) {
            if let Some(plane) = field
                .plane
                .as_ref()
                .filter(|p| p.sketch.is_held() && planes.iter().all(|(name, _)| *name != field.name))
            {
                planes.push((&field.name, plane));
            }
        }
        let shows = |plane: &Shot| match turned {
            false => plane.sketch.shares_a_place_with(&shot.sketch),
            true => plane.sketch.shares_a_turned_place_with(&shot.sketch),
        };
        let looked_at = if turned { TURNED_FIELDS } else { planes.len() };
        planes.iter().take(looked_at).find(|(_, plane)| shows(plane)).map(|(name, _)| (*name).to_owned())
    }

    fn crossed(&mut self, shot: Shot, said: &Said, since: Option<i64>, mut how: Vec<String>) -> Placed {
        let named = said.angle_deg.map(Angle::Named);
        let slide = match &said.slide {
            Some(id) => self.slides.iter().position(|s| s.id == *id),
            None => self.current,
        };
        if let Some(field) = &said.field {
            let slide = slide.unwrap_or_else(|| self.new_slide(said, shot.saved));
            self.current = Some(slide);
            let mut new_pass = self.pass_by_folder(slide, said, shot.saved);
            let at = |c: &Crossed| c.angle == named.unwrap_or(Angle::Unknown) && c.angle != Angle::Unknown;
            let again = self.pass(slide).fields.iter().any(|f| f.name == *field && f.crossed.iter().any(at));
            if again && self.gap(since) && !new_pass {
                self.begin_pass(slide, said, shot.saved);
                new_pass = true;
                how.push("this field at this angle again, after a pause: a new pass of this slide".into());
            }
            let name = field.clone();
            let angle = named.unwrap_or(Angle::Unknown);
            put_crossed(self.field(slide, &name), Crossed { shot, angle });
            return Placed::At { slide, field: name, role: Role::Crossed, new_pass, how };
        }
        let Some(slide) = slide else {
            return self.put_aside(shot, "no plane-light photograph of its field came yet: it waits for it");
        };
        let Some((field, lies)) = self.field_of_crossed(slide, &shot, since, &mut how) else {
            return self.put_aside(
                shot,
                "it shows none of the fields that were photographed in plane light: it waits for its own",
            );
        };
        self.current = Some(slide);
        let angle = match lies {
            Lies::Turned(deg) => {
                how.push(format!("the picture turned by {deg:.1}°: the stage was turned"));
                Angle::Turned(deg)
            }
            Lies::Still => named.unwrap_or(Angle::Unknown),
        };
        put_crossed(self.field(slide, &field), Crossed { shot, angle });
        Placed::At { slide, field, role: Role::Crossed, new_pass: false, how }
    }

    /// The field of the newest pass that a crossed photograph shows, and how it lies on it.
    fn field_of_crossed(
        &self,
        slide: usize,
        shot: &Shot,
        since: Option<i64>,
        how: &mut Vec<String>,
    ) -> Option<(String, Lies)> {
        let fields = &self.pass(slide).fields;
        let with_plane = || fields.iter().rev().filter_map(|f| Some((f, f.plane.as_ref()?)));
        if let Some((field, _)) = with_plane().find(|(_, plane)| plane.sketch.stands_on(&shot.sketch)) {
            return Some((field.name.clone(), Lies::Still));
        }
        // A turned stage is searched on the fields that came last.
        for (field, plane) in with_plane().take(TURNED_FIELDS) {
            if let Some(deg) = plane.sketch.turn_of(&shot.sketch) {
                return Some((field.name.clone(), Lies::Turned(deg)));
            }
        }
        let (field, plane) = with_plane().next()?;
        let at_once =
            since.is_some_and(|s| (0..=AT_ONCE_S).contains(&s)) && plane.sketch.size_px == shot.sketch.size_px;
        at_once.then(|| {
            how.push(format!(
                "its lines are too few to show its place: taken for field {}, which came just before it",
                field.name
            ));
            (field.name.clone(), Lies::Still)
        })
    }

    fn blank(&mut self, shot: Shot, said: &Said) -> Placed {
        let slide = match &said.slide {
            Some(id) => self.slides.iter().position(|s| s.id == *id),
            None => self.current,
        };
        let Some(slide) = slide else {
            return Placed::Aside("it is bare glass, and no slide's photograph came yet".into());
        };
        let fields = &mut self.pass_mut(slide).fields;
        let field = match &said.field {
            Some(name) => fields.iter_mut().find(|f| f.name == *name),
            None => fields.last_mut(),
        };
        let Some(field) = field else {
            return Placed::Aside("it is bare glass, and its field has not come yet".into());
        };
        let name = field.name.clone();
        field.blank = Some(shot);
        let how = vec!["bare glass: the lamp's fall-off is taken from it".into()];
        Placed::At { slide, field: name, role: Role::Blank, new_pass: false, how }
    }

    fn put_aside(&mut self, shot: Shot, why: &str) -> Placed {
        self.aside.push(shot);
        Placed::Aside(why.to_owned())
    }
}
