//! Many writers, readers and committers at once.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::sync::Barrier;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

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
