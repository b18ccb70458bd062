//! Names that a file gives to faces beside their material: OBJ groups and objects, glTF nodes and meshes.

use std::collections::HashMap;

/// For each triangle the set of names that it goes by.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FaceGroups {
    /// Each set once; the first is empty.
    sets: Vec<Vec<String>>,
    /// For each triangle an index into `sets`.
    of_faces: Vec<u32>,
}

impl FaceGroups {
    /// Number of triangles.
    pub fn len(&self) -> usize {
        self.of_faces.len()
    }

    /// There is no triangle.
    pub fn is_empty(&self) -> bool {
        self.of_faces.is_empty()
    }

    /// Names of a triangle.
    pub fn of(&self, triangle: usize) -> &[String] {
        let set = self
            .of_faces
            .get(triangle)
            .and_then(|set| self.sets.get(*set as usize));
        set.map(Vec::as_slice).unwrap_or_default()
    }

    /// All names, sorted.
    pub fn names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.sets.iter().flatten().map(String::as_str).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}

/// Collects groups while a file is read.
#[derive(Debug, Default)]
pub(crate) struct GroupTable {
    groups: FaceGroups,
    numbers: HashMap<Vec<String>, u32>,
    current: u32,
}

impl GroupTable {
    /// The names of the triangles that follow.
    pub(crate) fn set(&mut self, names: Vec<String>) {
        let sets = &mut self.groups.sets;
        self.current = *self.numbers.entry(names).or_insert_with_key(|names| {
            sets.push(names.clone());
            sets.len() as u32 - 1
        });
    }

    /// So many triangles follow.
    pub(crate) fn add(&mut self, triangles: usize) {
        if self.groups.sets.is_empty() {
            self.set(Vec::new());
        }
        self.groups
            .of_faces
            .extend(std::iter::repeat_n(self.current, triangles));
    }

    /// `None` where no triangle has a name.
    pub(crate) fn finish(self) -> Option<FaceGroups> {
        let named = self.groups.sets.iter().any(|set| !set.is_empty());
        named.then_some(self.groups)
    }
}
