//! A sitting at the bench: arrivals to slides, slides to checks, checks to what is shown and kept.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use toml::Table;

use crate::error::{Error, Result};
use crate::house::House;
use crate::report::write::folder_name;
use crate::slide::photograph::Role;
use crate::thickness::Thickness;

use super::angles::estimate_angles;
use super::arrivals::{Arrival, Arrivals, Found};
use super::checking::{Checker, Job, Told};
use super::history::{Goal, Grit, Reading, Way, way};
use super::naming::as_id;
use super::sheet::{Sheet, lay_out, lay_out_plane, said_in, sheet_of};
use super::sorting::{Bench, Placed};
use super::visit::{Angle, Field, Shot};
use crate::pipeline::CheckedSlide;

/// How a sitting is held.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The folder that photographs arrive in.
    pub folder: PathBuf,
    /// Pause after which a plane photograph of no known place begins a new slide, seconds.
    pub gap_s: i64,
    /// The grit in use, when it was named.
    pub grit: Option<Grit>,
    /// The laboratory's settings.
    pub house: House,
    /// Folder that the slides are kept in.
    pub save: Option<PathBuf>,
}

/// What happened, for the lines on the terminal and the list on the page.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A photograph was put to its place.
    Placed {
        /// Its file.
        file: String,
        /// Slide id.
        slide: String,
        /// Number of the pass.
        pass: usize,
        /// Field.
        field: String,
        /// What it is.
        role: Role,
        /// How its angle is known.
        angle: Option<Angle>,
        /// What was seen from the pictures.
        how: Vec<String>,
    },
    /// A photograph or file was put aside, with the reason.
    Aside {
        /// Its file.
        file: String,
        /// Why.
        why: String,
    },
    /// A verdict, of this slide.
    Verdict {
        /// Index of the slide.
        slide: usize,
        /// Index of the pass.
        pass: usize,
        /// Whether the defects are in it.
        whole: bool,
        /// Seconds since its photograph was taken up.
        took_s: f64,
    },
    /// Something went wrong that does not end the sitting.
    Trouble(String),
}

/// What is known of one pass.
#[derive(Debug, Default)]
pub struct PassState {
    /// What the newest check found.
    pub checked: Option<Box<CheckedSlide>>,
    /// Whether defects are in it.
    pub whole: bool,
    /// Why it could not be checked.
    pub failed: Option<String>,
}

/// A sitting.
#[derive(Debug)]
pub struct Session {
    settings: Settings,
    arrivals: Arrivals,
    /// What lies at the bench.
    pub bench: Bench,
    /// By slide and pass.
    pub states: BTreeMap<(usize, usize), PassState>,
    checker: Checker,
    room: tempfile::TempDir,
    copies: usize,
    jobs: usize,
    keeper: Option<super::keep::Keeper>,
    told_trouble: Option<String>,
}

impl Session {
    /// Begins a sitting.
    ///
    /// # Errors
    /// When the folder cannot be listed, no temporary folder can be made, or the folder to keep slides in lies in the
    /// watched one.
    pub fn begin(settings: Settings) -> Result<Self> {
        let arrivals = Arrivals::of(&settings.folder)?;
        let room = tempfile::Builder::new().prefix("thinproof-bench-").tempdir().map_err(|e| {
            Error::new(std::env::temp_dir(), "cannot be written to", "make room there, or set TMPDIR").caused_by(e)
        })?;
        let keeper = settings.save.as_deref().map(|dir| super::keep::Keeper::new(dir, arrivals.dir())).transpose()?;
        let name = arrivals.dir().file_name().map_or_else(|| "slide".into(), |n| as_id(&n.to_string_lossy()));
        // A folder with one slide's own record: its photographs without a name are that slide's.
        let said = said_in(&[arrivals.dir()]).unwrap_or_default();
        let stem = said.get("slide").and_then(|s| s.get("id")?.as_str()).map_or(name, as_id);
        let checker = Checker::start(settings.house.clone());
        let bench = Bench::new(&stem, settings.gap_s);
        Ok(Self {
            settings,
            arrivals,
            bench,
            states: BTreeMap::new(),
            checker,
            room,
            copies: 0,
            jobs: 0,
            keeper,
            told_trouble: None,
        })
    }

