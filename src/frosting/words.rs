//! What was seen, as a preparator would say it: the answer in a line, the findings, what to do next and what to take care of.

use serde::Serialize;

use crate::frosting::places::{Where, corner_words};
use crate::frosting::{Answer, Doubt, Frosting, Light};

/// A photograph's findings with their sentences.
#[derive(Clone, Debug, Serialize)]
pub struct Said<'a> {
    /// The photograph's file.
    pub file: &'a str,
    /// The answer in a line.
    pub headline: String,
    /// What was seen.
    pub sentences: Vec<String>,
    /// What to do next.
    pub next_steps: Vec<String>,
    /// What to take care of; empty when nothing is to be ground.
    pub cautions: Vec<String>,
    /// The findings.
    #[serde(flatten)]
    pub found: &'a Frosting,
}

impl<'a> Said<'a> {
    /// Of the findings in one photograph.
    #[must_use]
    pub fn of(file: &'a str, found: &'a Frosting) -> Self {
        Self {
            file,
            headline: headline(found),
            sentences: sentences(found),
            next_steps: next_steps(found),
            cautions: cautions(found),
            found,
        }
    }
}

/// "4 %", "0.4 %".
fn percent(share: f64) -> String {
    let p = 100.0 * share;
    if p < 0.95 { format!("{p:.1} %") } else { format!("{p:.0} %") }
}

/// "frosted all over", "grind on: glossy along the left edge (4 % of the slide)", "undetermined: ...".
#[must_use]
pub fn headline(found: &Frosting) -> String {
    match found.answer {
        Answer::FrostedAllOver => "frosted all over".into(),
        Answer::GrindOn => {
            let mut named: Vec<(Where, f64)> = Vec::new();
            for patch in &found.glossy {
                match named.iter_mut().find(|n| n.0 == patch.place) {
                    Some(n) => n.1 += patch.share,
                    None => named.push((patch.place, patch.share)),
                }
            }
            named.sort_by(|a, b| b.1.total_cmp(&a.1));
            let parts: Vec<String> = named
                .iter()
                .enumerate()
                .map(|(k, (place, share))| {
                    let of = if k == 0 { " of the slide" } else { "" };
                    format!("{} ({}{of})", place.words(), percent(*share))
                })
                .collect();
            format!("grind on: glossy {}", listed(&parts))
        }
        Answer::Undetermined => {
            let why = found.doubts.first().map_or("the photograph does not carry an answer", |d| why(*d));
            format!("undetermined: {why}")
        }
    }
}

fn listed(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

fn why(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::NoSlide => "no slide with four straight edges is seen",
        Doubt::EdgeNotSeen => "an edge of the glass is not seen well enough to know where the slide ends",
        Doubt::CutOff => "the slide runs out of the picture",
        Doubt::TooSmall => "the slide is too small in the picture",
        Doubt::NoGround => "too little of the ground is seen round the slide",
        Doubt::GroundBurnt => "the light behind is burnt out, so that a clear place is not told from a glare",
        Doubt::NoContrast => {
            "frosted and clear glass do not differ enough in this light: the slide looks like what lies behind it"
        }
        Doubt::LittleFrosted => "too little of the slide looks frosted to know what frosting looks like in this light",
        Doubt::Wet => "water stands on the slide, and wet frosting looks glossy",
        Doubt::HalfClear => "part of the slide is neither frosted nor clear: damp, greasy, or ground only half",
        Doubt::Shine => "a lamp is mirrored in too much of the slide",
    }
}

