//! What is wrong with a manifest: every finding with its place, gathered rather than stopped at.

use std::collections::HashMap;
use std::fmt;
use std::ops::Range;

use serde::Serialize;

/// All findings about one manifest, with its text so that they can be shown.
#[derive(Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostics {
    /// The manifest's name as it is shown, `dock.toml`.
    pub source_name: String,
    /// In order of their places in the text; those without a place come last.
    pub items: Vec<Diagnostic>,
    /// The manifest's text.
    #[serde(skip)]
    pub text: String,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    /// Whether it keeps the manifest from being run.
    pub severity: Severity,
    /// A stable word in kebab-case, `unknown-key`.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// Where; `None` if no part of the manifest is to blame, as for a command line option.
    pub place: Option<Place>,
    /// What stands at the place, in a few words.
    pub label: Option<String>,
    /// Other places that belong to it.
    pub related: Vec<Related>,
    /// What to do about it.
    pub hint: Option<String>,
}

/// Whether a finding keeps a manifest from being run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// It does.
    Error,
    /// It does not, but someone should look.
    Remark,
}

/// A piece of the manifest's text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Place {
    /// First byte.
    pub start: usize,
    /// Byte behind the last.
    pub end: usize,
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
}

/// A second place that belongs to a finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Related {
    /// Where.
    pub place: Place,
    /// What stands there, in a few words.
    pub label: String,
}

impl Diagnostics {
    /// Gathers findings about one text, sorted by place.
    pub fn new(source_name: &str, text: &str, mut items: Vec<Diagnostic>) -> Self {
        // Stable: findings at one place stay in the order in which they were found.
        items.sort_by_key(|item| {
            item.place
                .map_or((usize::MAX, 0), |place| (place.start, place.end))
        });
        Self {
            source_name: source_name.to_owned(),
            items,
            text: text.to_owned(),
        }
    }

    /// How many keep the manifest from being run.
    pub fn errors(&self) -> usize {
        self.items
            .iter()
            .filter(|item| item.severity == Severity::Error)
            .count()
    }

    /// The code of each finding, in order.
    pub fn codes(&self) -> Vec<&'static str> {
        self.items.iter().map(|item| item.code).collect()
    }
}

impl fmt::Debug for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false, 110))
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, item) in self.items.iter().enumerate() {
            let separator = if index == 0 { "" } else { "\n" };
            match item.place {
                Some(Place { line, column, .. }) => {
                    write!(
                        f,
                        "{separator}{}:{line}:{column}: {}",
                        self.source_name, item.message
                    )?;
                }
                None => write!(f, "{separator}{}: {}", self.source_name, item.message)?,
            }
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}

/// So many findings of one code are kept; one more says how many there were beyond.
///
/// A batch of a hundred thousand variants with one wrong letter should not fill a screen for an hour.
const MOST_OF_ONE_CODE: usize = 200;

/// Gathers findings while a manifest is read and planned.
#[derive(Debug)]
pub(crate) struct Report<'t> {
    text: &'t str,
    line_starts: Vec<usize>,
    items: Vec<Diagnostic>,
    errors: usize,
    counts: HashMap<&'static str, usize>,
    /// Takes what is written to a finding beyond the limit.
    spare: Diagnostic,
}

impl<'t> Report<'t> {
    pub(crate) fn new(text: &'t str) -> Self {
        let line_starts = std::iter::once(0)
            .chain(
                text.bytes()
                    .enumerate()
                    .filter(|(_, byte)| *byte == b'\n')
                    .map(|(index, _)| index + 1),
            )
            .collect();
        let spare = Diagnostic {
            severity: Severity::Error,
            code: "",
            message: String::new(),
            place: None,
            label: None,
            related: Vec::new(),
            hint: None,
        };
        Self {
            text,
            line_starts,
            items: Vec::new(),
            errors: 0,
            counts: HashMap::new(),
            spare,
        }
    }

