//! Bytes over the wire: larger than any message, checked on both ways.

#![allow(clippy::unwrap_used)]

mod support;

use support::Studio;
use tidemill_proto::v1::{BlobChunk, BlobHeader, BlobRequest, DigestList, WholeBlob, WholeBlobs, blob_chunk};
use tidemill_proto::{Digest, MAX_MESSAGE_BYTES, packing};
use tonic::Code;

fn chunks(announced: Digest, size: usize, pieces: &[&[u8]]) -> Vec<BlobChunk> {
    let header = BlobHeader {
        digest: announced.to_vec(),
        size: size as u64,
        offset: 0,
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

fn part(digest: Digest, size: u64, offset: usize, data: &[u8], packed: bool) -> Vec<BlobChunk> {
    let header = BlobHeader {
        digest: digest.to_vec(),
        size,
        offset: offset as u64,
    };
    let header = BlobChunk {
        part: Some(blob_chunk::Part::Header(header)),
    };
    let data = data
        .chunks(1000)
        .map(|piece| packing::chunk(piece.to_vec().into(), packed));
    std::iter::once(header).chain(data).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn parts_arrive_in_any_order_and_become_the_blob_only_under_its_own_name() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let bytes = b"oak plank, pine plank; ".repeat(2000);
    let digest = Digest::of(&bytes);
    let size = bytes.len() as u64;
    let header = BlobHeader {
        digest: digest.to_vec(),
        size,
        offset: 0,
    };
    let lacking = async |client: &mut support::Client| {
        let answer = client.blobs.lacking(header.clone()).await.unwrap().into_inner();
        let ranges = answer.ranges.into_iter();
        ranges
            .map(|range| (range.offset, range.length))
            .collect::<Vec<_>>()
    };
    assert_eq!(lacking(&mut client).await, [(0, size)]);
    for (from, to, packed) in [(40_000, bytes.len(), true), (10_000, 30_000, false)] {
        let part = part(digest, size, from, &bytes[from..to], packed);
        client.blobs.put_part(tokio_stream::iter(part)).await.unwrap();
    }
    assert_eq!(lacking(&mut client).await, [(0, 10_000), (30_000, 10_000)]);
    // Beyond the end, and wrong bytes in the rest: refused, and all of it begins anew.
    let beyond = part(digest, size, bytes.len() - 1, b"xx", false);
    let refused = client
        .blobs
        .put_part(tokio_stream::iter(beyond))
        .await
        .unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument, "{refused}");
    assert_eq!(lacking(&mut client).await, [(0, size)]);
    let wrong = part(digest, size, 0, &vec![b'x'; bytes.len()], false);
    let refused = client
        .blobs
        .put_part(tokio_stream::iter(wrong))
        .await
        .unwrap_err();
    assert_eq!(refused.code(), Code::DataLoss, "{refused}");
    assert_eq!(lacking(&mut client).await, [(0, size)]);
    let right = part(digest, size, 0, &bytes, true);
    client.blobs.put_part(tokio_stream::iter(right)).await.unwrap();
    assert_eq!(lacking(&mut client).await, []);
    commit_to_store(&studio, digest);
    // A part of it, plain and packed.
    for packed in [false, true] {
        let request = BlobRequest {
            digest: digest.to_vec(),
            offset: 1000,
            length: 20_000,
            packed,
        };
        let mut chunks = client.blobs.get(request).await.unwrap().into_inner();
        let (mut found, mut travelled) = (Vec::new(), 0);
        while let Some(chunk) = chunks.message().await.unwrap() {
            match chunk.part.unwrap() {
                blob_chunk::Part::Header(header) => assert_eq!((header.size, header.offset), (size, 1000)),
                blob_chunk::Part::Data(data) => {
                    travelled += data.len();
                    found.extend(data);
                }
                blob_chunk::Part::Packed(data) => {
                    travelled += data.len();
                    found.extend(packing::unpack(&data).unwrap());
                }
            }
        }
        assert_eq!(found, bytes[1000..21_000]);
        assert_eq!(travelled < 2000, packed, "{travelled}");
    }
    studio.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_damaged_blob_gives_no_part_and_is_set_aside() {
    let studio = Studio::embedded().await;
    let mut client = studio.client().await;
    let digest = client.put(&b"hawser ".repeat(10_000)).await;
    commit_to_store(&studio, digest);
    let name = digest.to_string();
    let file = studio
        .folder
        .path()
        .join("store/blobs")
        .join(&name[..2])
        .join(&name);
    std::fs::remove_file(&file).unwrap();
    std::fs::write(&file, b"hawses ".repeat(10_000)).unwrap();
    let request = BlobRequest {
        digest: digest.to_vec(),
        offset: 7,
        length: 7,
        packed: false,
    };
    let refused = client.blobs.get(request).await.unwrap_err();
    assert_eq!(refused.code(), Code::DataLoss, "{refused}");
    assert!(!file.exists());
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
