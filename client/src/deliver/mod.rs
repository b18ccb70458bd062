//! Copies chosen outputs into the artist's folder: all files of a unit (a variant or a group), or none.
//!
//! # Layout
//! - [`decide`]: which files, and what is held back and why. Pure.
//! - [`place`]: one unit into its folder: stage beside the targets, then rename.

pub mod decide;
mod place;

use std::path::{Path, PathBuf};

use futures::StreamExt as _;
use tidemill_proto::v1::{ItemRow, Plan};

use crate::failure::Failure;
use crate::output::json::Delivered;
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::settings::Settings;
use crate::survey::digests::Digests;
use crate::survey::remember::{self, Memory};

/// So many units are written at the same time.
const UNITS_AT_ONCE: usize = 4;

/// Where a run's outputs go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Target {
    /// The folder that the plan's paths are relative to.
    pub folder: PathBuf,
    /// A person named the folder, so that drafts and parts may be put there.
    pub named: bool,
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
    let digests_of_target = &digests;
    let mut outcomes = futures::stream::iter(&units)
        .map(|unit| async move {
            let outcome = match &unit.held {
                Some(reason) => Err((reason.clone(), false)),
                None => place::unit(unit, &target.folder, digests_of_target, rpc)
                    .await
                    .map_err(|trouble| (trouble, true)),
            };
            (unit, outcome)
        })
        .buffered(UNITS_AT_ONCE);
    while let Some((unit, outcome)) = outcomes.next().await {
        match outcome {
            Ok(placed) => {
                for file in &placed {
                    report.delivered += 1;
                    report.written += usize::from(file.written);
                    printer.object(&Delivered::file(run, &unit.name, &file.path, file.written));
                    if file.written {
                        printer.detail(format_args!("delivered {}", file.path));
                    }
                }
            }
            Err((reason, trouble)) => {
                printer.object(&Delivered::held(run, &unit.name, &reason));
                report.troubled |= trouble;
                report.held.push((unit.name.clone(), reason));
            }
        }
    }
    drop(outcomes);
    // What could not be remembered is hashed again next time.
    let _ = remember::save(&memory_file, &memory, digests.into_entries(), Vec::new());
    Ok(report)
}

/// Whether this plan may be delivered into the manifest's own folder.
pub fn is_whole(plan: &Plan) -> bool {
    !plan.draft && plan.until.is_empty()
}

/// The folder that a person named, or that of the manifest.
pub fn target(named: Option<&Path>, manifest_folder: &str) -> Target {
    match named {
        Some(folder) => Target {
            folder: std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned()),
            named: true,
        },
        None => Target {
            folder: PathBuf::from(manifest_folder),
            named: false,
        },
    }
}
