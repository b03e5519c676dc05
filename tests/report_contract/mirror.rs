//! The fields of `report.json`, written by hand.

use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer};
use serde_json::Value;

/// A value that may be null but must be there: serde lets a bare `Option` be left out.
#[derive(Debug)]
pub(super) struct Known<T>(pub(super) Option<T>);

impl<'de, T: DeserializeOwned> Deserialize<'de> for Known<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match Value::deserialize(deserializer)? {
            Value::Null => Ok(Self(None)),
            value => serde_json::from_value(value).map(|v| Self(Some(v))).map_err(D::Error::custom),
        }
    }
}

/// Mirror structs: strict in the names of their fields.
macro_rules! strict {
    ($($name:ident { $($field:ident: $kind:ty),* $(,)? })*) => {
        $(#[derive(Debug, Deserialize)] #[serde(deny_unknown_fields)]
            pub(super) struct $name { $(pub(super) $field: $kind),* })*
    };
}

strict! {
    Report {
        schema_version: String,
        slide: Slide,
        archive: Known<Archive>,
        read_from: ReadFrom,
        fields: Vec<Field>,
        verdict: Verdict,
        thickness: Thickness,
        defects: Defects,
        regrind_plan: Known<Plan>,
        photographs: Vec<Photograph>,
        limits: Vec<LimitUsed>,
        warnings: Vec<String>,
        cautions: Vec<String>,
        tool: Tool,
        made_at: String,
    }
    Slide {
        id: String,
        width_mm: Known<f64>,
        height_mm: Known<f64>,
        mark_corner: Known<Corner>,
        impregnation: Impregnation,
        turned: Turned,
        finish: Finish,
        polish_to_come: bool,
        target_um: f64,
        untouchable: bool,
        offcut_left: Known<bool>,
        micrometer_um: Known<f64>,
        sequence: Known<u32>,
        um_per_px: Known<f64>,
        scale_source: Known<String>,
        assumed: Vec<String>,
    }
    Archive {
        sample: Known<String>,
        igsn: Known<String>,
        collection: Known<String>,
        preparator: Known<String>,
        licence: Known<String>,
        note: Known<String>,
    }
    ReadFrom { folder: String, slide_toml_sha256: Known<String> }
    Field { name: String, centre_mm: Known<[f64; 2]>, width_px: u32, height_px: u32, um_per_px: Known<f64> }
    Verdict {
        outcome: Outcome,
        why: String,
        notes: Vec<String>,
        reasons: Vec<Reason>,
        next_steps: Vec<String>,
    }
    Reason {
        limit: Limit,
        side: Known<Side>,
        measured: Known<f64>,
        allowed: [Known<f64>; 2],
        unit: Unit,
        conformance_probability: Known<f64>,
        met: Known<bool>,
        section_interval: Known<[f64; 2]>,
        sentence: String,
        missing: bool,
    }
    Thickness {
        status: Status,
        why: Known<String>,
        next: Known<String>,
        mean_um: Known<f64>,
        ci95_um: Known<[f64; 2]>,
        gradient_um_per_mm: Known<[f64; 2]>,
        gradient_ci95: Known<[[f64; 2]; 2]>,
        at_thinnest_um: Known<f64>,
        at_thinnest_ci95_um: Known<[f64; 2]>,
        at_thickest_um: Known<f64>,
        at_thickest_ci95_um: Known<[f64; 2]>,
        range_across_um: Known<f64>,
        thickens_toward_deg: Known<f64>,
        at_corners_um: Known<AtCorners>,
        map: Known<Map>,
        quartz_grains: Known<u64>,
        per_field: Vec<PerField>,
        mineral: Known<String>,
        lamp: Known<String>,
    }
    Map {
        form: SurfaceForm,
        curved_probability: Known<f64>,
        centre_mm: [f64; 2],
        size_mm: [f64; 2],
        centre_um: f64,
        centre_ci95_um: [f64; 2],
        gradient_um_per_mm: [f64; 2],
        gradient_ci95: [[f64; 2]; 2],
        curvature_um_per_mm2: Known<[f64; 3]>,
        curvature_ci95: Known<[[f64; 2]; 3]>,
        shape: Known<Shape>,
        shape_probability: Known<f64>,
        grid: Vec<MapPoint>,
    }
    MapPoint { x_mm: f64, y_mm: f64, mean_um: f64, standard_uncertainty_um: f64 }
    AtCorners { top_left: f64, top_right: f64, bottom_left: f64, bottom_right: f64 }
    PerField { name: String, mean_um: Known<f64>, ci95_um: Known<[f64; 2]>, quartz_grains: u64 }
    Defects {
        bubbles: Vec<Bubble>,
        plucks: Vec<Pluck>,
        scratches: Vec<Scratch>,
        scratch_sets: Vec<ScratchSet>,
        fibres: Vec<Fibre>,
        lifted: Vec<Lifted>,
        others: Vec<Other>,
        causes: Vec<Cause>,
        totals: Totals,
        unjudged: Vec<Unjudged>,
    }
    Bubble {
        field: String,
        x_px: f64,
        y_px: f64,
        diameter_px: f64,
        diameter_um: Known<f64>,
        confidence: f64,
        rock_shows_through: Known<f64>,
    }
    Pluck {
        field: String,
        x_px: f64,
        y_px: f64,
        area_px: f64,
        area_um2: Known<f64>,
        box_px: [f64; 4],
        ambiguous: bool,
        confidence: f64,
        outline_px: Vec<[f64; 2]>,
    }
    Scratch {
        field: String,
        x0_px: f64,
        y0_px: f64,
        x1_px: f64,
        y1_px: f64,
        length_um: Known<f64>,
        width_um: Known<f64>,
        confidence: f64,
    }
    Fibre {
        field: String,
        course_px: Vec<[f64; 2]>,
        length_px: f64,
        length_um: Known<f64>,
        width_um: Known<f64>,
        box_px: [f64; 4],
        confidence: f64,
    }
    Lifted {
        field: String,
        outline_px: Vec<[f64; 2]>,
        area_px: f64,
        area_um2: Known<f64>,
        box_px: [f64; 4],
        film_um: Known<[f64; 2]>,
        film_why: Known<String>,
        confidence: f64,
    }
    ScratchSet {
        fields: Vec<String>,
        scratches: u64,
        direction_deg: f64,
        spread_deg: f64,
        passes: Passes,
        length_um: Known<f64>,
        spacing_um: Known<f64>,
        width_um: Known<f64>,
        grit: Known<Grit>,
    }
    Grit { grain_at_least_um: f64, no_finer_than_fepa_f: Known<String>, no_finer_than_fepa_p: Known<String> }
    Other { kind: OtherKind, field: String, box_px: [f64; 4], confidence: f64, sentence: String }
    Cause { kind: CauseKind, causes: String, cure: String }
    Totals {
        bubbles_per_mm2: Known<f64>,
        largest_bubble_um: Known<f64>,
        bubble_area_fraction: Known<f64>,
        pluck_area_fraction: Known<f64>,
        scratch_mm_per_mm2: Known<f64>,
        area_mm2: Known<f64>,
    }
    Unjudged { field: String, kind: Kind, why: String }
    Plan {
        remove_um: Removal,
        high_corner: Known<Corner>,
        relative_to_mark: Known<String>,
        micrometer_target_um: Known<f64>,
        sentences: Vec<String>,
    }
    Removal { mean: f64, at_each_corner: Known<AtCorners>, at_centre: Known<f64> }
    Photograph {
        file: String,
        field: String,
        role: Role,
        angle_deg: Known<f64>,
        width_px: u32,
        height_px: u32,
        sha256: String,
        exposure: Known<Exposure>,
        white_balance: Known<WhiteBalance>,
        camera: Known<String>,
        taken_at: Known<String>,
        clipped_fraction: f64,
        warnings: Vec<String>,
    }
    Exposure { time_s: f64, f_number: Known<f64>, iso: Known<f64> }
    LimitUsed { limit: Limit, allowed: [Known<f64>; 2], unit: Unit, source: String }
    Tool { name: String, version: String, sources: String }
}

