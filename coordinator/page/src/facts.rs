//! Everything that is known about one run, and its arrangement as a sheet. Pure.

use std::collections::{BTreeMap, HashMap};

use tidemill_proto::state;
use tidemill_proto::v1::{
    AgentRow, Attempt, ItemAttempts, ItemRow, ItemState, MadeOutput, Measured, PictureWish, Plan, RunRow,
    SignOffRow, Tag,
};

use crate::figures::Figure;

/// Extensions of files that become a turntable.
const MESHES: [&str; 4] = [".obj", ".glb", ".gltf", ".ply"];
/// Extensions of files that become a thumbnail.
const MAPS: [&str; 1] = [".png"];

/// One run, as far as it is known.
#[derive(Debug, Clone, Default)]
pub struct RunFacts {
    /// The run itself.
    pub run: RunRow,
    /// Its plan.
    pub plan: Plan,
    /// Its items, in the order of the plan.
    pub items: Vec<ItemRow>,
    /// Attempts by the item's index.
    pub attempts: BTreeMap<u32, Vec<Attempt>>,
    /// What making a reused result once took, by the item's index.
    pub saved: BTreeMap<u32, Measured>,
    /// The agents as they are now.
    pub agents: Vec<AgentRow>,
    /// Where each variant stands.
    pub sign_offs: BTreeMap<String, SignOffRow>,
    /// Figures by the item's index.
    pub figures: BTreeMap<u32, Vec<Figure>>,
}

/// The sheet's arrangement: indexes of items.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrangement {
    /// Steps with one item for each variant, as indexes of the plan's steps.
    pub columns: Vec<usize>,
    /// A row for each variant: the item of each column.
    pub rows: Vec<Vec<Option<usize>>>,
    /// Items over groups of variants, or over all.
    pub groups: Vec<usize>,
}

/// Where a picture is, as an address that an `img` takes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PictureSource {
    /// A path of the page, or a data URI.
    pub address: String,
    /// More than one: frames of a turntable, side by side.
    pub frames: u32,
}

/// The wish for the picture of a file; `None`: there is none of such files. `tags` are the plan's.
pub fn wish(path: &str, digest: &[u8], tags: &[Tag]) -> Option<PictureWish> {
    let extension = extension_of(path)?;
    let is_mesh = is_mesh(&extension);
    (is_mesh || MAPS.contains(&extension.as_str())).then(|| PictureWish {
        digest: digest.to_vec(),
        // The colours of tags show on meshes only.
        tags: if is_mesh { tags.to_vec() } else { Vec::new() },
        extension,
        still: false,
    })
}

/// Finds the picture of an output; `None`: there is none to show.
pub type FindPicture<'a> = dyn Fn(&PictureWish) -> Option<PictureSource> + 'a;

impl RunFacts {
    /// Puts attempts and savings where they belong.
    pub fn take_attempts(&mut self, rows: impl IntoIterator<Item = ItemAttempts>) {
        for row in rows {
            if let Some(saved) = row.saved {
                self.saved.insert(row.index, saved);
            }
            if !row.attempts.is_empty() {
                self.attempts.insert(row.index, row.attempts);
            }
        }
    }

    /// Variants down, steps across.
    pub fn arrangement(&self) -> Arrangement {
        let columns: Vec<usize> = (0..self.plan.steps.len())
            .filter(|step| self.plan.steps[*step].each == "variant")
            .collect();
        let place: HashMap<usize, usize> = columns.iter().enumerate().map(|(at, step)| (*step, at)).collect();
        let mut rows = vec![vec![None; columns.len()]; self.plan.variants.len()];
        let mut groups = Vec::new();
        for (index, item) in self.plan.items.iter().enumerate() {
            match (place.get(&(item.step as usize)), item.variants.first()) {
                (Some(column), Some(variant)) => {
                    if let Some(row) = rows.get_mut(*variant as usize) {
                        row[*column] = Some(index);
                    }
                }
                _ => groups.push(index),
            }
        }
        Arrangement {
            columns,
            rows,
            groups,
        }
    }

    /// The row of an item; items that the coordinator did not tell of wait.
    pub fn row(&self, index: usize) -> ItemRow {
        self.items.get(index).cloned().unwrap_or_else(|| ItemRow {
            address: self
                .plan
                .items
                .get(index)
                .map(|item| item.address.clone())
                .unwrap_or_default(),
            state: ItemState::Waiting.into(),
            index: index as u32,
            ..ItemRow::default()
        })
    }

    /// The name of an item's step.
    pub fn step_name(&self, index: usize) -> &str {
        self.plan
            .items
            .get(index)
            .and_then(|item| self.plan.steps.get(item.step as usize))
            .map_or("", |step| step.name.as_str())
    }

    /// Which pictures an item's outputs have.
    pub fn wishes(&self, row: &ItemRow) -> Vec<(MadeOutput, PictureWish)> {
        let made = row.outputs.iter();
        made.filter_map(|output| self.wish(output).map(|wish| (output.clone(), wish)))
            .collect()
    }

