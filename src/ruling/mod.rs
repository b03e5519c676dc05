//! A photographed stage micrometer: its ruled lines, and how many micrometres a pixel is.
//!
//! ```text
//! photograph ── plane ──> tiles ── spectrum ──> places with parallel lines
//!                                                   │ follow
//!                                  band of straightened strips ── lines ──> numbered line centres
//!                                                                              │ least squares
//!                                        refused, with the reason <── divisions ──> pitch, tilt, long lines
//! ```
//!
//! Lines are looked for at any tilt, dark or bright, in any part of the picture. What is no ruled scale, or one whose divisions
//! cannot be told, is refused.

mod band;
mod divisions;
mod lines;
mod plane;
mod refused;
mod spectrum;
mod template;
#[cfg(test)]
mod tests;

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::measured::Measured;
use crate::slide::Photograph;
use crate::slide::exif::BELIEVABLE_UM_PER_PX;
use crate::units::{Degrees, Micrometres};

pub use refused::Refused;

use band::{Band, Start};
use divisions::Cells;
use lines::Row;
use plane::Plane;
use spectrum::Seed;

/// What a photographed stage micrometer says of the camera and its objective.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruling {
    /// Micrometres per pixel: across the lines, or the mean of both directions when there are two.
    pub um_per_px: Measured,
    /// Direction across the lines, anticlockwise from +x as seen, above -90 and up to 90 degrees.
    pub tilt: Degrees,
    /// Distance from one line to the next, pixels.
    pub pitch_px: Measured,
    /// What that distance is on the glass, as stated.
    pub division: Micrometres,
    /// Lines that were measured.
    pub lines: usize,
    /// Lines between the first and the last that are missing or do not agree, under dirt for instance.
    pub missing: usize,
    /// Every how many lines a longer one stands, and the longest; empty when all are alike.
    pub long_every: Vec<usize>,
    /// Half of the change of the scale from one end of the lines to the other, share of it; 0 when none shows.
    pub bend: f64,
    /// The second direction of a crossed graticule.
    pub cross: Option<Cross>,
    /// What makes the scale less sure.
    pub notes: Vec<String>,
}

/// The other lines of a crossed graticule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cross {
    /// Direction across them, as [`Ruling::tilt`].
    pub tilt: Degrees,
    /// Micrometres per pixel across them.
    pub um_per_px: Measured,
    /// Lines that were measured.
    pub lines: usize,
    /// Micrometres per pixel across them over that across the first: 1 when pixels are square.
    pub anisotropy: Measured,
}

/// Least lines that a scale is told by.
const LEAST_LINES: usize = 6;
/// Least length of the lines when nobody said that there is a scale, spacings: lines of 10 um divisions are 50 um long and more (common
/// practice, no source), strokes of letters reach from one row halfway to the next.
const LEAST_LENGTH: f64 = 3.0;
/// Gaps of one to three lines among a number of them, above which even lines that are all alike may be anything, when nobody said
/// that there is a scale: dirt hides one line in a hundred. House value.
const MOST_GAPS: f64 = 0.1;
/// Scatter of line centres that is allowed, pixels, and share of the distance: a ruling is even to a micrometre, and the
/// camera to a tenth of a pixel. House values.
const SCATTER: [f64; 2] = [0.1, 0.02];
/// How much a line may vary along itself beyond noise, share of its depth. House value; rows of text vary by a third and more.
const UNSTEADY: f64 = 0.2;
/// How much lines may differ in depth, share of it. House value.
const UNLIKE: f64 = 0.35;
/// Height of a line over the light around, in its root, below which it may come from how the picture was stored.
const FAINT: f64 = 0.012;
/// Places that are looked at closely.
const LOOKS: usize = 150;
/// How many of them, where something repeats, are followed over the whole picture.
const FOLLOWED: usize = 16;
/// How many of them in one direction and at one size of tile.
const LOOKS_ALIKE: usize = 8;
/// How well the ends of a row of lines can be placed at best, pixels, one standard deviation: pixels fold fine lines over, and codecs
/// and dust move neighbours alike. From rendered scales.
const END: f64 = 0.012;
/// A second direction counts from this far.
const CROSSED_FROM_DEG: f64 = 30.0;

