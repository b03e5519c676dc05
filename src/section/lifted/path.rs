//! The colours that a film of air shows as it grows thicker, for lamps and cameras that may have been used.

use std::sync::LazyLock;

use crate::optics::Lamp;
use crate::optics::film::log_colour;
use crate::optics::observer::{WhiteScaling, camera_weights};
use crate::units::Nanometres;

/// Thinnest film that is told by its colour, nm: below it the light is only a little darker.
pub(super) const FIRST_NM: f64 = 120.0;
/// Step of the paths, nm: a fourteenth of the way round.
pub(super) const STEP_NM: f64 = 20.0;
/// Steps of the paths: up to 1500 nm, beyond which colours pale into grey under every lamp.
pub(super) const STEPS: usize = 70;

/// Thickness of the film at a step, nm.
pub(super) fn film_nm(step: usize) -> f64 {
    FIRST_NM + STEP_NM * step as f64
}

/// Colours of films under one lamp, as one camera records them.
pub(super) struct FilmPath {
    /// ln(red / green) and ln(blue / green) at each step.
    pub(super) tint: Vec<[f32; 2]>,
    /// ln(green) at each step.
    pub(super) green: Vec<f32>,
}

impl FilmPath {
    pub(super) fn of(lamp: Lamp, scaling: WhiteScaling) -> Self {
        let weights = camera_weights(&lamp.spectrum(), scaling);
        let colours = (0..STEPS).map(|i| log_colour(&weights, Nanometres::from_nm(film_nm(i))));
        let (tint, green) = colours.map(|[r, g, b]| ([(r - g) as f32, (b - g) as f32], g as f32)).unzip();
        Self { tint, green }
    }

    /// Squared distance of a tint from the nearest colour of the path, or from none where that is nearer.
    pub(super) fn off(&self, tint: [f32; 2]) -> f32 {
        let none = tint[0] * tint[0] + tint[1] * tint[1];
        self.tint.iter().map(|p| (p[0] - tint[0]).powi(2) + (p[1] - tint[1]).powi(2)).fold(none, f32::min)
    }
}

/// Lamps warm and cool, each seen by a colorimeter balanced in two ways and by a dyed sensor: between them lie the others.
pub(super) static PATHS: LazyLock<Vec<FilmPath>> = LazyLock::new(|| {
    let mut lamps = vec![Lamp::Planck(2500.0), Lamp::Planck(3000.0), Lamp::Daylight(5000.0), Lamp::Daylight(7000.0)];
    for phosphor_nm in [555.0, 577.0, 600.0] {
        lamps.extend([0.5, 1.5].map(|blue| Lamp::Led { blue, phosphor_nm }));
    }
    let cameras = [WhiteScaling::Channels, WhiteScaling::Bradford, WhiteScaling::DyedSensor];
    lamps.iter().flat_map(|l| cameras.map(|c| FilmPath::of(*l, c))).collect()
});

#[cfg(test)]
mod tests {
    use super::*;

    /// Under every lamp the colours go round neutral in one sense, at most a seventh of the way a step, no stronger than a
    /// colorimeter under the warmest lamp sees them: magenta after yellow, then blue, then green.
    #[test]
    fn colours_go_round_in_one_sense_and_stay_pale() {
        for (k, path) in PATHS.iter().enumerate() {
            let upto = ((1000.0 - FIRST_NM) / STEP_NM) as usize;
            let from = ((200.0 - FIRST_NM) / STEP_NM) as usize;
            let mut turned = 0.0;
            for i in from..upto {
                let ([a, b], [c, d]) = (path.tint[i], path.tint[i + 1]);
                turned += f64::from((a * d - b * c).atan2(a * c + b * d));
            }
            let rounds = turned / std::f64::consts::TAU;
            assert!((2.0..3.6).contains(&rounds), "path {k}: {rounds} times round in 800 nm");
            let pale = |t: &[f32; 2]| t[0].hypot(t[1]) < 0.3;
            assert!(path.tint.iter().all(pale), "path {k}: too strong");
        }
    }

    #[test]
    fn what_lies_on_the_path_is_not_off_it() {
        let path = &PATHS[0];
        assert!(path.off(path.tint[20]) < 1e-12 && path.off([0.0, 0.0]) < 1e-12);
        assert!(path.off([0.3, -0.5]) > 0.1, "brown is no film");
    }
}
