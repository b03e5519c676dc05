//! Why a defect was missed or invented: a line for each, with the cue that spoke loudest against it.

use std::collections::BTreeMap;
use std::fmt::Write;

use thinproof::demo::score::{FoundScratch, Matches, match_fibres, match_scratches};
use thinproof::demo::{FieldTruth, Rock, TrueBubble, TrueFibre, TruePluck, TrueScratch};
use thinproof::section::candidates::Candidates;
use thinproof::section::defects::{Bubble, Pluck, Scratch};
use thinproof::section::fibres::{Fibre, Thread};
use thinproof::section::odds::Odds;
use thinproof::section::plucks::Hole;
use thinproof::section::scratches::Line;

/// The field that a line is about.
pub(crate) struct Place {
    pub(crate) seed: u64,
    pub(crate) rock: Rock,
    pub(crate) um: f64,
    pub(crate) size: [f64; 2],
    /// The rock's own pores hold clear resin.
    pub(crate) clear_pores: bool,
}

/// Median, 5th and 95th percentile of what was measured; not a number where nothing was.
pub(crate) fn spread(values: &[f64]) -> [f64; 3] {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    [0.5, 0.05, 0.95]
        .map(|p| sorted.get(((sorted.len() as f64 - 1.0) * p).max(0.0) as usize).copied().unwrap_or(f64::NAN))
}

/// Confidence and cues in one line.
fn cues(odds: &Odds) -> String {
    let mut out = format!("p {:.2}", odds.probability());
    for c in &odds.0 {
        if c.name != "prior" && (c.value * c.weight).abs() > 0.05 {
            let _ = write!(out, ", {} {:+.1}", c.name, c.value * c.weight);
        }
    }
    out
}

/// A row of the candidates' table: kind, seed, rock, scale, share that is true, size in µm, p, then name=value pairs.
fn row(place: &Place, kind: &str, truth: f64, size_um: f64, odds: &Odds, more: &str) -> String {
    let mut out = format!(
        "{kind}\t{}\t{:?}\t{:.3}\t{truth:.3}\t{size_um:.1}\t{:.4}",
        place.seed,
        place.rock,
        place.um,
        odds.probability()
    );
    for c in &odds.0 {
        let _ = write!(out, "\t{}={:.5}", c.name, c.value);
    }
    let _ = writeln!(out, "{more}");
    out
}

fn fits_bubble(x: f64, y: f64, d: f64, t: &TrueBubble) -> bool {
    (x - t.x_px).hypot(y - t.y_px) <= (0.25 * t.diameter_px).max(3.0) && (0.6..=1.6).contains(&(d / t.diameter_px))
}

fn bounds(h: &Hole) -> [f64; 4] {
    let by = |f: fn(f64, f64) -> f64, i: usize, start: f64| h.outline.iter().map(|p| p[i]).fold(start, f);
    [
        by(f64::min, 0, f64::INFINITY),
        by(f64::min, 1, f64::INFINITY),
        by(f64::max, 0, f64::NEG_INFINITY),
        by(f64::max, 1, f64::NEG_INFINITY),
    ]
}

fn overlap(a: [f64; 4], b: [f64; 4]) -> f64 {
    let common = area(common(a, b));
    common / (area(a) + area(b) - common).max(1e-9)
}

/// What two boxes have in common; without area where they have nothing.
fn common(a: [f64; 4], b: [f64; 4]) -> [f64; 4] {
    [a[0].max(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].min(b[3])]
}

fn area(c: [f64; 4]) -> f64 {
    (c[2] - c[0]).max(0.0) * (c[3] - c[1]).max(0.0)
}

fn chord(l: &Line) -> FoundScratch {
    let [a, b] = l.ends;
    FoundScratch { field: "A".into(), x0_px: a[0], y0_px: a[1], x1_px: b[0], y1_px: b[1] }
}

