//! Rocks: which minerals, how packed, and what each grain does to the light at each pixel.

use rayon::prelude::*;

use super::canvas::Canvas;
use super::dice::{Dice, lattice, noise, rough_noise};
use super::mineral::{Cleavage, Grain, Mineral, Twins};
use super::mosaic::{Lath, Packing, crumb, lay, lay_lath};
use super::scene::{Rock, Scene};
use crate::slide::record::Impregnation;

/// The grains of a field; `canvas.label` indexes them.
pub(crate) struct Grains {
    pub(crate) grains: Vec<Grain>,
    /// Label of the pores that the rock had.
    pub(crate) pore: u32,
}

/// Lays the rock of a scene into the canvas: labels, distances to the borders, grains.
pub(crate) fn lay_rock(canvas: &mut Canvas, scene: &Scene, dice: &mut Dice) -> Grains {
    let um = scene.um_per_px as f32;
    let size_px = scene.grain_um / um;
    let rounded = scene.rock == Rock::Sandstone;
    let packing = match scene.rock {
        Rock::Quartzite => Packing { size_px, warp: 0.16, joined: 0.35, rounded },
        Rock::Sandstone => Packing { size_px, warp: 0.07, joined: 0.10, rounded },
        Rock::Granite => Packing { size_px, warp: 0.16, joined: 0.4, rounded },
        Rock::Gabbro | Rock::Marble => Packing { size_px, warp: 0.10, joined: 0.2, rounded },
    };
    let count = lay(canvas, packing, dice);
    let make = |mineral, dice: &mut Dice| Grain::new(mineral, scene.fabric, um, scene.clutter, dice);
    let mut grains: Vec<Grain> = (0..count)
        .map(|_| {
            let mineral = choose(scene.rock, dice);
            make(mineral, dice)
        })
        .collect();
    let laths: &[(Mineral, f32, f32, f32)] = match scene.rock {
        // Mineral, how many a grain of the mosaic, length and width in grains.
        Rock::Quartzite => &[(Mineral::Muscovite, 0.08, 0.5, 0.07), (Mineral::Opaque, 0.05, 0.14, 0.09)],
        Rock::Sandstone => &[(Mineral::Muscovite, 0.03, 0.8, 0.08), (Mineral::Opaque, 0.05, 0.2, 0.14)],
        Rock::Granite => &[(Mineral::Biotite, 0.20, 0.8, 0.3), (Mineral::Opaque, 0.06, 0.16, 0.11)],
        Rock::Gabbro => &[(Mineral::Plagioclase, 1.5, 1.0, 0.3), (Mineral::Opaque, 0.2, 0.22, 0.15)],
        Rock::Marble => &[(Mineral::Opaque, 0.02, 0.12, 0.1)],
    };
    for &(mineral, share, length, width) in laths {
        let cells = (canvas.w * canvas.h) as f32 / (size_px * size_px);
        for _ in 0..dice.count(share * cells) {
            let mut grain = make(mineral, dice);
            let angle = dice.between(0.0, std::f32::consts::PI);
            if matches!(mineral, Mineral::Biotite | Mineral::Muscovite) {
                align_mica(&mut grain, angle, dice);
            }
            if let Twins::Albite { across, .. } = &mut grain.twins {
                *across = angle + std::f32::consts::FRAC_PI_2;
            }
            let half = [dice.log_normal(0.5 * length, 0.35) * size_px, dice.log_normal(0.5 * width, 0.35) * size_px];
            let round = match mineral {
                Mineral::Opaque => 0.7,
                Mineral::Muscovite => 0.55,
                _ => 0.15,
            };
            let rough = match mineral {
                Mineral::Opaque => 0.5,
                Mineral::Muscovite => 0.5,
                _ => 0.2,
            };
            let centre = [dice.between(0.0, canvas.w as f32), dice.between(0.0, canvas.h as f32)];
            lay_lath(canvas, Lath { centre, half, angle, rough, round }, grains.len() as u32);
            grains.push(grain);
        }
    }
    let pore = grains.len() as u32;
    grains.push(make(Mineral::Pore, dice));
    if scene.rock == Rock::Sandstone {
        let clay = grains.len() as u32;
        grains.push(make(Mineral::Clay, dice));
        open_pores(canvas, size_px, [pore, clay], count as u32, dice.seed());
    }
    Grains { grains, pore }
}

