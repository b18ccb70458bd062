//! Why a command could not do its work: what happened, and apart from it what to try.

use std::fmt;
use std::io;
use std::path::Path;

use crate::exit::ExitStatus;

/// A command's error. The message says what happened and where; the hint what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// How the process ends.
    pub status: ExitStatus,
    /// One sentence, without a full stop.
    pub message: String,
    /// What to try, if there is something.
    pub hint: Option<String>,
    /// The message was shown already, e.g. as a list of diagnostics.
    pub shown: bool,
}

impl Failure {
    /// The manifest or the command line is wrong.
    pub fn wrong(message: impl Into<String>) -> Self {
        Self::of(ExitStatus::Wrong, message)
    }

    /// There is no coordinator to talk to.
    pub fn unreachable(message: impl Into<String>) -> Self {
        Self::of(ExitStatus::Unreachable, message)
    }

    /// The command was right, but some of its work could not be done.
    pub fn work(message: impl Into<String>) -> Self {
        Self::of(ExitStatus::ItemsFailed, message)
    }

    /// A file or folder of the command line that cannot be used.
    pub fn file(action: &str, path: &Path, error: &io::Error) -> Self {
        Self::wrong(format!("cannot {action} {}: {}", path.display(), io_words(error)))
    }

    /// Everything that there is to say was printed already.
    pub fn already_shown(status: ExitStatus) -> Self {
        Self {
            shown: true,
            ..Self::of(status, "")
        }
    }

    /// Adds what to try.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    fn of(status: ExitStatus, message: impl Into<String>) -> Self {
        Self {
            status,
            message: message.into(),
            hint: None,
            shown: false,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}

/// An I/O error in words, without the number that the system puts behind it.
pub fn io_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "it does not exist".to_owned(),
        io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
        io::ErrorKind::StorageFull => "the disk is full".to_owned(),
        _ => {
            let text = error.to_string();
            match text.find(" (os error") {
                Some(end) => text[..end].to_lowercase(),
                None => text,
            }
        }
    }
}

/// An error with everything that caused it, in one line.
pub fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_text = cause.to_string();
        if !text.contains(&cause_text) {
            text.push_str(": ");
            text.push_str(&cause_text);
        }
        source = cause.source();
    }
    text
}

/// The nearest of `candidates` to a mistyped `text`, if one is near enough to be meant.
pub fn nearest<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let allowed = (text.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| (edits(text, candidate), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Insertions, deletions, replacements and swaps of neighbours that turn `a` into `b` (optimal string
/// alignment, from memory).
fn edits(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let replace = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = replace.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mistyped_name_finds_its_neighbour() {
        let runs = ["harbour-dock.1", "quay.3"];
        assert_eq!(nearest("harbor-dock.1", runs), Some("harbour-dock.1"));
        assert_eq!(nearest("qauy.3", runs), Some("quay.3"));
        assert_eq!(nearest("winch.9", runs), None);
    }

    #[test]
    fn system_numbers_are_left_out() {
        let error = io::Error::from_raw_os_error(20);
        assert!(!io_words(&error).contains("os error"), "{}", io_words(&error));
    }
}