/// Finds the ruled lines of a photographed stage micrometer and measures micrometres per pixel.
///
/// `division` is the distance from one line to the next on the glass when the user stated it; 10 µm is taken otherwise (common
/// practice: 1 mm in 100 divisions).
///
/// # Errors
/// The reason when the photograph shows no ruled scale, or one whose divisions cannot be told.
pub fn measure(photograph: &Photograph, division: Option<Micrometres>) -> Result<Ruling, Refused> {
    if photograph.width.min(photograph.height) < 64 {
        return Err(Refused::TooSmall);
    }
    let levels = spectrum::levels(Plane::of(photograph));
    let seeds = spectrum::seeds(&levels);
    let first = first_good(&levels, &seeds)?;
    let others: Vec<Seed> = seeds
        .iter()
        .filter(|s| apart_deg(s.angle, first.angle) > CROSSED_FROM_DEG && s.score > 0.15 * seeds[0].score)
        .copied()
        .collect();
    let second = first_good(&levels, &others[..others.len().min(2 * LOOKS_ALIKE)]).ok();
    first.ruling(second.as_ref(), division)
}

/// A direction with its measured lines.
struct Ruled {
    angle: f64,
    row: Row,
    long_every: Vec<usize>,
    /// Whether the picture goes on beyond the first and beyond the last line.
    ends_inside: bool,
    /// How long the lines are that all reach, spacings.
    length: f64,
    /// Where finer lines of the same direction stand.
    finer: Option<Start>,
    /// Whether there is a step of grey between the lines.
    grey_between: bool,
}

fn apart_deg(a: f64, b: f64) -> f64 {
    let d = (a - b).to_degrees().rem_euclid(180.0);
    d.min(180.0 - d)
}

fn first_good(levels: &[Plane], seeds: &[Seed]) -> Result<Ruled, Refused> {
    let mut why = Refused::NothingRepeats;
    let mut looks = [[0_usize; 60]; 8];
    let (mut left, mut followed) = (LOOKS, 0);
    for seed in seeds {
        // No direction takes all the looks: a picture may hold more than the scale.
        let of_direction = &mut looks[seed.level as usize % 8][(seed.angle.to_degrees() / 3.0) as usize % 60];
        *of_direction += 1;
        if *of_direction > LOOKS_ALIKE {
            continue;
        }
        left -= 1;
        if left == 0 {
            break;
        }
        match Ruled::from_seed(levels, seed) {
            Err(Refused::NothingRepeats) => continue,
            Ok(ruled) => return Ok(ruled),
            Err(e) if e > why => why = e,
            Err(_) => {}
        }
        followed += 1;
        if followed == FOLLOWED {
            break;
        }
    }
    Err(why)
}

impl Ruled {
    fn from_seed(levels: &[Plane], seed: &Seed) -> Result<Self, Refused> {
        let start = Start::at(levels, seed).ok_or(Refused::NothingRepeats)?;
        let coarse = Self::from_start(&levels[0], &start)?;
        // Where long lines are alone, short ones may stand further along them.
        let ruled = match &coarse.finer {
            None => coarse,
            Some(finer) => Self::from_start(&levels[0], finer).map_err(|_| Refused::FinerLines)?,
        };
        if ruled.finer.is_some() || ruled.grey_between { Err(Refused::FinerLines) } else { Ok(ruled) }
    }

    fn from_start(plane: &Plane, start: &Start) -> Result<Self, Refused> {
        let band = start.follow(plane)?;
        let mut row = Row::of(&band)?;
        // A spacing that was taken too long by a whole number holds that many lines.
        if let Some(parts) = divisions::overtone(&band, &row) {
            row = Row::of_pitch(&band, row.pitch / parts as f64)?;
            if divisions::overtone(&band, &row).is_some() {
                return Err(Refused::FinerLines);
            }
        }
        let mut between = divisions::between(&band, &row);
        if let Some((parts, [from, to])) = divisions::finer(&between, row.pitch) {
            let at = |x: f64| {
                let n = x.floor();
                let [a, b] = [n, n + 1.0].map(|n| row.expected(n as i64));
                a + (b - a) * (x - n)
            };
            let pitch = row.pitch / parts as f64;
            row = Row::within(&band, pitch, [at(from) - 0.3 * pitch, at(to) + 0.3 * pitch])?;
            between = divisions::between(&band, &row);
        }
        Self::checked(plane, &band, row, &between)
    }

