//! Sections in the order they were made, in runs that one zero of the micrometer serves.

use std::cmp::Ordering;

use crate::slide::record::Corner;

/// What is known of a section that bears on the grinder.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// Slide id.
    pub id: String,
    /// How many sections were made since the micrometer's zero, this one counted.
    pub sequence: Option<u32>,
    /// Grinding micrometer's reading at the last pass, µm.
    pub micrometer_um: Option<f64>,
    /// The bevelled corner.
    pub mark: Option<Corner>,
    /// Thickness that it was ground for, µm.
    pub target_um: f64,
    /// Mean thickness, µm.
    pub thickness_um: Option<f64>,
    /// Half of the 95 % interval of the mean thickness, µm.
    pub half_um: Option<f64>,
    /// Gradient toward +x and +y of the section, µm per mm.
    pub gradient_um_per_mm: Option<[f64; 2]>,
    /// What grinding and impregnation left: scratches, bubbles, plucked places, each by its share of what was looked at; None
    /// where the photographs could not show it.
    pub left: [Option<f64>; 3],
    /// Direction of its scratches, degrees anticlockwise from +x, 0..180; None when it has none.
    pub scratches_deg: Option<f64>,
}

/// Half of an interval above which a thickness says nothing of the grinder, µm: as wide as the band of EN 12407 is on one side.
pub const TOO_WIDE_UM: f64 = 5.0;

impl Section {
    /// The thickness, where it is known well enough to be charted.
    #[must_use]
    pub fn charted_um(&self) -> Option<f64> {
        self.thickness_um.filter(|_| self.half_um.is_none_or(|h| h <= TOO_WIDE_UM))
    }

    /// Micrometer's reading less the thickness, µm.
    #[must_use]
    pub fn reading_less_thickness_um(&self) -> Option<f64> {
        Some(self.micrometer_um? - self.charted_um()?)
    }
}

/// All sections of a drawer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    /// Sections with a place in the order, each run from a zero on; runs in the order of their ids.
    pub runs: Vec<Vec<Section>>,
    /// Sections without one.
    pub unordered: Vec<Section>,
    /// Why places that were given are not used; None when they are.
    pub unusable: Option<String>,
}

impl Batch {
    /// Sorts sections that come in the order `by_id` of their ids.
    ///
    /// Where no number is given twice they are one run. Else a new run begins with each id whose number is not above the one
    /// before; when that leaves nothing but scraps, the order is not known.
    #[must_use]
    pub fn of(mut sections: Vec<Section>, by_id: impl Fn(&str, &str) -> Ordering) -> Self {
        sections.sort_by(|a, b| by_id(&a.id, &b.id));
        let (placed, mut unordered): (Vec<_>, Vec<_>) = sections.into_iter().partition(|s| s.sequence.is_some());
        let mut numbers: Vec<_> = placed.iter().map(|s| s.sequence).collect();
        numbers.sort_unstable();
        let twice = numbers.windows(2).any(|w| w[0] == w[1]);
        if !twice {
            let mut run = placed;
            run.sort_by_key(|s| s.sequence);
            let runs = if run.is_empty() { Vec::new() } else { vec![run] };
            return Self { runs, unordered, unusable: None };
        }
        let all = placed.len();
        let mut runs: Vec<Vec<Section>> = Vec::new();
        for section in placed {
            match runs.last_mut() {
                Some(run) if run.last().is_some_and(|last| last.sequence < section.sequence) => run.push(section),
                _ => runs.push(vec![section]),
            }
        }
        // Two thirds of random numbers' steps would be scraps of one or two.
        if runs.len() * 3 > all {
            unordered.extend(runs.into_iter().flatten());
            unordered.sort_by(|a, b| by_id(&a.id, &b.id));
            let told = "sequence numbers are given more than once and do not rise with the ids, so it is not known which \
                        sections belong to one zero of the micrometer";
            return Self { runs: Vec::new(), unordered, unusable: Some(told.into()) };
        }
        Self { runs, unordered, unusable: None }
    }

    /// All sections, those with a place first.
    pub fn all(&self) -> impl Iterator<Item = &Section> {
        self.runs.iter().flatten().chain(&self.unordered)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A section of which nothing is known but its place.
    pub(crate) fn section(id: &str, sequence: Option<u32>) -> Section {
        Section {
            id: id.into(),
            sequence,
            micrometer_um: None,
            mark: Some(Corner::TopLeft),
            target_um: 30.0,
            thickness_um: None,
            half_um: None,
            gradient_um_per_mm: None,
            left: [None; 3],
            scratches_deg: None,
        }
    }

    fn runs(numbers: &[u32]) -> Vec<Vec<u32>> {
        let sections =
            numbers.iter().enumerate().map(|(i, n)| section(&char::from(b'a' + i as u8).to_string(), Some(*n)));
        let batch = Batch::of(sections.collect(), Ord::cmp);
        batch.runs.iter().map(|r| r.iter().filter_map(|s| s.sequence).collect()).collect()
    }

    #[test]
    fn numbers_given_once_are_one_run_whatever_the_ids() {
        assert_eq!(runs(&[3, 1, 7, 2]), [vec![1, 2, 3, 7]]);
        assert!(runs(&[]).is_empty());
    }

    #[test]
    fn a_number_that_comes_again_begins_a_run() {
        assert_eq!(runs(&[1, 2, 3, 1, 2, 5, 2, 3, 4]), [vec![1, 2, 3], vec![1, 2, 5], vec![2, 3, 4]]);
    }

    #[test]
    fn numbers_without_order_are_not_used() {
        let sections = ["a", "b", "c", "d"].map(|id| section(id, Some(4)));
        let batch = Batch::of(sections.to_vec(), Ord::cmp);
        assert!(batch.runs.is_empty() && batch.unordered.len() == 4);
        assert!(batch.unusable.is_some_and(|w| w.contains("more than once")));
    }

    #[test]
    fn a_thickness_that_is_hardly_known_is_not_charted() {
        let mut s = section("a", None);
        (s.thickness_um, s.half_um, s.micrometer_um) = (Some(30.0), Some(0.4), Some(42.0));
        assert_eq!(s.reading_less_thickness_um(), Some(12.0));
        s.half_um = Some(5.1);
        assert_eq!(s.reading_less_thickness_um(), None);
    }
}
