//! One slide from folder to verdict: the block diagram.
//!
//! ```text
//! slide folder ── read ──> fields ── load ──> photographs ── register ──> one grid a field
//!                                                                          │
//!                   ┌──────────────────────┬───────────────────────────────┤
//!               extinction             defects                          pictures
//!                   │                      │                               │
//!               crystals                   │                               │
//!                   │                      │                               │
//!               thickness ──────────> verdict ──────────────────────────> report
//! ```
//!
//! Fields are taken one after another, so that memory is bounded by one field's photographs; each stage uses all cores. A field
//! too large to be held, such as a photograph of the whole section, goes through the same stages window by window ([`crate::windows`]).

mod crystals;
mod field;
mod once;

use std::path::Path;

use crate::bounds::Clock;
use crate::chart::ColourScale;
use crate::error::{Error, Result};
use crate::house::House;
use crate::optics::Lamp;
use crate::optics::mineral::share_below;
pub(crate) use crate::pipeline::crystals::crystals_unless;
pub use crate::pipeline::crystals::{crystals_of, leave_out_smeared};
pub use crate::pipeline::field::FieldFindings;
use crate::pipeline::once::{Witnesses, counted_once};
use crate::register::FieldStack;
use crate::report::Chart;
use crate::section::totals::Tally;
use crate::slide::manifest::Archive;
use crate::slide::photograph::{PhotographRecord, Role};
use crate::slide::{Slide, SlideRecord};
use crate::thickness::{self, FieldCrystals, SectionSize, Thickness, Yardstick};
use crate::timings::stage;
use crate::units::Nanometres;
use crate::verdict::{self, Findings, Limits, Verdict};
use crate::windows::{self, LargeField, Progress};

/// A slide that was checked.
#[derive(Clone, Debug)]
pub struct CheckedSlide {
    /// What the preparator says of it.
    pub record: SlideRecord,
    /// What a collection keeps beside the measurement.
    pub archive: Option<Archive>,
    /// SHA-256 of `slide.toml`, hexadecimal; None when there is none.
    pub slide_toml_sha256: Option<String>,
    /// The limits it was judged by.
    pub limits: Limits,
    /// What each field gave.
    pub fields: Vec<FieldFindings>,
    /// Thickness of the section.
    pub thickness: Thickness,
    /// Defects of all fields together.
    pub tally: Tally,
    /// The verdict.
    pub verdict: Verdict,
    /// Findings about the folder.
    pub warnings: Vec<String>,
}

/// Checks one slide folder. `look` sees each registered field before its photographs are let go (the report's pictures).
///
/// # Errors
/// When the folder or a photograph cannot be read, or says what cannot be.
pub fn check(dir: &Path, house: &House, look: impl FnMut(&FieldStack) + Send) -> Result<CheckedSlide> {
    let clock = house.bounds.start(dir);
    let (slide, limits) = house.slide(dir)?;
    check_read(slide, limits, &clock, look, |_| {})
}