    /// Whether these lines are a ruled scale.
    fn checked(plane: &Plane, band: &Band, row: Row, between: &[f64]) -> Result<Self, Refused> {
        let kept = row.lines.iter().filter(|l| l.kept).count();
        if kept < LEAST_LINES {
            return Err(Refused::TooFew { lines: kept });
        }
        let level = {
            let part: Vec<f32> = (band.rows[0]..=band.rows[1])
                .flat_map(|r| band.strips.light.row(r).iter().copied().skip(band.window[0]).collect::<Vec<_>>())
                .filter(|v| v.is_finite())
                .collect();
            f64::from(part.iter().sum::<f32>()) / part.len().max(1) as f64
        };
        let height = row.template.height() / level.max(1e-6);
        // Codecs work in squares of 8: faint lines just there are theirs.
        let blocks = row.pitch / 8.0;
        let on_blocks = (blocks - blocks.round()).abs() < 0.003 && blocks.round() >= 1.0;
        if height < FAINT || (height < 4.0 * FAINT && on_blocks) {
            return Err(Refused::TooFaint);
        }
        let cells = Cells::of(band, &row);
        let tall = (band.rows[1] - band.rows[0] + 1) * band.strips.tall;
        if divisions::unsteadiness(plane, band, &row, &cells) > UNSTEADY || (tall as f64) < 0.8 * row.pitch {
            return Err(Refused::Interrupted);
        }
        if band.crooked > SCATTER[0] + 1.5 * SCATTER[1] * row.pitch {
            return Err(Refused::Crooked);
        }
        let [first, last] = row.ends();
        let places = (last - first + 1) as usize;
        let dropped = row.lines.len() - kept;
        // A few lines may lie evenly by chance.
        let share = if kept < 20 { SCATTER[1] / 2.0 } else { SCATTER[1] };
        if row.scatter > SCATTER[0] + share * row.pitch || 4 * dropped > row.lines.len() {
            return Err(Refused::Uneven { scatter: row.scatter / row.pitch });
        }
        // A scale may be ruled finely at one end only; a run of lines there must be.
        let runs = row.lines.windows(2).filter(|w| w[1].n - w[0].n == 1).count();
        if runs < 4 || (5 * row.lines.len() < 4 * places && runs < 8) {
            return Err(Refused::TooFew { lines: runs + 1 });
        }
        let mut depths: Vec<f64> = row.lines.iter().map(|l| l.depth).collect();
        depths.sort_by(f64::total_cmp);
        let depth = |p: f64| crate::measured::quantile(&depths, p);
        if depth(0.84) - depth(0.16) > 2.0 * UNLIKE * depth(0.5) {
            return Err(Refused::Unlike);
        }
        if 2 * between.len() > row.lines.len() {
            return Err(Refused::Others { even: row.lines.len(), between: between.len() });
        }
        let numbers: Vec<i64> = row.lines.iter().map(|l| l.n).collect();
        let long_every = divisions::long_every(&numbers, &cells.lengths(band.rows));
        let beyond = |n: i64| {
            let column = band.strips.column(row.expected(n));
            column >= 0.0 && band.profile.get(column as usize).is_some_and(|v| v.is_finite())
        };
        let ends_inside = beyond(first - 3) && beyond(last + 3);
        let finer = band.finer(row.pitch, row.template.height(), [row.expected(first), row.expected(last)]);
        let grey_between = divisions::grey_between(band, &row);
        let length = tall as f64 / row.pitch;
        Ok(Self { angle: band.strips.frame.angle, row, long_every, ends_inside, length, finer, grey_between })
    }

    /// Distance between lines with its uncertainty, pixels.
    fn pitch(&self) -> Measured {
        let [first, last] = self.row.ends();
        let ends = END * 2_f64.sqrt() / (last - first) as f64;
        let systematic = ends.hypot(self.row.pitch * self.row.bend / 3_f64.sqrt());
        let u = self.row.pitch_uncertainty;
        let t = StudentsT::new(0.0, 1.0, self.row.freedom).map_or(1.96, |t| t.inverse_cdf(0.975));
        let half = (t * u).hypot(1.96 * systematic);
        let value = self.row.pitch;
        Measured {
            value,
            standard_uncertainty: u.hypot(systematic),
            interval: [value - half, value + half],
            level: 0.95,
        }
    }

