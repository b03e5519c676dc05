//! Light that a point of a rendered scene sends to the camera: frosted glass scatters, glossy glass shows what lies behind.

use super::dice::{Dice, noise, rough_noise};
use super::frosted_scene::{Frost, FrostedScene, Ground, Patch, Place, Water};
use super::frosted_slide::normal;
use crate::frosting::Light;
use crate::frosting::geometry::{Point, depth};

/// Everything that is drawn once for a scene.
pub(super) struct Shade<'a> {
    scene: &'a FrostedScene,
    outline: &'a [Point],
    seed: u32,
    /// Albedo of the ground, linear R, G, B.
    ground: [f32; 3],
    gain: f32,
    /// Width of the glass's edge, mm, and its light on each side.
    edge_mm: f32,
    edges: [f32; 8],
    lay: f32,
    strokes: Vec<[[f32; 2]; 2]>,
}

impl<'a> Shade<'a> {
    pub(super) fn of(scene: &'a FrostedScene, outline: &'a [Point]) -> Self {
        let mut dice = Dice::new(scene.seed, 0x51de);
        let level = match scene.ground {
            Ground::Cloth => dice.between(0.012, 0.05),
            Ground::Card => dice.between(0.01, 0.04),
            Ground::Wood => dice.between(0.04, 0.09),
            Ground::Bench => dice.between(0.03, 0.08),
            Ground::Table | Ground::TableWithRim | Ground::Window => 1.0,
        };
        let warm = if scene.ground == Ground::Wood { 0.35 } else { dice.between(-0.06, 0.06) };
        let middle = if scene.light == Light::Oblique { scene.whiteness } else { 1.0 };
        let strokes = scene.label.map_or_else(Vec::new, |at| writing(&mut dice, scene, at));
        Self {
            scene,
            outline,
            seed: dice.seed(),
            ground: [level * (1.0 + warm), level, level * (1.0 - warm)],
            gain: scene.exposure / middle,
            edge_mm: dice.between(0.15, 0.4),
            edges: std::array::from_fn(|_| dice.between(0.6, 1.4)),
            lay: dice.between(0.0, std::f32::consts::PI),
            strokes,
        }
    }

    /// How clear the glass is: 0 frosted, 1 glossy, before water and grease.
    pub(super) fn clearness(&self, [x, y]: Point) -> f32 {
        if self.scene.all_glossy {
            return 1.0;
        }
        let (x, y) = (x as f32, y as f32);
        let wave = 0.7 * rough_noise(x / 7.0, y / 7.0, self.seed ^ 11, 2);
        let mut clear = 0.0_f32;
        for patch in &self.scene.patches {
            clear = clear.max(ramp(self.depth_in(patch, x, y) + wave.min(0.6), patch.rim_mm));
        }
        clear
    }

    fn depth_in(&self, patch: &Patch, x: f32, y: f32) -> f32 {
        let [w, h] = self.scene.glass_mm;
        match patch.place {
            Place::Edge(edge, deep, lean) => {
                let (from, along) = match edge {
                    0 => (x, 2.0 * y / h - 1.0),
                    1 => (y, 2.0 * x / w - 1.0),
                    2 => (w - x, 2.0 * y / h - 1.0),
                    _ => (h - y, 2.0 * x / w - 1.0),
                };
                deep * (1.0 + lean * along) - from
            }
            Place::Corner(corner, reach) => {
                let dx = if corner == 0 || corner == 3 { x } else { w - x };
                let dy = if corner < 2 { y } else { h - y };
                reach - dx.hypot(dy)
            }
            Place::Hollow(at, half) => {
                let (u, v) = ((x - at[0] * w) / half[0], (y - at[1] * h) / half[1]);
                (1.0 - u.hypot(v)) * half[0].min(half[1])
            }
        }
    }

    /// Share of the scatter that water takes, and what a meniscus adds to or takes from the light.
    fn water(&self, x: f32, y: f32) -> (f32, f32) {
        let mut taken = 0.0_f32;
        let mut shine = 0.0;
        for (k, water) in self.scene.water.iter().enumerate() {
            let Water { at, half_mm, .. } = *water;
            let (dx, dy) = (x - at[0] * self.scene.glass_mm[0], y - at[1] * self.scene.glass_mm[1]);
            let (u, v) = (dx / half_mm[0], dy / half_mm[1]);
            let small = half_mm[0].min(half_mm[1]);
            let wave = 0.18 * small * noise(x / small, y / small, self.seed ^ (k as u32 * 77 + 5));
            let deep = (1.0 - u.hypot(v)) * small + wave;
            taken = taken.max(water.fills * ramp(deep, water.edge_mm));
            if water.drop {
                let rim = (-0.5 * (deep / (0.10 + 0.25 * water.edge_mm)).powi(2)).exp();
                let spot = (u + 0.35).hypot(v + 0.4) / 0.16;
                shine += 0.45 * rim + 1.6 * (-0.5 * spot * spot).exp();
            }
        }
        (taken, shine)
    }

