//! What photographs of one field cannot show together: signs that they are not what they are said to be.
//!
//! Light between crossed polars is plane light times what the section turns of it, never more; a crystal that is dark in
//! plane light is dark between crossed polars; and whatever has two refractive indices brightens and goes dark as the
//! polars turn by less than 90 degrees. What breaks one of these was exchanged, copied, or taken with a plate left in,
//! and nothing measured on it would be true.

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use crate::register::FieldStack;
use crate::register::align::SURE;
use crate::register::grid::centre;
use crate::slide::photograph::{Photograph, mask};

/// Spots along the longer side that are compared.
const SPOTS: usize = 200;
/// Half the side of a spot, pixels: noise and JPEG's blocks are averaged away.
const HALF: i64 = 2;
/// Fewer spots tell nothing.
const FEWEST: usize = 400;

/// Correlation of the light of two photographs from which they show the same picture. Different positions of the polars
/// reach 0.9 on rocks of many sizes of grain; a photograph stored twice 0.995. House value.
const SAME: f64 = 0.985;
/// Positions of the polars that differ by less, modulo 90 degrees, may look alike.
const TELLING_DEG: f64 = 10.0;

/// Share of the change between positions of the polars that the law of extinction leaves unexplained, beyond which the
/// angles are wrong: it leaves up to 0.01 on sound photographs, 0.21 and more where the steps between the angles are wrong,
/// 0.27 where one exposure is by a factor of two, and 1 where angles are drawn by lot. House value.
const UNEXPLAINED: f64 = 0.2;

/// Dark is less than this share of the photograph's bright light, bright is more than [`BRIGHT`] of it.
const DARK: f64 = 0.12;
/// See [`DARK`].
const BRIGHT: f64 = 0.6;
/// Share of the spots, dark in plane light and bright between crossed polars, above which the photographs were exchanged.
const EXCHANGED: f64 = 0.08;

/// Crossed light over plane light on one exposure that no section reaches in half of its spots: two ideal crossed polars
/// pass all of plane light at the most, where a crystal at 45 degrees turns all of one colour.
const TOO_BRIGHT: f64 = 1.2;

/// Red and blue of the darkest tenth of the spots over the bright light above which nothing goes dark; ore, extinct grains
/// and holes leave real sections below 0.1. House value.
const NEVER_DARK: f64 = 0.2;
/// Bright light below which a plane photograph is black, share of full scale.
const BLACK_PLANE: f64 = 0.005;
/// The same between crossed polars.
const BLACK_CROSSED: f64 = 0.001;
/// Green over the mean of red and blue below which a spot has the magenta of a full-wave plate, which is that of every
/// extinct grain then; and the share of such spots that tells. House values.
const MAGENTA: (f64, f64) = (0.5, 0.1);

/// What to do where plane light is black, and where that may come of the bits it was saved with.
const LIGHT_UP: &str = "Photograph plane light with the lamp on and one polar out.";
const FILL_BITS: &str = "Save the photographs so that all 16 bits are filled, or as 8 bit; where it was too dark, photograph with more light.";

/// What is said when something contradicts: why, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contradiction {
    /// What cannot be, a sentence without its point.
    pub why: String,
    /// What to do, one sentence.
    pub next: String,
}

/// Smallest eigenvalue of the normal matrix, per photograph, from which positions are spread enough to be checked.
const WELL_SPREAD: f64 = 0.05;

/// Mean light of a spot, three channels; None where a photograph shows nothing of use.
type Spot = Option<[f64; 3]>;

impl FieldStack {
    /// Said when none of several crossed photographs shows the plane photograph's outlines: 100 slides by other code that show one place
    /// have none that does not, photographs of two sections have none that does.
    #[must_use]
    pub fn another_place(&self) -> Option<Contradiction> {
        let nowhere = self.crossed.len() > 1 && self.crossed.iter().all(|c| c.placement.peak < SURE);
        nowhere.then(|| Contradiction {
            why: format!(
                "none of the crossed photographs of field {} shows the outlines of {}: as far as can be told they show another place",
                self.name, self.plane.record.file
            ),
            next: "Lay the plane photograph and the crossed ones beside each other: the same grains must lie in the same places. \
                   Photograph that field again, with the stage clamped and the same way up."
                .into(),
        })
    }

