//! The reduced surface as a mesh in single precision.

use std::collections::HashSet;

use glam::DVec3;

use super::super::surface::END;
use super::{Reduced, Reducer, middle};
use crate::Mesh;

impl Reducer {
    pub(super) fn into_mesh(mut self, input: &Mesh) -> Reduced {
        let middle = middle(input);
        let mut number = vec![END; self.surface.positions.len()];
        let mut taken: HashSet<[u32; 3]> = HashSet::new();
        let mut mesh = Mesh {
            tags: input.tags.clone(),
            uvs: input.uvs.as_ref().map(|_| Vec::new()),
            ..Mesh::default()
        };
        let surface = &self.surface;
        for (triangle, corners) in surface.triangles.iter().enumerate() {
            if !surface.alive[triangle] {
                continue;
            }
            mesh.face_tags.push(surface.tags[triangle]);
            if let (Some(uvs), Some(corners)) = (&mut mesh.uvs, surface.uvs.get(triangle)) {
                uvs.push(corners.map(|uv| uv.map(|coordinate| coordinate as f32)));
            }
            mesh.triangles.push(corners.map(|corner| {
                let number = &mut number[corner as usize];
                if *number == END {
                    *number = mesh.positions.len() as u32;
                    let untouched = self.versions[corner as usize] == 0;
                    mesh.positions.push(if untouched {
                        input.positions[corner as usize]
                    } else {
                        self.own_place(corner, middle, &mut taken)
                    });
                }
                *number
            }));
        }
        let went_to = (0..input.positions.len() as u32)
            .map(|vertex| number[self.living(vertex) as usize])
            .collect();
        Reduced { mesh, went_to }
    }

    /// The place of a vertex in single precision. The two sides of a cut may have come to one place; then the later one
    /// goes outwards by the least steps that single precision knows, since one place would be one vertex for whoever
    /// reads the file.
    fn own_place(&self, vertex: u32, middle: DVec3, taken: &mut HashSet<[u32; 3]>) -> [f32; 3] {
        let place = self.surface.positions[vertex as usize] + middle;
        let mut stored = place.as_vec3().to_array();
        if !self.pressure.closes_tunnels() {
            return stored;
        }
        let outwards: DVec3 = self
            .surface
            .corners(vertex)
            .map(|corner| {
                let [b, c] = self
                    .surface
                    .others(corner)
                    .map(|other| self.surface.positions[other as usize]);
                let here = self.surface.positions[vertex as usize];
                (b - here).cross(c - here)
            })
            .sum();
        let outwards = outwards.try_normalize().unwrap_or(DVec3::Y);
        let step =
            2.0 * f64::from(f32::EPSILON) * place.abs().max_element().max(f64::from(f32::MIN_POSITIVE));
        let mut steps = 0.0;
        while !taken.insert(stored.map(f32::to_bits)) {
            steps += 1.0;
            stored = (place + outwards * (step * steps)).as_vec3().to_array();
        }
        stored
    }
}
