//! From crystals to a thickness with its interval, its wedge, or a reason why not.

use rand_chacha::ChaCha8Rng;

use crate::measured::Measured;
use crate::optics::mineral::Mineral;
use crate::optics::quartz;
use crate::thickness::believed::Seen;
use crate::thickness::carried::{Carried, Spread};
use crate::thickness::curved::{self, Terms};
use crate::thickness::extent::Extent;
use crate::thickness::grain::FieldCrystals;
use crate::thickness::systematic::{EXPECTED_MISFIT, LEAST_MISFIT, systematic_share};
use crate::thickness::yardstick::Yardstick;
use crate::thickness::{
    FieldThickness, MeasuredGrain, SectionMap, SurfaceDraw, Thickness, ThicknessSurface, apart, balance, believed,
    component, grain, lookalike, orders, oriented, surface, unreadable,
};
use crate::units::{Degrees, Micrometres};

/// The section that thickness is asked of.
#[derive(Clone, Copy, Debug, Default)]
pub struct SectionSize {
    /// Width, mm.
    pub width_mm: Option<f64>,
    /// Height, mm.
    pub height_mm: Option<f64>,
}

/// What to do when there is too little of the mineral that is measured by.
pub(crate) fn more_of(yardstick: &Yardstick) -> String {
    if yardstick.is_quartz() {
        format!(
            "Photograph a field with more quartz, or several fields. Quartz that you know can be marked in slide.toml ([[quartz]]); {WITHOUT_QUARTZ}."
        )
    } else {
        format!("Photograph a field with more {}, or several fields. {BY_QUARTZ}", yardstick.mineral.name)
    }
}

/// What else could be used in a rock without quartz.
const WITHOUT_QUARTZ: &str = "a rock without any can be measured by its feldspar (reference_mineral)";
/// What else could be used where another mineral does not tell.
const BY_QUARTZ: &str =
    "By quartz the thickness is told more closely: where the rock has some, leave out reference_mineral.";
/// Probability that there is no quartz at all from which on nothing is measured.
const NO_QUARTZ: f64 = 0.05;
/// Fewest grains that look like quartz for a thickness.
const FEWEST_GRAINS: usize = 6;
/// Fewest grains that carry a field's own thickness.
const FEWEST_IN_FIELD: usize = 4;
/// Fewest grains that are more likely quartz than anything else once the thickness is known.
const FEWEST_CARRYING: usize = 5;
/// Widest half-interval, as a share of the thickness, that is still called a measurement.
const WIDEST: f64 = 0.1;
/// Distance above which the colours are not those of quartz.
const STRANGE: f64 = 3.2;
/// Relative standard uncertainty added where orientation is not random: what the largest of a few dozen grains may miss by.
const PREFERRED_ORIENTATION: f64 = 0.05;
/// Looks above which a grain is taken as quartz where nearly all clear grains are.
pub(crate) const LOOKS_CLEAR: f64 = 0.5;
/// Share of bright crystals clipped in too many photographs above which the fit would rest on the dark ones only.
const TOO_CLIPPED: f64 = 0.35;

