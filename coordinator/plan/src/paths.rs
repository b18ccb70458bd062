//! Which paths may be read, which may be written, and which of them are one on some machine.

use unicode_normalization::UnicodeNormalization;

/// What is wrong with a path that is only read; it must stay below the manifest's folder.
pub(crate) fn input_problem(path: &str) -> Option<&'static str> {
    if path.is_empty() {
        Some("is empty")
    } else if path.contains('\\') {
        Some("has a `\\` in it: folders are separated by `/`")
    } else if path.starts_with('/') {
        Some("is absolute")
    } else if has_drive(path) {
        Some("has a drive letter")
    } else if path.split('/').any(|part| part == "..") {
        Some("leaves the manifest's folder")
    } else if path.split('/').any(|part| part.is_empty() || part == ".") {
        Some("has an empty part")
    } else {
        None
    }
}

/// Why a path cannot be written on every system: a code and the rest of a sentence.
pub(crate) type PathProblem = (&'static str, String);

/// What is wrong with a path that will be written, on any of Linux, macOS and Windows.
pub(crate) fn output_problem(path: &str) -> Option<PathProblem> {
    let problem = |code, text: &str| Some((code, text.to_owned()));
    if path.is_empty() {
        return problem("empty-path", "is empty");
    }
    if path.starts_with(['/', '\\']) {
        return problem("path-leaves", "is absolute: it would leave its folder");
    }
    if has_drive(path) {
        return problem("drive-letter", "has a drive letter");
    }
    path.split('/').find_map(part_problem)
}

fn part_problem(part: &str) -> Option<PathProblem> {
    if part.is_empty() {
        return Some(("empty-path", "has an empty part".to_owned()));
    }
    if part == ".." {
        return Some(("path-leaves", "leaves its folder by `..`".to_owned()));
    }
    if part == "." {
        return Some(("empty-path", "has a part `.`".to_owned()));
    }
    if let Some(bad) = part.chars().find(|c| "<>:\"|?*\\".contains(*c) || c.is_control()) {
        return Some((
            "path-character",
            format!("has {bad:?} in it, which Windows does not allow"),
        ));
    }
    if part.ends_with(['.', ' ']) {
        return Some((
            "path-end",
            format!("has the part `{part}`, which ends with a dot or a blank: Windows drops it"),
        ));
    }
    if let Some(device) = reserved_device(part) {
        return Some((
            "reserved-device",
            format!("has the part `{part}`: Windows takes `{device}` for a device"),
        ));
    }
    if part.len() > 255 {
        return Some((
            "path-length",
            format!("has a part of {} bytes; file systems end at 255", part.len()),
        ));
    }
    None
}

fn has_drive(path: &str) -> bool {
    let bytes = path.as_bytes();
    bytes.len() >= 2 && bytes[0].is_ascii_alphabetic() && bytes[1] == b':'
}

/// The device whose name this part of a path has on Windows, whatever extension follows.
///
/// Source: "Naming Files, Paths, and Namespaces" in the Windows documentation, from memory.
fn reserved_device(part: &str) -> Option<String> {
    let stem = part.split('.').next().unwrap_or(part).trim_end_matches(' ');
    if stem.chars().count() > 7 {
        return None;
    }
    let stem = stem.to_ascii_uppercase();
    let numbered = |prefix: &str| {
        stem.strip_prefix(prefix).is_some_and(|rest| {
            let mut digits = rest.chars();
            matches!(
                (digits.next(), digits.next()),
                (Some('1'..='9' | '¹' | '²' | '³'), None)
            )
        })
    };
    let plain = ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"].contains(&stem.as_str());
    (plain || numbered("COM") || numbered("LPT")).then_some(stem)
}

/// A form in which two paths are equal if some file system would take them for one.
///
/// Compatibility-composed (NFKC) covers macOS, which decomposes, and is coarser than need be, which errs on the
/// safe side. Lower, upper and lower case again, character by character: `ß`, `ẞ` and `SS` meet, as do both small
/// sigmas.
pub(crate) fn folded(path: &str) -> String {
    if path.is_ascii() {
        return path.to_ascii_lowercase();
    }
    let lower = path.nfkc().flat_map(char::to_lowercase);
    lower
        .flat_map(char::to_uppercase)
        .flat_map(char::to_lowercase)
        .nfkc()
        .collect()
}

/// The extension with its dot, in lower case; empty if there is none.
pub(crate) fn extension(path: &str) -> String {
    let file = path.rsplit('/').next().unwrap_or(path);
    match file.rfind('.') {
        Some(dot) if dot > 0 => file[dot..].to_lowercase(),
        _ => String::new(),
    }
}

/// The file's name without its last extension.
pub(crate) fn stem(path: &str) -> &str {
    let file = path.rsplit('/').next().unwrap_or(path);
    match file.rfind('.') {
        Some(dot) if dot > 0 => &file[..dot],
        _ => file,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code(path: &str) -> &'static str {
        output_problem(path).map_or("", |(code, _)| code)
    }

    #[test]
    fn paths_that_some_system_refuses() {
        for (path, expected) in [
            ("a/b.glb", ""),
            ("…/ü.glb", ""),
            ("..a/b..c", ""),
            ("", "empty-path"),
            ("a//b", "empty-path"),
            ("a/./b", "empty-path"),
            ("a/", "empty-path"),
            ("/a", "path-leaves"),
            ("\\\\server\\a", "path-leaves"),
            ("a/../../b", "path-leaves"),
            ("c:/a", "drive-letter"),
            ("C:a", "drive-letter"),
            ("a?b", "path-character"),
            ("a\\b", "path-character"),
            ("x/a:b", "path-character"),
            ("a\u{7}", "path-character"),
            ("a./b", "path-end"),
            ("a /b", "path-end"),
            ("a.glb.", "path-end"),
            ("con", "reserved-device"),
            ("x/NUL.tar.gz", "reserved-device"),
            ("com1.png", "reserved-device"),
            ("lpt².png", "reserved-device"),
            ("aux .png", "reserved-device"),
            ("com10.png", ""),
            ("com.png", ""),
            ("console.png", ""),
        ] {
            assert_eq!(code(path), expected, "{path:?}");
        }
        assert_eq!(code(&"a".repeat(256)), "path-length");
    }

    #[test]
    fn paths_that_are_one_on_some_system() {
        for (one, two) in [
            ("Crate.glb", "crate.GLB"),
            ("Gr\u{fc}n", "gru\u{308}n"),
            ("STRASSE", "stra\u{df}e"),
            ("\u{3a3}\u{3a3}", "\u{3c3}\u{3c2}"),
            ("\u{fb01}n", "FIN"),
            ("\u{1e9e}", "ss"),
        ] {
            assert_eq!(folded(one), folded(two), "{one} {two}");
        }
        assert_ne!(folded("crate-1"), folded("crate_1"));
    }

    #[test]
    fn stems_and_extensions() {
        assert_eq!(
            (stem("a/b.c.OBJ"), extension("a/b.c.OBJ").as_str()),
            ("b.c", ".obj")
        );
        assert_eq!((stem(".hidden"), extension(".hidden").as_str()), (".hidden", ""));
        assert_eq!((stem("a.b/c"), extension("a.b/c").as_str()), ("c", ""));
    }
}
