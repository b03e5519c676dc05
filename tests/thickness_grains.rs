//! Thickness from grains alone: colours computed directly from spectra, so that the fit is tested without any photograph.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use thinproof::optics::Lamp;
use thinproof::optics::interference::transmittance;
use thinproof::optics::lamp::{COUNT, Spectrum, wavelengths};
use thinproof::optics::observer::{WhiteScaling, camera_weights};
use thinproof::optics::{quartz, srgb};
use thinproof::section::crystals::{Crystal, Crystals};
use thinproof::section::extinction::AngleDesign;
use thinproof::thickness::{FieldCrystals, SectionSize, Thickness, Yardstick, measure};
use thinproof::units::{MicrometresPerPixel, Nanometres};

/// A field of random quartz grains under one lamp.
#[derive(Clone)]
pub(crate) struct Field {
    pub(crate) seed: u64,
    pub(crate) grains: usize,
    pub(crate) thickness_um: f64,
    pub(crate) lamp: Lamp,
    /// A lamp that no [`Lamp`] describes, on the wavelength grid.
    pub(crate) spectrum: Option<Spectrum>,
    pub(crate) scaling: WhiteScaling,
    /// A camera that no [`WhiteScaling`] describes: three weights a wavelength, with the lamp in them.
    pub(crate) weights: Option<Vec<[f64; 3]>>,
    pub(crate) angles_deg: Vec<f64>,
    pub(crate) exposure_known: bool,
    pub(crate) gains: [f64; 3],
    pub(crate) auto_white_balance: bool,
    pub(crate) centre_mm: Option<[f64; 2]>,
    /// Largest birefringence over that of quartz.
    pub(crate) ratio: f64,
    /// Optic axial angle 2V, degrees.
    pub(crate) two_v: f64,
    /// Share of the grains that are a mineral of 0.7 times the birefringence, as clear as quartz.
    pub(crate) lookalikes: f64,
    /// How many times as far from grey as it saw them the camera stores colours.
    pub(crate) vividness: f64,
}

impl Default for Field {
    fn default() -> Self {
        Self {
            seed: 1,
            grains: 60,
            thickness_um: 30.0,
            lamp: Lamp::Planck(3050.0),
            spectrum: None,
            scaling: WhiteScaling::Channels,
            weights: None,
            angles_deg: vec![0.0, 22.5, 45.0, 67.5],
            exposure_known: true,
            gains: [1.0; 3],
            auto_white_balance: false,
            centre_mm: None,
            ratio: 1.0,
            two_v: 0.0,
            lookalikes: 0.0,
            vividness: 1.0,
        }
    }
}

