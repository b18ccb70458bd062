//! The store against a model: a map of what is stored and a set of what is staged.
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use tidemill_store::{BlobEntry, Digest, Store, StoreError};

/// Few contents, so that the same blob comes again and again.
const CONTENTS: u8 = 6;

#[derive(Debug, Clone)]
enum Step {
    Stage(u8),
    StageByAgent(u8),
    Commit(Vec<u8>),
    Missing(Vec<u8>),
    Read(u8),
    Damage(u8),
    Doom(Vec<u8>),
    RemoveDoomed,
    OpenAnew,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let content = 0..CONTENTS;
    let some = prop::collection::vec(0..CONTENTS, 0..8);
    let step = prop_oneof![
        4 => content.clone().prop_map(Step::Stage),
        2 => content.clone().prop_map(Step::StageByAgent),
        4 => some.clone().prop_map(Step::Commit),
        2 => some.clone().prop_map(Step::Missing),
        2 => some.prop_map(Step::Doom),
        2 => Just(Step::RemoveDoomed),
        3 => content.clone().prop_map(Step::Read),
        1 => content.prop_map(Step::Damage),
        1 => Just(Step::OpenAnew),
    ];
    prop::collection::vec(step, 1..40)
}

fn bytes_of(content: u8) -> Vec<u8> {
    common::noise(u64::from(content), usize::from(content) * 1000)
}

fn digest_of(content: u8) -> Digest {
    Digest::of(&bytes_of(content))
}

/// What ought to be there; `false`: damaged but not yet noticed.
#[derive(Default)]
struct Model {
    stored: BTreeMap<Digest, bool>,
    staged: BTreeSet<Digest>,
    /// Recorded as about to be removed; of these, what no commit has named since.
    recorded: BTreeSet<Digest>,
    doomed: BTreeSet<Digest>,
}

impl Model {
    fn has(&self, digest: &Digest) -> bool {
        self.stored.contains_key(digest) && !self.doomed.contains(digest)
    }

    fn lacks(&self, contents: &[u8]) -> Vec<Digest> {
        let mut lacks = Vec::new();
        for digest in contents.iter().map(|content| digest_of(*content)) {
            let here = self.has(&digest) || self.staged.contains(&digest);
            if !here && !lacks.contains(&digest) {
                lacks.push(digest);
            }
        }
        lacks
    }
}

