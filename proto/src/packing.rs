//! Data made smaller for the way with zstd (RFC 8878). A blob's name is always that of its plain bytes.

use bytes::Bytes;

use crate::CHUNK_BYTES;
use crate::v1::{BlobChunk, blob_chunk};

/// Fast enough that a gigabit network stays the slower part.
const LEVEL: i32 = 1;
/// So much of a blob's beginning is tried before the rest is.
const SAMPLE_BYTES: usize = 64 * 1024;
/// Packing pays where at least this share of the sample goes away: one eighth.
const LEAST_GAIN: usize = 8;
/// The first bytes of every PNG file (W3C, PNG specification, 5.2), whose contents are packed already.
const PNG: [u8; 8] = [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n'];

/// Packed data that cannot be unpacked, or to more than a chunk may hold.
#[derive(Debug, Clone, thiserror::Error)]
#[error("packed data that cannot be unpacked: {0}")]
pub struct Unpackable(String);

/// Whether it pays to pack a blob, judged by its first bytes.
pub fn pays(beginning: &[u8]) -> bool {
    if beginning.starts_with(&PNG) {
        return false;
    }
    let sample = &beginning[..beginning.len().min(SAMPLE_BYTES)];
    zstd::bulk::compress(sample, LEVEL)
        .is_ok_and(|packed| packed.len() + sample.len() / LEAST_GAIN <= sample.len())
}

/// A chunk of data for the way, packed if `packed` is wanted and it is smaller so.
pub fn chunk(data: Bytes, packed: bool) -> BlobChunk {
    let smaller = packed
        .then(|| zstd::bulk::compress(&data, LEVEL).ok())
        .flatten()
        .filter(|packed| packed.len() < data.len());
    BlobChunk {
        part: Some(match smaller {
            Some(packed) => blob_chunk::Part::Packed(packed.into()),
            None => blob_chunk::Part::Data(data),
        }),
    }
}

/// The plain bytes of packed data.
///
/// # Errors
/// When it is no zstd frame, or unpacks to more than [`CHUNK_BYTES`].
pub fn unpack(packed: &[u8]) -> Result<Bytes, Unpackable> {
    zstd::bulk::decompress(packed, CHUNK_BYTES)
        .map(Bytes::from)
        .map_err(|error| Unpackable(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(length: usize) -> Vec<u8> {
        let mut state = 1_u64;
        let mut next = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 56) as u8
        };
        (0..length).map(|_| next()).collect()
    }

    #[test]
    fn packing_pays_for_text_and_not_for_noise_nor_for_any_png() {
        let text = "v 0.125 0.5 0.25\n".repeat(1000);
        assert!(pays(text.as_bytes()));
        assert!(!pays(&noise(10_000)));
        let mut png = PNG.to_vec();
        png.extend(text.as_bytes());
        assert!(!pays(&png), "whatever follows");
        assert!(!pays(b""));
    }

    #[test]
    fn what_was_packed_comes_back_and_noise_goes_plain() {
        let text = Bytes::from("plank ".repeat(5000));
        let Some(blob_chunk::Part::Packed(packed)) = chunk(text.clone(), true).part else {
            panic!("not packed");
        };
        assert!(packed.len() < text.len() / 10);
        assert_eq!(unpack(&packed).unwrap(), text);
        let plain = |part| matches!(part, Some(blob_chunk::Part::Data(_)));
        assert!(plain(chunk(text, false).part));
        assert!(plain(chunk(noise(5000).into(), true).part));
    }

    #[test]
    fn a_frame_that_unpacks_to_more_than_a_chunk_is_refused() {
        let bomb = zstd::bulk::compress(&vec![0; CHUNK_BYTES + 1], LEVEL).unwrap();
        assert!(unpack(&bomb).is_err());
        assert!(unpack(b"no frame at all").is_err());
        let most = zstd::bulk::compress(&vec![0; CHUNK_BYTES], LEVEL).unwrap();
        assert_eq!(unpack(&most).unwrap().len(), CHUNK_BYTES);
    }
}
