//! What is said about an item that failed: the reason, and the last lines of its log.

use tidemill_proto::v1::ItemView;

use crate::rpc::Rpc;

/// So many lines of a log are shown; the rest is in `tidemill log`.
const LOG_LINES: usize = 8;

/// Asks for the last attempt and puts it in lines.
pub(super) async fn lines(rpc: &Rpc, run: &str, address: &str) -> String {
    match rpc.show_item(run, address).await {
        Ok(view) => describe(run, address, &view),
        Err(failure) => format!("  {}", failure.message),
    }
}

fn describe(run: &str, address: &str, view: &ItemView) -> String {
    let Some(attempt) = view.attempts_made.last() else {
        return String::new();
    };
    let all: Vec<&str> = attempt
        .log_tail
        .lines()
        .map(str::trim_end)
        .filter(|line| !line.is_empty())
        .collect();
    let shown = &all[all.len().saturating_sub(LOG_LINES)..];
    let mut lines: Vec<String> = shown
        .iter()
        .map(|line| format!("    {}", printable(line)))
        .collect();
    lines.push(match shown.is_empty() {
        true => "    it wrote nothing".to_owned(),
        false => format!("    the whole log: tidemill log {run} {address}"),
    });
    lines.join("\n")
}

/// A program's output must not steer the terminal.
fn printable(line: &str) -> String {
    line.chars()
        .map(|c| {
            if c.is_control() && c != '\t' {
                '\u{FFFD}'
            } else {
                c
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::Attempt;

    use super::*;

    fn view(log_tail: &str) -> ItemView {
        ItemView {
            attempts_made: vec![Attempt {
                log_tail: log_tail.into(),
                ..Attempt::default()
            }],
            ..ItemView::default()
        }
    }

    #[test]
    fn the_last_lines_are_shown_and_nothing_steers_the_terminal() {
        let log: String = (1..=20).map(|n| format!("line {n}\n")).collect();
        let text = describe("dock.1", "a/game", &view(&log));
        assert!(
            !text.contains("line 12\n") && text.contains("line 13\n") && text.contains("line 20"),
            "{text}"
        );
        assert!(text.contains("tidemill log dock.1 a/game"));
        assert!(!describe("dock.1", "a/game", &view("\u{1b}[31mred")).contains('\u{1b}'));
    }

    #[test]
    fn silence_is_said() {
        assert!(describe("dock.1", "a/game", &view("\n")).contains("wrote nothing"));
    }
}
