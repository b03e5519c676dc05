//! Places every crossed photograph of a field: which way the picture turned, about which pivot, and how sure that is.

use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;

use crate::register::align::{Base, FINE_ERRORS, ROUGH_ERRORS, SURE};
use crate::register::drawing::{Cells, Drawing, LogLight, still_places};
use crate::register::overview::Overview;
use crate::register::{Placement, each_other};
use crate::slide::photograph::Photograph;
use crate::slide::record::Turned;
use crate::timings::stage;
use crate::units::Degrees;

/// Turns smaller than this, degrees, tell neither sense nor what stands still.
const TELLING_TURN: f64 = 4.0;

/// What was found for the crossed photographs of a field, in their order.
pub(crate) struct Places {
    /// Where the grid lies in each.
    pub(crate) placements: Vec<Placement>,
    /// Angle of the polars relative to the section, anticlockwise as seen.
    pub(crate) angles: Vec<Degrees>,
    /// Whether the picture turned.
    pub(crate) turns: bool,
    /// The plane photograph's lines from afar.
    pub(crate) overview: Overview,
    /// Sentences for the user.
    pub(crate) warnings: Vec<String>,
}

/// Places the crossed photographs of a field on its plane one, drawn on `cells`.
pub(crate) fn find(plane: &Photograph, crossed: &[Photograph], turned: Turned, cells: Cells) -> Places {
    let (drawn, base_outlines) = Drawn::of(plane, crossed, cells);
    let lines = drawn.plane.lines();
    let overview = Overview::of(&lines);
    let telling = drawn.stated.iter().any(|a| tells(*a));
    let base = Base::new(base_outlines.clone(), drawn.size, cells.search);
    let place_still = |d| if turned == Turned::Polars { base.still(d) } else { base.still_roughly(d) };
    let still: Vec<Placement> = drawn.outlines.iter().map(place_still).collect();
    let still_sure = still.iter().zip(&drawn.stated).all(|(p, a)| p.peak >= SURE || !tells(*a));
    // Polars that turned leave the picture still; only where it visibly did not is the other way tried.
    if turned == Turned::Polars && (still_sure || !telling) {
        return drawn.stayed(still, overview, None);
    }
    let rolled = Rolled::find(&drawn, lines, base_outlines);
    let over = |placements: &[Placement]| -> f64 {
        placements.iter().zip(&drawn.stated).filter(|(_, a)| tells(**a)).map(|(p, _)| p.peak).sum()
    };
    let count = drawn.stated.iter().filter(|a| tells(**a)).count() as f64;
    let (turning, staying) = (over(&rolled.placements), over(&still));
    match turned {
        Turned::Polars if turning > staying && turning > 1.5 * SURE * count => {
            let note =
                "the pictures turn with the stated angle: the stage was turned, not the polars as assumed or said";
            drawn.rolled(rolled, overview, Some(note))
        }
        Turned::Polars => drawn.stayed(still, overview, None),
        Turned::Stage if telling && staying > turning && staying > 1.5 * SURE * count => {
            let note = "the pictures do not turn with the stated angle: the polars were turned, not the stage as said";
            let still = drawn.outlines.iter().map(|d| base.still(d)).collect();
            drawn.stayed(still, overview, Some(note))
        }
        Turned::Stage => drawn.rolled(rolled, overview, None),
    }
}

/// Whether a stated angle turns the picture enough to tell anything.
fn tells(angle_deg: f64) -> bool {
    let turn = angle_deg.rem_euclid(360.0);
    (TELLING_TURN..=360.0 - TELLING_TURN).contains(&turn)
}

/// The photographs of a field, drawn.
struct Drawn<'a> {
    plane: LogLight,
    crossed: Vec<LogLight>,
    /// Of the crossed photographs.
    outlines: Vec<Drawing>,
    photographs: &'a [Photograph],
    /// Their angles, degrees.
    stated: Vec<f64>,
    /// Width and height of each, pixels.
    size: [usize; 2],
    cells: Cells,
}

