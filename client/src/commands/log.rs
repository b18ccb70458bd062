//! `log`: what an item wrote.

use futures::StreamExt as _;
use schemars::JsonSchema;
use serde::Serialize;

use super::with_run;
use crate::arguments::{Log, one_item};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Prints an attempt's log, following it if asked.
pub async fn log(arguments: &Log, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    let target = one_item(&arguments.targets.targets)?;
    with_run(
        &target.run,
        settings,
        Purpose::Ask,
        printer,
        async |session, row| {
            let run = row.run;
            let attempt = arguments.attempt.unwrap_or(0);
            let mut chunks = Box::pin(
                session
                    .rpc
                    .log(&run, &target.item, attempt, arguments.follow)
                    .await?,
            );
            let mut lines = Lines::default();
            let mut silent = true;
            while let Some(chunk) = chunks.next().await {
                let chunk = chunk?;
                silent &= chunk.is_empty();
                if printer.is_json() {
                    lines.take(&chunk, |text| print_line(&run, &target.item, text, printer));
                } else {
                    printer.raw(&chunk);
                }
                if !printer.is_read() {
                    break;
                }
            }
            lines.rest(|text| print_line(&run, &target.item, text, printer));
            if silent {
                printer.note(format_args!("{} wrote nothing", target.item));
            }
            Ok(ExitStatus::AllDone)
        },
    )
    .await
}

/// `kind = "log"`: one line of a log.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct LogLine<'a> {
    #[schemars(extend("const" = "log"))]
    kind: &'static str,
    run: &'a str,
    item: &'a str,
    text: &'a str,
}

fn print_line(run: &str, item: &str, text: &str, printer: &Printer) {
    printer.object(&LogLine {
        kind: "log",
        run,
        item,
        text,
    });
}

/// Cuts pieces of bytes into lines. Bytes that are not UTF-8 are replaced.
#[derive(Debug, Default)]
struct Lines {
    open: Vec<u8>,
}

impl Lines {
    fn take(&mut self, bytes: &[u8], mut each: impl FnMut(&str)) {
        self.open.extend_from_slice(bytes);
        while let Some(end) = self.open.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = self.open.drain(..=end).collect();
            each(String::from_utf8_lossy(&line).trim_end_matches(['\n', '\r']));
        }
    }

    fn rest(self, each: impl FnOnce(&str)) {
        if !self.open.is_empty() {
            each(&String::from_utf8_lossy(&self.open));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_come_whole_however_the_bytes_arrive() {
        let mut lines = Lines::default();
        let mut seen = Vec::new();
        for piece in ["one\r\ntw", "o\n\nthr", "ee"] {
            lines.take(piece.as_bytes(), |line| seen.push(line.to_owned()));
        }
        lines.rest(|line| seen.push(line.to_owned()));
        assert_eq!(seen, ["one", "two", "", "three"]);
    }
}