/// Measures thickness from the crystals of all fields.
///
/// Grains' c-axes point anywhere, so retardation over its largest value follows 1/(2√(1 - x)); thickness is where that edge
/// lies, by likelihood over lamps, gains and shares of quartz. Never fails: what cannot be measured says why.
#[must_use]
pub fn measure(fields: &[FieldCrystals], size: SectionSize, yardstick: &Yardstick) -> Thickness {
    if let Some(refused) = unreadable::all_smeared(fields) {
        return refused;
    }
    let alike = balance::alike(fields);
    let fields = &*alike.fields;
    let seen = Seen::by_record(fields);
    let mineral = yardstick.mineral.name;
    let gathered = &seen.gathered;
    if gathered.clipped as f64 > TOO_CLIPPED * (gathered.clipped + gathered.bright).max(1) as f64
        && gathered.clipped > 2
    {
        return Thickness::NotMeasurable {
            why: format!(
                "the brightest grains are burnt out in most crossed photographs ({} of {} bright grains)",
                gathered.clipped,
                gathered.clipped + gathered.bright
            ),
            next: "Shorten the crossed exposure until no grain is burnt out, and photograph again.".into(),
        };
    }
    let hopeful = gathered.grains.iter().filter(|g| g.quartz > LOOKS_CLEAR).count();
    if hopeful < FEWEST_GRAINS {
        return Thickness::NotMeasurable {
            why: match hopeful {
                0 => format!("no clear colourless grain that may be {mineral} was found"),
                1 => format!(
                    "only one clear colourless grain that may be {mineral} was found, and one grain may be cut in any direction"
                ),
                n => format!(
                    "only {n} clear colourless grains that may be {mineral} were found, and any of them may be cut in any direction"
                ),
            },
            next: more_of(yardstick),
        };
    }
    let (Seen { prior, tone, gathered }, mut lamps, disbelieved) = match seen.explained(fields) {
        Ok(explained) => explained,
        Err(refused) => return refused,
    };
    if let Some(refused) = unreadable::no_such_curve(tone) {
        return refused;
    }
    let mut grains = gathered.grains;
    let misfit = lamps[0].gains.misfit;
    if misfit > STRANGE {
        return Thickness::NotMeasurable {
            why: format!("the grains' colours do not follow the interference colours of {mineral} under any lamp"),
            next: format!(
                "Take out any compensator plate or filter, balance white on plane light, keep that for the crossed photographs, and photograph \
                 again. {}",
                else_by(yardstick)
            ),
        };
    }
    let least = if alike.evened.is_empty() { LEAST_MISFIT } else { balance::LEAST_MISFIT };
    let factor = (misfit / EXPECTED_MISFIT).max(least);
    if (factor - 1.0).abs() > 0.1 {
        // The photographs are worse or better than assumed: the grains' own scatter says by how much.
        for g in &mut grains {
            g.brightness_u *= factor;
            g.chroma_u *= factor;
            g.floor_u *= factor;
        }
        lamps = component::lamps(&grains, prior);
    }
    let (without, components) = component::with_quartz(component::explain(&grains, &lamps, prior, yardstick));
    let marked = grains.iter().any(|g| g.quartz >= grain::BELIEVED);
    if components.is_empty() || (without > NO_QUARTZ && !marked) {
        return Thickness::NotMeasurable {
            why: format!(
                "nothing shows for certain that there is {mineral}: other minerals would give these colours too (probability {without:.2})"
            ),
            next: more_of(yardstick),
        };
    }
    let components = component::doubted(components, &grains);
    let posterior = surface::common_posterior(&components, |_| true);
    let answers = orders::answers(&posterior);
    let best = answers.first().filter(|a| a.probability >= orders::CARRIED);
    let Some(best) = best else { return undecided(&answers, yardstick) };
    let common = surface::draw_common(&orders::within(&posterior, best));
    let middle = Measured::from_draws(&common);
    let local: Vec<Measured> = (0..fields.len()).map(|f| local_thickness(&grains, &components, f, middle)).collect();
    let half = |m: &Measured| 0.5 * (m.interval[1] - m.interval[0]);
    if half(&middle) > WIDEST * middle.value && local.iter().all(|m| half(m) > WIDEST * m.value) {
        return too_wide(middle.interval, yardstick);
    }
    if !marked && let Some(refused) = unreadable::too_grey(prior, middle.value) {
        return refused;
    }
    let carried = Carried::count(&grains, &components[0], yardstick, |i| local[grains[i].field].value);
    if carried.number(|_| true) < FEWEST_CARRYING {
        return Thickness::NotMeasurable {
            why: format!(
                "only {} grains can be told to be {mineral} by their interference colours",
                carried.number(|_| true)
            ),
            next: more_of(yardstick),
        };
    }
    if !marked
        && let Some(refused) = lookalike::high_order_white(&grains, &carried, prior, yardstick)
            .or_else(|| lookalike::refused(&grains, &carried, &components[0], middle.value, yardstick))
    {
        return refused;
    }
    let off_record = disbelieved.is_some();
    let mut notes = Vec::from_iter(disbelieved.or_else(|| believed::told_by_colours(prior, &lamps[0])));
    notes.extend(alike.notes());
    if let Some(other) = answers.get(1) {
        notes.push(format!(
            "Colours repeat beyond the first order: {:.0} µm is possible too, with a probability of {:.2}.",
            other.thickness_um, other.probability
        ));
    }
    if tone.contrast.abs() > 2.0 * tone.contrast_u && tone.contrast.abs() > 0.03 {
        notes.push(format!(
            "The camera's contrast at mid-grey is {:+.0} % against sRGB; it was measured from the photographs themselves and undone.",
            100.0 * tone.contrast
        ));
    }
    let mut systematic =
        systematic_share(&alike, &grains, (&lamps, components[0].shares), prior, tone, yardstick, middle.value);
    let half_with_shared = |m: &Measured| half(m).hypot(1.96 * systematic * m.value);
    let wide = |m: &Measured| half_with_shared(m) > WIDEST * m.value;
    if wide(&middle) && local.iter().all(wide) {
        return too_wide([-1.0, 1.0].map(|side| middle.value + side * half_with_shared(&middle)), yardstick);
    }
    if yardstick.is_quartz() {
        // Retardations are read under one lamp: they are held against the thickness that this lamp gives.
        let under_it = under_one_lamp(&components[0], best).map_or(1.0, |um| um / middle.value);
        match oriented::spread(&grains, &carried, |i| under_it * local[grains[i].field].value) {
            Spread::Random => {}
            Spread::TooLow(_) => return oriented::may_be_thicker(middle.value),
            // One position of the polars does not check the colours: a filter or exchanged channels look the same.
            Spread::TooHigh if !marked && grains.iter().all(|g| g.any_brightness) => {
                return oriented::altered_or_oriented();
            }
            Spread::TooHigh if !marked && (off_record || !Seen::borne_out(prior, &lamps[0].gains, misfit)) => {
                return oriented::one_grey(yardstick);
            }
            Spread::TooHigh => {
                systematic = systematic.hypot(PREFERRED_ORIENTATION);
                notes.push(
                    "More grains show high colours than among randomly lying crystals: the rock has a preferred orientation. The \
                     interval was widened; if the crystals lie inclined, the section is thicker than measured."
                        .into(),
                );
            }
        }
    }
    if !yardstick.is_quartz() {
        let Mineral { low, high, source, .. } = yardstick.mineral;
        notes.push(format!(
            "Thickness was measured by {mineral}, as slide.toml asks; its birefringence ({low:.4} to {high:.4}, {source}) is in the interval."
        ));
    }
    surface_of(fields, size, &grains, &components, common, (systematic, yardstick), &carried, notes)
}

