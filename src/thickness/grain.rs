//! A crystal as the fit sees it: one colour with its uncertainty, a place on the section, and how likely it is quartz.

use crate::section::crystals::{Crystal, Crystals};
use crate::section::extinction::{AngleDesign, Separation};
use crate::thickness::burnt_out;
use crate::thickness::tone::ToneCurve;
use crate::units::MicrometresPerPixel;

/// The crystals of one field with what the fit needs to know of its photographs.
#[derive(Clone, Debug)]
pub struct FieldCrystals {
    /// Name of the field.
    pub name: String,
    /// Its crystals.
    pub crystals: Crystals,
    /// Centre on the section, mm.
    pub centre_mm: Option<[f64; 2]>,
    /// Scale.
    pub scale: Option<MicrometresPerPixel>,
    /// Width and height of the grid, pixels.
    pub size_px: [usize; 2],
    /// Exposure of every crossed photograph over the plane one is known.
    pub exposure_known: bool,
    /// Factor by which each crossed photograph's light was multiplied to get its ratio (1 over relative exposure).
    pub exposure_scale: Vec<f64>,
    /// Factors of R, G, B by which each crossed photograph is to be multiplied, so that all are of one exposure and white balance; ones
    /// where they were taken alike.
    pub balance: Vec<[f64; 3]>,
    /// The crossed photographs balanced their white by themselves, or may have.
    pub auto_white_balance: bool,
    /// Light that the crossed polars leak, crossed over plane, R, G, B; taken off where the angles do not separate it.
    pub leak: [f64; 3],
    /// The photograph that is smeared by movement, when one is: no crystal of the field is measured then.
    pub smeared: Option<String>,
}

/// What a crystal that the preparator marks as quartz counts for by its looks.
pub(crate) const BELIEVED: f64 = 0.995;
/// What a colourless crystal counts for by its looks where the mineral is not quartz.
const COLOURLESS: f64 = 0.7;

impl FieldCrystals {
    /// Takes the crystal under each half-open box (pixels) as quartz; returns the boxes that no crystal lies under.
    pub fn believe(&mut self, marks: &[[f64; 4]]) -> Vec<[f64; 4]> {
        let (found, lost): (Vec<_>, Vec<_>) =
            marks.iter().map(|m| (self.crystals.under(*m), *m)).partition(|f| f.0.is_some());
        for (crystal, _) in found {
            let crystal = &mut self.crystals.crystals[crystal.expect("partitioned")];
            crystal.quartz = BELIEVED;
            crystal.twinned = false;
        }
        lost.into_iter().map(|(_, mark)| mark).collect()
    }

    /// Forgets what speaks for quartz: every colourless crystal may be the mineral that is measured by.
    pub fn look_for_any_colourless(&mut self) {
        for crystal in &mut self.crystals.crystals {
            crystal.quartz = COLOURLESS * crystal.colourless;
        }
    }
}

/// A crystal as the fit sees it.
#[derive(Clone, Debug)]
pub(crate) struct Grain {
    /// Index of its field.
    pub(crate) field: usize,
    /// Centroid, pixels.
    pub(crate) at_px: [f64; 2],
    /// Place on the section, mm.
    pub(crate) at_mm: Option<[f64; 2]>,
    /// Crossed over plane light at the brightest position, linear R, G, B (`Single`: at most that).
    pub(crate) colour: [f64; 3],
    /// Relative standard uncertainty of its brightness.
    pub(crate) brightness_u: f64,
    /// Relative standard uncertainty of each channel beside that.
    pub(crate) chroma_u: f64,
    /// Absolute standard uncertainty of each channel.
    pub(crate) floor_u: f64,
    /// Brightness is only a lower bound.
    pub(crate) any_brightness: bool,
    /// How likely it is quartz by its looks, were quartz and other colourless minerals equally common, 0..=1.
    pub(crate) quartz: f64,
    /// Its vote, 0..=1: scraps of crystals that are cut up would vote many times.
    pub(crate) weight: f64,
    /// Cells of it and of all patches that are linked to it as parts of one crystal; None where one position of the polars tells nothing.
    pub(crate) alike_cells: Option<usize>,
    /// Patches near it that may be parts of the same crystal; 0 where that is not known.
    pub(crate) alike: usize,
    /// Cells that carried its colour.
    pub(crate) cells: usize,
    /// Its long axis, as in [`Crystal::long_axis`].
    pub(crate) long_axis: [f64; 2],
}