    /// The manifest's text.
    pub(crate) fn text(&self) -> &'t str {
        self.text
    }

    /// How many errors there are so far.
    pub(crate) fn errors(&self) -> usize {
        self.errors
    }

    /// Adds an error at a span of the text.
    pub(crate) fn error(
        &mut self,
        code: &'static str,
        span: &Range<usize>,
        message: impl Into<String>,
    ) -> Entry<'_> {
        let place = self.place(span);
        self.push(Severity::Error, code, Some(place), message.into())
    }

    /// Adds an error that no part of the text is to blame for.
    pub(crate) fn error_elsewhere(&mut self, code: &'static str, message: impl Into<String>) -> Entry<'_> {
        self.push(Severity::Error, code, None, message.into())
    }

    /// Adds a remark at a span of the text.
    pub(crate) fn remark(
        &mut self,
        code: &'static str,
        span: &Range<usize>,
        message: impl Into<String>,
    ) -> Entry<'_> {
        let place = self.place(span);
        self.push(Severity::Remark, code, Some(place), message.into())
    }

    fn push(
        &mut self,
        severity: Severity,
        code: &'static str,
        place: Option<Place>,
        message: String,
    ) -> Entry<'_> {
        if severity == Severity::Error {
            self.errors += 1;
        }
        let count = self.counts.entry(code).or_default();
        *count += 1;
        let keep = *count <= MOST_OF_ONE_CODE;
        let item = Diagnostic {
            severity,
            code,
            message,
            place,
            label: None,
            related: Vec::new(),
            hint: None,
        };
        let item = if keep {
            self.items.push(item);
            // Pushed in the line above.
            self.items.last_mut().expect("the list is not empty")
        } else {
            self.spare = item;
            &mut self.spare
        };
        Entry {
            item,
            line_starts: &self.line_starts,
            text: self.text,
        }
    }

    fn place(&self, span: &Range<usize>) -> Place {
        place_of(self.text, &self.line_starts, span)
    }

    /// All findings, and a last one for each code of which there were too many.
    pub(crate) fn finish(mut self) -> Vec<Diagnostic> {
        let mut beyond: Vec<(&'static str, usize)> = self
            .counts
            .iter()
            .filter(|(_, count)| **count > MOST_OF_ONE_CODE)
            .map(|(code, count)| (*code, count - MOST_OF_ONE_CODE))
            .collect();
        beyond.sort_unstable();
        for (code, count) in beyond {
            // There are 200 with this code, so one is found.
            let like = self
                .items
                .iter()
                .rfind(|item| item.code == code)
                .map(|item| (item.severity, item.place));
            let (severity, place) = like.unwrap_or((Severity::Error, None));
            self.items.push(Diagnostic {
                severity,
                code,
                message: format!("and {count} more of this kind"),
                place,
                label: None,
                related: Vec::new(),
                hint: None,
            });
        }
        self.items
    }
}

/// A finding that was just added, to be told more.
pub(crate) struct Entry<'r> {
    item: &'r mut Diagnostic,
    line_starts: &'r [usize],
    text: &'r str,
}

impl Entry<'_> {
    /// What stands at the place, in a few words.
    pub(crate) fn label(self, label: impl Into<String>) -> Self {
        self.item.label = Some(label.into());
        self
    }

    /// What to do about it.
    pub(crate) fn hint(self, hint: impl Into<String>) -> Self {
        self.item.hint = Some(hint.into());
        self
    }

    /// What to do about it, if anything is known.
    pub(crate) fn maybe_hint(self, hint: Option<String>) -> Self {
        self.item.hint = hint.or(self.item.hint.take());
        self
    }

    /// Another place that belongs to it.
    pub(crate) fn related(self, span: &Range<usize>, label: impl Into<String>) -> Self {
        let place = place_of(self.text, self.line_starts, span);
        self.item.related.push(Related {
            place,
            label: label.into(),
        });
        self
    }
}

fn place_of(text: &str, line_starts: &[usize], span: &Range<usize>) -> Place {
    let start = floor(text, span.start.min(text.len()));
    let end = floor(text, span.end.clamp(start, text.len()));
    let line = line_starts.partition_point(|line_start| *line_start <= start);
    let line_start = line_starts.get(line - 1).copied().unwrap_or(0);
    Place {
        start,
        end,
        line,
        column: text[line_start..start].chars().count() + 1,
    }
}

/// The nearest character boundary at or before an index.
fn floor(text: &str, mut index: usize) -> usize {
    while !text.is_char_boundary(index) {
        index -= 1;
    }
    index
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_from_one() {
        let text = "a = 1\nö = 2\n";
        let mut report = Report::new(text);
        let at = text.find('2').unwrap();
        report
            .error("wrong-type", &(at..at + 1), "no")
            .related(&(0..1), "here");
        let items = report.finish();
        let place = items[0].place.unwrap();
        assert_eq!((place.line, place.column), (2, 5));
        assert_eq!(items[0].related[0].place.line, 1);
    }

    #[test]
    fn a_span_beyond_the_text_is_cut_off() {
        let mut report = Report::new("é");
        report.error("wrong-type", &(1..900), "no");
        let place = report.finish()[0].place.unwrap();
        assert_eq!((place.start, place.end, place.line, place.column), (0, 2, 1, 1));
    }

    #[test]
    fn too_many_of_one_code_are_counted() {
        let mut report = Report::new("x");
        for _ in 0..MOST_OF_ONE_CODE + 7 {
            report.error("unknown-key", &(0..1), "no");
        }
        assert_eq!(report.errors(), MOST_OF_ONE_CODE + 7);
        let items = report.finish();
        assert_eq!(items.len(), MOST_OF_ONE_CODE + 1);
        assert_eq!(items.last().unwrap().message, "and 7 more of this kind");
    }
}