/// Mirror enumerations: strict in their words.
macro_rules! words {
    ($($name:ident { $($variant:ident = $word:literal),* $(,)? })*) => {
        $(#[derive(Debug, Deserialize, PartialEq)] pub(super) enum $name { $(#[serde(rename = $word)] $variant),* })*
    };
}

words! {
    Outcome { Pass = "pass", Regrind = "regrind", Recover = "recover", Remake = "remake", Open = "undetermined" }
    OtherKind { EyepieceLine = "eyepiece-line" }
    Passes { One = "one", Several = "several" }
    Status { Measured = "measured", NotMeasurable = "not_measurable" }
    SurfaceForm { Plane = "plane", Curved = "curved" }
    Shape { Even = "even", Wedge = "wedge", High = "centre_high", Low = "centre_low", Bent = "bent" }
    Corner { A = "top-left", B = "top-right", C = "bottom-left", D = "bottom-right" }
    Impregnation { None = "none", Clear = "clear", Blue = "blue" }
    Turned { Polars = "polars", Stage = "stage" }
    Finish { Uncovered = "uncovered", Covered = "covered", Polished = "polished" }
    Side { Thinnest = "thinnest", Thickest = "thickest" }
    Unit { Um = "um", PerMm2 = "per_mm2", Fraction = "fraction", MmPerMm2 = "mm_per_mm2" }
    Kind { Bubbles = "bubbles", Plucks = "plucks", Scratches = "scratches" }
    CauseKind { Bubbles = "bubbles", Plucks = "plucks", Scratches = "scratches", Fibres = "fibres", Lifted = "lifted" }
    Role { Plane = "plane", Crossed = "crossed", Blank = "blank" }
    WhiteBalance { Manual = "manual", Auto = "auto" }
    Limit {
        Thickness = "thickness",
        RangeAcross = "range_across",
        LargestBubble = "largest_bubble",
        BubblesPerMm2 = "bubbles_per_mm2",
        BubbleArea = "bubble_area",
        PluckedArea = "plucked_area",
        Scratches = "scratches",
    }
}
