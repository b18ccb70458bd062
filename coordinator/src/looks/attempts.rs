//! All attempts of a run, and what its reused results once took. Blocks.

use std::ops::ControlFlow;

use tidemill_proto::v1::{ItemAttempts, Measured};
use tidemill_proto::{Digest, Key};

use crate::engine::rows::attempt_view;
use crate::query::archive::{Archive, ArchiveError};
use crate::record::rows::ItemRecord;
use crate::record::{Scan, keys, pack};

/// Hands over attempts and savings of a run's items, in plan order, until `each` says that it is enough.
///
/// # Errors
/// When the record cannot be read.
pub fn each_attempts(
    archive: &Archive,
    serial: u64,
    each: &mut dyn FnMut(ItemAttempts) -> bool,
) -> Result<(), ArchiveError> {
    let mut failed = None;
    archive
        .record
        .visit(&Scan::of(keys::items(serial)), &mut |key, value| {
            let Some((_, index)) = keys::read_item(key) else {
                return ControlFlow::Continue(());
            };
            let row = pack::read::<ItemRecord>(key, value, &archive.store)
                .map_err(ArchiveError::from)
                .and_then(|item| {
                    Ok(ItemAttempts {
                        index,
                        saved: saved(archive, &item)?,
                        attempts: item.attempts.iter().map(attempt_view).collect(),
                    })
                });
            match row {
                Ok(row) if row.attempts.is_empty() && row.saved.is_none() => ControlFlow::Continue(()),
                Ok(row) => match each(row) {
                    true => ControlFlow::Continue(()),
                    false => ControlFlow::Break(()),
                },
                Err(error) => {
                    failed = Some(error);
                    ControlFlow::Break(())
                }
            }
        })?;
    failed.map_or(Ok(()), Err)
}

/// What making a reused item's result once took.
fn saved(archive: &Archive, item: &ItemRecord) -> Result<Option<Measured>, ArchiveError> {
    let (Some(_), Ok(key)) = (item.reused_from, Digest::from_slice(&item.key)) else {
        return Ok(None);
    };
    let result = archive.result(&Key(key))?;
    Ok(result
        .and_then(|result| result.measured)
        .map(|measured| Measured {
            elapsed_ms: measured.elapsed_ms,
            user_ms: measured.user_ms,
            system_ms: measured.system_ms,
            peak_memory_bytes: measured.peak_memory_bytes,
        }))
}
