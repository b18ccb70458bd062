//! Tests of the record: the same for both implementations, then what only one of them can do wrong.

mod committing;
mod kill;
mod packing;
mod sled_only;
mod suite;

use std::path::Path;

use super::{MemoryRecord, Op, Record, SledRecord};

pub(super) fn put(key: &[u8], value: &[u8]) -> Op {
    Op::Put {
        key: key.to_vec(),
        value: value.to_vec(),
    }
}

pub(super) fn delete(key: &[u8]) -> Op {
    Op::Delete { key: key.to_vec() }
}

/// Runs a test on every implementation.
pub(super) fn on_each(test: impl Fn(&dyn Record)) {
    test(&MemoryRecord::default());
    let folder = tempfile::tempdir().unwrap();
    test(&open(folder.path()));
}

pub(super) fn open(folder: &Path) -> SledRecord {
    SledRecord::open(&folder.join("record")).unwrap()
}