/// Standard uncertainty of the logarithm of a brightness that is nearly anything.
const NEARLY_ANY: f64 = 2.0;

impl Grain {
    /// The same were its brightness nearly anything.
    pub(crate) fn by_tint(&self) -> Self {
        Self { any_brightness: false, brightness_u: NEARLY_ANY, ..self.clone() }
    }
}

#[cfg(test)]
impl Grain {
    /// One of this colour, as well measured as a clean crystal is, and nothing else known of it.
    pub(crate) fn coloured(colour: [f64; 3]) -> Self {
        Self {
            field: 0,
            at_px: [0.0; 2],
            at_mm: None,
            colour,
            brightness_u: BRIGHTNESS_U,
            chroma_u: CHROMA_U,
            floor_u: FLOOR_U,
            any_brightness: false,
            quartz: 0.9,
            weight: 1.0,
            alike_cells: None,
            alike: 0,
            cells: 100,
            long_axis: [0.0; 2],
        }
    }
}

/// Grains of all fields, and how many were left out because too many of their photographs are clipped.
pub(crate) struct Grains {
    pub(crate) grains: Vec<Grain>,
    pub(crate) clipped: usize,
    pub(crate) bright: usize,
}

/// Share of a crystal's cells above which a photograph counts as clipped there.
const CLIPPED: f64 = 0.03;
/// The same of what a photograph does not show of a crystal, where the others tell as much.
const UNSEEN: f64 = 0.03;
/// Brightness, against the slide's brightest crystals, below which a patch is a hole, a glass or a cut across the c-axis.
const DARK: f64 = 0.03;
/// Relative uncertainties of a clean crystal's colour: dirt, relief, slanting boundaries (from rendered and real grains).
const BRIGHTNESS_U: f64 = 0.012;
const CHROMA_U: f64 = 0.006;
const FLOOR_U: f64 = 0.003;

/// Takes every field's crystals to grains, undoing the camera's tone curve.
pub(crate) fn gather(fields: &[FieldCrystals], tone: ToneCurve) -> Grains {
    let mut out = Grains { grains: Vec::new(), clipped: 0, bright: 0 };
    for (index, field) in fields.iter().enumerate() {
        let burnt = |c: &Crystal| c.clipped.iter().any(|share| *share >= CLIPPED);
        let leak = if field.crystals.crystals.iter().any(burnt) { leak_of(field, tone) } else { [0.0; 3] };
        for crystal in &field.crystals.crystals {
            match grain(index, field, crystal, tone, leak) {
                Some(grain) => out.grains.push(grain),
                None => out.clipped += 1,
            }
        }
    }
    let sum = |g: &Grain| g.colour.iter().sum::<f64>();
    let mut levels: Vec<f64> = out.grains.iter().filter(|g| g.quartz > 0.2).map(sum).collect();
    levels.sort_by(f64::total_cmp);
    if let Some(bright) = levels.get(levels.len() * 9 / 10) {
        out.grains.retain(|g| sum(g) > DARK * bright);
        out.bright = out.grains.iter().filter(|g| sum(g) > 0.5 * bright).count();
    }
    weigh(&mut out.grains);
    let n = out.grains.len();
    if n > MOST_GRAINS {
        // Every so many of the grains as they come: by size within a field, so that all sizes and all places are met.
        let mut index = 0;
        out.grains.retain(|_| {
            index += 1;
            index * MOST_GRAINS / n > (index - 1) * MOST_GRAINS / n
        });
    }
    out
}

