//! Bubbles: circles that are dark all round, with a wide rim (a ball of gas) or a mere wall (a flat one in the cement).
//!
//! Light that meets a ball of air in resin of index n beyond b/R = 1/n of its middle is totally reflected, so a rim of a
//! third of the radius is black; nearer the middle it passes and shows what lies below.

mod blurred;
mod circle;
mod cross;
mod gleam;
mod judgement;
mod search;
#[cfg(test)]
mod tests;
mod thin;
mod wall;

use rayon::prelude::*;

use crate::section::burnt;
use crate::section::light_field::FieldLight;
use crate::section::plane_light::PlaneLight;

pub(crate) use self::circle::Drawn;

/// A circle that may be a bubble, pixels of the plane photograph, with what was seen along it.
#[derive(Clone, Copy, Debug)]
pub struct Ring {
    /// Centre x, pixels.
    pub x: f64,
    /// Centre y, pixels.
    pub y: f64,
    /// Outer radius of the rim, pixels.
    pub radius: f64,
    /// Share of the directions that can be judged in which a dark rim lies between brighter outside and inside.
    pub share: f64,
    /// Share of all directions that can be judged (in the picture, not black outside).
    pub judged: f64,
    /// Robust scatter of the rim's outer edge about an oval on the circle, share of the radius.
    pub roughness: f64,
    /// Most that this oval departs from the circle, share of the radius.
    pub oval: f64,
    /// Median depth of the rim under its outside, log units.
    pub depth: f64,
    /// Median depth of the rim under the inside, log units.
    pub inner_depth: f64,
    /// Width of the rim at half its depth, share of the radius.
    pub rim_width: f64,
    /// Scatter of the rim's depth from direction to direction over its median.
    pub unevenness: f64,
    /// Share of the inside that stays out in every crossed picture, over that of what lies about the ring.
    pub inside_out: f64,
    /// How far the tints of its inside and of what lies about it are apart, log units.
    pub tint_step: f64,
    /// How far the tints of its rim and of what lies about it are apart, log units.
    pub rim_tint: f64,
    /// Share of the directions that have a dark line just within the circle, over what chance would put there.
    pub on_circle: f64,
    /// Share of the directions in which the rim parts two colours between crossed polars.
    pub divides: f64,
    /// How much of the change of light around its inside is a spherulite's black cross, 0..=1.
    pub cross: f64,
    /// How sure that it is a bubble, 0..=1.
    pub confidence: f64,
}

/// Smallest bubble looked for, µm: somewhat under the 25 µm that count.
const SMALLEST_UM: f64 = 22.0;

/// Confidence below which a circle is not even listed.
const CONSIDERED: f64 = 0.01;

/// Where a ring's own outer edge lies, shares of its radius: as far in as the wall of a flat one is thick.
const OUTER_EDGE: std::ops::Range<f64> = 0.88..1.06;
/// How far from the inner edge of its rim what lies there is its own, share of its radius.
const INNER_EDGE: f64 = 0.06;

/// Finds circles that may be bubbles, likeliest first; those under a confidence of a half are not bubbles.
#[must_use]
pub fn find(light: &FieldLight) -> Vec<Ring> {
    judged(light, &drawn(&light.plane))
}

/// Circles that edges or thin lines draw in plane light.
pub(crate) fn drawn(light: &PlaneLight) -> Vec<Drawn> {
    search::candidates(light).into_par_iter().map(|c| Drawn::of(light, c.circle)).collect()
}

/// Those of the circles that may be bubbles by all photographs, likeliest first.
pub(crate) fn judged(light: &FieldLight, drawn: &[Drawn]) -> Vec<Ring> {
    let bright = wall::bright(light);
    let mut rings: Vec<Ring> = drawn.par_iter().filter_map(|d| d.judged(light, &bright)).collect();
    // Figures beside a scale bar are round too.
    rings.retain(|r| {
        let inked = |k: usize| {
            let (s, c) = (std::f64::consts::TAU * k as f64 / 16.0).sin_cos();
            burnt::covers(&light.plane.burnt, r.x + 0.9 * r.radius * c, r.y + 0.9 * r.radius * s)
        };
        (0..16).filter(|k| inked(*k)).count() < 5
    });
    rings.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    claim(rings)
}

/// Best first, each bubble takes its stretch of rim; what is left with too little of its own is not another one.
fn claim(rings: Vec<Ring>) -> Vec<Ring> {
    let mut kept: Vec<Ring> = Vec::new();
    'next: for ring in rings {
        for k in &kept {
            let apart = (k.x - ring.x).hypot(k.y - ring.y);
            let (small, large) = (k.radius.min(ring.radius), k.radius.max(ring.radius));
            // The same circle, or the inner edge of its rim, or a bright core within it.
            if apart < 0.45 * large && small > 0.35 * large {
                continue 'next;
            }
            if apart < 0.3 * large || apart + small < 0.8 * large && ring.radius == small && ring.depth < 0.6 {
                continue 'next;
            }
        }
        // Points of the rim that lie on either edge of a better ring's own rim: what lies between them is another one's.
        let own = (0..48)
            .filter(|k| {
                let (s, c) = (std::f64::consts::TAU * f64::from(*k) / 48.0).sin_cos();
                let (px, py) = (ring.x + ring.radius * c, ring.y + ring.radius * s);
                !kept.iter().any(|k| {
                    let at = (px - k.x).hypot(py - k.y) / k.radius;
                    OUTER_EDGE.contains(&at) || (at - (1.0 - k.rim_width)).abs() < INNER_EDGE
                })
            })
            .count();
        if own >= 26 {
            kept.push(ring);
        }
    }
    kept
}