fn choose(rock: Rock, dice: &mut Dice) -> Mineral {
    let table: &[(Mineral, f32)] = match rock {
        Rock::Quartzite => &[(Mineral::Quartz, 0.93), (Mineral::KFeldspar, 0.04), (Mineral::Plagioclase, 0.03)],
        Rock::Sandstone => &[
            (Mineral::Quartz, 0.66),
            (Mineral::KFeldspar, 0.13),
            (Mineral::Plagioclase, 0.07),
            (Mineral::Fragment, 0.14),
        ],
        Rock::Granite => &[(Mineral::Quartz, 0.33), (Mineral::KFeldspar, 0.37), (Mineral::Plagioclase, 0.30)],
        Rock::Gabbro => &[(Mineral::Augite, 0.72), (Mineral::Olivine, 0.28)],
        Rock::Marble => &[(Mineral::Calcite, 1.0)],
    };
    let mut left = dice.between(0.0, 1.0);
    for &(mineral, share) in table {
        left -= share;
        if left < 0.0 {
            return mineral;
        }
    }
    table[0].0
}

/// A lath of mica along `angle` (canvas axes): cleavage and slow ray with its length, dark when along the polariser.
fn align_mica(grain: &mut Grain, angle: f32, dice: &mut Dice) {
    // Canvas axes have y down, azimuths are anticlockwise as seen.
    grain.azimuth = -angle + 0.03 * dice.normal();
    if let Some(cleavage) = &mut grain.cleavage[0] {
        cleavage.across = angle + std::f32::consts::FRAC_PI_2;
    }
    // Cut across the sheets, the birefringence is nearly full.
    grain.birefringence = grain.birefringence.max(0.03);
}

/// Opens resin-filled pores and clay between the rounded grains of a sandstone: the labels below `mosaic`.
fn open_pores(canvas: &mut Canvas, size_px: f32, [pore, clay]: [u32; 2], mosaic: u32, seed: u32) {
    let w = canvas.w;
    canvas.label.par_chunks_mut(w).zip(canvas.edge.par_chunks_mut(w)).enumerate().for_each(|(y, (labels, edges))| {
        for x in 0..w {
            let (fx, fy) = (x as f32, y as f32);
            let tight = rough_noise(fx / (1.6 * size_px), fy / (1.6 * size_px), seed, 3);
            let gap = size_px * (0.018 + 0.07 * tight) + 1.2 * noise(fx / 6.0, fy / 6.0, seed ^ 3);
            if labels[x] >= mosaic {
                // Flakes and ore bridge the pores.
                continue;
            }
            if edges[x] < gap {
                let clayey = rough_noise(fx / (0.9 * size_px), fy / (0.9 * size_px), seed ^ 9, 4) > 0.12;
                labels[x] = if clayey { clay } else { pore };
                edges[x] = gap - edges[x];
            } else {
                edges[x] -= gap;
            }
        }
    });
}

