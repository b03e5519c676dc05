//! Whether another mineral shows the colours that quartz would show at a thickness that the section does not have.

use std::sync::LazyLock;

use rayon::prelude::*;

use crate::thickness::Thickness;
use crate::thickness::carried::Carried;
use crate::thickness::component::{Component, log_sum};
use crate::thickness::fit::{LOOKS_CLEAR, MORE_QUARTZ};
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
/// Log odds of such a mineral against quartz, by colours and looks, from which on nothing is measured. House value: five rendered
/// gabbros had 0.8 to 13, and of some 130 rendered rocks with quartz of 45 to 68 µm one is refused by it (docs/method.md).
const AS_LIKELY: f64 = -1.0;
/// What looks count for when it is asked whether there is any quartz: each grain is judged against the slide's own clear crystals, and
/// in a rock without quartz some of those look like it too. House value.
const LOOKS_OF_ALL: f64 = 0.5;
/// Looks beyond which a grain's are not believed further.
const LOOKS: (f64, f64) = (0.01, 0.99);

static MAFIC: LazyLock<Kernel> = LazyLock::new(|| Kernel::biaxial((1.0, 1.0), TWO_V));
static PLAGIOCLASE_BESIDE: LazyLock<Kernel> = LazyLock::new(|| Kernel::biaxial(BESIDE.0, BESIDE.1));

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
    let because = |why: String| Some(Thickness::NotMeasurable { why, next: MORE_QUARTZ.into() });
    // By votes: where one large crystal stands among many small ones, these are small for its clear crystals.
    let votes = |least: f64| -> f64 {
        let counted = grains.iter().zip(&carried.probability).filter(|(g, p)| **p > 0.5 && g.quartz > least);
        counted.map(|(g, _)| g.weight).sum()
    };
    if votes(LOOKS_CLEAR) < LOOK_LIKE_IT * votes(f64::NEG_INFINITY) {
        return because(format!("{told} grains {would}, but only {looking} of them look like it"));
    }
    let (fewest, least) = CARRY_VERY_THICK;
    if thickness_um > VERY_THICK && (told < fewest || (told as f64) < least * all as f64) {
        return because(format!("{told} of {all} grains {would}, and another mineral if it is thinner"));
    }
    if yardstick.is_quartz() && thickness_um > THICK && against(grains, best, yardstick) > AS_LIKELY {
        return because(format!(
            "{told} of {all} grains {would}, but only {looking} of them look like it, and a mineral such as pyroxene gives \
             these colours in a section half as thick"
        ));
    }
    None
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
