//! What is said about the grinder, and from what.

mod defects;

use self::defects::defects;
use crate::grinder::findings::{Charted, Grinder, KINDS, differences};
use crate::grinder::frame::in_words;
use crate::grinder::record::{Found, Statement, Subject};
use crate::grinder::tilt::Tilt;
use crate::grinder::zero::{MAY_BE_OFF_UM, ZeroLine};
use crate::grinder::{CHANCE, FEWEST_CHARTED, FEWEST_MEASURED, Section};
use crate::measured::significant;

/// Ids that a sentence names at most.
const NAMED: usize = 4;

/// All statements: first what is to be acted upon.
#[must_use]
pub fn of(grinder: &Grinder) -> Vec<Statement> {
    let mut all = Vec::new();
    let runs = &grinder.batch.runs;
    for (i, run) in runs.iter().enumerate() {
        let which = if runs.len() > 1 { of_run(run) } else { String::new() };
        all.push(thickness(grinder.thickness[i].as_ref(), run, &which));
        all.push(zero(grinder.zero[i].as_ref(), run, &which));
    }
    all.push(chuck(grinder));
    if !runs.is_empty() {
        all.extend(KINDS.into_iter().zip(&grinder.onsets).map(|(kind, onset)| defects(kind, onset.as_ref(), grinder)));
    }
    if let Some(why) = &grinder.batch.unusable {
        all.push(Statement {
            sentence: format!("Nothing is said by sequence: {why}."),
            ..nothing(Subject::Thickness, 0)
        });
    }
    all.sort_by_key(|s| s.found as u8);
    all
}

/// What to take care of when what is found is acted upon; empty when nothing is.
#[must_use]
pub fn cautions(statements: &[Statement]) -> Vec<String> {
    if statements.iter().all(|s| s.what_to_do.is_empty()) {
        return Vec::new();
    }
    [
        "Stop the wheel and let it run down before you touch the chuck, the plate or the micrometer's stop.",
        "Grind a wheel or a chuck true wet, never dry: dust of quartz and of the wheel harms the lungs for good.",
        "The machine's own instructions, the laboratory's rules and whoever is licensed to set the machine come before these.",
    ]
    .map(str::to_owned)
    .to_vec()
}

fn nothing(about: Subject, sections: usize) -> Statement {
    Statement {
        about,
        found: Found::TooFew,
        sentence: String::new(),
        what_to_do: Vec::new(),
        evidence: String::new(),
        chance: None,
        sections,
    }
}

/// "In the run LM-1 to LM-9: ".
fn of_run(run: &[Section]) -> String {
    match (run.first(), run.last()) {
        (Some(first), Some(last)) => format!("In the run {} to {}: ", first.id, last.id),
        _ => String::new(),
    }
}

/// A probability in words.
fn p(chance: f64) -> String {
    if chance < 0.001 {
        "p < 0.001".into()
    } else if chance < 0.1 {
        format!("p = {chance:.3}")
    } else {
        format!("p = {chance:.2}")
    }
}

/// A sentence that begins with what it is about, or with the run.
fn sentence(which: &str, text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) if which.is_empty() => first.to_uppercase().chain(letters).collect(),
        _ => format!("{which}{text}"),
    }
}