impl Field {
    pub(crate) fn crystals(&self) -> FieldCrystals {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let described = || camera_weights(self.spectrum.as_ref().unwrap_or(&self.lamp.spectrum()), self.scaling);
        let weights = self.weights.clone().unwrap_or_else(described);
        let angles: Vec<f64> = self.angles_deg.iter().map(|a| a.to_radians()).collect();
        let crystals = (0..self.grains)
            .map(|i| {
                // Γ/Γmax = sin θ₁ sin θ₂ with θ the angles to the two optic axes; one axis when 2V is 0.
                let z: f64 = rng.random();
                let turned = rng.random::<f64>() * std::f64::consts::PI;
                let x = (1.0 - z * z).sqrt() * turned.cos();
                let (sin, cos) = (0.5 * self.two_v).to_radians().sin_cos();
                let sine = |c: f64| (1.0 - c * c).max(0.0).sqrt();
                let lookalike = self.lookalikes > 0.0 && rng.random::<f64>() < self.lookalikes;
                let nm = quartz::largest_retardation(thinproof::units::Micrometres::from_um(self.thickness_um)).nm()
                    * self.ratio
                    * if lookalike { 0.7 } else { 1.0 }
                    * sine(x * sin + z * cos)
                    * sine(z * cos - x * sin);
                let t = transmittance(Nanometres::from_nm(nm), quartz::dispersion);
                let phi = rng.random::<f64>() * std::f64::consts::PI;
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                let bright = (0.015 * normal()).exp();
                let colour: [f64; 3] = std::array::from_fn(|c| {
                    let clean = (0..COUNT).map(|i| t[i] * weights[i][c]).sum::<f64>().max(0.0);
                    clean * bright * self.gains[c] * (0.006 * normal()).exp()
                });
                let ratio = angles
                    .iter()
                    .map(|a| {
                        let s = (2.0 * (phi - a)).sin().powi(2);
                        let noise = 0.002 * normal();
                        self.stored(colour.map(|k| (k * s + 0.004 + noise).max(0.0)))
                    })
                    .collect();
                Crystal {
                    x_px: 60.0 + 100.0 * (i % 10) as f64,
                    y_px: 60.0 + 100.0 * (i / 10) as f64,
                    area_px: 4000.0,
                    ratio,
                    clipped: vec![0.0; angles.len()],
                    unseen: vec![0.0; angles.len()],
                    plane: [PLANE; 3],
                    coherence: 1.0,
                    scatter: 0.03,
                    looks: [0.0, -0.357, 0.0],
                    plane_mottle: 0.02,
                    plane_gradient: [0.0; 3],
                    long_axis: [0.0; 2],
                    wholeness: 0.85,
                    cells: 700,
                    twinned: false,
                    cut_by_frame: false,
                    alike: 0,
                    alike_cells: 700,
                    colourless: 0.95,
                    quartz: 0.8,
                    parts: vec![2 * i as u32 + 1 + u32::from(lookalike)],
                }
            })
            .collect();
        FieldCrystals {
            name: "A".into(),
            crystals: Crystals {
                bin: 2,
                labels: ndarray::Array2::zeros((1, 1)),
                crystals,
                design: AngleDesign::new(&angles),
            },
            centre_mm: self.centre_mm,
            scale: Some(MicrometresPerPixel::from_um_per_px(1.6)),
            size_px: [1100, 900],
            exposure_known: self.exposure_known,
            exposure_scale: vec![1.0; angles.len()],
            balance: vec![[1.0; 3]; angles.len()],
            auto_white_balance: self.auto_white_balance,
            leak: [0.004; 3],
            smeared: None,
        }
    }
}

/// Plane light of every crystal, share of full scale.
const PLANE: f64 = 0.7;

impl Field {
    /// Crossed over plane light as a photograph stores it: luma and colour differences (ITU-R BT.601) of light encoded as sRGB has it, plane
    /// light being neutral.
    fn stored(&self, ratio: [f64; 3]) -> [f64; 3] {
        if self.vividness == 1.0 {
            return ratio;
        }
        let encoded = ratio.map(|r| srgb::encode((PLANE * r).min(1.0)));
        let luma = 0.299 * encoded[0] + 0.587 * encoded[1] + 0.114 * encoded[2];
        encoded.map(|e| srgb::decode((luma + self.vividness * (e - luma)).clamp(0.0, 1.0)) / PLANE)
    }
}

