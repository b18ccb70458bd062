//! A full disk is told as such, with the path, and leaves nothing half-written. Needs a small file system to
//! fill, so it mounts one in memory; where that is not permitted it says so and checks nothing.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should
#![cfg(target_os = "linux")]

mod common;

use std::path::{Path, PathBuf};
use std::process::Command;

use tidemill_store::{ExportMode, Store, StoreError, Take};

const SIZE_BYTES: usize = 2 * 1024 * 1024;

/// A small file system, unmounted on drop.
struct Small {
    folder: tempfile::TempDir,
}

impl Small {
    fn mount() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let size = format!("size={SIZE_BYTES}");
        let outcome = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &size, "tidemill-test"])
            .arg(folder.path())
            .output();
        match outcome {
            Ok(output) if output.status.success() => Some(Self { folder }),
            other => {
                eprintln!(
                    "NOT CHECKED: a full disk. Mounting a file system is not permitted here: {other:?}"
                );
                None
            }
        }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().to_owned()
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.folder.path()).output();
    }
}

fn assert_full<T: std::fmt::Debug>(outcome: Result<T, StoreError>, below: &Path) {
    match outcome {
        Err(StoreError::Full { path, .. }) => assert!(path.starts_with(below), "{}", path.display()),
        other => panic!("{other:?}"),
    }
}

#[test]
fn staging_onto_a_full_disk_says_so_and_leaves_nothing() {
    let Some(small) = Small::mount() else { return };
    let store = Store::open_owner(&small.path().join("store")).unwrap();
    let mut digests = Vec::new();
    let failed = loop {
        let number = digests.len() as u64;
        assert!(number < 100, "two MiB hold more than ten");
        match store.stage_bytes(&common::noise(number, 200_000)) {
            Ok(staged) => digests.push(staged.digest),
            Err(error) => break Err::<(), _>(error),
        }
    };
    assert_full(failed, store.root());
    assert_full(
        store.stage_reader(&mut &*common::noise(50, SIZE_BYTES), Path::new("noise")),
        store.root(),
    );
    let outside = tempfile::tempdir().unwrap();
    let made = outside.path().join("made");
    std::fs::write(&made, common::noise(51, SIZE_BYTES)).unwrap();
    assert_full(store.stage_by_rename(&made), store.root());
    assert!(made.exists(), "the file that could not be taken is still there");
    let parts = common::names_in(&store.root().join("incoming"))
        .into_iter()
        .filter(|name| name.starts_with("part."));
    assert_eq!(parts.count(), 0);

    // What was staged before can be committed, and with room made it goes on.
    assert_eq!(store.commit(&digests).unwrap().missing, []);
    for digest in &digests {
        store.verify(digest).unwrap();
    }
    std::fs::remove_file(common::blob_path(store.root(), &digests[0])).unwrap();
    store.stage_bytes(&common::noise(52, 100_000)).unwrap();
}

#[test]
fn exporting_onto_a_full_disk_leaves_the_old_file_or_none() {
    let Some(small) = Small::mount() else { return };
    let (_folder, store) = common::temporary();
    let digest = store
        .stage_bytes(&common::noise(60, SIZE_BYTES + 1))
        .unwrap()
        .digest;
    store.commit(&[digest]).unwrap();
    let target = small.path().join("model.glb");
    assert_full(store.export(&digest, &target, ExportMode::Fast), &small.path());
    assert_eq!(common::names_in(&small.path()), Vec::<String>::new());
    std::fs::write(&target, "of yesterday").unwrap();
    assert_full(store.export(&digest, &target, ExportMode::Synced), &small.path());
    assert_eq!(std::fs::read_to_string(&target).unwrap(), "of yesterday");

    let files = tempfile::tempdir().unwrap();
    for number in 0..4 {
        std::fs::write(
            files.path().join(format!("{number}.bin")),
            common::noise(number, SIZE_BYTES / 3),
        )
        .unwrap();
    }
    let tree = store.stage_tree(files.path(), Take::Copy).unwrap();
    store.commit(&tree.digests()).unwrap();
    assert_full(
        store.export_tree(&tree.tree.digest, &small.path().join("tree"), ExportMode::Fast),
        &small.path(),
    );
    assert_eq!(common::names_in(&small.path()), ["model.glb"]);
}