impl<'a> Drawn<'a> {
    /// With the outlines of the plane photograph.
    fn of(plane: &Photograph, photographs: &'a [Photograph], cells: Cells) -> (Self, Drawing) {
        stage!("register: outlines");
        let stated = photographs.iter().map(|p| p.angle.map_or(0.0, Degrees::deg)).collect();
        let size = [plane.width, plane.height];
        let plane = LogLight::of(plane, cells);
        let mut base = plane.outlines();
        let crossed: Vec<LogLight> = photographs.par_iter().map(|p| LogLight::of(p, cells)).collect();
        let mut outlines: Vec<Drawing> = crossed.par_iter().map(LogLight::outlines).collect();
        // The edge of an eyepiece's disc looks the same however the section lies.
        if let Some(surround) = plane.surround() {
            base.clear(&surround);
            outlines.par_iter_mut().for_each(|d| d.clear(&surround));
        }
        (Self { plane, crossed, outlines, photographs, stated, size, cells }, base)
    }

    /// The places of pictures that stayed still.
    fn stayed(&self, mut placements: Vec<Placement>, overview: Overview, note: Option<&str>) -> Places {
        let mut warnings: Vec<String> = note.map(String::from).into_iter().collect();
        each_other::place(&mut placements, &self.stated, |_, from, to| {
            Base::new(self.outlines[from].clone(), self.size, self.cells.search).still(&self.outlines[to])
        });
        for (placement, photograph) in placements.iter_mut().zip(self.photographs).filter(|(p, _)| p.peak < SURE) {
            warnings.push(unsure(photograph, placement));
            *placement = Placement { turn: 0.0, shift: [0.0, 0.0], peak: placement.peak };
        }
        let angles = self.stated.iter().map(|a| Degrees::from_deg(*a)).collect();
        Places { placements, angles, turns: false, overview, warnings }
    }

    /// The places of pictures that turned.
    fn rolled(&self, rolled: Rolled, overview: Overview, note: Option<&str>) -> Places {
        let mut warnings: Vec<String> = note.map(String::from).into_iter().collect();
        let Rolled { base, outlines, sense, placements } = rolled;
        let mut placements: Vec<Placement> = placements
            .into_iter()
            .zip(&outlines)
            .map(|(p, d)| if p.peak >= SURE { base.refined(d, p, true) } else { p })
            .collect();
        each_other::place(&mut placements, &self.stated, |placed, from, to| {
            let turn = sense * self.stated[to].to_radians() - placed.turn;
            let base = Base::new(outlines[from].clone(), self.size, Cells::OF_A_FIELD.search);
            let found = base.turned(&outlines[to], turn, &[&ROUGH_ERRORS[..], &FINE_ERRORS].concat());
            if found.peak < SURE { found } else { base.refined(&outlines[to], found, true) }
        });
        let pivot = pivot(placements.iter().filter(|p| p.peak >= SURE));
        for ((placement, angle), photograph) in placements.iter_mut().zip(&self.stated).zip(self.photographs) {
            if placement.peak < SURE {
                warnings.push(unsure(photograph, placement));
                let turn = sense * angle.to_radians();
                let shift = pivot.map_or([0.0, 0.0], |q| thrown(turn, q));
                *placement = Placement { turn, shift, peak: placement.peak };
            }
        }
        // The section turned clockwise as seen by `turn` (image y is down), so the polars turned anticlockwise in it.
        let angles = placements.iter().map(|p| Degrees::from_deg(p.turn.to_degrees())).collect();
        Places { placements, angles, turns: true, overview, warnings }
    }
}

fn unsure(photograph: &Photograph, placement: &Placement) -> String {
    format!(
        "{} shows too few outlines of the plane photograph, or of a crossed one that lies on it, to be laid on it with certainty (peak {:.1}): it was taken to lie as stated",
        photograph.record.file, placement.peak
    )
}

/// The placements for the sense in which the stage is read.
struct Rolled {
    base: Base,
    /// Of the crossed photographs, without what stood still.
    outlines: Vec<Drawing>,
    sense: f64,
    placements: Vec<Placement>,
}