/// A field of 30 and one of 22 µm, without places on the section: neither is the thickness of all of it.
#[test]
fn fields_without_places_need_not_be_equally_thick() {
    for centres in [[None; 2], [Some([5.0, 12.0]), Some([35.0, 12.0])]] {
        let fields = [(1, 30.0), (2, 22.0)]
            .map(|(seed, thickness_um)| Field { seed, thickness_um, ..Field::default() })
            .into_iter()
            .zip(centres)
            .map(|(field, centre_mm)| Field { centre_mm, ..field }.crystals())
            .collect::<Vec<_>>();
        let Thickness::Measured(s) = measure(&fields, SectionSize::default(), &Yardstick::quartz()) else {
            panic!("not measured")
        };
        for (name, found, truth) in
            [("mean", s.mean_um, 26.0), ("thinnest", s.at_thinnest_um, 22.0), ("thickest", s.at_thickest_um, 30.0)]
        {
            assert!((found.value - truth).abs() < 0.5, "{name}: {}", found.value);
            assert!(found.interval[0] < truth + 0.1 && found.interval[1] > truth - 0.1, "{name}: {:?}", found.interval);
        }
    }
    // Fields that agree hold each other up.
    let alike = [1, 2].map(|seed| Field { seed, ..Field::default() }.crystals());
    let Thickness::Measured(s) = measure(&alike, SectionSize::default(), &Yardstick::quartz()) else {
        panic!("not measured")
    };
    assert!(
        (s.at_thickest_um.value - s.at_thinnest_um.value).abs() < 0.4,
        "{:?} {:?}",
        s.at_thinnest_um,
        s.at_thickest_um
    );
}

/// Under first-order white (some 200 nm; Nesse, Introduction to Optical Mineralogy, colour chart) all is grey: only its brightness
/// tells how much it is.
#[test]
fn grey_without_a_recorded_exposure_tells_no_thickness() {
    let thin = |exposure_known| Field { seed: 4, thickness_um: 14.0, exposure_known, ..Field::default() };
    let of = |field: Field| measure(&[field.crystals()], SectionSize::default(), &Yardstick::quartz());
    let Thickness::Measured(surface) = of(thin(true)) else { panic!("its brightness is known") };
    assert!((surface.mean_um.value - 14.0).abs() < 0.5, "{:?}", surface.mean_um);
    let Thickness::NotMeasurable { next, .. } = of(thin(false)) else { panic!("grey of any thickness") };
    assert!(next.contains("exposure"), "{next}");
}

/// A field that moved while the shutter was open carries nothing; others carry the section.
#[test]
fn smeared_fields_are_left_out() {
    let still = Field::default().crystals();
    let mut moved = Field { seed: 2, ..Field::default() }.crystals();
    moved.crystals.crystals.clear();
    moved.smeared = Some("B_xpl_0.jpg".into());
    let of = |fields: &[FieldCrystals]| measure(fields, SectionSize::default(), &Yardstick::quartz());
    assert!(matches!(of(&[still, moved.clone()]), Thickness::Measured(_)));
    let Thickness::NotMeasurable { why, .. } = of(&[moved]) else { panic!("nothing stood still") };
    assert!(why.starts_with("B_xpl_0.jpg is smeared"), "{why}");
}

/// A published range of birefringence, and a section measured by that mineral: the range is in the interval.
#[test]
fn a_named_feldspar_measures_a_rock_without_quartz() {
    for (name, birefringence, two_v) in [("orthoclase", 0.0065, 55.0), ("plagioclase", 0.010, 82.0)] {
        let yardstick = Yardstick::named(name).expect("a feldspar");
        let mineral = yardstick.mineral;
        let mut field = Field { grains: 90, ratio: birefringence / 0.0091, two_v, ..Field::default() }.crystals();
        field.look_for_any_colourless();
        let Thickness::Measured(s) = measure(&[field], SectionSize::default(), &yardstick) else {
            panic!("{name} is not measurable");
        };
        let [low, high] = s.mean_um.interval;
        assert!(low < 30.0 && 30.0 < high, "{name}: {:?}", s.mean_um);
        // 95 % of an even range of birefringence, at the least.
        let share = 0.9 * (mineral.high - mineral.low) / (mineral.high + mineral.low);
        assert!(0.5 * (high - low) > 0.9 * share * 30.0, "{name}: {:?} is narrower than the range", s.mean_um);
        assert_eq!(s.mineral, name);
    }
}