    /// Contrast of the frosting's texture at a place.
    fn texture(&self, x: f32, y: f32) -> f32 {
        let [size, amount] = self.scene.grain;
        let (u, v) = (x / size, y / size);
        let fine = 1.6 * noise(u, v, self.seed ^ 1);
        match self.scene.frost {
            Frost::Grain => amount * fine,
            Frost::Pits => {
                let pit = normal((u * 0.8).floor() as i32, (v * 0.8).floor() as i32, self.seed ^ 2);
                amount * (0.5 * fine + 1.3 * (pit - 1.2).max(0.0) - 0.08)
            }
            Frost::Swirls => {
                let lay = self.lay + 1.2 * noise(x / 9.0, y / 9.0, self.seed ^ 3);
                let (s, c) = lay.sin_cos();
                let (along, across) = (x * c + y * s, y * c - x * s);
                let arcs = noise(along / 1.5, across / size, self.seed ^ 4);
                let cloud = rough_noise(x / 6.0, y / 6.0, self.seed ^ 6, 3);
                amount * (0.6 * fine + 0.8 * arcs) + 0.05 * cloud
            }
        }
    }

    /// What lies behind at a pixel: linear R, G, B under light of one, blurred as frosted glass blurs it or not.
    fn behind(&self, p: Point, blurred: bool) -> [f32; 3] {
        let scale = self.scene.px_per_mm;
        let (x, y) = (p[0] as f32 / scale, p[1] as f32 / scale);
        let (w, h) = (self.scene.size_px[0] as f32 / scale, self.scene.size_px[1] as f32 / scale);
        let relative = match self.scene.ground {
            Ground::Card => 1.0 + 0.05 * noise(x / 0.4, y / 0.4, self.seed ^ 20),
            Ground::Cloth if blurred => 1.0,
            Ground::Cloth => {
                let weave = (x * 9.0).sin() * (y * 9.0 + (x * 4.0).sin() * 0.3).sin();
                1.0 + 0.45 * weave + 0.2 * noise(x / 0.2, y / 0.2, self.seed ^ 21)
            }
            Ground::Wood => {
                let grain =
                    rough_noise(x / 30.0, y / 1.6 + noise(x / 25.0, y / 9.0, self.seed ^ 22), self.seed ^ 23, 3);
                1.0 + if blurred { 0.2 } else { 0.5 } * grain
            }
            Ground::Bench => {
                let speck = (noise(x / 0.7, y / 0.7, self.seed ^ 24) - 0.6).max(0.0);
                1.0 + if blurred { 0.3 } else { 2.0 } * speck
            }
            Ground::Table => 1.0,
            Ground::TableWithRim => {
                let rim = 0.02 * w;
                let deep = (x - rim).min(y - rim).min(w - rim - x).min(h - rim - y);
                if deep > 0.0 { 1.0 } else { 0.06 }
            }
            Ground::Window => {
                let soft = if blurred { 28.0 } else { 16.0 };
                1.0 + 0.12 * noise(x / soft, y / soft, self.seed ^ 25) * if blurred { 0.6 } else { 1.0 }
            }
        };
        self.ground.map(|g| g * relative.max(0.05))
    }

    /// Linear light at a pixel whose place on the glass is `mm`.
    pub(super) fn light(&self, p: Point, mm: Point) -> [f32; 3] {
        let scene = self.scene;
        let u = [0, 1].map(|k| (p[k] as f32 / scene.size_px[k] as f32 - 0.5) * 2.0);
        let lamp = (1.0 + scene.slope[0] * u[0] + scene.slope[1] * u[1]) * self.gain;
        let deep = depth(self.outline, mm) as f32;
        let mut rgb = self.behind(p, false);
        if deep <= 0.0 {
            let shadow = if scene.light == Light::Oblique { 1.0 - 0.3 * (1.0 + deep / 1.2).max(0.0) } else { 1.0 };
            return rgb.map(|v| v * lamp * shadow);
        }
        let (x, y) = (mm[0] as f32, mm[1] as f32);
        let (clear, (wet, shine)) = (self.clearness(mm), self.water(x, y));
        let wet = wet.max(self.grease(x, y));
        let rough = 1.0 + (1.0 - 0.6 * wet) * self.texture(x, y) + self.groove(x, y);
        let blurred = self.behind(p, true);
        let frosted_of = |c: usize| match scene.light {
            Light::Oblique => scene.whiteness * (1.0 - wet) * rough + 0.5 * blurred[c],
            Light::Transmitted => {
                let through = scene.whiteness + (0.9 - scene.whiteness) * wet;
                through * rough * blurred[c] + 0.01
            }
        };
        let pencil = if self.strokes.is_empty() { 1.0 } else { self.pencil(x, y) };
        let glossy = |v: f32| if scene.light == Light::Oblique { 0.85 * v + 0.006 } else { 0.92 * v };
        rgb = std::array::from_fn(|c| {
            let frosted = (frosted_of(c) * pencil).max(0.0);
            frosted + clear * (glossy(rgb[c]) - frosted)
        });
        let edge = (1.0 - deep / self.edge_mm).clamp(0.0, 1.0) * self.edges[self.side_of(mm)];
        let edge = edge * scene.rim_light;
        let shine = shine + self.glare(x, y);
        match scene.light {
            Light::Oblique => rgb.map(|v| (v + 0.35 * edge + 0.6 * shine) * lamp),
            // A meniscus bends light out of the way; its rim is dark, its middle bright.
            Light::Transmitted => rgb.map(|v| {
                v * lamp * (1.0 - 0.75 * edge.min(1.2)) * (1.0 - 0.3 * self.dark_rim(x, y))
                    + self.glare(x, y) * self.gain
            }),
        }
    }

