//! The path that interference colours of quartz follow with growing retardation, for each lamp that may have been used.

use std::sync::LazyLock;

use ndarray::Array2;

use crate::optics::interference::transmittance;
use crate::optics::lamp::wavelengths;
use crate::optics::observer::{WhiteScaling, camera_weights};
use crate::optics::{Lamp, quartz};
use crate::thickness::departure::{self, Departure};
use crate::units::Nanometres;

/// Logarithmic grid of retardations and of thicknesses expressed as their largest retardation.
pub(crate) mod grid {
    /// Step of the natural logarithm.
    pub(crate) const STEP: f64 = 0.004;
    /// First retardation, nm.
    pub(crate) const FIRST_NM: f64 = 14.0;
    /// Number of points: up to 1500 nm.
    pub(crate) const COUNT: usize = 1170;

    /// Retardation of a (fractional) grid point, nm.
    pub(crate) fn nm(point: f64) -> f64 {
        FIRST_NM * (STEP * point).exp()
    }

    /// Fractional grid point of a retardation, nm.
    pub(crate) fn point(nm: f64) -> f64 {
        (nm / FIRST_NM).ln() / STEP
    }
}

/// Colours along the grid for one lamp and one way of balancing white.
pub(crate) struct ColourPath {
    /// Name for the report.
    pub(crate) name: String,
    /// The lamp is a white LED.
    pub(crate) led: bool,
    /// The camera that is taken to have seen it.
    pub(crate) scaling: WhiteScaling,
    /// Linear sRGB as recorded, open field (1, 1, 1), one a grid point.
    pub(crate) colours: Vec<[f64; 3]>,
    /// The same before what lies beyond sRGB is cut.
    open: Vec<[f64; 3]>,
    /// How many times as far from grey as it saw them the camera stores colours; 1 for as they are.
    vividness: f64,
    /// Prior weight.
    pub(crate) prior: f64,
}

impl ColourPath {
    /// The camera stores colours farther from grey than it saw them.
    pub(crate) fn is_vivid(&self) -> bool {
        self.vividness > 1.0
    }