/// White LEDs as they are made, none of them in the family that is tried: blue lines from 446 to 460 nm, one broad phosphor or a
/// green and a red one.
#[test]
fn a_lamp_of_no_known_kind_is_covered_by_the_interval() {
    let bell = |nm: f64, centre: f64, sd: f64| (-0.5 * ((nm - centre) / sd).powi(2)).exp();
    let mut covered = 0;
    for i in 0..12 {
        let part = f64::from(i) / 11.0;
        let (blue_nm, blue) = (446.0 + 14.0 * part, [0.4, 0.8, 1.3][i as usize % 3]);
        let spectrum = wavelengths()
            .map(|nm| {
                let phosphor = if i % 2 == 0 {
                    bell(nm, 598.0 - 46.0 * part, 50.0 + 12.0 * part)
                } else {
                    bell(nm, 535.0, 42.0) + (0.3 + 0.6 * part) * bell(nm, 625.0, 40.0)
                };
                blue * bell(nm, blue_nm, 11.0) + phosphor
            })
            .collect();
        let field = Field {
            seed: 400 + i as u64,
            thickness_um: 24.0 + 2.3 * f64::from(i),
            spectrum: Some(spectrum),
            ..Field::default()
        };
        let Thickness::Measured(s) = measure(&[field.crystals()], SectionSize::default(), &Yardstick::quartz()) else {
            panic!("lamp {i} is not measurable");
        };
        let error = s.mean_um.value - field.thickness_um;
        let [low, high] = s.mean_um.interval;
        println!("{i}: {:.1} {error:+.2} [{low:.2} {high:.2}] {}", field.thickness_um, s.lamp);
        assert!(error.abs() < 0.03 * field.thickness_um, "lamp {i}: {error:+.2} of {}", field.thickness_um);
        covered += usize::from(low < field.thickness_um && field.thickness_um < high);
    }
    assert!(covered >= 11, "{covered} of 12 lamps covered");
}

/// Where a clear mineral looks like quartz, the preparator's marks say which is which.
#[test]
fn marks_are_believed() {
    let mut field = Field { grains: 60, lookalikes: 0.6, seed: 5, ..Field::default() }.crystals();
    let n = field.crystals.crystals.len();
    // One cell a crystal in a row of labels, as the marks find them.
    field.crystals.labels = ndarray::Array2::from_shape_fn((1, n), |(_, x)| field.crystals.crystals[x].parts[0]);
    field.crystals.bin = 10;
    let quartz: Vec<usize> = (0..n).filter(|i| field.crystals.crystals[*i].parts[0] % 2 == 1).collect();
    let spot = |i: usize| [10.0 * i as f64, 0.0, 10.0 * i as f64 + 1.0, 1.0];
    let unmarked = measure(&[field.clone()], SectionSize::default(), &Yardstick::quartz());
    let lost = field.believe(&quartz.iter().map(|i| spot(*i)).collect::<Vec<_>>());
    assert!(lost.is_empty(), "{lost:?}");
    for (i, crystal) in field.crystals.crystals.iter().enumerate() {
        assert_eq!(crystal.quartz > 0.9, quartz.contains(&i), "crystal {i}: {}", crystal.quartz);
    }
    let Thickness::Measured(marked) = measure(&[field.clone()], SectionSize::default(), &Yardstick::quartz()) else {
        panic!("marked quartz is measured");
    };
    let [low, high] = marked.mean_um.interval;
    assert!(low < 30.0 && 30.0 < high && high - low < 2.0, "{:?}", marked.mean_um);
    if let Thickness::Measured(s) = unmarked {
        assert!(s.mean_um.interval[1] - s.mean_um.interval[0] > high - low, "marks must say something");
    }
    field.crystals.labels.fill(0);
    assert_eq!(field.believe(&[spot(3)]), vec![spot(3)], "a mark on no crystal is given back");
}

fn measured(fields: &[Field]) -> Box<thinproof::thickness::ThicknessSurface> {
    let crystals: Vec<FieldCrystals> = fields.iter().map(Field::crystals).collect();
    match measure(&crystals, SectionSize { width_mm: Some(40.0), height_mm: Some(24.0) }, &Yardstick::quartz()) {
        Thickness::Measured(surface) => surface,
        Thickness::NotMeasurable { why, .. } => panic!("not measurable: {why}"),
    }
}

