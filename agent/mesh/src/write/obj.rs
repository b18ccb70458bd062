//! OBJ: positions, UVs, normals where the mesh has them, tags as `usemtl`. In metres, +Y up.

use std::collections::HashMap;
use std::fmt::Write;
use std::hash::Hash;
use std::ops::Range;

use crate::mesh::UNTAGGED;
use crate::{Mesh, Model};

/// As [`obj`], each named part an object of its own.
pub fn obj_of_model(model: &Model) -> String {
    if model.parts.is_empty() {
        return obj(&model.whole);
    }
    let mut first_face = 0;
    let groups = model.parts.iter().map(|part| {
        let faces = first_face..first_face + part.mesh.triangles.len();
        first_face = faces.end;
        (Some(part.name.as_str()), faces)
    });
    of_groups(&model.whole, groups.collect())
}

/// The text of an OBJ file. Faces keep their order within a tag; those without one come first, before any `usemtl`.
pub fn obj(mesh: &Mesh) -> String {
    of_groups(mesh, vec![(None, 0..mesh.triangles.len())])
}

fn of_groups(mesh: &Mesh, groups: Vec<(Option<&str>, Range<usize>)>) -> String {
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
    let tags = [UNTAGGED].into_iter().chain(0..mesh.tags.len() as u16);
    let sections = groups
        .into_iter()
        .flat_map(|(name, range)| tags.clone().map(move |tag| (name, range.clone(), tag)));
    let mut last_object = None;
    for (object, range, tag) in sections {
        if object != last_object {
            // What has no tag must not inherit the one before.
            line(&mut text, format_args!("o {}", plain(object.unwrap_or_default())));
            if last_object.is_some() {
                text.push_str("usemtl\n");
            }
            last_object = object;
        }
        let mut faces = range.filter(|face| mesh.face_tags[*face] == tag).peekable();
        if let (Some(name), true) = (mesh.tags.get(usize::from(tag)), faces.peek().is_some()) {
            line(&mut text, format_args!("usemtl {}", plain(name)));
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

/// A line end inside a name would begin a statement of its own.
fn plain(name: &str) -> String {
    name.replace(char::is_control, " ")
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