fn remedy(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::NoSlide | Doubt::EdgeNotSeen => {
            "Photograph it again from straight above, the whole slide sharp, on plain black with a lamp from aside, or flat on a \
             light table."
        }
        Doubt::CutOff | Doubt::NoGround => {
            "Photograph the whole slide with a finger's breadth of plain ground round it."
        }
        Doubt::TooSmall => "Go closer, or use more pixels: the slide's long side should be 1000 pixels or more.",
        Doubt::GroundBurnt => "Shorten the exposure until the light beside the slide is bright and not white.",
        Doubt::NoContrast => {
            "Dry it, lay it on plain black with one lamp from aside and photograph it again; if it still looks as black as its \
             ground it is glossy all over, or wet."
        }
        Doubt::LittleFrosted => {
            "Dry it and photograph it again, in one frame with a slide that is known to be frosted or after some more grinding."
        }
        Doubt::Wet => "Dry the slide and photograph it again.",
        Doubt::HalfClear => "Wash the slide, dry it well, and photograph it again.",
        Doubt::Shine => "Turn the lamp or the slide until nothing is mirrored, and photograph it again.",
    }
}

/// What was seen.
#[must_use]
pub fn sentences(found: &Frosting) -> Vec<String> {
    let mut out = Vec::new();
    if found.outline_px.is_empty() {
        return out;
    }
    if let (Answer::GrindOn, Some(share)) = (found.answer, found.glossy_share) {
        out.push(format!(
            "{} of the slide is still glossy (95 % interval {} to {}).",
            percent(share.value),
            percent(share.interval[0]),
            percent(share.interval[1])
        ));
        let mut told: Vec<&str> = Vec::new();
        for from in found.glossy.iter().filter_map(|p| p.from_bevel.as_deref()) {
            if !told.contains(&from) {
                told.push(from);
                out.push(format!("Counted on the glass itself, that is {from}."));
            }
        }
    }
    if found.answer == Answer::FrostedAllOver {
        out.push("Glossy places narrower than about a twenty-seventh of the short side are not looked for.".into());
    }
    for edge in &found.cut_off {
        out.push(format!("The slide runs out of the picture at the {}: what lies there is not seen.", edge.words()));
    }
    if found.shine_share > 0.002 {
        out.push(format!("{} of it is hidden by mirrored light.", percent(found.shine_share)));
    }
    if found.wet_share > 0.002 {
        out.push(format!("{} of it looks wet.", percent(found.wet_share)));
    }
    if found.half_clear_share > 0.002 {
        out.push(format!("{} of it is neither frosted nor clear.", percent(found.half_clear_share)));
    }
    out.extend(of_grooves(found));
    out.push(match found.bevel {
        Some(corner) => {
            format!("The bevelled corner is at the {} of the picture.", corner_words(corner).replace('-', " "))
        }
        None => "No bevelled corner is seen.".into(),
    });
    out.extend(found.light.map(|light| match light {
        Light::Oblique => "Read as lit from aside on a dark ground.".to_owned(),
        Light::Transmitted => "Read as lit from behind.".to_owned(),
    }));
    out
}

fn of_grooves(found: &Frosting) -> Option<String> {
    let longest = found.grooves.first()?;
    let n = found.grooves.len();
    let length = match found.um_per_px {
        Some(scale) => format!("{:.0} mm", longest.length_px * scale / 1000.0),
        None => format!("{:.0} pixels", longest.length_px),
    };
    // The widest speaks for the coarsest grain.
    let widest = found
        .grooves
        .iter()
        .filter_map(|g| g.grit.as_ref())
        .max_by(|a, b| a.grain_at_least_um.total_cmp(&b.grain_at_least_um));
    let grit = widest.map_or_else(String::new, |g| format!(": {}", g.words()));
    let (count, of) = if n == 1 {
        ("One straight groove".to_owned(), "")
    } else {
        (format!("{n} straight grooves"), ", the longest")
    };
    Some(format!(
        "{count}{of} {length} long and {:.0}° anticlockwise from the picture's right, of a grit coarser than the frosting{grit}.",
        longest.direction_deg
    ))
}

