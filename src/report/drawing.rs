//! The slide as it lies on the chuck, and the thickness gauge: numbers for the two drawings of the first screen.

use crate::report::map::{PIECES, pieces};
use crate::report::record::{Report, ThicknessStatus};
use crate::slide::record::Corner;
use crate::verdict::limits::Limit;
use crate::verdict::plan::{AtCorners, CORNERS, UNEVEN_UM};

/// Numbers for `slide.svg`.
#[derive(Debug)]
pub(super) struct Drawing {
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) title: String,
    pub(super) glass: String,
    pub(super) rock: [f64; 4],
    pub(super) bevel: Option<(f64, f64, &'static str)>,
    pub(super) measured: bool,
    pub(super) from: [f64; 2],
    pub(super) to: [f64; 2],
    pub(super) stops: Vec<(String, String)>,
    /// On a curved section, pieces of the rock by their thickness: x, y and colour.
    pub(super) pieces: Vec<(f64, f64, String)>,
    pub(super) piece: [f64; 2],
    pub(super) fields: Vec<FieldMark>,
    pub(super) corners: Vec<CornerMark>,
    pub(super) middle: Option<String>,
    pub(super) centre: [f64; 2],
    pub(super) caption: String,
    pub(super) caption_y: f64,
}

/// A field of view on the drawing.
#[derive(Debug)]
pub(super) struct FieldMark {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) w: f64,
    pub(super) h: f64,
    pub(super) tx: f64,
    pub(super) ty: f64,
    pub(super) name: String,
}

/// What is to come off at a corner.
#[derive(Debug)]
pub(super) struct CornerMark {
    pub(super) high: bool,
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) up: [f64; 2],
    pub(super) tx: f64,
    pub(super) ty: f64,
    pub(super) ty2: f64,
    pub(super) anchor: &'static str,
    pub(super) text: String,
    pub(super) note: String,
}

/// Longest side of the rock on the drawing.
const SIDE: f64 = 560.0;
/// Glass around the rock, and room for words beyond it.
const MARGIN: f64 = 34.0;
const WORDS: f64 = 64.0;
const BEVEL: f64 = 40.0;