    fn um_per_px(&self, division: f64) -> Measured {
        let p = self.pitch();
        let value = division / p.value;
        Measured {
            value,
            standard_uncertainty: value * p.standard_uncertainty / p.value,
            interval: [division / p.interval[1], division / p.interval[0]],
            level: p.level,
        }
    }

    fn tilt(&self) -> Degrees {
        let deg = -self.angle.to_degrees();
        let folded = 90.0 - (90.0 - deg).rem_euclid(180.0);
        Degrees::from_deg(folded)
    }

    fn ruling(&self, second: Option<&Self>, stated: Option<Micrometres>) -> Result<Ruling, Refused> {
        let division = stated.map_or(10.0, Micrometres::um);
        let row = &self.row;
        let [first, last] = row.ends();
        let divisions = (last - first) as usize;
        if let Some(every) = self.long_every.iter().find(|k| !divisions::is_round(**k as f64 * division)) {
            return Err(Refused::LongTooOften { every: *every, division_um: division });
        }
        if stated.is_none() && self.length < LEAST_LENGTH {
            return Err(Refused::Interrupted);
        }
        // Lines that are all alike and of which many are not there may be anything.
        let numbers: Vec<i64> = row.lines.iter().filter(|l| l.kept).map(|l| l.n).collect();
        let gaps = numbers.windows(2).filter(|n| (2..=4).contains(&(n[1] - n[0]))).count();
        if stated.is_none() && self.long_every.is_empty() && gaps as f64 > MOST_GAPS * numbers.len() as f64 {
            return Err(Refused::Interrupted);
        }
        if stated.is_none() && self.ends_inside && [10, 20, 50].contains(&divisions) {
            return Err(Refused::FewDivisions { divisions });
        }
        let mut notes = Vec::new();
        let mut um_per_px = self.um_per_px(division);
        if !BELIEVABLE_UM_PER_PX.contains(&um_per_px.value) {
            return Err(Refused::Unbelievable { um_per_px: um_per_px.value });
        }
        if row.bend > 0.0 {
            notes.push(format!(
                "the scale changes along the lines by {:.2} % either way, as a lens that bends straight lines does: the interval is \
                 wide enough for it",
                100.0 * row.bend
            ));
        }
        if self.long_every.is_empty() {
            notes.push(format!(
                "all lines are alike: nothing in the picture confirms that they are {division} um apart"
            ));
        }
        let kept = row.lines.iter().filter(|l| l.kept).count();
        let cross = second.map(|other| {
            let there = other.um_per_px(division);
            let ratio = there.value / um_per_px.value;
            let u = ratio
                * (there.standard_uncertainty / there.value).hypot(um_per_px.standard_uncertainty / um_per_px.value);
            Cross {
                tilt: other.tilt(),
                um_per_px: there,
                lines: other.row.lines.iter().filter(|l| l.kept).count(),
                anisotropy: Measured::normal(ratio, u),
            }
        });
        if let Some(cross) = cross {
            let (a, b) = (um_per_px, cross.um_per_px);
            let off = (b.value - a.value).abs();
            let u = a.standard_uncertainty.hypot(b.standard_uncertainty);
            if off > 0.3 * a.value {
                return Err(Refused::Others { even: kept, between: cross.lines });
            }
            let mean = f64::midpoint(a.value, b.value);
            um_per_px = Measured::normal(mean, (0.5 * u).hypot(off / 12_f64.sqrt()));
            if off > 3.0 * u && off > 0.001 * mean {
                notes.push(format!(
                    "the two directions differ by {:.2} %: pixels are not square, and lengths are that unsure",
                    100.0 * off / mean
                ));
            }
        }
        Ok(Ruling {
            um_per_px,
            tilt: self.tilt(),
            pitch_px: self.pitch(),
            division: Micrometres::from_um(division),
            lines: kept,
            missing: (divisions + 1).saturating_sub(kept),
            long_every: self.long_every.clone(),
            bend: row.bend,
            cross,
            notes,
        })
    }
}
