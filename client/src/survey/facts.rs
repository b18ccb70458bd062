//! What model files say about themselves, and which files they need beside them. Remembered by digest, so that
//! a renamed or moved model is not read again.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::Path;
use std::sync::Mutex;

use tidemill_mesh::read::{MESH_EXTENSIONS, material_library_refers, survey};
use tidemill_plan::{Companion, ModelFacts};
use tidemill_proto::Digest;

use super::digests::Digests;
use super::remember::{Memory, RememberedFacts};
use super::walk;

/// Facts of models and material libraries. Shared by threads.
#[derive(Debug)]
pub(super) struct Facts<'m> {
    memory: &'m Memory,
    fresh: Mutex<HashMap<String, RememberedFacts>>,
}

/// Facts of one model, and the names of the files that it refers to.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub(super) facts: Result<ModelFacts, String>,
    refers_to: Vec<String>,
}

/// A file that a model refers to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Beside {
    Found(Companion),
    Absent {
        name: String,
        /// The model cannot be read without it.
        needed: bool,
    },
}

/// Whether a path's extension is that of a model format.
pub(super) fn is_model(path: &str) -> bool {
    MESH_EXTENSIONS.contains(&extension(path).as_str())
}

impl<'m> Facts<'m> {
    pub(super) fn new(memory: &'m Memory) -> Self {
        Self {
            memory,
            fresh: Mutex::new(HashMap::new()),
        }
    }

    /// Of a model file whose digest is known.
    pub(super) fn of_model(&self, root: &Path, path: &str, digest: Digest) -> io::Result<Found> {
        let extension = extension(path);
        let remembered = self.recall(digest, &extension, || {
            let bytes = std::fs::read(walk::join(root, path))?;
            Ok(match survey(&bytes, &extension) {
                Ok(facts) => of_facts(&facts),
                Err(error) => RememberedFacts {
                    error: error.to_string(),
                    ..RememberedFacts::default()
                },
            })
        })?;
        Ok(to_found(remembered))
    }

    /// What a model refers to, with what its material libraries refer to. Names are relative to its folder.
    pub(super) fn companions(&self, path: &str, found: &Found, digests: &Digests<'_>) -> Vec<Beside> {
        // Buffers and pictures are part of a glTF model; an OBJ reads without its material library.
        let needed = extension(path) == ".gltf";
        let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
        let mut seen = HashSet::new();
        let mut open: Vec<String> = found.refers_to.iter().rev().cloned().collect();
        let mut all = Vec::new();
        while let Some(name) = open.pop() {
            if !seen.insert(name.clone()) {
                continue;
            }
            if !walk::stays_inside(&name) {
                all.push(Beside::Absent { name, needed });
                continue;
            }
            let full = if folder.is_empty() {
                name.clone()
            } else {
                format!("{folder}/{name}")
            };
            let Ok(Some((digest, size))) = digests.of(&full) else {
                all.push(Beside::Absent { name, needed });
                continue;
            };
            all.push(Beside::Found(super::companion(&name, digest, size)));
            if extension(&name) == ".mtl" {
                let beside_library = name
                    .rsplit_once('/')
                    .map_or(String::new(), |(folder, _)| format!("{folder}/"));
                let pictures = self.of_library(digests.root(), &full, digest);
                open.extend(
                    pictures
                        .into_iter()
                        .rev()
                        .map(|picture| format!("{beside_library}{picture}")),
                );
            }
        }
        all
    }

    fn of_library(&self, root: &Path, path: &str, digest: Digest) -> Vec<String> {
        let remembered = self.recall(digest, ".mtl", || {
            let bytes = std::fs::read(walk::join(root, path))?;
            let refers_to = material_library_refers(&bytes).unwrap_or_default();
            Ok(RememberedFacts {
                refers_to,
                ..RememberedFacts::default()
            })
        });
        remembered.map(|facts| facts.refers_to).unwrap_or_default()
    }

    fn recall(
        &self,
        digest: Digest,
        extension: &str,
        find_out: impl FnOnce() -> io::Result<RememberedFacts>,
    ) -> io::Result<RememberedFacts> {
        let name = format!("{digest}{extension}");
        let facts = match self.memory.facts.get(&name) {
            Some(known) => known.clone(),
            None => RememberedFacts {
                name: name.clone(),
                ..find_out()?
            },
        };
        if let Ok(mut fresh) = self.fresh.lock() {
            fresh.insert(name, facts.clone());
        }
        Ok(facts)
    }

