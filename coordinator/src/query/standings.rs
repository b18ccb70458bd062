//! Where the variants of many runs stand, from what was gathered of the runs and the last decision about each variant,
//! without a look at any item. Blocks.

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::rc::Rc;

use tidemill_proto::v1::StandingCounts;

use super::archive::{Archive, ArchiveError};
use super::index::{mark_of, variant_names};
use crate::record::rows::{RunIndexRecord, SignOffRecord};
use crate::record::{Scan, keys, pack};

/// A decision as far as standings need it.
#[derive(Debug, Clone, Copy)]
struct Decision {
    approved: bool,
    mark: [u8; 8],
}

/// Manifest, and names of variants as the index has them.
type Variants = (String, Vec<u8>);

/// The last decision about each variant of each manifest.
#[derive(Debug, Default)]
pub struct Standings {
    decisions: HashMap<String, HashMap<String, Decision>>,
    /// Runs of one plan ask for the same.
    found: HashMap<Variants, Rc<[Option<Decision>]>>,
}

impl Standings {
    /// Reads all last decisions.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn read(archive: &Archive) -> Result<Self, ArchiveError> {
        let mut standings = Self::default();
        let mut last: Option<(Vec<u8>, Vec<u8>)> = None;
        let mut failed = None;
        archive
            .record
            .visit(&Scan::of(keys::all_sign_offs()), &mut |key, value| {
                let is_of_another = last
                    .as_ref()
                    .is_some_and(|(before, _)| about(before) != about(key));
                if is_of_another
                    && let Some((before, value)) = last.take()
                    && let Err(error) = standings.take(archive, &before, &value)
                {
                    failed = Some(error);
                    return ControlFlow::Break(());
                }
                last = Some((key.to_vec(), value.to_vec()));
                ControlFlow::Continue(())
            })?;
        if let Some((key, value)) = last {
            standings.take(archive, &key, &value)?;
        }
        failed.map_or(Ok(standings), Err)
    }

    fn take(&mut self, archive: &Archive, key: &[u8], value: &[u8]) -> Result<(), ArchiveError> {
        let Some((manifest, variant)) = about(key) else {
            return Ok(());
        };
        let record: SignOffRecord = pack::read(key, value, &archive.store)?;
        let decision = Decision {
            approved: record.approved,
            mark: mark_of(&record.outputs),
        };
        self.decisions
            .entry(manifest.to_owned())
            .or_default()
            .insert(variant.to_owned(), decision);
        Ok(())
    }

    /// How many variants of a run stand where.
    pub fn of(&mut self, manifest: &str, index: &RunIndexRecord) -> StandingCounts {
        let decisions = &self.decisions;
        let decided = self
            .found
            .entry((manifest.to_owned(), index.variants.clone()))
            .or_insert_with(|| {
                let of_manifest = decisions.get(manifest);
                let names = variant_names(index);
                let decision = |name: &str| of_manifest.and_then(|all| all.get(name)).copied();
                names.lines().map(decision).collect()
            });
        let mut counts = StandingCounts::default();
        for (position, mark) in index.seen.chunks_exact(8).enumerate() {
            let count = match decided.get(position).copied().flatten() {
                _ if mark == [0; 8] => &mut counts.unfinished,
                None => &mut counts.unseen,
                Some(decision) if decision.mark != mark => &mut counts.void,
                Some(decision) if decision.approved => &mut counts.approved,
                Some(_) => &mut counts.rejected,
            };
            *count += 1;
        }
        counts
    }
}

fn about(key: &[u8]) -> Option<(&str, &str)> {
    keys::read_sign_off(key).map(|(manifest, variant, _)| (manifest, variant))
}

/// Whether a run has a variant that stands so; `None`: there is no such word.
pub fn has(counts: &StandingCounts, word: &str) -> Option<bool> {
    let count = match word {
        "approved" => counts.approved,
        "rejected" => counts.rejected,
        "void" => counts.void,
        "unseen" => counts.unseen,
        "unfinished" => counts.unfinished,
        _ => return None,
    };
    Some(count > 0)
}