    fn dark_rim(&self, x: f32, y: f32) -> f32 {
        if self.scene.water.is_empty() { 0.0 } else { self.water(x, y).1.min(1.0) }
    }

    fn side_of(&self, mm: Point) -> usize {
        let n = self.outline.len();
        let nearest = |i: usize| {
            let (a, b) = (self.outline[i], self.outline[(i + 1) % n]);
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            ((b[0] - a[0]) * (mm[1] - a[1]) - (b[1] - a[1]) * (mm[0] - a[0])).abs() / length
        };
        (0..n).min_by(|a, b| nearest(*a).total_cmp(&nearest(*b))).unwrap_or(0)
    }

    /// A fingerprint: grease in ridges half a millimetre apart.
    fn grease(&self, x: f32, y: f32) -> f32 {
        let Some(at) = self.scene.print else { return 0.0 };
        let (dx, dy) = (x - at[0] * self.scene.glass_mm[0], y - at[1] * self.scene.glass_mm[1]);
        let whole = ramp(7.0 - (dx / 0.8).hypot(dy / 1.1), 2.0);
        let ridges =
            ((dx + 2.0).hypot(dy - 3.0) * std::f32::consts::TAU / 0.5 + noise(dx / 3.0, dy / 3.0, 9) * 4.0).sin();
        whole * (0.22 + 0.2 * ridges)
    }

    fn glare(&self, x: f32, y: f32) -> f32 {
        let mut sum = 0.0;
        for g in &self.scene.glares {
            let (dx, dy) = (x - g.at[0] * self.scene.glass_mm[0], y - g.at[1] * self.scene.glass_mm[1]);
            let deep = (1.0 - (dx / g.half_mm[0]).hypot(dy / g.half_mm[1])) * g.half_mm[0].min(g.half_mm[1]);
            sum += g.strength * ramp(deep, g.soft_mm);
        }
        sum
    }

    fn groove(&self, x: f32, y: f32) -> f32 {
        let mut sum = 0.0;
        for g in &self.scene.grooves {
            let d = to_stretch(g.ends, x, y);
            sum += g.depth * ramp(0.5 * g.width_mm - d, 0.04);
        }
        sum
    }

    fn pencil(&self, x: f32, y: f32) -> f32 {
        let near = self.strokes.iter().map(|s| to_stretch(*s, x, y)).fold(f32::INFINITY, f32::min);
        1.0 - 0.55 * ramp(0.2 - near, 0.15)
    }
}

/// 0 outside, 1 inside, a smooth step `width` wide about depth zero.
fn ramp(depth: f32, width: f32) -> f32 {
    let t = (depth / width.max(1e-3) + 0.5).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn to_stretch([a, b]: [[f32; 2]; 2], x: f32, y: f32) -> f32 {
    let (ux, uy) = (b[0] - a[0], b[1] - a[1]);
    let t = (((x - a[0]) * ux + (y - a[1]) * uy) / (ux * ux + uy * uy).max(1e-9)).clamp(0.0, 1.0);
    (x - a[0] - t * ux).hypot(y - a[1] - t * uy)
}

/// Strokes that look like a few written signs, mm.
fn writing(dice: &mut Dice, scene: &FrostedScene, at: [f32; 2]) -> Vec<[[f32; 2]; 2]> {
    let mut out = Vec::new();
    let mut x = at[0] * scene.glass_mm[0];
    let y = at[1] * scene.glass_mm[1];
    for _ in 0..4 + dice.index(4) {
        let mut from = [x + dice.between(0.0, 1.2), y + dice.between(-1.4, 1.4)];
        for _ in 0..2 + dice.index(3) {
            let to = [x + dice.between(0.0, 1.2), y + dice.between(-1.4, 1.4)];
            out.push([from, to]);
            from = to;
        }
        x += 1.9;
    }
    out
}
