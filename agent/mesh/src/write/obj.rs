//! OBJ: positions, UVs, normals where the mesh has them, tags as `usemtl`. In metres, +Y up.

use std::collections::HashMap;
use std::fmt::Write;
use std::hash::Hash;

use crate::Mesh;
use crate::mesh::UNTAGGED;

/// The text of an OBJ file. Faces keep their order within a tag; those without one come first, before any `usemtl`.
pub fn obj(mesh: &Mesh) -> String {
    let mut text = String::from("# Tidemill. Metres, +Y up.\n");
    for [x, y, z] in &mesh.positions {
        line(&mut text, format_args!("v {x} {y} {z}"));
    }
    let uvs = mesh
        .uvs
        .as_ref()
        .map(|uvs| Shared::of(uvs.as_flattened(), |uv| uv.map(f32::to_bits)));
    for [u, v] in uvs.iter().flat_map(|shared| &shared.values) {
        line(&mut text, format_args!("vt {u} {}", 1.0 - v));
    }
    let normals = mesh
        .normals
        .as_ref()
        .map(|normals| Shared::of(normals.as_flattened(), |normal| normal.map(f32::to_bits)));
    for [x, y, z] in normals.iter().flat_map(|shared| &shared.values) {
        line(&mut text, format_args!("vn {x} {y} {z}"));
    }
    for tag in [UNTAGGED].into_iter().chain(0..mesh.tags.len() as u16) {
        let mut faces = (0..mesh.triangles.len())
            .filter(|face| mesh.face_tags[*face] == tag)
            .peekable();
        if let (Some(name), true) = (mesh.tags.get(usize::from(tag)), faces.peek().is_some()) {
            // A line end inside a name would begin a statement of its own.
            let name = name.replace(char::is_control, " ");
            line(&mut text, format_args!("usemtl {name}"));
        }
        for face in faces {
            text.push('f');
            for corner in 0..3 {
                let position = mesh.triangles[face][corner] + 1;
                let at = face * 3 + corner;
                let uv = uvs.as_ref().map(|shared| shared.indices[at] + 1);
                let normal = normals.as_ref().map(|shared| shared.indices[at] + 1);
                let written = match (uv, normal) {
                    (None, None) => write!(text, " {position}"),
                    (Some(uv), None) => write!(text, " {position}/{uv}"),
                    (None, Some(normal)) => write!(text, " {position}//{normal}"),
                    (Some(uv), Some(normal)) => write!(text, " {position}/{uv}/{normal}"),
                };
                debug_assert!(written.is_ok(), "writing to a string cannot fail");
            }
            text.push('\n');
        }
    }
    text
}

fn line(text: &mut String, content: std::fmt::Arguments<'_>) {
    let written = writeln!(text, "{content}");
    debug_assert!(written.is_ok(), "writing to a string cannot fail");
}

/// Equal values once, in order of first use.
struct Shared<T> {
    values: Vec<T>,
    indices: Vec<usize>,
}

impl<T: Copy> Shared<T> {
    fn of<K: Hash + Eq>(all: &[T], key: fn(T) -> K) -> Self {
        let mut index_of = HashMap::new();
        let mut values = Vec::new();
        let indices = all
            .iter()
            .map(|&value| {
                *index_of.entry(key(value)).or_insert_with(|| {
                    values.push(value);
                    values.len() - 1
                })
            })
            .collect();
        Self { values, indices }
    }
}
