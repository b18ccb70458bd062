//! Opening what an earlier process left behind.

use std::fs;

use super::super::{Op, Record};
use super::{open, put};

fn filled(folder: &std::path::Path) -> Vec<super::super::Row> {
    let record = open(folder);
    for n in 0..300_u32 {
        let ops: Vec<Op> = (0..5_u8)
            .map(|m| put(&[&n.to_be_bytes()[..], &[m]].concat(), &[m; 200]))
            .collect();
        record.commit(&ops).unwrap();
    }
    record.scan_prefix(b"").unwrap()
}

#[test]
fn rows_are_there_after_opening_again() {
    let folder = tempfile::tempdir().unwrap();
    let rows = filled(folder.path());
    assert_eq!(rows.len(), 1500);
    assert_eq!(open(folder.path()).scan_prefix(b"").unwrap(), rows);
    assert!(open(folder.path()).disk_bytes().unwrap() > 100_000);
}

#[test]
fn damaged_and_unfinished_snapshots_cost_no_row() {
    let folder = tempfile::tempdir().unwrap();
    let rows = filled(folder.path());
    let record_folder = folder.path().join("record");
    let snapshots = || -> Vec<_> {
        let entries = fs::read_dir(&record_folder)
            .unwrap()
            .map(|entry| entry.unwrap().path());
        entries
            .filter(|path| path.file_name().unwrap().to_str().unwrap().starts_with("snap."))
            .collect()
    };
    // A name of sled's pattern, so that it is taken for the newest snapshot.
    let planted = record_folder.join("snap.00000000000FFFFF");
    for damage in [
        &b"garbage that is long enough to be read as a snapshot"[..],
        b"",
        &[0; 5000],
    ] {
        for path in snapshots() {
            fs::write(path, damage).unwrap();
        }
        fs::write(&planted, damage).unwrap();
        fs::write(record_folder.join("snap.0000000000000AAA.generating"), damage).unwrap();
        assert_eq!(open(folder.path()).scan_prefix(b"").unwrap(), rows, "{damage:?}");
        assert!(
            snapshots()
                .iter()
                .all(|path| path.extension().is_none_or(|end| end != "generating"))
        );
    }
    let aside = fs::read_dir(folder.path()).unwrap().filter(|entry| {
        entry
            .as_ref()
            .unwrap()
            .file_name()
            .to_str()
            .unwrap()
            .starts_with("record.damaged-")
    });
    assert!(
        aside.count() > 0,
        "damaged snapshots are kept aside, not thrown away"
    );
}