impl Rolled {
    /// Tries both senses and keeps the one whose peaks are higher in sum; `lines` and `base_outlines` are the plane photograph's.
    fn find(drawn: &Drawn, lines: Drawing, mut base_outlines: Drawing) -> Self {
        let mut outlines = drawn.outlines.clone();
        let telling: Vec<&LogLight> =
            drawn.crossed.iter().zip(&drawn.stated).filter(|(_, a)| tells(**a)).map(|(l, _)| l).collect();
        let mut voters = vec![lines];
        voters.par_extend(telling.into_par_iter().map(LogLight::lines));
        if let Some(still) = still_places(&voters) {
            base_outlines.clear(&still);
            outlines.iter_mut().for_each(|d| d.clear(&still));
        }
        // A turn is searched at many angles: on the cells of a field, for it shows on a whole section too.
        let base = Base::new(base_outlines, drawn.size, Cells::OF_A_FIELD.search);
        let search = |sense: f64, errors: &[f64]| -> Vec<Placement> {
            let place = |(d, angle): (&Drawing, &f64)| base.turned(d, sense * angle.to_radians(), errors);
            outlines.par_iter().zip(&drawn.stated).map(place).collect()
        };
        let sum = |placements: &[Placement]| placements.iter().map(|p| p.peak).sum::<f64>();
        let (one, other) = (search(1.0, &ROUGH_ERRORS), search(-1.0, &ROUGH_ERRORS));
        let (sense, rough) = if sum(&one) >= sum(&other) { (1.0, one) } else { (-1.0, other) };
        let fine = search(sense, &FINE_ERRORS);
        let placements = rough.into_iter().zip(fine).map(|(a, b)| if b.peak > a.peak { b } else { a }).collect();
        Self { base, outlines, sense, placements }
    }
}

/// Shift of a picture that turned about a pivot `q` pixels from the centre: (1 - R) q.
pub(super) fn thrown(turn: f64, q: Vector2<f64>) -> [f64; 2] {
    let (sin, cos) = turn.sin_cos();
    let shift = (Matrix2::identity() - Matrix2::new(cos, -sin, sin, cos)) * q;
    [shift.x, shift.y]
}

