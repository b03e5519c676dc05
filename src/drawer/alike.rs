//! Whether the slides of a table were all judged by the same limits.

use std::collections::BTreeMap;

use crate::drawer::reported::Reported;

/// The limits that a slide was judged by, to tell whether all were judged alike.
pub(super) struct Judged {
    /// All but that of thickness.
    others: String,
    /// That of thickness, which follows the slide's target.
    thickness: String,
    target: String,
}

impl Judged {
    pub(super) fn of(report: &Reported) -> Self {
        let text = |limits: Vec<&serde_json::Value>| {
            let told: Vec<String> = limits.iter().map(|l| format!("{} {}", l["limit"], l["allowed"])).collect();
            told.join(", ")
        };
        let (thickness, others) = report.limits.iter().partition(|limit| limit["limit"] == "thickness");
        let target = format!("{} {}", report.slide.short.target_um, report.slide.polish_to_come);
        Self { others: text(others), thickness: text(thickness), target }
    }
}

/// What is said when slides were judged by different limits, with one of each kind.
pub(super) fn alike<'a>(told: impl Iterator<Item = (&'a str, &'a Judged)>) -> Option<String> {
    let mut others: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut thickness: BTreeMap<&str, BTreeMap<&str, Vec<&str>>> = BTreeMap::new();
    for (id, judged) in told {
        others.entry(&judged.others).or_default().push(id);
        thickness.entry(&judged.target).or_default().entry(&judged.thickness).or_default().push(id);
    }
    let kinds = std::iter::once(&others).chain(thickness.values()).find(|kinds| kinds.len() > 1)?;
    let told: Vec<String> = kinds
        .values()
        .filter_map(|ids| match ids.as_slice() {
            [] => None,
            [one] => Some((*one).to_owned()),
            [first, rest @ ..] => Some(format!("{first} and {} more", rest.len())),
        })
        .collect();
    Some(format!(
        "The reports were not all judged by the same limits: {}. Check them again with one --limits file before comparing verdicts.",
        told.join(" by one set, ") + " by another"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::cases::report_of;

    #[test]
    fn limits_are_the_same_where_only_the_target_differs() {
        let report = |id: &str, target: f64, range: f64| -> Reported {
            let mut json = serde_json::to_value(report_of("regrind")).unwrap();
            json["slide"]["id"] = id.into();
            json["slide"]["target_um"] = target.into();
            for limit in json["limits"].as_array_mut().unwrap() {
                match limit["limit"].as_str().unwrap() {
                    "thickness" => limit["allowed"] = serde_json::json!([target - 5.0, target + 5.0]),
                    "range_across" => limit["allowed"] = serde_json::json!([null, range]),
                    _ => {}
                }
            }
            serde_json::from_value(json).unwrap()
        };
        let warning = |reports: &[Reported]| {
            let judged: Vec<_> = reports.iter().map(|r| (r.slide.id.as_str(), Judged::of(r))).collect();
            alike(judged.iter().map(|(id, judged)| (*id, judged)))
        };
        assert_eq!(warning(&[report("a", 30.0, 6.0), report("b", 20.0, 6.0), report("c", 30.0, 6.0)]), None);
        let said = warning(&[report("a", 30.0, 6.0), report("b", 30.0, 4.0), report("c", 30.0, 6.0)]).unwrap();
        assert!(said.contains("not all judged by the same limits") && said.contains("a and 1 more by"), "{said}");
        let mut other = report("d", 30.0, 6.0);
        other.limits[0]["allowed"] = serde_json::json!([26.0, 34.0]);
        assert_eq!(other.limits[0]["limit"], "thickness");
        assert!(warning(&[report("a", 30.0, 6.0), other]).is_some());
    }
}
