//! The bytes behind a glTF document: the GLB container, embedded buffers, and buffers beside the file.

use std::borrow::Cow;

use super::{ModelFile, ReadError};

/// Largest buffer file that is read, in bytes: the container format itself ends at 4 GiB.
const MOST_BUFFER_BYTES: u64 = u32::MAX as u64;

/// A glTF file, taken apart.
pub(super) struct Container<'a> {
    pub json: &'a [u8],
    pub binary: Option<&'a [u8]>,
}

const GLB_MAGIC: &[u8] = b"glTF";
const CHUNK_JSON: u32 = 0x4E4F_534A;
const CHUNK_BIN: u32 = 0x004E_4942;

/// Splits GLB into its chunks; anything else is taken as JSON. Layout: glTF 2.0 specification, "GLB File Format".
pub(super) fn open(bytes: &[u8]) -> Result<Container<'_>, ReadError> {
    if !bytes.starts_with(GLB_MAGIC) {
        return Ok(Container {
            json: bytes,
            binary: None,
        });
    }
    let version = word(bytes, 4)?;
    if version != 2 {
        return Err(ReadError::offset(
            4,
            format!("GLB version {version}; only version 2 can be read"),
        ));
    }
    let declared = word(bytes, 8)? as usize;
    if declared > bytes.len() {
        let problem = format!(
            "the file says it has {declared} bytes, but it ends at {}; it was cut short",
            bytes.len()
        );
        return Err(ReadError::offset(8, problem));
    }
    let bytes = &bytes[..declared];
    let (json_kind, json, next) = chunk(bytes, 12)?;
    if json_kind != CHUNK_JSON {
        return Err(ReadError::offset(
            16,
            "the first chunk is not JSON; the file is damaged",
        ));
    }
    let binary = if next < bytes.len() {
        let (kind, data, _) = chunk(bytes, next)?;
        (kind == CHUNK_BIN).then_some(data)
    } else {
        None
    };
    Ok(Container { json, binary })
}

fn chunk(bytes: &[u8], offset: usize) -> Result<(u32, &[u8], usize), ReadError> {
    let length = word(bytes, offset)? as usize;
    let kind = word(bytes, offset + 4)?;
    let begin = offset + 8;
    let end = begin
        .checked_add(length)
        .filter(|end| *end <= bytes.len())
        .ok_or_else(|| {
            ReadError::offset(
                offset,
                format!("a chunk of {length} bytes goes past the end; the file was cut short"),
            )
        })?;
    Ok((kind, &bytes[begin..end], end))
}

fn word(bytes: &[u8], offset: usize) -> Result<u32, ReadError> {
    let four = bytes
        .get(offset..)
        .and_then(|rest| rest.first_chunk())
        .ok_or_else(|| ReadError::offset(offset, "the file ends in its header; it was cut short"))?;
    Ok(u32::from_le_bytes(*four))
}

/// The bytes of every buffer, each at least as long as it says.
pub(super) fn resolve<'a>(
    document: &gltf::Document,
    container: &Container<'a>,
    file: &ModelFile<'_>,
) -> Result<Vec<Cow<'a, [u8]>>, ReadError> {
    document
        .buffers()
        .map(|buffer| {
            let bytes: Cow<'a, [u8]> = match buffer.source() {
                gltf::buffer::Source::Bin => Cow::Borrowed(container.binary.ok_or_else(|| {
                    ReadError::Unusable(
                        "the first buffer has no uri, and there is no binary chunk".to_owned(),
                    )
                })?),
                gltf::buffer::Source::Uri(uri) => Cow::Owned(bytes_of(uri, file)?),
            };
            if bytes.len() < buffer.length() {
                let problem = format!(
                    "buffer {} says {} bytes, but has {}",
                    buffer.index(),
                    buffer.length(),
                    bytes.len()
                );
                return Err(ReadError::Unusable(problem));
            }
            Ok(bytes)
        })
        .collect()
}

