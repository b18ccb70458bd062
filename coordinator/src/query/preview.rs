//! What a submission would do now, item by item, without recording anything. Blocks.

use std::collections::HashMap;

use tidemill_proto::v1::preview_item::Outcome;
use tidemill_proto::v1::{ItemState, PreviewItem};

use super::archive::Archive;
use super::names::fits_any;
use crate::engine::board::{RunBoard, made_outputs};
use crate::engine::lookup::{Answer, Question, look};
use crate::engine::plan::{PlanError, upstream_indexes};

/// What would become of each item, in plan order. `board` is that of a run that does not exist: every item waits.
///
/// # Errors
/// When the plan is damaged.
pub fn preview(
    archive: &Archive,
    board: &RunBoard,
    tools: &HashMap<String, String>,
    anew: &[String],
) -> Result<Vec<PreviewItem>, PlanError> {
    let plan = board.plan();
    let mut items: Vec<PreviewItem> = Vec::with_capacity(plan.len() as usize);
    for index in 0..plan.len() {
        let item = plan.item(index)?;
        let unknown = upstream_indexes(&item)
            .into_iter()
            .filter_map(|up| items.get(up as usize))
            .find(|up| up.outcome != Outcome::Reused as i32);
        let mut shown = PreviewItem {
            address: item.address.clone(),
            ..PreviewItem::default()
        };
        if let Some(upstream) = unknown {
            shown.outcome = Outcome::Depends as i32;
            shown.depends_on = match upstream.outcome() {
                Outcome::Depends => upstream.depends_on.clone(),
                _ => upstream.address.clone(),
            };
        } else {
            let question = Question {
                index,
                board,
                tools,
                anew: fits_any(anew, &item.address),
            };
            match look(archive, &question) {
                Answer::Reused { outputs, .. } => {
                    shown.outcome = Outcome::Reused as i32;
                    shown.outputs = made_outputs(&item, &outputs);
                    board.change(index, 0, |cell| {
                        cell.state = ItemState::Reused;
                        cell.outputs = Some(outputs);
                    });
                }
                Answer::Run { .. } | Answer::NeedsTool(_) | Answer::Broken(_) => {
                    shown.outcome = Outcome::Runs as i32;
                }
            }
        }
        items.push(shown);
    }
    Ok(items)
}