    /// What is worth remembering: the facts that were asked for.
    pub(super) fn into_entries(self) -> Vec<RememberedFacts> {
        self.fresh
            .into_inner()
            .map(|fresh| fresh.into_values().collect())
            .unwrap_or_default()
    }
}

/// With its dot, in lower case; empty if there is none.
fn extension(path: &str) -> String {
    let name = path.rsplit('/').next().unwrap_or(path);
    name.rsplit_once('.').map_or_else(String::new, |(_, extension)| {
        format!(".{}", extension.to_lowercase())
    })
}

fn of_facts(facts: &tidemill_mesh::read::ModelFacts) -> RememberedFacts {
    let bounds = facts.bounds.map(|bounds| [bounds.least, bounds.most].concat());
    RememberedFacts {
        triangles: facts.triangles,
        vertices: facts.vertices,
        untagged: facts.untagged,
        tags: facts.tags.clone(),
        bounds: bounds.unwrap_or_default().into_iter().map(f64::from).collect(),
        refers_to: facts.companions.clone(),
        ..RememberedFacts::default()
    }
}

fn to_found(remembered: RememberedFacts) -> Found {
    let facts = match remembered.error.is_empty() {
        false => Err(remembered.error),
        true => Ok(ModelFacts {
            triangles: remembered.triangles,
            vertices: remembered.vertices,
            tags: remembered.tags,
            untagged: remembered.untagged,
            bounds: match remembered.bounds[..] {
                [a, b, c, d, e, f] => Some(([a, b, c], [d, e, f])),
                _ => None,
            },
        }),
    };
    Found {
        facts,
        refers_to: remembered.refers_to,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(folder: &Path, path: &str, text: &str) {
        let path = walk::join(folder, path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    fn names(found: &[Beside]) -> Vec<(&str, bool)> {
        found
            .iter()
            .map(|beside| match beside {
                Beside::Found(companion) => (companion.name.as_str(), true),
                Beside::Absent { name, .. } => (name.as_str(), false),
            })
            .collect()
    }

    #[test]
    fn companions_are_found_through_the_material_library() {
        let folder = tempfile::tempdir().unwrap();
        write(
            folder.path(),
            "base/a.obj",
            "mtllib lib/a.mtl\nmtllib gone.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nusemtl iron\nf 1 2 3\n",
        );
        write(folder.path(), "base/lib/a.mtl", "newmtl iron\nmap_Kd rust.png\n");
        write(folder.path(), "base/lib/rust.png", "no picture, but a file");
        let memory = Memory::default();
        let (facts, digests) = (Facts::new(&memory), Digests::new(folder.path(), &memory));
        let (digest, _) = digests.of("base/a.obj").unwrap().unwrap();
        let found = facts.of_model(folder.path(), "base/a.obj", digest).unwrap();
        assert_eq!(found.facts.clone().unwrap().tags.get("iron"), Some(&1));
        let beside = facts.companions("base/a.obj", &found, &digests);
        assert_eq!(
            names(&beside),
            [("lib/a.mtl", true), ("lib/rust.png", true), ("gone.mtl", false)]
        );
    }

    #[test]
    fn a_broken_model_is_remembered_as_broken() {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), "a.obj", "v 0 0 0\nf 1 2 9\n");
        let memory = Memory::default();
        let facts = Facts::new(&memory);
        let digest = Digest::of(b"v 0 0 0\nf 1 2 9\n");
        let error = facts
            .of_model(folder.path(), "a.obj", digest)
            .unwrap()
            .facts
            .unwrap_err();
        let entries = facts.into_entries();
        assert_eq!(entries[0].error, error);
        let memory = Memory {
            facts: entries
                .into_iter()
                .map(|facts| (facts.name.clone(), facts))
                .collect(),
            ..Memory::default()
        };
        std::fs::remove_file(folder.path().join("a.obj")).unwrap();
        let again = Facts::new(&memory)
            .of_model(folder.path(), "a.obj", digest)
            .unwrap();
        assert_eq!(again.facts.unwrap_err(), error);
    }

    #[test]
    fn extensions_are_lower_case_with_their_dot() {
        assert_eq!(extension("a.b/c.OBJ"), ".obj");
        assert_eq!(extension("a.b/c"), "");
        assert!(is_model("x.GLB") && !is_model("x.txt"));
    }
}