#[test]
fn four_angles_give_the_thickness_within_its_interval() {
    let mut errors = Vec::new();
    let mut covered = 0;
    for (i, thickness_um) in [20.0, 25.0, 28.0, 30.0, 32.0, 35.0, 41.0, 48.0, 55.0, 62.0].into_iter().enumerate() {
        let lamp = [Lamp::Planck(3050.0), Lamp::D65, Lamp::Led { blue: 0.75, phosphor_nm: 565.0 }][i % 3];
        let s = measured(&[Field { seed: 10 + i as u64, thickness_um, lamp, ..Field::default() }]);
        let error = s.mean_um.value - thickness_um;
        println!(
            "{thickness_um} {lamp}: {:.2} {:?} {} {}",
            s.mean_um.value, s.mean_um.interval, s.lamp, s.quartz_grains
        );
        covered += usize::from((s.mean_um.interval[0]..s.mean_um.interval[1]).contains(&thickness_um));
        errors.push(error.abs());
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors[5] < 0.2 && errors[9] < 0.8, "{errors:?}");
    assert!(covered >= 8, "{covered} of 10 covered");
}

#[test]
fn every_kind_of_input_gives_an_interval_that_holds_the_truth() {
    // Name, field, largest error and largest half-interval allowed, µm.
    let one = || vec![45.0];
    let inputs = [
        ("one photograph", Field { angles_deg: one(), ..Field::default() }, 0.5, 1.5),
        ("two angles 45° apart", Field { angles_deg: vec![0.0, 45.0], ..Field::default() }, 0.5, 1.5),
        ("no EXIF", Field { exposure_known: false, gains: [0.62; 3], ..Field::default() }, 0.5, 1.5),
        (
            "auto white balance",
            Field { auto_white_balance: true, gains: [0.9, 1.0, 1.25], ..Field::default() },
            0.7,
            2.0,
        ),
        (
            "one, no EXIF",
            Field { angles_deg: one(), exposure_known: false, gains: [0.62; 3], ..Field::default() },
            1.5,
            3.0,
        ),
    ];
    for (name, field, most, widest) in inputs {
        let m = measured(&[field]).mean_um;
        assert!((m.value - 30.0).abs() < most, "{name}: {m:?}");
        assert!(m.interval[0] < 30.0 && 30.0 < m.interval[1], "{name}: {m:?}");
        assert!(m.interval[1] - m.interval[0] < 2.0 * widest, "{name}: {m:?}");
    }
}

#[test]
fn one_grain_carries_no_thickness() {
    for grains in [1, 3, 5] {
        let crystals = Field { grains, ..Field::default() }.crystals();
        let said = measure(&[crystals], SectionSize::default(), &Yardstick::quartz());
        assert!(matches!(said, Thickness::NotMeasurable { .. }), "{grains} grains: {said:?}");
    }
}

#[test]
fn a_wedge_over_five_fields() {
    let (gx, gy) = (0.08, -0.05);
    let fields: Vec<Field> = [[8.0, 5.0], [32.0, 5.0], [8.0, 19.0], [32.0, 19.0], [20.0, 12.0]]
        .iter()
        .enumerate()
        .map(|(i, c)| Field {
            seed: 50 + i as u64,
            thickness_um: 31.0 + gx * (c[0] - 20.0) + gy * (c[1] - 12.0),
            centre_mm: Some(*c),
            ..Field::default()
        })
        .collect();
    let s = measured(&fields);
    let g = s.gradient_um_per_mm.expect("fields are spread");
    assert!((g[0].value - gx).abs() < 0.02 && (g[1].value - gy).abs() < 0.03, "{g:?}");
    assert!((s.mean_um.value - 31.0).abs() < 0.3, "{:?}", s.mean_um);
}
