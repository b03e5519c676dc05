//! Parts of the reasons' sentences.

/// A fraction as per cent with two significant digits ("0.36 %", "1.2 %", "12 %").
#[must_use]
pub fn percent(fraction: f64) -> String {
    let p = 100.0 * fraction;
    let decimals = if p == 0.0 || p >= 10.0 {
        0
    } else if p >= 1.0 {
        1
    } else if p >= 0.01 {
        2
    } else {
        return "under 0.01 %".into();
    };
    let text = format!("{p:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    format!("{text} %")
}

/// A sentence from elsewhere as the end of one of ours: first letter small, one full stop.
pub(super) fn clause(sentence: &str) -> String {
    let mut chars = sentence.trim().chars();
    let Some(first) = chars.next() else { return "no reason given.".into() };
    let rest: String = chars.collect();
    // Abbreviations keep their capitals.
    let first = if rest.starts_with(|c: char| c.is_lowercase() || c == ' ') {
        first.to_lowercase().to_string()
    } else {
        first.to_string()
    };
    format!("{}.", format!("{first}{rest}").trim_end_matches('.'))
}
