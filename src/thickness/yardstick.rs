//! The mineral that thickness is measured by, and how retardations of it and of its neighbours are distributed.

use std::sync::LazyLock;

use rand::{Rng, RngExt};

use crate::optics::mineral::{MINERALS, Mineral, biaxial_shares_below, share_below};
use crate::optics::quartz;
use crate::thickness::path::grid;
use crate::units::Micrometres;
use crate::vectors::{Wide, wide};

/// The mineral whose interference colours thickness is measured by: quartz, or what the preparator names.
#[derive(Clone, Copy, Debug)]
pub struct Yardstick {
    /// Which, with the published range of its largest birefringence.
    pub mineral: Mineral,
    /// Distribution of a random cut's retardation below the largest.
    pub(crate) kernel: &'static Kernel,
    /// The minerals that lie beside quartz and look like it, each with its share of what is not quartz; none are known for others.
    pub(crate) beside: &'static [(Kernel, f64)],
}

/// Birefringence above which colours repeat in a section of usual thickness: nothing above is offered as a yardstick.
const HIGHEST: f64 = 0.03;

/// Largest birefringence over that of quartz of plagioclase and alkali feldspar (0.007 to 0.0125 and 0.005 to 0.008, handbooks,
/// from memory), taken as even over the ranges, and their optic axial angles, degrees.
const PLAGIOCLASE: ((f64, f64), (f64, f64)) = ((0.77, 1.37), (75.0, 90.0));
const ALKALI_FELDSPAR: ((f64, f64), (f64, f64)) = ((0.55, 0.88), (40.0, 84.0));
/// Share of each among the colourless grains that are not quartz.
const FELDSPAR_SHARE: f64 = 0.45;

impl Yardstick {
    /// Quartz, among feldspars.
    #[must_use]
    pub fn quartz() -> Self {
        let mineral = MINERALS.into_iter().find(|m| m.name == QUARTZ_NAME).expect("quartz is in the table");
        Self { mineral, kernel: &QUARTZ, beside: &*BESIDE_QUARTZ }
    }

    /// The mineral of a name as in [`Self::names`], any case; None when it is none of them.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let name = name.trim().to_lowercase();
        if name == QUARTZ_NAME {
            return Some(Self::quartz());
        }
        FELDSPARS.iter().find(|(m, _)| m.name == name).map(|(m, kernel)| Self { mineral: *m, kernel, beside: &[] })
    }

    /// Names of the minerals that can be measured by.
    #[must_use]
    pub fn names() -> Vec<&'static str> {
        usable().map(|m| m.name).collect()
    }

    /// Thickness over that of quartz of the same colours: the published range, one value for the whole section.
    pub(crate) fn over_quartz(&self, rng: &mut impl Rng) -> f64 {
        if self.is_quartz() {
            return 1.0;
        }
        let quartz = quartz::largest_retardation(Micrometres::from_um(1.0)).nm() * 1e-3;
        quartz / (self.mineral.low + (self.mineral.high - self.mineral.low) * rng.random::<f64>())
    }

    /// Whether it is quartz.
    #[must_use]
    pub fn is_quartz(&self) -> bool {
        self.mineral.name == QUARTZ_NAME
    }
}

/// Quartz as the table of minerals names it.
pub(crate) const QUARTZ_NAME: &str = "quartz";

fn usable() -> impl Iterator<Item = Mineral> {
    MINERALS.into_iter().filter(|m| m.high <= HIGHEST)
}

/// Probability mass of a random cut's retardation by its distance on the grid below quartz's largest.
#[derive(Debug)]
pub(crate) struct Kernel {
    /// Distance of `mass[0]`: negative where a mineral exceeds quartz.
    first: i64,
    /// From there to as far as the grid reaches, and a block of zeros.
    mass: Vec<f32>,
}

/// Grid points of thickness that are summed at a time.
const BLOCK: usize = 64;