    fn wish(&self, output: &MadeOutput) -> Option<PictureWish> {
        wish(&output.path, &output.digest, &self.plan.tags)
    }

    /// All pictures that the run's outputs have, each once.
    pub fn all_wishes(&self) -> Vec<PictureWish> {
        let mut seen = std::collections::HashSet::new();
        let wishes = self.items.iter().flat_map(|row| self.wishes(row));
        wishes
            .map(|(_, wish)| wish)
            .filter(|wish| seen.insert(wish.digest.clone()))
            .collect()
    }

    /// Files that hold figures, with their items' indexes.
    pub fn figure_files(&self) -> Vec<(u32, MadeOutput)> {
        self.items
            .iter()
            .flat_map(|row| figure_files_of(row).map(|output| (row.index, output.clone())))
            .collect()
    }

    /// Indexes of failed items, in plan order.
    pub fn failed(&self) -> Vec<usize> {
        let of = |(index, row): (usize, &ItemRow)| (row.state() == ItemState::Failed).then_some(index);
        self.items.iter().enumerate().filter_map(of).collect()
    }

    /// Items that have outputs.
    pub fn finished_well(&self) -> usize {
        self.items
            .iter()
            .filter(|row| state::has_outputs(row.state()))
            .count()
    }
}

/// What an item wrote as JSON, be it in its outputs or although it failed: figures may be in it.
pub fn figure_files_of(row: &ItemRow) -> impl Iterator<Item = &MadeOutput> {
    let written = row.outputs.iter().chain(&row.findings);
    written.filter(|output| output.path.to_lowercase().ends_with(".json"))
}

/// The extension of a path, lower case, with its dot.
pub fn extension_of(path: &str) -> Option<String> {
    let name = path.rsplit('/').next()?;
    name.rfind('.')
        .filter(|at| *at > 0)
        .map(|at| name[at..].to_lowercase())
}

/// Whether such a file becomes a turntable.
pub fn is_mesh(extension: &str) -> bool {
    MESHES.contains(&extension)
}

#[cfg(test)]
pub(crate) mod tests {
    use tidemill_proto::v1::{Item, Output, Step, Variant};

    use super::*;

    /// Two variants with two steps each and one item over all; `b/game` failed.
    pub(crate) fn facts() -> RunFacts {
        let step = |name: &str, each: &str| Step {
            name: name.into(),
            each: each.into(),
            ..Step::default()
        };
        let item = |address: &str, step: u32, variants: &[u32], path: &str| Item {
            address: address.into(),
            step,
            variants: variants.to_vec(),
            outputs: vec![Output {
                name: "out".into(),
                path: path.into(),
                ..Output::default()
            }],
            ..Item::default()
        };
        let plan = Plan {
            manifest: "dock".into(),
            variants: ["a", "b"]
                .map(|name| Variant {
                    name: name.into(),
                    ..Variant::default()
                })
                .into(),
            steps: vec![
                step("game", "variant"),
                step("maps", "variant"),
                step("sheet", "all"),
            ],
            items: vec![
                item("a/game", 0, &[0], "a.glb"),
                item("b/game", 0, &[1], "b.glb"),
                item("a/maps", 1, &[0], "a.png"),
                item("b/maps", 1, &[1], "b.png"),
                item("all/sheet", 2, &[0, 1], "sheet.png"),
            ],
            ..Plan::default()
        };
        let states = [
            ItemState::Done,
            ItemState::Failed,
            ItemState::Reused,
            ItemState::CutOff,
            ItemState::Done,
        ];
        let items = plan
            .items
            .iter()
            .zip(states)
            .enumerate()
            .map(|(index, (item, state))| ItemRow {
                address: item.address.clone(),
                state: state.into(),
                index: index as u32,
                reason: if state == ItemState::Failed {
                    "exit code <3>".into()
                } else {
                    String::new()
                },
                outputs: match state::has_outputs(state) {
                    true => vec![MadeOutput {
                        name: "out".into(),
                        digest: vec![index as u8; 32],
                        size: 9,
                        path: item.outputs[0].path.clone(),
                    }],
                    false => Vec::new(),
                },
                ..ItemRow::default()
            });
        RunFacts {
            items: items.collect(),
            plan,
            ..RunFacts::default()
        }
    }

    #[test]
    fn variants_go_down_steps_across_and_groups_apart() {
        let arranged = facts().arrangement();
        assert_eq!(arranged.columns, [0, 1]);
        assert_eq!(arranged.rows, [vec![Some(0), Some(2)], vec![Some(1), Some(3)]]);
        assert_eq!(arranged.groups, [4]);
    }

    #[test]
    fn only_pictures_that_can_be_drawn_are_wished_for() {
        let facts = facts();
        let wished: Vec<String> = facts
            .all_wishes()
            .into_iter()
            .map(|wish| wish.extension)
            .collect();
        assert_eq!(wished, [".glb", ".png", ".png"]);
        assert_eq!(extension_of("a/.hidden"), None);
        assert_eq!(extension_of("a.b/c.GLB").as_deref(), Some(".glb"));
    }
}
