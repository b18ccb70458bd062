//! From the parts of a submission to a checked plan.

use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

use prost::Message;
use tidemill_proto::Digest;
use tidemill_proto::v1::submit_part::Part;
use tidemill_proto::v1::{Plan, SubmitHeader, SubmitPart, source};
use tidemill_store::{Store, StoreError};
use tonic::{Status, Streaming};

use super::convert::store_status;
use crate::engine::event::NewRun;
use crate::engine::inputs::{InputsError, blobs_read, is_folder};
use crate::engine::plan::KeptPlan;
use crate::engine::recipe::Recipe;
use crate::record::rows::RunRecord;

/// Largest encoded plan, in bytes.
const MAX_PLAN_BYTES: usize = 512 * 1024 * 1024;

/// What was sent.
pub struct Sent {
    /// Who and what.
    pub header: SubmitHeader,
    /// The encoded plan.
    pub plan: Vec<u8>,
}

/// Receives all parts.
///
/// # Errors
/// When parts are in the wrong order, or the plan is too large.
pub async fn receive(mut parts: Streaming<SubmitPart>) -> Result<Sent, Status> {
    let Some(SubmitPart {
        part: Some(Part::Header(header)),
    }) = parts.message().await?
    else {
        return Err(Status::invalid_argument(
            "the first part of a submission must be its header",
        ));
    };
    let mut plan = Vec::new();
    while let Some(part) = parts.message().await? {
        match part.part {
            Some(Part::Plan(piece)) if plan.len() + piece.len() <= MAX_PLAN_BYTES => {
                plan.extend_from_slice(&piece)
            }
            Some(Part::Plan(_)) => {
                return Err(Status::resource_exhausted(format!(
                    "the plan is over {MAX_PLAN_BYTES} bytes"
                )));
            }
            _ => {
                return Err(Status::invalid_argument(
                    "a submission has one header, then only pieces of its plan",
                ));
            }
        }
    }
    Ok(Sent { header, plan })
}

/// Reads and checks a plan; nothing in it is believed. Blocks.
///
/// # Errors
/// `INVALID_ARGUMENT` with everything that is wrong.
pub fn check(bytes: &[u8]) -> Result<Plan, Status> {
    let plan = Plan::decode(bytes)
        .map_err(|error| Status::invalid_argument(format!("the plan cannot be read: {error}")))?;
    if plan.items.is_empty() {
        return Err(Status::invalid_argument("the plan has no items"));
    }
    tidemill_plan::recheck(&plan, tidemill_ops::all()).map_err(|faults| {
        Status::invalid_argument(format!("the plan is not sound: {}", faults.join("; ")))
    })?;
    Ok(plan)
}

/// Refuses a priority or a share out of range.
///
/// # Errors
/// `INVALID_ARGUMENT` with the range.
pub fn check_preference(priority: i32, share: u32) -> Result<(), Status> {
    if !(-1000..=1000).contains(&priority) {
        return Err(Status::invalid_argument(format!(
            "the priority must be from -1000 to 1000, not {priority}"
        )));
    }
    if share > 1000 {
        return Err(Status::invalid_argument(format!(
            "the share must be from 1 to 1000, not {share}"
        )));
    }
    Ok(())
}

/// Makes a checked submission ready for the engine; stages the plan and the manifest's text. Blocks.
///
/// # Errors
/// When the plan is not sound, or the store fails.
pub fn prepare(sent: Sent, store: &Store) -> Result<NewRun, Status> {
    check_preference(sent.header.priority, sent.header.share)?;
    let plan = check(&sent.plan)?;
    let unsound = |error: crate::engine::plan::PlanError| Status::invalid_argument(error.to_string());
    let mut blobs = Vec::new();
    let plan_blob = store
        .stage_bytes(&sent.plan)
        .map_err(|error| store_status(&error))?
        .digest;
    drop(sent.plan); // a large plan is there decoded by now; once is enough
    let text = sent.header.manifest_text.as_bytes();
    let text_blob = store
        .stage_bytes(text)
        .map_err(|error| store_status(&error))?
        .digest;
    blobs.extend([plan_blob, text_blob]);
    blobs.extend(blobs_read(plan.items.iter(), store).map_err(|error| inputs_status(&error))?);
    let record = RunRecord {
        plan: plan_blob.to_vec(),
        manifest_text: text_blob.to_vec(),
        person: sent.header.person,
        folder: sent.header.folder,
        embedded: sent.header.embedded,
        anew: sent.header.anew,
        priority: sent.header.priority,
        share: sent.header.share,
        draft: plan.draft,
        until: plan.until.clone(),
        items: u32::try_from(plan.items.len()).unwrap_or(u32::MAX),
        ..RunRecord::default()
    };
    let plan = Arc::new(KeptPlan::new(plan).map_err(unsound)?);
    let recipe = Recipe::of(&plan).map_err(unsound)?;
    Ok(NewRun {
        plan,
        recipe,
        record,
        blobs,
    })
}

fn inputs_status(error: &InputsError) -> Status {
    match error {
        InputsError::Digest { .. } => Status::invalid_argument(error.to_string()),
        InputsError::Store(StoreError::NotATree { .. }) => Status::invalid_argument(error.to_string()),
        InputsError::Store(error) => store_status(error),
    }
}

/// Which files the lacking blobs are, for people: each path once. Blocks.
pub fn name_lacking(plan: &KeptPlan, lacking: &[Digest]) -> String {
    let wanted: HashSet<&[u8]> = lacking
        .iter()
        .map(|digest| digest.as_bytes().as_slice())
        .collect();
    let (mut paths, mut folders) = (BTreeSet::new(), BTreeSet::new());
    for index in 0..plan.len() {
        let Ok(item) = plan.item(index) else { continue };
        for input in item.inputs.iter().flat_map(|input| &input.sources) {
            let Some(source::From::File(file)) = input.from.as_ref() else {
                continue;
            };
            if wanted.contains(file.digest.as_slice()) {
                paths.insert(file.path.clone());
            } else if is_folder(file) {
                folders.insert(format!("a file of {}", file.path));
            }
            for companion in &file.companions {
                if wanted.contains(companion.digest.as_slice()) {
                    paths.insert(format!("{}, beside {}", companion.name, file.path));
                }
            }
        }
    }
    if paths.is_empty() {
        // Neither a file by itself nor one beside another: it lies in one of the folders.
        paths = folders;
    }
    if paths.is_empty() {
        return "the plan itself could not be stored".to_owned();
    }
    let shown: Vec<String> = paths.iter().take(10).cloned().collect();
    let rest = paths.len() - shown.len();
    let more = if rest > 0 {
        format!(" and {rest} more")
    } else {
        String::new()
    };
    format!(
        "the store lacks {}{more}; put them there, then submit again",
        shown.join(", ")
    )
}