    /// The first thing about the photographs of this field that cannot be, when there is one.
    #[must_use]
    pub fn contradiction(&self) -> Option<Contradiction> {
        let signs = Signs::of(self);
        if let Some(found) = self.unlit(&signs) {
            return Some(found);
        }
        let name = |i: usize| self.crossed[i].photograph.record.file.as_str();
        let plane = self.plane.record.file.as_str();
        if let Some(i) = signs.exchanged() {
            return Some(Contradiction {
                why: format!(
                    "{} is bright where {plane} is dark, which no section is: were plane light and crossed polars exchanged, or is it another place",
                    name(i)
                ),
                next: "Name each photograph by what it is, plane light or crossed polars, and check again.".into(),
            });
        }
        if let Some((a, b)) = signs.same_picture(&self.angles_deg()) {
            return Some(Contradiction {
                why: format!(
                    "{} and {} show the same picture, though the polars are said to stand differently",
                    name(a),
                    name(b)
                ),
                next: "Turn the polars or the stage between the crossed photographs, and give each its own angle."
                    .into(),
            });
        }
        if signs.unexplained(self).is_some_and(|share| share > UNEXPLAINED) {
            return Some(Contradiction {
                why: format!(
                    "the crossed photographs of field {} do not brighten and go dark as their angles say: an angle or an exposure is wrong, or they show other places",
                    self.name
                ),
                next: "Check the angle of each crossed photograph, or photograph them again in one go.".into(),
            });
        }
        match signs.ground() {
            Ground::Dark => {}
            Ground::Magenta => {
                return Some(Contradiction {
                    why: format!(
                        "nothing goes dark between the crossed polars of field {}, and its ground is magenta: a full-wave plate is in, or this is no thin section",
                        self.name
                    ),
                    next: "Take the plate out, and photograph the crossed polars again.".into(),
                });
            }
            Ground::Lit => {
                return Some(Contradiction {
                    why: format!(
                        "nothing goes dark between the crossed polars of field {}: the polars are not crossed, or this is no thin section",
                        self.name
                    ),
                    next: "Cross the polars until an empty place of the slide is black, and photograph again.".into(),
                });
            }
        }
        if let Some((i, over)) = signs.too_bright(self) {
            return Some(Contradiction {
                why: format!(
                    "by its EXIF exposure {} is {over:.1} times as bright as {plane}, which crossed polars cannot be: were plane light and crossed polars exchanged, or the lamp or the exposure changed by hand",
                    name(i)
                ),
                next: "Photograph plane light and crossed polars with one lamp setting, and let the camera write the exposure.".into(),
            });
        }
        None
    }

    /// Photographs that show nothing: black ones and burnt-out ones.
    fn unlit(&self, signs: &Signs) -> Option<Contradiction> {
        let burnt = |spots: &[Spot]| spots.iter().flatten().count() * 5 < spots.len();
        let black = |spots: &[Spot], least: f64| level(spots).is_none_or(|l| l < least);
        let plane = &self.plane.record.file;
        if burnt(&signs.plane) {
            return Some(Contradiction {
                why: format!("{plane} is burnt out nearly everywhere"),
                next: "Shorten the exposure in plane light until clear glass is just short of white, and photograph again.".into(),
            });
        }
        if black(&signs.plane, BLACK_PLANE) {
            let few = self.plane.record.warnings.iter().find(|w| w.starts_with(crate::slide::decode::FEW_BITS));
            return Some(Contradiction {
                why: few
                    .map_or_else(|| format!("{plane} is black"), |few| format!("{plane} is all but black, for {few}")),
                next: few.map_or(LIGHT_UP, |_| FILL_BITS).into(),
            });
        }
        if signs.crossed.iter().all(|c| burnt(c)) {
            return Some(Contradiction {
                why: format!("the crossed photographs of field {} are burnt out nearly everywhere", self.name),
                next: "Shorten the crossed exposure until no grain is burnt out, and photograph again.".into(),
            });
        }
        if signs.crossed.iter().all(|c| black(c, BLACK_CROSSED)) {
            return Some(Contradiction {
                why: format!("the crossed photographs of field {} are black", self.name),
                next: "Lengthen the crossed exposure until the brightest grains are just short of white.".into(),
            });
        }
        None
    }

    fn angles_deg(&self) -> Vec<f64> {
        self.crossed.iter().map(|c| c.angle.deg()).collect()
    }
}

/// The ground of the crossed photographs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ground {
    /// Something is dark, as it must be.
    Dark,
    /// Nothing is dark, and most of it is magenta.
    Magenta,
    /// Nothing is dark.
    Lit,
}

