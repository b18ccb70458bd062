//! The BLAKE3-256 name of a blob.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// BLAKE3-256 of a blob's bytes; written as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Digest([u8; 32]);

/// Why bytes or text are not a digest.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("not a digest: {0}")]
pub struct NotADigest(String);

impl Digest {
    /// The digest of `bytes`.
    pub fn of(bytes: &[u8]) -> Self {
        Self(*blake3::hash(bytes).as_bytes())
    }

    /// Takes a finished hash.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Reads the 32 bytes of a message field.
    pub fn from_slice(bytes: &[u8]) -> Result<Self, NotADigest> {
        <[u8; 32]>::try_from(bytes)
            .map(Self)
            .map_err(|_| NotADigest(format!("{} bytes instead of 32", bytes.len())))
    }

    /// The 32 bytes.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// The 32 bytes for a message field.
    pub fn to_vec(self) -> Vec<u8> {
        self.0.to_vec()
    }

    /// First eight hexadecimal digits, for people.
    pub fn short(&self) -> String {
        self.to_string()[..8].to_owned()
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({})", self.short())
    }
}

impl FromStr for Digest {
    type Err = NotADigest;

    fn from_str(text: &str) -> Result<Self, NotADigest> {
        let bad = || NotADigest(format!("{text:?} is not 64 lower-case hexadecimal digits"));
        let lower_hex = |c: u8| c.is_ascii_digit() || (b'a'..=b'f').contains(&c);
        if text.len() != 64 || !text.bytes().all(lower_hex) {
            return Err(bad());
        }
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
            let pair = std::str::from_utf8(pair).map_err(|_| bad())?;
            *byte = u8::from_str_radix(pair, 16).map_err(|_| bad())?;
        }
        Ok(Self(bytes))
    }
}

impl TryFrom<String> for Digest {
    type Error = NotADigest;
    fn try_from(text: String) -> Result<Self, NotADigest> {
        text.parse()
    }
}

impl From<Digest> for String {
    fn from(digest: Digest) -> String {
        digest.to_string()
    }
}

impl From<blake3::Hash> for Digest {
    fn from(hash: blake3::Hash) -> Self {
        Self(*hash.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the official BLAKE3 test vectors (length 0), and `b3sum` for "abc".
    #[test]
    fn agrees_with_published_vectors() {
        assert_eq!(
            Digest::of(b"").to_string(),
            "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
        );
        assert_eq!(
            Digest::of(b"abc").to_string(),
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"
        );
    }

    #[test]
    fn text_round_trips_and_bad_text_is_refused() {
        let digest = Digest::of(b"dock");
        assert_eq!(digest.to_string().parse::<Digest>().unwrap(), digest);
        for bad in ["", "ab", &"A".repeat(64), &"g".repeat(64), &"é".repeat(32)] {
            assert!(bad.parse::<Digest>().is_err(), "{bad:?}");
        }
    }
}