fn thickness(charted: Option<&Charted>, run: &[Section], which: &str) -> Statement {
    let known = run.iter().filter(|s| s.charted_um().is_some()).count();
    let Some(charted) = charted else {
        let text = format!(
            "whether the thickness is steady takes {FEWEST_CHARTED} sections in sequence with a thickness; {known} have one"
        );
        return Statement { sentence: sentence(which, &format!("{text}.")), ..nothing(Subject::Thickness, known) };
    };
    let limits = &charted.chart.limits;
    let (what, n) =
        (if charted.above_target { "thickness above the target" } else { "thickness" }, charted.values.len());
    let out: Vec<&str> = charted.chart.out().map(|k| run[charted.sections[k]].id.as_str()).collect();
    let evidence = format!(
        "Individuals chart of {n} sections: mean {:.1} µm, limits {:.1} to {:.1} µm by the mean moving range of {:.2} µm; \
         weighted average with weight {} within its limits {}. {} of {n} sections carry a signal. A steady process strays \
         as far somewhere with {}.",
        limits.mean,
        limits.lower,
        limits.upper,
        limits.mean_moving_range,
        crate::grinder::ewma::WEIGHT,
        if charted.chart.average_out.iter().any(|o| *o) { "not everywhere" } else { "everywhere" },
        out.len(),
        p(charted.chart.chance),
    );
    let signal = charted.chart.chance <= CHANCE && !out.is_empty();
    let text = if signal {
        format!(
            "the {what} is not steady from section to section: {} ({n} slides, {}).",
            named(&out),
            p(charted.chart.chance)
        )
    } else {
        format!(
            "the {what} neither drifts nor jumps from section to section as far as is seen: {:.1} µm on average, single sections \
             from {:.1} to {:.1} µm ({n} slides, {}).",
            limits.mean,
            charted.values.iter().copied().fold(f64::INFINITY, f64::min),
            charted.values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            p(charted.chart.chance)
        )
    };
    let to_do = if signal {
        vec![
            "Compare with the micrometer's zero and the chuck below; then look for what changed at those sections: operator, grit, wheel, rock.".into(),
        ]
    } else {
        Vec::new()
    };
    Statement {
        about: Subject::Thickness,
        found: if signal { Found::Signal } else { Found::Nothing },
        sentence: sentence(which, &text),
        what_to_do: to_do,
        evidence,
        chance: Some(charted.chart.chance),
        sections: n,
    }
}

/// Ids that are out of the ordinary, the first few by name.
fn named(ids: &[&str]) -> String {
    match ids {
        [] => "none stands out".into(),
        [one] => format!("{one} stands out"),
        ids if ids.len() <= NAMED => format!("{} stand out", ids.join(", ")),
        ids => format!("{} and {} more stand out", ids[..NAMED].join(", "), ids.len() - NAMED),
    }
}

fn zero(line: Option<&ZeroLine>, run: &[Section], which: &str) -> Statement {
    let known = differences(run).len();
    let Some(line) = line else {
        let text = format!(
            "the micrometer's zero takes {FEWEST_MEASURED} sections in sequence with a reading and a thickness; {known} have both"
        );
        return Statement { sentence: sentence(which, &format!("{text}.")), ..nothing(Subject::Zero, known) };
    };
    let [low, high] = line.drift_ci95_um;
    let [mean_low, mean_high] = line.mean_ci95_um;
    let drifts = line.chance <= CHANCE;
    let bond = format!(
        "on average it reads {:.1} µm more than the section is thick ({mean_low:.1} to {mean_high:.1} µm): the bond line, and what the zero is off by",
        line.mean_um
    );
    let evidence = format!(
        "Line by least squares through reading less thickness of {} sections, places {} to {}: from {:.1} to {:.1} µm, \
         {:.2} µm scatter about it; Student's t, {}.",
        line.sections,
        line.from_to[0],
        line.from_to[1],
        line.ends_um[0],
        line.ends_um[1],
        line.scatter_um,
        p(line.chance),
    );
    let (text, to_do) = if drifts {
        let (until, [fewest, most]) = line.sections_until_off();
        let way = if line.drift_um > 0.0 { ("more", "thinner") } else { ("less", "thicker") };
        let gone = (line.ends_um[1] - line.ends_um[0]).abs();
        let range = match (fewest, most) {
            (Some(a), Some(b)) => format!(" ({:.0} to {:.0})", a.floor(), b.ceil()),
            _ => String::new(),
        };
        let mut to_do = vec![format!(
            "Set the zero again on a frosted slide every {:.0} sections{range}: by then it is {MAY_BE_OFF_UM:.0} µm off.",
            until.floor().max(1.0)
        )];
        if gone >= MAY_BE_OFF_UM {
            to_do.insert(0, format!("Set the zero again now: it has drifted by {gone:.1} µm in this run."));
        }
        to_do.push(format!(
            "Until then the same reading leaves each section {} µm {} than the one before.",
            significant(line.drift_um.abs(), 2),
            way.1
        ));
        let text = format!(
            "the micrometer's zero drifts: it reads {} µm {} with each section ({} to {} µm; {} slides, {}); {bond}.",
            significant(line.drift_um.abs(), 2),
            way.0,
            significant(low.abs().min(high.abs()), 2),
            significant(low.abs().max(high.abs()), 2),
            line.sections,
            p(line.chance)
        );
        (text, to_do)
    } else {
        let text = format!(
            "no drift of the micrometer's zero is seen ({low:+.2} to {high:+.2} µm a section; {} slides, {}); {bond}.",
            line.sections,
            p(line.chance)
        );
        (text, Vec::new())
    };
    Statement {
        about: Subject::Zero,
        found: if drifts { Found::Signal } else { Found::Nothing },
        sentence: sentence(which, &text),
        what_to_do: to_do,
        evidence,
        chance: Some(line.chance),
        sections: line.sections,
    }
}

