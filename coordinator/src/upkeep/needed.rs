//! Which blobs a run needs: its plan and text, the files that its items read, what they made, their logs, and rows
//! that are too long for the record.

use std::ops::ControlFlow;

use tidemill_proto::Digest;
use tidemill_proto::v1::{Plan, source};

use crate::engine::inputs::is_folder;
use crate::engine::rows::parts_of;
use crate::query::archive::{Archive, ArchiveError, name_of};
use crate::record::rows::{ItemRecord, RunRecord};
use crate::record::{Scan, keys, pack};

/// Why it cannot be said what a run needs. Whoever would remove something must stop.
#[derive(Debug, thiserror::Error)]
#[error("it cannot be read what the run {run} needs: {source}")]
pub struct NeedsUnknown {
    /// The run's name.
    pub run: String,
    /// Why.
    pub source: Box<ArchiveError>,
}

/// Calls `each` for every blob that a run needs, some more than once, with the item that made it or reads it.
pub fn blobs_of_run(
    archive: &Archive,
    record: &RunRecord,
    each: &mut dyn FnMut(Digest, Option<u32>),
) -> Result<Plan, NeedsUnknown> {
    visit(archive, record, each).map_err(|source| NeedsUnknown {
        run: name_of(record).to_string(),
        source: Box::new(source),
    })
}

fn visit(
    archive: &Archive,
    record: &RunRecord,
    each: &mut dyn FnMut(Digest, Option<u32>),
) -> Result<Plan, ArchiveError> {
    let mut note = |bytes: &[u8], item: Option<u32>| {
        if let Ok(digest) = Digest::from_slice(bytes) {
            each(digest, item);
        }
    };
    note(&record.plan, None);
    note(&record.manifest_text, None);
    if let Some(row) = archive.record.get(&keys::run(record.serial))?
        && let Some(blob) = pack::blob_of(&row)
    {
        note(blob.as_bytes(), None);
    }
    let plan = archive.plan(record)?;
    let mut last_tree = None;
    for (index, item) in (0..).zip(&plan.items) {
        let sources = item.inputs.iter().flat_map(|input| &input.sources);
        for source in sources {
            let Some(source::From::File(file)) = &source.from else {
                continue;
            };
            note(&file.digest, Some(index));
            for companion in &file.companions {
                note(&companion.digest, Some(index));
            }
            if is_folder(file) {
                let digest = Digest::from_slice(&file.digest)
                    .map_err(|error| crate::engine::plan::PlanError::Unsound(error.to_string()))?;
                // Items that stand together often read the same folder.
                if last_tree.as_ref().is_none_or(|(last, _)| *last != digest) {
                    last_tree = Some((digest, archive.store.read_tree(&digest)?));
                }
                for entry in last_tree.iter().flat_map(|(_, tree)| tree.entries()) {
                    note(entry.digest.as_bytes(), Some(index));
                }
            }
        }
    }
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::items(record.serial)), &mut |key, value| {
            let index = keys::read_item(key).map(|(_, index)| index);
            if let Some(blob) = pack::blob_of(value) {
                note(blob.as_bytes(), index);
            }
            match pack::read::<ItemRecord>(key, value, &archive.store) {
                Ok(item) => {
                    for output in &item.outputs {
                        note(&output.digest, index);
                        for part in parts_of(&output.parts) {
                            note(part.as_bytes(), index);
                        }
                    }
                    for attempt in &item.attempts {
                        note(&attempt.log, index);
                        for finding in &attempt.findings {
                            note(&finding.digest, index);
                        }
                    }
                    ControlFlow::Continue(())
                }
                Err(error) => {
                    failed = Some(error);
                    ControlFlow::Break(())
                }
            }
        })?;
    failed.map_or(Ok(plan), |error| Err(error.into()))
}
