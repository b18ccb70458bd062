//! What a survey found out stays in one small file for each manifest: `survey/<digest of its place>.2` in the
//! data folder. It is a cache: a lost, torn or foreign file only costs time, so nothing is ever migrated.

use std::collections::{BTreeMap, HashMap};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use prost::Message;

/// Raised when the meaning of the file changes, or what a model file is asked for.
const FORMAT: &str = "1";

/// What was remembered.
#[derive(Debug, Default)]
pub struct Memory {
    /// By path relative to the folder.
    pub stamps: HashMap<String, Stamped>,
    /// By digest and extension, `<64 hex>.obj`.
    pub facts: HashMap<String, RememberedFacts>,
}

/// A file's digest, and what the file system said about it at that time.
#[derive(Clone, PartialEq, Message)]
pub struct Stamped {
    /// Relative, with `/`.
    #[prost(string, tag = "1")]
    pub path: String,
    /// 32 bytes.
    #[prost(bytes = "vec", tag = "2")]
    pub digest: Vec<u8>,
    /// In bytes.
    #[prost(uint64, tag = "3")]
    pub size: u64,
    /// Time of the last change of content, in ns.
    #[prost(int64, tag = "4")]
    pub modified_ns: i64,
    /// Time of the last change of anything, in ns.
    #[prost(int64, tag = "5")]
    pub changed_ns: i64,
    /// Inode.
    #[prost(uint64, tag = "6")]
    pub number: u64,
}

/// What a model file says about itself.
#[derive(Clone, PartialEq, Message)]
pub struct RememberedFacts {
    /// Digest and extension.
    #[prost(string, tag = "1")]
    pub name: String,
    /// Why it could not be read; empty: it could.
    #[prost(string, tag = "2")]
    pub error: String,
    /// Faces after triangulation.
    #[prost(uint64, tag = "3")]
    pub triangles: u64,
    /// Vertices.
    #[prost(uint64, tag = "4")]
    pub vertices: u64,
    /// Faces without a tag.
    #[prost(uint64, tag = "5")]
    pub untagged: u64,
    /// Faces by tag.
    #[prost(btree_map = "string, uint64", tag = "6")]
    pub tags: BTreeMap<String, u64>,
    /// Least corner, then greatest, in the file's units; empty: no vertices.
    #[prost(double, repeated, tag = "7")]
    pub bounds: Vec<f64>,
    /// Names of the files that it refers to.
    #[prost(string, repeated, tag = "8")]
    pub refers_to: Vec<String>,
}

#[derive(Clone, PartialEq, Message)]
struct File {
    #[prost(message, repeated, tag = "1")]
    stamps: Vec<Stamped>,
    #[prost(message, repeated, tag = "2")]
    facts: Vec<RememberedFacts>,
}

/// Where the memory of one manifest, or of one folder of deliveries, is kept.
pub fn file_for(data: &Path, folder: &Path, name: &str) -> PathBuf {
    let mut hasher = blake3::Hasher::new();
    hasher.update(folder.as_os_str().as_encoded_bytes());
    hasher.update(&[0]);
    hasher.update(name.as_bytes());
    data.join("survey")
        .join(format!("{}.{FORMAT}", &hasher.finalize().to_hex()[..32]))
}

impl Memory {
    /// What the file holds; nothing if it cannot be read.
    pub fn load(file: &Path) -> Self {
        let decoded = std::fs::read(file)
            .ok()
            .and_then(|bytes| File::decode(checked(&bytes)?).ok())
            .unwrap_or_default();
        Self {
            stamps: decoded
                .stamps
                .into_iter()
                .map(|stamp| (stamp.path.clone(), stamp))
                .collect(),
            facts: decoded
                .facts
                .into_iter()
                .map(|facts| (facts.name.clone(), facts))
                .collect(),
        }
    }
}

/// Keeps these entries instead of what was remembered, unless they are the same.
pub fn save(
    file: &Path,
    before: &Memory,
    mut stamps: Vec<Stamped>,
    mut facts: Vec<RememberedFacts>,
) -> std::io::Result<()> {
    let same_stamps = stamps.len() == before.stamps.len()
        && stamps
            .iter()
            .all(|stamp| before.stamps.get(&stamp.path) == Some(stamp));
    let same_facts = facts.len() == before.facts.len()
        && facts
            .iter()
            .all(|facts| before.facts.get(&facts.name) == Some(facts));
    if same_stamps && same_facts {
        return Ok(());
    }
    stamps.sort_by(|a, b| a.path.cmp(&b.path));
    facts.sort_by(|a, b| a.name.cmp(&b.name));
    let bytes = File { stamps, facts }.encode_to_vec();
    let folder = file.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)?;
    let mut fresh = tempfile::NamedTempFile::new_in(folder)?;
    fresh.write_all(blake3::hash(&bytes).as_bytes())?;
    fresh.write_all(&bytes)?;
    fresh.persist(file).map_err(|error| error.error)?;
    Ok(())
}

/// The content behind its digest. It is not synced, so a power cut may tear it.
fn checked(bytes: &[u8]) -> Option<&[u8]> {
    let (digest, content) = bytes.split_at_checked(32)?;
    (blake3::hash(content).as_bytes() == digest).then_some(content)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_saved_is_loaded_and_a_torn_file_is_nothing() {
        let data = tempfile::tempdir().unwrap();
        let file = file_for(data.path(), Path::new("/quay"), "dock");
        assert_ne!(file, file_for(data.path(), Path::new("/quay/d"), "ock"));
        let stamp = Stamped {
            path: "base/a.obj".into(),
            digest: vec![7; 32],
            size: 3,
            ..Stamped::default()
        };
        save(&file, &Memory::default(), vec![stamp.clone()], Vec::new()).unwrap();
        assert_eq!(Memory::load(&file).stamps["base/a.obj"], stamp);

        let mut bytes = std::fs::read(&file).unwrap();
        let last = bytes.len() - 1;
        bytes[last] ^= 1;
        std::fs::write(&file, bytes).unwrap();
        assert!(Memory::load(&file).stamps.is_empty());
    }
}