/// Most grains that the fit is asked of: with so many, chance is far below what all of them share (lamp, tone, birefringence),
/// and each takes some 200 kB while lamps are compared. House value.
const MOST_GRAINS: usize = 4000;

/// Share of the usual size of clear crystals (median by area) from which on a crystal has a whole vote.
const WHOLE_VOTE: f64 = 0.3;
/// The same for a crystal with the patches that may be parts of it, which share its vote: where more than one position of the polars is
/// known, a lone small crystal is told from the scraps of a large one. House value.
const WHOLE_SHARED_VOTE: f64 = 0.1;
/// Patches near one that may be parts of the same crystal from which on it has only its share of one vote, however large it is: two seldom
/// lie so by chance, and a feldspar that its exsolution cuts up would be forty crystals of one grey. House value.
const CUT_UP: usize = 2;

fn weigh(grains: &mut [Grain]) {
    let mut cells: Vec<usize> = grains.iter().filter(|g| g.quartz > 0.5).map(|g| g.cells).collect();
    cells.sort_unstable();
    let total: usize = cells.iter().sum();
    let mut below = 0;
    let usual = cells.iter().find(|n| {
        below += **n;
        2 * below >= total
    });
    if let Some(usual) = usual {
        let usual = *usual as f64;
        for g in grains {
            let cells = g.cells as f64;
            let shared = g.alike_cells.map_or(0.0, |all| cells / (all as f64).max(WHOLE_SHARED_VOTE * usual));
            let by_itself = if g.alike < CUT_UP { (cells / (WHOLE_VOTE * usual)).min(1.0) } else { 0.0 };
            g.weight = by_itself.max(shared);
        }
    }
}

fn grain(index: usize, field: &FieldCrystals, crystal: &Crystal, tone: ToneCurve, leak: [f64; 3]) -> Option<Grain> {
    let design = &field.crystals.design;
    let whole: Vec<usize> = (0..crystal.ratio.len()).filter(|a| crystal.clipped[*a] < CLIPPED).collect();
    let shown: Vec<usize> = whole.iter().copied().filter(|a| crystal.unseen[*a] < UNSEEN).collect();
    // What stands for a photograph that shows nothing of a crystal was no light that the curve bent.
    let as_much = AngleDesign::new(&shown.iter().map(|a| design.angles[*a]).collect::<Vec<_>>()).separation;
    let good = if as_much == design.separation { shown } else { whole };
    let light = |a: usize, c: usize| undone(field, crystal, tone, a, c);
    let (colour, burnt_u) = if let Some(colour) = seen_whole(field, crystal, tone, &good) {
        (colour, 0.0)
    } else if design.separation == Separation::Full {
        let found = burnt_out::recover(design, &good, light, leak)?;
        (found.colour.map(|c| c / crystal.coherence.max(0.5)), found.brightness_u)
    } else {
        return None;
    };
    let n = crystal.cells as f64;
    let sampling = crystal.scatter / (n / 4.0).sqrt();
    let brightness_u = BRIGHTNESS_U.hypot(0.5 * (1.0 - crystal.coherence)).hypot(sampling).hypot(burnt_u);
    let at_mm = field.centre_mm.zip(field.scale).map(|(centre, scale)| {
        let mm = scale.um_per_px() * 1e-3;
        let [w, h] = field.size_px.map(|s| (s as f64 - 1.0) / 2.0);
        [centre[0] + (crystal.x_px - w) * mm, centre[1] - (crystal.y_px - h) * mm]
    });
    Some(Grain {
        field: index,
        at_px: [crystal.x_px, crystal.y_px],
        at_mm,
        colour,
        brightness_u,
        chroma_u: CHROMA_U.hypot(0.3 * sampling).hypot(0.3 * burnt_u),
        floor_u: FLOOR_U,
        any_brightness: design.separation == Separation::Single,
        quartz: crystal.quartz,
        weight: 1.0,
        alike_cells: (design.separation != Separation::Single).then_some(crystal.alike_cells),
        alike: crystal.alike,
        cells: crystal.cells,
        long_axis: crystal.long_axis,
    })
}

