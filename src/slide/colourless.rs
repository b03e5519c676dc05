//! Whether a photograph that is stored in colour shows any.

use crate::measured::quantile_of;
use crate::slide::photograph::Samples;

/// Every so many pixels are asked: some ten thousand of a usual photograph. A prime, so that it falls in step with nothing.
const EVERY: usize = 197;
/// Codes of 255 between which a pixel's tint can be told.
const BETWEEN: (f32, f32) = (24.0, 250.0);
/// Fewest pixels that tell.
const FEWEST: usize = 200;
/// Scatter of the logarithms of red and blue over green about their medians under which there is no colour: that of nine tenths and of 99 in
/// a hundred pixels. House values: crossed photographs of a camera without colour, tinted and with noise, have up to 0.072 and
/// 0.088 (eight by other code), those in colour 0.18 and 0.49 and more (real and rendered ones).
const COLOURLESS: (f32, f32) = (0.08, 0.1);

/// Whether a photograph (three samples a pixel, with the linear light of each code) is grey, at most tinted evenly.
pub(super) fn is_colourless(samples: &Samples, to_linear: &[f32]) -> bool {
    let tints: Vec<[f32; 2]> = match samples {
        Samples::Eight(codes) => tints(codes, to_linear, 1.0),
        Samples::Sixteen(codes) => tints(codes, to_linear, 257.0),
    };
    if tints.len() < FEWEST {
        return false;
    }
    let middle = [0, 1].map(|i| quantile_of(tints.iter().map(|t| t[i]).collect(), 0.5));
    let off = |t: &[f32; 2]| (t[0] - middle[0]).abs().max((t[1] - middle[1]).abs());
    let off: Vec<f32> = tints.iter().map(off).collect();
    quantile_of(off.clone(), 0.9) < COLOURLESS.0 && quantile_of(off, 0.99) < COLOURLESS.1
}

/// Logarithms of red and blue over green where they can be told.
fn tints<T: Copy + Into<u32>>(codes: &[T], to_linear: &[f32], of_255: f32) -> Vec<[f32; 2]> {
    let pixels = codes.as_chunks::<3>().0.iter().step_by(EVERY);
    let told = pixels
        .map(|p| p.map(Into::<u32>::into))
        .filter(|p| p.iter().all(|c| (BETWEEN.0..BETWEEN.1).contains(&(*c as f32 / of_255))));
    told.map(|p| p.map(|c| to_linear[c as usize].ln())).map(|[r, g, b]| [r - g, b - g]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::encoding::Curve;

    fn is_grey(pixel: impl Fn(usize) -> [u8; 3]) -> bool {
        is_colourless(&Samples::Eight((0..200_000).flat_map(pixel).collect()), &Curve::Srgb.lookup(256))
    }

    #[test]
    fn grey_is_colourless_tinted_or_not_and_a_few_coloured_crystals_are_colour() {
        let grey = |i: usize| (30 + (i * 31) % 200) as u8;
        assert!(is_grey(|i| [grey(i); 3]));
        assert!(is_grey(|i| [grey(i), grey(i) - (i % 2) as u8, grey(i)]), "with a little noise");
        let tinted = |i: usize| [grey(i), (f32::from(grey(i)) * 0.95) as u8, (f32::from(grey(i)) * 0.9) as u8];
        assert!(is_grey(tinted));
        let crystals = |i: usize| if i % 5_000 < 200 { [200, 120, 60] } else { [grey(i); 3] };
        assert!(!is_grey(crystals), "one in twenty-five pixels is coloured");
        assert!(!is_grey(|_| [0, 0, 0]), "nothing tells");
    }
}
