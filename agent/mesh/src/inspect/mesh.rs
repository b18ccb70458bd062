//! Figures about a mesh.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::Mesh;
use crate::mesh::UNTAGGED;

/// What a mesh is like, in metres. How its faces hang together is judged with bit-equal positions as one vertex, so that
/// it does not depend on how a file format shares its vertices.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeshFigures {
    /// Faces.
    pub triangles: u64,
    /// Different positions in use.
    pub vertices: u64,
    /// Square metres.
    pub area: f64,
    /// Cubic metres; negative when the faces point inwards; says something for closed meshes only.
    pub volume: f64,
    /// Vertices - edges + faces.
    pub euler: i64,
    /// Every edge belongs to two faces that agree about what is outside.
    pub closed: bool,
    /// Edges of one face.
    pub boundary_edges: u64,
    /// Edges of more than two faces.
    pub non_manifold_edges: u64,
    /// Parts that share no vertex.
    pub components: u64,
    /// The box around it.
    pub bounds: BoundsFigures,
    /// Faces without area.
    pub degenerate: u64,
    /// By name.
    pub tags: BTreeMap<String, TagFigures>,
    /// Faces that carry no tag.
    pub untagged: u64,
    /// It has UVs.
    pub uvs: bool,
}

/// A box, metres.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct BoundsFigures {
    /// Least coordinates.
    pub least: [f32; 3],
    /// Greatest coordinates.
    pub most: [f32; 3],
}

/// The faces of one tag.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct TagFigures {
    /// How many.
    pub triangles: u64,
    /// Square metres.
    pub area: f64,
}

/// Measures a sound mesh.
pub fn inspect_mesh(mesh: &Mesh) -> MeshFigures {
    let welded = Mesh {
        uvs: None,
        normals: None,
        ..mesh.clone()
    }
    .welded();
    let edges = welded.edge_counts();
    let mut tags: BTreeMap<String, TagFigures> = BTreeMap::new();
    let mut area = 0.0;
    let mut degenerate = 0;
    for face in 0..welded.triangles.len() {
        let face_area = welded.triangle_area(face);
        area += face_area;
        degenerate += u64::from(face_area == 0.0);
        if let Some(name) = welded.tag_of(face) {
            let tag = tags.entry(name.to_owned()).or_default();
            tag.triangles += 1;
            tag.area += face_area;
        }
    }
    let bounds = welded.bounds().map(|bounds| BoundsFigures {
        least: bounds.least,
        most: bounds.most,
    });
    MeshFigures {
        triangles: welded.triangles.len() as u64,
        vertices: welded.positions.len() as u64,
        area,
        volume: welded.volume(),
        euler: welded.euler_characteristic(),
        closed: welded.is_closed(),
        boundary_edges: edges.boundary as u64,
        non_manifold_edges: edges.over_two as u64,
        components: components(&welded),
        bounds: bounds.unwrap_or_default(),
        degenerate,
        tags,
        untagged: welded.face_tags.iter().filter(|tag| **tag == UNTAGGED).count() as u64,
        uvs: mesh.uvs.is_some(),
    }
}

/// Sets of vertices that faces join, found by merging.
fn components(mesh: &Mesh) -> u64 {
    let mut parents: Vec<u32> = (0..mesh.positions.len() as u32).collect();
    let mut parts = mesh.positions.len() as u64;
    for &[a, b, c] in &mesh.triangles {
        for (left, right) in [(a, b), (b, c)] {
            let (left, right) = (root(&mut parents, left), root(&mut parents, right));
            if left != right {
                parents[left.max(right) as usize] = left.min(right);
                parts -= 1;
            }
        }
    }
    parts
}

fn root(parents: &mut [u32], mut vertex: u32) -> u32 {
    while parents[vertex as usize] != vertex {
        // Halves the way for the next one who asks.
        parents[vertex as usize] = parents[parents[vertex as usize] as usize];
        vertex = parents[vertex as usize];
    }
    vertex
}
