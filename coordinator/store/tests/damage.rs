//! Damage is noticed on every way out, and damaged blobs leave the store.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::io::Read;
use std::time::Duration;

use tidemill_store::{Digest, ExportMode, Store, StoreError};

/// A way for bytes to leave the store.
type Way = fn(&Store, &Digest, &std::path::Path) -> Result<(), StoreError>;

const WAYS: [(&str, Way); 5] = [
    ("read", |store, digest, _| store.read_blob(digest).map(drop)),
    ("stream", |store, digest, _| {
        let mut reader = store.open_blob(digest)?;
        // As a consumer that knows the size and never asks for the end.
        let mut bytes = vec![0; reader.size() as usize];
        reader
            .read_exact(&mut bytes)
            .map_err(|error| StoreError::from_read(error, *digest))
    }),
    ("verify", |store, digest, _| store.verify(digest).map(drop)),
    ("path", |store, digest, _| store.verified_path(digest).map(drop)),
    ("export", |store, digest, folder| {
        store
            .export(digest, &folder.join("out"), ExportMode::Synced)
            .map(drop)
    }),
];

#[test]
fn one_flipped_bit_is_noticed_on_every_way_out_and_the_blob_can_be_made_again() {
    let bytes = common::noise(1, 300_000);
    for (name, way) in WAYS {
        for position in [0, 150_000, 299_999] {
            let (folder, store) = common::temporary();
            let digest = store.stage_bytes(&bytes).unwrap().digest;
            store.commit(&[digest]).unwrap();
            way(&store, &digest, folder.path()).unwrap();
            std::fs::remove_file(folder.path().join("out")).ok();

            common::damage(&common::blob_path(store.root(), &digest), |bytes| {
                bytes[position] ^= 0x10
            });
            let error = way(&store, &digest, folder.path()).unwrap_err();
            let StoreError::Corrupt { aside, .. } = error else {
                panic!("{name}: {error}")
            };
            assert!(
                aside.starts_with(store.root().join("aside")) && aside.exists(),
                "{name}"
            );
            assert_eq!(store.aside().unwrap()[0].digest, digest);
            assert!(!store.contains(&digest).unwrap());
            assert_eq!(store.missing(&[digest]).unwrap(), [digest]);
            assert_eq!(
                common::names_in(folder.path()),
                ["store"],
                "{name} left something behind"
            );

            store.stage_bytes(&bytes).unwrap();
            assert_eq!(store.commit(&[digest]).unwrap().missing, []);
            assert_eq!(store.read_blob(&digest).unwrap(), bytes);
        }
    }
}

#[test]
fn a_shortened_an_emptied_and_a_grown_blob_are_noticed() {
    type Change = fn(&mut Vec<u8>);
    let changes: [Change; 3] = [|bytes| bytes.truncate(10), Vec::clear, |bytes| bytes.push(0)];
    for change in changes {
        let (_folder, store) = common::temporary();
        let digest = store
            .stage_bytes(b"an iron ring in a timber post")
            .unwrap()
            .digest;
        store.commit(&[digest]).unwrap();
        common::damage(&common::blob_path(store.root(), &digest), change);
        assert!(matches!(store.verify(&digest), Err(StoreError::Corrupt { .. })));
    }
}

#[test]
fn the_last_byte_is_held_back_until_the_whole_has_matched() {
    let (_folder, store) = common::temporary();
    let bytes = common::noise(2, 100_000);
    let digest = store.stage_bytes(&bytes).unwrap().digest;
    store.commit(&[digest]).unwrap();
    common::damage(&common::blob_path(store.root(), &digest), |bytes| bytes[0] ^= 1);
    let mut reader = store.open_blob(&digest).unwrap();
    let mut received = Vec::new();
    let mut piece = [0; 999];
    let error = loop {
        match reader.next_piece(&mut piece) {
            Ok(0) => panic!("the damage was not noticed"),
            Ok(count) => received.extend_from_slice(&piece[..count]),
            Err(error) => break error,
        }
    };
    assert!(received.len() < bytes.len());
    assert!(error.to_string().contains(&digest.to_string()), "{error}");
}