    /// The watched folder, absolute.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.arrivals.dir()
    }

    /// Whether a file is waited for or a check is under way.
    #[must_use]
    pub fn busy(&self) -> bool {
        self.checker.busy() || self.arrivals.waiting()
    }

    /// Whether a check is under way.
    #[must_use]
    pub fn checking(&self) -> bool {
        self.checker.busy()
    }

    /// One look at the folder and at what the checks found: what happened since the last.
    ///
    /// # Errors
    /// When the folder is gone or the bench's own copies cannot be written.
    pub fn look(&mut self) -> Result<Vec<Event>> {
        let mut events = Vec::new();
        let mut touched: BTreeMap<(usize, usize), Instant> = BTreeMap::new();
        let passes = |bench: &Bench| bench.slides.iter().map(|s| s.passes.len()).sum::<usize>();
        let passes_before = passes(&self.bench);
        for found in self.arrivals.look()? {
            let since = Instant::now();
            match found {
                Found::Broken(path, why) => events.push(Event::Aside { file: path.display().to_string(), why }),
                Found::Photograph(arrival) => {
                    let shot = self.copied(*arrival)?;
                    for (file, placed) in self.bench.take(shot) {
                        if let Placed::At { slide, .. } = &placed {
                            let pass = self.bench.slides[*slide].passes.len() - 1;
                            touched.entry((*slide, pass)).or_insert(since);
                        }
                        events.push(self.event(&file, placed));
                    }
                }
            }
        }
        for ((slide, pass), since) in touched {
            if let Err(error) = self.have_checked(slide, pass, since, &mut events) {
                self.trouble(error.chain(), &mut events);
            }
        }
        if passes(&self.bench) > passes_before {
            self.tidy(&mut events);
        }
        for told in self.checker.found() {
            events.extend(self.hear(told));
        }
        Ok(events)
    }

    /// What the readings of a slide's passes say; None before anything was measured.
    #[must_use]
    pub fn way(&self, slide: usize) -> Option<(Vec<Reading>, Goal, Way)> {
        let of_slide = self.states.range((slide, 0)..(slide + 1, 0));
        let measured: Vec<(usize, &CheckedSlide)> =
            of_slide.filter_map(|((_, pass), s)| Some((*pass, s.checked.as_deref()?))).collect();
        let readings: Vec<Reading> = measured
            .iter()
            .filter_map(|(pass, c)| match &c.thickness {
                Thickness::Measured(surface) => Some(Reading { pass: pass + 1, thickness_um: surface.mean_um }),
                Thickness::NotMeasurable { .. } => None,
            })
            .collect();
        let newest = measured.last()?.1;
        let l = &newest.limits;
        let goal = Goal { target_um: l.target_um, min_um: l.thickness_min_um, max_um: l.thickness_max_um };
        let to_grind = !newest.record.untouchable;
        let way = if to_grind { way(&readings, goal, self.settings.grit.as_ref()) } else { Way::default() };
        Some((readings, goal, way))
    }

    /// Keeps the bench's own copy of a photograph.
    fn copied(&mut self, arrival: Arrival) -> Result<Shot> {
        self.copies += 1;
        let extension = arrival.relative.extension().map_or_else(|| "jpg".into(), |e| e.to_string_lossy().into_owned());
        let copy = self.room.path().join(format!("{}.{extension}", self.copies));
        fs::write(&copy, &arrival.bytes)
            .map_err(|e| Error::new(&copy, "cannot be written", "make room there, or set TMPDIR").caused_by(e))?;
        let Arrival { relative, sha256, taken_s, saved, exposure, um_per_px, sketch, .. } = arrival;
        Ok(Shot { relative, copy, sha256, taken_s, saved, exposure, um_per_px, sketch })
    }

    fn event(&self, file: &Path, placed: Placed) -> Event {
        let file = file.display().to_string();
        match placed {
            Placed::Aside(why) => Event::Aside { file, why },
            Placed::At { slide, field, role, how, .. } => {
                let of = &self.bench.slides[slide];
                let fields = of.passes.last().map_or(&[][..], |p| &p.fields);
                let crossed = fields.iter().flat_map(|f| &f.crossed);
                let angle = (role == Role::Crossed)
                    .then(|| crossed.clone().find(|c| c.shot.relative == Path::new(&file)).map(|c| c.angle))
                    .flatten();
                Event::Placed { file, slide: of.id.clone(), pass: of.passes.len(), field, role, angle, how }
            }
        }
    }

    /// Sends the newest state of a slide to be checked.
    fn have_checked(&mut self, slide: usize, pass: usize, since: Instant, events: &mut Vec<Event>) -> Result<()> {
        for field in &mut self.bench.slides[slide].passes[pass].fields {
            if let Some(said) = estimate_angles(field) {
                events.push(Event::Trouble(said));
            }
        }
        self.states.entry((slide, pass)).or_default();
        self.look_ahead(slide, pass)?;
        let of = &self.bench.slides[slide];
        if !of.passes[pass].fields.iter().any(Field::is_whole) {
            return Ok(());
        }
        self.jobs += 1;
        let dir = self.room.path().join(format!("job-{}", self.jobs)).join(folder_name(&of.id));
        let said = self.said(slide)?;
        let (sheet, names) = sheet_of(&of.passes[pass], &of.id, said, true);
        lay_out(&dir, &sheet, &names, &of.passes[pass])?;
        let settings = Sheet { fields: Vec::new(), ..sheet.clone() }.text();
        let depends = sheet
            .fields
            .iter()
            .map(|f| {
                let field = of.passes[pass].fields.iter().find(|g| g.name == f.name);
                let shas: Vec<&str> = field.into_iter().flat_map(Field::shots).map(|s| s.sha256.as_str()).collect();
                let alone = Sheet { fields: vec![f.clone()], ..sheet.clone() }.text();
                (f.name.clone(), format!("{settings}\n{alone}\n{shas:?}"))
            })
            .collect::<HashMap<_, _>>();
        self.checker.check(Job { slide, pass, dir, depends, since });
        Ok(())
    }

    /// Has plane photographs looked over whose crossed ones are still to come.
    fn look_ahead(&mut self, slide: usize, pass: usize) -> Result<()> {
        let said = self.said(slide)?;
        let of = &self.bench.slides[slide];
        let to_come = |f: &&Field| f.plane.is_some() && f.crossed.is_empty();
        for field in of.passes[pass].fields.iter().filter(to_come) {
            self.jobs += 1;
            let dir = self.room.path().join(format!("job-{}", self.jobs)).join(folder_name(&of.id));
            lay_out_plane(&dir, &of.id, said.clone(), field)?;
            self.checker.look_ahead(dir);
        }
        Ok(())
    }

    /// Keeps what is past and lets go of it: each job has its own links to what it needs.
    fn tidy(&mut self, events: &mut Vec<Event>) {
        if let Err(error) = self.keep_all() {
            self.trouble(error.chain(), events);
            return;
        }
        for copy in self.bench.lighten() {
            // It may have gone the last time.
            let _ = fs::remove_file(copy);
        }
    }

    /// The time to wait before the next look.
    #[must_use]
    pub fn pause(&self) -> std::time::Duration {
        self.arrivals.pause()
    }

    /// What a person wrote for a slide: `slide.toml` of the watched folder, and that of the slide's own below it.
    fn said(&self, slide: usize) -> Result<Table> {
        let own = self.folder().join(&self.bench.slides[slide].id);
        said_in(&[self.folder(), &own])
    }

    fn hear(&mut self, told: Told) -> Vec<Event> {
        let Told { slide, pass, checked, whole, took } = told;
        let state = self.states.entry((slide, pass)).or_default();
        let mut events = Vec::new();
        match checked {
            Ok(checked) => {
                *state = PassState { checked: Some(checked), whole, failed: None };
                events.push(Event::Verdict { slide, pass, whole, took_s: took.as_secs_f64() });
            }
            Err(error) => {
                let said = format!("{}; {}", error.what, error.remedy);
                let file = error.file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
                let said = format!("{file}: {said}");
                state.failed = Some(said.clone());
                self.trouble(said, &mut events);
            }
        }
        if whole && let Err(error) = self.keep(slide) {
            self.trouble(error.chain(), &mut events);
        }
        events
    }

    /// Says what went wrong, once.
    fn trouble(&mut self, said: String, events: &mut Vec<Event>) {
        if self.told_trouble.as_ref() != Some(&said) {
            self.told_trouble = Some(said.clone());
            events.push(Event::Trouble(said));
        }
    }

    /// Keeps a slide as slide folders, one a pass.
    fn keep(&mut self, slide: usize) -> Result<()> {
        let Some(mut keeper) = self.keeper.take() else { return Ok(()) };
        let kept = self.said(slide).and_then(|said| {
            let of = &self.bench.slides[slide];
            let readings = self.way(slide).map(|w| w.0).unwrap_or_default();
            keeper.keep(of, &said, &readings)
        });
        self.keeper = Some(keeper);
        kept
    }

    /// Keeps every slide; done at the end of a sitting.
    ///
    /// # Errors
    /// When one cannot be written.
    pub fn keep_all(&mut self) -> Result<()> {
        (0..self.bench.slides.len()).try_for_each(|slide| self.keep(slide))
    }
}

/// A time of day as it is shown: `14:05`.
#[must_use]
pub fn time_of_day(at: SystemTime) -> String {
    jiff::Timestamp::try_from(at)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M").to_string())
        .unwrap_or_default()
}
