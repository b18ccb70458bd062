//! What a file's name says: `"{family}-{size}"` read out of `bollard-large`.

use super::{FieldValue, ModelFile};
use crate::diagnostics::Report;
use crate::read::{Piece, Template};

/// The fields of a model's name; a name that does not fit, or fits in two ways, is an error.
pub(super) fn read(
    template: &Template,
    model: &ModelFile,
    report: &mut Report<'_>,
) -> Option<Vec<(String, FieldValue)>> {
    let found = readings(&template.pieces, &model.stem);
    match found.as_slice() {
        [] => {
            report
                .error("name-does-not-fit", &template.span, format!("the name of `{}` does not fit the field pattern", model.path))
                .hint("rename the file, change the pattern, or leave the file out with `exclude`; a field has at least one character");
            None
        }
        [only] => Some(
            only.iter()
                .map(|(name, text)| ((*name).to_owned(), FieldValue::text(text)))
                .collect(),
        ),
        [one, two, ..] => {
            let shown = |reading: &[(&str, &str)]| {
                let fields: Vec<String> = reading
                    .iter()
                    .map(|(name, text)| format!("{name} = {text}"))
                    .collect();
                fields.join(", ")
            };
            let message = format!("the name of `{}` can be read in two ways", model.path);
            report
                .error("ambiguous-name", &template.span, message)
                .hint(format!(
                    "either {}, or {}: rename the file, or use a separator that names do not hold",
                    shown(one),
                    shown(two)
                ));
            None
        }
    }
}

/// At most two ways to read `stem` as the pattern; more need not be known.
fn readings<'p>(pieces: &'p [Piece], stem: &'p str) -> Vec<Vec<(&'p str, &'p str)>> {
    // possible[i]: positions from which the pieces behind the i-th can still be read to the end. Known
    // beforehand, no search runs into a dead end.
    let mut possible: Vec<Vec<bool>> = vec![vec![false; stem.len() + 1]; pieces.len() + 1];
    possible[pieces.len()][stem.len()] = true;
    for (index, piece) in pieces.iter().enumerate().rev() {
        let mut any_behind = false;
        for start in (0..=stem.len())
            .rev()
            .filter(|start| stem.is_char_boundary(*start))
        {
            possible[index][start] = match piece {
                Piece::Text(text) => {
                    stem[start..].starts_with(text.as_str()) && possible[index + 1][start + text.len()]
                }
                Piece::Name(_) => any_behind,
            };
            any_behind |= possible[index + 1][start];
        }
    }
    let mut found = Vec::new();
    if possible[0][0] {
        walk(pieces, stem, 0, &possible, &mut Vec::new(), &mut found);
    }
    found
}

fn walk<'p>(
    pieces: &'p [Piece],
    stem: &'p str,
    start: usize,
    possible: &[Vec<bool>],
    taken: &mut Vec<(&'p str, &'p str)>,
    found: &mut Vec<Vec<(&'p str, &'p str)>>,
) {
    let behind = &possible[1..];
    match pieces.split_first() {
        None => found.push(taken.clone()),
        Some((Piece::Text(text), rest)) => walk(rest, stem, start + text.len(), behind, taken, found),
        Some((Piece::Name(name), rest)) => {
            for end in start + 1..=stem.len() {
                if found.len() < 2 && behind[0][end] {
                    taken.push((name.as_str(), &stem[start..end]));
                    walk(rest, stem, end, behind, taken, found);
                    taken.pop();
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::read::At;

    fn template(pattern: &str) -> Template {
        let text = format!("fields = \"{pattern}\"");
        let mut report = Report::new(&text);
        Template::parse(&At::new(pattern.to_owned(), 9..text.len()), &mut report).unwrap()
    }

    fn texts(pattern: &str, stem: &str) -> Vec<Vec<String>> {
        let template = template(pattern);
        let found = readings(&template.pieces, stem);
        found
            .into_iter()
            .map(|reading| reading.into_iter().map(|(_, text)| text.to_owned()).collect())
            .collect()
    }

    #[test]
    fn names_that_fit_once_never_or_twice() {
        assert_eq!(texts("{family}-{size}", "bollard-large"), [["bollard", "large"]]);
        assert_eq!(texts("{family}-{size}", "bollard-x-large").len(), 2);
        assert!(texts("{family}-{size}", "bollard").is_empty());
        assert!(texts("{family}-{size}", "-large").is_empty());
        assert!(texts("{family}-{size}", "bollard-").is_empty());
        assert_eq!(texts("dock_{n}", "dock_1"), [["1"]]);
        assert_eq!(texts("{a}{b}", "xy"), [["x", "y"]]);
        assert_eq!(texts("{a}{b}", "xyz").len(), 2);
        assert_eq!(texts("{a}-ü", "öä-ü"), [["öä"]]);
        assert_eq!(texts("plain", "plain").len(), 1);
    }

    #[test]
    fn many_separators_take_no_time() {
        assert_eq!(texts("{a}-{b}-{c}-{d}-{e}-{f}.", &"-".repeat(200)).len(), 0);
    }

    proptest! {
        /// Whatever is read puts the name together again.
        #[test]
        fn readings_rebuild_the_stem(stem in "[ab-]{1,12}") {
            for reading in texts("{x}-{y}", &stem) {
                prop_assert_eq!(reading.join("-"), stem.clone());
                prop_assert!(reading.iter().all(|text| !text.is_empty()));
            }
            let cuts = stem.char_indices().filter(|(at, c)| *c == '-' && *at > 0 && *at + 1 < stem.len()).count();
            prop_assert_eq!(texts("{x}-{y}", &stem).len(), cuts.min(2));
        }
    }
}