impl Drawing {
    pub(super) fn of(report: &Report) -> Self {
        // The trade's usual section where the slide's own size is not known.
        let (wmm, hmm) = (report.slide.width_mm.unwrap_or(40.0), report.slide.height_mm.unwrap_or(24.0));
        let sized = report.slide.width_mm.is_some() && report.slide.height_mm.is_some();
        let scale = SIDE / wmm.max(hmm).max(1e-9);
        let (w, h) = (wmm * scale, hmm * scale);
        let (left, top) = (MARGIN + 4.0, MARGIN + WORDS);
        let (width, height) = (w + 2.0 * left, h + 2.0 * top + 10.0);
        let (gx0, gy0, gx1, gy1) = (left - MARGIN, top - MARGIN, left + w + MARGIN, top + h + MARGIN);
        let mark = report.slide.mark_corner;
        let place = |x_mm: f64, y_mm: f64| [left + x_mm * scale, top + h - y_mm * scale];

        let corners_um = report.thickness.at_corners_um;
        let shade = |t: f64| shade(t, report);
        let (from, to, stops) = match (report.thickness.gradient_um_per_mm, corners_um) {
            (Some([gx, gy]), Some(at)) if gx.hypot(gy) > 0.0 => {
                let g = gx.hypot(gy);
                let reach = (gx.abs() * wmm + gy.abs() * hmm) / (2.0 * g);
                let (ux, uy) = (gx / g, gy / g);
                let at = at.to_array();
                let (low, high) =
                    at.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), t| (l.min(*t), h.max(*t)));
                let stops = (0..=8)
                    .map(|i| f64::from(i) / 8.0)
                    .map(|s| (format!("{s:.3}"), shade(low + s * (high - low))))
                    .collect();
                (
                    place(wmm / 2.0 - ux * reach, hmm / 2.0 - uy * reach),
                    place(wmm / 2.0 + ux * reach, hmm / 2.0 + uy * reach),
                    stops,
                )
            }
            _ => {
                let colour = report.thickness.mean_um.map_or_else(|| "#d9d4c7".into(), shade);
                ([0.0, 0.0], [1.0, 0.0], vec![("0".into(), colour.clone()), ("1".into(), colour)])
            }
        };

        let piece = [w / f64::from(PIECES[0]), h / f64::from(PIECES[1])];
        let pieces = pieces(report, [left, top], piece, [wmm, hmm]);

        let fields = report
            .fields
            .iter()
            .filter(|_| sized)
            .filter_map(|f| {
                let [cx, cy] = f.centre_mm?;
                let size = |px: u32| f.um_per_px.map_or(12.0, |s| (f64::from(px) * s / 1000.0 * scale).max(12.0));
                let (fw, fh) = (size(f.width_px), size(f.height_px));
                let [x, y] = place(cx, cy);
                Some(FieldMark {
                    x: x - fw / 2.0,
                    y: y - fh / 2.0,
                    w: fw,
                    h: fh,
                    tx: x,
                    ty: y + 6.0,
                    name: f.name.chars().take(8).collect(),
                })
            })
            .collect::<Vec<_>>();

        let off = report.regrind_plan.as_ref().and_then(|p| p.remove_um.at_each_corner);
        let high = report.regrind_plan.as_ref().and_then(|p| p.high_corner);
        let corners = CORNERS
            .iter()
            .enumerate()
            .filter(|_| off.is_some() || corners_um.is_some())
            .map(|(i, corner)| {
                let (far_x, far_y) = (i % 2 == 1, i < 2);
                let [x, y] = [left + if far_x { w } else { 0.0 }, top + if far_y { 0.0 } else { h }];
                let thick = corners_um.map(|c: AtCorners| format!("{:.1} µm", c.to_array()[i]));
                let (text, note) = match off.map(|o| o.to_array()[i]) {
                    Some(r) if r > 0.0 => {
                        (format!("take {}", plain_number(r)), thick.map_or_else(String::new, |t| format!("of {t}")))
                    }
                    Some(_) => ("take nothing".into(), thick.map_or_else(String::new, |t| format!("{t} now"))),
                    None => (thick.unwrap_or_default(), String::new()),
                };
                let is_high = high == Some(*corner);
                let inward = if far_y { 1.0 } else { -1.0 };
                CornerMark {
                    high: is_high,
                    x: x + if far_x { -22.0 } else { 22.0 },
                    y: y + inward * 22.0,
                    up: [y + inward * 22.0 - 7.0, y + inward * 22.0 + 7.0],
                    tx: if far_x { gx1 } else { gx0 },
                    ty: if far_y { gy0 - 33.0 } else { gy1 + 26.0 },
                    ty2: if far_y { gy0 - 10.0 } else { gy1 + 49.0 },
                    anchor: if far_x { "end" } else { "start" },
                    text: if is_high { format!("high corner: {text}") } else { text },
                    note,
                }
            })
            .collect::<Vec<_>>();

        let caption_y = if corners.is_empty() { gy1 + 24.0 } else { height - 6.0 };
        let bevel = mark.map(|corner| {
            let (x, y) = at(corner);
            let tx = if x { gx1 - BEVEL - 6.0 } else { gx0 + BEVEL + 6.0 };
            let ty = if y { gy0 + 22.0 } else { gy1 - 11.0 };
            (tx, ty, if x { "end" } else { "start" })
        });
        let middle = match report.thickness.status {
            ThicknessStatus::NotMeasurable => Some("thickness not measured".to_owned()),
            ThicknessStatus::Measured if corners_um.is_none() => Some(match &report.regrind_plan {
                Some(plan) => {
                    // Fields that differ are not ground evenly: the plan says which is thin.
                    let differ = report.thickness.at_thickest_um.zip(report.thickness.at_thinnest_um);
                    let how =
                        if differ.is_some_and(|(most, least)| most - least > UNEVEN_UM) { "at most" } else { "evenly" };
                    format!("take {} off {how}", plain_number(plan.remove_um.mean))
                }
                None => "the wedge was not measured".to_owned(),
            }),
            ThicknessStatus::Measured => report
                .regrind_plan
                .as_ref()
                .filter(|p| p.high_corner.is_none())
                .and_then(|p| p.remove_um.at_centre)
                .map(|centre| format!("take {} at the centre", plain_number(centre))),
        };
        let centre = [left + w / 2.0, top + free_height(&fields, left + w / 2.0, h, top, middle.as_deref()) + 7.0];
        let caption = match (sized, mark.is_some()) {
            (true, true) => format!("{} × {} mm, rock up", plain_number_only(wmm), plain_number_only(hmm)),
            (true, false) => {
                format!("{} × {} mm, rock up; bevelled corner not said", plain_number_only(wmm), plain_number_only(hmm))
            }
            (false, true) => "size of the section not said, rock up".into(),
            (false, false) => "size and bevelled corner not said, rock up".into(),
        };
        let title = match &report.regrind_plan {
            Some(plan) => match &plan.relative_to_mark {
                Some(place) => format!("The slide, rock up. The high corner is {place}."),
                None => "The slide, rock up, with what to take off at each corner.".into(),
            },
            None => "The slide, rock up, with its thickness and the fields photographed.".into(),
        };
        Self {
            width,
            height,
            title,
            glass: glass([gx0, gy0, gx1, gy1], mark),
            rock: [left, top, w, h],
            bevel,
            measured: report.thickness.status == ThicknessStatus::Measured,
            from,
            to,
            stops,
            pieces,
            piece,
            fields,
            corners,
            middle,
            centre,
            caption,
            caption_y,
        }
    }
}

