//! Hand-made findings, their records and their pages, for the tests of reports.

use crate::chart::ColourScale;
use crate::optics::Lamp;
use crate::optics::mineral::share_below;
use crate::report::chart::Chart;
use crate::report::html;
use crate::report::pictures::FieldPicture;
use crate::report::record::{FieldRecord, Pieces, ReadFrom, Report};
use crate::section::defects::{Bubble, DefectKind, FieldDefects, Pluck, Scratch};
use crate::section::fibres::Fibre;
use crate::section::lifted::Lifted;
use crate::section::totals::Tally;
use crate::slide::manifest::Archive;
use crate::slide::photograph::{Exposure, PhotographRecord, Role, WhiteBalance};
use crate::slide::record::{Finish, SlideRecord};
use crate::thickness::{MeasuredGrain, Thickness};
use crate::units::MicrometresPerPixel;
use crate::units::Nanometres;
use crate::verdict::fixture::{bent, measured, one_field, record, surface};
use crate::verdict::{Findings, LimitSet, Outcome, judge};
use base64::Engine as _;
use std::path::Path;

const SIZE: [usize; 2] = [1600, 1200];

pub(super) struct Case {
    pub(super) record: SlideRecord,
    pub(super) archive: Option<Archive>,
    pub(super) thickness: Thickness,
    pub(super) defects: Vec<FieldDefects>,
    pub(super) scale: Option<MicrometresPerPixel>,
    pub(super) warnings: Vec<String>,
}

fn fields(n: usize) -> Vec<FieldDefects> {
    vec![FieldDefects { area_px: (SIZE[0] * SIZE[1]) as f64, ..FieldDefects::default() }; n]
}

pub(super) fn names(n: usize) -> Vec<String> {
    ["A", "B", "C", "D", "E"].iter().take(n).map(ToString::to_string).collect()
}

pub(super) fn bubble(field: &str, x_px: f64, y_px: f64, diameter_px: f64) -> Bubble {
    Bubble {
        field: field.into(),
        x_px,
        y_px,
        diameter_px,
        diameter_um: Some(1.6 * diameter_px),
        confidence: 0.98,
        rock_shows_through: Some(1.0),
    }
}

pub(super) fn pluck(field: &str, x: f64, y: f64, r: f64, ambiguous: bool) -> Pluck {
    let corners = [[0.0, -1.0], [0.8, -0.5], [1.0, 0.3], [0.3, 1.0], [-0.7, 0.8], [-1.0, -0.2]];
    Pluck {
        field: field.into(),
        x_px: x,
        y_px: y,
        area_px: 2.4 * r * r,
        area_um2: Some(2.4 * r * r * 2.56),
        box_px: [x - r, y - r, x + r, y + r],
        ambiguous,
        confidence: 0.93,
        outline_px: corners.map(|[a, b]| [x + a * r, y + b * r]).to_vec(),
    }
}

fn scratch(field: &str, y: f64) -> Scratch {
    Scratch {
        field: field.into(),
        x0_px: 80.0,
        y0_px: y,
        x1_px: 1500.0,
        y1_px: y - 260.0,
        length_um: Some(2310.0),
        width_um: Some(3.2),
        confidence: 0.9,
    }
}

fn fibre(field: &str) -> Fibre {
    Fibre {
        field: field.into(),
        course_px: vec![[900.0, 200.0], [1010.0, 260.0], [1100.0, 360.0], [1210.0, 420.0]],
        length_px: 385.2,
        length_um: Some(616.0),
        width_um: Some(14.2),
        box_px: [900.0, 200.0, 1211.0, 421.0],
        confidence: 0.94,
    }
}

fn lifted(field: &str) -> Lifted {
    Lifted {
        field: field.into(),
        outline_px: vec![
            [300.0, 820.0],
            [420.0, 760.0],
            [560.0, 800.0],
            [590.0, 930.0],
            [450.0, 1010.0],
            [320.0, 950.0],
        ],
        area_px: 51_000.0,
        area_um2: Some(130_560.0),
        box_px: [300.0, 760.0, 591.0, 1011.0],
        film_um: Some([0.16, 0.92]),
        film_why: None,
        confidence: 0.96,
    }
}

fn archive() -> Archive {
    Archive {
        sample: Some("Larkmoor quarry, bench 2, block 14".into()),
        igsn: Some("XXTEST0142".into()),
        collection: Some("Larkmoor teaching collection".into()),
        preparator: None,
        licence: Some("CC-BY-4.0".into()),
        note: Some("second section of this block".into()),
    }
}

