//! Names agree with the official BLAKE3 test vectors, through every way in and out.
//!
//! `data/blake3_vectors.tsv`: the `hash` column of `test_vectors/test_vectors.json` in the BLAKE3 project's
//! repository (CC0), first 32 bytes. The input of a vector is the bytes 0, 1, …, 250, 0, 1, … .
#![allow(clippy::unwrap_used)] // a test that panics has failed, as it should

mod common;

use std::io::{Cursor, Read, Write};
use std::path::Path;

use tidemill_store::{Digest, ExportMode, Store};

fn vectors() -> Vec<(Vec<u8>, Digest)> {
    let text = include_str!("data/blake3_vectors.tsv");
    let rows = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|line| {
        let mut columns = line.split('\t');
        let length: usize = columns.next().unwrap().parse().unwrap();
        let digest = columns.next().unwrap().parse().unwrap();
        ((0..length).map(|i| (i % 251) as u8).collect(), digest)
    })
    .collect()
}

/// Gives at most `piece` bytes a read.
struct Pieces<'a> {
    bytes: &'a [u8],
    piece: usize,
}

impl Read for Pieces<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let count = self.piece.min(self.bytes.len()).min(into.len());
        into[..count].copy_from_slice(&self.bytes[..count]);
        self.bytes = &self.bytes[count..];
        Ok(count)
    }
}

fn check_round_trip(store: &Store, digest: &Digest, bytes: &[u8], folder: &Path) {
    assert_eq!(store.commit(&[*digest]).unwrap().missing, []);
    assert_eq!(
        std::fs::read(common::blob_path(store.root(), digest)).unwrap(),
        bytes
    );
    assert_eq!(store.read_blob(digest).unwrap(), bytes);
    let target = folder.join("out.bin");
    store.export(digest, &target, ExportMode::Fast).unwrap();
    assert_eq!(std::fs::read(target).unwrap(), bytes);
}

#[test]
fn official_vectors_in_pieces_of_every_awkward_size() {
    let vectors = vectors();
    assert!(vectors.len() >= 35, "only {} vectors", vectors.len());
    for piece in [1, 63, 64, 65, 1023] {
        let (folder, store) = common::temporary();
        for (bytes, name) in &vectors {
            let mut incoming = store.incoming().unwrap();
            for part in bytes.chunks(piece) {
                incoming.write_all(part).unwrap();
            }
            assert_eq!(
                incoming.finish(Some(*name)).unwrap().digest,
                *name,
                "{} bytes by {piece}",
                bytes.len()
            );
            check_round_trip(&store, name, bytes, folder.path());
        }
        let (folder, store) = common::temporary();
        for (bytes, name) in &vectors {
            let staged = store
                .stage_reader(&mut Pieces { bytes, piece }, Path::new("pieces"))
                .unwrap();
            assert_eq!((staged.digest, staged.size), (*name, bytes.len() as u64));
            check_round_trip(&store, name, bytes, folder.path());
        }
    }
}

#[test]
fn official_vectors_whole_and_as_files() {
    for way in 0..3 {
        let (folder, store) = common::temporary();
        for (bytes, name) in vectors() {
            let path = folder.path().join("made.bin");
            std::fs::write(&path, &bytes).unwrap();
            let staged = match way {
                0 => store.stage_bytes(&bytes),
                1 => store.stage_file(&path),
                _ => store.stage_by_rename(&path),
            };
            assert_eq!(staged.unwrap().digest, name);
            assert_eq!(path.exists(), way != 2, "only a move takes the file away");
            check_round_trip(&store, &name, &bytes, folder.path());
        }
    }
}

#[test]
fn a_wrong_announcement_is_refused_and_leaves_nothing() {
    let (_folder, store) = common::temporary();
    let mut incoming = store.incoming().unwrap();
    incoming.add(b"capstan").unwrap();
    let error = incoming.finish(Some(Digest::of(b"bollard"))).unwrap_err();
    assert!(
        error.to_string().contains(&Digest::of(b"bollard").to_string()),
        "{error}"
    );
    drop(store.incoming().unwrap());
    assert_eq!(
        common::names_in(&store.root().join("incoming")),
        Vec::<String>::new()
    );
}

#[test]
fn reading_goes_on_from_an_offset_and_still_checks_the_whole() {
    let (_folder, store) = common::temporary();
    let bytes = common::noise(5, 700_000);
    let digest = store
        .stage_reader(&mut Cursor::new(&bytes), Path::new("noise"))
        .unwrap()
        .digest;
    store.commit(&[digest]).unwrap();
    for offset in [0, 1, 262_143, 262_144, 699_999, 700_000, 900_000] {
        let mut rest = Vec::new();
        store
            .open_blob_at(&digest, offset)
            .unwrap()
            .read_to_end(&mut rest)
            .unwrap();
        assert_eq!(rest, bytes[(offset as usize).min(bytes.len())..], "from {offset}");
    }
    common::damage(&common::blob_path(store.root(), &digest), |bytes| bytes[3] ^= 1);
    let outcome = store
        .open_blob_at(&digest, 600_000)
        .unwrap()
        .read_to_end(&mut Vec::new());
    assert!(outcome.is_err(), "damage before the offset is noticed as well");
}
