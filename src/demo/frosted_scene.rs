//! What a rendered frosted slide is made of: glass, frosting, what lies behind, lamp and camera.

use super::dice::Dice;
use crate::frosting::Light;
use crate::slide::Corner;

/// How the frosting breaks up the light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frost {
    /// Even grain, normally distributed.
    Grain,
    /// Pits: a quiet face with many bright specks.
    Pits,
    /// Short fine arcs of the lap over a cloudy face.
    Swirls,
}

/// What lies under the slide or behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ground {
    /// Black cloth with its weave.
    Cloth,
    /// Smooth black card.
    Card,
    /// Dark wood with straight grain.
    Wood,
    /// Stone bench top with specks.
    Bench,
    /// A light table that fills the picture.
    Table,
    /// A light table whose rim shows.
    TableWithRim,
    /// A window with something dark and blurred outside.
    Window,
}

/// Where a patch lies that the wheel has not reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Place {
    /// Along an edge: 0 left, 1 top, 2 right, 3 bottom; depth in mm, and how much deeper one end is (-1..1).
    Edge(usize, f32, f32),
    /// Over a corner: 0 top-left, 1 top-right, 2 bottom-right, 3 bottom-left; reach in mm.
    Corner(usize, f32),
    /// A hollow: centre as a share of the size, half axes in mm.
    Hollow([f32; 2], [f32; 2]),
}

/// A patch still glossy; its clearness falls from one to nothing over `rim_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Patch {
    /// Where.
    pub place: Place,
    /// Width of the graded rim, mm.
    pub rim_mm: f32,
}

/// Water on the frosting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Water {
    /// Centre as a share of the size.
    pub at: [f32; 2],
    /// Half axes, mm.
    pub half_mm: [f32; 2],
    /// How much of the scatter it takes away in its middle, 0..1.
    pub fills: f32,
    /// Width of its edge, mm.
    pub edge_mm: f32,
    /// It stands as a drop: highlights and a bright or dark rim.
    pub drop: bool,
}

/// A lamp mirrored in the glass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glare {
    /// Centre as a share of the size.
    pub at: [f32; 2],
    /// Half axes, mm.
    pub half_mm: [f32; 2],
    /// Width of its edge, mm.
    pub soft_mm: f32,
    /// Light over full scale.
    pub strength: f32,
}

/// A groove of a coarser grit, mm on the slide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Groove {
    /// Ends.
    pub ends: [[f32; 2]; 2],
    /// Width, mm.
    pub width_mm: f32,
    /// Share of the light it adds or takes.
    pub depth: f32,
}

/// A slide and the photograph that is taken of it.
#[derive(Clone, Debug)]
pub struct FrostedScene {
    /// Seed of all chance.
    pub seed: u64,
    /// Photograph, pixels.
    pub size_px: [usize; 2],
    /// Glass, mm: width and height as it lies in the picture before it is tilted.
    pub glass_mm: [f32; 2],
    /// Scale at the middle of the slide.
    pub px_per_mm: f32,
    /// Turn of the slide, degrees.
    pub turn_deg: f32,
    /// Shift of the four corners from a true rectangle, share of the long side (perspective).
    pub skew: [[f32; 2]; 4],
    /// Shift of the slide's centre from the picture's, pixels.
    pub shift_px: [f32; 2],
    /// Bevelled corner with both legs, mm.
    pub bevel: Option<(Corner, [f32; 2])>,
    /// How it is lit.
    pub light: Light,
    /// What lies behind.
    pub ground: Ground,
    /// Texture of the frosting.
    pub frost: Frost,
    /// Size of its grain, mm, and contrast.
    pub grain: [f32; 2],
    /// Reflectance (oblique) or transmittance (transmitted) of frosted glass.
    pub whiteness: f32,
    /// Patches still glossy.
    pub patches: Vec<Patch>,
    /// The whole face is still glossy.
    pub all_glossy: bool,
    /// Water.
    pub water: Vec<Water>,
    /// Mirrored lamps.
    pub glares: Vec<Glare>,
    /// A fingerprint: centre as a share of the size.
    pub print: Option<[f32; 2]>,
    /// Pencil writing: start as a share of the size.
    pub label: Option<[f32; 2]>,
    /// Grooves.
    pub grooves: Vec<Groove>,
    /// How strongly the edges of the glass show.
    pub rim_light: f32,
    /// Slope of the light over the picture, per half side, x and y.
    pub slope: [f32; 2],
    /// Full well in electrons; less is noisier.
    pub electrons: f32,
    /// Blur, pixels.
    pub blur_px: f32,
    /// Darkening of the picture's corners.
    pub vignette: f32,
    /// Exposure: what dry frosting (oblique) or the bare light (transmitted) comes to at the middle, share of full scale.
    pub exposure: f32,
    /// Gains of red and blue.
    pub tint: [f32; 2],
    /// Contrast of the camera's curve on top of sRGB.
    pub contrast: f32,
    /// Quality of the JPEG; None keeps the samples.
    pub jpeg: Option<u8>,
}

