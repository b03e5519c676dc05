//! The order of a drawer's slides: by id as a person counts, LM-9 before LM-10.

use std::cmp::Ordering;

/// Compares two ids, runs of digits by what they count. Equal only when the two are the same text.
#[must_use]
pub fn by_id(a: &str, b: &str) -> Ordering {
    let (mut x, mut y) = (a, b);
    while !x.is_empty() && !y.is_empty() {
        let (first, second) = (run(x), run(y));
        let order = match (is_number(first), is_number(second)) {
            (true, true) => {
                let (m, n) = (first.trim_start_matches('0'), second.trim_start_matches('0'));
                m.len().cmp(&n.len()).then_with(|| m.cmp(n))
            }
            _ => first.cmp(second),
        };
        if order != Ordering::Equal {
            return order;
        }
        (x, y) = (&x[first.len()..], &y[second.len()..]);
    }
    x.len().cmp(&y.len()).then_with(|| a.cmp(b))
}

/// The digits, or what is none, that a text begins with.
fn run(text: &str) -> &str {
    let digits = is_number(text);
    let end = text.find(|c: char| c.is_ascii_digit() != digits).unwrap_or(text.len());
    &text[..end]
}

fn is_number(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_ordered_as_a_person_counts() {
        let ordered = ["", "9", "10", "A", "LM-2", "LM-09", "LM-9", "LM-10", "LM-10b", "LM-10b2", "LM-11", "é1"];
        for (i, a) in ordered.iter().enumerate() {
            for (j, b) in ordered.iter().enumerate() {
                assert_eq!(by_id(a, b), i.cmp(&j), "{a:?} and {b:?}");
            }
        }
    }
}