impl Kernel {
    /// A uniaxial mineral with quartz's birefringence: the distribution ends in a steep edge.
    fn quartz() -> Self {
        let at = |k: f64| share_below((-k * grid::STEP).exp());
        let mass = (0..grid::COUNT)
            .map(|k| if k == 0 { 1.0 - at(0.5) } else { at(k as f64 - 0.5) - at(k as f64 + 0.5) })
            .collect();
        Self::of(0, mass)
    }

    /// A biaxial mineral of variable birefringence (bounds over that of the yardstick): no edge anywhere.
    pub(crate) fn biaxial(ceiling_range: (f64, f64), two_v: (f64, f64)) -> Self {
        const CEILINGS: i64 = 48;
        let first = -(ceiling_range.1.ln() / grid::STEP).ceil() as i64 - 1;
        let last = grid::COUNT as i64;
        // Shares below e^(-k STEP / 2) from the largest ceiling down, read off one ascending list.
        let points: Vec<f64> =
            (0..=2 * (last - first) + 2).map(|j| (-(j as f64) * 0.5 * grid::STEP).exp()).rev().collect();
        let shares: Vec<f64> = biaxial_shares_below(&points, two_v).into_iter().rev().collect();
        let below = |k2: i64| if k2 <= 0 { 1.0 } else { shares.get(k2 as usize).copied().unwrap_or(0.0) };
        let mass = (first..last)
            .map(|k| {
                (0..CEILINGS)
                    .map(|c| {
                        let ceiling =
                            ceiling_range.0 + (ceiling_range.1 - ceiling_range.0) * (c as f64 + 0.5) / CEILINGS as f64;
                        let shift = (2.0 * ceiling.ln() / grid::STEP).round() as i64;
                        below(2 * k - 1 + shift) - below(2 * k + 1 + shift)
                    })
                    .sum::<f64>()
                    / CEILINGS as f64
            })
            .collect();
        Self::of(first, mass)
    }

    fn of(first: i64, mass: Vec<f64>) -> Self {
        let zeros = [0.0; BLOCK];
        Self { first, mass: mass.into_iter().chain(zeros).map(|m| m as f32).collect() }
    }

    /// Probability of a density of retardations (from grid point `from` on) at each grid point of thickness.
    pub(crate) fn over_thickness(&self, from: usize, density: &[f32]) -> Vec<f32> {
        let mut out = vec![0.0; grid::COUNT.next_multiple_of(BLOCK)];
        wide(OverThickness { out: &mut out, mass: &self.mass, start: from as i64 + self.first, density });
        out.truncate(grid::COUNT);
        out
    }
}

/// Sums the masses below each of some retardations, the first of which begins to count at `start`.
struct OverThickness<'a> {
    out: &'a mut [f32],
    mass: &'a [f32],
    start: i64,
    density: &'a [f32],
}

impl Wide for OverThickness<'_> {
    #[inline(always)]
    fn run(self) {
        let Self { out, mass, start, density } = self;
        for (block, out) in out.chunks_exact_mut(BLOCK).enumerate() {
            let at = (block * BLOCK) as i64;
            let mut sums = [0.0; BLOCK];
            // What counts from the block's beginning on, then what begins within it.
            let whole = (at - start + 1).clamp(0, density.len() as i64) as usize;
            for (k, d) in density[..whole].iter().enumerate() {
                let first = (at - start - k as i64) as usize;
                let mass: &[f32; BLOCK] = mass[first..first + BLOCK].try_into().expect("a block");
                sums.iter_mut().zip(mass).for_each(|(sum, m)| *sum += d * m);
            }
            for (k, d) in density.iter().enumerate().skip(whole) {
                let from = start + k as i64 - at;
                if from >= BLOCK as i64 {
                    break;
                }
                sums[from as usize..].iter_mut().zip(mass).for_each(|(sum, m)| *sum += d * m);
            }
            out.copy_from_slice(&sums);
        }
    }
}