/// What is wrong with a scene drawn by [`FrostedScene::varied`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Frosted all over and dry.
    Frosted,
    /// One to three glossy patches, dry.
    Patched,
    /// Frosted all over, but wet.
    Wet,
    /// Frosted all over, with a glare.
    Glare,
    /// Frosted all over, with a fingerprint.
    Print,
    /// Not yet frosted at all.
    Glossy,
    /// Glossy patches, and a small glare or a drop besides.
    Both,
}

impl FrostedScene {
    /// A plain dry scene in good light: 46 x 27 mm at 9.8 pixels per mm, no tilt, nothing on it.
    #[must_use]
    pub fn plain(seed: u64, light: Light) -> Self {
        Self {
            seed,
            size_px: [570, 390],
            glass_mm: [46.0, 27.0],
            px_per_mm: 9.8,
            turn_deg: 0.0,
            skew: [[0.0; 2]; 4],
            shift_px: [0.0; 2],
            bevel: None,
            light,
            ground: if light == Light::Oblique { Ground::Card } else { Ground::Table },
            frost: Frost::Grain,
            grain: [0.08, 0.12],
            whiteness: 0.5,
            patches: Vec::new(),
            all_glossy: false,
            water: Vec::new(),
            glares: Vec::new(),
            print: None,
            label: None,
            grooves: Vec::new(),
            rim_light: 0.8,
            slope: [0.1, 0.05],
            electrons: 15_000.0,
            blur_px: 0.8,
            vignette: 0.05,
            exposure: if light == Light::Oblique { 0.45 } else { 0.8 },
            tint: [1.0, 1.0],
            contrast: 0.0,
            jpeg: Some(92),
        }
    }

    /// A scene drawn at random of the given kind: size, tilt, bevel, ground, light, frosting, camera.
    #[must_use]
    pub fn varied(seed: u64, kind: Kind) -> Self {
        let mut dice = Dice::new(seed, 0xf057 + kind as u64);
        let light = if dice.chance(0.5) { Light::Oblique } else { Light::Transmitted };
        let mut scene = Self::plain(seed, light);
        let long = dice.between(700.0, 1500.0);
        let glass = [[46.0, 27.0], [48.0, 28.0], [75.0, 25.0], [60.0, 45.0], [76.0, 26.0]][dice.index(5)];
        scene.glass_mm = if dice.chance(0.3) { [glass[1], glass[0]] } else { glass };
        scene.px_per_mm = long * dice.between(0.62, 0.84) / glass[0];
        scene.turn_deg = if dice.chance(0.7) { 4.0 * dice.normal() } else { dice.between(-40.0, 40.0) };
        let (s, c) = scene.turn_deg.to_radians().sin_cos();
        let reach = [0, 1].map(|k| {
            let other = 1 - k;
            (scene.glass_mm[k] * c.abs() + scene.glass_mm[other] * s.abs()) * scene.px_per_mm
        });
        scene.size_px = reach.map(|r| (r * dice.between(1.14, 1.5)) as usize + 16);
        scene.shift_px = [0, 1].map(|k| (scene.size_px[k] as f32 - reach[k] - 16.0) * 0.3 * dice.between(-1.0, 1.0));
        for corner in &mut scene.skew {
            *corner = [0.012 * dice.normal().clamp(-2.0, 2.0), 0.012 * dice.normal().clamp(-2.0, 2.0)];
        }
        let corners = [Corner::TopLeft, Corner::TopRight, Corner::BottomLeft, Corner::BottomRight];
        if dice.chance(0.8) {
            let leg = dice.between(2.5, 7.0);
            scene.bevel = Some((corners[dice.index(4)], [leg * dice.between(0.8, 1.25), leg]));
        }
        let grounds: &[Ground] = match light {
            Light::Oblique => &[Ground::Cloth, Ground::Card, Ground::Wood, Ground::Bench],
            Light::Transmitted => &[Ground::Table, Ground::TableWithRim, Ground::Window],
        };
        scene.ground = grounds[dice.index(grounds.len())];
        let room = if scene.ground == Ground::TableWithRim { 1.12 } else { 1.0 };
        scene.size_px = scene.size_px.map(|s| (s as f32 * room) as usize + 20);
        scene.frost = [Frost::Grain, Frost::Pits, Frost::Swirls][dice.index(3)];
        scene.grain = [dice.between(0.03, 0.14), dice.between(0.04, 0.22)];
        scene.whiteness = match light {
            Light::Oblique => dice.between(0.22, 0.6),
            Light::Transmitted => dice.between(0.35, 0.72),
        };
        scene.rim_light = dice.between(0.25, 1.3);
        scene.slope =
            [0, 1].map(|_| (if light == Light::Oblique { 0.22 } else { 0.12 }) * dice.normal().clamp(-1.8, 1.8));
        scene.electrons = dice.log_normal(9_000.0, 0.7);
        scene.blur_px = dice.between(0.5, 1.6);
        scene.vignette = dice.between(0.0, 0.3);
        scene.exposure = match light {
            Light::Oblique => dice.between(0.22, 0.6),
            Light::Transmitted => dice.between(0.45, 0.8),
        };
        scene.tint = [dice.between(0.85, 1.25), dice.between(0.8, 1.2)];
        scene.contrast = if dice.chance(0.5) { dice.between(0.0, 0.35) } else { 0.0 };
        scene.jpeg = if dice.chance(0.85) { Some(72 + dice.index(25) as u8) } else { None };
        if dice.chance(0.3) {
            scene.label = Some([dice.between(0.1, 0.5), dice.between(0.15, 0.8)]);
        }
        if dice.chance(0.25) {
            scene.grooves = grooves(&mut dice, scene.glass_mm);
        }
        scene.furnish(&mut dice, kind);
        scene
    }