/// Thickness under one explanation alone, µm; None where it does not reach this answer.
fn under_one_lamp(component: &component::Component, answer: &orders::Answer) -> Option<f64> {
    let posterior = surface::common_posterior(std::slice::from_ref(component), |_| true);
    let reaches = posterior[answer.points.0..=answer.points.1].iter().sum::<f64>() > 1e-6;
    reaches.then(|| Measured::from_draws(&surface::draw_common(&orders::within(&posterior, answer))).value)
}

/// The interval is too wide to be called a measurement.
fn too_wide([low, high]: [f64; 2], yardstick: &Yardstick) -> Thickness {
    Thickness::NotMeasurable {
        why: format!("the grains allow anything from {low:.0} to {high:.0} µm"),
        next: format!("{FOUR_ANGLES}, on a field with more {}. {}", yardstick.mineral.name, else_by(yardstick)),
    }
}

/// How crossed light is photographed so that it tells most.
const FOUR_ANGLES: &str = "Photograph crossed polars at four angles 22.5° apart with exposure recorded";

/// What else to measure by, as a sentence.
fn else_by(yardstick: &Yardstick) -> String {
    if yardstick.is_quartz() { format!("There may be no quartz in it: {WITHOUT_QUARTZ}.") } else { BY_QUARTZ.into() }
}

/// Several thicknesses explain the colours, and none is carried by the evidence.
fn undecided(answers: &[orders::Answer], yardstick: &Yardstick) -> Thickness {
    let each: Vec<String> =
        answers.iter().take(3).map(|a| format!("{:.0} µm ({:.2})", a.thickness_um, a.probability)).collect();
    Thickness::NotMeasurable {
        why: format!("the colours fit more than one thickness: {}", each.join(" or ")),
        next: format!("{FOUR_ANGLES}. {}", else_by(yardstick)),
    }
}

/// Thickness of one field by its own grains, or the section's where it has few or they leave it open.
fn local_thickness(
    grains: &[grain::Grain],
    components: &[component::Component],
    field: usize,
    section: Measured,
) -> Measured {
    if grains.iter().filter(|g| g.field == field).count() < 8 {
        return section;
    }
    let posterior = surface::common_posterior(components, |i| grains[i].field == field);
    Measured::from_draws(&surface::draw_common(&posterior))
}

