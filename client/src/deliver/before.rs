//! The studio's own command that makes targets writable, as many version control systems want it: started without
//! a shell, in the folder of the delivery, with the paths of the files behind its own arguments.

use std::path::{Path, PathBuf};
use std::process::Stdio;

use crate::failure::io_words;

/// Command lines have limits, the lowest of some 32,000 characters on Windows.
const MOST_BYTES: usize = 24 * 1024;
const MOST_FILES: usize = 256;

/// Runs `command` over `targets`, as often as it takes. The error says what it answered.
pub(super) async fn run(command: &[String], folder: &Path, targets: &[PathBuf]) -> Result<(), String> {
    let Some((program, arguments)) = command.split_first() else {
        return Ok(());
    };
    for group in groups(targets) {
        let output = tokio::process::Command::new(program)
            .args(arguments)
            .args(group)
            .current_dir(folder)
            .stdin(Stdio::null())
            .kill_on_drop(true)
            .output()
            .await
            .map_err(|error| format!("cannot start `{program}` (--before): {}", io_words(&error)))?;
        if !output.status.success() {
            let said = [&output.stderr, &output.stdout]
                .into_iter()
                .find_map(|bytes| last_line(bytes))
                .map_or_else(String::new, |line| format!(": {line}"));
            return Err(format!("`{program}` (--before) refused, {}{said}", output.status));
        }
    }
    Ok(())
}

fn groups(targets: &[PathBuf]) -> Vec<&[PathBuf]> {
    let mut groups = Vec::new();
    let (mut start, mut bytes) = (0, 0);
    for (index, target) in targets.iter().enumerate() {
        let own = target.as_os_str().len() + 3;
        if index > start && (bytes + own > MOST_BYTES || index - start == MOST_FILES) {
            groups.push(&targets[start..index]);
            (start, bytes) = (index, 0);
        }
        bytes += own;
    }
    if start < targets.len() {
        groups.push(&targets[start..]);
    }
    groups
}

fn last_line(bytes: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(bytes);
    let line = text.lines().rev().find(|line| !line.trim().is_empty())?.trim();
    Some(line.chars().take(300).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_named_once_and_no_line_is_too_long() {
        let targets: Vec<PathBuf> = (0..1000)
            .map(|n| PathBuf::from(format!("/quay/{n:0>100}")))
            .collect();
        let groups = groups(&targets);
        assert_eq!(groups.concat(), targets);
        for group in groups {
            let bytes: usize = group.iter().map(|path| path.as_os_str().len() + 3).sum();
            assert!(bytes <= MOST_BYTES && group.len() <= MOST_FILES);
        }
    }

    #[tokio::test]
    #[cfg(unix)]
    async fn a_refusal_is_told_in_the_commands_own_words() {
        let folder = tempfile::tempdir().unwrap();
        let command = ["ls", "--", "no-such-file"].map(str::to_owned);
        let reason = run(&command, folder.path(), &[PathBuf::from("other")])
            .await
            .unwrap_err();
        assert!(reason.contains("`ls`") && reason.contains("other"), "{reason}");
        let reason = run(&["no-such-program".into()], folder.path(), &[PathBuf::from("x")])
            .await
            .unwrap_err();
        assert!(reason.contains("cannot start `no-such-program`"), "{reason}");
    }
}
