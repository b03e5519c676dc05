//! Whether another mineral shows the colours that quartz would show at a thickness that the section does not have.

use std::sync::LazyLock;

use rayon::prelude::*;

use crate::thickness::Thickness;
use crate::thickness::carried::Carried;
use crate::thickness::component::{Component, log_sum};
use crate::thickness::fit::{LOOKS_CLEAR, more_of};
use crate::thickness::gains::GainPrior;
use crate::thickness::grain::Grain;
use crate::thickness::likelihood::{Evidence, GrainEvidence, SHARES};
use crate::thickness::nearest::GainedPath;
use crate::thickness::path::grid;
use crate::thickness::yardstick::{Kernel, Yardstick};

/// Least share of the votes of grains told by their colours that look like the mineral too: in a rock without quartz another mineral may
/// follow its colours.
const LOOK_LIKE_IT: f64 = 0.3;
/// Thickness, µm, from which minerals of higher birefringence give the same colours at half of it and less, so that few grains
/// are likelier one of those than quartz. House value.
const VERY_THICK: f64 = 68.0;
/// Fewest grains, and least share of all, that must be told to be quartz there. House values.
const CARRY_VERY_THICK: (usize, f64) = (12, 0.6);
/// Thickness, µm, from which a mineral of two to three times quartz's birefringence gives the same colours in a section as thin
/// as sections are made: pyroxene and olivine (0.02 to 0.03 and 0.035 to 0.05; handbook values, from memory). House value.
const THICK: f64 = 45.0;
/// Optic axial angle 2V of those, degrees (handbook values, from memory).
const TWO_V: (f64, f64) = (40.0, 90.0);
/// Largest birefringence of the plagioclase beside it over its own (0.007 to 0.0125 and 0.02 to 0.03; handbook values, from memory), and
/// its optic axial angles, degrees.
const BESIDE: ((f64, f64), (f64, f64)) = ((0.25, 0.6), (75.0, 90.0));
/// Shares of such a mineral among the clear grains that are averaged over.
const INSTEAD: [f64; 3] = [0.3, 0.5, 0.8];
/// One less width over length from which a grain is a lath, two and a half times as long as wide.
const LATH: f64 = 0.6;
/// Share of laths that patches of quartz show in all directions. House value: at most 0.24 of the votes in 49 rendered rocks with quartz.
const USUAL_LATHS: f64 = 0.2;
/// Standard deviations that chance may add to it. House value.
const CHANCE: f64 = 2.3;
/// Share from which on they are plagioclase's. House value: in two basalts and a gabbro that were measured by them 0.39 to 0.73.
const MOST_LATHS: f64 = 0.33;
/// Fewest laths by which it is told: among a dozen grains seven may be feldspar, and the others quartz. House value.
const FEWEST_LATHS: usize = 10;
/// Length of the mean over that of its parts, of directions doubled, from which long grains are aligned, as a foliation's are (mean
/// resultant length of axes; Mardia and Jupp 2000, from memory). House value.
const ALIGNED: f64 = 0.4;
/// Log odds of such a mineral against quartz, by colours and looks, from which on nothing is measured. House value: five rendered
/// gabbros had 0.8 to 13, and of some 130 rendered rocks with quartz of 45 to 68 µm one is refused by it (docs/method.md).
const AS_LIKELY: f64 = -1.0;
/// The same where the yardstick is another mineral, of which looks tell nothing: eleven rendered gabbros and a marble of 20 to 34 µm that
/// slide.toml asked to measure by plagioclase and that were read as 46 to 80 µm had -10.6 and more, 78 fields of feldspar that was 46 to 62 µm thick -9.3
/// and less, nine in ten of them -12.2 and less. House value.
const AS_LIKELY_BY_ANOTHER: f64 = -12.0;
/// What looks count for when it is asked whether there is any quartz: each grain is judged against the slide's own clear crystals, and
/// in a rock without quartz some of those look like it too. House value.
const LOOKS_OF_ALL: f64 = 0.5;
/// Looks beyond which a grain's are not believed further.
const LOOKS: (f64, f64) = (0.01, 0.99);

