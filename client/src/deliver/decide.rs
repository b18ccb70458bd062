//! Which files are delivered, and what is held back and why. Pure: plan and item rows in, units out.

use std::collections::BTreeMap;

use tidemill_proto::v1::{DeliveryFile, Item, ItemRow, ItemState, Plan};
use tidemill_proto::{Digest, state};

/// One variant or group: delivered as a whole or not at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit {
    /// Variant name, `family=crate` or `all`.
    pub name: String,
    /// Its files, by path.
    pub files: Vec<File>,
    /// Why it is held back.
    pub held: Option<String>,
}

/// One file to be copied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct File {
    /// Relative, `/` between parts.
    pub path: String,
    /// Its bytes; for a folder, its tree.
    pub digest: Digest,
    /// The output is a folder.
    pub folder: bool,
    /// The item that made it, an index in the plan.
    pub item: u32,
}

/// Decides for every unit of the plan. `to_named_folder`: a person chose the folder, so that incomplete groups
/// replace nothing that matters.
pub fn decide(plan: &Plan, items: &[ItemRow], to_named_folder: bool) -> Vec<Unit> {
    let Some(delivery) = &plan.delivery else {
        return Vec::new();
    };
    let rows: BTreeMap<usize, &ItemRow> = items.iter().map(|row| (row.index as usize, row)).collect();
    let mut units: BTreeMap<&str, Vec<&DeliveryFile>> = BTreeMap::new();
    for file in &delivery.files {
        units.entry(&file.unit).or_default().push(file);
    }
    let decide_unit = |(name, files): (&str, Vec<&DeliveryFile>)| {
        let mut unit = Unit {
            name: name.to_owned(),
            files: Vec::new(),
            held: None,
        };
        if !to_named_folder && !plan.only.is_empty() && files.iter().any(|file| gathers(plan, file)) {
            unit.held =
                Some("it was made of some variants only (--only): `--to DIR` puts it elsewhere".to_owned());
            return unit;
        }
        for file in files {
            match file_of(plan, &rows, file) {
                Ok(file) => unit.files.push(file),
                Err(reason) => {
                    unit.held = Some(reason);
                    unit.files.clear();
                    break;
                }
            }
        }
        unit
    };
    units.into_iter().map(decide_unit).collect()
}

fn file_of(plan: &Plan, rows: &BTreeMap<usize, &ItemRow>, file: &DeliveryFile) -> Result<File, String> {
    for gate in &file.gates {
        if let Some(reason) = hindrance(plan, rows, *gate) {
            return Err(format!("{reason}, and the delivery waits for it"));
        }
    }
    if let Some(reason) = hindrance(plan, rows, file.item) {
        return Err(reason);
    }
    if !is_safe(&file.path) {
        return Err(format!(
            "the path {:?} leaves the folder of the delivery",
            file.path
        ));
    }
    let damaged = || format!("the plan names an output that is not there: {}", file.output);
    let item = plan.items.get(file.item as usize).ok_or_else(damaged)?;
    let row = rows.get(&(file.item as usize)).ok_or_else(damaged)?;
    let made = row
        .outputs
        .iter()
        .find(|made| made.name == file.output)
        .ok_or_else(damaged)?;
    let digest = Digest::from_slice(&made.digest).map_err(|_| damaged())?;
    Ok(File {
        path: file.path.clone(),
        digest,
        folder: is_folder(item, &file.output),
        item: file.item,
    })
}

/// Why an item's outputs cannot be had; `None` if they can.
fn hindrance(plan: &Plan, rows: &BTreeMap<usize, &ItemRow>, index: u32) -> Option<String> {
    let index = index as usize;
    let address = plan.items.get(index).map_or("?", |item| item.address.as_str());
    let item_state = rows.get(&index).map_or(ItemState::Unspecified, |row| row.state());
    if state::has_outputs(item_state) {
        return None;
    }
    Some(match item_state {
        ItemState::Failed => format!("{address} failed"),
        ItemState::CutOff => format!("{address} is cut-off, an item before it failed"),
        ItemState::Stopped => format!("{address} was stopped"),
        _ => format!("{address} is not finished"),
    })
}

fn gathers(plan: &Plan, file: &DeliveryFile) -> bool {
    let item = plan.items.get(file.item as usize);
    let step = item.and_then(|item| plan.steps.get(item.step as usize));
    step.is_some_and(|step| step.each != "variant")
}

fn is_folder(item: &Item, output: &str) -> bool {
    item.outputs
        .iter()
        .any(|declared| declared.name == output && declared.folder)
}