/// Every candidate with its cues.
pub(crate) fn candidates(place: &Place, c: &Candidates, truth: &FieldTruth) -> String {
    let mut out = String::new();
    for r in &c.rings {
        let hit = truth.bubbles.iter().any(|t| fits_bubble(r.x, r.y, 2.0 * r.radius, t));
        let um = 2.0 * r.radius * place.um;
        let more = format!(
            "\traw_rim={:.3}\traw_out={:.3}\traw_depth={:.3}\traw_inner={:.3}\traw_share={:.3}\traw_judged={:.3}\traw_rough={:.4}\traw_uneven={:.3}\tx={:.0}\ty={:.0}",
            r.rim_width, r.inside_out, r.depth, r.inner_depth, r.share, r.judged, r.roughness, r.unevenness, r.x, r.y
        );
        out += &row(place, "bubble", f64::from(u8::from(hit)), um, &r.odds(), &more);
    }
    for h in &c.holes {
        let box_px = bounds(h);
        let hit = truth
            .plucks
            .iter()
            .any(|t| overlap(box_px, t.box_px) >= 0.3 && (0.4..=2.5).contains(&(h.area / t.area_px)));
        let um = 2.0 * (h.area / std::f64::consts::PI).sqrt() * place.um;
        // Share of its box that lies on a place that was plucked.
        let on =
            truth.plucks.iter().map(|t| area(common(box_px, t.box_px)) / area(box_px).max(1.0)).fold(0.0, f64::max);
        let more = format!(
            "\traw_wall={:.3}\traw_depth={:.3}\traw_detail={:.3}\traw_usual={:.3}\traw_level={:.4}\traw_lit={:.4}\traw_tint={:.4}\traw_full={:.3}\traw_cut={:.3}\traw_on={on:.3}\traw_clear={}\tx={:.0}\ty={:.0}",
            h.wall,
            h.wall_depth,
            h.detail,
            h.usual_detail,
            h.level,
            h.lit,
            h.tint,
            h.fullness,
            h.cut,
            u8::from(place.clear_pores),
            h.centroid[0],
            h.centroid[1]
        );
        out += &row(place, "pluck", f64::from(u8::from(hit)), um, &h.odds(), &more);
    }
    for l in &c.lines {
        let m = match_scratches(&[chord(l)], &truth.scratches);
        let more = format!(
            "\traw_evidence={:.1}\traw_strength={:.3}\traw_width={:.2}\traw_rough={:.3}\traw_bow={:.4}\tx={:.0}\ty={:.0}\tx1={:.0}\ty1={:.0}",
            l.evidence,
            l.strength,
            l.width_um,
            l.roughness,
            l.bow,
            l.ends[0][0],
            l.ends[0][1],
            l.ends[1][0],
            l.ends[1][1]
        );
        out += &row(place, "scratch", m.precision().unwrap_or(0.0), l.length_um, &l.odds(), &more);
    }
    for t in &c.threads {
        let hit = match_fibres(&[as_fibre(t)], &truth.fibres, place.um).false_found.is_empty();
        let [a, b] = [t.course_px[0], t.course_px[t.course_px.len() - 1]];
        let more = format!(
            "\traw_width={:.2}\traw_depth={:.3}\traw_bow={:.3}\traw_crystals={:.0}\tx={:.0}\ty={:.0}\tx1={:.0}\ty1={:.0}",
            t.width_um, t.depth, t.bow, t.crystals, a[0], a[1], b[0], b[1]
        );
        out += &row(place, "fibre", f64::from(u8::from(hit)), t.length_um, &t.odds(), &more);
    }
    out
}

/// A candidate as it would be reported.
fn as_fibre(t: &Thread) -> Fibre {
    Fibre {
        field: "A".into(),
        course_px: t.course_px.clone(),
        length_px: 0.0,
        length_um: Some(t.length_um),
        width_um: Some(t.width_um),
        box_px: [0.0; 4],
        confidence: t.confidence,
    }
}

/// Width from which a true fibre is a textile one, µm; the finer ones come with dust.
const TEXTILE_UM: f64 = 7.0;
/// Length from which fibres count, µm.
const COUNTS_FROM_UM: f64 = 200.0;

/// Fibres hit, missed and invented, over all fields.
#[derive(Default)]
pub(crate) struct FibreCount {
    /// Of textile ones and fine ones: hits and misses.
    textile: [usize; 2],
    fine: [usize; 2],
    right: usize,
    false_found: usize,
    fields: usize,
    fields_with_false: usize,
    fields_without: usize,
    false_on_those: usize,
    length: Vec<f64>,
    width: Vec<f64>,
}

