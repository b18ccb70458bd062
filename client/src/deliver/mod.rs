//! Copies chosen outputs into the artist's folder: all files of a unit (a variant or a group), or none.
//!
//! # Layout
//! - [`decide`]: which files, and what is held back and why. Pure.
//! - [`place`]: one unit into its folder: stage beside the targets, then rename.
//! - [`publish`]: the renames of one unit, and how they are taken back.
//! - [`ledger`]: what was delivered into a folder, noted there.
//! - [`prune`]: removes what is no longer delivered.
//! - [`before`]: the studio's own command that makes targets writable.

mod before;
mod beside;
pub mod decide;
mod ledger;
mod place;
mod prune;
mod publish;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use futures::StreamExt as _;
use tidemill_proto::v1::{ItemRow, Plan};

use crate::arguments::Delivering;
use crate::failure::Failure;
use crate::output::json::Delivered;
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::settings::Settings;
use crate::survey::digests::Digests;
use crate::survey::remember::{self, Memory};
use ledger::Ledger;
use place::Place;
use prune::Wanted;

/// So many units are written at the same time.
const UNITS_AT_ONCE: usize = 4;

/// Where a run's outputs go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Target {
    /// The folder that the plan's paths are relative to.
    pub folder: PathBuf,
    /// A person named the folder, so that drafts and parts may be put there.
    pub named: bool,
    /// What may be replaced and removed there.
    pub rules: Rules,
}

/// How a delivery treats what it finds.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Rules {
    /// Also replace files that Tidemill did not write, or that were changed since.
    pub replace: bool,
    /// Remove what an earlier delivery of the manifest put there and this one no longer has.
    pub prune: bool,
    /// A program and its first arguments, run over the targets before they are written.
    pub before: Vec<String>,
}

/// What was delivered.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Report {
    /// Files in their places.
    pub delivered: usize,
    /// Of these, files that had to be written.
    pub written: usize,
    /// Units that were held back or could not be written, with the reason.
    pub held: Vec<(String, String)>,
    /// Some of these because a file could not be written.
    pub troubled: bool,
    /// The folder that it went below.
    pub folder: PathBuf,
    /// Files of earlier deliveries that were removed.
    pub removed: usize,
    /// Addresses of items that have to run again because the store has lost what they made.
    pub lost: BTreeSet<String>,
}

/// Delivers what a run made, as far as it may be.
pub async fn deliver(
    run: &str,
    plan: &Plan,
    items: &[ItemRow],
    target: &Target,
    rpc: &Rpc,
    settings: &Settings,
    printer: &Printer,
) -> Result<Report, Failure> {
    let mut report = Report {
        folder: target.folder.clone(),
        ..Report::default()
    };
    let units = decide::decide(plan, items, target.named);
    if units.is_empty() {
        return Ok(report);
    }
    let memory_file = remember::file_for(&settings.data, &target.folder, "delivered");
    let memory = Memory::load(&memory_file);
    let digests = Digests::new(&target.folder, &memory);
    let ledger = Ledger::open(&target.folder, &plan.manifest)
        .await
        .map_err(Failure::work)?;
    let place = Place {
        run,
        folder: &target.folder,
        digests: &digests,
        ledger: &ledger,
        rules: &target.rules,
        rpc,
        command_turn: tokio::sync::Mutex::new(()),
    };
    place.take_back_cut_off();
    let mut wanted = Wanted::default();
    let here = &place;
    let mut outcomes = futures::stream::iter(&units)
        .map(|unit| async move {
            let outcome = match &unit.held {
                Some(reason) => Err((reason.clone(), false)),
                None => here.unit(unit).await.map_err(|trouble| (trouble, true)),
            };
            (unit, outcome)
        })
        .buffered(UNITS_AT_ONCE);
    while let Some((unit, outcome)) = outcomes.next().await {
        match outcome {
            Ok(placed) => {
                for file in &placed {
                    report.delivered += 1;
                    wanted.files.insert(file.path.clone());
                    report.written += usize::from(file.written);
                    printer.object(&Delivered::file(run, &unit.name, &file.path, file.written));
                    if file.written {
                        printer.detail(format_args!("delivered {}", file.path));
                    }
                }
            }
            Err((reason, trouble)) => {
                if trouble {
                    let items = place.lost_items(unit).await.into_iter();
                    let addresses = items.filter_map(|item| plan.items.get(item as usize));
                    report.lost.extend(addresses.map(|item| item.address.clone()));
                }
                printer.object(&Delivered::held(run, &unit.name, &reason));
                report.troubled |= trouble;
                report.held.push((unit.name.clone(), reason));
            }
        }
    }
    drop(outcomes);
    if target.rules.prune {
        prune_old(plan, &place, wanted, &mut report, printer).await;
    }
    // What could not be remembered is hashed again next time.
    let _ = remember::save(&memory_file, &memory, digests.into_entries(), Vec::new());
    Ok(report)
}

/// Removes what is no longer delivered, and says so.
async fn prune_old(
    plan: &Plan,
    place: &Place<'_>,
    mut wanted: Wanted,
    report: &mut Report,
    printer: &Printer,
) {
    if !plan.only.is_empty() || !plan.until.is_empty() {
        printer.warning(
            "nothing is removed: a run of a part (--only, --until) does not know what the whole has",
        );
        return;
    }
    let files = plan.delivery.iter().flat_map(|delivery| &delivery.files);
    for file in files {
        let is_held = report.held.iter().any(|(unit, _)| *unit == file.unit);
        if file.path.ends_with('/') && is_held {
            wanted.folders.push(file.path.clone());
        }
        wanted.files.insert(file.path.clone());
    }
    let pruned = prune::prune(place, &wanted).await;
    for path in &pruned.removed {
        printer.object(&Delivered::removed(place.run, path));
        printer.detail(format_args!("removed {path}"));
    }
    for (path, reason) in &pruned.kept {
        printer.object(&Delivered::kept(place.run, path, reason));
        printer.warning(format_args!("{path} is no longer delivered, but stays: {reason}"));
    }
    report.removed = pruned.removed.len();
}

/// Whether this plan may be delivered into the manifest's own folder.
pub fn is_whole(plan: &Plan) -> bool {
    !plan.draft && plan.until.is_empty()
}

/// The folder that a person named, or that of the manifest.
pub fn target(named: Option<&Path>, manifest_folder: &str, how: &Delivering) -> Target {
    let rules = Rules {
        replace: how.replace,
        prune: how.prune,
        before: how.before.clone(),
    };
    match named {
        Some(folder) => Target {
            folder: std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned()),
            named: true,
            rules,
        },
        None => Target {
            folder: PathBuf::from(manifest_folder),
            named: false,
            rules,
        },
    }
}
