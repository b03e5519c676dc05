//! Whether the page that lies beside a report.json was written with it: its last line holds the checksums of both. A report that was
//! changed by hand, or of which one half was copied from elsewhere, is no report any more. It is no seal: who reckons the checksums
//! anew is believed.

use sha2::{Digest, Sha256};

use crate::slide::decode::hexadecimal;

/// How the line with the checksums begins.
const BEGINS: &str = "<!-- thinproof: SHA-256 ";

/// The page of a report with the checksums of both in its last line. When it was made is left out of them, so that the same
/// photographs give the same page at any time; line ends may be of either kind.
#[must_use]
pub fn bound(page: &str, json: &str, made_at: &str) -> String {
    let at = page.rfind("</html>").unwrap_or(page.len());
    let line = checksums(page, json, made_at);
    format!("{}{line}{}", &page[..at], &page[at..])
}

/// Whether a page was written with the text of a report.json that was made at that time, and neither was changed since.
#[must_use]
pub fn belongs(page: &str, json: &str, made_at: &str) -> bool {
    let Some(at) = page.rfind(BEGINS) else { return false };
    let Some(end) = page[at..].find('\n') else { return false };
    let (line, without) = (&page[at..=at + end], format!("{}{}", &page[..at], &page[at + end + 1..]));
    line.trim_end() == checksums(&without, json, made_at).trim_end() && without.contains(made_at)
}

fn checksums(page: &str, json: &str, made_at: &str) -> String {
    let of = |text: &str| {
        let text = text.replace("\r\n", "\n");
        let text = if made_at.is_empty() { text } else { text.replace(made_at, "") };
        hexadecimal(&Sha256::digest(text.as_bytes()))
    };
    format!("{BEGINS}{} report.json, {} this page, both but for this line and the time -->\n", of(json), of(page))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::cases::{CASES, page, report_of};
    use crate::report::{Report, to_json};

    #[test]
    fn a_page_belongs_to_its_report_and_to_no_other() {
        for (name, _) in CASES {
            let (page, report) = (page(name), report_of(name));
            let bound = bound(&page, &to_json(&report), &report.made_at);
            assert!(bound.trim_end().ends_with("</html>"), "{name}");
            assert!(belongs(&bound, &to_json(&report), &report.made_at), "{name}");
            assert!(!belongs(&page, &to_json(&report), &report.made_at), "{name}: without checksums");
            for (other, _) in CASES {
                let beside = report_of(other);
                let holds = belongs(&bound, &to_json(&beside), &beside.made_at);
                assert_eq!(holds, other == name, "{other} beside the page of {name}");
            }
        }
    }

    #[test]
    fn what_was_changed_by_hand_is_seen() {
        let report = report_of("regrind");
        let page = bound(&page("regrind"), &to_json(&report), &report.made_at);
        let changed = |change: fn(&mut Report)| {
            let mut report = report_of("regrind");
            change(&mut report);
            belongs(&page, &to_json(&report), &report.made_at)
        };
        assert!(changed(|_| ()));
        let changes: [fn(&mut Report); 7] = [
            |r| r.verdict.why = "Every limit is met & more.".into(),
            |r| r.verdict.next_steps[0] = "Take 90 µm off.".into(),
            |r| r.thickness.ci95_um = Some([29.0, 31.0]),
            |r| r.made_at = "2031-01-01T00:00:00Z".into(),
            |r| r.photographs[0].sha256 = "0".into(),
            |r| r.regrind_plan.as_mut().unwrap().remove_um.mean += 1.0,
            |r| r.limits[0].allowed = [Some(1.0), Some(99.0)],
        ];
        for (n, change) in changes.into_iter().enumerate() {
            assert!(!changed(change), "change {n}");
        }
        let json = to_json(&report);
        let by_hand = page.replacen("Regrind", "Pass", 1);
        assert_ne!(by_hand, page);
        assert!(!belongs(&by_hand, &json, &report.made_at), "the page");
        assert!(!belongs(&page[..page.len() / 2], &json, &report.made_at), "half of it");
        assert!(belongs(&page.replace('\n', "\r\n"), &json.replace('\n', "\r\n"), &report.made_at));
    }

    #[test]
    fn the_time_is_not_in_the_checksums() {
        let line = |at: &str| {
            let mut report = report_of("pass");
            let page = page("pass").replace(&report.made_at, at);
            report.made_at = at.into();
            checksums(&page, &to_json(&report), at)
        };
        assert_eq!(line("2031-01-01T00:00:00Z"), line("2032-11-30T10:20:30Z"));
    }
}
