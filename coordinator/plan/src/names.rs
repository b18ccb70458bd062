//! Which names may be given to what.

/// Letters, digits, `-` and `_`: steps, fields, values, tags in placeholders.
pub(crate) fn is_word(name: &str) -> bool {
    !name.is_empty() && name.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_')
}

/// A manifest's name: a word that may hold dots inside, since runs are named `harbour-dock.12`.
pub(crate) fn is_manifest_name(name: &str) -> bool {
    name.len() <= 100 && name.split('.').all(is_word)
}

/// A variant's name: what may stand in an address and is not lost when someone reads it.
pub(crate) fn variant_name_problem(name: &str) -> Option<&'static str> {
    if name.is_empty() {
        Some("is empty")
    } else if name.contains('/') {
        Some("holds a `/`")
    } else if name.chars().any(char::is_control) {
        Some("holds a control character")
    } else if name.trim() != name {
        Some("begins or ends with a blank")
    } else {
        None
    }
}

/// A program's name: something that the search path can find, never a path or a line for a shell.
pub(crate) fn program_name_problem(name: &str) -> Option<&'static str> {
    if name.is_empty() {
        Some("is empty")
    } else if name.contains(['/', '\\', ':']) {
        Some("is a path")
    } else if name == "." || name == ".." {
        Some("is a folder")
    } else if name.starts_with('-') {
        Some("begins with `-`")
    } else if name
        .chars()
        .any(|c| c.is_control() || c.is_whitespace() || "\"'`$&|;<>*?(){}[]~#!%^".contains(c))
    {
        Some("holds a blank or a character that means something to a shell")
    } else {
        None
    }
}

/// A version pattern: an exact version, or its beginning with `.*` behind it, or `*`.
pub(crate) fn is_version_pattern(pattern: &str) -> bool {
    let part = |part: &str| {
        !part.is_empty()
            && part
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || "+-_".contains(c))
    };
    match pattern.strip_suffix(".*") {
        Some(beginning) => beginning.split('.').all(part),
        None => pattern == "*" || pattern.split('.').all(part),
    }
}

/// An environment variable's name.
pub(crate) fn is_variable_name(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphabetic() || c == '_')
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

/// Variables that the agent sets itself, or that would put other code into a program.
pub(crate) fn is_variable_of_the_agent(name: &str) -> bool {
    let name = name.to_ascii_uppercase();
    ["PATH", "HOME", "TMP", "TEMP", "TMPDIR", "USERPROFILE"].contains(&name.as_str())
        || name.starts_with("LD_")
        || name.starts_with("DYLD_")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn version_patterns() {
        for good in ["9.*", "9.1.2", "*", "1.2.3-rc1", "3.0.*", "2026a"] {
            assert!(is_version_pattern(good), "{good}");
        }
        for bad in ["", ".", "9.", ".*", "9*", "9.*.1", ">=9", "9 .*", "*.1", "9..1"] {
            assert!(!is_version_pattern(bad), "{bad}");
        }
    }

    #[test]
    fn program_names() {
        for good in ["oxipng", "cp", "python3.11", "gltf-transform", "sh"] {
            assert_eq!(program_name_problem(good), None, "{good}");
        }
        for bad in [
            "", "/bin/cp", "./run", "a\\b", "c:x", "..", "-c", "cp x", "a;b", "$SHELL", "{map}",
        ] {
            assert!(program_name_problem(bad).is_some(), "{bad}");
        }
    }

    #[test]
    fn variables() {
        assert!(is_variable_name("LANG") && is_variable_name("_x1"));
        assert!(!is_variable_name("1X") && !is_variable_name("A-B") && !is_variable_name(""));
        assert!(is_variable_of_the_agent("Path") && is_variable_of_the_agent("LD_PRELOAD"));
        assert!(!is_variable_of_the_agent("LANG"));
    }
}