/// Lets every grain act on the light at its pixels: retardation, azimuth and body colour, but no dirt yet.
///
/// `thickness_um(x, y)` in canvas pixels.
pub(crate) fn grow(
    canvas: &mut Canvas,
    rock: &Grains,
    scene: &Scene,
    thickness_um: impl Fn(f32, f32) -> f32 + Sync,
    seed: u32,
) {
    let w = canvas.w;
    let dye = if scene.impregnation == Impregnation::Blue { [1.35, 0.5, 0.10] } else { [0.0; 3] };
    let labels = &canvas.label;
    let edges = &canvas.edge;
    canvas
        .retardation
        .par_chunks_mut(w)
        .zip(canvas.azimuth.par_chunks_mut(w))
        .zip(canvas.is_quartz.par_chunks_mut(w))
        .zip(canvas.absorbance.par_chunks_mut(w))
        .enumerate()
        .for_each(|(y, (((retardations, azimuths), quartz), absorbances))| {
            for x in 0..w {
                let at = y * w + x;
                let grain = &rock.grains[labels[at] as usize];
                let (fx, fy) = (x as f32, y as f32);
                let thickness = thickness_um(fx, fy);
                let state = state_at(grain, fx, fy, edges[at], scene.um_per_px as f32);
                retardations[x] = 1000.0 * thickness * state.birefringence;
                azimuths[x] = state.azimuth;
                quartz[x] = matches!(grain.mineral, Mineral::Quartz | Mineral::Fragment);
                let deep = thickness / 30.0;
                let body = if grain.mineral == Mineral::Pore { dye } else { grain.colour };
                // The lapped surface and what lies under it: a fine mottle, stronger where the index differs from resin.
                let relief = (grain.index - 1.535).abs().min(0.2);
                let grit = (0.022 + 0.3 * relief) * scene.clutter.sqrt();
                let mottle = if grain.mineral == Mineral::Pore {
                    0.006 * noise(fx / 3.0, fy / 3.0, seed)
                } else {
                    grit * (noise(fx / 2.3, fy / 2.3, seed ^ 1) + 0.7 * noise(fx / 5.5, fy / 5.5, seed ^ 2))
                };
                // Pinpricks: pits and inclusions too small to count.
                let dirt = match grain.mineral {
                    Mineral::Pore => 0.1,
                    Mineral::Fragment => 2.0 + grain.dirt,
                    Mineral::Clay => 2.2,
                    Mineral::KFeldspar => (1.4 * grain.dirt).min(3.0),
                    _ => grain.dirt.min(2.5),
                };
                let prick = (noise(fx / 2.1, fy / 2.1, seed ^ 4) - 0.66).max(0.0) * 1.5 * dirt * scene.clutter;
                let mottle = mottle + prick;
                for c in 0..3 {
                    let warm = [0.75, 1.0, 1.45][c];
                    absorbances[x][c] += deep * body[c] * state.body + state.dark + mottle + state.cloud * warm;
                }
            }
        });
}

struct State {
    birefringence: f32,
    azimuth: f32,
    /// Factor of the body colour.
    body: f32,
    /// Grey absorbance of cleavage.
    dark: f32,
    /// Brownish absorbance of alteration.
    cloud: f32,
}

