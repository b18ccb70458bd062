//! "Did you mean": the nearest of the names that would have been right.

/// The hint for a misspelled name: its nearest neighbour, or else all names there are, if they are few.
pub(crate) fn hint<'n>(name: &str, known: impl IntoIterator<Item = &'n str>) -> Option<String> {
    let mut known: Vec<&str> = known.into_iter().collect();
    known.sort_unstable();
    known.dedup();
    if let Some(near) = nearest(name, known.iter().copied()) {
        return Some(format!("did you mean `{near}`?"));
    }
    match known.len() {
        0 => None,
        1..=12 => Some(format!("known here: {}", quoted(&known))),
        _ => None,
    }
}

/// The nearest name, if it is near enough to be a slip of the hand.
pub(crate) fn nearest<'n>(name: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let limit = (name.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|candidate| {
            (
                distance(&name.to_lowercase(), &candidate.to_lowercase()),
                candidate,
            )
        })
        .filter(|(distance, _)| *distance <= limit)
        .min()
        .map(|(_, candidate)| candidate)
}

/// Names in back quotes, separated by commas.
pub(crate) fn quoted<S: AsRef<str>>(names: &[S]) -> String {
    let names: Vec<String> = names.iter().map(|name| format!("`{}`", name.as_ref())).collect();
    names.join(", ")
}

/// Least number of single-character changes, two swapped neighbours counting as one (optimal string
/// alignment, from memory).
fn distance(one: &str, two: &str) -> usize {
    let (one, two): (Vec<char>, Vec<char>) = (one.chars().collect(), two.chars().collect());
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=two.len()).collect();
    for (i, a) in one.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, b) in two.iter().enumerate() {
            let changed = last[j] + usize::from(a != b);
            let mut best = changed.min(last[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *a == two[j - 1] && one[i - 1] == *b {
                best = best.min(before_last[j - 1] + 1);
            }
            row.push(best);
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last[two.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_near_and_other_words_are_not() {
        let known = ["remesh", "wear", "displace"];
        assert_eq!(nearest("remseh", known), Some("remesh"));
        assert_eq!(nearest("Wear", known), Some("wear"));
        assert_eq!(nearest("displce", known), Some("displace"));
        assert_eq!(nearest("bake", known), None);
        assert_eq!(nearest("timbre", ["timber", "iron"]), Some("timber"));
    }

    #[test]
    fn few_names_are_listed_where_none_is_near() {
        assert_eq!(hint("zzz", ["y", "z"]).unwrap(), "known here: `y`, `z`");
        assert_eq!(hint("zzz", []), None);
    }

    #[test]
    fn distances_of_short_words() {
        for (one, two, expected) in [
            ("", "abc", 3),
            ("abc", "abc", 0),
            ("ab", "ba", 1),
            ("kitten", "sitting", 3),
        ] {
            assert_eq!(distance(one, two), expected, "{one} {two}");
        }
    }
}