#[allow(clippy::too_many_arguments, reason = "assembles one value from what the stages of the fit found")]
fn surface_of(
    fields: &[FieldCrystals],
    size: SectionSize,
    grains: &[grain::Grain],
    components: &[component::Component],
    common: Vec<f64>,
    (systematic, yardstick): (f64, &Yardstick),
    carried: &Carried,
    notes: Vec<String>,
) -> Thickness {
    let mut rng = surface::generator();
    let shared = |rng: &mut ChaCha8Rng| (systematic * surface::normal(rng)).exp() * yardstick.over_quartz(rng);
    let middle = Measured::from_draws(&common);
    let extent = Extent::of(fields, size);
    let planar = extent.spread && grains.iter().all(|g| g.at_mm.is_some());
    let (centre, across) = (extent.centre(), extent.size());
    let terms = planar.then(|| Terms::of(grains, fields.len(), extent.covered, centre, across)).flatten();
    let shown: Vec<usize> =
        (0..fields.len()).filter(|f| carried.number(|i| grains[i].field == *f) >= FEWEST_IN_FIELD).collect();
    let apart = (!planar && shown.len() > 1).then(|| apart::draw(components, |grain| grains[grain].field, &shown));
    let even = |um: f64| SurfaceDraw::plane(um, [0.0, 0.0]);
    let (draws, curved) = match (terms, &apart) {
        (Some(terms), _) => {
            let (draws, curved) = curved::draw(components, &terms, middle.value);
            (draws, Some(curved))
        }
        (None, Some(apart)) => (apart.iter().map(|d| even(d.mean_um)).collect(), None),
        (None, None) if planar => (surface::draw_planes(components, grains, centre, middle.value), None),
        (None, None) => (common.iter().map(|d| even(*d)).collect(), None),
    };
    let factors: Vec<f64> = draws.iter().map(|_| shared(&mut rng)).collect();
    let draws: Vec<SurfaceDraw> = draws.iter().zip(&factors).map(|(d, f)| d.scaled(*f)).collect();
    let extremes: Vec<[f64; 2]> = match apart {
        Some(apart) => apart.iter().zip(&factors).map(|(d, f)| d.extremes_um.map(|um| um * f)).collect(),
        None => draws.iter().map(|d| d.extremes_over(across)).collect(),
    };
    let map = planar.then(|| SectionMap::of(&draws, centre, across, curved));
    let mut notes = notes;
    notes.extend(map.as_ref().and_then(SectionMap::sentence));
    let of = |f: &dyn Fn(&SurfaceDraw) -> f64| Measured::from_draws(&draws.iter().map(f).collect::<Vec<_>>());
    let of_extremes = |f: &dyn Fn(&[f64; 2]) -> f64| Measured::from_draws(&extremes.iter().map(f).collect::<Vec<_>>());
    let gradient = planar.then(|| [of(&|d| d.gradient_um_per_mm[0]), of(&|d| d.gradient_um_per_mm[1])]);
    let thickens_toward = gradient
        .filter(|g| g.iter().any(|m| m.interval[0] > 0.0 || m.interval[1] < 0.0))
        .map(|g| Degrees::from_deg(g[1].value.atan2(g[0].value).to_degrees().rem_euclid(360.0)));
    let per_field = fields
        .iter()
        .enumerate()
        .map(|(f, field)| {
            let here = |i: usize| grains[i].field == f;
            let number = carried.number(here);
            let thickness_um = (number >= FEWEST_IN_FIELD).then(|| {
                let posterior = surface::common_posterior(components, here);
                let draws: Vec<f64> = surface::draw_common(&posterior);
                let mut rng = surface::generator();
                // Draws come in ascending order; the factor must not be tied to it.
                let spread: Vec<f64> = draws.iter().map(|d| d * shared(&mut rng)).collect();
                Measured::from_draws(&spread)
            });
            FieldThickness { name: field.name.clone(), thickness_um, quartz_grains: number }
        })
        .collect();
    Thickness::Measured(Box::new(ThicknessSurface {
        mean_um: of(&|d| d.mean_over(across)),
        gradient_um_per_mm: gradient,
        at_thinnest_um: of_extremes(&|e| e[0]),
        at_thickest_um: of_extremes(&|e| e[1]),
        range_across_um: planar.then(|| of_extremes(&|e| e[1] - e[0])),
        thickens_toward,
        at_corners_um: planar.then(|| {
            let [w, h] = across.map(|s| s / 2.0);
            [[-w, h], [w, h], [-w, -h], [w, -h]].map(|[x, y]| of(&|d| d.at(x, y)))
        }),
        map,
        quartz_grains: carried.number(|_| true),
        per_field,
        draws,
        extremes_um: extremes,
        grains: grains
            .iter()
            .enumerate()
            .map(|(i, g)| MeasuredGrain {
                field: g.field,
                x_px: g.at_px[0],
                y_px: g.at_px[1],
                retardation_nm: carried.retardation[i].0,
                retardation_u_nm: carried.retardation[i].1,
                quartz: carried.probability[i],
            })
            .collect(),
        mineral: yardstick.mineral.name,
        largest_retardation_nm: quartz::largest_retardation(Micrometres::from_um(middle.value)).nm(),
        lamp: components[0].path.name.clone(),
        notes,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn several_answers_are_told_with_their_probabilities_and_none_is_chosen() {
        let answer = |thickness_um, probability| orders::Answer { probability, thickness_um, points: (0, 0) };
        let said = undecided(&[answer(57.2, 0.7), answer(71.8, 0.3)], &Yardstick::quartz());
        let Thickness::NotMeasurable { why, next } = said else { panic!("two answers are no measurement") };
        assert_eq!(why, "the colours fit more than one thickness: 57 µm (0.70) or 72 µm (0.30)");
        assert!(next.starts_with(FOUR_ANGLES) && next.contains("reference_mineral"), "{next}");
    }
}
