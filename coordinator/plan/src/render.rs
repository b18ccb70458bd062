//! Findings as a person reads them: the source line, underlined, with file, line and column.

use std::fmt;

use miette::{GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode};

use crate::diagnostics::{Diagnostic, Diagnostics, Place, Severity};

impl Diagnostics {
    /// All findings as text, `width` columns wide, with terminal colours or without.
    pub fn render(&self, color: bool, width: usize) -> String {
        let theme = if color {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let handler = GraphicalReportHandler::new_themed(theme)
            .with_links(false)
            .without_syntax_highlighting()
            .with_width(width)
            // Names with `/` and `-` in them stay whole, so that they can be copied.
            .with_word_separator(textwrap::WordSeparator::AsciiSpace)
            .with_word_splitter(textwrap::WordSplitter::NoHyphenation)
            .with_break_words(false)
            .with_context_lines(1);
        let source = NamedSource::new(&self.source_name, self.text.clone());
        let mut out = String::new();
        for item in &self.items {
            if !out.is_empty() {
                out.push('\n');
            }
            let shown = Shown {
                item,
                source: &source,
            };
            if handler.render_report(&mut out, &shown).is_err() {
                // Drawing failed (a place outside the text): the plain words are still worth having.
                out.push_str(&item.message);
                out.push('\n');
            }
        }
        // The handler pads empty lines of the frame; a log file wants none of that.
        let lines: Vec<&str> = out.lines().map(str::trim_end).collect();
        lines.join("\n") + "\n"
    }
}

/// One finding together with the text that it is about.
struct Shown<'a> {
    item: &'a Diagnostic,
    source: &'a NamedSource<String>,
}

impl fmt::Debug for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.item.fmt(f)
    }
}

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.item.message)
    }
}

impl std::error::Error for Shown<'_> {}

impl miette::Diagnostic for Shown<'_> {
    fn code<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(self.item.code))
    }

    fn severity(&self) -> Option<miette::Severity> {
        Some(match self.item.severity {
            Severity::Error => miette::Severity::Error,
            Severity::Remark => miette::Severity::Warning,
        })
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.item
            .hint
            .as_ref()
            .map(|hint| Box::new(hint) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.item.place.map(|_| self.source as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let place = self.item.place?;
        let span = |place: Place| (place.start, place.end - place.start);
        let first = LabeledSpan::new_primary_with_span(self.item.label.clone(), span(place));
        let others = self.item.related.iter();
        let others = others
            .map(move |related| LabeledSpan::new_with_span(Some(related.label.clone()), span(related.place)));
        Some(Box::new(std::iter::once(first).chain(others)))
    }
}
