//! `why`: why items ran, or why they did not have to.

use super::with_run;
use crate::arguments::{Targets, run_and_items};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::output::json::Why;
use crate::output::table;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Says why, for each item that is named.
pub async fn why(arguments: &Targets, settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    let (pick, items) = run_and_items(&arguments.targets)?;
    if items.is_empty() {
        return Err(Failure::wrong("no item is named")
            .hint("name one behind the run, as in `tidemill why harbour-dock.12 bollard-large-s11/game`"));
    }
    with_run(&pick, settings, Purpose::Ask, printer, async |session, row| {
        let run = row.run;
        for item in &items {
            let answer = session.rpc.why(&run, item).await?;
            if printer.is_json() {
                printer.object(&Why::of(&run, item, &answer));
                continue;
            }
            printer.data(format_args!("{run}/{item} {}", answer.sentence));
            if answer.changes.is_empty() {
                continue;
            }
            let mut changes = table::with_heads(&["changed", "before", "after", "because of"]);
            for change in &answer.changes {
                let shown = |value: &str| shortened(value);
                changes.add_row([
                    change.name.clone(),
                    shown(&change.before),
                    shown(&change.after),
                    change.cause.clone(),
                ]);
            }
            printer.data(table::text(&changes));
            if !answer.compared_with.is_empty() {
                printer.note(format_args!("compared with {}", answer.compared_with));
            }
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

/// Digests are cut to their first digits; `--json` has the whole.
fn shortened(value: &str) -> String {
    if value.is_empty() {
        return "-".to_owned();
    }
    let is_digest = value.len() >= 64 && value.as_bytes()[..64].iter().all(u8::is_ascii_hexdigit);
    if is_digest {
        format!("{}…{}", &value[..8], &value[64..])
    } else {
        value.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_cut_and_numbers_are_not() {
        assert_eq!(shortened("0.004"), "0.004");
        assert_eq!(shortened(&format!("{}.obj", "ab".repeat(32))), "abababab….obj");
        assert_eq!(shortened(""), "-");
    }
}