/// A plan may come from anybody's client: its paths are looked at once more where they become files. Refused is
/// whatever could leave the folder on any system.
pub(super) fn is_safe(path: &str) -> bool {
    !path.is_empty()
        && !path.contains(['\\', ':', '\0'])
        && path
            .trim_end_matches('/')
            .split('/')
            .all(|part| !part.is_empty() && part != "." && part != "..")
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{Delivery, MadeOutput, Output, Step};

    use super::*;

    /// Two variants with a mesh and a map each, one sheet over both, and an audit that gates variant `a`.
    fn plan() -> Plan {
        let step = |name: &str, each: &str| Step {
            name: name.into(),
            each: each.into(),
            ..Step::default()
        };
        let item = |address: &str, step: u32, output: &str| Item {
            address: address.into(),
            step,
            outputs: vec![Output {
                name: output.into(),
                ..Output::default()
            }],
            ..Item::default()
        };
        let file = |item: u32, output: &str, path: &str, unit: &str, gates: &[u32]| DeliveryFile {
            item,
            output: output.into(),
            path: path.into(),
            unit: unit.into(),
            gates: gates.to_vec(),
        };
        Plan {
            steps: vec![
                step("mesh", "variant"),
                step("map", "variant"),
                step("sheet", "all"),
            ],
            items: vec![
                item("a/mesh", 0, "mesh"),
                item("a/map", 1, "map"),
                item("b/mesh", 0, "mesh"),
                item("b/map", 1, "map"),
                item("all/sheet", 2, "sheet"),
                item("a/audit", 1, "figures"),
            ],
            delivery: Some(Delivery {
                files: vec![
                    file(0, "mesh", "out/a.glb", "a", &[5]),
                    file(1, "map", "out/a.png", "a", &[5]),
                    file(2, "mesh", "out/b.glb", "b", &[]),
                    file(3, "map", "out/b.png", "b", &[]),
                    file(4, "sheet", "out/sheet.png", "all", &[]),
                ],
                when: vec!["audit".into()],
            }),
            ..Plan::default()
        }
    }

    fn rows(plan: &Plan, states: [ItemState; 6]) -> Vec<ItemRow> {
        let row = |(index, (item, state)): (usize, (&Item, ItemState))| ItemRow {
            index: index as u32,
            address: item.address.clone(),
            state: state.into(),
            outputs: match state::has_outputs(state) {
                true => vec![MadeOutput {
                    name: item.outputs[0].name.clone(),
                    digest: Digest::of(item.address.as_bytes()).to_vec(),
                    ..MadeOutput::default()
                }],
                false => Vec::new(),
            },
            ..ItemRow::default()
        };
        plan.items.iter().zip(states).enumerate().map(row).collect()
    }

    fn held(plan: &Plan, states: [ItemState; 6]) -> Vec<(String, Option<String>)> {
        let units = decide(plan, &rows(plan, states), false);
        for unit in &units {
            assert_eq!(
                unit.files.is_empty(),
                unit.held.is_some(),
                "all or nothing: {unit:?}"
            );
        }
        units.into_iter().map(|unit| (unit.name, unit.held)).collect()
    }

    use ItemState::{CutOff, Done, Failed, Reused, Stopped};

    #[test]
    fn whole_units_are_delivered() {
        let plan = plan();
        let units = decide(&plan, &rows(&plan, [Done, Reused, Done, Done, Done, Done]), false);
        let names: Vec<(&str, usize)> = units
            .iter()
            .map(|unit| (unit.name.as_str(), unit.files.len()))
            .collect();
        assert_eq!(names, [("a", 2), ("all", 1), ("b", 2)]);
        assert_eq!(units[0].files[0].digest, Digest::of(b"a/mesh"));
    }

    #[test]
    fn a_unit_with_a_gap_is_held_back_whole() {
        let held = held(&plan(), [Done, Done, Done, Failed, Done, Done]);
        assert_eq!(held[0], ("a".into(), None));
        assert_eq!(held[1], ("all".into(), None));
        assert_eq!(held[2], ("b".into(), Some("b/map failed".into())));
    }

    #[test]
    fn a_gate_holds_its_unit_back() {
        let held = held(&plan(), [Done, Done, Done, Done, CutOff, Failed]);
        assert!(
            held[0].1.as_ref().unwrap().starts_with("a/audit failed"),
            "{held:?}"
        );
        assert!(held[1].1.as_ref().unwrap().contains("cut-off"));
        assert_eq!(held[2].1, None);
    }

    #[test]
    fn a_group_of_some_variants_replaces_nothing() {
        let plan = Plan {
            only: vec!["a".into()],
            ..plan()
        };
        let states = [Done, Done, Stopped, Done, Done, Done];
        let units = decide(&plan, &rows(&plan, states), false);
        assert!(units[1].held.as_ref().unwrap().contains("--only"), "{units:?}");
        let units = decide(&plan, &rows(&plan, states), true);
        assert_eq!(units[1].held, None);
    }

    #[test]
    fn paths_that_leave_are_held_back() {
        for path in ["../a", "/a", "a//b", "c:/a", "a\\b", ".", "a/./b", ""] {
            assert!(!is_safe(path), "{path}");
        }
        assert!(is_safe("out/a b/c.glb") && is_safe("out/frames/"));
    }

    #[test]
    fn a_plan_without_delivery_has_no_units() {
        assert!(decide(&Plan::default(), &[], false).is_empty());
    }
}