pub(super) fn case(name: &str) -> Case {
    let scale = Some(MicrometresPerPixel::from_um_per_px(1.6));
    let plain = |thickness| Case {
        record: record(),
        archive: Some(archive()),
        thickness,
        defects: fields(5),
        scale,
        warnings: Vec::new(),
    };
    match name {
        "pass" => {
            let mut c = plain(measured(surface(30.4, 0.2, [0.02, 0.01], 0.008)));
            c.record.micrometer_um = None;
            c.defects[1].bubbles = vec![bubble("B", 700.0, 500.0, 42.0)];
            c.defects[3].plucks = vec![pluck("D", 420.0, 800.0, 60.0, false), pluck("D", 1100.0, 300.0, 70.0, true)];
            c
        }
        "regrind" => {
            let mut c = plain(measured(surface(38.2, 0.25, [0.11, -0.12], 0.01)));
            c.defects[0].scratches = vec![scratch("A", 700.0), scratch("A", 760.0)];
            c.defects[2].lifted = vec![lifted("C")];
            c.record.sequence = Some(17);
            c.warnings =
                vec!["Field C: the crossed photographs were shifted by 2.1 pixels against the plane one.".into()];
            c
        }
        "domed" => plain(measured(bent(37.0, 0.2, [0.01, -0.01], [-2.5, -2.0]))),
        "remake" => {
            let mut c = plain(measured(surface(26.0, 0.3, [0.14, 0.02], 0.01)));
            c.record.offcut_left = None;
            for (i, field) in ["A", "B", "C", "D", "E"].iter().enumerate() {
                c.defects[i].plucks = (0..6)
                    .map(|k| pluck(field, 200.0 + 220.0 * f64::from(k), 300.0 + 90.0 * f64::from(k % 4), 68.0, false))
                    .collect();
            }
            c
        }
        "recover" => {
            let mut c = plain(measured(one_field(29.6, 0.4)));
            c.record.finish = Finish::Covered;
            c.defects.truncate(1);
            c.defects[0].bubbles = vec![bubble("A", 800.0, 600.0, 190.0), bubble("A", 350.0, 900.0, 60.0)];
            c.defects[0].fibres = vec![fibre("A")];
            c
        }
        "undetermined" => {
            let mut c = plain(Thickness::NotMeasurable {
                why: "Only 2 grains of quartz were found in 1 field.".into(),
                next: "Photograph fields with more quartz, or grind a slide of known quartz beside it and photograph that.".into(),
            });
            c.record.mark_corner = None;
            c.record.width_mm = None;
            c.defects.truncate(1);
            c.defects[0].unjudged = vec![(DefectKind::Scratches, "scratches: 6.3 µm per pixel is too coarse".into())];
            c.defects[0].plucks = vec![pluck("A", 500.0, 500.0, 50.0, true)];
            c.scale = None;
            for p in &mut c.defects[0].plucks {
                p.area_um2 = None;
            }
            c
        }
        other => panic!("no case {other}"),
    }
}

pub(super) const CASES: [(&str, Outcome); 6] = [
    ("pass", Outcome::Pass),
    ("regrind", Outcome::Regrind),
    ("domed", Outcome::Regrind),
    ("remake", Outcome::Remake),
    ("recover", Outcome::Recover),
    ("undetermined", Outcome::Undetermined),
];

/// The report of one of [`CASES`].
pub(crate) fn report_of(name: &str) -> Report {
    report(&case(name))
}

