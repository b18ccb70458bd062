//! `plan`: which items would run now, and which are there already.

use schemars::JsonSchema;
use serde::Serialize;
use tidemill_proto::v1::PreviewItem;
use tidemill_proto::v1::preview_item::Outcome;

use super::run::header;
use super::with_session;
use crate::arguments::{self, Preference};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::manifest::{missing_programs, prepare, shown};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::{Place, Settings};

/// Shows what a run would do.
pub async fn plan(
    arguments: &arguments::Plan,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let manifest = &arguments.manifest;
    let prepared =
        tokio::task::block_in_place(|| prepare(&manifest.manifest, &manifest.choice, settings, printer))?;
    if settings.place == Place::Own
        && let Some(missing) = missing_programs(&prepared, std::env::var_os("PATH").as_deref())
    {
        return Err(shown(&missing, printer));
    }
    // Keys of programs hold their exact versions, which an agent finds out.
    let purpose = if prepared.plan.tools.is_empty() {
        Purpose::Ask
    } else {
        Purpose::AskWithAgent
    };
    with_session(settings, purpose, printer, async |session| {
        session.agent_joined().await?;
        let items = session
            .rpc
            .preview(
                header(&prepared, &arguments.anew, Preference::default(), settings),
                &prepared.plan,
            )
            .await?;
        if printer.is_json() {
            for item in &items {
                printer.object(&PlannedObject::of(item));
            }
            printer.object(&PlanSummary::of(&prepared.plan.manifest, &items));
            return Ok(ExitStatus::AllDone);
        }
        let mut planned = table::with_heads(&["item", "outcome"]);
        for item in &items {
            planned.add_row([item.address.clone(), outcome_text(item)]);
        }
        if !items.is_empty() {
            printer.data(table::text(&planned));
        }
        printer.data(summary(&prepared.plan.manifest, &items));
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn outcome_text(item: &PreviewItem) -> String {
    match item.outcome() {
        Outcome::Runs => "runs".to_owned(),
        Outcome::Reused => "reused".to_owned(),
        Outcome::Depends => format!("depends on what {} makes", item.depends_on),
    }
}

fn outcome_word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Runs => "runs",
        Outcome::Reused => "reused",
        Outcome::Depends => "depends",
    }
}

fn number_of(items: &[PreviewItem], outcome: Outcome) -> usize {
    items.iter().filter(|item| item.outcome() == outcome).count()
}

fn summary(manifest: &str, items: &[PreviewItem]) -> String {
    let verb = if number_of(items, Outcome::Depends) == 1 {
        "depends"
    } else {
        "depend"
    };
    format!(
        "{manifest}: {}: {} would run, {} reused, {} {verb} on what others make",
        human::count(items.len(), "item", "items"),
        number_of(items, Outcome::Runs),
        number_of(items, Outcome::Reused),
        number_of(items, Outcome::Depends),
    )
}

/// `kind = "planned"`: what would become of one item.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct PlannedObject<'a> {
    #[schemars(extend("const" = "planned"))]
    kind: &'static str,
    address: &'a str,
    outcome: &'static str,
    depends_on: Option<&'a str>,
}

impl<'a> PlannedObject<'a> {
    fn of(item: &'a PreviewItem) -> Self {
        let depends_on = Some(item.depends_on.as_str()).filter(|address| !address.is_empty());
        Self {
            kind: "planned",
            address: &item.address,
            outcome: outcome_word(item.outcome()),
            depends_on,
        }
    }
}

/// `kind = "plan"`: the counts, as the last line.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct PlanSummary<'a> {
    #[schemars(extend("const" = "plan"))]
    kind: &'static str,
    manifest: &'a str,
    items: usize,
    runs: usize,
    reused: usize,
    depends: usize,
}

impl<'a> PlanSummary<'a> {
    fn of(manifest: &'a str, items: &[PreviewItem]) -> Self {
        Self {
            kind: "plan",
            manifest,
            items: items.len(),
            runs: number_of(items, Outcome::Runs),
            reused: number_of(items, Outcome::Reused),
            depends: number_of(items, Outcome::Depends),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(address: &str, outcome: Outcome, depends_on: &str) -> PreviewItem {
        PreviewItem {
            address: address.into(),
            outcome: outcome.into(),
            depends_on: depends_on.into(),
            ..PreviewItem::default()
        }
    }

    #[test]
    fn outcomes_are_counted_and_put_in_words() {
        let items = [
            item("a/weathered", Outcome::Runs, ""),
            item("a/game", Outcome::Depends, "a/weathered"),
            item("b/weathered", Outcome::Reused, ""),
        ];
        assert_eq!(outcome_text(&items[1]), "depends on what a/weathered makes");
        assert_eq!(
            summary("dock", &items),
            "dock: 3 items: 1 would run, 1 reused, 1 depends on what others make"
        );
        let object = serde_json::to_value(PlannedObject::of(&items[1])).unwrap();
        let expected = serde_json::json!({
            "kind": "planned", "address": "a/game", "outcome": "depends", "depends_on": "a/weathered",
        });
        assert_eq!(object, expected);
    }
}