/// Crossed over plane light of a crystal in a photograph and channel, the camera's tone curve undone and its balance evened.
pub(crate) fn undone(field: &FieldCrystals, crystal: &Crystal, tone: ToneCurve, a: usize, c: usize) -> f64 {
    let scale = field.exposure_scale[a];
    tone.ratio(crystal.ratio[a][c] / scale * crystal.plane[c], crystal.plane[c]) * scale * field.balance[a][c]
}

/// Terms of a crystal by the photographs in which it is not burnt out, with their design; None where these separate less than all
/// photographs do.
fn terms_of(
    field: &FieldCrystals,
    crystal: &Crystal,
    tone: ToneCurve,
    good: &[usize],
) -> Option<(AngleDesign, [[f64; 3]; 3])> {
    let design = &field.crystals.design;
    let reduced = if good.len() == crystal.ratio.len() {
        design.clone()
    } else {
        AngleDesign::new(&good.iter().map(|a| design.angles[*a]).collect::<Vec<_>>())
    };
    if good.is_empty() || reduced.separation != design.separation {
        return None;
    }
    let terms = std::array::from_fn(|c| reduced.terms(good.iter().map(|a| undone(field, crystal, tone, *a, c))));
    Some((reduced, terms))
}

/// Colour of a crystal by the photographs in which it is not burnt out.
fn seen_whole(field: &FieldCrystals, crystal: &Crystal, tone: ToneCurve, good: &[usize]) -> Option<[f64; 3]> {
    let (design, terms) = terms_of(field, crystal, tone, good)?;
    let (x, y) = terms.iter().fold((0.0, 0.0), |(x, y), t| (x + t[1], y + t[2]));
    let length = x.hypot(y).max(1e-12);
    let leak = match design.separation {
        Separation::Full => [0.0; 3],
        Separation::Pair => field.leak.map(|l| 2.0 * l),
        Separation::Single => field.leak,
    };
    Some(std::array::from_fn(|c| {
        ((design.colour(terms[c], [x / length, y / length]) - leak[c]) / crystal.coherence.max(0.5)).max(0.0)
    }))
}

/// Light that the polars of a field leak, R, G, B, by the crystals that are nowhere burnt out: the median of mean less half the swing.
/// Zeros where the angles do not separate it.
fn leak_of(field: &FieldCrystals, tone: ToneCurve) -> [f64; 3] {
    if field.crystals.design.separation != Separation::Full {
        return [0.0; 3];
    }
    let whole: Vec<[f64; 3]> = field
        .crystals
        .crystals
        .iter()
        .filter(|c| c.clipped.iter().all(|share| *share < CLIPPED))
        .filter_map(|crystal| {
            let good: Vec<usize> = (0..crystal.ratio.len()).collect();
            let (_, terms) = terms_of(field, crystal, tone, &good)?;
            Some(terms.map(|t| t[0] - t[1].hypot(t[2])))
        })
        .collect();
    std::array::from_fn(|c| {
        let mut leaks: Vec<f64> = whole.iter().map(|l| l[c]).collect();
        leaks.sort_by(f64::total_cmp);
        leaks.get(leaks.len() / 2).map_or(0.0, |l| l.max(0.0))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patches_that_may_be_one_crystal_have_one_vote_and_two_by_chance_have_two() {
        let patch = |alike, all| Grain { alike, alike_cells: Some(all), ..Grain::coloured([0.5; 3]) };
        let mut grains = [patch(0, 100), patch(1, 200), patch(1, 200), patch(3, 400)];
        weigh(&mut grains);
        assert_eq!(grains.map(|g| g.weight), [1.0, 1.0, 1.0, 0.25]);
    }
}
