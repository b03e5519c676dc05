//! What a rendered slide is: the rock, how it was ground, the microscope, the camera and what went wrong.

use serde::Serialize;

use super::light::{Eye, Lamp};
use crate::slide::record::{Corner, Finish, Impregnation, Turned};

/// A rock and how its grains are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rock {
    /// Interlocking quartz with a little feldspar, mica and ore.
    Quartzite,
    /// Rounded quartz, feldspar and rock fragments with pores and clay.
    Sandstone,
    /// About 30 % quartz among feldspars and biotite.
    Granite,
    /// Plagioclase laths, augite, olivine, ore: no quartz.
    Gabbro,
    /// Twinned calcite: no quartz.
    Marble,
}

/// Preferred orientation of the c-axes of quartz.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fabric {
    /// Uniform on the sphere.
    Random,
    /// Drawn toward one pole (unit vector in x right, y up, z to the eye); 1 is weak, 3 strong.
    Cluster([f64; 3], f64),
    /// Drawn toward the plane normal to a pole; 1 is weak, 3 strong.
    Girdle([f64; 3], f64),
}

/// Thickness of the section as a plane; [`Scene::dome_um`] bends it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Wedge {
    /// Mean over the section, µm; without a dome also at its centre.
    pub centre_um: f64,
    /// Toward +x, µm per mm.
    pub gx_um_per_mm: f64,
    /// Toward +y (up), µm per mm.
    pub gy_um_per_mm: f64,
}

/// A field of view.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct View {
    /// Name.
    pub name: String,
    /// Centre, mm from the section's lower-left corner.
    pub centre_mm: [f64; 2],
}

/// How the camera chooses colour gains for a crossed photograph.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Balance {
    /// Set once on plane light, with this error of the gains (one standard deviation, a channel).
    Fixed(f64),
    /// Automatic on each photograph, going this share of the way to grey, 0..=1; EXIF says so.
    Automatic(f64),
}

/// What the photographs say about their exposure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Exif {
    /// Exact shutter times.
    Exact,
    /// Thirds of a stop under their usual labels (1/60 for 1/64), with f-number and ISO.
    Labels,
    /// None at all.
    None,
}

/// The camera.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CameraSpec {
    /// Colour.
    pub eye: Eye,
    /// Extra steepness of the curve at mid-grey, over sRGB: 0.2 is 20 % steeper.
    pub contrast: f64,
    /// White balance.
    pub balance: Balance,
    /// Metadata.
    pub exif: Exif,
    /// Electrons at full scale: shot noise.
    pub electrons: f64,
    /// Read noise, share of full scale.
    pub read_noise: f64,
    /// Blur of the optics, standard deviation in pixels.
    pub blur_px: f64,
    /// Fall of light at the corners, 0..1.
    pub vignette: f64,
    /// JPEG quality, or None for PNG.
    pub jpeg_quality: Option<u8>,
}

impl Default for CameraSpec {
    fn default() -> Self {
        Self {
            eye: Eye::ColorimeterGains,
            contrast: 0.0,
            balance: Balance::Fixed(0.0),
            exif: Exif::Labels,
            electrons: 20_000.0,
            read_noise: 0.0006,
            blur_px: 0.7,
            vignette: 0.08,
            jpeg_quality: Some(92),
        }
    }
}

/// Defects to plant in each field. Counts are for the whole field; ranges are uniform unless said otherwise.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Flaws {
    /// How many bubbles.
    pub bubbles: usize,
    /// Their diameters, µm.
    pub bubble_um: [f32; 2],
    /// Share of bubbles that are flat: a wall only.
    pub flat_share: f32,
    /// How many plucked areas.
    pub plucks: usize,
    /// Their share of the field, together, at most.
    pub pluck_share: f32,
    /// Share of plucked areas that are filled with air (the others with clear resin).
    pub air_share: f32,
    /// How many scratches.
    pub scratches: usize,
    /// Their length, µm.
    pub scratch_length_um: [f32; 2],
    /// Their width, µm.
    pub scratch_um: [f32; 2],
    /// Their contrast in plane light, 0..1.
    pub scratch_contrast: [f32; 2],
    /// Whether scratches come in sets of one direction.
    pub scratch_sets: bool,
    /// How many textile fibres, beside the fine ones that come with dust.
    pub fibres: usize,
    /// Their length, µm; short ones are the likelier.
    pub fibre_length_um: [f32; 2],
    /// Their width, µm.
    pub fibre_um: [f32; 2],
    /// How many areas that have come off the glass.
    pub lifted: usize,
    /// Their distance across, µm; small ones are the likelier.
    pub lifted_um: [f32; 2],
    /// Greatest thickness of the film of air under each, µm; thin ones are the likelier.
    pub film_um: [f32; 2],
}

