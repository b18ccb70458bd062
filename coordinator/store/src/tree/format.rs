//! The bytes of a tree: a protobuf message in one canonical form.
//!
//! ```text
//! 1 format   uint32, 1
//! 2 entries  repeated, ascending by the bytes of path
//!     1 path        string, `/` between parts, composed Unicode form
//!     2 digest      bytes, 32
//!     3 size        uint64, bytes
//!     4 executable  bool
//! ```
//! Reading encodes again and compares, so that one folder has exactly one tree.

use std::collections::HashMap;

use prost::Message;
use tidemill_proto::Digest;

use super::names;

const FORMAT: u32 = 1;

/// The files of a folder, ascending by path.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tree {
    entries: Vec<TreeEntry>,
}

/// One file of a tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreeEntry {
    /// Relative, `/` between parts, in composed Unicode form.
    pub path: String,
    /// Its bytes.
    pub digest: Digest,
    /// Their number.
    pub size: u64,
    /// Whether it can be executed.
    pub executable: bool,
}

impl Tree {
    /// Sorts and checks entries. The error names what is wrong, beginning with the path.
    pub fn new(mut entries: Vec<TreeEntry>) -> Result<Self, String> {
        let mut folded: HashMap<String, (String, bool)> = HashMap::new();
        for entry in &mut entries {
            entry.path = names::normal(&entry.path);
            let path = &entry.path;
            if let Some(reason) = path.split('/').find_map(names::why_not) {
                return Err(format!("{path:?}: {reason}"));
            }
            // Folders count too: `A/x` and `a/y` would meet in one folder elsewhere.
            let ends = path.match_indices('/').map(|(end, _)| end).chain([path.len()]);
            for end in ends {
                let (prefix, is_file) = (&path[..end], end == path.len());
                let known = folded
                    .entry(names::fold(prefix))
                    .or_insert_with(|| (prefix.to_owned(), is_file));
                if known.0 != prefix || known.1 != is_file {
                    let other = &known.0;
                    return Err(format!(
                        "{path:?} and {other:?} are one name on some systems; rename one"
                    ));
                }
            }
        }
        entries.sort_by(|a, b| a.path.cmp(&b.path));
        if let Some(twice) = entries.windows(2).find(|pair| pair[0].path == pair[1].path) {
            return Err(format!(
                "{:?} is there twice, perhaps in two Unicode forms; rename one",
                twice[0].path
            ));
        }
        Ok(Self { entries })
    }

    /// The files, ascending by path.
    pub fn entries(&self) -> &[TreeEntry] {
        &self.entries
    }

    /// The canonical bytes.
    pub fn encode(&self) -> Vec<u8> {
        let entries = self.entries.iter().map(|entry| EntryMessage {
            path: entry.path.clone(),
            digest: entry.digest.to_vec(),
            size: entry.size,
            executable: entry.executable,
        });
        TreeMessage {
            format: FORMAT,
            entries: entries.collect(),
        }
        .encode_to_vec()
    }

    /// Reads canonical bytes; anything else is refused with a reason.
    pub fn decode(bytes: &[u8]) -> Result<Self, String> {
        let message = TreeMessage::decode(bytes).map_err(|error| error.to_string())?;
        if message.format != FORMAT {
            return Err(format!(
                "its format is {}, this program knows {FORMAT}",
                message.format
            ));
        }
        let entries = message.entries.into_iter().map(|entry| {
            let digest = Digest::from_slice(&entry.digest).map_err(|error| error.to_string())?;
            Ok(TreeEntry {
                path: entry.path,
                digest,
                size: entry.size,
                executable: entry.executable,
            })
        });
        let tree = Self::new(entries.collect::<Result<_, String>>()?)?;
        if tree.encode() != bytes {
            return Err("it is not in canonical form".to_owned());
        }
        Ok(tree)
    }
}

#[derive(Clone, PartialEq, Message)]
struct TreeMessage {
    #[prost(uint32, tag = "1")]
    format: u32,
    #[prost(message, repeated, tag = "2")]
    entries: Vec<EntryMessage>,
}

#[derive(Clone, PartialEq, Message)]
struct EntryMessage {
    #[prost(string, tag = "1")]
    path: String,
    #[prost(bytes = "vec", tag = "2")]
    digest: Vec<u8>,
    #[prost(uint64, tag = "3")]
    size: u64,
    #[prost(bool, tag = "4")]
    executable: bool,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn entry(path: &str) -> TreeEntry {
        TreeEntry {
            path: path.to_owned(),
            digest: Digest::of(path.as_bytes()),
            size: 3,
            executable: false,
        }
    }

    #[test]
    fn paths_that_meet_elsewhere_are_refused() {
        for (a, b) in [
            ("a.png", "A.png"),
            ("A/x", "a/y"),
            ("a", "a/x"),
            ("a/x", "a"),
            ("a", "a"),
        ] {
            assert!(Tree::new(vec![entry(a), entry(b)]).is_err(), "{a} and {b}");
        }
        let fine = Tree::new(vec![entry("a/x"), entry("a/y"), entry("b"), entry("a.x")]).unwrap();
        assert_eq!(fine.entries().len(), 4);
    }

    #[test]
    fn what_is_not_canonical_is_refused() {
        let tree = Tree::new(vec![entry("b"), entry("a")]).unwrap();
        let bytes = tree.encode();
        assert_eq!(Tree::decode(&bytes).unwrap(), tree);
        let turned = TreeMessage {
            format: 1,
            entries: TreeMessage::decode(&*bytes)
                .unwrap()
                .entries
                .into_iter()
                .rev()
                .collect(),
        };
        assert!(
            Tree::decode(&turned.encode_to_vec())
                .unwrap_err()
                .contains("canonical")
        );
        let newer = TreeMessage {
            format: 2,
            entries: vec![],
        };
        assert!(
            Tree::decode(&newer.encode_to_vec())
                .unwrap_err()
                .contains("format")
        );
        for path in ["../x", "/x", "a//b", "a/./b", "c:/x"] {
            let hostile = EntryMessage {
                path: path.into(),
                digest: vec![0; 32],
                size: 0,
                executable: false,
            };
            let bytes = TreeMessage {
                format: 1,
                entries: vec![hostile],
            }
            .encode_to_vec();
            assert!(Tree::decode(&bytes).is_err(), "{path}");
        }
        assert!(Tree::decode(b"not a tree at all").is_err());
    }

    proptest! {
        #[test]
        fn order_does_not_matter(mut names in prop::collection::hash_set("[a-z]{1,3}(/[a-z]{4,5}){0,2}", 0..12)) {
            names.retain(|name| !name.is_empty());
            let forward: Vec<_> = names.iter().map(|name| entry(name)).collect();
            let backward: Vec<_> = forward.iter().rev().cloned().collect();
            match (Tree::new(forward), Tree::new(backward)) {
                (Ok(a), Ok(b)) => {
                    prop_assert_eq!(a.encode(), b.encode());
                    prop_assert_eq!(Tree::decode(&a.encode()).unwrap(), a);
                }
                (a, b) => prop_assert!(a.is_err() && b.is_err()),
            }
        }

        #[test]
        fn any_bytes_are_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(tree) = Tree::decode(&bytes) {
                prop_assert_eq!(tree.encode(), bytes);
            }
        }
    }
}
