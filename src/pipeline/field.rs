//! What one field gives: its photographs held against each other, its crystals and its defects.

use crate::error::Result;
use crate::pipeline::crystals::{crystals_unless, known_of, leave_out, unevenness};
use crate::register::FieldStack;
use crate::register::contradictions::Contradiction;
use crate::register::overview::Overview;
use crate::register::smear::Smeared;
use crate::section::crossed_light::CrossedLight;
use crate::section::defects::{DefectKind, find_defects_unless};
use crate::section::{Crystals, FieldDefects};
use crate::slide::SlideRecord;
use crate::slide::photograph::PhotographRecord;
use crate::thickness::FieldCrystals;
use crate::timings::stage;
use crate::units::MicrometresPerPixel;
use crate::windows::{LargeField, Progress};

/// What one field gave: findings and what the report shows of it; its photographs are gone.
#[derive(Clone, Debug)]
pub struct FieldFindings {
    /// Name.
    pub name: String,
    /// Centre on the section, mm.
    pub centre_mm: Option<[f64; 2]>,
    /// Width and height of its plane photograph, pixels.
    pub size_px: [usize; 2],
    /// Scale.
    pub scale: Option<MicrometresPerPixel>,
    /// Its crystals with what the thickness fit needs to know of the photographs.
    pub crystals: FieldCrystals,
    /// Its defects.
    pub defects: FieldDefects,
    /// Its photographs.
    pub photographs: Vec<PhotographRecord>,
    /// What its photographs cannot show together; nothing is measured in it then.
    pub contradiction: Option<Contradiction>,
    /// Its plane light from afar.
    pub overview: Overview,
    /// Findings about registration and photographs.
    pub warnings: Vec<String>,
}

/// What is known of a field's photographs before anything is measured on them.
pub(super) enum Still {
    /// They are of one place; the most smeared, where it could not be left out.
    Agreed(Option<Smeared>),
    /// They contradict each other; the most smeared.
    Contradicted(Contradiction, Option<Smeared>),
}

impl FieldFindings {
    /// What a registered field gives; smeared crossed photographs are left out of it where the others suffice.
    #[must_use]
    pub fn find(stack: &mut FieldStack, record: &SlideRecord) -> Self {
        let still = Self::held_against_each_other(stack);
        let (found, defects) = Self::looked_over(stack, still, record, |found| found);
        match defects {
            Some(defects) => Self { defects, ..found },
            None => found,
        }
    }

    /// Whether the photographs of a field are of one place, and stood still: smeared crossed ones are left out where the others suffice.
    pub(super) fn held_against_each_other(stack: &mut FieldStack) -> Still {
        let (contradiction, uneven) = rayon::join(
            || {
                stage!("contradictions");
                stack.contradiction().or_else(|| stack.another_place())
            },
            || unevenness(stack),
        );
        match contradiction {
            Some(found) => Still::Contradicted(found, uneven.worst(stack)),
            None => Still::Agreed(leave_out(stack, &uneven)),
        }
    }

    /// The defects of a registered field, and what `by_crystals` makes of everything else that it gives: it works beside the search
    /// for them. None where the photographs contradict each other; everything is known without them then.
    pub(super) fn looked_over<R: Send>(
        stack: &FieldStack,
        still: Still,
        record: &SlideRecord,
        by_crystals: impl FnOnce(Self) -> R + Send,
    ) -> (R, Option<FieldDefects>) {
        let (found, smeared) = match still {
            Still::Agreed(smeared) => {
                let (crossed, smeared) = (CrossedLight::of(stack), smeared.as_ref());
                let (made, defects) = rayon::join(
                    || by_crystals(Self::with_crystals(stack, crystals_unless(stack, &crossed, smeared), "")),
                    || find_defects_unless(stack, &crossed, smeared, record.impregnation),
                );
                return (made, Some(defects));
            }
            Still::Contradicted(found, smeared) => (found, smeared),
        };
        let mut crystals = crystals_unless(stack, &CrossedLight::NotYet, smeared.as_ref());
        crystals.crystals.crystals.clear();
        (by_crystals(Self::contradicted(stack, crystals, found)), None)
    }

    /// What a large field gives, looked at window by window; `progress` hears how far it is, and may give it up.
    ///
    /// # Errors
    /// When a part of a photograph is damaged, or `progress` gives it up.
    pub fn find_large(field: &LargeField, progress: impl FnMut(&Progress) -> Result<()>) -> Result<Self> {
        let afar = &field.from_afar;
        let contradiction = {
            stage!("contradictions");
            afar.contradiction()
        };
        let found = match contradiction {
            Some(contradiction) => Self::contradicted(afar, known_of(afar, Crystals::none(), [0.0; 3]), contradiction),
            None => {
                let found = field.find(progress)?;
                let crystals = known_of(afar, found.crystals, found.leak);
                Self { defects: found.defects, ..Self::with_crystals(afar, crystals, "") }
            }
        };
        let (size_px, scale) = (field.size_px, field.scale);
        Ok(Self { crystals: FieldCrystals { size_px, scale, ..found.crystals }, size_px, scale, ..found })
    }

    /// A field whose photographs contradict each other: nothing is measured in it.
    fn contradicted(stack: &FieldStack, crystals: FieldCrystals, found: Contradiction) -> Self {
        let why = found.why.clone();
        let mut findings = Self::with_crystals(stack, crystals, &why);
        findings.warnings.push(format!("nothing was measured in field {}: {why}", stack.name));
        findings.contradiction = Some(found);
        findings
    }

    /// A registered field with its crystals alone: every kind of defect is named as not judged, for the reason `why`.
    #[must_use]
    pub fn with_crystals(stack: &FieldStack, crystals: FieldCrystals, why: &str) -> Self {
        let kinds = [DefectKind::Bubbles, DefectKind::Plucks, DefectKind::Scratches];
        let unjudged = kinds.map(|kind| (kind, why.to_owned())).to_vec();
        let blank = stack.blank.iter();
        let photographs = std::iter::once(&stack.plane)
            .chain(stack.crossed.iter().map(|c| &c.photograph))
            .map(|p| &p.record)
            .chain(&stack.left_out)
            .chain(blank.map(|p| &p.record))
            .cloned()
            .collect();
        Self {
            name: stack.name.clone(),
            centre_mm: stack.centre_mm,
            size_px: [stack.width, stack.height],
            scale: stack.scale,
            crystals,
            defects: FieldDefects { unjudged, ..FieldDefects::default() },
            photographs,
            contradiction: None,
            overview: stack.overview.clone(),
            warnings: stack.warnings.clone(),
        }
    }
}
