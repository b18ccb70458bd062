//! Where a variant stands: approved or rejected by a person for exactly the outputs that it had then. One output that
//! changes makes the decision void. Pure.

use std::collections::BTreeMap;

use tidemill_proto::state;
use tidemill_proto::v1::{ItemRow, Plan, SignOffRow};

use crate::record::rows::{SeenOutput, SignOffRecord};

/// Outputs of each variant by `step.output`, in plan order of variants; `None`: an item of it has none (yet).
pub fn outputs_by_variant(plan: &Plan, rows: &[ItemRow]) -> Vec<(String, Option<Vec<SeenOutput>>)> {
    let mut found: Vec<(String, Option<Vec<SeenOutput>>)> = plan
        .variants
        .iter()
        .map(|variant| (variant.name.clone(), Some(Vec::new())))
        .collect();
    for (item, row) in plan.items.iter().zip(rows) {
        let step = plan.steps.get(item.step as usize);
        let of_one = step.is_some_and(|step| step.each == "variant");
        let Some(variant) = item.variants.first().filter(|_| of_one) else {
            continue; // a group's output changes with every variant in it, so it binds none of them
        };
        let Some((_, outputs)) = found.get_mut(*variant as usize) else {
            continue;
        };
        if !state::has_outputs(row.state()) {
            *outputs = None;
        } else if let (Some(outputs), Some(step)) = (outputs.as_mut(), step) {
            outputs.extend(row.outputs.iter().map(|output| SeenOutput {
                name: format!("{}.{}", step.name, output.name),
                digest: output.digest.clone(),
            }));
        }
    }
    for outputs in found.iter_mut().filter_map(|(_, outputs)| outputs.as_mut()) {
        outputs.sort_by(|a, b| a.name.cmp(&b.name));
    }
    found
}

/// Where a variant stands, given the last decision about it.
pub fn standing(variant: &str, outputs: Option<&[SeenOutput]>, last: Option<&SignOffRecord>) -> SignOffRow {
    let row = SignOffRow {
        variant: variant.to_owned(),
        ..SignOffRow::default()
    };
    let Some(outputs) = outputs else {
        return SignOffRow {
            state: "unfinished".to_owned(),
            ..row
        };
    };
    let Some(last) = last else {
        return SignOffRow {
            state: "unseen".to_owned(),
            ..row
        };
    };
    let word = if last.approved { "approved" } else { "rejected" };
    let changed = changed(&last.outputs, outputs);
    SignOffRow {
        state: if changed.is_empty() { word } else { "void" }.to_owned(),
        earlier: if changed.is_empty() {
            String::new()
        } else {
            word.to_owned()
        },
        changed,
        note: last.note.clone(),
        person: last.person.clone(),
        decided_ms: last.decided_ms,
        run: last.run.clone(),
        ..row
    }
}

/// Names of outputs that differ, are new, or are gone.
fn changed(before: &[SeenOutput], now: &[SeenOutput]) -> Vec<String> {
    let by_name = |outputs: &[SeenOutput]| -> BTreeMap<String, Vec<u8>> {
        outputs
            .iter()
            .map(|output| (output.name.clone(), output.digest.clone()))
            .collect()
    };
    let (before, now) = (by_name(before), by_name(now));
    let mut names: Vec<&String> = before.keys().chain(now.keys()).collect();
    names.sort_unstable();
    names.dedup();
    names
        .into_iter()
        .filter(|name| before.get(*name) != now.get(*name))
        .cloned()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(name: &str, digest: u8) -> SeenOutput {
        SeenOutput {
            name: name.into(),
            digest: vec![digest; 32],
        }
    }

    #[test]
    fn a_decision_holds_for_the_outputs_that_were_seen_and_no_others() {
        let decision = SignOffRecord {
            approved: true,
            note: "good".into(),
            outputs: vec![seen("game.mesh", 1), seen("maps.id", 2)],
            ..SignOffRecord::default()
        };
        let stands = |outputs: &[SeenOutput]| standing("a", Some(outputs), Some(&decision));
        assert_eq!(
            stands(&[seen("game.mesh", 1), seen("maps.id", 2)]).state,
            "approved"
        );
        let void = stands(&[seen("game.mesh", 1), seen("maps.id", 3)]);
        assert_eq!((void.state.as_str(), void.earlier.as_str()), ("void", "approved"));
        assert_eq!(void.changed, ["maps.id"]);
        assert_eq!(
            stands(&[seen("game.mesh", 1)]).changed,
            ["maps.id"],
            "an output that is gone"
        );
        assert_eq!(standing("a", None, Some(&decision)).state, "unfinished");
        assert_eq!(standing("a", Some(&[]), None).state, "unseen");
    }
}
