//! What every record promises.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use proptest::prelude::*;

use super::super::{MAX_ROW_BYTES, MemoryRecord, Op, Record, RecordError, Scan, read_export};
use super::{delete, on_each, put};

#[test]
fn rows_are_written_read_replaced_and_removed() {
    on_each(|record| {
        assert_eq!(record.get(b"a").unwrap(), None);
        record
            .commit(&[put(b"a", b"1"), put(b"b", b""), put(b"a", b"2"), delete(b"c")])
            .unwrap();
        assert_eq!(record.get(b"a").unwrap().unwrap(), b"2", "changes apply in order");
        assert_eq!(record.get(b"b").unwrap().unwrap(), b"", "an empty row is a row");
        record
            .commit(&[delete(b"a"), put(b"a", b"3"), put(b"b", b"4"), delete(b"b")])
            .unwrap();
        assert_eq!(record.scan_prefix(b"").unwrap(), [(b"a".to_vec(), b"3".to_vec())]);
        record.commit(&[]).unwrap();
    });
}

#[test]
fn scans_keep_to_their_prefix_order_limit_and_start() {
    on_each(|record| {
        let keys: [&[u8]; 7] = [
            b"a",
            b"i\x00",
            b"i\x00\x01",
            b"i\x01",
            b"i\xff",
            b"i\xff\xff",
            b"j",
        ];
        let ops: Vec<Op> = keys.iter().map(|key| put(key, key)).collect();
        record.commit(&ops).unwrap();
        let keys_of = |scan: Scan| -> Vec<Vec<u8>> {
            record
                .scan(&scan)
                .unwrap()
                .into_iter()
                .map(|(key, _)| key)
                .collect()
        };
        assert_eq!(keys_of(Scan::of("i")), &keys[1..6]);
        assert_eq!(keys_of(Scan::of("i").limit(2)), &keys[1..3]);
        assert_eq!(keys_of(Scan::of("i").reverse().limit(2)), [keys[5], keys[4]]);
        assert_eq!(keys_of(Scan::of("i").after("i\0")), &keys[2..6]);
        assert_eq!(keys_of(Scan::of("i").after("a")), &keys[1..6]);
        assert_eq!(keys_of(Scan::of("i").after("j")), Vec::<Vec<u8>>::new());
        assert_eq!(
            keys_of(Scan::of("i").reverse().after("i\x01")),
            [keys[2], keys[1]]
        );
        assert_eq!(keys_of(Scan::of("i").reverse().after("a")), Vec::<Vec<u8>>::new());
        assert_eq!(keys_of(Scan::of("i").reverse().after("z")).len(), 5);
        assert_eq!(keys_of(Scan::of(*b"i\xff")), &keys[4..6]);
        assert_eq!(keys_of(Scan::of([])).len(), 7);
        assert_eq!(keys_of(Scan::of([]).limit(0)).len(), 0);
        let mut seen = 0;
        record
            .visit(&Scan::of("i"), &mut |_, _| {
                seen += 1;
                if seen == 3 {
                    ControlFlow::Break(())
                } else {
                    ControlFlow::Continue(())
                }
            })
            .unwrap();
        assert_eq!(seen, 3);
    });
}

#[test]
fn a_row_that_is_too_long_refuses_the_whole_commit() {
    on_each(|record| {
        record
            .commit(&[put(b"key", &vec![1; MAX_ROW_BYTES - 3])])
            .unwrap();
        let error = record
            .commit(&[put(b"other", b"x"), put(b"key", &vec![1; MAX_ROW_BYTES - 2])])
            .unwrap_err();
        assert!(matches!(error, RecordError::RowTooLong { bytes, .. } if bytes == MAX_ROW_BYTES + 1));
        assert!(error.to_string().contains("key"), "{error}");
        assert_eq!(record.get(b"other").unwrap(), None);
        record.commit(&[put(b"other", b"x")]).unwrap();
    });
}

#[test]
fn an_export_holds_every_row_and_a_cut_one_is_refused() {
    on_each(|record| {
        let ops: Vec<Op> = (0..1200_u32)
            .map(|n| put(&n.to_be_bytes(), &vec![7; n as usize % 300]))
            .collect();
        record.commit(&ops).unwrap();
        let mut bytes = Vec::new();
        assert_eq!(record.export(&mut bytes).unwrap(), 1200);
        let copy = MemoryRecord::default();
        assert_eq!(
            read_export(&mut bytes.as_slice(), &mut |group| copy.commit(&group)).unwrap(),
            1200
        );
        assert_eq!(copy.scan_prefix(b"").unwrap(), record.scan_prefix(b"").unwrap());
        for cut in [0, 5, 30, bytes.len() / 2, bytes.len() - 1] {
            assert!(
                read_export(&mut &bytes[..cut], &mut |_| Ok(())).is_err(),
                "cut at {cut}"
            );
        }
        bytes[0] ^= 1;
        assert!(read_export(&mut bytes.as_slice(), &mut |_| Ok(())).is_err());
    });
}

#[derive(Debug, Clone)]
enum Step {
    Commit(Vec<(Vec<u8>, Option<Vec<u8>>)>),
    Scan {
        prefix: Vec<u8>,
        after: Option<Vec<u8>>,
        reverse: bool,
        limit: usize,
    },
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    // Few different bytes, at the borders where prefixes end.
    let key = || prop::collection::vec(prop::sample::select(vec![0_u8, 1, 254, 255]), 0..4);
    let value = prop::option::of(prop::collection::vec(any::<u8>(), 0..20));
    let commit = prop::collection::vec((key().prop_map(|key| [&[9], &*key].concat()), value), 0..6);
    let scan = (key(), prop::option::of(key()), any::<bool>(), 0..10_usize);
    let scan = scan.prop_map(|(prefix, after, reverse, limit)| Step::Scan {
        prefix: [&[9], &*prefix].concat(),
        after: after.map(|after| [&[9], &*after].concat()),
        reverse,
        limit,
    });
    prop::collection::vec(prop_oneof![commit.prop_map(Step::Commit), scan], 1..30)
}

fn play(record: &dyn Record, steps: &[Step]) {
    let mut model: BTreeMap<Vec<u8>, Vec<u8>> = BTreeMap::new();
    for step in steps {
        match step {
            Step::Commit(changes) => {
                let ops: Vec<Op> = changes
                    .iter()
                    .map(|(key, value)| {
                        value
                            .as_ref()
                            .map_or_else(|| delete(key), |value| put(key, value))
                    })
                    .collect();
                record.commit(&ops).unwrap();
                for (key, value) in changes.clone() {
                    match value {
                        Some(value) => drop(model.insert(key, value)),
                        None => drop(model.remove(&key)),
                    }
                }
            }
            Step::Scan {
                prefix,
                after,
                reverse,
                limit,
            } => {
                let mut expected: Vec<_> = model
                    .iter()
                    .filter(|(key, _)| key.starts_with(prefix))
                    .map(|(k, v)| (k.clone(), v.clone()))
                    .collect();
                if *reverse {
                    expected.reverse();
                }
                expected.retain(|(key, _)| match after {
                    None => true,
                    Some(after) if *reverse => key < after,
                    Some(after) => key > after,
                });
                expected.truncate(*limit);
                let mut scan = Scan::of(prefix.clone()).limit(*limit);
                if let Some(after) = after {
                    scan = scan.after(after.clone());
                }
                if *reverse {
                    scan = scan.reverse();
                }
                assert_eq!(record.scan(&scan).unwrap(), expected, "{scan:?}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn every_record_does_what_a_map_does(steps in steps()) {
        on_each(|record| play(record, &steps));
    }
}
