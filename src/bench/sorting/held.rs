//! What the bench holds: its slides, passes and fields looked up and added to.

use std::time::SystemTime;

use super::super::naming::Said;
use super::super::visit::{BenchSlide, Field, Pass, Shot};
use super::Bench;

impl Bench {
    /// The plane photographs of the slide at hand and its newest pass, newest first.
    pub(super) fn planes_at_hand(&self, said: &Said) -> Vec<&Shot> {
        let slide = match &said.slide {
            Some(id) => self.slides.iter().position(|s| s.id == *id),
            None => self.current,
        };
        let fields = slide.map_or(&[][..], |s| &self.pass(s).fields);
        fields.iter().rev().filter_map(|f| f.plane.as_ref()).collect()
    }

    pub(super) fn twin(&self, sha256: &str) -> Option<String> {
        let shots = self.slides.iter().flat_map(|s| &s.passes).flat_map(|p| &p.fields).flat_map(Field::shots);
        let twin = shots.chain(&self.aside).find(|s| s.sha256 == sha256)?;
        Some(twin.relative.display().to_string())
    }

    pub(super) fn seconds_since_last(&self, shot: &Shot) -> Option<i64> {
        let (taken, saved) = self.last?;
        match (taken, shot.taken_s) {
            (Some(before), Some(now)) => Some(now - before),
            _ => Some(shot.saved.duration_since(saved).map_or(0, |d| d.as_secs() as i64)),
        }
    }

    pub(super) fn gap(&self, since: Option<i64>) -> bool {
        since.is_some_and(|s| s > self.gap_s)
    }

    pub(super) fn new_slide(&mut self, said: &Said, began: SystemTime) -> usize {
        let id = said.slide.clone().unwrap_or_else(|| {
            let free = |id: &String| self.slides.iter().all(|s| s.id != *id);
            let numbered = (2..).map(|n| format!("{}-{n}", self.stem));
            std::iter::once(self.stem.clone()).chain(numbered).find(free).unwrap_or_default()
        });
        let first = Pass { fields: Vec::new(), began, folder: said.pass.clone() };
        self.slides.push(BenchSlide { id, named: said.slide.is_some(), passes: vec![first] });
        self.slides.len() - 1
    }

    pub(super) fn begin_pass(&mut self, slide: usize, said: &Said, began: SystemTime) {
        self.slides[slide].passes.push(Pass { fields: Vec::new(), began, folder: said.pass.clone() });
    }

    /// Begins a pass when the photograph was saved into another folder of the slide's than the ones before.
    pub(super) fn pass_by_folder(&mut self, slide: usize, said: &Said, began: SystemTime) -> bool {
        let pass = self.pass(slide);
        let another = pass.folder != said.pass && !pass.fields.is_empty();
        if another {
            self.begin_pass(slide, said, began);
        }
        another
    }

    pub(super) fn pass(&self, slide: usize) -> &Pass {
        self.slides[slide].passes.last().expect("a slide has a pass from its first photograph on")
    }

    pub(super) fn pass_mut(&mut self, slide: usize) -> &mut Pass {
        self.slides[slide].passes.last_mut().expect("a slide has a pass from its first photograph on")
    }

    pub(super) fn field(&mut self, slide: usize, name: &str) -> &mut Field {
        let fields = &mut self.pass_mut(slide).fields;
        let at = fields.iter().position(|f| f.name == name).unwrap_or_else(|| {
            fields.push(Field { name: name.to_owned(), ..Field::default() });
            fields.len() - 1
        });
        &mut fields[at]
    }

    /// A letter that no field of any pass of the slide has, so that a field keeps its letter from pass to pass.
    pub(super) fn next_letter(&self, slide: usize) -> String {
        let taken = |name: &String| self.slides[slide].passes.iter().any(|p| p.fields.iter().any(|f| f.name == *name));
        let letters = ('A'..='Z').map(String::from).chain((27..).map(|n| n.to_string()));
        letters.into_iter().find(|name| !taken(name)).unwrap_or_default()
    }
}