fn bytes_of(uri: &str, file: &ModelFile<'_>) -> Result<Vec<u8>, ReadError> {
    if let Some(data) = uri.strip_prefix("data:") {
        let encoded = data.split_once(";base64,").map(|(_, encoded)| encoded);
        return encoded.and_then(decode_base64).ok_or_else(|| {
            ReadError::Unusable("a buffer inside the file is not sound base64; export it again".to_owned())
        });
    }
    let name = companion_name(uri).ok_or_else(|| not_beside_the_model(uri))?;
    let Some(path) = file.companions.get(&name) else {
        let problem = "there is no such file beside the model; put it there, or export as .glb".to_owned();
        return Err(ReadError::Companion { name, problem });
    };
    let read = std::fs::metadata(path).and_then(|facts| {
        if facts.len() > MOST_BUFFER_BYTES {
            return Err(std::io::Error::other("it is over 4 GiB"));
        }
        std::fs::read(path)
    });
    read.map_err(|source| ReadError::Companion {
        name,
        problem: format!("cannot read it: {source}"),
    })
}

pub(super) fn not_beside_the_model(uri: &str) -> ReadError {
    ReadError::Companion {
        name: uri.to_owned(),
        problem: "that is no file in the model's folder; put the file beside the model and export it again"
            .to_owned(),
    }
}

/// The file name behind a relative `uri`; `None` if it would leave the model's folder or is no file at all.
pub(super) fn companion_name(uri: &str) -> Option<String> {
    let name = percent_decoded(uri)?;
    let inside = !name.contains(['\\', ':', '\0'])
        && name
            .split('/')
            .all(|part| !part.is_empty() && part != "." && part != "..");
    inside.then_some(name)
}

fn percent_decoded(uri: &str) -> Option<String> {
    let mut decoded = Vec::with_capacity(uri.len());
    let mut bytes = uri.bytes();
    while let Some(byte) = bytes.next() {
        if byte == b'%' {
            let high = char::from(bytes.next()?).to_digit(16)?;
            let low = char::from(bytes.next()?).to_digit(16)?;
            decoded.push((high * 16 + low) as u8);
        } else {
            decoded.push(byte);
        }
    }
    String::from_utf8(decoded).ok()
}

/// RFC 4648, section 4; padding may be left out.
fn decode_base64(encoded: &str) -> Option<Vec<u8>> {
    let digits = encoded.trim_end_matches('=').as_bytes();
    let mut decoded = Vec::with_capacity(digits.len() / 4 * 3 + 2);
    for group in digits.chunks(4) {
        if group.len() == 1 {
            return None;
        }
        let mut bits = 0u32;
        for &digit in group {
            let value = match digit {
                b'A'..=b'Z' => digit - b'A',
                b'a'..=b'z' => digit - b'a' + 26,
                b'0'..=b'9' => digit - b'0' + 52,
                b'+' => 62,
                b'/' => 63,
                _ => return None,
            };
            bits = bits << 6 | u32::from(value);
        }
        bits <<= 6 * (4 - group.len());
        decoded.extend_from_slice(&bits.to_be_bytes()[1..group.len()]);
    }
    Some(decoded)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_agrees_with_the_rfc() {
        // RFC 4648, section 10.
        for (encoded, plain) in [
            ("", ""),
            ("Zg==", "f"),
            ("Zm8=", "fo"),
            ("Zm9v", "foo"),
            ("Zm9vYmFy", "foobar"),
        ] {
            assert_eq!(decode_base64(encoded).as_deref(), Some(plain.as_bytes()));
        }
        assert_eq!(decode_base64("Z"), None);
        assert_eq!(decode_base64("Zm9*"), None);
    }

    #[test]
    fn a_uri_stays_in_the_folder() {
        assert_eq!(companion_name("a%20b/c.bin").as_deref(), Some("a b/c.bin"));
        for uri in [
            "../a.bin",
            "/etc/a",
            "a/../../b",
            "c:/a",
            "http://a/b",
            "a\\b",
            "%2e%2e/a",
            "a//b",
            "",
            "%zz",
        ] {
            assert_eq!(companion_name(uri), None, "{uri}");
        }
    }
}
