//! `newest = "_v{number}"`: of files that differ only in a version number, the highest.

use std::collections::BTreeMap;

use super::ModelFile;
use crate::diagnostics::Report;
use crate::paths;
use crate::read::{Piece, Template};

/// A version number without leading zeros; `None` stands before any number. Any length, so it is text:
/// the longer one is the higher, and of equally long ones the one that sorts later.
type Version = Option<(usize, String)>;

/// In what files agree that differ only in their version: folder, rest of the stem, extension.
type Likeness<'p> = (&'p str, &'p str, &'p str);

/// Of each group of files that differ only there, the one with the highest number.
pub(super) fn choose(template: &Template, paths: &[&str], report: &mut Report<'_>) -> Vec<ModelFile> {
    let (before, after) = match template.pieces.as_slice() {
        [Piece::Text(before), Piece::Name(_), Piece::Text(after)] => (before.as_str(), after.as_str()),
        [Piece::Text(before), Piece::Name(_)] => (before.as_str(), ""),
        [Piece::Name(_), Piece::Text(after)] => ("", after.as_str()),
        _ => ("", ""),
    };
    let mut groups: BTreeMap<Likeness<'_>, Vec<(Version, &str)>> = BTreeMap::new();
    for path in paths {
        let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
        let stem = paths::stem(path);
        let extension = &path[path.rfind(stem).map_or(path.len(), |start| start + stem.len())..];
        let (rest, version) = split(stem, before, after);
        groups
            .entry((folder, rest, extension))
            .or_default()
            .push((version, path));
    }
    let mut chosen: Vec<ModelFile> = Vec::with_capacity(groups.len());
    for ((_, stem, _), mut files) in groups {
        files.sort();
        if let [.., (second, one), (first, two)] = files.as_slice()
            && first == second
        {
            report
                .error(
                    "same-version",
                    &template.span,
                    format!("`{one}` and `{two}` are the same version"),
                )
                .hint("rename or exclude one of them");
        }
        if let Some((_, path)) = files.last() {
            chosen.push(ModelFile {
                path: (*path).to_owned(),
                stem: stem.to_owned(),
            });
        }
    }
    chosen.sort_by(|one, two| one.path.cmp(&two.path));
    chosen
}

/// The stem without its version, and the version.
fn split<'s>(stem: &'s str, before: &str, after: &str) -> (&'s str, Version) {
    let versioned = || {
        let head = stem.strip_suffix(after)?;
        let digits = head.len() - head.bytes().rev().take_while(u8::is_ascii_digit).count();
        let rest = head[..digits].strip_suffix(before)?;
        let number = head[digits..].trim_start_matches('0');
        (digits < head.len() && !rest.is_empty()).then(|| (rest, (number.len(), number.to_owned())))
    };
    versioned().map_or((stem, None), |(rest, version)| (rest, Some(version)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::At;

    fn chosen(paths: &[&str]) -> (Vec<(String, String)>, usize) {
        let text = "newest = \"_v{number}\"";
        let mut report = Report::new(text);
        let template =
            Template::parse(&At::new("_v{number}".to_owned(), 9..text.len()), &mut report).unwrap();
        let chosen = choose(&template, paths, &mut report);
        (
            chosen.into_iter().map(|file| (file.path, file.stem)).collect(),
            report.errors(),
        )
    }

    fn pair(path: &str, stem: &str) -> (String, String) {
        (path.to_owned(), stem.to_owned())
    }

    #[test]
    fn the_highest_number_wins_not_the_last_text() {
        let (files, errors) = chosen(&[
            "b/crate_v10.obj",
            "b/crate_v9.obj",
            "b/crate.obj",
            "c/crate_v1.obj",
            "b/crate_v2.glb",
            "b/x_v.obj",
        ]);
        assert_eq!(errors, 0);
        assert_eq!(
            files,
            [
                pair("b/crate_v10.obj", "crate"),
                pair("b/crate_v2.glb", "crate"),
                pair("b/x_v.obj", "x_v"),
                pair("c/crate_v1.obj", "crate")
            ]
        );
    }

    #[test]
    fn numbers_of_any_length_and_equal_ones() {
        let (files, errors) = chosen(&["a_v99999999999999999999.obj", "a_v100000000000000000000.obj"]);
        assert_eq!(
            (files, errors),
            (vec![pair("a_v100000000000000000000.obj", "a")], 0)
        );
        assert_eq!(chosen(&["a_v01.obj", "a_v1.obj"]).1, 1);
    }
}
