//! Crystals that are burnt out at some positions of the polars: their colour from the positions where they are not.
//!
//! The brightest crystals are those of the largest retardation in a section of first-order colours. Were they left out, the
//! section would be read too thin.

use crate::section::extinction::AngleDesign;

/// Where a crystal is told from some of its photographs only.
pub(crate) struct Recovered {
    /// Crossed over plane light at the brightest position, linear R, G, B.
    pub(crate) colour: [f64; 3],
    /// Relative standard uncertainty of its brightness from the position of extinction alone.
    pub(crate) brightness_u: f64,
}

/// How far extinction may lie from where all photographs together have it, radians.
const AROUND: f64 = 0.21;
/// Steps on either side of it.
const STEPS: i32 = 48;
/// Least sum of sin⁴ 2(φ - a) over the positions that are left: below, too little light is seen of it.
const LEAST_SEEN: f64 = 0.015;
/// Relative uncertainty of the light at one position: dirt, relief, noise.
const LIGHT_U: f64 = 0.012;
/// Least light at a burnt-out position over what was recorded there: more was there than the camera held.
const AT_LEAST: f64 = 0.95;
/// Least certain brightness that is of use.
const USELESS: f64 = 0.06;

/// Colour from the positions of `good` (indices into the design's angles; two or more); `light` is crossed over plane light at a
/// position in a channel, and `leak` what the polars let through.
///
/// Extinction is where the three channels together fit c·sin² 2(φ - a) best, near where the photographs as they are put it.
/// None when that leaves the brightness open, or when it would be less bright where it is burnt out than it was recorded.
pub(crate) fn recover(
    design: &AngleDesign,
    good: &[usize],
    light: impl Fn(usize, usize) -> f64,
    leak: [f64; 3],
) -> Option<Recovered> {
    if good.len() < 2 {
        return None;
    }
    let seen: Vec<[f64; 3]> =
        (0..design.angles.len()).map(|a| std::array::from_fn(|c| light(a, c) - leak[c])).collect();
    let terms: [[f64; 3]; 3] = std::array::from_fn(|c| design.terms(seen.iter().map(|s| s[c])));
    let (x, y) = terms.iter().fold((0.0, 0.0), |(x, y), t| (x + t[1], y + t[2]));
    // I = b0 + b1 cos 4a + b2 sin 4a is least at φ.
    let near = (-y).atan2(-x) / 4.0;
    let best = |seen: &[[f64; 3]]| {
        let at = |k: i32| fitted(design, good, seen, near + AROUND * f64::from(k) / f64::from(STEPS));
        (-STEPS..=STEPS).map(at).min_by(|a, b| a.left.total_cmp(&b.left)).expect("steps")
    };
    let found = best(&seen);
    if found.seen < LEAST_SEEN {
        return None;
    }
    let level = |f: &Fitted| f.colour.iter().sum::<f64>();
    let darker = (0..design.angles.len()).filter(|a| !good.contains(a)).any(|a| {
        let predicted = level(&found) * shine(design, a, found.phi);
        predicted < AT_LEAST * seen[a].iter().sum::<f64>()
    });
    if darker {
        return None;
    }
    let moved = good.iter().map(|a| {
        let mut other = seen.clone();
        other[*a].iter_mut().for_each(|v| *v *= 1.0 + LIGHT_U);
        level(&best(&other)) / level(&found) - 1.0
    });
    let brightness_u = moved.map(|m| m * m).sum::<f64>().sqrt();
    (brightness_u < USELESS).then_some(Recovered { colour: found.colour, brightness_u })
}

/// One position of extinction and what follows from it.
struct Fitted {
    phi: f64,
    colour: [f64; 3],
    /// Sum of squares left over, against the light.
    left: f64,
    /// Sum of sin⁴ 2(φ - a).
    seen: f64,
}

/// Share of its full brightness that a crystal of extinction φ shows at position `a`.
fn shine(design: &AngleDesign, a: usize, phi: f64) -> f64 {
    (2.0 * (phi - design.angles[a])).sin().powi(2)
}

fn fitted(design: &AngleDesign, good: &[usize], light: &[[f64; 3]], phi: f64) -> Fitted {
    let s: Vec<f64> = good.iter().map(|a| shine(design, *a, phi)).collect();
    let seen: f64 = s.iter().map(|s| s * s).sum();
    let mut left = 0.0;
    let colour = std::array::from_fn(|c| {
        let of = |k: usize| light[good[k]][c];
        let colour = (0..s.len()).map(|k| s[k] * of(k)).sum::<f64>() / seen.max(1e-9);
        let size = (0..s.len()).map(|k| of(k) * of(k)).sum::<f64>().max(1e-9);
        left += (0..s.len()).map(|k| (of(k) - colour * s[k]).powi(2)).sum::<f64>() / size;
        colour
    });
    Fitted { phi, colour, left, seen }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn four() -> AngleDesign {
        AngleDesign::new(&[0.0_f64, 22.5, 45.0, 67.5].map(f64::to_radians))
    }

    /// Light of a crystal with its brightest positions cut at what the camera holds.
    fn cut(design: &AngleDesign, colour: [f64; 3], phi: f64, leak: f64, most: f64) -> (Vec<[f64; 3]>, Vec<usize>) {
        let full: Vec<[f64; 3]> =
            (0..design.angles.len()).map(|a| colour.map(|c| leak + c * shine(design, a, phi))).collect();
        let good = (0..full.len()).filter(|a| full[*a].iter().all(|v| *v < most)).collect();
        (full.iter().map(|l| l.map(|v| v.min(most))).collect(), good)
    }

    #[test]
    fn two_positions_left_give_the_colour_back() {
        let (design, colour, leak) = (four(), [0.97, 0.99, 0.88], 0.004);
        let mut told = 0;
        for k in 0..60 {
            let phi = f64::from(k) * std::f64::consts::FRAC_PI_2 / 60.0;
            let (light, good) = cut(&design, colour, phi, leak, 0.62);
            if good.len() != 2 {
                continue;
            }
            if let Some(r) = recover(&design, &good, |a, c| light[a][c], [leak; 3]) {
                told += 1;
                for (told, truth) in r.colour.iter().zip(colour) {
                    assert!((told / truth - 1.0).abs() < 0.02, "φ {phi:.2}: {:?}", r.colour);
                }
                assert!(r.brightness_u < USELESS);
            }
        }
        assert!(told >= 20, "{told} of 60 positions");
    }

    #[test]
    fn one_position_left_tells_nothing() {
        let design = four();
        let (light, _) = cut(&design, [1.0; 3], 0.1, 0.0, 0.3);
        assert!(recover(&design, &[0], |a, c| light[a][c], [0.0; 3]).is_none());
    }
}
