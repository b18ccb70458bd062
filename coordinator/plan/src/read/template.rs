//! Text with placeholders: `"{family}-{size}"`, where `{{` and `}}` stand for the braces themselves.

use std::ops::Range;

use super::literal::At;
use crate::diagnostics::Report;

/// A parsed text with placeholders.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Template {
    /// In order; no two texts in a row, no empty text.
    pub(crate) pieces: Vec<Piece>,
    /// Of the whole value.
    pub(crate) span: Range<usize>,
}

/// A part of a template.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Piece {
    Text(String),
    /// What stands between the braces, and where, braces included.
    Name(At<String>),
}

impl Template {
    /// Parses a value; a brace that is never closed, or a name that can be none, is an error.
    pub(crate) fn parse(source: &At<String>, report: &mut Report<'_>) -> Option<Self> {
        let mut pieces = Vec::new();
        let mut literal = String::new();
        let mut sound = true;
        let text = source.as_str();
        let mut rest = 0;
        while let Some(offset) = text[rest..].find(['{', '}']) {
            let brace = rest + offset;
            literal.push_str(&text[rest..brace]);
            let doubled = text[brace..].starts_with("{{") || text[brace..].starts_with("}}");
            if doubled {
                literal.push_str(&text[brace..brace + 1]);
                rest = brace + 2;
                continue;
            }
            let close = text[brace..].find('}').map(|length| brace + length);
            match close {
                Some(close) if text[brace..].starts_with('{') => {
                    let name = &text[brace + 1..close];
                    let span = source.inner_span(report.text(), brace..close + 1);
                    if is_name(name) {
                        if !literal.is_empty() {
                            pieces.push(Piece::Text(std::mem::take(&mut literal)));
                        }
                        pieces.push(Piece::Name(At::new(name.to_owned(), span)));
                    } else {
                        bad(report, &span, format!("`{{{name}}}` is no placeholder"));
                        sound = false;
                    }
                    rest = close + 1;
                }
                _ => {
                    let span = source.inner_span(report.text(), brace..brace + 1);
                    let other = if text[brace..].starts_with('{') {
                        "never closed"
                    } else {
                        "never opened"
                    };
                    bad(report, &span, format!("a brace that is {other}"));
                    sound = false;
                    rest = brace + 1;
                }
            }
        }
        literal.push_str(&text[rest..]);
        if !literal.is_empty() {
            pieces.push(Piece::Text(literal));
        }
        sound.then(|| Self {
            pieces,
            span: source.span.clone(),
        })
    }

    /// The placeholders.
    pub(crate) fn names(&self) -> impl Iterator<Item = &At<String>> {
        self.pieces.iter().filter_map(|piece| match piece {
            Piece::Name(name) => Some(name),
            Piece::Text(_) => None,
        })
    }

    /// The text, if there is no placeholder in it.
    pub(crate) fn as_fixed(&self) -> Option<&str> {
        match self.pieces.as_slice() {
            [] => Some(""),
            [Piece::Text(text)] => Some(text),
            _ => None,
        }
    }

    /// The placeholder, if there is nothing beside it.
    pub(crate) fn as_single(&self) -> Option<&At<String>> {
        match self.pieces.as_slice() {
            [Piece::Name(name)] => Some(name),
            _ => None,
        }
    }
}

fn bad(report: &mut Report<'_>, span: &Range<usize>, message: String) {
    report
        .error("bad-placeholder", span, message)
        .hint("a placeholder is a name in braces, `{family}`; write `{{` or `}}` for a brace itself");
}

/// A name, or two with a dot between them (`{maps.list}`).
fn is_name(text: &str) -> bool {
    text.split('.').count() <= 2 && text.split('.').all(crate::names::is_word)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(value: &str) -> (Option<Template>, Vec<String>) {
        let text = format!("x = \"{value}\"");
        let mut report = Report::new(&text);
        let template = Template::parse(&At::new(value.to_owned(), 4..text.len()), &mut report);
        let found = report.finish();
        let found = found.iter().map(|item| {
            let place = item.place.unwrap();
            format!("{} {}", &text[place.start..place.end], item.message)
        });
        (template, found.collect())
    }

    #[test]
    fn texts_names_and_escapes() {
        let (template, found) = parse("a{{b}}-{family}{size}.glb");
        assert!(found.is_empty());
        let pieces = template.unwrap().pieces;
        assert_eq!(pieces.len(), 4);
        assert_eq!(pieces[0], Piece::Text("a{b}-".into()));
        assert!(
            matches!(&pieces[1], Piece::Name(At { value, span }) if value == "family" && *span == (12..20))
        );
        assert_eq!(pieces[3], Piece::Text(".glb".into()));
    }

    #[test]
    fn every_bad_brace_is_pointed_at() {
        let (template, found) = parse("{} {a b} } {x");
        assert!(template.is_none());
        assert_eq!(
            found,
            [
                "{} `{}` is no placeholder",
                "{a b} `{a b}` is no placeholder",
                "} a brace that is never opened",
                "{ a brace that is never closed"
            ]
        );
    }

    #[test]
    fn one_piece_alone() {
        assert_eq!(parse("plain").0.unwrap().as_fixed(), Some("plain"));
        assert_eq!(parse("").0.unwrap().as_fixed(), Some(""));
        assert_eq!(parse("{seed}").0.unwrap().as_single().unwrap().value, "seed");
        assert!(parse("s{seed}").0.unwrap().as_single().is_none());
    }
}
