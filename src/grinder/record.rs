//! What `drawer.json` holds of the grinder: charts, line, tilt and onsets with the statements made of them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::grinder::batch::{Batch, Section};
use crate::grinder::findings::{Charted, Grinder, KINDS, OnsetOf};
use crate::grinder::individuals::Signal;
use crate::grinder::statements;
use crate::grinder::tilt::Tilt;
use crate::grinder::zero::ZeroLine;
use crate::measured::{round, significant};
use crate::section::defects::DefectKind;

/// What the sections say about the grinder.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GrinderRecord {
    /// What is said, each with its evidence.
    pub statements: Vec<Statement>,
    /// Runs of sections since a zero of the micrometer, in the order made.
    pub runs: Vec<RunRecord>,
    /// The mean wedge in the frame of the bevelled corner; null when too few sections have one.
    pub tilt: Option<TiltRecord>,
    /// The sharpest change for the worse of each kind of defect; a kind with too few sections is left out.
    pub onsets: Vec<OnsetRecord>,
    /// What to take care of at the machine; empty when there is nothing to do.
    pub cautions: Vec<String>,
}

/// Something that is said about the grinder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Statement {
    /// What it is about.
    pub about: Subject,
    /// Whether something was found.
    pub found: Found,
    /// What was found, in one sentence.
    pub sentence: String,
    /// What to do about it, in order.
    pub what_to_do: Vec<String>,
    /// What it rests on: sections, test, figures.
    pub evidence: String,
    /// Probability that chance alone gives as much; null when nothing was tested.
    pub chance: Option<f64>,
    /// How many sections it rests on.
    pub sections: usize,
}

/// What a statement is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// Whether the thickness is steady.
    Thickness,
    /// The micrometer's zero and the bond line.
    Zero,
    /// Whether the chuck is parallel to the wheel.
    Chuck,
    /// Scratches by sequence.
    Scratches,
    /// Bubbles by sequence.
    Bubbles,
    /// Plucked places by sequence.
    Plucks,
}

/// Whether something was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Found {
    /// Something to act upon.
    Signal,
    /// Tested, and nothing found.
    Nothing,
    /// Too few sections to say.
    TooFew,
}

/// Sections since a zero of the micrometer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunRecord {
    /// Ids of the sections in the order made.
    pub sections: Vec<String>,
    /// Chart of the thickness; null when too few are measured.
    pub thickness: Option<ChartRecord>,
    /// Line through micrometer's reading less thickness; null when too few have both.
    pub zero: Option<ZeroRecord>,
}

/// Chart of individual values, moving ranges and weighted averages (NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartRecord {
    /// Whether values are thickness above each section's target, and not thickness.
    pub above_target: bool,
    /// Mean, µm.
    pub mean_um: f64,
    /// Mean moving range, µm.
    pub mean_moving_range_um: f64,
    /// Lower and upper limit of a value: mean -/+ 3 standard deviations by the mean moving range, µm.
    pub limits_um: [f64; 2],
    /// Upper limit of a moving range, µm.
    pub moving_range_limit_um: f64,
    /// Weight of the newest value in the average.
    pub average_weight: f64,
    /// The sections in the order made.
    pub points: Vec<ChartPoint>,
    /// Probability that a steady process strays as far somewhere in a chart of this length.
    pub chance: f64,
}

/// A section on the chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartPoint {
    /// Slide id.
    pub id: String,
    /// Its place.
    pub sequence: Option<u32>,
    /// Thickness, or thickness above the target, µm.
    pub value_um: f64,
    /// Difference from the section before without its sign, µm; null for the first.
    pub moving_range_um: Option<f64>,
    /// Weighted average, µm.
    pub average_um: f64,
    /// Lower and upper limit of the average, µm.
    pub average_limits_um: [f64; 2],
    /// Signals: "beyond_limits", "run_on_one_side", "jump", "average_beyond_limits".
    pub signals: Vec<String>,
}

/// Line through micrometer's reading less thickness.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroRecord {
    /// How many sections.
    pub sections: usize,
    /// First and last place.
    pub from_to: [u32; 2],
    /// Reading less thickness on average, µm: the bond line and what the zero is off.
    pub mean_um: f64,
    /// 95 % interval of `mean_um`.
    pub mean_ci95_um: [f64; 2],
    /// Change a section, µm.
    pub drift_um_per_section: f64,
    /// 95 % interval of `drift_um_per_section`.
    pub drift_ci95_um_per_section: [f64; 2],
    /// Standard deviation about the line, µm.
    pub scatter_um: f64,
    /// Sections until the drift reaches 2 µm; null when no drift was found.
    pub set_again_after_sections: Option<u32>,
    /// Probability of as much drift by chance.
    pub chance: f64,
    /// The sections in the order made: id, place, reading less thickness in µm.
    pub points: Vec<ZeroPoint>,
}