/// Checks a slide that was read. `look` sees each registered field, a large one from afar; `progress` hears how far the look at
/// a large one is.
///
/// # Errors
/// As [`check`].
pub fn check_read(
    slide: Slide,
    limits: Limits,
    clock: &Clock<'_>,
    mut look: impl FnMut(&FieldStack) + Send,
    mut progress: impl FnMut(&Progress),
) -> Result<CheckedSlide> {
    yardstick_of(&slide)?;
    let mut fields = Vec::with_capacity(slide.fields.len());
    let mut once = Witnesses::default();
    let mut thickness = None;
    for (i, plan) in slide.fields.iter().enumerate() {
        if windows::wanted(&slide, plan) {
            let scans = slide.scan(plan)?;
            let all = std::iter::once(&scans.plane).chain(&scans.crossed).chain(&scans.blank);
            once.claim(all.map(|p| (&p.path, &p.record)))?;
            let field = LargeField::register(plan, scans, &slide)?;
            clock.check("registered", &plan.name)?;
            {
                stage!("pictures");
                look(&field.from_afar);
            }
            fields.push(FieldFindings::find_large(&field, |told| {
                progress(told);
                clock.check("looked at windows of", &plan.name)
            })?);
            clock.check("measured", &plan.name)?;
            continue;
        }
        let photographs = {
            stage!("read");
            slide.load(plan)?
        };
        clock.check("read", &plan.name)?;
        let all = std::iter::once(&photographs.plane).chain(&photographs.crossed).chain(&photographs.blank);
        once.claim(all.map(|p| (&p.path, &p.record)))?;
        let mut stack = FieldStack::register(plan, photographs, slide.scale, slide.record.turned)?;
        clock.check("registered", &plan.name)?;
        let still = FieldFindings::held_against_each_other(&mut stack);
        let stack = &stack;
        // Thickness asks for crystals only: it is measured beside the search for the last field's defects, and pictures are made
        // beside both.
        let last = i + 1 == slide.fields.len();
        let pictures = || {
            stage!("pictures");
            look(stack);
        };
        let find = || {
            FieldFindings::looked_over(stack, still, &slide.record, |by_crystals| {
                fields.push(by_crystals);
                last.then(|| measure(&slide, &fields))
            })
        };
        let (measured, defects) = rayon::join(find, pictures).0;
        thickness = measured;
        if let (Some(field), Some(defects)) = (fields.last_mut(), defects) {
            field.defects = defects;
        }
        clock.check("measured", &plan.name)?;
    }
    let measured = thickness.unwrap_or_else(|| measure(&slide, &fields))?;
    Ok(judge(slide, limits, fields, measured))
}

/// From what the fields of a slide gave to its verdict, in the order of `slide.fields`. No photograph is looked at.
///
/// # Errors
/// When `slide.toml` asks for a mineral that thickness cannot be measured by.
pub fn conclude(slide: Slide, limits: Limits, fields: Vec<FieldFindings>) -> Result<CheckedSlide> {
    let measured = measure(&slide, &fields)?;
    Ok(judge(slide, limits, fields, measured))
}

/// Thickness of a section by the crystals of its fields.
#[derive(Clone, Debug)]
pub struct SectionThickness {
    thickness: Thickness,
    /// Marks that could not be believed, places that were photographed twice.
    warnings: Vec<String>,
}

/// Thickness by the crystals of all fields, in the order of `slide.fields`; what else was found in them does not matter.
///
/// # Errors
/// As [`conclude`].
pub fn measure(slide: &Slide, fields: &[FieldFindings]) -> Result<SectionThickness> {
    let yardstick = yardstick_of(slide)?;
    let mut crystals: Vec<FieldCrystals> = fields.iter().map(|f| f.crystals.clone()).collect();
    let mut warnings = believe(slide, &yardstick, &mut crystals);
    warnings.extend(counted_once(fields, &mut crystals));
    let size = SectionSize { width_mm: slide.record.width_mm, height_mm: slide.record.height_mm };
    let thickness = {
        stage!("thickness");
        thickness::measure(&crystals, size, &yardstick)
    };
    Ok(SectionThickness { thickness: with_what_contradicts(thickness, fields), warnings })
}

/// The verdict on a section whose thickness was measured by the crystals of these fields.
#[must_use]
pub fn judge(slide: Slide, limits: Limits, fields: Vec<FieldFindings>, measured: SectionThickness) -> CheckedSlide {
    let SectionThickness { thickness, mut warnings } = measured;
    let tally = Tally::of(&fields.iter().map(|f| f.defects.clone()).collect::<Vec<_>>(), slide.scale);
    let placed = fields.iter().filter(|f| f.centre_mm.is_some()).count();
    let verdict = verdict::judge(&Findings {
        record: &slide.record,
        limits: &limits,
        thickness: &thickness,
        tally: &tally,
        fields: fields.len(),
        placed,
    });
    warnings.extend(slide.warnings);
    CheckedSlide {
        record: slide.record,
        archive: slide.archive,
        slide_toml_sha256: slide.slide_toml_sha256,
        limits,
        fields,
        thickness,
        tally,
        verdict,
        warnings,
    }
}

