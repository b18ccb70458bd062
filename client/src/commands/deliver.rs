//! `deliver`: copies a run's outputs into a folder, now.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_proto::v1::{Plan, SignOffRow};

use super::{ending, with_session};
use crate::arguments::{Deliver, RunPick};
use crate::deliver;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::looks::Looks;
use crate::output::json::Delivered;
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Delivers what may be delivered; 1 if something was held back.
pub async fn deliver(
    arguments: &Deliver,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Read, printer, async |session| {
        let row = session.rpc.find(&RunPick::of(arguments.run.as_deref())).await?;
        let mut plan = session.rpc.plan(&row.run).await?;
        let target = deliver::target(arguments.to.as_deref(), &row.folder, &arguments.how);
        if plan
            .delivery
            .as_ref()
            .is_none_or(|delivery| delivery.files.is_empty())
        {
            return Err(
                Failure::wrong(format!("the manifest of {} delivers nothing", row.run))
                    .hint("add a [deliver] table to the manifest and run it"),
            );
        }
        if !target.named && !deliver::is_whole(&plan) {
            let what = if plan.draft {
                "a draft"
            } else {
                "a run with --until"
            };
            return Err(Failure::wrong(format!(
                "{} is {what}: it is not delivered into the manifest's folder",
                row.run
            ))
            .hint("`--to DIR` puts it into a folder of your choice"));
        }
        if !target.named && !target.folder.is_dir() {
            return Err(Failure::wrong(format!(
                "the manifest's folder {} is not on this machine",
                target.folder.display()
            ))
            .hint("`--to DIR` puts the outputs into a folder of your choice"));
        }
        let items = session.rpc.items(&row.run, "").await?;
        let unseen = if arguments.approved {
            let signed = Looks::over(&session.rpc).sign_offs(&row.run).await?;
            hold_unapproved(&mut plan, &signed)
        } else {
            Vec::new()
        };
        let mut report =
            deliver::deliver(&row.run, &plan, &items, &target, &session.rpc, settings, printer).await?;
        for (unit, reason) in unseen {
            printer.object(&Delivered::held(&row.run, &unit, &reason));
            report.held.push((unit, reason));
        }
        let status = if report.held.is_empty() {
            ExitStatus::AllDone
        } else {
            ExitStatus::ItemsFailed
        };
        if let Some(first) = report.lost.first() {
            printer.hint(format_args!(
                "the store has lost what {} of its items made; `tidemill again {} '{first}' --anew` makes it again",
                report.lost.len(),
                row.run
            ));
        }
        ending::summarise(&row, &items, &report, status, printer);
        Ok(status)
    })
    .await
}

/// Takes the files of units out of the plan's delivery that nobody approved, and says why. A group is approved when all
/// its variants are.
fn hold_unapproved(plan: &mut Plan, signed: &[SignOffRow]) -> Vec<(String, String)> {
    let signed: BTreeMap<&str, &SignOffRow> = signed.iter().map(|row| (row.variant.as_str(), row)).collect();
    let mut held: BTreeMap<String, String> = BTreeMap::new();
    let Some(delivery) = &mut plan.delivery else {
        return Vec::new();
    };
    for file in &delivery.files {
        let item = plan.items.get(file.item as usize);
        let variants = item.map(|item| item.variants.as_slice()).unwrap_or_default();
        for variant in variants
            .iter()
            .filter_map(|index| plan.variants.get(*index as usize))
        {
            let row = signed.get(variant.name.as_str());
            let reason = match row.map_or("unseen", |row| row.state.as_str()) {
                "approved" => continue,
                "rejected" => format!("{} is rejected", variant.name),
                "void" => format!("{} changed since its sign-off", variant.name),
                "unfinished" => format!("{} is not finished", variant.name),
                _ => format!("{} waits for a look", variant.name),
            };
            held.entry(file.unit.clone()).or_insert(reason);
        }
    }
    let units: BTreeSet<&String> = held.keys().collect();
    delivery.files.retain(|file| !units.contains(&file.unit));
    held.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{Delivery, DeliveryFile, Item, Variant};

    use super::*;

    #[test]
    fn only_approved_variants_and_groups_of_them_are_left() {
        let file = |item: u32, unit: &str| DeliveryFile {
            item,
            unit: unit.into(),
            ..DeliveryFile::default()
        };
        let item = |variants: &[u32]| Item {
            variants: variants.to_vec(),
            ..Item::default()
        };
        let mut plan = Plan {
            variants: ["a", "b"]
                .map(|name| Variant {
                    name: name.into(),
                    ..Variant::default()
                })
                .into(),
            items: vec![item(&[0]), item(&[1]), item(&[0, 1])],
            delivery: Some(Delivery {
                files: vec![file(0, "a"), file(1, "b"), file(2, "all")],
                when: Vec::new(),
            }),
            ..Plan::default()
        };
        let signed = [("a", "approved"), ("b", "void")].map(|(variant, state)| SignOffRow {
            variant: variant.into(),
            state: state.into(),
            ..SignOffRow::default()
        });
        let held = hold_unapproved(&mut plan, &signed);
        let reason = "b changed since its sign-off".to_owned();
        assert_eq!(
            held,
            [("all".to_owned(), reason.clone()), ("b".to_owned(), reason)]
        );
        let left: Vec<String> = plan
            .delivery
            .unwrap()
            .files
            .into_iter()
            .map(|file| file.unit)
            .collect();
        assert_eq!(left, ["a"]);
    }
}