/// Micrometer's reading less thickness of a section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroPoint {
    /// Slide id.
    pub id: String,
    /// Its place.
    pub sequence: u32,
    /// Reading less thickness, µm.
    pub reading_less_thickness_um: f64,
}

/// The mean wedge in the frame of the bevelled corner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TiltRecord {
    /// How many sections.
    pub sections: usize,
    /// Mean gradient away from the bevelled corner along the width, µm per mm.
    pub along_width_um_per_mm: f64,
    /// Its 95 % interval.
    pub along_width_ci95: [f64; 2],
    /// Mean gradient away from the bevelled corner along the height, µm per mm.
    pub along_height_um_per_mm: f64,
    /// Its 95 % interval.
    pub along_height_ci95: [f64; 2],
    /// Length of the mean vector, µm per mm.
    pub steepness_um_per_mm: f64,
    /// Least and greatest length within the 95 % ellipse of the mean vector.
    pub steepness_ci95: [f64; 2],
    /// Direction in which sections come out thicker: 0 away from the bevelled corner along the width, 90 away along the
    /// height, degrees, -180..180.
    pub toward_deg: f64,
    /// Hotelling's T-squared against no wedge.
    pub t_squared: f64,
    /// Probability of as large a T-squared with a chuck in parallel.
    pub chance: f64,
    /// Rayleigh's z of the directions.
    pub rayleigh_z: f64,
    /// Probability of as large a z when directions have no preference.
    pub rayleigh_chance: f64,
    /// Covariance of the mean vector, (µm/mm)²: along the width, across, along the height.
    pub covariance_of_mean: [f64; 3],
    /// The sections: their wedge in the frame of the bevelled corner.
    pub points: Vec<WedgePoint>,
}

/// Wedge of a section in the frame of the bevelled corner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WedgePoint {
    /// Slide id.
    pub id: String,
    /// Gradient away from the bevelled corner along the width, µm per mm.
    pub along_width_um_per_mm: f64,
    /// Gradient away from the bevelled corner along the height, µm per mm.
    pub along_height_um_per_mm: f64,
}

/// The sharpest change for the worse of a kind of defect.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OnsetRecord {
    /// Kind of defect.
    pub kind: DefectKind,
    /// First section from which there are more.
    pub from_id: String,
    /// Its place.
    pub from_sequence: Option<u32>,
    /// How many sections there are before, and from there on.
    pub sections: [usize; 2],
    /// How many of them carry any.
    pub carry: [usize; 2],
    /// Mean before, and from there on; unit of the kind.
    pub means: [f64; 2],
    /// Mean direction of the scratches from there on, degrees from the section's width in the frame of the bevelled corner,
    /// 0..180; null for other kinds or too few.
    pub direction_deg: Option<f64>,
    /// Probability that a shuffled order shows as sharp a change anywhere.
    pub chance: f64,
    /// The sections in the order made.
    pub points: Vec<OnsetPoint>,
}

/// How much of a kind of defect a section carries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OnsetPoint {
    /// Slide id.
    pub id: String,
    /// Its place.
    pub sequence: Option<u32>,
    /// Scratches in mm per mm², bubbles per mm², or plucked share of the area.
    pub value: f64,
}

impl GrinderRecord {
    /// The record of what was computed, with its statements.
    #[must_use]
    pub fn of(grinder: &Grinder) -> Self {
        let runs = grinder.batch.runs.iter().enumerate();
        let statements = statements::of(grinder);
        Self {
            cautions: statements::cautions(&statements),
            statements,
            runs: runs
                .map(|(i, run)| RunRecord {
                    sections: run.iter().map(|s| s.id.clone()).collect(),
                    thickness: grinder.thickness[i].as_ref().map(|c| chart_record(c, run)),
                    zero: grinder.zero[i].as_ref().map(|line| zero_record(line, run)),
                })
                .collect(),
            tilt: grinder.tilt.as_ref().map(|tilt| tilt_record(tilt, grinder)),
            onsets: KINDS
                .into_iter()
                .zip(&grinder.onsets)
                .filter_map(|(kind, c)| Some(onset_record(kind, c.as_ref()?, &grinder.batch)))
                .collect(),
        }
    }
}

fn um(value: f64) -> f64 {
    round(value, 2)
}

