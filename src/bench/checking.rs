//! The check in the background: what the newest photographs say, first by thickness alone, then with the defects.
//!
//! A field whose photographs did not change is not measured again. Of several states of one slide the newest counts. A plane
//! photograph is looked over as soon as it is there, so that less is left to do when the first crossed one comes.

use std::collections::{HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::error::Result;
use crate::house::House;
use crate::pipeline::{self, CheckedSlide, FieldFindings, SectionThickness, crystals_unless, leave_out_smeared};
use crate::register::FieldStack;
use crate::section::crossed_light::CrossedLight;
use crate::section::defects::find_defects_after;

use super::looks::Looks;

/// Said of every kind of defect while only the thickness is known.
pub const STILL_LOOKING: &str = "still being looked for";

/// Findings of fields that are kept; more are measured again when they come back.
const MOST_KEPT: usize = 64;

/// Looks ahead that wait, at the most.
const MOST_AHEAD: usize = 2;

/// One state of a slide at the bench.
#[derive(Debug)]
pub struct Job {
    /// Index of the slide.
    pub slide: usize,
    /// Index of the pass.
    pub pass: usize,
    /// A slide folder with this state. It is removed when the job is done.
    pub dir: PathBuf,
    /// For each field's name what its findings depend on: equal text, equal findings.
    pub depends: HashMap<String, String>,
    /// When the photograph that made this state was taken up.
    pub since: Instant,
}

/// What the thread is given to do.
#[derive(Debug)]
enum Errand {
    Check(Job),
    /// Looking over the plane photographs of a slide folder, which is removed then.
    LookAhead(PathBuf),
}

/// What a check found.
#[derive(Debug)]
pub struct Told {
    /// Index of the slide.
    pub slide: usize,
    /// Index of the pass.
    pub pass: usize,
    /// The checked slide, or why it cannot be.
    pub checked: Result<Box<CheckedSlide>>,
    /// Whether the defects are in it too.
    pub whole: bool,
    /// How long it took since the photograph was taken up.
    pub took: Duration,
}

#[derive(Debug, Default)]
struct Queue {
    errands: Mutex<(VecDeque<Errand>, bool)>,
    changed: Condvar,
}

impl Queue {
    /// A panic while the queue was held leaves nothing half done in it.
    fn lock(&self) -> MutexGuard<'_, (VecDeque<Errand>, bool)> {
        self.errands.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn next(&self) -> Option<Errand> {
        let mut held = self.lock();
        loop {
            if held.1 {
                return None;
            }
            // A verdict is waited for, a look ahead is not.
            let first = held.0.iter().position(|e| matches!(e, Errand::Check(_))).unwrap_or(0);
            if let Some(errand) = held.0.remove(first) {
                return Some(errand);
            }
            held = self.changed.wait(held).unwrap_or_else(std::sync::PoisonError::into_inner);
        }
    }

    fn is_stale(&self, job: &Job) -> bool {
        let held = self.lock();
        held.1 || held.0.iter().any(|e| e.checks(job))
    }
}

/// The thread that checks.
#[derive(Debug)]
pub struct Checker {
    queue: Arc<Queue>,
    told: Receiver<Told>,
    thread: Option<JoinHandle<()>>,
    open: usize,
}

impl Checker {
    /// Starts it.
    #[must_use]
    pub fn start(house: House) -> Self {
        let queue = Arc::new(Queue::default());
        let (tell, told) = channel();
        let of_thread = Arc::clone(&queue);
        let thread = std::thread::spawn(move || {
            crate::thickness::make_ready();
            let (mut kept, mut looks) = (HashMap::new(), Looks::default());
            while let Some(errand) = of_thread.next() {
                match &errand {
                    Errand::Check(job) => {
                        check(job, &house, &mut kept, &mut looks, &tell, &|| of_thread.is_stale(job));
                    }
                    Errand::LookAhead(dir) => look_ahead(dir, &house, &mut looks),
                }
                errand.clear();
            }
        });
        Self { queue, told, thread: Some(thread), open: 0 }
    }

    /// Has a state checked; an older one of the same pass that still waits is dropped.
    pub fn check(&mut self, job: Job) {
        let mut held = self.queue.lock();
        held.0.retain(|e| {
            let older = e.checks(&job);
            if older {
                e.clear();
                self.open -= 1;
            }
            !older
        });
        held.0.push_back(Errand::Check(job));
        self.open += 1;
        drop(held);
        self.queue.changed.notify_one();
    }

    /// Has the plane photographs of a slide folder looked over when nothing else is to be done; nothing is told of it.
    pub fn look_ahead(&mut self, dir: PathBuf) {
        let mut held = self.queue.lock();
        // Of a folder full of plane photographs the newest are the ones whose crossed ones come next.
        let waiting = held.0.iter().filter(|e| matches!(e, Errand::LookAhead(_))).count();
        if waiting >= MOST_AHEAD
            && let Some(oldest) = held.0.iter().position(|e| matches!(e, Errand::LookAhead(_)))
            && let Some(oldest) = held.0.remove(oldest)
        {
            oldest.clear();
        }
        held.0.push_back(Errand::LookAhead(dir));
        drop(held);
        self.queue.changed.notify_one();
    }

    /// What was found since the last time, oldest first; never waits.
    pub fn found(&mut self) -> Vec<Told> {
        let found: Vec<Told> = self.told.try_iter().collect();
        self.open -= found.iter().filter(|t| t.ends()).count();
        found
    }

    /// Whether something is still being checked.
    #[must_use]
    pub fn busy(&self) -> bool {
        self.open > 0
    }
}

impl Errand {
    /// Whether it is a check of the same pass as that.
    fn checks(&self, job: &Job) -> bool {
        matches!(self, Self::Check(own) if (own.slide, own.pass) == (job.slide, job.pass))
    }

    /// Removes its folder; what cannot be removed goes with the bench's own.
    fn clear(&self) {
        let (Self::Check(Job { dir, .. }) | Self::LookAhead(dir)) = self;
        let _ = std::fs::remove_dir_all(dir);
    }
}

impl Told {
    /// Whether the job that told this is at its end.
    fn ends(&self) -> bool {
        self.whole || self.checked.is_err()
    }
}

impl Drop for Checker {
    fn drop(&mut self) {
        self.queue.lock().1 = true;
        self.queue.changed.notify_all();
        // A check in hand is not waited for: it holds nothing but memory and the bench's own copies.
        drop(self.thread.take());
    }
}

/// Looks over the plane photographs of a folder. What cannot be read is told when it is checked.
fn look_ahead(dir: &Path, house: &House, looks: &mut Looks) {
    let Ok((slide, _)) = house.slide(dir) else { return };
    for plane in slide.fields.iter().filter_map(|plan| slide.load_plane(plan).ok()) {
        looks.at(&plane, &slide);
    }
}

fn check(
    job: &Job,
    house: &House,
    kept: &mut HashMap<String, FieldFindings>,
    looks: &mut Looks,
    tell: &Sender<Told>,
    stale: &dyn Fn() -> bool,
) {
    let send = |checked: Result<CheckedSlide>, whole: bool| {
        let told =
            Told { slide: job.slide, pass: job.pass, checked: checked.map(Box::new), whole, took: job.since.elapsed() };
        // Nobody listens any more when the bench is cleared.
        let _ = tell.send(told);
    };
    match measured(job, house, kept, looks, stale, &mut |checked| send(Ok(checked), false)) {
        Ok(checked) => send(Ok(checked), true),
        Err(error) => send(Err(error), true),
    }
}

/// Checks a state; `quick` hears what its thickness says as soon as the last changed field is measured.
fn measured(
    job: &Job,
    house: &House,
    kept: &mut HashMap<String, FieldFindings>,
    looks: &mut Looks,
    stale: &dyn Fn() -> bool,
    quick: &mut (dyn FnMut(CheckedSlide) + Send),
) -> Result<CheckedSlide> {
    let clock = house.bounds.start(&job.dir);
    let (slide, limits) = house.slide(&job.dir)?;
    if kept.len() > MOST_KEPT {
        kept.clear();
    }
    let depends = |name: &str| job.depends.get(name).cloned();
    let new: Vec<usize> = (0..slide.fields.len())
        .filter(|i| depends(&slide.fields[*i].name).is_none_or(|key| !kept.contains_key(&key)))
        .collect();
    let mut fields: Vec<Option<FieldFindings>> =
        slide.fields.iter().map(|f| depends(&f.name).and_then(|key| kept.get(&key).cloned())).collect();
    let mut thickness = None;
    for (n, &i) in new.iter().enumerate() {
        let plan = &slide.fields[i];
        let mut stack = FieldStack::register(plan, slide.load(plan)?, slide.scale, slide.record.turned)?;
        clock.check("registered", &plan.name)?;
        let last = n + 1 == new.len();
        let found = if last && stack.contradiction().is_none() {
            let smeared = leave_out_smeared(&mut stack);
            // What its thickness says is told as soon as it is known; the defects are looked for beside it.
            let mut by_thickness = || -> Result<(FieldFindings, SectionThickness, CheckedSlide)> {
                let first = FieldFindings::with_crystals(
                    &stack,
                    crystals_unless(&stack, &CrossedLight::NotYet, smeared.as_ref()),
                    STILL_LOOKING,
                );
                fields[i] = Some(first.clone());
                let by_crystals: Vec<FieldFindings> = fields.iter().flatten().cloned().collect();
                let measured = pipeline::measure(&slide, &by_crystals)?;
                let said = pipeline::judge(slide.clone(), limits.clone(), by_crystals, measured.clone());
                Ok((first, measured, said))
            };
            if stale() {
                // A newer state will say more; this one ends with what its thickness says.
                return by_thickness().map(|(_, _, said)| said);
            }
            let by_thickness = || {
                let (first, measured, said) = by_thickness()?;
                quick(said);
                Ok((first, measured))
            };
            let (by_thickness, defects) = rayon::join(by_thickness, || {
                let look = looks.at(&stack.plane, &slide);
                find_defects_after(&look, &stack, smeared.as_ref(), slide.record.impregnation)
            });
            let (first, measured): (FieldFindings, SectionThickness) = by_thickness?;
            thickness = Some(measured);
            FieldFindings { defects, ..first }
        } else {
            FieldFindings::find(&mut stack, &slide.record)
        };
        if let Some(key) = depends(&plan.name) {
            kept.insert(key, found.clone());
        }
        fields[i] = Some(found);
    }
    let fields: Vec<FieldFindings> = fields.into_iter().flatten().collect();
    // Defects do not change what the crystals say.
    let measured = thickness.map_or_else(|| pipeline::measure(&slide, &fields), Ok)?;
    Ok(pipeline::judge(slide, limits, fields, measured))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A checker whose thread never takes anything up.
    fn idle() -> Checker {
        let (_, told) = channel();
        Checker { queue: Arc::default(), told, thread: None, open: 0 }
    }

    #[test]
    fn a_check_goes_before_looks_ahead_and_of_these_the_newest_are_kept() {
        let room = tempfile::tempdir().unwrap();
        let folder = |name: &str| {
            let dir = room.path().join(name);
            std::fs::create_dir(&dir).unwrap();
            dir
        };
        let mut checker = idle();
        let ahead = ["a", "b", "c"].map(folder);
        ahead.iter().for_each(|dir| checker.look_ahead(dir.clone()));
        let job = |dir| Job { slide: 0, pass: 0, dir, depends: HashMap::new(), since: Instant::now() };
        checker.check(job(folder("older")));
        checker.check(job(folder("newer")));
        assert_eq!(ahead.each_ref().map(|dir| dir.exists()), [false, true, true], "the oldest look was dropped");
        assert!(!room.path().join("older").exists(), "a newer state takes the place of an older one");
        let order: Vec<PathBuf> = (0..3)
            .map(|_| match checker.queue.next() {
                Some(Errand::Check(job)) => job.dir,
                Some(Errand::LookAhead(dir)) => dir,
                None => panic!("the bench is not cleared yet"),
            })
            .collect();
        assert_eq!(order, [room.path().join("newer"), ahead[1].clone(), ahead[2].clone()]);
    }
}