fn play(steps: Vec<Step>) {
    let (folder, mut store) = common::temporary();
    let root = store.root().to_owned();
    let mut model = Model::default();
    for step in steps {
        match step {
            Step::Stage(content) => {
                assert_eq!(
                    store.stage_bytes(&bytes_of(content)).unwrap().digest,
                    digest_of(content)
                );
                if !model.has(&digest_of(content)) {
                    model.staged.insert(digest_of(content));
                }
            }
            Step::StageByAgent(content) => {
                let path = folder.path().join("made");
                std::fs::write(&path, bytes_of(content)).unwrap();
                let guest = Store::open(&root).unwrap();
                assert_eq!(guest.id(), store.id());
                assert_eq!(guest.stage_by_rename(&path).unwrap().digest, digest_of(content));
                assert!(matches!(
                    guest.commit(&[digest_of(content)]),
                    Err(StoreError::NotOwner { .. })
                ));
                if !model.stored.contains_key(&digest_of(content)) {
                    model.staged.insert(digest_of(content));
                }
            }
            Step::Commit(contents) => {
                let digests: Vec<Digest> = contents.iter().map(|content| digest_of(*content)).collect();
                digests.iter().for_each(|digest| {
                    model.doomed.remove(digest);
                });
                let report = store.commit(&digests).unwrap();
                assert_eq!(report.missing, model.lacks(&contents));
                for digest in digests
                    .into_iter()
                    .filter(|digest| !report.missing.contains(digest))
                {
                    model.staged.remove(&digest);
                    model.stored.entry(digest).or_insert(true);
                }
            }
            Step::Missing(contents) => {
                let digests: Vec<Digest> = contents.iter().map(|content| digest_of(*content)).collect();
                assert_eq!(store.missing(&digests).unwrap(), model.lacks(&contents));
            }
            Step::Read(content) => {
                let digest = digest_of(content);
                match (store.read_blob(&digest), model.stored.get(&digest)) {
                    (Ok(bytes), Some(true)) => assert_eq!(bytes, bytes_of(content)),
                    (Err(StoreError::Absent { .. }), None) => {}
                    (Err(StoreError::Corrupt { aside, .. }), Some(false)) => {
                        assert!(aside.exists());
                        model.stored.remove(&digest);
                        // Copies that several staged are dropped at leisure; whatever is left can be committed.
                        if store.missing(&[digest]).unwrap().is_empty() {
                            model.staged.insert(digest);
                        } else {
                            model.staged.remove(&digest);
                        }
                    }
                    (outcome, expected) => panic!("{outcome:?} where the model has {expected:?}"),
                }
            }
            Step::Damage(content) => {
                let digest = digest_of(content);
                if let Some(sound) = model.stored.get_mut(&digest)
                    && *sound
                {
                    common::damage(&common::blob_path(&root, &digest), |bytes| bytes.push(7));
                    *sound = false;
                }
            }
            Step::Doom(contents) => {
                let digests: Vec<Digest> = contents.iter().map(|content| digest_of(*content)).collect();
                store.doom(&digests, 5).unwrap();
                model.recorded = digests.into_iter().collect();
                model.doomed = model.recorded.clone();
                for digest in &model.recorded {
                    // A copy that an agent staged beside a stored blob counts again.
                    if store.missing(&[*digest]).unwrap().is_empty() {
                        assert!(!store.contains(digest).unwrap());
                        model.staged.insert(*digest);
                    }
                }
            }
            Step::RemoveDoomed => {
                let before = store.usage().unwrap().blobs;
                let mut steps = Vec::new();
                let swept = store.remove_doomed(&mut |swept| steps.push(swept)).unwrap();
                let after = store.usage().unwrap().blobs;
                assert_eq!(
                    (swept.files, swept.bytes),
                    (before.files - after.files, before.bytes - after.bytes)
                );
                let gone = std::mem::take(&mut model.doomed);
                assert_eq!(
                    swept.files,
                    gone.iter()
                        .filter(|digest| model.stored.remove(digest).is_some())
                        .count() as u64
                );
                model.recorded.clear();
                // Copies that several staged are dropped at leisure; whatever is left can be committed.
                for digest in gone {
                    if store.missing(&[digest]).unwrap().is_empty() {
                        model.staged.insert(digest);
                    } else {
                        model.staged.remove(&digest);
                    }
                }
            }
            Step::OpenAnew => {
                drop(store);
                store = Store::open_owner(&root).unwrap();
                // What was staged whole is brought to its end.
                for digest in std::mem::take(&mut model.staged) {
                    model.stored.entry(digest).or_insert(true);
                }
                // What a commit spared is known to whoever recorded why, so that one says it again.
                store.spare(model.recorded.difference(&model.doomed).copied());
            }
        }
        let mut there: Vec<BlobEntry> = store.iter().unwrap().map(Result::unwrap).collect();
        there.sort();
        assert_eq!(
            there.iter().map(|entry| entry.digest).collect::<Vec<_>>(),
            model.stored.keys().copied().collect::<Vec<_>>()
        );
        let usage = store.usage().unwrap();
        assert_eq!(usage.blobs.files, there.len() as u64);
        assert_eq!(
            usage.blobs.bytes,
            there.iter().map(|entry| entry.size).sum::<u64>()
        );
        assert_eq!(usage.aside.files, store.aside().unwrap().len() as u64);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn the_store_does_what_its_model_does(steps in steps()) {
        play(steps);
    }
}
