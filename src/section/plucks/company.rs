//! Grains are seldom torn out alone: where resin did not hold one, or a coarse grain of grit went by, others went too, while a
//! crystal that looks like a hole is a chance of its own. How many such crystals there are by chance is told by those that lie nearly so.

use super::Hole;

/// How far away holes keep company, µm. House value.
pub(super) const REACH_UM: f64 = 1500.0;
/// Log odds that are added to a hole's own before it counts as another's company. House value.
const BEFORE: f64 = 1.0;
/// Share of the larger one's width within which two patches are pieces of one place and no company. House value.
const ONE_PLACE: f64 = 0.8;

/// Swings between which a patch that is no hole is a crystal nearly along its axis. House values.
const NEARLY_BLACK: std::ops::Range<f64> = 0.0015..0.012;
/// Swing up to which a crystal along its axis looks like a hole. House value.
const BLACK: f64 = 0.0006;

/// How many crystals are as black as a hole where so many are nearly so; of a few hardly any, since that these are so many is chance too
/// (one standard deviation, the root of their number, is taken off; Poisson's law, from memory).
///
/// Axes point anywhere, so crystals within θ of the line of sight are 1 - cos θ of all, for small θ as sin² θ; retardation there goes with
/// sin² θ and light between crossed polars with its square: crystals up to some light are as its root (elementary).
fn black_by_chance(nearly: f64) -> f64 {
    (nearly - nearly.sqrt()).max(0.0) * BLACK.sqrt() / (NEARLY_BLACK.end.sqrt() - NEARLY_BLACK.start.sqrt())
}

/// A patch as others see it.
struct Seen {
    at: [f64; 2],
    /// Width of a disc as large, pixels.
    across: f64,
    /// How likely it is a hole by its inside.
    likely: f64,
    /// How likely it is a crystal that lies nearly along its axis.
    crystal: f64,
}

impl Seen {
    fn of(hole: &Hole, may_be_one: bool) -> Self {
        let odds = if may_be_one { hole.odds_by_inside().sum() + BEFORE } else { f64::NEG_INFINITY };
        let likely = 1.0 / (1.0 + (-odds).exp());
        Self {
            at: hole.centroid,
            across: 2.0 * (hole.area / std::f64::consts::PI).sqrt(),
            likely,
            crystal: if is_nearly_black(hole) { 1.0 - likely } else { 0.0 },
        }
    }
}

/// Whether a patch, if it is no hole, is a crystal that lies nearly along its axis.
pub(super) fn is_nearly_black(hole: &Hole) -> bool {
    NEARLY_BLACK.contains(&hole.swing) && !hole.slurry
}

