//! Reads and writes what people decide about variants. Blocks.

use tidemill_proto::v1::{ItemRow, Plan, SignOffList, SignOffRequest};

use super::sign_off::{outputs_by_variant, standing};
use crate::query::archive::{Archive, ArchiveError};
use crate::query::names::{fits, hint, nearest};
use crate::query::seen::Seen;
use crate::record::rows::SignOffRecord;
use crate::record::{Scan, keys, pack};

/// Longest note of a sign-off.
pub const MOST_NOTE_BYTES: usize = 2000;

/// Why nothing was decided; nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum DecisionError {
    /// The note is too long.
    #[error("the note has {0} bytes; at most {MOST_NOTE_BYTES} are kept")]
    LongNote(usize),
    /// The note would move the cursor of whoever reads it.
    #[error("the note holds a control character; write it in plain text")]
    OddNote,
    /// The run has no such variant.
    #[error("{run} has no variant {pattern}{}", hint(near))]
    NoVariant {
        /// The run.
        run: String,
        /// What was asked for.
        pattern: String,
        /// Names that are near.
        near: Vec<String>,
    },
    /// An item of a variant has no outputs (yet).
    #[error(
        "{variant} is not finished in {run}: there is nothing to sign off yet; `tidemill show {run}` says what it lacks"
    )]
    Unfinished {
        /// The variant.
        variant: String,
        /// The run.
        run: String,
    },
    /// The record cannot be read or written.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

/// Where each variant of a run stands. Blocks.
///
/// # Errors
/// When the record cannot be read.
pub fn list(archive: &Archive, seen: &Seen) -> Result<SignOffList, ArchiveError> {
    let (plan, rows) = whole(archive, seen)?;
    let mut found = Vec::new();
    for (variant, outputs) in outputs_by_variant(&plan, &rows) {
        let last = last_decision(archive, &plan.manifest, &variant)?;
        found.push(standing(&variant, outputs.as_deref(), last.as_ref()));
    }
    Ok(SignOffList { rows: found })
}

fn whole(archive: &Archive, seen: &Seen) -> Result<(Plan, Vec<ItemRow>), ArchiveError> {
    let plan = archive.plan(&seen.record)?;
    let rows = (0..seen.board.plan().len()).map(|index| seen.board.item_row(index));
    let rows = rows.collect::<Result<_, _>>()?;
    Ok((plan, rows))
}

fn last_decision(
    archive: &Archive,
    manifest: &str,
    variant: &str,
) -> Result<Option<SignOffRecord>, ArchiveError> {
    let newest = Scan::of(keys::sign_offs(manifest, variant)).reverse().limit(1);
    match archive.record.scan(&newest)?.first() {
        Some((key, value)) => Ok(Some(pack::read(key, value, &archive.store)?)),
        None => Ok(None),
    }
}

/// Writes a decision for each variant that fits, all or none, durable on return. Blocks.
///
/// # Errors
/// With what to do about it.
pub fn decide(
    archive: &Archive,
    seen: &Seen,
    request: &SignOffRequest,
    now_ms: i64,
) -> Result<SignOffList, DecisionError> {
    if request.note.len() > MOST_NOTE_BYTES {
        return Err(DecisionError::LongNote(request.note.len()));
    }
    if request
        .note
        .chars()
        .any(|letter| letter.is_control() && letter != '\n')
    {
        return Err(DecisionError::OddNote);
    }
    let (plan, rows) = whole(archive, seen)?;
    let known = outputs_by_variant(&plan, &rows);
    let run = seen.board.facts().run.to_string();
    for pattern in &request.variants {
        if !known.iter().any(|(name, _)| fits(pattern, name)) {
            return Err(DecisionError::NoVariant {
                near: nearest(pattern, known.iter().map(|(name, _)| name.as_str())),
                run,
                pattern: pattern.clone(),
            });
        }
    }
    let (mut ops, mut blobs, mut answer) = (Vec::new(), Vec::new(), Vec::new());
    for (name, outputs) in known {
        if !request.variants.iter().any(|pattern| fits(pattern, &name)) {
            continue;
        }
        let Some(outputs) = outputs else {
            return Err(DecisionError::Unfinished { variant: name, run });
        };
        // The last decision stays the last one in the record, whatever the clock says.
        let last = last_decision(archive, &plan.manifest, &name)?;
        let decided_ms = last.map_or(now_ms, |last| now_ms.max(last.decided_ms.saturating_add(1)));
        let decision = SignOffRecord {
            approved: request.approved,
            note: request.note.clone(),
            person: request.person.clone(),
            decided_ms,
            run: run.clone(),
            outputs,
        };
        answer.push(standing(&name, Some(&decision.outputs), Some(&decision)));
        let key = keys::sign_off(&plan.manifest, &name, decided_ms);
        let packed = pack::put(key, &decision, &archive.store).map_err(ArchiveError::from)?;
        ops.push(packed.op);
        blobs.extend(packed.blob);
    }
    archive.store.commit(&blobs).map_err(ArchiveError::from)?;
    archive.record.commit(&ops).map_err(ArchiveError::from)?;
    Ok(SignOffList { rows: answer })
}
