//! Everything that is computed of the sections, before it is rounded and put into words.

use crate::grinder::batch::{Batch, Section};
use crate::grinder::frame::{axis_in_frame, in_frame};
use crate::grinder::onset::Onset;
use crate::grinder::steady::Steady;
use crate::grinder::tilt::Tilt;
use crate::grinder::zero::ZeroLine;
use crate::section::defects::DefectKind;
use crate::section::sets::{AxialMean, rayleigh};

/// Everything that was computed, for the record and for the drawings.
#[derive(Clone, Debug, PartialEq)]
pub struct Grinder {
    /// The sections in their order.
    pub batch: Batch,
    /// The chart of thickness of each run.
    pub thickness: Vec<Option<Charted>>,
    /// Reading less thickness of each run.
    pub zero: Vec<Option<ZeroLine>>,
    /// Sections with a known wedge and bevelled corner: id and gradient in the frame of that corner, µm per mm.
    pub wedges: Vec<(String, [f64; 2])>,
    /// Their mean.
    pub tilt: Option<Tilt>,
    /// Onset of each kind of defect, in the order of [`KINDS`].
    pub onsets: [Option<OnsetOf>; 3],
}

/// A chart of the thickness by sequence.
#[derive(Clone, Debug, PartialEq)]
pub struct Charted {
    /// Indices of the charted sections in their run.
    pub sections: Vec<usize>,
    /// What is charted, µm: the thickness, or what it is above its target where the targets differ.
    pub values: Vec<f64>,
    /// Whether the values are above the targets.
    pub above_target: bool,
    /// Limits, averages and signals.
    pub chart: Steady,
}

/// The onset of a kind of defect.
#[derive(Clone, Debug, PartialEq)]
pub struct OnsetOf {
    /// Indices of the sections, over all runs in their order.
    pub sections: Vec<usize>,
    /// Scratches in mm per mm², bubbles per mm², or plucked share of the area, of each.
    pub values: Vec<f64>,
    /// The sharpest change.
    pub onset: Onset,
    /// Mean direction of the scratches from there on with its spread and the probability of chance, in the frame of the
    /// bevelled corner, degrees from the width; None for other kinds and fewer than three directions.
    pub direction: Option<(AxialMean, f64)>,
}

/// Kinds of defect that are looked at by sequence.
pub const KINDS: [DefectKind; 3] = [DefectKind::Scratches, DefectKind::Bubbles, DefectKind::Plucks];

impl Grinder {
    /// What a batch of sections gives.
    #[must_use]
    pub fn of(batch: Batch) -> Self {
        let thickness = batch.runs.iter().map(|run| charted(run)).collect();
        let zero = batch.runs.iter().map(|run| ZeroLine::of(&differences(run))).collect();
        let wedges: Vec<(String, [f64; 2])> =
            batch.all().filter_map(|s| Some((s.id.clone(), in_frame(s.mark?, s.gradient_um_per_mm?)))).collect();
        let tilt = Tilt::of(&wedges.iter().map(|(_, g)| *g).collect::<Vec<_>>());
        let onsets = [0, 1, 2].map(|kind| onset(&batch, kind));
        Self { thickness, zero, wedges, tilt, onsets, batch }
    }
}

/// Place and reading less thickness of the sections of a run, where known.
pub(super) fn differences(run: &[Section]) -> Vec<(u32, f64)> {
    run.iter().filter_map(|s| Some((s.sequence?, s.reading_less_thickness_um()?))).collect()
}

fn charted(run: &[Section]) -> Option<Charted> {
    let of = |i: usize| run[i].charted_um().map(|v| (i, v));
    let known: Vec<(usize, f64)> = (0..run.len()).filter_map(of).collect();
    let target = run.first()?.target_um;
    let above_target = known.iter().any(|(i, _)| (run[*i].target_um - target).abs() > 1e-9);
    let values: Vec<f64> = known.iter().map(|(i, v)| if above_target { v - run[*i].target_um } else { *v }).collect();
    let chart = Steady::of(&values)?;
    Some(Charted { sections: known.into_iter().map(|(i, _)| i).collect(), values, above_target, chart })
}

fn onset(batch: &Batch, kind: usize) -> Option<OnsetOf> {
    let known: Vec<(usize, f64, &Section)> =
        batch.runs.iter().flatten().enumerate().filter_map(|(i, s)| s.left[kind].map(|v| (i, v, s))).collect();
    let values: Vec<f64> = known.iter().map(|(_, v, _)| *v).collect();
    let onset = Onset::of(&values)?;
    let axes: Vec<f64> = known[onset.at..]
        .iter()
        .filter(|_| kind == 0)
        .filter_map(|(_, _, s)| Some(axis_in_frame(s.mark?, s.scratches_deg?)))
        .collect();
    let direction =
        AxialMean::of(&axes).filter(|_| axes.len() >= 3).map(|m| (m, rayleigh(axes.len(), m.concentration)));
    Some(OnsetOf { sections: known.iter().map(|(i, _, _)| *i).collect(), values, onset, direction })
}
