//! Names as people type them: patterns over addresses, and near names for a mistyped one.

/// Whether `text` fits `pattern`, in which `*` stands for any characters, `/` included.
pub fn fits(pattern: &str, text: &str) -> bool {
    let mut pieces = pattern.split('*');
    let first = pieces.next().unwrap_or("");
    let Some(mut rest) = text.strip_prefix(first) else {
        return false;
    };
    let mut pieces = pieces.peekable();
    if pieces.peek().is_none() {
        return rest.is_empty();
    }
    while let Some(piece) = pieces.next() {
        if pieces.peek().is_none() {
            return rest.ends_with(piece);
        }
        match rest.find(piece) {
            Some(at) => rest = &rest[at + piece.len()..],
            None => return false,
        }
    }
    true
}

/// Whether `text` fits one of `patterns`.
pub fn fits_any(patterns: &[String], text: &str) -> bool {
    patterns.iter().any(|pattern| fits(pattern, text))
}

/// The names among `known` that are nearest to `typed`, at most three, nearest first.
pub fn nearest<'a>(typed: &str, known: impl IntoIterator<Item = &'a str>) -> Vec<String> {
    let limit = (typed.chars().count() / 3).max(2);
    let mut near: Vec<(usize, &str)> = known
        .into_iter()
        .map(|name| {
            let starts = !typed.is_empty() && name.starts_with(typed);
            (if starts { 1 } else { edits(typed, name) }, name)
        })
        .filter(|(distance, _)| *distance <= limit)
        .collect();
    near.sort_unstable();
    near.dedup();
    near.into_iter()
        .take(3)
        .map(|(_, name)| name.to_owned())
        .collect()
}

/// "; did you mean …?", or nothing.
pub fn hint(near: &[String]) -> String {
    match near {
        [] => String::new(),
        names => format!("; did you mean {}?", names.join(" or ")),
    }
}

/// Fewest insertions, deletions and replacements of characters between two texts (Levenshtein's distance,
/// from memory: one row of the table at a time).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_match_whole_addresses() {
        for (pattern, text, wanted) in [
            ("*", "a/b", true),
            ("", "", true),
            ("a/b", "a/b", true),
            ("a/b", "a/bc", false),
            ("*/game", "crate-small/game", true),
            ("*/game", "crate-small/games", false),
            ("crate-*/ga*", "crate-small/game", true),
            ("crate-*l*/game", "crate-small/game", true),
            ("*a*a", "a", false),
            ("*a*a", "ba-a", true),
            ("crate*crate", "crate", false),
        ] {
            assert_eq!(fits(pattern, text), wanted, "{pattern} on {text}");
        }
    }

    #[test]
    fn near_names_are_offered() {
        let known = ["harbour-dock.1", "harbour-dock.2", "quay.1"];
        assert_eq!(
            nearest("harbor-dock.1", known),
            ["harbour-dock.1", "harbour-dock.2"]
        );
        assert_eq!(nearest("harbour", known), ["harbour-dock.1", "harbour-dock.2"]);
        assert!(nearest("xyz", known).is_empty());
        assert_eq!(hint(&["a".into(), "b".into()]), "; did you mean a or b?");
    }

    #[test]
    fn edits_are_counted() {
        assert_eq!(
            (edits("", "abc"), edits("kitten", "sitting"), edits("a", "a")),
            (3, 3, 0)
        );
    }
}