/// How far the logs of red and blue over green may lie from plane light's for a colour as white as that. Beyond the fifth order or so
/// colours mix to such a white, while quartz's first-order white, 0.08 from it by the median of the lamps that are tried, keeps 0.058
/// under every one (see the test below), and its grey and its straw are farther. House value.
const AS_PLANE_LIGHT: f64 = 0.04;
/// Share of the votes told to be quartz above which such a white is what the rock shows: of random cuts of quartz a third at most lies
/// within a tenth of the largest retardation, were its white made neutral by a cast. House value.
const ONE_WHITE: f64 = 0.5;

static MAFIC: LazyLock<Kernel> = LazyLock::new(|| Kernel::biaxial((1.0, 1.0), TWO_V));
static PLAGIOCLASE_BESIDE: LazyLock<Kernel> = LazyLock::new(|| Kernel::biaxial(BESIDE.0, BESIDE.1));

/// When most of the grains are as white as plane light itself, and white is known: so is a mineral of very high birefringence, whatever
/// its cut, and quartz of no thickness.
pub(crate) fn high_order_white(
    grains: &[Grain],
    carried: &Carried,
    prior: GainPrior,
    yardstick: &Yardstick,
) -> Option<Thickness> {
    if !prior.long_tails || !yardstick.is_quartz() {
        return None;
    }
    let votes = |counts: &dyn Fn(&Grain) -> bool| -> f64 {
        let told = grains.iter().zip(&carried.probability).filter(|(g, p)| **p > 0.5 && counts(g));
        told.map(|(g, _)| g.weight).sum()
    };
    (votes(&|g| is_white(g.colour)) > ONE_WHITE * votes(&|_| true)).then(|| Thickness::NotMeasurable {
        why: "most grains between crossed polars are as white as plane light: a mineral of very high birefringence, such as calcite, \
              is so whatever its cut, and quartz of no thickness"
            .into(),
        next: more_of(yardstick),
    })
}

/// Whether a colour, crossed over plane light in linear R, G, B, is as white as plane light, however bright.
fn is_white([r, g, b]: [f64; 3]) -> bool {
    let near = |channel: f64| (channel.max(1e-6) / g.max(1e-6)).ln().abs() < AS_PLANE_LIGHT;
    near(r) && near(b)
}

/// Why grains that have the colours of the yardstick at a thickness may be another mineral; None where they may not.
pub(crate) fn refused(
    grains: &[Grain],
    carried: &Carried,
    best: &Component,
    thickness_um: f64,
    yardstick: &Yardstick,
) -> Option<Thickness> {
    let mineral = yardstick.mineral.name;
    let (told, all) = (carried.number(|_| true), carried.probability.len());
    let looking = carried.number(|i| grains[i].quartz > LOOKS_CLEAR);
    let would = format!("would be {mineral} by their colours if the section were {thickness_um:.0} µm thick");
    let because = |why: String| Some(Thickness::NotMeasurable { why, next: more_of(yardstick) });
    // By votes: where one large crystal stands among many small ones, these are small for its clear crystals.
    let votes = |least: f64| -> f64 {
        let counted = grains.iter().zip(&carried.probability).filter(|(g, p)| **p > 0.5 && g.quartz > least);
        counted.map(|(g, _)| g.weight).sum()
    };
    if votes(LOOKS_CLEAR) < LOOK_LIKE_IT * votes(f64::NEG_INFINITY) {
        return because(format!("{told} grains {would}, but only {looking} of them look like it"));
    }
    if yardstick.is_quartz()
        && let Some(laths) = laths_in_all_directions(grains, carried)
    {
        return because(format!(
            "{laths} of {told} grains that would be {mineral} by their colours are laths that lie in all directions, as plagioclase's do"
        ));
    }
    let (fewest, least) = CARRY_VERY_THICK;
    if thickness_um > VERY_THICK && (told < fewest || (told as f64) < least * all as f64) {
        return because(format!("{told} of {all} grains {would}, and another mineral if it is thinner"));
    }
    let as_likely = if yardstick.is_quartz() { AS_LIKELY } else { AS_LIKELY_BY_ANOTHER };
    if thickness_um > THICK && against(grains, best, yardstick) > as_likely {
        let look =
            if yardstick.is_quartz() { format!(" but only {looking} of them look like it,") } else { String::new() };
        return because(format!(
            "{told} of {all} grains {would},{look} and a mineral such as pyroxene gives these colours in a section half as thick"
        ));
    }
    None
}