/// The pivot that all placements share, from the centre in pixels, by least squares.
fn pivot<'a>(placements: impl Iterator<Item = &'a Placement>) -> Option<Vector2<f64>> {
    let mut normal = Matrix2::zeros();
    let mut right = Vector2::zeros();
    for p in placements {
        let (sin, cos) = p.turn.sin_cos();
        let m = Matrix2::identity() - Matrix2::new(cos, -sin, sin, cos);
        normal += m.transpose() * m;
        right += m.transpose() * Vector2::new(p.shift[0], p.shift[1]);
    }
    // A turn of 4 degrees weighs 0.005 here: less says nothing.
    (normal.determinant() > 2e-5).then(|| normal.try_inverse().map(|inverse| inverse * right)).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::register::testing::{Rock, stack, worst};
    use crate::slide::photograph::{Role, Samples};

    #[test]
    fn a_known_shift_of_turned_polars_is_recovered() {
        let place = |dx, dy| Placement { turn: 0.0, shift: [dx, dy], peak: 0.0 };
        for seed in [3, 4] {
            let truths =
                [(0.0, place(0.0, 0.0)), (22.5, place(1.4, -0.7)), (45.0, place(-6.3, 4.8)), (67.5, place(14.2, 11.6))];
            let stack = stack(&Rock::new(seed), &truths, Turned::Polars, false);
            assert_eq!(stack.warnings, Vec::<String>::new());
            for (crossed, (angle, truth)) in stack.crossed.iter().zip(&truths) {
                let error = worst(&crossed.placement, truth);
                assert!(error < 0.2, "{angle}: {:?} is {error} px off", crossed.placement);
                assert_eq!(crossed.angle.deg(), *angle);
            }
            assert_eq!(stack.lamp, None);
        }
    }

    #[test]
    fn sense_angle_and_pivot_of_a_turned_stage_are_recovered() {
        for (seed, sense, hairs) in [(5, 1.0, false), (6, -1.0, true), (7, -1.0, false)] {
            let truths: Vec<(f64, Placement)> = [(0.0, 0.0), (22.5, 0.6), (45.0, -0.8), (90.0, 0.3)]
                .map(|(angle, error): (f64, f64)| {
                    let turn = sense * (angle + error).to_radians();
                    let shift = thrown(turn, Vector2::new(11.0, -8.5));
                    (angle, Placement { turn, shift, peak: 0.0 })
                })
                .to_vec();
            let stack = stack(&Rock::new(seed), &truths, Turned::Stage, hairs);
            assert_eq!(stack.warnings, Vec::<String>::new());
            for (crossed, (angle, truth)) in stack.crossed.iter().zip(&truths) {
                let error = worst(&crossed.placement, truth);
                assert!(error < 0.5, "seed {seed}, {angle}: {:?} is {error} px off {truth:?}", crossed.placement);
                assert!((crossed.angle.deg() - truth.turn.to_degrees()).abs() < 0.15);
            }
        }
    }

    /// Photographs of a rock, with where the grid lies in each.
    fn drawn_photographs(seed: u64, truths: &[(f64, Placement)]) -> (Photograph, Vec<Photograph>) {
        let rock = Rock::new(seed);
        let still = Placement { turn: 0.0, shift: [0.0, 0.0], peak: 0.0 };
        let crossed = truths.iter().enumerate().map(|(i, (angle, truth))| {
            let angle = Some(Degrees::from_deg(*angle));
            Photograph { angle, ..rock.photograph(truth, Role::Crossed, 10 + i as u64, false) }
        });
        (rock.photograph(&still, Role::Plane, 1, false), crossed.collect())
    }

    /// As of a rock that plane light hardly shows.
    #[test]
    fn a_photograph_that_the_plane_one_does_not_place_is_placed_by_another() {
        let lost = Placement { turn: 0.0, shift: [7.0, 7.0], peak: 4.0 };
        for turned in [Turned::Polars, Turned::Stage] {
            let truths = [0.0, 30.0, 60.0].map(|angle: f64| {
                // A stage is read a little wrongly.
                let turn = if turned == Turned::Stage {
                    -(angle + if angle > 50.0 { -0.9 } else { 1.1 }).to_radians()
                } else {
                    0.0
                };
                let [dx, dy] = thrown(turn, Vector2::new(11.0, -8.5));
                (angle, Placement { turn, shift: [dx + 0.05 * angle, dy - 2.0], peak: 0.0 })
            });
            let (plane, crossed) = drawn_photographs(13, &truths);
            let (drawn, base_outlines) = Drawn::of(&plane, &crossed, Cells::OF_A_FIELD);
            let lines = drawn.plane.lines();
            let overview = Overview::of(&lines);
            let places = if turned == Turned::Stage {
                let mut rolled = Rolled::find(&drawn, lines, base_outlines);
                rolled.placements[1] = lost;
                drawn.rolled(rolled, overview, None)
            } else {
                let base = Base::new(base_outlines, drawn.size, drawn.cells.search);
                let mut still: Vec<Placement> = drawn.outlines.iter().map(|d| base.still(d)).collect();
                still[1] = lost;
                drawn.stayed(still, overview, None)
            };
            assert_eq!(places.warnings, Vec::<String>::new());
            for (found, (angle, truth)) in places.placements.iter().zip(&truths) {
                let error = worst(found, truth);
                assert!(error < 0.6, "{turned:?} {angle}: {found:?} is {error} px off {truth:?}");
            }
        }
    }

    /// A photograph as an eyepiece shows it: nothing beyond a disc, whose edge is soft.
    fn through_an_eyepiece(mut photograph: Photograph) -> Photograph {
        let (w, h) = (photograph.width, photograph.height);
        let Samples::Eight(codes) = &mut photograph.samples else { panic!("eight bits") };
        for (i, pixel) in codes.chunks_exact_mut(3).enumerate() {
            let from_the_middle = ((i % w) as f64 - w as f64 / 2.0).hypot((i / w) as f64 - h as f64 / 2.0);
            let passed = 1.0 / (1.0 + ((from_the_middle - 150.0) / 1.5).exp());
            pixel.iter_mut().for_each(|c| *c = (f64::from(*c) * passed) as u8);
        }
        photograph
    }

    #[test]
    fn the_disc_of_an_eyepiece_places_nothing() {
        let place = |dx: f64, dy: f64| Placement { turn: 0.0, shift: [dx, dy], peak: 0.0 };
        let seen = |(plane, crossed): (Photograph, Vec<Photograph>)| {
            (through_an_eyepiece(plane), crossed.into_iter().map(through_an_eyepiece).collect::<Vec<_>>())
        };
        let truths = [(0.0, place(3.0, -2.0)), (45.0, place(-6.0, 5.0))];
        let (plane, crossed) = seen(drawn_photographs(14, &truths));
        let (_, others) = seen(drawn_photographs(98, &truths));
        let elsewhere = find(&plane, &others, Turned::Polars, Cells::OF_A_FIELD);
        assert_eq!(elsewhere.warnings.len(), 2, "another section: {:?}", elsewhere.placements);
        let here = find(&plane, &crossed, Turned::Polars, Cells::OF_A_FIELD);
        for (found, (_, truth)) in here.placements.iter().zip(&truths) {
            assert!(worst(found, truth) < 0.3, "{found:?} {truth:?}");
        }
        let turned = [20.0, 50.0].map(|angle: f64| {
            let turn = angle.to_radians();
            (angle, Placement { turn, shift: thrown(turn, Vector2::new(-14.0, 9.0)), peak: 0.0 })
        });
        let (plane, crossed) = seen(drawn_photographs(15, &turned));
        let rolled = find(&plane, &crossed, Turned::Stage, Cells::OF_A_FIELD);
        assert_eq!(rolled.warnings, Vec::<String>::new());
        for (found, (_, truth)) in rolled.placements.iter().zip(&turned) {
            assert!(worst(found, truth) < 0.6, "{found:?} {truth:?}");
        }
    }

    #[test]
    fn what_was_turned_is_seen_when_it_was_said_wrongly() {
        let rock = Rock::new(8);
        let turn = 30f64.to_radians();
        let turning = [(30.0, Placement { turn, shift: thrown(turn, Vector2::new(4.0, 3.0)), peak: 0.0 })];
        let found = stack(&rock, &turning, Turned::Polars, false);
        assert!(found.warnings[0].contains("the stage was turned"), "{:?}", found.warnings);
        assert!(worst(&found.crossed[0].placement, &turning[0].1) < 0.5);
        let staying = [(30.0, Placement { turn: 0.0, shift: [1.0, 2.0], peak: 0.0 })];
        let found = stack(&rock, &staying, Turned::Stage, false);
        assert!(found.warnings[0].contains("the polars were turned"), "{:?}", found.warnings);
        assert!(worst(&found.crossed[0].placement, &staying[0].1) < 0.2);
    }

    #[test]
    fn photographs_of_different_places_are_not_forced_together() {
        let rock = Rock::new(11);
        let mut found = stack(&rock, &[], Turned::Polars, false);
        let mut other =
            Rock::new(99).photograph(&Placement { turn: 0.0, shift: [0.0, 0.0], peak: 0.0 }, Role::Crossed, 5, false);
        other.angle = Some(Degrees::from_deg(0.0));
        let places = find(&found.plane, &[other], Turned::Polars, Cells::OF_A_FIELD);
        found.warnings = places.warnings;
        assert!(found.warnings[0].contains("too few"), "{:?}", places.placements);
        assert_eq!(places.placements[0].shift, [0.0, 0.0]);
    }

    #[test]
    fn the_lamp_is_evened_for_a_turned_stage() {
        let rock = Rock::new(12);
        let turn = 60f64.to_radians();
        let truth = Placement { turn, shift: thrown(turn, Vector2::new(5.0, -3.0)), peak: 0.0 };
        let found = stack(&rock, &[(60.0, truth)], Turned::Stage, false);
        let lamp = found.lamp.expect("a lamp field is fitted");
        let corner = lamp.at([40.0, 40.0]);
        let expected = (-0.25f64 * ((169.5f64).powi(2) + (119.5f64).powi(2)) / 209.5f64.powi(2)).exp();
        assert!((corner / expected - 1.0).abs() < 0.04, "{corner} {expected}");
    }
}
