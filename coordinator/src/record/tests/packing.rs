//! Long rows go to the store and come back; keys keep their order.

use proptest::prelude::*;
use tidemill_proto::{Digest, Key, RunName};
use tidemill_store::Store;

use super::super::rows::{ItemRecord, OutputRecord, ResultRecord, cut_line, cut_tail};
use super::super::{MAX_ROW_BYTES, MemoryRecord, Op, Record, keys, pack};

#[test]
fn a_long_row_is_kept_as_a_blob_and_a_short_one_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_owner(folder.path()).unwrap();
    let record = MemoryRecord::default();
    let key = keys::result(&Key(Digest::of(b"key")));
    let mut in_store = 0;
    for outputs in [0, 1, 50, 85, 90, 95, 100, 1000] {
        let outputs = (0..outputs).map(|n| OutputRecord {
            name: format!("{n}"),
            digest: vec![7; 32],
            ..Default::default()
        });
        let result = ResultRecord {
            outputs: outputs.collect(),
            attempt: 3,
            ..Default::default()
        };
        let packed = pack::put(key.clone(), &result, &store).unwrap();
        if let Some(digest) = packed.blob {
            assert_eq!(store.commit(&[digest]).unwrap().missing, []);
            in_store += 1;
        }
        record.commit(&[packed.op]).unwrap();
        let value = record.get(&key).unwrap().unwrap();
        assert!(key.len() + value.len() <= MAX_ROW_BYTES);
        assert_eq!(pack::read::<ResultRecord>(&key, &value, &store).unwrap(), result);
    }
    assert!((1..8).contains(&in_store), "{in_store}");
    let Op::Put { value, .. } = pack::put_short(
        key.clone(),
        &ItemRecord {
            charged: 2,
            ..Default::default()
        },
    ) else {
        panic!("put_short puts")
    };
    assert_eq!(pack::read::<ItemRecord>(&key, &value, &store).unwrap().charged, 2);
    for damaged in [
        &b""[..],
        &[0, 0xff],
        &[1, 2, 3],
        &[9],
        &[[1].as_slice(), &[5; 32]].concat(),
    ] {
        let error = pack::read::<ItemRecord>(&key, damaged, &store).unwrap_err();
        assert!(error.to_string().contains("row k"), "{error}");
    }
}

#[test]
fn texts_are_cut_between_characters() {
    assert_eq!(cut_tail("short", 10), "short");
    assert_eq!(cut_tail("first line\nlast line\n", 15), "last line\n");
    assert_eq!(cut_tail("one line without an end", 8), "t an end");
    assert_eq!(cut_tail("ääää", 3), "ä");
    assert_eq!(cut_line("short", 10), "short");
    assert_eq!(cut_line("ääää", 6), "ä…");
    assert!(cut_line(&"ä".repeat(1000), 512).len() <= 512);
}

#[test]
fn a_manifest_does_not_see_the_runs_of_another() {
    let record = MemoryRecord::default();
    let run = |text: &str| text.parse::<RunName>().unwrap();
    for name in ["dock.1", "dock.300", "dock.2", "dock-2.1", "dock.x.1"] {
        record
            .commit(&[Op::Put {
                key: keys::run_name(&run(name)),
                value: name.into(),
            }])
            .unwrap();
    }
    let names: Vec<Vec<u8>> = record
        .scan_prefix(&keys::run_names("dock"))
        .unwrap()
        .into_iter()
        .map(|row| row.1)
        .collect();
    assert_eq!(names, [&b"dock.1"[..], b"dock.2", b"dock.300"]);
}

proptest! {
    #[test]
    fn keys_are_ordered_as_their_numbers(a: (u64, u32), b: (u64, u32)) {
        let (key_a, key_b) = (keys::item(a.0, a.1), keys::item(b.0, b.1));
        prop_assert_eq!(a.cmp(&b), key_a.cmp(&key_b));
        prop_assert_eq!(keys::read_item(&key_a), Some(a));
        prop_assert!(key_a.starts_with(&keys::items(a.0)));
        prop_assert_eq!(keys::read_run(&keys::run(a.0)), Some(a.0));
        prop_assert_eq!(keys::read_item(&keys::run(a.0)), None);
    }
}
