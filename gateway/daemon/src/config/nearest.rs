//! The nearest valid name to a misspelt one.

/// The candidate that `text` most likely was meant to be: at most a third of its letters away, case apart.
pub(crate) fn nearest<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // A pasted page is no misspelt name, and the distance costs the product of both lengths.
    const LEN_MAX: usize = 64;
    if text.len() > LEN_MAX {
        return None;
    }
    let folded = text.to_lowercase().replace('-', "_");
    candidates
        .into_iter()
        .map(|c| (strsim::damerau_levenshtein(&folded, &c.to_lowercase().replace('-', "_")), c))
        .filter(|(distance, c)| *distance * 3 <= c.chars().count().max(folded.chars().count()).max(3))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, c)| c)
}

/// "did you mean `x`? " or nothing.
pub(crate) fn did_you_mean<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> String {
    nearest(text, candidates).map_or_else(String::new, |c| format!("did you mean `{c}`? "))
}

/// Up to ten names, and how many more.
pub(crate) fn listed(names: &[&str]) -> String {
    const SHOWN: usize = 10;
    let more = names.len().saturating_sub(SHOWN);
    let shown = names[..names.len() - more].join(", ");
    if more > 0 { format!("{shown} and {more} more") } else { shown }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_names_are_found_and_far_ones_are_not_offered() {
        let keys = ["register", "registers_max", "retries", "timeout"];
        assert_eq!(nearest("regsiter", keys), Some("register"));
        assert_eq!(nearest("time-out", keys), Some("timeout"));
        assert_eq!(nearest("Retries", keys), Some("retries"));
        assert_eq!(nearest("colour", keys), None);
        assert_eq!(nearest(&"x".repeat(100_000), keys), None);
    }
}