impl FibreCount {
    pub(crate) fn add(
        &mut self,
        place: &Place,
        c: &Candidates,
        found: &[Fibre],
        truth: &[TrueFibre],
        matches: &Matches,
    ) {
        self.fields += 1;
        self.fields_with_false += usize::from(!matches.false_found.is_empty());
        if truth.is_empty() {
            self.fields_without += 1;
            self.false_on_those += usize::from(!matches.false_found.is_empty());
        }
        self.false_found += matches.false_found.len();
        self.right += found.len() - matches.false_found.len();
        let long = |t: &TrueFibre| t.length_um >= COUNTS_FROM_UM;
        for (f, t) in matches.hits.iter().map(|(f, t)| (&found[*f], &truth[*t])).filter(|(_, t)| long(t)) {
            let (kind, ratio) =
                if t.width_um >= TEXTILE_UM { (&mut self.textile, true) } else { (&mut self.fine, false) };
            kind[0] += 1;
            if let (Some(l), Some(w), true) = (f.length_um, f.width_um, ratio) {
                self.length.push(l / t.length_um);
                self.width.push(w / t.width_um);
            }
        }
        for i in &matches.false_found {
            let f = &found[*i];
            let p = f.course_px[0];
            let thread = c.threads.iter().find(|t| t.course_px[0] == p);
            let why = thread.map_or_else(String::new, |t| cues(&t.odds()));
            let (l, w) = (f.length_um.unwrap_or(0.0), f.width_um.unwrap_or(0.0));
            println!("    false fibre {l:.0} µm, {w:.0} wide at {:.0} {:.0}: {why}", p[0], p[1]);
        }
        for t in matches.missed.iter().map(|j| &truth[*j]).filter(|t| long(t)) {
            let kind = if t.width_um >= TEXTILE_UM { &mut self.textile } else { &mut self.fine };
            kind[1] += 1;
            let alone = std::slice::from_ref(t);
            let near =
                c.threads.iter().filter(|c| match_fibres(&[as_fibre(c)], alone, place.um).false_found.is_empty());
            let why = near.max_by(|a, b| a.confidence.total_cmp(&b.confidence)).map_or_else(
                || "not a candidate".to_owned(),
                |t| format!("{:.0} µm of it, {}", t.length_um, cues(&t.odds())),
            );
            let p = t.course_px[0];
            println!(
                "    missed fibre {:.0} µm, {:.1} wide, contrast {:.2} at {:.0} {:.0}: {why}",
                t.length_um, t.width_um, t.contrast, p[0], p[1]
            );
        }
    }

    pub(crate) fn print(&self) {
        let share = |[hit, missed]: [usize; 2]| format!("{hit} of {}", hit + missed);
        let all = self.right + self.false_found;
        println!(
            "fibres    found {all}, false {}: precision {}; of 200 µm and over: textile {} found, fine {} found",
            self.false_found,
            if all == 0 { "not known".to_owned() } else { format!("{:.3}", self.right as f64 / all as f64) },
            share(self.textile),
            share(self.fine)
        );
        println!(
            "          fields with a false one {} of {}, of those without any fibre {} of {}",
            self.fields_with_false, self.fields, self.false_on_those, self.fields_without
        );
        for (name, v) in [("length", &self.length), ("width", &self.width)] {
            let [median, low, high] = spread(v);
            println!("          {name} over the true one, textile: median {median:.2}, 5 % {low:.2}, 95 % {high:.2}");
        }
    }
}

/// Bubbles that were missed or invented.
pub(crate) fn bubbles(place: &Place, c: &Candidates, false_found: &[&Bubble], missed: &[&TrueBubble]) {
    for f in false_found {
        let ring = c.rings.iter().find(|r| r.x == f.x_px && r.y == f.y_px);
        let why = ring.map_or_else(String::new, |r| cues(&r.odds()));
        println!("    false bubble {:.0} µm at {:.0} {:.0}: {why}", f.diameter_px * place.um, f.x_px, f.y_px);
    }
    for t in missed {
        let near = c.rings.iter().filter(|r| fits_bubble(r.x, r.y, 2.0 * r.radius, t));
        let why = near
            .max_by(|a, b| a.confidence.total_cmp(&b.confidence))
            .map_or_else(|| "not a candidate".to_owned(), |r| cues(&r.odds()));
        let kind = if t.flat { "flat" } else { "ball" };
        let cut = if t.cut { ", cut" } else { "" };
        println!("    missed {kind} {:.0} µm{cut} at {:.0} {:.0}: {why}", t.diameter_um, t.x_px, t.y_px);
    }
}

