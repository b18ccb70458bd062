//! From corners to the vertices of a file: equal position, normal, UV and tangent become one vertex.

use std::collections::HashMap;

/// What one vertex of a file holds. Absent attributes are all zero in every vertex of a file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Vertex {
    pub position: [f32; 3],
    pub normal: [f32; 3],
    pub uv: [f32; 2],
    pub tangent: [f32; 4],
}

/// Vertices in order of first use, and three indices for each triangle.
#[derive(Debug, Default)]
pub(super) struct IndexedVertices {
    pub vertices: Vec<Vertex>,
    pub indices: Vec<u32>,
    index_of: HashMap<[u32; 12], u32>,
}

impl IndexedVertices {
    pub fn push(&mut self, vertex: Vertex) {
        let vertex = vertex.without_negative_zero();
        // The map is only asked, never walked: its order cannot reach the file.
        let index = *self.index_of.entry(vertex.bits()).or_insert_with(|| {
            self.vertices.push(vertex);
            (self.vertices.len() - 1) as u32
        });
        self.indices.push(index);
    }
}

impl Vertex {
    fn numbers(&self) -> [f32; 12] {
        let ([x, y, z], [i, j, k], [u, v], [a, b, c, d]) =
            (self.position, self.normal, self.uv, self.tangent);
        [x, y, z, i, j, k, u, v, a, b, c, d]
    }

    fn bits(&self) -> [u32; 12] {
        self.numbers().map(f32::to_bits)
    }

    /// 0.0 and -0.0 are one number but two patterns of bits.
    fn without_negative_zero(self) -> Self {
        Self {
            position: self.position.map(|number| number + 0.0),
            normal: self.normal.map(|number| number + 0.0),
            uv: self.uv.map(|number| number + 0.0),
            tangent: self.tangent.map(|number| number + 0.0),
        }
    }
}
