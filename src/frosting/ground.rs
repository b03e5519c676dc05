//! What clear glass would send at each place: the ground seen round the slide, carried in under it, and how well it is known.

use crate::frosting::geometry::{Point, distance};
use crate::frosting::surface::Field;

/// Classes of distance between two places of the ground, and the distance they reach to over the slide's short side.
const CLASSES: usize = 16;
const REACH: f64 = 0.8;

/// A smooth field of the ground's log light with what is left beside it.
pub struct Ground {
    field: Field,
    /// Places round the slide and their log light less the field's.
    rest: Vec<(Point, f64)>,
    /// Share of a rest that is still found by distance, class by class, 0..=1; it never rises.
    kept: [f64; CLASSES],
    /// Width of a class, cells.
    step: f64,
    /// Standard deviation of the rests.
    spread: f64,
}

impl Ground {
    /// Of a field and the evened log light at places round the slide; `short` is the slide's short side, cells.
    pub(super) fn of(field: Field, even: &[(Point, f64)], short: f64) -> Self {
        let rest: Vec<(Point, f64)> = even.iter().map(|(p, v)| (*p, v - field.at(*p))).collect();
        let n = rest.len().max(1) as f64;
        let variance = rest.iter().map(|(_, r)| r.clamp(-1.0, 1.0).powi(2)).sum::<f64>() / n;
        let step = REACH * short / CLASSES as f64;
        let (mut half, mut count) = ([0.0; CLASSES], [0.0; CLASSES]);
        for (i, (p, a)) in rest.iter().enumerate() {
            for (q, b) in &rest[i + 1..] {
                let class = (distance(*p, *q) / step) as usize;
                if class < CLASSES {
                    half[class] += 0.5 * (a.clamp(-1.0, 1.0) - b.clamp(-1.0, 1.0)).powi(2);
                    count[class] += 1.0;
                }
            }
        }
        let mut least = 1.0_f64;
        let kept = std::array::from_fn(|k| {
            let here = if count[k] > 20.0 { 1.0 - half[k] / count[k] / variance.max(1e-12) } else { least };
            least = least.min(here.clamp(0.0, 1.0));
            least
        });
        Self { field, rest, kept, step, spread: variance.sqrt() }
    }

    /// Log light of the ground's smooth field.
    pub(super) fn smooth(&self) -> &Field {
        &self.field
    }

    /// Log light to be expected behind a place and its standard deviation: the field with the rest of the nearest ground, as
    /// far as rests reach (simple kriging from the neighbourhood's weighted mean).
    #[must_use]
    pub fn behind(&self, p: Point) -> (f64, f64) {
        let mut nearest = f64::MAX;
        for (q, _) in &self.rest {
            nearest = nearest.min(distance(p, *q));
        }
        if nearest == f64::MAX {
            return (self.field.at(p), self.spread);
        }
        let reach = nearest + 0.5 * self.step;
        let (mut sum, mut weight) = (0.0, 0.0);
        for (q, r) in &self.rest {
            let w = (reach / distance(p, *q).max(reach)).powi(6);
            sum += w * r;
            weight += w;
        }
        let kept = self.kept[((nearest / self.step) as usize).min(CLASSES - 1)];
        (self.field.at(p) + kept * sum / weight, self.spread * (1.0 - kept * kept).max(0.0).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring() -> impl Iterator<Item = Point> {
        (0..40).flat_map(|y| (0..60).map(move |x| [5.0 * f64::from(x), 5.0 * f64::from(y)])).filter(|[x, y]| {
            let near = |t: f64, end: f64| t < 20.0 || t > end - 20.0;
            near(*x, 295.0) || near(*y, 195.0)
        })
    }

    /// A ground that waves slowly is carried in near the ring, and known worse in the middle; one that flickers from place to
    /// place is not carried in at all.
    #[test]
    fn a_slow_wave_is_carried_in_and_a_flicker_is_not() {
        let wave = |p: Point| 0.1 * (p[0] / 60.0).sin() * (p[1] / 80.0).cos();
        let samples: Vec<(Point, f64)> = ring().map(|p| (p, wave(p))).collect();
        let ground = Ground::of(Field::level(0.0), &samples, 150.0);
        for p in [[30.0, 100.0], [150.0, 25.0], [270.0, 60.0]] {
            let (value, unsure) = ground.behind(p);
            assert!((value - wave(p)).abs() < 2.0 * unsure && unsure < 0.03, "{p:?} {value} {} {unsure}", wave(p));
        }
        assert!(ground.behind([150.0, 100.0]).1 > ground.behind([30.0, 100.0]).1);
        let flicker: Vec<(Point, f64)> = ring()
            .enumerate()
            .map(|(i, p)| (p, -1.0 + if (i * 7919 + i / 3) % 5 < 2 { 0.12 } else { -0.08 }))
            .collect();
        let ground = Ground::of(Field::level(-1.0), &flicker, 150.0);
        let (value, unsure) = ground.behind([60.0, 100.0]);
        assert!((value + 1.0).abs() < 0.02 && (unsure - 0.098).abs() < 0.01, "{value} {unsure}");
    }
}
