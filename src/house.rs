//! What holds for every slide of a laboratory: its limits, and the scales of its objectives.

use std::path::{Path, PathBuf};

use crate::bounds::Bounds;
use crate::error::Result;
use crate::slide::Slide;
use crate::slide::objectives::{Objectives, place};
use crate::verdict::{LimitSet, Limits};

/// A laboratory's settings; the default has the built-in limits and knows no objective but by its usual file.
#[derive(Clone, Debug, Default)]
pub struct House {
    /// Its limits.
    pub limits: LimitSet,
    /// Its objectives file; None for the usual place.
    pub objectives: Option<PathBuf>,
    /// The objective that all photographs were taken with, whatever `slide.toml` names.
    pub objective: Option<String>,
    /// What a slide may take.
    pub bounds: Bounds,
}

impl From<LimitSet> for House {
    fn from(limits: LimitSet) -> Self {
        Self { limits, ..Self::default() }
    }
}

impl House {
    /// Reads the limits file, when there is one; an objective that is named must be known.
    ///
    /// # Errors
    /// When a file cannot be used, or the objective is not in its file.
    pub fn read(limits: Option<&Path>, objectives: Option<&Path>, objective: Option<&str>) -> Result<Self> {
        let limits = limits.map_or_else(|| Ok(LimitSet::default()), LimitSet::read)?;
        let house = Self {
            limits,
            objectives: objectives.map(Path::to_path_buf),
            objective: objective.map(Into::into),
            bounds: Bounds::default(),
        };
        if let Some(name) = &house.objective {
            house.known()?.named(name)?;
        }
        Ok(house)
    }

    fn known(&self) -> Result<Objectives> {
        Objectives::read(&place(self.objectives.as_deref())?)
    }

    /// Reads a slide folder and resolves its limits and its scale.
    ///
    /// `um_per_px` in `slide.toml` goes before an objective, an objective before what the files state.
    ///
    /// # Errors
    /// When the folder cannot be read or says what cannot be, or the objectives file cannot be read.
    pub fn slide(&self, dir: &Path) -> Result<(Slide, Limits)> {
        let mut slide = Slide::read(dir)?;
        slide.max_pixels = self.bounds.photograph_px;
        let limits = self.limits.for_slide(&slide.record, dir)?;
        self.scale(&mut slide)?;
        slide.doubt_scale();
        Ok((slide, limits))
    }

    /// Gives the slide the scale of its objective, when it has no better one.
    fn scale(&self, slide: &mut Slide) -> Result<()> {
        let Some(name) = self.objective.clone().or_else(|| slide.objective.clone()) else { return Ok(()) };
        let written = slide.record.scale_source.as_deref() == Some(crate::slide::manifest::FILE);
        // Where no settings can be kept none are.
        let known = match (self.known(), &self.objective) {
            (Ok(known), _) => known,
            (Err(error), Some(_)) => return Err(error),
            (Err(error), None) => {
                slide.warnings.push(format!("objective = \"{name}\" was not looked up: {error}"));
                return Ok(());
            }
        };
        match known.named(&name) {
            Ok(objective) if written => {
                let stated = slide.record.um_per_px.unwrap_or(objective.um_per_px);
                if (stated / objective.um_per_px - 1.0).abs() > SAME_SCALE {
                    slide.warnings.push(format!(
                        "slide.toml says {stated} um per pixel, the objective {name} {:.4}: the first was taken",
                        objective.um_per_px
                    ));
                }
            }
            Ok(objective) => slide.scale_by(&name, objective),
            Err(error) if self.objective.is_some() => return Err(error),
            Err(_) if written => {}
            Err(_) => slide.warnings.push(format!(
                "the scale of the objective {name} is not known: measure it with thinproof scale and --save {name}"
            )),
        }
        Ok(())
    }
}

/// Scales that differ by less are the same. House value.
const SAME_SCALE: f64 = 0.01;
