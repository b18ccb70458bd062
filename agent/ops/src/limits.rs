//! Limits that are written as text, one for each tag: `timber at least 0.2`.

/// What is asked of the figure of one tag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TagLimit<'t> {
    /// Name of the tag.
    pub tag: &'t str,
    /// Least figure allowed.
    pub least: Option<f64>,
    /// Largest figure allowed.
    pub most: Option<f64>,
}

/// How such a limit is written, for messages.
pub const TAG_LIMIT_FORMS: &str = "`TAG at least 1`, `TAG at most 2` or `TAG 1 to 2`";

/// Reads one limit; `None` if it has none of the three forms. A tag may hold spaces, since the limit is the last three words.
pub fn tag_limit(text: &str) -> Option<TagLimit<'_>> {
    let mut words = text.trim().rsplitn(4, ' ');
    let (last, middle, first) = (words.next()?, words.next()?, words.next()?);
    let tag = words.next()?.trim();
    let number = |word: &str| word.parse::<f64>().ok().filter(|number| number.is_finite());
    let (least, most) = match (first, middle) {
        ("at", "least") => (Some(number(last)?), None),
        ("at", "most") => (None, Some(number(last)?)),
        (first, "to") => (Some(number(first)?), Some(number(last)?)),
        _ => return None,
    };
    let is_range = least.zip(most).is_none_or(|(least, most)| least <= most);
    (is_range && !tag.is_empty()).then_some(TagLimit { tag, least, most })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_forms_are_read_and_nothing_else() {
        let limit = |tag, least, most| Some(TagLimit { tag, least, most });
        for (text, expected) in [
            ("timber at least 0.2", limit("timber", Some(0.2), None)),
            ("old timber at most 1e2", limit("old timber", None, Some(100.0))),
            ("iron 0 to 0.5", limit("iron", Some(0.0), Some(0.5))),
            ("iron 0.5 to 0", None),
            ("iron 0.5", None),
            ("at least 0.5", None),
            ("iron at least", None),
            ("iron at least much", None),
            ("iron 1 to inf", None),
            ("", None),
        ] {
            assert_eq!(tag_limit(text), expected, "{text}");
        }
    }
}
