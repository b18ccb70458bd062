//! `approve` and `reject`: what a person thinks of variants, for exactly the outputs that they have.

use tidemill_proto::v1::{SignOffRequest, SignOffRow};

use super::with_run;
use crate::arguments::{RunPick, SignOff};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::looks::Looks;
use crate::output::{human, json, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Decides, or without a variant lists where each stands.
pub async fn sign_off(
    arguments: &SignOff,
    approved: bool,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let pick = RunPick::Named(arguments.run.clone());
    with_run(&pick, settings, Purpose::Ask, printer, async |session, row| {
        let run = row.run;
        let looks = Looks::over(&session.rpc);
        let rows = if arguments.variants.is_empty() {
            looks.sign_offs(&run).await?
        } else {
            let request = SignOffRequest {
                run: run.clone(),
                variants: arguments.variants.clone(),
                approved,
                note: arguments.note.clone(),
                person: settings.person.clone(),
            };
            looks.sign_off(request).await?
        };
        for row in &rows {
            printer.object(&json::SignOff::of(&run, row));
        }
        if !printer.is_json() {
            print(&rows, printer);
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn print(rows: &[SignOffRow], printer: &Printer) {
    let mut list = table::with_heads(&["variant", "sign-off", "by", "when", "in", "note"]);
    for row in rows {
        let state = match row.state.as_str() {
            "void" => format!("void (was {}): {} changed", row.earlier, row.changed.join(", ")),
            "unseen" => "waits for a look".to_owned(),
            "unfinished" => "not finished".to_owned(),
            other => other.to_owned(),
        };
        list.add_row([
            row.variant.clone(),
            state,
            row.person.clone(),
            human::moment(row.decided_ms),
            row.run.clone(),
            row.note.clone(),
        ]);
    }
    printer.data(table::text(&list));
}
