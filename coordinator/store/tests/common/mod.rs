//! What several tests of the store share.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should
#![allow(dead_code)] // every test file uses a part of it

use std::path::{Path, PathBuf};

use tidemill_store::{Digest, Store};

/// A store that goes away with the test.
pub fn temporary() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_owner(&folder.path().join("store")).unwrap();
    (folder, store)
}

/// Where a blob lies, by the documented layout.
pub fn blob_path(root: &Path, digest: &Digest) -> PathBuf {
    let hex = digest.to_string();
    root.join("blobs").join(&hex[..2]).join(hex)
}

/// Changes a stored blob behind the store's back.
pub fn damage(path: &Path, change: impl FnOnce(&mut Vec<u8>)) {
    let mut bytes = std::fs::read(path).unwrap();
    change(&mut bytes);
    std::fs::remove_file(path).unwrap();
    std::fs::write(path, bytes).unwrap();
}

/// Names of what lies in one part of the store.
pub fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// Bytes that look like nothing, the same for the same seed (xorshift64*, constants from memory).
pub fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    (0..length)
        .map(|_| {
            state ^= state >> 12;
            state ^= state << 25;
            state ^= state >> 27;
            (state.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 56) as u8
        })
        .collect()
}