pub(super) fn report(case: &Case) -> Report {
    let n = case.defects.len();
    let limits = LimitSet::default().for_slide(&case.record, Path::new("LM-0142")).unwrap();
    let tally = Tally::of(&case.defects, case.scale);
    let verdict = judge(&Findings {
        record: &case.record,
        limits: &limits,
        thickness: &case.thickness,
        tally: &tally,
        fields: n,
        placed: n,
    });
    let centres = [[5.0, 19.0], [35.0, 19.0], [20.0, 12.0], [5.0, 5.0], [35.0, 5.0]];
    let fields = names(n)
        .iter()
        .zip(centres)
        .map(|(name, centre)| FieldRecord::new(name, Some(centre), SIZE[0], SIZE[1], case.scale))
        .collect();
    let photographs = names(n)
        .iter()
        .flat_map(|name| {
            [(Role::Plane, None), (Role::Crossed, Some(0.0)), (Role::Crossed, Some(22.5))].map(|(role, angle_deg)| {
                PhotographRecord {
                    file: format!("{name}_{}.jpg", if angle_deg.is_some() { "xpl" } else { "ppl" }),
                    field: name.clone(),
                    role,
                    angle_deg,
                    width_px: 1600,
                    height_px: 1200,
                    sha256: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08".into(),
                    exposure: Some(Exposure { time_s: 0.004, f_number: None, iso: Some(200.0) }),
                    white_balance: Some(WhiteBalance::Manual),
                    camera: None,
                    taken_at: Some("2026:03:02 09:41:07".into()),
                    clipped_fraction: 0.0012,
                    warnings: Vec::new(),
                }
            })
        })
        .collect();
    Report::assemble(Pieces {
        record: &case.record,
        archive: case.archive.clone(),
        read_from: ReadFrom { folder: "../../slides/LM-0142".into(), slide_toml_sha256: Some("0b".repeat(32)) },
        fields,
        photographs,
        thickness: &case.thickness,
        defects: &case.defects,
        totals: tally.totals,
        scratch_sets: &tally.scratch_sets,
        verdict: &verdict,
        limits: &limits,
        warnings: case.warnings.clone(),
        made_at: "2026-03-02T10:12:00Z".into(),
    })
}

/// A speckled picture, so that outlines have something to lie on.
pub(super) fn pictures(report: &Report) -> Vec<FieldPicture> {
    let mut pixels = image::RgbImage::new(400, 300);
    for (x, y, p) in pixels.enumerate_pixels_mut() {
        let v = 150 + ((x / 37 * 31 + y / 29 * 17) % 90) as u8;
        *p = image::Rgb([v, v.saturating_sub(6), v.saturating_sub(20)]);
    }
    let mut jpeg = std::io::Cursor::new(Vec::new());
    pixels.write_to(&mut jpeg, image::ImageFormat::Jpeg).unwrap();
    let address =
        format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(jpeg.into_inner()));
    report
        .fields
        .iter()
        .map(|f| FieldPicture {
            name: f.name.clone(),
            covers_px: [1600.0, 1200.0],
            pixels_in_one: 4,
            plane: address.clone(),
            crossed: Some(address.clone()),
            crossed_angle_deg: Some(22.5),
            thumbnail: Vec::new(),
        })
        .collect()
}

/// Quartz lying in all directions: evenly spaced quantiles of its distribution.
pub(super) fn chart(report: &Report) -> Option<Chart> {
    let largest = 9.1 * report.thickness.mean_um?;
    let grains: Vec<MeasuredGrain> = (0..140)
        .map(|i| {
            let p = (f64::from(i) + 0.5) / 140.0;
            let retardation_nm = largest * (1.0 - (1.0 - p) * (1.0 - p)) * (1.0 + 0.01 * f64::from(i % 5 - 2));
            MeasuredGrain { field: 0, x_px: 0.0, y_px: 0.0, retardation_nm, retardation_u_nm: 3.0, quartz: 0.95 }
        })
        .collect();
    let scale = ColourScale::new(Lamp::D65, Nanometres::from_nm(1.5 * largest));
    Some(Chart::new(scale, &grains, |nm| share_below(nm / largest)))
}

/// The page of one case, with pictures and chart.
pub(super) fn page(name: &str) -> String {
    let report = report(&case(name));
    html::to_html(&report, &pictures(&report), chart(&report).as_ref()).unwrap()
}

const NASTY: &str = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>\u{1b}[31m";

pub(super) fn hostile_report() -> Report {
    let mut hostile = case("regrind");
    let nasty = NASTY;
    hostile.record.id = nasty.into();
    hostile.record.assumed = vec![nasty.into()];
    hostile.warnings = vec![nasty.into()];
    hostile.archive = Some(Archive { sample: Some(nasty.into()), licence: Some(nasty.into()), ..archive() });
    let mut report = report(&hostile);
    report.fields[0].name = nasty.into();
    report.defects.scratches[0].field = nasty.into();
    report.photographs[0].file = nasty.into();
    report.photographs[0].camera = Some(nasty.into());
    report.verdict.why = nasty.into();
    report
}

/// A page whose id, file names, fields and sentences are all hostile.
pub(super) fn hostile_page() -> String {
    let report = hostile_report();
    let mut pictures = pictures(&report);
    pictures[0].name = NASTY.into();
    html::to_html(&report, &pictures, None).unwrap()
}
