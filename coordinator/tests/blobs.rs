//! Bytes over the wire: larger than any message, checked on both ways.

#![allow(clippy::unwrap_used)]

mod support;

use support::Studio;
use tidemill_proto::v1::{BlobChunk, BlobHeader, DigestList, WholeBlob, WholeBlobs, blob_chunk};
use tidemill_proto::{Digest, MAX_MESSAGE_BYTES};
use tonic::Code;

fn chunks(announced: Digest, size: usize, pieces: &[&[u8]]) -> Vec<BlobChunk> {
    let header = BlobHeader {
        digest: announced.to_vec(),
        size: size as u64,
    };
    let mut chunks = vec![BlobChunk {
        part: Some(blob_chunk::Part::Header(header)),
    }];
    chunks.extend(pieces.iter().map(|piece| BlobChunk {
        part: Some(blob_chunk::Part::Data(piece.to_vec().into())),
    }));
    chunks
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_blob_larger_than_a_message_passes_in_chunks_and_from_any_offset() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let bytes: Vec<u8> = (0..MAX_MESSAGE_BYTES as u32 / 4 + 5)
        .flat_map(u32::to_le_bytes)
        .collect();
    assert!(bytes.len() > MAX_MESSAGE_BYTES);
    let digest = Digest::of(&bytes);
    let pieces: Vec<&[u8]> = bytes.chunks(tidemill_proto::CHUNK_BYTES).collect();
    let put = client
        .blobs
        .put(tokio_stream::iter(chunks(digest, bytes.len(), &pieces)))
        .await
        .unwrap();
    assert_eq!(put.into_inner().size, bytes.len() as u64);
    let asked = DigestList {
        digests: vec![digest.to_vec(), Digest::of(b"nowhere").to_vec()],
    };
    let missing = client.blobs.missing(asked).await.unwrap().into_inner();
    assert_eq!(missing.digests, [Digest::of(b"nowhere").to_vec()]);
    // Staged is not stored: it can be read once a submission or a result has named it.
    commit_to_store(&studio, digest);
    assert!(client.get(digest.as_bytes(), 0).await.unwrap() == bytes);
    let offset = bytes.len() - 3;
    assert_eq!(
        client.get(digest.as_bytes(), offset as u64).await.unwrap(),
        bytes[offset..]
    );
    assert_eq!(
        client.get(digest.as_bytes(), bytes.len() as u64).await.unwrap(),
        b""
    );
    assert_eq!(
        client.get(digest.as_bytes(), bytes.len() as u64 + 1).await,
        Err(Code::OutOfRange)
    );
    assert_eq!(
        client.get(Digest::of(b"nowhere").as_bytes(), 0).await,
        Err(Code::NotFound)
    );
    assert_eq!(client.get(b"short", 0).await, Err(Code::InvalidArgument));
    studio.close().await;
}

/// Commits as the engine would for a submission.
fn commit_to_store(studio: &Studio, digest: Digest) {
    let store = tidemill_store::Store::open_owner(&studio.folder.path().join("store")).unwrap();
    assert!(store.commit(&[digest]).unwrap().missing.is_empty());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bytes_that_are_not_what_was_announced_are_refused_and_leave_nothing() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let digest = Digest::of(b"planks");
    for (size, pieces) in [
        (6, &[b"planks".as_slice(), b"!"] as &[&[u8]]), // longer
        (6, &[b"plan"]),                                // shorter
        (6, &[b"plonks"]),                              // other bytes
    ] {
        let refused = client
            .blobs
            .put(tokio_stream::iter(chunks(digest, size, pieces)))
            .await
            .unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{}", refused.message());
    }
    let no_header = chunks(digest, 6, &[b"planks"]).split_off(1);
    let refused = client.blobs.put(tokio_stream::iter(no_header)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    let asked = DigestList {
        digests: vec![digest.to_vec()],
    };
    assert_eq!(
        client
            .blobs
            .missing(asked)
            .await
            .unwrap()
            .into_inner()
            .digests
            .len(),
        1
    );
    assert_eq!(
        std::fs::read_dir(studio.folder.path().join("store/incoming"))
            .unwrap()
            .count(),
        0
    );
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_many_small_blobs_at_once_only_the_misnamed_are_refused() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let blob = |name: &[u8], data: &'static [u8]| WholeBlob {
        digest: Digest::of(name).to_vec(),
        data: data.into(),
    };
    let blobs = vec![
        blob(b"planks", b"planks"),
        blob(b"rope", b"ropes"),
        blob(b"", b""),
    ];
    let refused = client.blobs.put_whole(WholeBlobs { blobs }).await.unwrap();
    assert_eq!(refused.into_inner().digests, [Digest::of(b"rope").to_vec()]);
    let digests = [b"planks".as_slice(), b"rope", b"ropes", b""].map(|name| Digest::of(name).to_vec());
    let asked = DigestList {
        digests: digests.to_vec(),
    };
    let missing = client.blobs.missing(asked).await.unwrap().into_inner();
    assert_eq!(missing.digests, digests[1..3], "the others were taken");
    commit_to_store(&studio, Digest::of(b"planks"));
    assert_eq!(client.get(&digests[0], 0).await.unwrap(), b"planks");

    let long = WholeBlob {
        digest: digests[0].clone(),
        data: vec![0; tidemill_proto::CHUNK_BYTES + 1].into(),
    };
    let status = client
        .blobs
        .put_whole(WholeBlobs { blobs: vec![long] })
        .await
        .unwrap_err();
    assert_eq!(status.code(), Code::InvalidArgument);
    studio.close().await;
}