static QUARTZ: LazyLock<Kernel> = LazyLock::new(Kernel::quartz);
static BESIDE_QUARTZ: LazyLock<[(Kernel, f64); 2]> = LazyLock::new(|| {
    [PLAGIOCLASE, ALKALI_FELDSPAR].map(|(ceiling, two_v)| (Kernel::biaxial(ceiling, two_v), FELDSPAR_SHARE))
});
/// As yardsticks: one rock's feldspar has one composition, whose uncertainty is taken into the interval afterwards.
static FELDSPARS: LazyLock<Vec<(Mineral, Kernel)>> = LazyLock::new(|| {
    usable().filter(|m| m.name != QUARTZ_NAME).map(|m| (m, Kernel::biaxial((1.0, 1.0), m.two_v))).collect()
});

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_is_a_distribution() {
        let total: f64 = QUARTZ.mass.iter().map(|m| f64::from(*m)).sum();
        assert!((total - 1.0).abs() < 0.01, "{total}");
        let below =
            QUARTZ.mass.iter().skip((0.1_f64.recip().ln() / grid::STEP) as usize).map(|m| f64::from(*m)).sum::<f64>();
        assert!((below - share_below(0.1)).abs() < 0.01, "a tenth of the largest retardation: {below}");
    }

    /// Block by block and in single precision it is the sum over retardations that it stands for.
    #[test]
    fn sums_over_retardations_are_those_of_the_plain_double_sum() {
        let density: Vec<f32> = (0..300_u32).map(|k| (k * 7919 % 1009) as f32 * 0.01).collect();
        for (kernel, from) in [(&*QUARTZ, 0), (&*QUARTZ, 613), (&BESIDE_QUARTZ[0].0, 45), (&BESIDE_QUARTZ[1].0, 870)] {
            let sums = kernel.over_thickness(from, &density);
            assert_eq!(sums.len(), grid::COUNT);
            for (i, sum) in sums.iter().enumerate() {
                let of = |(k, d): (usize, &f32)| {
                    let below = usize::try_from(i as i64 - (from + k) as i64 - kernel.first).ok()?;
                    Some(f64::from(*d) * f64::from(*kernel.mass.get(below)?))
                };
                let plain: f64 = density.iter().enumerate().filter_map(of).sum();
                assert!((f64::from(*sum) - plain).abs() < 1e-5 * (1.0 + plain), "point {i}: {sum} and {plain}");
            }
        }
    }

    #[test]
    fn feldspars_have_no_edge_and_reach_as_far_as_their_birefringence() {
        for ((kernel, _), highest) in BESIDE_QUARTZ.iter().zip([1.37_f64, 0.88]) {
            let total: f64 = kernel.mass.iter().map(|m| f64::from(*m)).sum();
            assert!((total - 1.0).abs() < 0.01, "{total}");
            let reach = kernel.mass.iter().position(|m| *m > 1e-5).unwrap() as i64 + kernel.first;
            assert!((reach as f64 * grid::STEP + highest.ln()).abs() < 0.03, "reaches {reach}");
            let most = kernel.mass.iter().copied().fold(0.0, f32::max);
            assert!(most < 0.1 * QUARTZ.mass[0], "no cut is as common as quartz at its edge: {most}");
        }
    }

    #[test]
    fn every_name_that_is_offered_is_known() {
        for name in Yardstick::names() {
            let of = Yardstick::named(&name.to_uppercase()).unwrap_or_else(|| panic!("{name}"));
            assert_eq!(of.mineral.name, name);
            let total: f64 = of.kernel.mass.iter().map(|m| f64::from(*m)).sum();
            assert!((total - 1.0).abs() < 0.01, "{name}: {total}");
        }
        assert!(Yardstick::named("calcite").is_none(), "its colours repeat many times in 30 µm");
    }
}
