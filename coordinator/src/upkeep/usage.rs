//! What the store holds, by run, step and variant.

use std::collections::HashMap;

use tidemill_proto::Digest;
use tidemill_proto::v1::UsageRow;
use tidemill_proto::v1::usage_row::Of;
use tidemill_store::{StoreError, UsagePart};

use super::needed::{NeedsUnknown, blobs_of_run};
use super::roots::pinned;
use crate::query::archive::{Archive, ArchiveError, name_of};

/// Why it cannot be said.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum UsageError {
    /// A run.
    #[error(transparent)]
    Run(#[from] NeedsUnknown),
    /// The record.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Who needs which blob, each pair once.
#[derive(Default)]
struct Needs {
    names: Vec<String>,
    by_name: HashMap<String, u32>,
    /// Blob, then who.
    pairs: Vec<(u32, u32)>,
}

impl Needs {
    fn who(&mut self, name: &str) -> u32 {
        if let Some(known) = self.by_name.get(name) {
            return *known;
        }
        let number = self.names.len() as u32;
        self.names.push(name.to_owned());
        self.by_name.insert(name.to_owned(), number);
        number
    }

    fn note(&mut self, blob: u32, who: u32) {
        if self.pairs.last() != Some(&(blob, who)) {
            self.pairs.push((blob, who));
        }
    }

    /// One row for each name, in the order of their first mention.
    fn rows(mut self, of: Of, sizes: &[u64]) -> Vec<UsageRow> {
        self.pairs.sort_unstable();
        self.pairs.dedup();
        let mut rows: Vec<UsageRow> = self
            .names
            .into_iter()
            .map(|name| UsageRow {
                of: of as i32,
                name,
                ..UsageRow::default()
            })
            .collect();
        for group in self.pairs.chunk_by(|one, two| one.0 == two.0) {
            for (blob, who) in group {
                let size = sizes[*blob as usize];
                let row = &mut rows[*who as usize];
                row.blobs += 1;
                row.bytes += size;
                if group.len() == 1 {
                    row.alone_bytes += size;
                }
            }
        }
        rows
    }
}

/// All rows: see the contract.
pub fn usage(archive: &Archive) -> Result<Vec<UsageRow>, UsageError> {
    let mut numbers: HashMap<Digest, u32> = HashMap::new();
    let mut sizes = Vec::new();
    for entry in archive.store.iter()? {
        let entry = entry?;
        numbers.insert(entry.digest, sizes.len() as u32);
        sizes.push(entry.size);
    }
    let mut is_needed = vec![false; sizes.len()];
    let (mut runs, mut steps, mut variants) = (Needs::default(), Needs::default(), Needs::default());
    let pinned = pinned(archive)?;
    let mut pinned_names = Vec::new();
    for record in archive.history("", usize::MAX)? {
        let name = name_of(&record).to_string();
        if pinned.contains(&record.serial) {
            pinned_names.push(name.clone());
        }
        let run = runs.who(&name);
        let mut of_items = Vec::new();
        let plan = blobs_of_run(archive, &record, &mut |digest, item| {
            let Some(blob) = numbers.get(&digest) else { return };
            is_needed[*blob as usize] = true;
            runs.note(*blob, run);
            if let Some(item) = item {
                of_items.push((*blob, item));
            }
        })?;
        let whose: Vec<Option<(u32, u32)>> = plan
            .items
            .iter()
            .map(|item| {
                let (subject, step) = item.address.rsplit_once('/')?;
                let step = steps.who(&format!("{}/{step}", record.manifest));
                Some((step, variants.who(&format!("{}/{subject}", record.manifest))))
            })
            .collect();
        for (blob, item) in of_items {
            if let Some(Some((step, variant))) = whose.get(item as usize) {
                steps.note(blob, *step);
                variants.note(blob, *variant);
            }
        }
    }
    let on_disk = archive.store.usage()?;
    let part = |of: Of, part: UsagePart| UsageRow {
        of: of as i32,
        blobs: part.files,
        bytes: part.bytes,
        ..UsageRow::default()
    };
    let mut unneeded = UsagePart::default();
    for (size, needed) in sizes.iter().zip(&is_needed) {
        if !needed {
            unneeded.files += 1;
            unneeded.bytes += size;
        }
    }
    let all = UsagePart {
        files: sizes.len() as u64,
        bytes: sizes.iter().sum(),
    };
    let mut rows = vec![
        part(Of::All, all),
        part(Of::Unneeded, unneeded),
        part(Of::Incoming, on_disk.incoming),
        part(Of::Aside, on_disk.aside),
    ];
    let mut of_runs = runs.rows(Of::Run, &sizes);
    for row in &mut of_runs {
        row.pinned = pinned_names.contains(&row.name);
    }
    rows.extend(of_runs);
    for (needs, of) in [(steps, Of::Step), (variants, Of::Variant)] {
        let mut of_kind = needs.rows(of, &sizes);
        of_kind.sort_by(|one, two| one.name.cmp(&two.name));
        rows.extend(of_kind);
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_two_need_is_alone_with_neither() {
        let mut needs = Needs::default();
        let (one, two) = (needs.who("quay.1"), needs.who("quay.2"));
        for (blob, who) in [(0, one), (1, one), (0, two), (2, two), (0, one), (2, two)] {
            needs.note(blob, who);
        }
        let rows = needs.rows(Of::Run, &[5, 7, 11]);
        let figures: Vec<_> = rows
            .iter()
            .map(|row| (row.name.as_str(), row.blobs, row.bytes, row.alone_bytes))
            .collect();
        assert_eq!(figures, [("quay.1", 2, 12, 7), ("quay.2", 2, 16, 11)]);
    }
}
