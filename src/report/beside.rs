//! Whether the page that lies beside a report.json was written with it: what both say is compared. A report that was changed by
//! hand, or of which one half was copied from elsewhere, is no report any more. It is no seal: who changes both is believed.

use askama::filters::{Html, escape};

use crate::report::html::unbroken;
use crate::report::record::Report;
use crate::report::terminal::plain;
use crate::report::words;
use crate::verdict::Outcome;

/// Whether a page is that of a slide with this id, verdict and mean thickness.
#[must_use]
pub fn is_of(page: &str, id: &str, outcome: Outcome, mean_um: Option<f64>) -> bool {
    let thickness = mean_um.is_none_or(|mean| page.contains(&format!("{mean:.1} µm")));
    thickness && page.contains(&title(id, outcome))
}

/// The title of such a page.
pub(crate) fn title(id: &str, outcome: Outcome) -> String {
    format!("<title>{}: {}</title>", escaped(&plain(id)), words::headline(outcome))
}

/// Whether a page that this program wrote, whole, says what the report says: when it was made, verdict, why, thickness and steps.
#[must_use]
pub fn says(page: &str, report: &Report) -> bool {
    let verdict = &report.verdict;
    page.trim_end().ends_with("</html>")
        && page.contains(&report.made_at)
        && is_of(page, &report.slide.id, verdict.outcome, report.thickness.mean_um)
        && page.contains(&escaped(&words::thickness_line(report)))
        && std::iter::once(&verdict.why)
            .chain(&verdict.next_steps)
            .chain(&verdict.notes)
            .all(|sentence| page.contains(&escaped(&unbroken(sentence))))
}

fn escaped(text: &str) -> String {
    // It never fails.
    escape(text, Html).map_or_else(|never| match never {}, |shown| shown.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::cases::{CASES, page, report_of};

    #[test]
    fn a_page_belongs_to_its_report_and_to_no_other() {
        for (name, outcome) in CASES {
            let (page, report) = (page(name), report_of(name));
            assert!(says(&page, &report), "{name}");
            assert!(is_of(&page, "LM-0142", outcome, report.thickness.mean_um), "{name}");
            for (other, another) in CASES {
                assert_eq!(says(&page, &report_of(other)), other == name, "{other} beside the page of {name}");
                assert!(another == outcome || !is_of(&page, "LM-0142", another, None));
            }
            assert!(!is_of(&page, "LM-0143", outcome, None));
            assert!(!says(&page[..page.len() / 2], &report), "half of it");
        }
    }

    #[test]
    fn what_was_changed_by_hand_is_seen() {
        let page = page("regrind");
        let changed = |change: fn(&mut Report)| {
            let mut report = report_of("regrind");
            change(&mut report);
            says(&page, &report)
        };
        assert!(changed(|_| ()));
        assert!(!changed(|r| r.verdict.outcome = Outcome::Pass));
        assert!(!changed(|r| r.verdict.why = "Every limit is met & more.".into()));
        assert!(!changed(|r| r.verdict.next_steps[0] = "Take 90 µm off.".into()));
        assert!(!changed(|r| r.thickness.mean_um = Some(30.0)));
        assert!(!changed(|r| r.thickness.ci95_um = Some([29.0, 31.0])));
        assert!(!changed(|r| r.thickness.quartz_grains = Some(9000)));
        assert!(!changed(|r| r.made_at = "2031-01-01T00:00:00Z".into()));
    }

    #[test]
    fn text_from_outside_is_compared_as_it_is_shown() {
        assert_eq!(title("<b>&\u{1b}", Outcome::Pass), "<title>&#60;b&#62;&#38; : Pass</title>");
    }
}
