//! Minerals as they look in thin section, and one grain of each.

use super::dice::Dice;
use super::light::quartz_seen_at;
use super::scene::Fabric;

/// What a grain is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mineral {
    Quartz,
    KFeldspar,
    Plagioclase,
    Biotite,
    Muscovite,
    Calcite,
    Augite,
    Olivine,
    Opaque,
    /// A rock fragment: a fine aggregate of quartz, feldspar and mica.
    Fragment,
    /// Clay between grains.
    Clay,
    /// The rock's own pore, filled with resin.
    Pore,
}

/// Look of a mineral.
struct Look {
    /// Greatest birefringence, range over its compositions (handbook values, see the comment at [`look`]).
    birefringence: [f64; 2],
    /// Optic axial angle 2V, degrees; 0 is uniaxial.
    two_v: [f64; 2],
    /// Mean refractive index: relief against the others.
    index: f32,
    /// Absorbance of red, green, blue through 30 µm.
    colour: [f32; 3],
}

/// Handbook values from memory (ranges as in Nesse, Deer, Howie & Zussman); calcite and quartz after Ghosh (1999).
fn look(mineral: Mineral) -> Look {
    let (birefringence, two_v, index, colour) = match mineral {
        Mineral::Quartz => ([0.0091, 0.0091], [0.0, 0.0], 1.548, [0.0, 0.0, 0.0]),
        Mineral::KFeldspar => ([0.005, 0.008], [40.0, 84.0], 1.522, [0.01, 0.012, 0.02]),
        Mineral::Plagioclase => ([0.007, 0.0125], [75.0, 90.0], 1.552, [0.005, 0.005, 0.01]),
        Mineral::Biotite => ([0.035, 0.06], [0.0, 15.0], 1.63, [0.35, 0.75, 1.5]),
        Mineral::Muscovite => ([0.035, 0.042], [35.0, 45.0], 1.595, [0.0, 0.0, 0.01]),
        Mineral::Calcite => ([0.1722, 0.1722], [0.0, 0.0], 1.6, [0.02, 0.02, 0.03]),
        Mineral::Augite => ([0.02, 0.028], [45.0, 58.0], 1.70, [0.12, 0.13, 0.22]),
        Mineral::Olivine => ([0.035, 0.042], [82.0, 90.0], 1.68, [0.03, 0.02, 0.06]),
        Mineral::Opaque => ([0.0, 0.0], [0.0, 0.0], 1.9, [6.0, 6.0, 6.0]),
        Mineral::Fragment => ([0.006, 0.009], [0.0, 80.0], 1.545, [0.09, 0.12, 0.2]),
        Mineral::Clay => ([0.004, 0.012], [0.0, 80.0], 1.56, [0.22, 0.34, 0.62]),
        Mineral::Pore => ([0.0, 0.0], [0.0, 0.0], 1.535, [0.0, 0.0, 0.0]),
    };
    Look { birefringence, two_v, index, colour }
}

/// Lamellae of twins.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Twins {
    None,
    /// Parallel lamellae: direction across them, width in pixels, turn of the azimuth, share of the retardation.
    Albite {
        across: f32,
        width: f32,
        turn: f32,
        share: f32,
    },
    /// Two crossing sets of spindles.
    Tartan {
        across: f32,
        width: f32,
        turn: f32,
    },
}

/// Parallel cleavage cracks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cleavage {
    /// Direction across the cracks, radians.
    pub(crate) across: f32,
    /// Distance, pixels.
    pub(crate) spacing: f32,
    /// Depth in plane light.
    pub(crate) depth: f32,
}

/// One grain.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grain {
    pub(crate) mineral: Mineral,
    /// Birefringence in this section, at 589.3 nm.
    pub(crate) birefringence: f32,
    /// Azimuth of the slow ray, radians, anticlockwise as seen.
    pub(crate) azimuth: f32,
    /// Undulose extinction: swing of the azimuth, radians.
    pub(crate) undulose: f32,
    /// Absorbance of red, green, blue through 30 µm.
    pub(crate) colour: [f32; 3],
    /// Mean refractive index.
    pub(crate) index: f32,
    /// Specks and inclusions, 1 is usual.
    pub(crate) dirt: f32,
    /// Cloudy alteration, absorbance.
    pub(crate) cloud: f32,
    /// Flecks of sericite, share of the area.
    pub(crate) sericite: f32,
    pub(crate) twins: Twins,
    pub(crate) cleavage: [Option<Cleavage>; 2],
    /// Seed of its noise.
    pub(crate) seed: u32,
}

