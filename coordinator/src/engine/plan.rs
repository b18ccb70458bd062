//! A plan as a live run keeps it: items stay encoded and are decoded on demand, so that a waiting item costs
//! little more than its bytes on the wire.

use std::collections::HashSet;

use bytes::Bytes;
use prost::Message;
use tidemill_proto::v1::{Item, Plan, Step, Tag, Tool, item, source};

use super::inputs::is_folder;

/// Why bytes are not a plan that a run can keep.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// Not a protobuf message of the right shape.
    #[error("the plan cannot be read: {0}")]
    Decode(#[from] prost::DecodeError),
    /// An item has no such number.
    #[error("the plan has no item number {0}")]
    NoItem(u32),
    /// The plan contradicts itself.
    #[error("the plan is not sound: {0}")]
    Unsound(String),
}

/// What a live run needs of its plan.
#[derive(Debug)]
pub struct KeptPlan {
    /// `[manifest].name`.
    pub manifest: String,
    /// In topological order.
    pub steps: Vec<Step>,
    /// Sorted by name.
    pub tools: Vec<Tool>,
    /// Name and count, sorted by name.
    pub seats: Vec<(String, u32)>,
    /// In the manifest's order.
    pub tags: Vec<Tag>,
    /// Made with `--draft`.
    pub draft: bool,
    /// `--until STEP`, or empty.
    pub until: String,
    encoded: Bytes,
    starts: Vec<u32>,
    by_address: Vec<u32>,
}

impl KeptPlan {
    /// Keeps `plan`; its items are encoded again one by one, everything that only people need is dropped.
    pub fn new(plan: Plan) -> Result<Self, PlanError> {
        let total: usize = plan.items.iter().map(Message::encoded_len).sum();
        if u32::try_from(total).is_err() {
            return Err(PlanError::Unsound(format!(
                "its items take {total} bytes, more than 4 GiB"
            )));
        }
        let mut encoded = Vec::with_capacity(total);
        let mut starts = Vec::with_capacity(plan.items.len() + 1);
        let count = plan.items.len() as u32;
        // A decoded item takes many times its bytes: each is given up as soon as it is encoded.
        for item in plan.items {
            starts.push(encoded.len() as u32);
            item.encode_raw(&mut encoded);
        }
        starts.push(encoded.len() as u32);
        let mut kept = Self {
            manifest: plan.manifest,
            steps: plan.steps,
            tools: plan.tools,
            seats: plan
                .seats
                .into_iter()
                .map(|seat| (seat.name, seat.count))
                .collect(),
            tags: plan.tags,
            draft: plan.draft,
            until: plan.until,
            encoded: encoded.into(),
            starts,
            by_address: Vec::new(),
        };
        let mut by_address: Vec<u32> = (0..count).collect();
        by_address.sort_unstable_by(|a, b| kept.address(*a).cmp(kept.address(*b)));
        kept.by_address = by_address;
        Ok(kept)
    }

    /// Reads an encoded [`Plan`].
    pub fn decode(bytes: &[u8]) -> Result<Self, PlanError> {
        Self::new(Plan::decode(bytes)?)
    }

    /// How many items it has.
    pub fn len(&self) -> u32 {
        self.by_address.len() as u32
    }

    /// Whether it has no items.
    pub fn is_empty(&self) -> bool {
        self.by_address.is_empty()
    }

    fn bytes_of(&self, index: u32) -> Option<&[u8]> {
        let start = *self.starts.get(index as usize)? as usize;
        let end = *self.starts.get(index as usize + 1)? as usize;
        self.encoded.get(start..end)
    }

    /// Decodes one item.
    pub fn item(&self, index: u32) -> Result<Item, PlanError> {
        Ok(Item::decode(
            self.bytes_of(index).ok_or(PlanError::NoItem(index))?,
        )?)
    }

    /// The address of one item, without decoding the rest: it is the first field that the encoder writes.
    pub fn address(&self, index: u32) -> &str {
        const ADDRESS_FIELD: u8 = 0x0a; // field 1, length-delimited
        let Some((&ADDRESS_FIELD, mut rest)) = self.bytes_of(index).and_then(<[u8]>::split_first) else {
            return "";
        };
        let length = prost::decode_length_delimiter(&mut rest).unwrap_or(0);
        rest.get(..length)
            .and_then(|bytes| std::str::from_utf8(bytes).ok())
            .unwrap_or("")
    }