/// Sets how many other holes are expected within `reach` pixels of each, and confidences by it; `crystals` are no holes.
///
/// Only for rocks whose own pores cannot be taken for holes: pores come in company too.
pub(super) fn weigh(holes: &mut [Hole], crystals: &[Hole], reach: f64) {
    holes.sort_by(|a, b| a.centroid[0].total_cmp(&b.centroid[0]));
    let crystals = crystals.iter().map(|c| Seen::of(c, false));
    let mut all: Vec<Seen> = holes.iter().map(|h| Seen::of(h, true)).chain(crystals).collect();
    all.sort_by(|a, b| a.at[0].total_cmp(&b.at[0]));
    let mut first = 0;
    let company: Vec<f64> = holes
        .iter()
        .map(|h| {
            let h = Seen::of(h, true);
            while all[first].at[0] < h.at[0] - reach {
                first += 1;
            }
            let (mut others, mut nearly) = (0.0, 0.0);
            for o in &all[first..] {
                let [dx, dy] = [0, 1].map(|k| o.at[k] - h.at[k]);
                if dx > reach {
                    break;
                }
                let apart = dx.hypot(dy);
                if apart <= reach && apart > ONE_PLACE * h.across.max(o.across) {
                    others += o.likely;
                    nearly += o.crystal;
                }
            }
            (others - black_by_chance(nearly)).max(0.0)
        })
        .collect();
    for (hole, company) in holes.iter_mut().zip(company) {
        // From one position of the polars every crystal at extinction would keep the others company.
        hole.company = (!hole.one_angle).then_some(company);
        hole.confidence = hole.odds().probability();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::plucks::bare;

    /// A hole of 40 pixels across that is neither sure nor unlikely by its looks.
    fn doubtful(x: f64) -> Hole {
        let looks = Hole {
            wall: 0.6,
            wall_depth: 0.2,
            ground: 0.8,
            area: 1257.0,
            centroid: [x, 0.0],
            judged: 1.0,
            fullness: 0.9,
            ..bare()
        };
        assert!((0.1..0.5).contains(&looks.odds().probability()), "{}", looks.odds().probability());
        looks
    }

    #[test]
    fn holes_that_are_doubtful_each_are_sure_together_and_less_alone() {
        let mut alone = [doubtful(0.0)];
        let looks = alone[0].odds().probability();
        weigh(&mut alone, &[], 1500.0);
        assert!(alone[0].confidence < looks);
        let mut six: Vec<Hole> = (0..6).map(|k| doubtful(200.0 * f64::from(k))).collect();
        weigh(&mut six, &[], 1500.0);
        assert!(six.iter().all(|h| h.confidence > 0.6 && h.confidence > looks), "{:?}", six[0].confidence);
        let mut far_apart: Vec<Hole> = (0..6).map(|k| doubtful(2000.0 * f64::from(k))).collect();
        weigh(&mut far_apart, &[], 1500.0);
        assert!(far_apart.iter().all(|h| h.confidence < looks));
    }

    /// Crystals with axes at random, counted by the root of their swing (see [`black_by_chance`]), and holes among such crystals.
    #[test]
    fn what_chance_makes_black_is_no_company() {
        let up_to = |swing: f64| 1e4 * swing.sqrt();
        let nearly = up_to(NEARLY_BLACK.end) - up_to(NEARLY_BLACK.start);
        assert!((0.95..1.0).contains(&(black_by_chance(nearly) / up_to(BLACK))));
        assert!(black_by_chance(1.0) == 0.0 && black_by_chance(0.5) == 0.0);
        let six = || (0..6).map(|k| doubtful(200.0 * f64::from(k))).collect::<Vec<_>>();
        let aside = |k: u32| [90.0 + 150.0 * f64::from(k), 100.0];
        let crystal = |k: u32| Hole { swing: 0.003 + 0.0006 * f64::from(k), centroid: aside(k), ..doubtful(0.0) };
        let crystals: Vec<Hole> = (0..12).map(crystal).collect();
        let away = |c: &Hole| Hole { centroid: [c.centroid[0] + 9000.0, 0.0], ..c.clone() };
        let moved: Vec<Hole> = crystals.iter().map(away).collect();
        let looks = doubtful(0.0).odds().probability();
        let (mut among, mut far_away) = (six(), six());
        weigh(&mut among, &crystals, 3000.0);
        assert!(among.iter().all(|h| h.confidence < looks), "{:?}", among[0].confidence);
        weigh(&mut far_away, &moved, 3000.0);
        assert!(far_away.iter().all(|h| h.confidence > looks), "{:?}", far_away[0].confidence);
    }

    #[test]
    fn pieces_of_one_place_and_one_angle_are_no_company() {
        let mut pieces: Vec<Hole> = (0..6).map(|k| doubtful(5.0 * f64::from(k))).collect();
        let looks = pieces[0].odds().probability();
        weigh(&mut pieces, &[], 1500.0);
        assert!(pieces.iter().all(|h| h.confidence < looks));
        let one_angle = |x| Hole { one_angle: true, ..doubtful(x) };
        let mut seen_once: Vec<Hole> = (0..6).map(|k| one_angle(200.0 * f64::from(k))).collect();
        let looks = seen_once[0].odds().probability();
        weigh(&mut seen_once, &[], 1500.0);
        assert!(seen_once.iter().all(|h| (h.confidence - looks).abs() < 1e-12));
    }
}