impl Default for Flaws {
    fn default() -> Self {
        Self {
            bubbles: 0,
            bubble_um: [25.0, 250.0],
            flat_share: 0.2,
            plucks: 0,
            pluck_share: 0.08,
            air_share: 0.3,
            scratches: 0,
            scratch_length_um: [300.0, 2200.0],
            scratch_um: [1.2, 6.0],
            scratch_contrast: [0.08, 0.5],
            scratch_sets: false,
            fibres: 0,
            fibre_length_um: [200.0, 3000.0],
            fibre_um: [8.0, 40.0],
            lifted: 0,
            lifted_um: [300.0, 2400.0],
            film_um: [0.2, 4.0],
        }
    }
}

/// A slide to be rendered. Equal scenes render equal pictures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scene {
    /// Slide id and name of its folder.
    pub id: String,
    /// Everything random comes from here.
    pub seed: u64,
    /// Rock.
    pub rock: Rock,
    /// Resin in its pores.
    pub impregnation: Impregnation,
    /// Typical grain diameter, µm.
    pub grain_um: f32,
    /// Preferred orientation of quartz.
    pub fabric: Fabric,
    /// Thickness.
    pub wedge: Wedge,
    /// Centre over corners, µm: a dome of second order about the same mean; below 0 a dish.
    pub dome_um: f64,
    /// Width and height of the section, mm.
    pub section_mm: [f64; 2],
    /// Bevelled corner.
    pub mark_corner: Corner,
    /// Finish.
    pub finish: Finish,
    /// Whether it will still be polished.
    pub polish_to_come: bool,
    /// Target, µm.
    pub target_um: f64,
    /// Whether an off-cut is left.
    pub offcut_left: Option<bool>,
    /// Grinding micrometer's reading at the last pass, µm.
    pub micrometer_um: Option<f64>,
    /// How many sections were made since the micrometer's zero, this one counted.
    pub sequence: Option<u32>,
    /// Fields of view.
    pub views: Vec<View>,
    /// Scale, µm per pixel.
    pub um_per_px: f64,
    /// Picture width and height, pixels.
    pub size_px: [usize; 2],
    /// Angles of the crossed photographs, degrees.
    pub angles_deg: Vec<f64>,
    /// What is turned.
    pub turned: Turned,
    /// For a turned stage: the picture turns by this times the stated angle, anticlockwise as seen: 1 or -1.
    pub stage_sense: f64,
    /// For a turned stage: the pivot, pixels from the centre of the picture.
    pub pivot_px: [f64; 2],
    /// Greatest shift of a crossed photograph against the plane one, pixels.
    pub shift_px: f64,
    /// Crossed photographs of each field that moved while they were exposed: which, and from one end to the other, pixels.
    pub moved: Vec<(usize, [f64; 2])>,
    /// Lamp.
    pub lamp: Lamp,
    /// Camera.
    pub camera: CameraSpec,
    /// Light through the crossed polars without any crystal, share of parallel polars.
    pub leakage: f64,
    /// How far the polars are from crossed, degrees.
    pub polars_off_deg: f64,
    /// Retardation of a plate that was left in, its slow axis at 45 degrees between the polars, nm.
    pub plate_nm: Option<f64>,
    /// Exposure of the crossed photographs over the one that just avoids clipping.
    pub overexposure: f64,
    /// Dirt of the rock: 1 is usual, 0.4 clean, 2.6 very dirty.
    pub clutter: f32,
    /// Planted defects.
    pub flaws: Flaws,
    /// Round things that the rock has of itself (filled vesicles, spherulites), a field: no bubbles.
    pub rounds: usize,
    /// A hair in the eyepiece: its ends in every photograph, pixels; it does not turn with the stage.
    pub eyepiece_hair: Option<[[f64; 2]; 2]>,
    /// Burn a scale bar into every photograph.
    pub scale_bar: bool,
    /// Write `slide.toml`.
    pub record: bool,
}