impl Grain {
    /// A grain of a mineral, turned at random; `um_per_px` scales its lamellae.
    pub(crate) fn new(mineral: Mineral, fabric: Fabric, um_per_px: f32, clutter: f32, dice: &mut Dice) -> Self {
        let look = look(mineral);
        let (birefringence, azimuth) = if mineral == Mineral::Quartz {
            let c = c_axis(fabric, dice);
            // Positive: the slow ray vibrates along the trace of the c-axis.
            (quartz_seen_at(c[2].clamp(-1.0, 1.0).acos()) as f32, c[1].atan2(c[0]) as f32)
        } else {
            random_section(&look, dice)
        };
        let px = 1.0 / um_per_px;
        let shade = dice.between(0.65, 1.35);
        let across = dice.between(0.0, std::f32::consts::PI);
        let mut grain = Self {
            mineral,
            birefringence,
            azimuth,
            undulose: 0.0,
            colour: look.colour.map(|c| c * shade * dice.between(0.93, 1.07)),
            index: look.index + 0.004 * dice.normal(),
            dirt: dice.log_normal(1.0, 0.6).max(0.35),
            cloud: 0.0,
            sericite: 0.0,
            twins: Twins::None,
            cleavage: [None, None],
            seed: dice.seed() >> 4,
        };
        let cleaved = |across: f32, spacing_um: f32, depth: f32, dice: &mut Dice| {
            Some(Cleavage {
                across,
                spacing: (dice.log_normal(spacing_um, 0.3) * px).max(5.0),
                depth: depth * dice.between(0.4, 1.4) * clutter.min(1.6),
            })
        };
        match mineral {
            Mineral::Quartz => {
                grain.undulose = if dice.chance(0.55) { dice.between(0.03, 0.3) } else { dice.between(0.0, 0.03) };
                grain.cloud = dice.log_normal(0.03, 0.8) * clutter;
            }
            Mineral::KFeldspar => {
                grain.cloud = dice.log_normal(0.14, 0.7) * clutter;
                grain.sericite = if dice.chance(0.4) { dice.between(0.0, 0.05) * clutter } else { 0.0 };
                grain.undulose = dice.between(0.0, 0.04);
                if dice.chance(0.45) {
                    grain.twins =
                        Twins::Tartan { across, width: dice.between(6.0, 18.0) * px, turn: dice.between(0.1, 0.26) };
                }
                if dice.chance(0.7) {
                    grain.cleavage[0] = cleaved(across, 28.0, 0.22, dice);
                }
                if dice.chance(0.35) {
                    grain.cleavage[1] = cleaved(across + 1.5, 45.0, 0.16, dice);
                }
            }
            Mineral::Plagioclase => {
                grain.cloud = dice.log_normal(0.06, 0.9) * clutter;
                grain.sericite = if dice.chance(0.5) { dice.between(0.0, 0.08) * clutter } else { 0.0 };
                grain.undulose = dice.between(0.0, 0.08);
                if dice.chance(0.85) {
                    grain.twins = Twins::Albite {
                        across,
                        width: dice.log_normal(16.0, 0.6) * px,
                        turn: dice.between(0.12, 0.7),
                        share: dice.between(0.7, 1.2),
                    };
                }
                if dice.chance(0.6) {
                    grain.cleavage[0] = cleaved(across, 32.0, 0.2, dice);
                }
            }
            Mineral::Biotite | Mineral::Muscovite => {
                // Laths show the cleavage along their length and the slow ray with it; set when the lath is laid.
                grain.cleavage[0] = cleaved(0.0, 8.0, 0.3, dice);
                grain.cloud = 0.05 * clutter;
                grain.undulose = 0.03;
            }
            Mineral::Calcite => {
                grain.twins = Twins::Albite { across, width: dice.between(8.0, 30.0) * px, turn: 0.5, share: 0.8 };
                grain.cleavage = [cleaved(across, 30.0, 0.3, dice), cleaved(across + 1.3, 38.0, 0.25, dice)];
                grain.cloud = 0.12 * clutter;
            }
            Mineral::Augite => {
                grain.cleavage = [cleaved(across, 22.0, 0.35, dice), cleaved(across + 1.52, 30.0, 0.3, dice)];
                grain.cloud = 0.08 * clutter;
            }
            Mineral::Olivine => grain.cloud = 0.06 * clutter,
            Mineral::Fragment => grain.cloud = dice.log_normal(0.2, 0.5) * clutter,
            Mineral::Clay => grain.cloud = 0.35 * clutter,
            Mineral::Opaque | Mineral::Pore => {}
        }
        grain
    }
}

/// A c-axis in x right, y up, z to the eye.
fn c_axis(fabric: Fabric, dice: &mut Dice) -> [f64; 3] {
    let v = dice.direction();
    let dot = |p: [f64; 3]| v[0] * p[0] + v[1] * p[1] + v[2] * p[2];
    let w: [f64; 3] = match fabric {
        Fabric::Random => v,
        Fabric::Cluster(pole, strength) => {
            let toward = strength * dot(pole).signum();
            std::array::from_fn(|k| v[k] + toward * pole[k])
        }
        Fabric::Girdle(pole, strength) => {
            let flat = dot(pole) * strength / (1.0 + strength);
            std::array::from_fn(|k| v[k] - flat * pole[k])
        }
    };
    let length = w.iter().map(|c| c * c).sum::<f64>().sqrt().max(1e-9);
    w.map(|c| c / length)
}

/// Birefringence and slow azimuth of a random section: δ·sinθ1·sinθ2 with the angles to the two optic axes.
fn random_section(look: &Look, dice: &mut Dice) -> (f32, f32) {
    let span = |r: [f64; 2], u: f64| r[0] + (r[1] - r[0]) * u;
    let full = span(look.birefringence, f64::from(dice.between(0.0, 1.0)));
    let v = 0.5 * span(look.two_v, f64::from(dice.between(0.0, 1.0))).to_radians();
    let d = dice.direction();
    let sine = |axis: [f64; 3]| {
        let c: f64 = (0..3).map(|k| axis[k] * d[k]).sum();
        (1.0 - c * c).max(0.0).sqrt()
    };
    let seen = full * sine([v.sin(), 0.0, v.cos()]) * sine([-v.sin(), 0.0, v.cos()]);
    (seen as f32, dice.between(0.0, std::f32::consts::PI))
}