fn chuck(grinder: &Grinder) -> Statement {
    let known = grinder.wedges.len();
    let Some(tilt) = &grinder.tilt else {
        let text = format!(
            "Whether the chuck is parallel takes {FEWEST_MEASURED} sections with a known bevelled corner and wedge (fields that \
             span the section); {known} have both."
        );
        return Statement { sentence: text, ..nothing(Subject::Chuck, known) };
    };
    let out = tilt.chance <= CHANCE;
    let [low, high] = tilt.steepness_ci95;
    let evidence = format!(
        "Mean wedge of {} sections in the frame of the bevelled corner: {:+.3} µm/mm ({:+.3} to {:+.3}) away from it along the \
         width, {:+.3} ({:+.3} to {:+.3}) along the height; Hotelling's T² {:.1}, {}; Rayleigh's test of the directions alone: \
         z {:.2}, {}.",
        tilt.sections,
        tilt.mean[0],
        tilt.ci95[0][0],
        tilt.ci95[0][1],
        tilt.mean[1],
        tilt.ci95[1][0],
        tilt.ci95[1][1],
        tilt.t_squared,
        p(tilt.chance),
        tilt.rayleigh_z,
        p(tilt.rayleigh_chance),
    );
    let text = if out {
        format!(
            "The chuck is out of parallel: sections come out {:.2} µm/mm ({low:.2} to {high:.2}) thicker {} ({} slides, {}).",
            tilt.steepness,
            in_words(tilt.toward_deg),
            tilt.sections,
            p(tilt.chance)
        )
    } else {
        format!(
            "The chuck is parallel as far as is seen: no common wedge in the frame of the bevelled corner, at most {high:.2} µm/mm \
             ({} slides, {}).",
            tilt.sections,
            p(tilt.chance)
        )
    };
    Statement {
        about: Subject::Chuck,
        found: if out { Found::Signal } else { Found::Nothing },
        sentence: text,
        what_to_do: if out { true_the_chuck(tilt) } else { Vec::new() },
        evidence,
        chance: Some(tilt.chance),
        sections: tilt.sections,
    }
}

fn true_the_chuck(tilt: &Tilt) -> Vec<String> {
    let ten = 10.0 * tilt.steepness;
    vec![
        "Clean the chuck, its seat and a slide's back, and grind one section more: grit under the slide does the same."
            .into(),
        format!(
            "If it stays, bring the side of the chuck that lies {} nearer to the wheel: {ten:.1} µm for every 10 mm, so {:.0} µm from \
             rim to rim of a chuck 100 mm across.",
            in_words(tilt.toward_deg),
            10.0 * ten
        ),
    ]
}