impl Scene {
    /// A sound slide of this rock: 30 µm, one field, four angles, 1200 x 900 px at 1.6 µm.
    #[must_use]
    pub fn new(id: &str, seed: u64, rock: Rock) -> Self {
        Self {
            id: id.to_owned(),
            seed,
            rock,
            impregnation: if rock == Rock::Sandstone { Impregnation::Blue } else { Impregnation::None },
            grain_um: match rock {
                Rock::Quartzite => 190.0,
                Rock::Sandstone => 220.0,
                Rock::Granite => 300.0,
                Rock::Gabbro => 330.0,
                Rock::Marble => 350.0,
            },
            fabric: Fabric::Random,
            wedge: Wedge { centre_um: 30.0, gx_um_per_mm: 0.0, gy_um_per_mm: 0.0 },
            dome_um: 0.0,
            section_mm: [40.0, 24.0],
            mark_corner: Corner::TopLeft,
            finish: Finish::Uncovered,
            polish_to_come: false,
            target_um: 30.0,
            offcut_left: Some(true),
            micrometer_um: None,
            sequence: None,
            views: vec![View { name: "A".into(), centre_mm: [20.0, 12.0] }],
            um_per_px: 1.6,
            size_px: [1200, 900],
            angles_deg: vec![0.0, 22.5, 45.0, 67.5],
            turned: Turned::Polars,
            stage_sense: 1.0,
            pivot_px: [0.0, 0.0],
            shift_px: 1.5,
            moved: Vec::new(),
            lamp: Lamp::Tungsten { kelvin: 2900.0 },
            camera: CameraSpec::default(),
            leakage: 0.0006,
            polars_off_deg: 0.0,
            plate_nm: None,
            overexposure: 1.0,
            clutter: 1.0,
            flaws: Flaws::default(),
            rounds: 0,
            eyepiece_hair: None,
            scale_bar: false,
            record: true,
        }
    }

    /// The same slide with five fields: near the four corners and the centre.
    #[must_use]
    pub fn five_fields(mut self) -> Self {
        let [w, h] = self.section_mm;
        let at = [("A", 0.15, 0.82), ("B", 0.85, 0.82), ("C", 0.5, 0.5), ("D", 0.15, 0.18), ("E", 0.85, 0.18)];
        self.views = at.iter().map(|&(n, x, y)| View { name: n.into(), centre_mm: [x * w, y * h] }).collect();
        self
    }

    /// The same slide with nine fields: three rows of three.
    #[must_use]
    pub fn nine_fields(mut self) -> Self {
        let [w, h] = self.section_mm;
        let places = [0.82, 0.5, 0.18].into_iter().flat_map(|y| [0.15, 0.5, 0.85].map(|x| [x * w, y * h]));
        self.views = places.zip('A'..).map(|(centre_mm, n)| View { name: n.into(), centre_mm }).collect();
        self
    }

    /// Least and greatest thickness over the section, µm, looked for on a grid of half a per cent of its size.
    #[must_use]
    pub fn extremes_um(&self) -> [f64; 2] {
        let [w, h] = self.section_mm;
        let share = |i: usize| i as f64 / 200.0;
        let places = (0..=200).flat_map(|i| (0..=200).map(move |j| [share(i) * w, share(j) * h]));
        places
            .map(|at| self.thickness_um(at))
            .fold([f64::INFINITY, f64::NEG_INFINITY], |[l, m], t| [l.min(t), m.max(t)])
    }

    /// Thickness at a place of the section, µm; `at_mm` from its lower-left corner.
    #[must_use]
    pub fn thickness_um(&self, at_mm: [f64; 2]) -> f64 {
        let [w, h] = self.section_mm;
        let Wedge { centre_um, gx_um_per_mm, gy_um_per_mm } = self.wedge;
        let (x, y) = (at_mm[0] - 0.5 * w, at_mm[1] - 0.5 * h);
        // Half of it along each axis; 1/3 is the mean of a square over -1..1.
        let fallen = 0.5 * ((2.0 * x / w).powi(2) + (2.0 * y / h).powi(2));
        centre_um + gx_um_per_mm * x + gy_um_per_mm * y + self.dome_um * (1.0 / 3.0 - fallen)
    }

    /// Place on the section of a pixel of a field's plane photograph, mm.
    #[must_use]
    pub fn place_mm(&self, view: &View, x_px: f64, y_px: f64) -> [f64; 2] {
        let [w, h] = self.size_px.map(|n| n as f64);
        let mm = self.um_per_px / 1000.0;
        [view.centre_mm[0] + (x_px - 0.5 * (w - 1.0)) * mm, view.centre_mm[1] - (y_px - 0.5 * (h - 1.0)) * mm]
    }
}