/// Plucked areas that were missed or invented.
pub(crate) fn plucks(place: &Place, c: &Candidates, false_found: &[&Pluck], missed: &[&TruePluck]) {
    let across = |area_px: f64| 2.0 * (area_px / std::f64::consts::PI).sqrt() * place.um;
    for f in false_found {
        let hole = c.holes.iter().find(|h| h.centroid[0] == f.x_px && h.centroid[1] == f.y_px);
        let why = hole.map_or_else(String::new, |h| cues(&h.odds()));
        println!("    false pluck {:.0} µm at {:.0} {:.0}: {why}", across(f.area_px), f.x_px, f.y_px);
    }
    for t in missed {
        let best = c
            .holes
            .iter()
            .map(|h| (overlap(bounds(h), t.box_px), h))
            .filter(|(o, _)| *o > 0.05)
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let why = best.map_or_else(
            || "not a candidate".to_owned(),
            |(o, h)| format!("overlap {o:.2}, area {:.2} of it: {}", h.area / t.area_px, cues(&h.odds())),
        );
        let filled = if t.air { "air" } else { "resin" };
        println!("    missed pluck {:.0} µm, {filled}, at {:.0} {:.0}: {why}", across(t.area_px), t.x_px, t.y_px);
    }
}

/// What became of the length of scratches, by the cue that decided, mm.
#[derive(Default)]
pub(crate) struct Fates(BTreeMap<String, f64>);

impl Fates {
    /// Scratches that were missed or invented, by length.
    pub(crate) fn scratches(&mut self, place: &Place, c: &Candidates, found: &[Scratch], truth: &[TrueScratch]) {
        let mm = place.um / 1000.0;
        let diagonal = place.size[0].hypot(place.size[1]);
        let chords: Vec<FoundScratch> = found.iter().map(Into::into).collect();
        for t in truth {
            let length = (t.x1_px - t.x0_px).hypot(t.y1_px - t.y0_px).min(diagonal);
            let one = std::slice::from_ref(t);
            let seen = match_scratches(&chords, one).recall().unwrap_or(0.0);
            let kind = format!("contrast {:.2}, {:.1} µm wide", t.contrast, t.width_um);
            *self.0.entry("true, all".into()).or_default() += length * mm;
            if seen > 0.85 {
                continue;
            }
            let best = c
                .lines
                .iter()
                .map(|l| (match_scratches(&[chord(l)], one).recall().unwrap_or(0.0), l))
                .filter(|(r, l)| *r > 0.15 && l.confidence < 0.5)
                .max_by(|a, b| a.0.total_cmp(&b.0));
            let why = best.map_or_else(
                || "no other candidate".to_owned(),
                |(r, l)| {
                    let against = l.odds().most_against().name;
                    *self.0.entry(format!("missed, rejected: {against}")).or_default() +=
                        (1.0 - seen).min(r) * length * mm;
                    format!("candidate over {r:.2}: {}", cues(&l.odds()))
                },
            );
            let rest = best.map_or(1.0 - seen, |(r, _)| (1.0 - seen - r).max(0.0));
            *self.0.entry("missed, no candidate".into()).or_default() += rest * length * mm;
            println!(
                "    scratch seen over {seen:.2} of {:.0} µm, {kind} at {:.0} {:.0} to {:.0} {:.0}: {why}",
                length * place.um,
                t.x0_px,
                t.y0_px,
                t.x1_px,
                t.y1_px
            );
        }
        for l in c.lines.iter().filter(|l| l.confidence >= 0.5) {
            let right = match_scratches(&[chord(l)], truth).precision().unwrap_or(0.0);
            *self.0.entry("found, all".into()).or_default() += l.length_um / 1000.0;
            if right < 0.85 {
                *self.0.entry(format!("false, {:?}", place.rock)).or_default() += (1.0 - right) * l.length_um / 1000.0;
                println!(
                    "    false scratch over {:.2} of {:.0} µm, {:.1} µm wide, depth {:.2} at {:.0} {:.0} to {:.0} {:.0}: {}",
                    1.0 - right,
                    l.length_um,
                    l.width_um,
                    l.depth,
                    l.ends[0][0],
                    l.ends[0][1],
                    l.ends[1][0],
                    l.ends[1][1],
                    cues(&l.odds())
                );
            }
        }
    }

    pub(crate) fn print(&self) {
        println!("length of scratches, mm:");
        for (name, mm) in &self.0 {
            println!("    {name:40} {mm:.2}");
        }
    }
}