/// How far below the section's top edge the words across it are not in the way of a field's mark: its middle when that is
/// free, else the first free height below or above it.
fn free_height(fields: &[FieldMark], x: f64, h: f64, top: f64, words: Option<&str>) -> f64 {
    // Letters of 21 pixels are about 10 wide on average.
    let half = 5.0 * words.map_or(0, |w| w.chars().count()) as f64 + 10.0;
    let taken = |y: f64| {
        fields
            .iter()
            .any(|f| (f.tx - x).abs() < half + f.w / 2.0 && (f.y - 20.0..f.y + f.h + 20.0).contains(&(top + y)))
    };
    [0.5, 0.66, 0.8, 0.34, 0.2].into_iter().map(|s| s * h).find(|y| !taken(*y)).unwrap_or(0.5 * h)
}

/// (far along x, far along y) of a corner.
const fn at(corner: Corner) -> (bool, bool) {
    match corner {
        Corner::TopLeft => (false, true),
        Corner::TopRight => (true, true),
        Corner::BottomLeft => (false, false),
        Corner::BottomRight => (true, false),
    }
}

/// Outline of the glass with its bevelled corner cut off.
fn glass([x0, y0, x1, y1]: [f64; 4], mark: Option<Corner>) -> String {
    let cut = |corner: Corner| if mark == Some(corner) { BEVEL } else { 4.0 };
    let (tl, tr, br, bl) =
        (cut(Corner::TopLeft), cut(Corner::TopRight), cut(Corner::BottomRight), cut(Corner::BottomLeft));
    format!(
        "M{} {y0}H{}L{x1} {}V{}L{} {y1}H{}L{x0} {}V{}Z",
        x0 + tl,
        x1 - tr,
        y0 + tr,
        y1 - br,
        x1 - br,
        x0 + bl,
        y1 - bl,
        y0 + tl
    )
}

/// Shade of a thickness: pale below the allowed band, darker through it and dark above, even in lightness, so that it
/// reads without colour too.
pub(super) fn shade(thickness: f64, report: &Report) -> String {
    let (low, high) = band(report);
    let width = (high - low).max(1e-9);
    let s = ((thickness - (low - 0.6 * width)) / (2.6 * width)).clamp(0.0, 1.0);
    let stops: [[f64; 3]; 4] =
        [[255.0, 246.0, 214.0], [226.0, 200.0, 138.0], [126.0, 146.0, 142.0], [40.0, 62.0, 104.0]];
    let at = s * 3.0;
    let i = (at.floor() as usize).min(2);
    let f = at - i as f64;
    let c: Vec<u8> = (0..3).map(|k| (stops[i][k] + f * (stops[i + 1][k] - stops[i][k])).round() as u8).collect();
    format!("#{:02x}{:02x}{:02x}", c[0], c[1], c[2])
}

/// The allowed thickness band, µm.
pub(super) fn band(report: &Report) -> (f64, f64) {
    report
        .limits
        .iter()
        .find(|l| l.limit == Limit::Thickness)
        .and_then(|l| Some((l.allowed[0]?, l.allowed[1]?)))
        .unwrap_or((25.0, 35.0))
}