    /// The same as cameras store it that make colours vivid; none for kinds that are not tried so.
    pub(crate) fn vivid_versions(&'static self) -> impl Iterator<Item = &'static Self> {
        // They follow it in the family.
        PATHS.iter().skip_while(move |p| !std::ptr::eq(*p, self)).skip(1).take_while(|p| p.is_vivid())
    }

    /// The same as a camera records it that departs from the one it was computed for.
    pub(crate) fn seen_by(&self, departure: &Departure) -> Self {
        let last = grid::COUNT - 1;
        let channel = |i: usize, c: usize| {
            let at = (i as f64 + departure[c] / grid::STEP).clamp(0.0, last as f64 - 1e-9);
            let below = at as usize;
            let t = at - below as f64;
            self.open[below][c] * (1.0 - t) + self.open[below + 1][c] * t
        };
        let matrix = departure::matrix(departure);
        let open: Vec<[f64; 3]> =
            (0..grid::COUNT).map(|i| departure::mixed(&matrix, std::array::from_fn(|c| channel(i, c)))).collect();
        let colours = recorded(&open, self.vividness);
        Self { name: self.name.clone(), colours, open, ..*self }
    }
}

/// Colours beyond sRGB are cut, as a camera cuts them, and stored more vividly than they were seen.
fn recorded(open: &[[f64; 3]], vividness: f64) -> Vec<[f64; 3]> {
    open.iter().map(|c| made_vivid(c.map(|v| v.max(0.0)), vividness)).collect()
}

/// A linear colour whose distance from grey is so many times as large in encoded light, luma staying (ITU-R BT.601, from which JPEG takes
/// its luma). Encoded light is taken as a power of linear light, so that how bright a crystal is does not matter.
fn made_vivid(linear: [f64; 3], vividness: f64) -> [f64; 3] {
    if vividness == 1.0 {
        return linear;
    }
    let encoded = linear.map(|v| v.powf(1.0 / ENCODING));
    let luma: f64 = encoded.iter().zip(LUMA).map(|(v, share)| v * share).sum();
    encoded.map(|v| (luma + vividness * (v - luma)).max(0.0).powf(ENCODING))
}

/// How vividly cameras store colours, and how probable that is beside storing them as they are. House values.
const VIVIDNESSES: [(f64, f64); 3] = [(1.0, 1.0), (1.2, 0.3), (1.4, 0.2)];
/// Power of encoded light that linear light is near (sRGB).
const ENCODING: f64 = 2.2;
/// Shares of R, G, B in luma (ITU-R BT.601).
const LUMA: [f64; 3] = [0.299, 0.587, 0.114];

/// All paths: black bodies and daylight even in mired, white LEDs warm to cool, by phosphors 7.5 nm apart.
pub(crate) static PATHS: LazyLock<Vec<ColourPath>> = LazyLock::new(|| {
    let mut lamps: Vec<(Lamp, f64)> = Vec::new();
    // 2350 to 8000 K in steps of 25 mired.
    for i in 0..13 {
        lamps.push((Lamp::Planck(1e6 / (125.0 + 25.0 * f64::from(i))), 1.0));
    }
    for kelvin in [5000.0, 5700.0, 6500.0, 7500.0] {
        lamps.push((Lamp::Daylight(kelvin), 0.75));
    }
    // A phosphor that lies between two of the family 15 nm apart was seen as another lamp through another sensor. All of these together
    // weigh 19, the black bodies 13 (house values).
    for i in 0..9 {
        for blue in [0.3, 0.5, 0.8, 1.2, 1.8] {
            lamps.push((Lamp::Led { blue, phosphor_nm: 545.0 + 7.5 * f64::from(i) }, 0.42));
        }
    }
    for blue in [0.45, 0.75, 1.2] {
        for red in [0.35, 0.6, 1.0] {
            lamps.push((Lamp::RichLed { blue, red }, 0.75));
        }
    }
    let kinds: Vec<(Lamp, f64, WhiteScaling)> = lamps
        .iter()
        .flat_map(|(l, p)| {
            [
                (*l, *p, WhiteScaling::Channels),
                (*l, 0.5 * *p, WhiteScaling::Bradford),
                (*l, 2.4 * *p, WhiteScaling::DyedSensor),
                (*l, 1.2 * *p, WhiteScaling::DyedSensorDaylight),
            ]
        })
        .collect();
    // Every path is the same transmittances, weighed for its lamp and camera: one product of matrices for all of them, some points
    // of the grid at a time.
    let steps: Vec<f64> = wavelengths().collect();
    let weights = side_by_side(&kinds, |(lamp, _, scaling)| camera_weights(&lamp.spectrum(), *scaling));
    let weights =
        Array2::from_shape_fn((steps.len(), 3 * kinds.len()), |(i, column)| weights[column / 3][i][column % 3]);
    let points: Vec<f64> = (0..grid::COUNT).map(|i| grid::nm(i as f64)).collect();
    let some_points: Vec<&[f64]> = points.chunks(AT_ONCE).collect();
    let products: Vec<Array2<f64>> = side_by_side(&some_points, |points| {
        let transmitted: Vec<f64> =
            points.iter().flat_map(|nm| transmittance(Nanometres::from_nm(*nm), quartz::dispersion)).collect();
        let transmitted = Array2::from_shape_vec((points.len(), steps.len()), transmitted).expect("a row a grid point");
        transmitted.dot(&weights)
    });
    let of_kind = |(k, (lamp, prior, scaling)): (usize, &(Lamp, f64, WhiteScaling))| {
        let rows = products.iter().flat_map(|product| product.rows());
        let open: Vec<[f64; 3]> = rows.map(|row| [0, 1, 2].map(|c| row[3 * k + c])).collect();
        let led = matches!(lamp, Lamp::Led { .. } | Lamp::RichLed { .. });
        let name = lamp.to_string();
        VIVIDNESSES
            .into_iter()
            .filter(|(vividness, _)| {
                *vividness == 1.0 || matches!(scaling, WhiteScaling::Channels | WhiteScaling::DyedSensor)
            })
            .map(|(vividness, share)| ColourPath {
                name: name.clone(),
                led,
                scaling: *scaling,
                colours: recorded(&open, vividness),
                open: open.clone(),
                vividness,
                prior: share * *prior,
            })
            .collect::<Vec<_>>()
    };
    kinds.iter().enumerate().flat_map(of_kind).collect()
});

/// Points of the grid that are weighed at a time.
const AT_ONCE: usize = 128;

/// Works on all cores without the pool: one of its workers that waited in it for the others could be handed a piece of work
/// that needs what is being made.
fn side_by_side<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let share = items.len().div_ceil(rayon::current_num_threads()).max(1);
    std::thread::scope(|scope| {
        let work = &work;
        let threads: Vec<_> =
            items.chunks(share).map(|c| scope.spawn(move || c.iter().map(work).collect::<Vec<R>>())).collect();
        let done = threads.into_iter().map(|t| t.join().unwrap_or_else(|fault| std::panic::resume_unwind(fault)));
        done.flatten().collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A channel whose mean wavelength is 1 % shorter has at 300 nm the value that it had at 303 nm.
    #[test]
    fn a_stretched_path_has_its_colours_at_other_retardations() {
        let path = PATHS.iter().filter(|p| p.vividness == 1.0).nth(5).expect("in the family");
        let moved = path.seen_by(&Departure::from_column_slice(&[0.01, 0.0, -0.01, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]));
        let i = grid::point(300.0) as usize;
        let at = |nm: f64, c: usize| {
            let x = grid::point(nm);
            let (below, t) = (x as usize, x.fract());
            path.colours[below][c] * (1.0 - t) + path.colours[below + 1][c] * t
        };
        for (c, stretch) in [(0, 0.01_f64), (1, 0.0), (2, -0.01)] {
            let expected = at(grid::nm(i as f64) * stretch.exp(), c);
            assert!((moved.colours[i][c] - expected).abs() < 1e-9, "{c}: {} {expected}", moved.colours[i][c]);
        }
    }

    #[test]
    fn a_vivid_colour_keeps_its_luma_and_its_hue_and_is_so_many_times_as_far_from_grey() {
        let luma = |c: [f64; 3]| c.iter().zip(LUMA).map(|(v, share)| v.powf(1.0 / ENCODING) * share).sum::<f64>();
        let straw = [0.9, 0.85, 0.6];
        let stored = made_vivid(straw, 1.4);
        assert!((luma(stored) - luma(straw)).abs() < 1e-12);
        for c in 0..3 {
            let off = |colour: [f64; 3]| colour[c].powf(1.0 / ENCODING) - luma(colour);
            assert!((off(stored) - 1.4 * off(straw)).abs() < 1e-12, "{c}: {stored:?}");
        }
        assert_eq!(made_vivid([0.4; 3], 1.2).map(|v| (v * 1e9).round()), [4e8; 3], "grey stays grey");
        assert_eq!(made_vivid([0.0, 0.3, 0.3], 1.4)[0], 0.0, "and what lies beyond is cut");
        // How bright a crystal is does not matter.
        let half = made_vivid(straw.map(|v| 0.5 * v), 1.4);
        assert!((0..3).all(|c| (half[c] - 0.5 * stored[c]).abs() < 1e-12), "{half:?} {stored:?}");
    }

    #[test]
    fn each_plain_path_knows_its_own_vivid_versions() {
        for path in PATHS.iter().filter(|p| !p.is_vivid()) {
            let versions: Vec<&ColourPath> = path.vivid_versions().collect();
            let tried = matches!(path.scaling, WhiteScaling::Channels | WhiteScaling::DyedSensor);
            let vividness: Vec<f64> = versions.iter().map(|v| v.vividness).collect();
            assert_eq!(vividness, if tried { vec![1.2, 1.4] } else { vec![] }, "{} {:?}", path.name, path.scaling);
            assert!(versions.iter().all(|v| v.name == path.name && v.scaling == path.scaling), "{}", path.name);
        }
    }

    #[test]
    fn the_grid_goes_there_and_back() {
        for nm in [20.0, 273.0, 551.0, 1400.0] {
            assert!((grid::nm(grid::point(nm)) - nm).abs() < 1e-9, "{nm}");
        }
        assert!(grid::nm(grid::COUNT as f64 - 1.0) > 1490.0, "the grid ends too early");
    }
}
