//! Many writers, readers and committers at once.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::sync::Barrier;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

use tidemill_store::{Digest, Store};

#[test]
fn writers_of_one_blob_do_not_disturb_each_other() {
    const WRITERS: usize = 8;
    let (folder, store) = common::temporary();
    for round in 0..30 {
        let bytes = common::noise(round, 50_000);
        let digest = Digest::of(&bytes);
        let start = Barrier::new(WRITERS);
        thread::scope(|scope| {
            for writer in 0..WRITERS {
                let (store, bytes, start, folder) = (&store, &bytes, &start, folder.path());
                scope.spawn(move || {
                    start.wait();
                    if writer % 2 == 0 {
                        store.stage_bytes(bytes).unwrap();
                    } else {
                        let path = folder.join(format!("made-{writer}"));
                        std::fs::write(&path, bytes).unwrap();
                        Store::open(store.root()).unwrap().stage_by_rename(&path).unwrap();
                    }
                    assert_eq!(store.commit(&[digest]).unwrap().missing, []);
                    assert_eq!(store.read_blob(&digest).unwrap(), *bytes);
                });
            }
        });
    }
    assert_eq!(store.usage().unwrap().blobs.files, 30);
    for entry in store.iter().unwrap() {
        store.verify(&entry.unwrap().digest).unwrap();
    }
}

#[test]
fn groups_of_two_committers_and_readers_in_between() {
    const EACH: u64 = 400;
    let (_folder, store) = common::temporary();
    let ended = AtomicBool::new(false);
    thread::scope(|scope| {
        let writers: Vec<_> = (0..2)
            .map(|writer| {
                let store = &store;
                scope.spawn(move || {
                    let mut group = Vec::new();
                    for number in 0..EACH {
                        // Every third blob is made by both.
                        let seed = if number % 3 == 0 {
                            number
                        } else {
                            number + writer * 10_000
                        };
                        group.push(store.stage_bytes(&common::noise(seed, 100)).unwrap().digest);
                        if group.len() == 25 {
                            assert_eq!(store.commit(&group).unwrap().missing, []);
                            group.clear();
                        }
                    }
                })
            })
            .collect();
        scope.spawn(|| {
            while !ended.load(Ordering::Relaxed) {
                for entry in store.iter().unwrap() {
                    store.verify(&entry.unwrap().digest).unwrap();
                }
            }
        });
        writers.into_iter().for_each(|writer| writer.join().unwrap());
        ended.store(true, Ordering::Relaxed);
    });
    let shared = EACH.div_ceil(3);
    assert_eq!(store.usage().unwrap().blobs.files, 2 * EACH - shared);
}

/// Two agents made the same bytes at once; the commit takes one file and removes the other.
#[test]
fn equal_bytes_staged_by_several_guests_leave_nothing_behind() {
    let (_folder, store) = common::temporary();
    let guests: Vec<Store> = (0..3).map(|_| Store::open(store.root()).unwrap()).collect();
    let staged: Vec<Digest> = guests
        .iter()
        .map(|guest| guest.stage_bytes(b"bollard").unwrap().digest)
        .collect();
    let digest = staged[0];
    let incoming = store.root().join("incoming");
    assert_eq!(common::names_in(&incoming).len(), 3);
    assert_eq!(store.commit(&[digest]).unwrap().committed, 1);
    assert_eq!(common::names_in(&incoming), [""; 0]);

    // One that came later, from an agent that did not see the blob yet, goes at the next tidying.
    std::fs::write(incoming.join(format!("{digest}.late-1")), b"bollard").unwrap();
    let other = guests[0].stage_bytes(b"crate").unwrap().digest;
    assert_eq!(
        store.tidy_staged(Duration::from_secs(60)).unwrap().files,
        0,
        "too young"
    );
    assert_eq!(store.tidy_staged(Duration::ZERO).unwrap().files, 1);
    assert_eq!(common::names_in(&incoming).len(), 1, "what is not stored stays");
    assert_eq!(store.commit(&[other]).unwrap().missing, []);
}

/// Staged files vanish before a commit, as by a hand that tidies up: what is lost is named, and the others are stored.
#[test]
fn a_staged_file_that_vanishes_costs_nobody_else_anything() {
    let (_folder, store) = common::temporary();
    let guest = Store::open(store.root()).unwrap();
    let incoming = store.root().join("incoming");
    for number in 0..12_u64 {
        // Alone and in groups: those are synced in different ways.
        let group: Vec<Digest> = (0..1 + number % 3)
            .map(|part| {
                let writer = if part == 1 { &guest } else { &store };
                writer
                    .stage_bytes(&common::noise(number * 10 + part, 200))
                    .unwrap()
                    .digest
            })
            .collect();
        let lost = group[number as usize / 3 % group.len()];
        for name in common::names_in(&incoming) {
            if name.starts_with(&lost.to_string()) {
                std::fs::remove_file(incoming.join(name)).unwrap();
            }
        }
        assert_eq!(store.commit(&group).unwrap().missing, [lost]);
        for digest in &group {
            assert_eq!(store.contains(digest).unwrap(), *digest != lost);
        }
        assert_eq!(
            store.missing(&group).unwrap(),
            [lost],
            "what is lost can be sent again"
        );
    }
}

/// What a dead owner was writing under a blob's name is not taken for the blob.
#[test]
fn a_staged_file_that_is_there_in_part_is_not_committed() {
    let (_folder, store) = common::temporary();
    let bytes = common::noise(3, 5000);
    let digest = Digest::of(&bytes);
    let incoming = store.root().join("incoming");
    std::fs::write(incoming.join(format!("{digest}.w-dead-1")), &bytes[..1000]).unwrap();
    assert_eq!(store.missing(&[digest]).unwrap(), [digest]);
    std::fs::write(incoming.join(format!("{digest}.w-dead-2")), &bytes[..1000]).unwrap();
    assert_eq!(store.commit(&[digest]).unwrap().missing, [digest]);
    assert_eq!(common::names_in(&incoming), [""; 0]);
    std::fs::write(incoming.join(format!("{digest}.w-dead-3")), &bytes).unwrap();
    assert_eq!(store.commit(&[digest]).unwrap().committed, 1);
    assert_eq!(store.read_blob(&digest).unwrap(), bytes);
}