    fn furnish(&mut self, dice: &mut Dice, kind: Kind) {
        let within = |dice: &mut Dice| [dice.between(0.2, 0.8), dice.between(0.2, 0.8)];
        if matches!(kind, Kind::Patched | Kind::Both) {
            for _ in 0..1 + dice.index(3) {
                let patch = patch(dice, self.glass_mm);
                self.patches.push(patch);
            }
        }
        if kind == Kind::Wet || (kind == Kind::Both && dice.chance(0.5)) {
            let drop = dice.chance(0.6);
            for _ in 0..if drop { 2 + dice.index(7) } else { 1 + dice.index(2) } {
                let r = if drop { dice.log_normal(1.6, 0.5) } else { dice.between(3.0, 8.0) };
                let mut at = within(dice);
                if dice.chance(0.3) {
                    at[dice.index(2)] = if dice.chance(0.5) { 0.03 } else { 0.97 };
                }
                self.water.push(Water {
                    at,
                    half_mm: [r * dice.between(0.8, 1.6), r],
                    fills: if drop { dice.between(0.6, 0.97) } else { dice.between(0.4, 0.85) },
                    edge_mm: if drop { dice.between(0.05, 0.3) } else { dice.between(0.4, 2.0) },
                    drop,
                });
            }
        }
        if kind == Kind::Glare || (kind == Kind::Both && self.water.is_empty()) {
            let r = dice.between(1.2, if kind == Kind::Both { 2.5 } else { 7.0 });
            self.glares.push(Glare {
                at: within(dice),
                half_mm: [r * dice.between(1.0, 2.2), r],
                soft_mm: dice.between(0.2, 5.0),
                strength: dice.between(0.8, 3.0),
            });
        }
        if kind == Kind::Print {
            self.print = Some(within(dice));
        }
        self.all_glossy = kind == Kind::Glossy;
    }
}

fn patch(dice: &mut Dice, glass: [f32; 2]) -> Patch {
    let short = glass[0].min(glass[1]);
    let place = match dice.index(5) {
        0 | 1 => Place::Edge(dice.index(4), dice.between(0.06, 0.28) * short, dice.between(-0.9, 0.9)),
        2 | 3 => Place::Corner(dice.index(4), dice.between(0.16, 0.5) * short),
        _ => Place::Hollow(
            [dice.between(0.35, 0.65), dice.between(0.35, 0.65)],
            [dice.between(0.12, 0.3) * short, dice.between(0.1, 0.22) * short],
        ),
    };
    Patch { place, rim_mm: dice.between(0.5, 2.2) }
}

fn grooves(dice: &mut Dice, glass: [f32; 2]) -> Vec<Groove> {
    let lay = dice.between(0.0, std::f32::consts::PI);
    (0..1 + dice.index(4))
        .map(|_| {
            let a = lay + 0.3 * dice.normal();
            let at = [dice.between(0.3, 0.7) * glass[0], dice.between(0.3, 0.7) * glass[1]];
            let half = dice.between(0.2, 0.4) * glass[0].min(glass[1]);
            let ends = [-1.0, 1.0].map(|s| [at[0] + s * half * a.cos(), at[1] + s * half * a.sin()]);
            let depth = dice.between(0.25, 0.5) * if dice.chance(0.5) { 1.0 } else { -1.0 };
            Groove { ends, width_mm: dice.between(0.08, 0.2), depth }
        })
        .collect()
}