/// How many of the grains that are told to be quartz are laths, where so many are that quartz is not what they are; None elsewhere.
fn laths_in_all_directions(grains: &[Grain], carried: &Carried) -> Option<usize> {
    let told: Vec<&Grain> =
        grains.iter().zip(&carried.probability).filter(|(_, p)| **p > 0.5).map(|(grain, _)| grain).collect();
    let elongation = |g: &Grain| g.long_axis[0].hypot(g.long_axis[1]);
    let is_lath = |g: &Grain| elongation(g) > LATH;
    let sum = |of: &dyn Fn(&Grain) -> f64| told.iter().map(|g| g.weight * of(g)).sum::<f64>();
    let votes = sum(&|_| 1.0);
    let share = sum(&|g| f64::from(u8::from(is_lath(g)))) / votes.max(1e-9);
    let aligned = sum(&|g| g.long_axis[0]).hypot(sum(&|g| g.long_axis[1])) / sum(&elongation).max(1e-9);
    let by_chance = CHANCE * (USUAL_LATHS * (1.0 - USUAL_LATHS) / votes.max(1.0)).sqrt();
    let too_many = share > MOST_LATHS.max(USUAL_LATHS + by_chance);
    let laths = told.iter().filter(|g| is_lath(g)).count();
    (too_many && aligned < ALIGNED && laths >= FEWEST_LATHS).then_some(laths)
}

/// Log odds that the grains are a mineral of high birefringence instead, by their colours and looks.
///
/// Each side is averaged over what share of the clear grains the mineral may be: where few grains look like quartz, little of
/// the rock is quartz before none of it is.
fn against(grains: &[Grain], best: &Component, yardstick: &Yardstick) -> f64 {
    let path = GainedPath::new(&best.path, best.gains.factors());
    let by_share = INSTEAD.map(|share| {
        let density = |g: &Grain| GrainEvidence::instead(g, &path, (&MAFIC, &PLAGIOCLASE_BESIDE), share);
        let logs = grains.par_iter().map(|g| density(g).into_iter().map(|p| g.weight * p.ln()).collect::<Vec<f64>>());
        over_all_thicknesses(&logs.collect::<Vec<_>>())
    });
    // Among quartz and feldspar a clear grain is as probable as the share of quartz makes it, among such minerals it is rare.
    let looks = |quartz: f64| {
        let of = |g: &Grain| {
            let looks = g.quartz.clamp(LOOKS.0, LOOKS.1);
            LOOKS_OF_ALL * g.weight * (quartz * looks + (1.0 - quartz) * (1.0 - looks)).ln()
        };
        grains.iter().map(of).sum::<f64>()
    };
    let evidence = Evidence::new(grains, &best.path, best.gains.factors(), yardstick);
    let with_quartz = SHARES
        .iter()
        .filter(|s| s.quartz > 0.0)
        .map(|share| over_all_thicknesses(&evidence.logs(grains, *share)) + looks(share.quartz) + share.prior.ln());
    let prior: f64 = SHARES.iter().filter(|s| s.quartz > 0.0).map(|s| s.prior).sum();
    let quartz = log_sum(&with_quartz.collect::<Vec<_>>()) - prior.ln();
    log_sum(&by_share) - (INSTEAD.len() as f64).ln() + looks(0.0) - quartz
}

