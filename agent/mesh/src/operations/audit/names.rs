//! Names and tags that a mesh carries, held to patterns.

use std::collections::BTreeSet;

use super::Judged;
use crate::Mesh;
use crate::operations::OperationError;
use crate::pattern::matches;

/// No more names are listed; all are counted.
const MOST_LISTED: usize = 20;

/// Names of nodes, meshes, groups and objects that do not fit a pattern.
pub(super) fn nodes(mesh: &Mesh, pattern: &str) -> Result<Judged, OperationError> {
    let names = mesh
        .groups
        .as_ref()
        .map(|groups| groups.names())
        .unwrap_or_default();
    if names.is_empty() {
        return Err(OperationError::Unsuitable(format!(
            "`names = \"{pattern}\"` asks for names, but no node, group or object of the mesh has one"
        )));
    }
    Ok(strangers(
        "names unlike the pattern",
        names.into_iter().filter(|name| !matches(pattern, name)),
    ))
}

/// Names of materials that do not fit a pattern.
pub(super) fn materials(mesh: &Mesh, pattern: &str) -> Judged {
    let used: BTreeSet<&str> = (0..mesh.triangles.len())
        .filter_map(|face| mesh.tag_of(face))
        .collect();
    strangers(
        "materials unlike the pattern",
        used.into_iter().filter(|name| !matches(pattern, name)),
    )
}

/// Faces that carry none of the tags.
pub(super) fn faces(mesh: &Mesh, tags: &[&str]) -> Judged {
    let mut found = BTreeSet::new();
    let mut faces = 0_u64;
    for face in 0..mesh.triangles.len() {
        match mesh.tag_of(face) {
            Some(tag) if tags.contains(&tag) => {}
            other => {
                faces += 1;
                found.extend(other);
            }
        }
    }
    Judged::new("faces of other tags", faces as f64, None, Some(0.0)).with_found(listed(found))
}

fn strangers<'n>(budget: &str, names: impl Iterator<Item = &'n str>) -> Judged {
    let names: Vec<&str> = names.collect();
    Judged::new(budget, names.len() as f64, None, Some(0.0)).with_found(listed(names))
}

fn listed<'n>(names: impl IntoIterator<Item = &'n str>) -> Vec<String> {
    names.into_iter().take(MOST_LISTED).map(str::to_owned).collect()
}
