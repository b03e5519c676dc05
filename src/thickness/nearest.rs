//! The point of a path whose colour is nearest to a grain's: what a fit of gains does most of its time.

use std::ops::Range;

use crate::thickness::grain::Grain;
use crate::thickness::likelihood::{self, Fit};
use crate::thickness::path::{ColourPath, grid};
use crate::vectors::{Wide, wide};

/// Stride on the path when the nearest point is looked for.
const STRIDE: usize = 5;
/// How far from its last place it is looked for again.
const AROUND: usize = 60;
/// Points of a path that lie a stride apart, at the most.
const ROW: usize = grid::COUNT.div_ceil(STRIDE);

/// A path as some gains see it.
pub(crate) struct GainedPath {
    /// R, G and B of the points, those that lie a stride apart one after the other.
    colours: [Vec<f64>; 3],
}

impl GainedPath {
    /// A path with gains applied.
    pub(crate) fn new(path: &ColourPath, gains: [f64; 3]) -> Self {
        let mut colours = std::array::from_fn(|_| vec![0.0; ROW * STRIDE]);
        let [red, green, blue]: &mut [Vec<f64>; 3] = &mut colours;
        for from in 0..STRIDE {
            let first = Self::place(from);
            let places = red[first..].iter_mut().zip(&mut green[first..]).zip(&mut blue[first..]);
            for (((r, g), b), p) in places.zip(path.colours[from..].iter().step_by(STRIDE)) {
                (*r, *g, *b) = (p[0] * gains[0], p[1] * gains[1], p[2] * gains[2]);
            }
        }
        Self { colours }
    }

    fn place(i: usize) -> usize {
        i % STRIDE * ROW + i / STRIDE
    }

    /// Colour of point `i`.
    fn colour(&self, i: usize) -> [f64; 3] {
        std::array::from_fn(|c| self.colours[c][Self::place(i)])
    }

    /// How a grain's colour lies to point `i`.
    pub(crate) fn fit(&self, grain: &Grain, i: usize) -> Fit {
        Fit::new(grain, self.colour(i))
    }

    /// The point nearest to a grain's colour, with its squared distance; looked for only around where it was with gains a
    /// little different, when that is known.
    pub(crate) fn nearest(&self, grain: &Grain, near: Option<usize>) -> (usize, f64) {
        let coarse = match near {
            None => self.strided(grain, 0..grid::COUNT, &mut Room::<ROW>::default()),
            Some(i) => {
                let around = i.saturating_sub(AROUND)..(i + AROUND).min(grid::COUNT);
                self.strided(grain, around, &mut Room::<{ (2 * AROUND).div_ceil(STRIDE) }>::default())
            }
        };
        self.finer(grain, coarse)
    }

    /// The nearest of the points of a range that lie a stride apart.
    fn strided<const N: usize>(&self, grain: &Grain, points: Range<usize>, room: &mut Room<N>) -> (usize, f64) {
        let from = points.start;
        let strided = self.fits(grain, from, points.len().div_ceil(STRIDE), room);
        let fits = strided.enumerate().map(|(k, fit)| (from + k * STRIDE, fit));
        nearer(grain, (from, f64::INFINITY), fits)
    }

    /// The nearest of the points less than a stride from one.
    fn finer(&self, grain: &Grain, coarse: (usize, f64)) -> (usize, f64) {
        const MOST: usize = 2 * STRIDE - 1;
        let first = coarse.0.saturating_sub(STRIDE - 1);
        let count = (coarse.0 + STRIDE).min(grid::COUNT) - first;
        let near: [[f64; MOST]; 3] = std::array::from_fn(|c| {
            std::array::from_fn(|k| self.colours[c][Self::place((first + k).min(grid::COUNT - 1))])
        });
        let (mut chroma, mut brightness) = ([0.0; MOST], [0.0; MOST]);
        let path = near.each_ref().map(<[f64; MOST]>::as_slice);
        wide(Fits { grain, path, chroma: &mut chroma, brightness: &mut brightness });
        let fits = (0..count).map(|k| (first + k, Fit { chroma: chroma[k], brightness: brightness[k] }));
        nearer(grain, coarse, fits.filter(|(i, _)| *i != coarse.0))
    }