/// What could not be measured is explained by what the photographs contradict, when they do.
fn with_what_contradicts(thickness: Thickness, fields: &[FieldFindings]) -> Thickness {
    match (thickness, fields.iter().find_map(|f| f.contradiction.as_ref())) {
        (Thickness::NotMeasurable { .. }, Some(found)) => {
            Thickness::NotMeasurable { why: found.why.clone(), next: found.next.clone() }
        }
        (Thickness::NotMeasurable { .. }, None) if are_grey(fields) => Thickness::NotMeasurable {
            why: "the crossed photographs are grey, and thickness is read from interference colours".into(),
            next: "Photograph between crossed polars in colour.".into(),
        },
        (Thickness::NotMeasurable { why, next }, None) => match mostly_white(fields) {
            Some(plane) => Thickness::NotMeasurable {
                why: format!(
                    "{} is overexposed on {:.0} % of it, and of the rest it can only be said: {why}",
                    plane.file,
                    100.0 * plane.clipped_fraction
                ),
                next: "Shorten the exposure in plane light until clear glass is just short of white, and photograph again."
                    .into(),
            },
            None => Thickness::NotMeasurable { why, next },
        },
        (thickness, _) => thickness,
    }
}

/// Share of a plane photograph that is overexposed from which little of the section is left to measure. House value.
const MOSTLY_WHITE: f64 = 0.4;

/// The plane photograph that is overexposed most, where all of them are over much of the section.
fn mostly_white(fields: &[FieldFindings]) -> Option<&PhotographRecord> {
    let mut planes: Vec<_> = fields.iter().flat_map(|f| &f.photographs).filter(|p| p.role == Role::Plane).collect();
    planes.sort_by(|a, b| b.clipped_fraction.total_cmp(&a.clipped_fraction));
    planes.iter().all(|p| p.clipped_fraction > MOSTLY_WHITE).then(|| planes.first().copied()).flatten()
}

/// Whether no crossed photograph has colour.
fn are_grey(fields: &[FieldFindings]) -> bool {
    let mut crossed = fields.iter().flat_map(|f| &f.photographs).filter(|p| p.role == Role::Crossed).peekable();
    crossed.peek().is_some() && crossed.all(PhotographRecord::is_grey)
}

/// The mineral that thickness is measured by.
fn yardstick_of(slide: &Slide) -> Result<Yardstick> {
    let Some(name) = &slide.reference_mineral else { return Ok(Yardstick::quartz()) };
    Yardstick::named(name).ok_or_else(|| {
        Error::new(
            slide.dir.join("slide.toml"),
            format!("reference_mineral \"{name}\" is none that thickness can be measured by"),
            format!("name one of {}", Yardstick::names().join(", ")),
        )
    })
}

/// Takes the preparator's word for which crystals are what is measured by; returns warnings.
fn believe(slide: &Slide, yardstick: &Yardstick, fields: &mut [FieldCrystals]) -> Vec<String> {
    let mut warnings = Vec::new();
    if !yardstick.is_quartz() {
        fields.iter_mut().for_each(FieldCrystals::look_for_any_colourless);
        if !slide.quartz.is_empty() {
            warnings.push(format!(
                "the [[quartz]] marks were not used, because reference_mineral asks for {}",
                yardstick.mineral.name
            ));
        }
        return warnings;
    }
    for field in fields {
        let marks: Vec<[f64; 4]> = slide.quartz.iter().filter(|m| m.field == field.name).map(|m| m.box_px).collect();
        for [x, y, ..] in field.believe(&marks) {
            warnings.push(format!(
                "the [[quartz]] mark at {x:.0}, {y:.0} in field {} lies on no clean crystal and was not used",
                field.name
            ));
        }
    }
    warnings
}

/// Right end of the report's chart, nm: well into the second order, and a whole number of its bars.
const CHART_UP_TO_NM: f64 = 705.0;

impl CheckedSlide {
    /// The grains on the interference colours of quartz, for the report; None when thickness was not measured.
    #[must_use]
    pub fn chart(&self) -> Option<Chart> {
        let Thickness::Measured(surface) = &self.thickness else { return None };
        let scale = ColourScale::new(Lamp::D65, Nanometres::from_nm(CHART_UP_TO_NM));
        let largest = surface.largest_retardation_nm;
        Some(Chart::new(scale, &surface.grains, |nm| share_below(nm / largest)))
    }
}