/// "6.5 µm" or "6 µm".
fn plain_number(value: f64) -> String {
    format!("{} µm", plain_number_only(value))
}

fn plain_number_only(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// Numbers for `gauge.svg`.
#[derive(Debug)]
pub(super) struct Gauge {
    pub(super) title: String,
    pub(super) band: [f64; 2],
    pub(super) ticks: Vec<(f64, String)>,
    pub(super) target: f64,
    pub(super) target_text: String,
    pub(super) measured: Option<GaugeReading>,
}

/// The measured thickness on the gauge.
#[derive(Debug)]
pub(super) struct GaugeReading {
    pub(super) span: [f64; 2],
    pub(super) interval: [f64; 2],
    pub(super) text_x: f64,
    pub(super) text: String,
    pub(super) note: String,
}

impl Gauge {
    pub(super) fn of(report: &Report) -> Self {
        let (low, high) = band(report);
        let width = high - low;
        let t = &report.thickness;
        let least = t.at_thinnest_um.or(t.mean_um).unwrap_or(low).min(low);
        let most = t.at_thickest_um.or(t.mean_um).unwrap_or(high).max(high);
        let (from, to) = ((least - 0.8 * width).max(0.0), most + 0.8 * width);
        let x = |um: f64| 12.0 + (um.clamp(from, to) - from) / (to - from) * 616.0;
        let step = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0].into_iter().find(|s| (to - from) / s <= 9.0).unwrap_or(100.0);
        let ticks = ((from / step).ceil() as i64..=(to / step).floor() as i64)
            .map(|i| i as f64 * step)
            .filter(|v| x(*v) > 22.0 && x(*v) < 618.0)
            .map(|v| (x(v), plain_number_only(v)))
            .collect();
        let target = report.slide.target_um
            + if report.slide.polish_to_come { crate::verdict::limits::POLISH_ALLOWANCE_UM } else { 0.0 };
        let measured = match (t.mean_um, t.ci95_um) {
            (Some(mean), Some([l, h])) => {
                let (thin, thick) = (t.at_thinnest_um.unwrap_or(mean), t.at_thickest_um.unwrap_or(mean));
                let centre = x(mean);
                let note = if t.gradient_um_per_mm.is_some() {
                    format!("95 %: {l:.1} to {h:.1}; from {thin:.1} to {thick:.1} across the section")
                } else {
                    format!("95 %: {l:.1} to {h:.1}")
                };
                // Letters of the 19 pixels that a phone shows them in are about 9.6 wide on average.
                let half = (4.8 * note.chars().count() as f64 + 6.0).min(320.0);
                let text_x = centre.clamp(half, 640.0 - half);
                Some(GaugeReading {
                    span: [x(thin), x(thick)],
                    interval: [x(l).min(centre - 4.0), (x(h) - x(l)).max(8.0)],
                    text_x,
                    text: format!("{mean:.1} µm"),
                    note,
                })
            }
            _ => None,
        };
        let title = format!(
            "Thickness gauge: allowed {} to {} µm, {}",
            plain_number_only(low),
            plain_number_only(high),
            crate::report::words::thickness_line(report)
        );
        Self {
            title,
            band: [x(low), x(high) - x(low)],
            ticks,
            target: x(target),
            target_text: plain_number_only(target),
            measured,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_across_the_section_keep_off_the_fields() {
        let field =
            |x: f64, y: f64| FieldMark { x: x - 6.0, y: y - 6.0, w: 12.0, h: 12.0, tx: x, ty: y, name: "A".into() };
        let at = |fields: &[FieldMark]| free_height(fields, 300.0, 240.0, 100.0, Some("take 9 \u{b5}m off evenly"));
        assert_eq!(at(&[]), 120.0, "the middle when it is free");
        assert_eq!(at(&[field(40.0, 220.0)]), 120.0, "a field at the side is not in the way");
        assert!(at(&[field(300.0, 220.0)]) > 140.0, "below a field in the middle");
        assert!(at(&[220.0, 260.0, 290.0].map(|y| field(310.0, y))) < 100.0, "above when all below is taken");
    }
}