#[test]
fn blobs_and_exports_are_independent() {
    let (folder, store) = common::temporary();
    let digest = store.stage_bytes(b"timber").unwrap().digest;
    store.commit(&[digest]).unwrap();
    let target = folder.path().join("new/folder/model.obj");
    store.export(&digest, &target, ExportMode::Fast).unwrap();
    std::fs::write(&target, b"changed by an artist").unwrap();
    assert_eq!(store.read_blob(&digest).unwrap(), b"timber");
    store.export(&digest, &target, ExportMode::Synced).unwrap();
    assert_eq!(
        std::fs::read(&target).unwrap(),
        b"timber",
        "an export replaces what was there"
    );
    assert!(
        std::fs::metadata(store.verified_path(&digest).unwrap())
            .unwrap()
            .permissions()
            .readonly()
    );
    assert!(!std::fs::metadata(&target).unwrap().permissions().readonly());
    let absent = Digest::of(b"absent");
    assert!(matches!(
        store.export(&absent, &target, ExportMode::Fast),
        Err(StoreError::Absent { .. })
    ));
    assert_eq!(
        std::fs::read(&target).unwrap(),
        b"timber",
        "a failed export changes nothing"
    );
    assert_eq!(common::names_in(target.parent().unwrap()), ["model.obj"]);
}

/// After a power cut a blob that was acknowledged may still lie where it was staged, and one that was not may lie there
/// in part, whoever staged it.
#[test]
fn a_new_owner_brings_to_its_end_what_is_whole_and_removes_what_is_not() {
    let (_folder, store) = common::temporary();
    let root = store.root().to_owned();
    let incoming = root.join("incoming");
    let bytes = common::noise(7, 9000);
    for boot in [false, true] {
        let store = Store::open_owner(&root).unwrap();
        let known = store.stage_bytes(b"known").unwrap().digest;
        store.commit(&[known]).unwrap();
        let whole = store
            .stage_bytes(format!("whole {boot}").as_bytes())
            .unwrap()
            .digest;
        let by_guest = format!("by a guest {boot}");
        let by_guest = Store::open(&root)
            .unwrap()
            .stage_bytes(by_guest.as_bytes())
            .unwrap()
            .digest;
        drop(store);
        let torn = Digest::of(&bytes);
        std::fs::write(incoming.join(format!("{torn}.w-dead-1")), &bytes[..4096]).unwrap();
        std::fs::write(incoming.join(format!("{torn}.dead-2")), b"").unwrap();
        std::fs::write(incoming.join(format!("{known}.dead-3")), b"known").unwrap();
        std::fs::write(incoming.join(format!("{whole}.dead-4")), format!("whole {boot}")).unwrap();
        std::fs::write(incoming.join("part.left-over"), b"half").unwrap();
        if boot {
            std::fs::write(root.join("boot"), "another start of the machine").unwrap();
        }
        let store = Store::open_owner(&root).unwrap();
        assert_eq!(store.missing(&[known, whole, by_guest, torn]).unwrap(), [torn]);
        for digest in [known, whole, by_guest] {
            assert!(store.contains(&digest).unwrap());
            store.verify(&digest).unwrap();
        }
        assert_eq!(store.aside().unwrap(), []);
        let left: &[&str] = if boot || !cfg!(target_os = "linux") {
            &[]
        } else {
            &["part.left-over"]
        };
        assert_eq!(
            common::names_in(&incoming),
            left,
            "agents outlive the owner and may still write"
        );
    }
}

#[test]
fn what_nobody_commits_is_swept() {
    let (_folder, store) = common::temporary();
    store.stage_bytes(b"forgotten").unwrap();
    assert_eq!(store.sweep_incoming(Duration::from_secs(3600)).unwrap().files, 0);
    let swept = store.sweep_incoming(Duration::ZERO).unwrap();
    assert_eq!((swept.files, swept.bytes), (1, 9));
    assert_eq!(
        store.missing(&[Digest::of(b"forgotten")]).unwrap(),
        [Digest::of(b"forgotten")]
    );
}

#[test]
fn folders_that_are_no_store_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let error = Store::open(folder.path()).unwrap_err();
    assert!(error.to_string().contains("store-id"), "{error}");
    std::fs::write(folder.path().join("store-id"), "not a uuid").unwrap();
    assert!(matches!(
        Store::open_owner(folder.path()),
        Err(StoreError::NotAStore { .. })
    ));
}

#[test]
fn a_reader_of_the_damaged_file_does_not_take_away_the_one_made_anew() {
    let (_folder, store) = common::temporary();
    let bytes = common::noise(3, 10_000);
    let digest = store.stage_bytes(&bytes).unwrap().digest;
    store.commit(&[digest]).unwrap();
    common::damage(&common::blob_path(store.root(), &digest), |bytes| bytes[9] ^= 1);
    let mut slow = store.open_blob(&digest).unwrap();
    assert!(store.verify(&digest).is_err());
    store.stage_bytes(&bytes).unwrap();
    store.commit(&[digest]).unwrap();
    assert!(slow.read_to_end(&mut Vec::new()).is_err());
    assert_eq!(store.read_blob(&digest).unwrap(), bytes);
}
