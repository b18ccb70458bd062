//! Inputs of an item: read in place by built-in operations, copied into the slot's folder for programs, which
//! therefore cannot change the store.

use std::collections::{BTreeMap, BTreeSet};

use tidemill_proto::Digest;
use tidemill_proto::v1::{Input, Item, StagedInput};

use super::chain::BlobPaths;
use super::folder::SlotFolder;
use super::judge::{Outcome, Verdict};
use super::paths;
use crate::blobs::{BlobError, Blobs};
use crate::launcher::Control;

/// Blobs that an item holds in the cache; they are let go when this is dropped.
pub(crate) struct Held<'a> {
    blobs: &'a Blobs,
    digests: Vec<Digest>,
}

impl Drop for Held<'_> {
    fn drop(&mut self) {
        self.blobs.release(&self.digests);
    }
}

/// Gets all blobs of an item's inputs; what cannot be had is told all at once.
pub(crate) fn hold_all<'a>(
    blobs: &'a Blobs,
    inputs: &[StagedInput],
    control: &Control,
) -> Result<Held<'a>, Verdict> {
    let mut held = Held {
        blobs,
        digests: Vec::new(),
    };
    let mut lack = Lack::default();
    for staged in inputs {
        let own = digest(&staged.digest)?;
        if staged.folder {
            if let Some(digests) = lack.sort_out(blobs.hold_tree(own, control))? {
                held.digests.extend(digests);
            }
        } else {
            lack.sort_out(blobs.hold(own, control))?
                .inspect(|()| held.digests.push(own));
        }
        for companion in &staged.companions {
            let companion = digest(&companion.digest)?;
            lack.sort_out(blobs.hold(companion, control))?
                .inspect(|()| held.digests.push(companion));
        }
    }
    lack.none_or(held)
}

/// Checked paths of all blobs of an item's inputs, for operations.
pub(crate) fn paths_in_place(blobs: &Blobs, inputs: &[StagedInput]) -> Result<BlobPaths, Verdict> {
    let mut found = BlobPaths::new();
    let mut lack = Lack::default();
    let companions = |staged: &StagedInput| {
        staged
            .companions
            .iter()
            .map(|c| c.digest.clone())
            .collect::<Vec<_>>()
    };
    for bytes in inputs
        .iter()
        .flat_map(|staged| [vec![staged.digest.clone()], companions(staged)].concat())
    {
        if !found.contains_key(&bytes)
            && let Some(path) = lack.sort_out(blobs.path(digest(&bytes)?))?
        {
            found.insert(bytes, path);
        }
    }
    lack.none_or(found)
}

/// Copies all inputs into the slot's folder; gives the paths of each input's files.
pub(crate) fn copy_in(
    blobs: &Blobs,
    item: &Item,
    inputs: &[StagedInput],
    folder: &mut SlotFolder,
) -> Result<BTreeMap<String, Vec<String>>, Verdict> {
    let mut copies = Vec::new();
    let mut folders = BTreeSet::new();
    for staged in inputs {
        let input = input_of(item, staged)?;
        let in_folder = paths::input_folder(input, staged).map_err(Verdict::failed)?;
        let file = paths::input_file(input, staged).map_err(Verdict::failed)?;
        for companion in &staged.companions {
            let path = paths::companion_file(&in_folder, companion).map_err(Verdict::failed)?;
            if path == file {
                return Err(Verdict::failed(format!(
                    "a companion of {:?} bears its name, {path}",
                    input.name
                )));
            }
            copies.push((path, &companion.digest, companion.size, false));
        }
        folders.insert(in_folder);
        copies.push((file, &staged.digest, staged.size, staged.folder));
    }
    folder
        .prepare(&folders)
        .map_err(|error| Verdict::machine(format!("cannot prepare the slot: {error}")))?;
    let mut lack = Lack::default();
    for (path, bytes, size, is_tree) in &copies {
        let (own, target) = (digest(bytes)?, folder.path(path));
        lack.sort_out(if *is_tree {
            blobs.export_tree(own, &target)
        } else {
            match folder.used_file(path, *size) {
                Some(file) => blobs.fill(own, &target, file),
                None => blobs.export(own, &target),
            }
        })?;
    }
    lack.none_or(())?;
    folder
        .put_away_the_rest()
        .map_err(|error| Verdict::machine(format!("cannot prepare the slot: {error}")))?;
    let mut files: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for staged in inputs {
        let file = paths::input_file(input_of(item, staged)?, staged).map_err(Verdict::failed)?;
        files.entry(staged.input.clone()).or_default().push(file);
    }
    Ok(files)
}

fn input_of<'a>(item: &'a Item, staged: &StagedInput) -> Result<&'a Input, Verdict> {
    let found = item.inputs.iter().find(|input| input.name == staged.input);
    found.ok_or_else(|| {
        Verdict::failed(format!(
            "the plan is damaged: the item has no input {:?}",
            staged.input
        ))
    })
}

pub(crate) fn digest(bytes: &[u8]) -> Result<Digest, Verdict> {
    Digest::from_slice(bytes).map_err(Verdict::failed)
}

/// What a blob error means for the item.
pub(crate) fn verdict(error: BlobError) -> Verdict {
    match error {
        BlobError::Stopped => Verdict::new(Outcome::Stopped, "it was stopped"),
        BlobError::Lacking { digest, reason } => Verdict {
            lacking: vec![digest.to_vec()],
            ..Verdict::machine(reason)
        },
        other => Verdict::machine(other),
    }
}

/// Gathers blobs that cannot be had, so that all are told at once.
#[derive(Default)]
struct Lack {
    digests: Vec<Vec<u8>>,
    first_reason: String,
}

impl Lack {
    fn sort_out<T>(&mut self, got: Result<T, BlobError>) -> Result<Option<T>, Verdict> {
        match got {
            Ok(value) => Ok(Some(value)),
            Err(BlobError::Lacking { digest, reason }) => {
                if self.digests.is_empty() {
                    self.first_reason = reason;
                }
                self.digests.push(digest.to_vec());
                Ok(None)
            }
            Err(error) => Err(verdict(error)),
        }
    }

    fn none_or<T>(self, value: T) -> Result<T, Verdict> {
        if self.digests.is_empty() {
            return Ok(value);
        }
        Err(Verdict {
            lacking: self.digests,
            ..Verdict::machine(self.first_reason)
        })
    }
}