/// Light of the same spots in every photograph.
struct Signs {
    plane: Vec<Spot>,
    crossed: Vec<Vec<Spot>>,
}

impl Signs {
    fn of(stack: &FieldStack) -> Self {
        let step = (stack.width.max(stack.height) / SPOTS).max(1);
        let places: Vec<[f64; 2]> = (step / 2..stack.height)
            .step_by(step)
            .flat_map(|y| (step / 2..stack.width).step_by(step).map(move |x| [x as f64, y as f64]))
            .collect();
        let middle = centre(stack.width, stack.height);
        let plane = spots(&stack.plane, places.iter().copied());
        let crossed = stack
            .crossed
            .par_iter()
            .map(|c| spots(&c.photograph, places.iter().map(|at| c.placement.map(*at, middle))))
            .collect();
        Self { plane, crossed }
    }

    /// The crossed photograph that is bright where plane light is dark: the one of the most such spots.
    fn exchanged(&self) -> Option<usize> {
        let plane_level = level(&self.plane)?;
        let shares = self.crossed.iter().map(|crossed| {
            let Some(crossed_level) = level(crossed) else { return 0.0 };
            let (mut against, mut all) = (0usize, 0usize);
            for (p, c) in self.plane.iter().zip(crossed) {
                let (Some(p), Some(c)) = (p, c) else { continue };
                all += 1;
                against += usize::from(grey(p) < DARK * plane_level && grey(c) > BRIGHT * crossed_level);
            }
            if all < FEWEST { 0.0 } else { against as f64 / all as f64 }
        });
        shares.enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).filter(|(_, share)| *share > EXCHANGED).map(|(i, _)| i)
    }

    /// Two crossed photographs of different positions that show the same.
    fn same_picture(&self, angles_deg: &[f64]) -> Option<(usize, usize)> {
        let telling = |a: usize, b: usize| {
            let between = (angles_deg[a] - angles_deg[b]).rem_euclid(90.0);
            between.min(90.0 - between) >= TELLING_DEG
        };
        (0..self.crossed.len())
            .flat_map(|b| (0..b).map(move |a| (a, b)))
            .filter(|&(a, b)| telling(a, b))
            .map(|(a, b)| (a, b, correlation(&self.crossed[a], &self.crossed[b]).unwrap_or(0.0)))
            .max_by(|a, b| a.2.total_cmp(&b.2))
            .filter(|(_, _, r)| *r > SAME)
            .map(|(a, b, _)| (a, b))
    }

    /// Share of the variance between the crossed photographs that leak + c/2 (1 - cos 4(φ - a)) leaves, per degree of
    /// freedom; None with less than four positions, or without their exposures.
    fn unexplained(&self, stack: &FieldStack) -> Option<f64> {
        let n = self.crossed.len();
        let exposures: Vec<f64> = stack.crossed.iter().map(|c| c.relative_exposure).collect::<Option<_>>()?;
        let rows: Vec<Vector3<f64>> = stack
            .crossed
            .iter()
            .map(|c| 4.0 * c.angle.radians())
            .map(|a| Vector3::new(1.0, a.cos(), a.sin()))
            .collect();
        let normal: Matrix3<f64> = rows.iter().map(|r| r * r.transpose()).sum();
        if n < 4 || normal.symmetric_eigenvalues().min() < WELL_SPREAD * n as f64 {
            return None;
        }
        let inverse = normal.try_inverse()?;
        let (mut left, mut all, mut count) = (0.0, 0.0, 0usize);
        for i in 0..self.plane.len() {
            let Some(light) =
                self.crossed.iter().zip(&exposures).map(|(c, e)| Some(grey(&c[i]?) / e)).collect::<Option<Vec<f64>>>()
            else {
                continue;
            };
            let right: Vector3<f64> = rows.iter().zip(&light).map(|(r, l)| r * *l).sum();
            let fit = inverse * right;
            let mean = light.iter().sum::<f64>() / n as f64;
            all += light.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
            left += rows.iter().zip(&light).map(|(r, l)| (l - r.dot(&fit)).powi(2)).sum::<f64>();
            count += 1;
        }
        let freedom = (n - 1) as f64 / (n - 3) as f64;
        (count >= FEWEST && all > 0.0).then(|| freedom * left / all)
    }

    /// What the darkest spots of the crossed photographs show; one photograph with a dark ground is enough for that.
    fn ground(&self) -> Ground {
        let mut found = Ground::Dark;
        for crossed in &self.crossed {
            let mut seen: Vec<[f64; 3]> = crossed.iter().flatten().copied().collect();
            let Some(bright) = level(crossed).filter(|_| seen.len() >= FEWEST) else { return Ground::Dark };
            seen.sort_by(|a, b| (a[0] + a[2]).total_cmp(&(b[0] + b[2])));
            let darkest = &seen[seen.len() / 100..seen.len() / 10];
            let mean = |c: usize| darkest.iter().map(|s| s[c]).sum::<f64>() / darkest.len() as f64;
            if 0.5 * (mean(0) + mean(2)) < NEVER_DARK * bright {
                return Ground::Dark;
            }
            found = if magenta(&seen) { Ground::Magenta } else { Ground::Lit };
        }
        found
    }

    /// A crossed photograph that is too bright for its exposure, and by how much.
    fn too_bright(&self, stack: &FieldStack) -> Option<(usize, f64)> {
        self.crossed
            .iter()
            .enumerate()
            .filter_map(|(i, crossed)| {
                let exposure = stack.crossed[i].relative_exposure?;
                let mut over: Vec<f64> = self
                    .plane
                    .iter()
                    .zip(crossed)
                    .filter_map(|(p, c)| Some((grey(p.as_ref()?), grey(c.as_ref()?))))
                    .filter(|(p, _)| *p > 0.01)
                    .map(|(p, c)| c / (p * exposure))
                    .collect();
                (over.len() >= FEWEST).then(|| (i, median(&mut over)))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, over)| *over > TOO_BRIGHT)
    }
}

