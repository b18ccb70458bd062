//! From an item whose inputs are known to its key, and from the key to a result that is still there. Blocks: the
//! engine calls it on its own thread, others through one that may block.

use std::collections::HashMap;

use tidemill_proto::key::KeyError;
use tidemill_proto::v1::{Item, source};
use tidemill_proto::{Digest, Key};
use tidemill_store::{Store, StoreError};

use super::agents::Requirement;
use super::board::{Outputs, RunBoard};
use super::plan::{KeptPlan, operations_of, tool_of};
use super::rows::parts_of;
use crate::query::archive::{Archive, ArchiveError};
use crate::query::why::{PartsError, Subject};
use crate::record::rows::ItemReference;

/// One item whose key is asked for.
#[derive(Debug)]
pub struct Question<'a> {
    /// Its place in the plan.
    pub index: u32,
    /// State and outputs of its run.
    pub board: &'a RunBoard,
    /// The exact versions that the run fixed.
    pub tools: &'a HashMap<String, String>,
    /// Run it in spite of a record.
    pub anew: bool,
}

/// What was found.
#[derive(Debug)]
pub enum Answer {
    /// There is a result and all of its blobs are in the store.
    Reused {
        /// The item's key.
        key: Key,
        /// In the order of the item's outputs.
        outputs: Outputs,
        /// The item that made them.
        made_by: Option<ItemReference>,
    },
    /// It has to run.
    Run {
        /// The item's key.
        key: Key,
        /// What an agent must have.
        requirement: Requirement,
        /// All inputs that are there, with their sizes.
        inputs: Vec<(Digest, u64)>,
        /// What an earlier item with this key made, for comparison; set when it runs in spite of that.
        earlier: Option<Earlier>,
    },
    /// The run has no exact version for this tool yet.
    NeedsTool(String),
    /// It can never run; the text says why.
    Broken(String),
}

/// An earlier result for the same key.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// In the order of the item's outputs.
    pub outputs: Outputs,
    /// Blobs that outputs which are folders name.
    pub parts: Vec<Digest>,
    /// The item that made them.
    pub made_by: Option<ItemReference>,
}

/// Answers one question.
pub fn look(archive: &Archive, question: &Question<'_>) -> Answer {
    answer(archive, question).unwrap_or_else(Answer::Broken)
}

fn answer(archive: &Archive, question: &Question<'_>) -> Result<Answer, String> {
    let plan = question.board.plan();
    let item = plan.item(question.index).map_err(|error| error.to_string())?;
    let subject = Subject {
        board: question.board,
        tools: question.tools,
    };
    let parts = match subject.parts(&item) {
        Ok(parts) => parts,
        Err(PartsError::Key(KeyError::ToolUnknown { tool })) => return Ok(Answer::NeedsTool(tool)),
        Err(error) => return Err(error.to_string()),
    };
    let key = parts.key();
    let found = find(archive, &key, &item).map_err(|error| error.to_string())?;
    let mut earlier = None;
    if let Some(found) = found {
        if question.anew {
            earlier = Some(found);
        } else if all_there(&archive.store, &found).map_err(|error| error.to_string())? {
            return Ok(Answer::Reused {
                key,
                outputs: found.outputs,
                made_by: found.made_by,
            });
        }
    }
    Ok(Answer::Run {
        key,
        requirement: requirement_of(plan, &item, question.tools),
        inputs: inputs(question.board, &item),
        earlier,
    })
}

/// Bytes of all inputs together.
pub fn sum_of(inputs: &[(Digest, u64)]) -> u64 {
    inputs.iter().map(|(_, size)| size).sum()
}

/// The recorded result for a key, in the order of the item's outputs; `None` also when the names do not match.
pub fn find(archive: &Archive, key: &Key, item: &Item) -> Result<Option<Earlier>, ArchiveError> {
    let Some(result) = archive.result(key)? else {
        return Ok(None);
    };
    let by_name: HashMap<&str, (&[u8], u64)> = result
        .outputs
        .iter()
        .map(|output| (output.name.as_str(), (output.digest.as_slice(), output.size)))
        .collect();
    let outputs: Option<Vec<(Digest, u64)>> = item
        .outputs
        .iter()
        .map(|declared| {
            let (digest, size) = by_name.get(declared.name.as_str())?;
            Some((Digest::from_slice(digest).ok()?, *size))
        })
        .collect();
    let parts = result
        .outputs
        .iter()
        .flat_map(|output| parts_of(&output.parts))
        .collect();
    Ok(outputs.map(|outputs| Earlier {
        outputs: outputs.into(),
        parts,
        made_by: result.made_by,
    }))
}

/// Whether every output is in the store, with all parts of those that are folders.
pub fn all_there(store: &Store, result: &Earlier) -> Result<bool, StoreError> {
    let outputs = result.outputs.iter().map(|(digest, _)| digest);
    for digest in outputs.chain(&result.parts) {
        if !store.contains(digest)? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What an item requires of an agent, with the exact versions that its run fixed.
pub fn requirement_of(plan: &KeptPlan, item: &Item, tools: &HashMap<String, String>) -> Requirement {
    let tool = tool_of(item).and_then(|name| {
        let program = plan.tools.iter().find(|tool| tool.name == name)?.program.clone();
        Some((program, tools.get(name)?.clone()))
    });
    let offers = item
        .needs
        .as_ref()
        .map(|needs| needs.offers.clone())
        .unwrap_or_default();
    Requirement {
        tool,
        operations: operations_of(item),
        offers,
    }
}

/// What an item reads, with companions, as far as it is there.
fn inputs(board: &RunBoard, item: &Item) -> Vec<(Digest, u64)> {
    let mut found = Vec::new();
    for source in item.inputs.iter().flat_map(|input| &input.sources) {
        match source.from.as_ref() {
            Some(source::From::File(file)) => {
                let companions = file.companions.iter();
                let all = std::iter::once((&file.digest, file.size))
                    .chain(companions.map(|companion| (&companion.digest, companion.size)));
                found.extend(all.filter_map(|(digest, size)| Some((Digest::from_slice(digest).ok()?, size))));
            }
            Some(source::From::Edge(edge)) => found.extend(made(board, edge.item, &edge.output)),
            None => {}
        }
    }
    found
}

fn made(board: &RunBoard, index: u32, output: &str) -> Option<(Digest, u64)> {
    let outputs = board.outputs(index)?;
    let item = board.plan().item(index).ok()?;
    let position = item.outputs.iter().position(|declared| declared.name == output)?;
    outputs.get(position).copied()
}