    /// Density of a grain's colour at each point.
    pub(crate) fn densities(&self, grain: &Grain) -> Vec<f64> {
        let mut density = vec![0.0; grid::COUNT];
        let mut room = Room::<ROW>::default();
        for from in 0..STRIDE {
            let count = (grid::COUNT - from).div_ceil(STRIDE);
            for (k, fit) in self.fits(grain, from, count, &mut room).enumerate() {
                // Most are too far to count.
                if fit.chroma <= likelihood::FARTHEST {
                    let i = from + k * STRIDE;
                    density[i] = likelihood::density(grain, self.colour(i));
                }
            }
        }
        density
    }

    /// How a grain's colour lies to `count` points from `from` on that lie a stride apart.
    fn fits<'a, const N: usize>(
        &self,
        grain: &Grain,
        from: usize,
        count: usize,
        Room { chroma, brightness }: &'a mut Room<N>,
    ) -> impl Iterator<Item = Fit> + 'a {
        let first = Self::place(from);
        wide(Fits {
            grain,
            path: self.colours.each_ref().map(|c| &c[first..first + count]),
            chroma: &mut chroma[..count],
            brightness: &mut brightness[..count],
        });
        let places = chroma[..count].iter().zip(&brightness[..count]);
        places.map(|(chroma, brightness)| Fit { chroma: *chroma, brightness: *brightness })
    }
}

/// The first of the nearest of `best` and some points; brightness, whose logarithm is dear, only adds to the distance.
fn nearer(grain: &Grain, mut best: (usize, f64), points: impl Iterator<Item = (usize, Fit)>) -> (usize, f64) {
    for (i, fit) in points {
        if fit.may_be_nearer(grain, best.1) {
            let distance = fit.distance(grain);
            if distance < best.1 {
                best = (i, distance);
            }
        }
    }
    best
}

/// Work space for some points of a row.
struct Room<const N: usize> {
    chroma: [f64; N],
    brightness: [f64; N],
}

impl<const N: usize> Default for Room<N> {
    fn default() -> Self {
        Self { chroma: [0.0; N], brightness: [0.0; N] }
    }
}

/// The parts of [`Fit`] of a grain's colour to points of a path, one after the other.
struct Fits<'a> {
    grain: &'a Grain,
    path: [&'a [f64]; 3],
    chroma: &'a mut [f64],
    brightness: &'a mut [f64],
}

impl Wide for Fits<'_> {
    #[inline(always)]
    fn run(self) {
        let [r, g, b] = self.path;
        let points = r.iter().zip(g).zip(b);
        for ((((r, g), b), chroma), brightness) in points.zip(self.chroma).zip(self.brightness) {
            Fit { chroma: *chroma, brightness: *brightness } = Fit::new(self.grain, [*r, *g, *b]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::thickness::path::PATHS;

    /// The nearest point found many at a time is the one that each point by itself gives.
    #[test]
    fn the_nearest_is_that_of_all_points() {
        let path = &PATHS[7];
        let gains = [1.02, 0.99, 0.97];
        let gained = GainedPath::new(path, gains);
        for (k, at) in [3_usize, 211, 640, 1004, grid::COUNT - 2].into_iter().enumerate() {
            for any_brightness in [false, true] {
                let dimmed = if any_brightness { 0.4 } else { 1.0 };
                let grain = Grain {
                    brightness_u: 0.02,
                    chroma_u: 0.01,
                    floor_u: 0.004,
                    any_brightness,
                    quartz: 1.0,
                    ..Grain::coloured(std::array::from_fn(|c| {
                        dimmed * path.colours[at][c] * gains[c] * (1.0 + 0.004 * k as f64)
                    }))
                };
                let distance = |i: usize| {
                    Fit::new(&grain, std::array::from_fn(|c| path.colours[i][c] * gains[c])).distance(&grain)
                };
                let strided = (0..grid::COUNT).step_by(STRIDE).min_by(|a, b| distance(*a).total_cmp(&distance(*b)));
                let coarse = strided.expect("a path has points");
                let finer = coarse.saturating_sub(STRIDE - 1)..(coarse + STRIDE).min(grid::COUNT);
                let expected = finer.min_by(|a, b| distance(*a).total_cmp(&distance(*b))).expect("there are some");
                let (found, its) = gained.nearest(&grain, None);
                assert_eq!((found, its.to_bits()), (expected, distance(expected).to_bits()), "point {at}");
                let (again, its) = gained.nearest(&grain, Some(found.saturating_sub(17)));
                assert!(its <= distance(found), "{again} is farther than {found}");
            }
        }
    }
}