/// Whether enough of a photograph has the colour of a full-wave plate.
fn magenta(seen: &[[f64; 3]]) -> bool {
    let so = seen.iter().filter(|s| s[1] < MAGENTA.0 * 0.5 * (s[0] + s[2])).count();
    so as f64 > MAGENTA.1 * seen.len() as f64
}

fn spots(photograph: &Photograph, places: impl Iterator<Item = [f64; 2]>) -> Vec<Spot> {
    let masks = photograph.code_masks();
    let (w, h) = (photograph.width as i64, photograph.height as i64);
    places
        .map(|[x, y]| {
            let (x, y) = (x.round() as i64, y.round() as i64);
            if x < HALF || y < HALF || x >= w - HALF || y >= h - HALF {
                return None;
            }
            let mut sum = [0.0; 3];
            for (i, j) in (-HALF..=HALF).flat_map(|j| (-HALF..=HALF).map(move |i| (x + i, y + j))) {
                for (c, sum) in sum.iter_mut().enumerate() {
                    let code = usize::from(photograph.code(i as usize, j as usize, c));
                    if masks[code] & mask::CLIPPED != 0 {
                        return None;
                    }
                    *sum += f64::from(photograph.to_linear[code]);
                }
            }
            Some(sum.map(|s| s / ((2 * HALF + 1) * (2 * HALF + 1)) as f64))
        })
        .collect()
}

fn grey(light: &[f64; 3]) -> f64 {
    0.25 * light[0] + 0.5 * light[1] + 0.25 * light[2]
}

/// The light that a tenth of the spots exceed; None when nothing is lit.
fn level(spots: &[Spot]) -> Option<f64> {
    let mut light: Vec<f64> = spots.iter().flatten().map(grey).collect();
    light.sort_by(f64::total_cmp);
    light.get(light.len() * 9 / 10).copied().filter(|l| *l > 1e-4)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// Correlation of the brightness of two photographs where both show something.
fn correlation(a: &[Spot], b: &[Spot]) -> Option<f64> {
    let pairs: Vec<(f64, f64)> =
        a.iter().zip(b).filter_map(|(a, b)| Some((grey(a.as_ref()?).sqrt(), grey(b.as_ref()?).sqrt()))).collect();
    if pairs.len() < FEWEST {
        return None;
    }
    let n = pairs.len() as f64;
    let (ma, mb) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let sum = |f: &dyn Fn(&(f64, f64)) -> f64| pairs.iter().map(f).sum::<f64>();
    let (aa, bb, ab) = (sum(&|p| (p.0 - ma).powi(2)), sum(&|p| (p.1 - mb).powi(2)), sum(&|p| (p.0 - ma) * (p.1 - mb)));
    // An even picture is like every other one.
    let varied = |squares: f64, mean: f64| (squares / n).sqrt() > 0.02 * mean;
    (varied(aa, ma) && varied(bb, mb)).then(|| ab / (aa * bb).sqrt())
}