fn chart_record(charted: &Charted, run: &[Section]) -> ChartRecord {
    let chart = &charted.chart;
    let limits = &chart.limits;
    let point = |(k, &i): (usize, &usize)| ChartPoint {
        id: run[i].id.clone(),
        sequence: run[i].sequence,
        value_um: um(charted.values[k]),
        moving_range_um: (k > 0).then(|| um((charted.values[k] - charted.values[k - 1]).abs())),
        average_um: um(chart.averages[k]),
        average_limits_um: [-1.0, 1.0].map(|side| um(limits.mean + side * chart.average_reach[k])),
        signals: (chart.signals[k].iter())
            .map(|signal| match signal {
                Signal::BeyondLimits => "beyond_limits",
                Signal::RunOnOneSide => "run_on_one_side",
                Signal::Jump => "jump",
            })
            .chain(chart.average_out[k].then_some("average_beyond_limits"))
            .map(str::to_owned)
            .collect(),
    };
    ChartRecord {
        above_target: charted.above_target,
        mean_um: um(limits.mean),
        mean_moving_range_um: um(limits.mean_moving_range),
        limits_um: [um(limits.lower), um(limits.upper)],
        moving_range_limit_um: um(limits.moving_range_upper),
        average_weight: crate::grinder::ewma::WEIGHT,
        points: charted.sections.iter().enumerate().map(point).collect(),
        chance: significant(chart.chance, 2),
    }
}

fn zero_record(line: &ZeroLine, run: &[Section]) -> ZeroRecord {
    let drifts = line.chance <= crate::grinder::CHANCE;
    ZeroRecord {
        sections: line.sections,
        from_to: line.from_to,
        mean_um: um(line.mean_um),
        mean_ci95_um: line.mean_ci95_um.map(um),
        drift_um_per_section: significant(line.drift_um, 3),
        drift_ci95_um_per_section: line.drift_ci95_um.map(|v| significant(v, 3)),
        scatter_um: um(line.scatter_um),
        set_again_after_sections: drifts.then(|| line.sections_until_off().0.floor() as u32),
        chance: significant(line.chance, 2),
        points: run
            .iter()
            .filter_map(|s| {
                let um = um(s.reading_less_thickness_um()?);
                Some(ZeroPoint { id: s.id.clone(), sequence: s.sequence?, reading_less_thickness_um: um })
            })
            .collect(),
    }
}

fn tilt_record(tilt: &Tilt, grinder: &Grinder) -> TiltRecord {
    let r = |v: f64| round(v, 4);
    TiltRecord {
        sections: tilt.sections,
        along_width_um_per_mm: r(tilt.mean[0]),
        along_width_ci95: tilt.ci95[0].map(r),
        along_height_um_per_mm: r(tilt.mean[1]),
        along_height_ci95: tilt.ci95[1].map(r),
        steepness_um_per_mm: r(tilt.steepness),
        steepness_ci95: tilt.steepness_ci95.map(r),
        toward_deg: round(tilt.toward_deg, 1),
        t_squared: significant(tilt.t_squared, 4),
        chance: significant(tilt.chance, 2),
        rayleigh_z: significant(tilt.rayleigh_z, 4),
        rayleigh_chance: significant(tilt.rayleigh_chance, 2),
        covariance_of_mean: tilt.covariance.map(|v| significant(v, 4)),
        points: (grinder.wedges.iter())
            .map(|(id, [u, v])| WedgePoint {
                id: id.clone(),
                along_width_um_per_mm: r(*u),
                along_height_um_per_mm: r(*v),
            })
            .collect(),
    }
}

fn onset_record(kind: DefectKind, charted: &OnsetOf, batch: &Batch) -> OnsetRecord {
    let onset = &charted.onset;
    let sections: Vec<&Section> = batch.runs.iter().flatten().collect();
    let first = sections.get(charted.sections[onset.at]);
    OnsetRecord {
        kind,
        from_id: first.map_or_else(String::new, |s| s.id.clone()),
        from_sequence: first.and_then(|s| s.sequence),
        sections: onset.sections,
        carry: onset.carry,
        means: onset.means.map(|v| significant(v, 3)),
        direction_deg: charted.direction.map(|(m, _)| round(m.axis_deg, 1).rem_euclid(180.0)),
        chance: significant(onset.chance, 2),
        points: (charted.sections.iter().zip(&charted.values))
            .map(|(i, value)| OnsetPoint {
                id: sections[*i].id.clone(),
                sequence: sections[*i].sequence,
                value: significant(*value, 4),
            })
            .collect(),
    }
}
