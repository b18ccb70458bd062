//! Which names a tree may hold: those that Linux, Windows and macOS all give back unchanged.

use unicode_normalization::UnicodeNormalization;

/// Device names of Windows; with any extension they still mean the device (Microsoft, "Naming Files, Paths,
/// and Namespaces", from memory).
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// A name as trees spell it: in Unicode's composed form (NFC), since macOS and others hand out different forms.
pub(super) fn normal(name: &str) -> String {
    name.nfc().collect()
}

/// What two paths must not share: a system that ignores case and Unicode form would see one file.
pub(super) fn fold(path: &str) -> String {
    path.nfkc().flat_map(char::to_lowercase).nfc().collect()
}

/// Why one part of a path (between two `/`) cannot be kept; `None`: it can.
pub(super) fn why_not(part: &str) -> Option<&'static str> {
    if part.is_empty() || part == "." || part == ".." {
        return Some("its path is not plain");
    }
    if part.chars().any(|c| c.is_control() || "\\:*?\"<>|/".contains(c)) {
        return Some("its name holds a character that Windows does not allow in names; rename it");
    }
    if part.ends_with('.') || part.ends_with(' ') {
        return Some("its name ends in a dot or a space, which Windows drops; rename it");
    }
    if is_device(part) {
        return Some("its name is that of a device on Windows; rename it");
    }
    if part.len() > 255 {
        return Some("its name is longer than 255 bytes; shorten it");
    }
    None
}

fn is_device(part: &str) -> bool {
    let stem = part
        .split('.')
        .next()
        .unwrap_or(part)
        .trim_end()
        .to_ascii_lowercase();
    let numbered = |prefix: &str| {
        stem.strip_prefix(prefix)
            .is_some_and(|rest| rest.len() == 1 && matches!(rest.as_bytes()[0], b'1'..=b'9'))
    };
    DEVICES.contains(&stem.as_str()) || numbered("com") || numbered("lpt")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_some_system_changes_are_refused() {
        for bad in [
            "", ".", "..", "a\\b", "a:b", "what?", "x.", "x ", "aux", "Con.txt", "LPT1", "a\nb", "a/b",
        ] {
            assert!(why_not(bad).is_some(), "{bad:?}");
        }
        for good in [
            "a",
            ".hidden",
            "crate 2.glb",
            "konsole",
            "com10",
            "lpt",
            "auxiliary",
            "Kai-Mauer.obj",
            "ü",
        ] {
            assert_eq!(why_not(good), None, "{good:?}");
        }
    }

    #[test]
    fn case_and_form_fold_together() {
        assert_eq!(fold("Po\u{308}ller.OBJ"), fold("p\u{f6}ller.obj"));
        assert_eq!(normal("o\u{308}"), "\u{f6}");
        assert_ne!(fold("a"), fold("b"));
    }
}