/// What to do next.
#[must_use]
pub fn next_steps(found: &Frosting) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    match found.answer {
        Answer::FrostedAllOver if found.grooves.is_empty() => {
            out.push("Wash it, dry it, write its number on the frosted side, and bond the chip.".into());
        }
        Answer::FrostedAllOver => {
            out.push("Wash plate, holder and slide, and grind on with the frosting grit until the grooves are gone, if they matter to you.".into());
        }
        Answer::GrindOn => {
            out.push(
                "Grind on with the same grit until what is glossy has gone: the wheel has not reached it yet. Do not press on the \
                 glossy side: the rest must come down to it, or the face is not parallel to the wheel."
                    .into(),
            );
            if !found.grooves.is_empty() {
                out.push("Wash plate, holder and slide first: the grooves are of a coarser grit.".into());
            }
            out.push("Wash it, dry it, and photograph it again.".into());
        }
        Answer::Undetermined => {
            for doubt in &found.doubts {
                let step = remedy(*doubt).to_owned();
                if !out.contains(&step) {
                    out.push(step);
                }
            }
        }
    }
    out
}

/// What to take care of at the wheel; empty when nothing is advised that grinds. Common practice, no source.
#[must_use]
pub fn cautions(found: &Frosting) -> Vec<String> {
    let grinds =
        found.answer == Answer::GrindOn || (found.answer == Answer::FrostedAllOver && !found.grooves.is_empty());
    if !grinds {
        return Vec::new();
    }
    [
        "Grind wet, never dry, and wipe up wet: dust of glass and grit harms the lungs.",
        "Keep sleeves, hair and fingers clear of a turning wheel, and wear eye protection.",
        "Fresh edges of glass cut: take the sharpness off them, and put broken glass into the sharps box.",
        "The laboratory's own rules come before these.",
    ]
    .map(str::to_owned)
    .to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frosting::{Edge, Patch};
    use crate::measured::Measured;

    fn glossy(place: Where, share: f64) -> Patch {
        Patch { outline_px: Vec::new(), share, place, from_bevel: None, clearness: 1.0 }
    }

    fn found(answer: Answer) -> Frosting {
        Frosting {
            answer,
            doubts: Vec::new(),
            outline_px: vec![[0.0, 0.0], [9.0, 0.0], [9.0, 5.0]],
            glossy_share: Some(Measured::normal(0.0, 0.001)),
            ..Frosting::nothing(Doubt::NoSlide)
        }
    }

    #[test]
    fn the_answer_in_a_line() {
        let mut f = found(Answer::GrindOn);
        f.glossy = vec![glossy(Where::Along(Edge::Left), 0.041)];
        assert_eq!(headline(&f), "grind on: glossy along the left edge (4 % of the slide)");
        f.glossy.push(glossy(Where::At(crate::slide::Corner::TopRight), 0.006));
        f.glossy.push(glossy(Where::Along(Edge::Left), 0.02));
        assert_eq!(
            headline(&f),
            "grind on: glossy along the left edge (6 % of the slide) and at the top-right corner (0.6 %)"
        );
        assert_eq!(headline(&found(Answer::FrostedAllOver)), "frosted all over");
        assert_eq!(
            headline(&Frosting::nothing(Doubt::TooSmall)),
            "undetermined: the slide is too small in the picture"
        );
    }

    #[test]
    fn whoever_grinds_is_told_to_take_care_and_nobody_else() {
        assert!(cautions(&found(Answer::GrindOn)).iter().any(|c| c.contains("never dry")));
        assert!(cautions(&found(Answer::FrostedAllOver)).is_empty());
        assert!(cautions(&Frosting::nothing(Doubt::Wet)).is_empty());
    }

    #[test]
    fn every_doubt_says_what_to_photograph_next() {
        use Doubt::{
            CutOff, EdgeNotSeen, GroundBurnt, HalfClear, LittleFrosted, NoContrast, NoGround, NoSlide, Shine, TooSmall,
            Wet,
        };
        for d in [
            NoSlide,
            EdgeNotSeen,
            CutOff,
            TooSmall,
            NoGround,
            GroundBurnt,
            NoContrast,
            LittleFrosted,
            Wet,
            HalfClear,
            Shine,
        ] {
            let f = Frosting::nothing(d);
            assert!(headline(&f).starts_with("undetermined: "), "{d:?}");
            assert_eq!(next_steps(&f).len(), 1, "{d:?}");
            assert!(next_steps(&f)[0].ends_with('.'));
        }
    }
}
