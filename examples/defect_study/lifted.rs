//! Lifted areas hit, missed and invented, over all fields, and of each miss and false alarm what was seen.

use crate::why::spread;
use thinproof::demo::TrueLifted;
use thinproof::demo::score::{Matches, covered, match_lifted};
use thinproof::section::lifted::{Lifted, Patch};

/// Distance across from which an area counts, µm: that of a disc as large.
const COUNTS_FROM_UM: f64 = 200.0;

/// Counts over all fields.
#[derive(Default)]
pub(crate) struct LiftedCount {
    /// Hits and misses by how thick the film gets: too thin for a full round of colours, told best, and thicker.
    by_film: [[usize; 2]; 3],
    right: usize,
    false_found: usize,
    fields: usize,
    fields_with_false: usize,
    fields_without: usize,
    false_on_those: usize,
    /// Share of a true area that was outlined.
    covered: Vec<f64>,
    /// Of a film that was told: greatest thickness over the true one's in colours, minus one.
    film: Vec<f64>,
}

/// Bounds of the film's greatest thickness between the classes, µm.
const CLASSES_UM: [f64; 2] = [0.5, 2.0];

fn class(t: &TrueLifted) -> usize {
    CLASSES_UM.iter().filter(|um| t.film_um[1] >= **um).count()
}

fn seen(p: &Patch) -> String {
    format!(
        "p {:.2}, film {:.0} to {:.0} nm, {:.0} µm² and {:.0} µm wide, explained {:.2}, even {:.2}, light {:.2}, crystals {:.3}, order {:.1}, grey {:.2}",
        p.confidence,
        p.film_nm[0],
        p.film_nm[1],
        p.area_um2,
        p.short_um,
        p.explained,
        p.even,
        p.light,
        p.crystals,
        p.order,
        p.grey
    )
}

impl LiftedCount {
    pub(crate) fn add(&mut self, candidates: &[Patch], found: &[Lifted], truth: &[TrueLifted], size_px: [f64; 2]) {
        let matches: Matches = match_lifted(found, truth, size_px);
        self.fields += 1;
        self.fields_with_false += usize::from(!matches.false_found.is_empty());
        if truth.is_empty() {
            self.fields_without += 1;
            self.false_on_those += usize::from(!matches.false_found.is_empty());
        }
        self.false_found += matches.false_found.len();
        self.right += found.len() - matches.false_found.len();
        let counts = |t: &TrueLifted| 2.0 * (t.area_um2 / std::f64::consts::PI).sqrt() >= COUNTS_FROM_UM;
        let outlines: Vec<&[[f64; 2]]> = found.iter().map(|f| &f.outline_px[..]).collect();
        for (f, t) in matches.hits.iter().map(|(f, t)| (&found[*f], &truth[*t])).filter(|(_, t)| counts(t)) {
            self.by_film[class(t)][0] += 1;
            self.covered.push(covered(&t.outline_px, &outlines, size_px));
            let told = f
                .film_um
                .map_or_else(|| f.film_why.clone().unwrap_or_default(), |[a, b]| format!("{a:.2} to {b:.2} µm"));
            println!(
                "    hit lifted area of {:.0} µm², film {:.2} to {:.2} µm, told {told}",
                t.area_um2, t.film_um[0], t.film_um[1]
            );
            self.film.extend(f.film_um.map(|[_, most]| most / t.film_um[1] - 1.0));
        }
        for t in matches.missed.iter().map(|j| &truth[*j]).filter(|t| counts(t)) {
            self.by_film[class(t)][1] += 1;
            println!(
                "    missed lifted area of {:.0} µm², film {:.2} to {:.2} µm",
                t.area_um2, t.film_um[0], t.film_um[1]
            );
        }
        for f in matches.false_found.iter().map(|i| &found[*i]) {
            println!("    false lifted area at {:.0} {:.0}", f.box_px[0], f.box_px[1]);
        }
        for p in candidates {
            println!("      patch {}", seen(p));
        }
    }

    pub(crate) fn print(&self) {
        let [thin, usual, thick] = self.by_film.map(|[hit, missed]| format!("{hit} of {}", hit + missed));
        println!(
            "lifted    found {}, false {}; of 200 µm across and over, film under 0.5 µm {thin}, to 2 µm {usual}, over 2 µm {thick} found; fields with a false one {} of {}, of those without any lifted area {} of {}",
            self.right + self.false_found,
            self.false_found,
            self.fields_with_false,
            self.fields,
            self.false_on_those,
            self.fields_without
        );
        for (name, v) in
            [("share of the area outlined", &self.covered), ("greatest film, told over true, minus one", &self.film)]
        {
            let [median, low, high] = spread(v);
            println!("          {name} ({}): median {median:.2}, 5 % {low:.2}, 95 % {high:.2}", v.len());
        }
    }
}
