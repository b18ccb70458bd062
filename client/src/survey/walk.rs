//! Which files a pattern means: paths relative to the manifest's folder, with `/` between their parts.

use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};

use globset::{GlobBuilder, GlobMatcher};
use walkdir::WalkDir;

use crate::failure::{Failure, io_words};

/// Files below `root` that match `pattern`; `*` and `?` stay within a folder, `**` does not.
pub(super) fn matching(root: &Path, pattern: &str) -> Result<BTreeSet<String>, Failure> {
    if !stays_inside(pattern) {
        // The plan says so, with the place in the manifest.
        return Ok(BTreeSet::new());
    }
    let matcher = matcher(pattern)?;
    let parts: Vec<&str> = pattern.split('/').collect();
    let literal = parts
        .iter()
        .take_while(|part| !part.contains(['*', '?', '[', '{', '\\']))
        .count()
        .min(parts.len() - 1);
    let base = parts[..literal].join("/");
    let depth = if pattern.contains("**") {
        usize::MAX
    } else {
        parts.len() - literal
    };
    let found = files_below(root, &base, depth)?;
    Ok(found.into_iter().filter(|path| matcher.is_match(path)).collect())
}

/// All files below a folder, relative to it.
pub(super) fn below(root: &Path, folder: &str) -> Result<Vec<String>, Failure> {
    let prefix = format!("{folder}/");
    let files = files_below(root, folder, usize::MAX)?;
    Ok(files
        .into_iter()
        .filter_map(|path| path.strip_prefix(&prefix).map(str::to_owned))
        .collect())
}

/// The first symbolic link below a folder, relative to the root: a folder that is taken as a whole must mean the same on every
/// machine, and what a link leads to does not.
pub(super) fn link_below(root: &Path, folder: &str) -> Option<String> {
    let links = WalkDir::new(join(root, folder)).min_depth(1).sort_by_file_name();
    links
        .into_iter()
        .filter_map(Result::ok)
        .find(walkdir::DirEntry::path_is_symlink)
        .and_then(|entry| slashed(entry.path().strip_prefix(root).unwrap_or(entry.path())))
}

fn files_below(root: &Path, base: &str, depth: usize) -> Result<Vec<String>, Failure> {
    let start = join(root, base);
    if !start.is_dir() {
        return Ok(Vec::new());
    }
    let mut files = Vec::new();
    for entry in WalkDir::new(&start)
        .follow_links(true)
        .min_depth(1)
        .max_depth(depth)
    {
        let entry = match entry {
            Ok(entry) => entry,
            // A link back to a folder above leads to nothing new.
            Err(error) if error.loop_ancestor().is_some() => continue,
            Err(error) => {
                let path = error.path().unwrap_or(&start).display().to_string();
                let gone = error
                    .io_error()
                    .is_some_and(|error| error.kind() == std::io::ErrorKind::NotFound);
                if gone {
                    // A link to nowhere, or a file that was just removed.
                    continue;
                }
                let words = error.io_error().map_or_else(|| error.to_string(), io_words);
                return Err(Failure::wrong(format!("cannot list {path}: {words}")));
            }
        };
        if !entry.file_type().is_file() {
            continue;
        }
        let relative = entry.path().strip_prefix(root).unwrap_or(entry.path());
        files.push(slashed(relative).ok_or_else(|| {
            Failure::wrong(format!("the name of {} is not Unicode", entry.path().display()))
                .hint("rename the file")
        })?);
    }
    Ok(files)
}

fn matcher(pattern: &str) -> Result<GlobMatcher, Failure> {
    GlobBuilder::new(pattern)
        .literal_separator(true)
        .build()
        .map(|glob| glob.compile_matcher())
        .map_err(|error| Failure::wrong(format!("{pattern:?} is no pattern: {}", error.kind())))
}

/// A relative path with `/` between its parts; `None` if it is not Unicode.
fn slashed(path: &Path) -> Option<String> {
    let parts: Option<Vec<&str>> = path
        .components()
        .map(|part| match part {
            Component::Normal(part) => part.to_str(),
            _ => None,
        })
        .collect();
    parts.map(|parts| parts.join("/"))
}

/// Whether a manifest's path names something below its folder, on every system.
pub(super) fn stays_inside(path: &str) -> bool {
    !path.is_empty()
        && !path.starts_with('/')
        && !path.contains(['\\', ':', '\0'])
        && path.split('/').all(|part| part != ".." && !part.is_empty())
}

/// A path of the manifest below its folder.
pub(super) fn join(root: &Path, path: &str) -> PathBuf {
    path.split('/')
        .filter(|part| !part.is_empty())
        .fold(root.to_owned(), |folder, part| folder.join(part))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn project(files: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for file in files {
            let path = join(folder.path(), file);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "").unwrap();
        }
        folder
    }

    #[test]
    fn patterns_stay_within_a_folder_unless_they_say_otherwise() {
        let project = project(&[
            "base/a.obj",
            "base/B.OBJ",
            "base/deep/c.obj",
            "top.obj",
            "other/d.obj",
        ]);
        let found = |pattern: &str| {
            matching(project.path(), pattern)
                .unwrap()
                .into_iter()
                .collect::<Vec<_>>()
        };
        assert_eq!(found("base/*.obj"), ["base/a.obj"]);
        assert_eq!(found("base/**/*.obj"), ["base/a.obj", "base/deep/c.obj"]);
        assert_eq!(found("*.obj"), ["top.obj"]);
        assert_eq!(found("{base,other}/*.obj"), ["base/a.obj", "other/d.obj"]);
        assert_eq!(found("base/a.obj"), ["base/a.obj"]);
        assert!(found("absent/*.obj").is_empty());
        assert!(found("../*.obj").is_empty());
    }

    #[test]
    fn paths_that_leave_are_told_apart() {
        for inside in ["a", "a/b.obj", "a..b/c"] {
            assert!(stays_inside(inside), "{inside}");
        }
        for outside in ["", "/a", "../a", "a/../../b", "c:/a", "a\\b", "a//b"] {
            assert!(!stays_inside(outside), "{outside}");
        }
    }
}