fn state_at(grain: &Grain, x: f32, y: f32, edge: f32, um_per_px: f32) -> State {
    let px = 1.0 / um_per_px;
    let mut s = State { birefringence: grain.birefringence, azimuth: grain.azimuth, body: 1.0, dark: 0.0, cloud: 0.0 };
    if grain.undulose > 0.0 {
        let scale = 110.0 * px;
        let (c, sn) = (grain.azimuth.cos(), grain.azimuth.sin());
        // Bands roughly across the trace of the c-axis, with a few sub-grain walls.
        let (u, v) = (x * c - y * sn, x * sn + y * c);
        let bend = noise(u / scale, v / (2.6 * scale), grain.seed);
        let wall =
            if grain.seed % 5 < 2 { (1.7 * noise(u / scale, v / (2.5 * scale), grain.seed ^ 21)).round() } else { 0.0 };
        s.azimuth += grain.undulose * (0.8 * bend + 0.25 * wall);
        s.birefringence *= 1.0 + 0.04 * grain.undulose * bend;
    }
    match grain.twins {
        Twins::None => {}
        Twins::Albite { across, width, turn, share } => {
            let along = x * across.cos() + y * across.sin();
            let k = (along / width).floor() as i32;
            // Lamellae of unequal width, some wedging out.
            let (a, b) = (lattice(k, 0, grain.seed), lattice(k, 1, grain.seed));
            let inside = along / width - k as f32;
            let t = (-x * across.sin() + y * across.cos()) * 0.012 / px.max(0.2);
            if a < 0.75 && inside < 0.25 + 0.7 * b && noise(t, k as f32, grain.seed ^ 4) > -0.55 {
                s.azimuth += turn;
                s.birefringence *= share;
            }
        }
        Twins::Tartan { across, width, turn } => {
            let (u, v) = (x * across.cos() + y * across.sin(), -x * across.sin() + y * across.cos());
            let one = noise(u / width, v / (6.0 * width), grain.seed ^ 31);
            let two = noise(u / (6.0 * width), v / width, grain.seed ^ 32);
            s.azimuth += turn * (3.5 * (one + two)).tanh();
        }
    }
    for (n, cleavage) in grain.cleavage.iter().enumerate() {
        if let Some(cleavage) = cleavage {
            s.dark += cleavage_at(*cleavage, x, y, grain.seed ^ (n as u32 + 70));
        }
    }
    if grain.cloud > 0.0 {
        let patch = rough_noise(x / (45.0 * px), y / (45.0 * px), grain.seed ^ 41, 4);
        let fine = 0.5 + 0.5 * noise(x / 2.7, y / 2.7, grain.seed ^ 42);
        s.cloud += grain.cloud * (0.35 + patch).max(0.0) * (0.45 + fine);
    }
    if grain.sericite > 0.0 {
        let (chance, turn) = crumb(x, y, (3.6 * px).max(1.6), grain.seed ^ 51);
        let patch = 1.0 + 1.5 * noise(x / (60.0 * px), y / (60.0 * px), grain.seed ^ 52);
        if chance < grain.sericite * patch.max(0.0) {
            s.birefringence = 0.014 + 0.02 * chance / grain.sericite;
            s.azimuth = turn;
            s.dark += 0.05;
        }
    }
    match grain.mineral {
        Mineral::Fragment => {
            let (chance, turn) =
                crumb(x, y, ((5.0 + 9.0 * lattice(grain.seed as i32, 9, 2)) * px).max(2.5), grain.seed);
            s.birefringence = 0.009 * (0.15 + 0.6 * chance);
            s.azimuth = turn;
            s.body = 0.4 + 1.2 * lattice((chance * 4096.0) as i32, 3, grain.seed);
        }
        Mineral::Clay => {
            let (chance, turn) = crumb(x, y, (3.0 * px).max(1.5), grain.seed);
            s.birefringence = if chance > 0.9 { 0.011 * chance } else { 0.003 * chance };
            s.azimuth = turn;
            s.body = 0.5 + 0.5 * chance + 0.6 * rough_noise(x / (22.0 * px), y / (22.0 * px), grain.seed ^ 61, 3);
        }
        Mineral::Olivine | Mineral::Augite if edge < 5.0 * px => s.cloud += 0.05,
        _ => {}
    }
    // Borders dip through the section: the grain wedges out over a few micrometres.
    let dip = (1.5 + 5.0 * lattice(grain.seed as i32, 5, 8)) * px;
    if edge < dip {
        s.birefringence *= 0.62 + 0.38 * edge.max(0.0) / dip;
    }
    s
}

fn cleavage_at(cleavage: Cleavage, x: f32, y: f32, seed: u32) -> f32 {
    let along = x * cleavage.across.cos() + y * cleavage.across.sin();
    let t = -x * cleavage.across.sin() + y * cleavage.across.cos();
    let along = along + 1.2 * noise(t / 40.0, 0.5, seed);
    let k = (along / cleavage.spacing).round();
    let line = (k + 0.7 * (lattice(k as i32, 0, seed) - 0.5)) * cleavage.spacing;
    let off = (along - line).abs();
    if off > 2.5 {
        return 0.0;
    }
    let strength = lattice(k as i32, 1, seed);
    let broken = noise(t / 55.0, k * 3.7, seed ^ 6) + 0.5 * noise(t / 14.0, k * 5.1, seed ^ 7);
    if broken < 0.9 * (1.0 - strength) - 0.5 {
        return 0.0;
    }
    cleavage.depth * (0.4 + strength) * (-0.5 * (off / 0.75).powi(2)).exp()
}