    /// The number of the item with this address.
    pub fn find(&self, address: &str) -> Option<u32> {
        self.by_address
            .binary_search_by(|index| self.address(*index).cmp(address))
            .ok()
            .map(|position| self.by_address[position])
    }

    /// The step of an item.
    pub fn step_of(&self, item: &Item) -> Option<&Step> {
        self.steps.get(item.step as usize)
    }

    /// Whether an item's step runs over what is there.
    pub fn is_partial(&self, item: &Item) -> bool {
        self.step_of(item).is_some_and(|step| step.partial)
    }
}

/// Numbers of the items that feed `item`, sorted, each once.
pub fn upstream_indexes(item: &Item) -> Vec<u32> {
    let mut indexes: Vec<u32> = item
        .inputs
        .iter()
        .flat_map(|input| &input.sources)
        .filter_map(|source| match source.from.as_ref() {
            Some(source::From::Edge(edge)) => Some(edge.item),
            _ => None,
        })
        .collect();
    indexes.sort_unstable();
    indexes.dedup();
    indexes
}

/// Paths of the project's files among these blobs, each once, as far as the item says which they are: a file, one beside
/// it, or one in a folder.
pub fn files_named(item: &Item, blobs: &[Vec<u8>]) -> Vec<String> {
    let mut named = std::collections::BTreeSet::new();
    let mut unnamed: HashSet<&[u8]> = blobs.iter().map(Vec::as_slice).collect();
    let mut folders = Vec::new();
    let sources = item.inputs.iter().flat_map(|input| &input.sources);
    for source in sources {
        let Some(source::From::File(file)) = source.from.as_ref() else {
            continue;
        };
        if unnamed.remove(file.digest.as_slice()) {
            named.insert(file.path.clone());
        } else if is_folder(file) {
            folders.push(file.path.as_str());
        }
        for companion in &file.companions {
            if unnamed.remove(companion.digest.as_slice()) {
                named.insert(format!("{}, beside {}", companion.name, file.path));
            }
        }
    }
    // What no other item makes, and is no file by itself, lies in a folder.
    if !unnamed.is_empty() && upstream_indexes(item).is_empty() {
        named.extend(folders.iter().map(|folder| format!("a file of {folder}")));
    }
    named.into_iter().collect()
}

/// The tool that `item` runs, if it runs a program.
pub fn tool_of(item: &Item) -> Option<&str> {
    match item.action.as_ref() {
        Some(item::Action::Program(program)) => Some(&program.tool),
        _ => None,
    }
}

/// Names and versions of the operations that `item` uses, each once, sorted.
pub fn operations_of(item: &Item) -> Vec<(String, u32)> {
    let Some(item::Action::Operations(operations)) = item.action.as_ref() else {
        return Vec::new();
    };
    let used: HashSet<(String, u32)> = operations
        .chain
        .iter()
        .map(|operation| (operation.name.clone(), operation.version))
        .collect();
    let mut used: Vec<_> = used.into_iter().collect();
    used.sort_unstable();
    used
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(addresses: &[&str]) -> Plan {
        Plan {
            manifest: "dock".into(),
            items: addresses
                .iter()
                .map(|address| Item {
                    address: (*address).into(),
                    retries: 2,
                    ..Item::default()
                })
                .collect(),
            ..Plan::default()
        }
    }

    #[test]
    fn items_are_found_by_address_and_decode_as_they_were() {
        let long = format!("{}/game", "b".repeat(300));
        let given = plan(&["crate-small/game", "bollard/game", &long]);
        let kept = KeptPlan::new(given.clone()).unwrap();
        for (index, item) in given.items.iter().enumerate() {
            assert_eq!(kept.address(index as u32), item.address);
            assert_eq!(kept.find(&item.address), Some(index as u32));
            assert_eq!(&kept.item(index as u32).unwrap(), item);
        }
        assert_eq!(kept.find("crate-small/sheet"), None);
        assert!(matches!(kept.item(3), Err(PlanError::NoItem(3))));
    }
}
