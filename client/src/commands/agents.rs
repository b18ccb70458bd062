//! `agents`: who lends what.

use super::with_session;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::output::json::Agent;
use crate::output::{human, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::{Place, Settings};

/// Lists agents.
pub async fn agents(settings: &Settings, printer: &Printer) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Ask, printer, async |session| {
        let rows = session.rpc.agents().await?;
        for row in &rows {
            printer.object(&Agent::from(row));
        }
        if printer.is_json() {
            return Ok(ExitStatus::AllDone);
        }
        if rows.is_empty() {
            printer.note(match settings.place {
                Place::Own => "no agent is here: this machine's own comes and goes with `tidemill run`",
                Place::Studio(_) => "no agent has joined yet",
            });
            return Ok(ExitStatus::AllDone);
        }
        let mut agents = table::with_heads(&[
            "agent",
            "state",
            ">cores",
            ">memory",
            ">finished",
            ">seen",
            "running",
            "version",
        ]);
        for row in &rows {
            agents.add_row([
                row.name.clone(),
                if row.note.is_empty() {
                    row.state.clone()
                } else {
                    format!("{}: {}", row.state, row.note)
                },
                format!(
                    "{} of {}",
                    thousandths(row.booked_millicores),
                    thousandths(row.lent_millicores)
                ),
                format!(
                    "{} of {}",
                    human::size(row.booked_memory_bytes),
                    human::size(row.lent_memory_bytes)
                ),
                row.finished_items.to_string(),
                human::moment(row.seen_ms),
                running(&row.running),
                row.version.clone(),
            ]);
        }
        printer.data(table::text(&agents));
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn thousandths(millicores: u32) -> String {
    let text = format!("{:.1}", f64::from(millicores) / 1000.0);
    text.trim_end_matches(".0").to_owned()
}

fn running(addresses: &[String]) -> String {
    match addresses {
        [] => String::new(),
        [one] => one.clone(),
        [first, rest @ ..] => format!("{first} and {} more", rest.len()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cores_read_short() {
        assert_eq!(
            (thousandths(4000), thousandths(1500)),
            ("4".to_owned(), "1.5".to_owned())
        );
        assert_eq!(
            running(&["a/game".into(), "b/game".into(), "c/game".into()]),
            "a/game and 2 more"
        );
    }
}
