//! Vesicles: holes that gas left in a melt, smooth and round, which clear resin or the cement of the bond fills.

use super::Hole;
use crate::section::defects::REPORTED;
use crate::section::oval::Departure;
use crate::section::shape::fit_circle;

/// Scatter of an outline about an oval, share of its radius, below which surface tension rounded it. House value: of 256 plucked
/// areas by another renderer one has less than this, the others from 0.053 on; of 63 vesicles 24, the others being cut, or run together.
const ROUND: f64 = 0.048;
/// Share of an outline on wide arcs from which vesicles run together there, or a crystal or the frame cuts one. House value.
const OF_ARCS: f64 = 0.7;
/// Round holes from which the rock has vesicles. House value.
const SEVERAL: usize = 2;
/// How far points may lie off the circle that is fitted, share of the radius.
const TOLERANCE: f64 = 0.05;

/// Robust scatter of a closed outline about an oval, share of its radius; 1 where no circle fits it.
pub(super) fn roughness(outline: &[[f64; 2]]) -> f64 {
    let reach = outline.iter().map(|p| (p[0] - outline[0][0]).hypot(p[1] - outline[0][1])).fold(0.0, f64::max);
    let Some([x, y, radius, _]) = fit_circle(outline, TOLERANCE * 0.5 * reach) else { return 1.0 };
    // A stretch of a wide arc is no disc.
    if 2.0 * radius > 1.5 * reach { 1.0 } else { Departure::of(outline, [x, y], radius).roughness }
}

/// Leaves out what is round as a vesicle, and where there are several what is made of arcs; what is left there may be vesicles of
/// which too little is seen.
pub(super) fn leave_out(holes: &mut Vec<Hole>) {
    let round = |h: &Hole| h.roughness < ROUND;
    let of_arcs = |h: &Hole| h.arcs >= OF_ARCS;
    let alike = holes.iter().filter(|h| (round(h) || of_arcs(h)) && h.confidence >= REPORTED).count();
    let several = alike >= SEVERAL;
    holes.retain(|h| !(round(h) || several && of_arcs(h)));
    holes.iter_mut().for_each(|h| h.among_vesicles = several);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::section::plucks::bare;

    fn outline(radius: impl Fn(f64) -> f64) -> Vec<[f64; 2]> {
        let turns = (0..90).map(|k| std::f64::consts::TAU * f64::from(k) / 90.0);
        turns.map(|t| [80.0 + radius(t) * t.cos(), 60.0 + radius(t) * t.sin()]).collect()
    }

    #[test]
    fn a_circle_and_a_little_oval_are_round_and_polygons_are_not() {
        assert!(roughness(&outline(|_| 30.0)) < 1e-6);
        assert!(roughness(&outline(|t| 30.0 * (1.0 + 0.07 * (2.0 * t).cos()))) < 0.5 * ROUND);
        // A regular polygon of n sides: between cos(pi / n) and 1 of its corners' distance.
        let polygon = |n: f64| {
            let side = std::f64::consts::TAU / n;
            outline(move |t| 30.0 * (side / 2.0).cos() / (t.rem_euclid(side) - side / 2.0).cos())
        };
        assert!(roughness(&polygon(4.0)) > 1.5 * ROUND, "{}", roughness(&polygon(4.0)));
        let grain = outline(|t| 30.0 * (1.0 + 0.08 * (3.0 * t).cos() + 0.06 * (5.0 * t).sin()));
        assert!(roughness(&grain) > ROUND, "{}", roughness(&grain));
    }

    #[test]
    fn round_holes_are_no_plucks_and_several_make_the_others_doubtful() {
        let hole = |roughness: f64| Hole { roughness, confidence: 0.9, ..bare() };
        let mut one = vec![hole(0.02), hole(0.12)];
        leave_out(&mut one);
        assert!(one.len() == 1 && !one[0].among_vesicles);
        let mut several = vec![hole(0.02), hole(0.03), hole(0.01), hole(0.12)];
        leave_out(&mut several);
        assert!(several.len() == 1 && several[0].among_vesicles);
        let merged = || Hole { arcs: 0.9, ..hole(0.15) };
        let mut alone = vec![merged(), hole(0.12)];
        leave_out(&mut alone);
        assert!(alone.len() == 2 && !alone[0].among_vesicles, "a rounded grain may be torn out");
        let mut two = vec![merged(), merged(), hole(0.12)];
        leave_out(&mut two);
        assert!(two.len() == 1 && two[0].among_vesicles);
    }
}