/// Log evidence of all grains together over the thickness grid, from the log of each one's probability.
fn over_all_thicknesses<T: Copy + Into<f64>>(logs: &[Vec<T>]) -> f64 {
    let common: Vec<f64> = (0..grid::COUNT).map(|i| logs.iter().map(|l| l[i].into()).sum()).collect();
    log_sum(&common)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::interference::transmittance;
    use crate::optics::lamp::wavelengths;
    use crate::optics::observer::{WhiteScaling, camera_weights};
    use crate::optics::{Lamp, quartz};
    use crate::thickness::path::PATHS;
    use crate::units::Nanometres;

    /// Distance of a colour from plane light's white, as [`is_white`] takes it.
    fn from_white([r, g, b]: [f64; 3]) -> f64 {
        let off = |channel: f64| (channel.max(1e-6) / g.max(1e-6)).ln().abs();
        off(r).max(off(b))
    }

    /// Grains told to be quartz, so many times as long as wide, every so many degrees from one to the next.
    fn long(count: usize, times: f64, every_deg: f64) -> (Vec<Grain>, Carried) {
        let grain = |k: usize| {
            let doubled = 2.0 * (k as f64 * every_deg).to_radians();
            Grain {
                long_axis: [doubled.cos(), doubled.sin()].map(|c| c * (1.0 - 1.0 / times)),
                ..Grain::coloured([0.5; 3])
            }
        };
        let carried = Carried { probability: vec![0.9; count], retardation: vec![(200.0, 2.0); count] };
        ((0..count).map(grain).collect(), carried)
    }

    #[test]
    fn laths_in_all_directions_are_no_quartz_and_a_foliation_and_short_grains_may_be() {
        let laths = |count, times, every| {
            let (grains, carried) = long(count, times, every);
            laths_in_all_directions(&grains, &carried)
        };
        assert_eq!(laths(40, 4.0, 37.0), Some(40));
        assert_eq!(laths(40, 2.0, 37.0), None, "twice as long as wide is no lath");
        assert_eq!(laths(40, 4.0, 0.3), None, "ribbons of a foliation");
        // A fifth of the grains, two fifths, and all of six.
        let some = |laths: usize, count: usize| {
            let (mut grains, carried) = long(count, 4.0, 37.0);
            grains.iter_mut().skip(laths).for_each(|g| g.long_axis = [0.0; 2]);
            laths_in_all_directions(&grains, &carried)
        };
        assert_eq!([some(8, 40), some(16, 40), some(6, 6)], [None, Some(16), None]);
    }

    /// The nearest that quartz of 14 to 68 µm comes to it, by the paths that are fitted.
    #[test]
    fn first_order_white_is_not_as_white_as_plane_light() {
        let nearest = |colours: &[[f64; 3]]| {
            let up_to = grid::point(68.0 * 9.1) as usize;
            colours[..up_to].iter().copied().map(from_white).fold(f64::INFINITY, f64::min)
        };
        let least = PATHS.iter().map(|path| (nearest(&path.colours), &path.name, path.scaling));
        let (least, name, scaling) = least.min_by(|a, b| a.0.total_cmp(&b.0)).expect("paths");
        assert!(least > 0.055, "{least} under {name}, {scaling:?}");
    }

    /// Calcite of 45 µm (birefringence 0.172, handbook): retardations of random cuts, 1 - sin² being uniform squared.
    #[test]
    fn calcite_is_as_white_as_plane_light() {
        for lamp in [Lamp::D65, Lamp::Planck(2900.0)] {
            let weights = camera_weights(&lamp.spectrum(), WhiteScaling::Channels);
            let white = (0..200).filter(|k| {
                let share = 1.0 - ((f64::from(*k) + 0.5) / 200.0).powi(2);
                let passed = transmittance(Nanometres::from_nm(45.0 * 172.0 * share), quartz::dispersion);
                let colour = (0..wavelengths().count())
                    .fold([0.0; 3], |sum: [f64; 3], i| std::array::from_fn(|c| sum[c] + passed[i] * weights[i][c]));
                is_white(colour)
            });
            let white = white.count();
            assert!(white > 100, "{lamp}: {white} of 200");
        }
    }
}
