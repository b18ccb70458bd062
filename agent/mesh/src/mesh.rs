//! The one representation that all operations work on.

use std::collections::HashMap;

use crate::groups::FaceGroups;

/// Triangles over shared positions. Metres, right-handed, +Y up, counter-clockwise seen from outside.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Mesh {
    /// Metres; equal positions are one vertex wherever the source allows it.
    pub positions: Vec<[f32; 3]>,
    /// Indexes into `positions`.
    pub triangles: Vec<[u32; 3]>,
    /// For each triangle an index into `tags`, or [`UNTAGGED`].
    pub face_tags: Vec<u16>,
    /// Tag names, in order of first use by the source.
    pub tags: Vec<String>,
    /// UV of each corner of each triangle; (0, 0) is the upper left corner of a map, as in glTF. A triangle whose three corners all
    /// lie exactly there has none: so readers mark faces without UVs among others that have them, and so it survives in files.
    pub uvs: Option<Vec<[[f32; 2]; 3]>>,
    /// Unit normal of each corner of each triangle; computed on writing where absent.
    pub normals: Option<Vec<[[f32; 3]; 3]>>,
    /// Names of groups and objects, as the file had them. Whatever makes new triangles leaves them out.
    pub groups: Option<FaceGroups>,
}

/// The face carries no tag.
pub const UNTAGGED: u16 = u16::MAX;

/// A mesh that breaks its own rules.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MeshError {
    /// A triangle points past the positions.
    #[error("triangle {triangle} uses vertex {vertex}, but there are {vertices} vertices")]
    IndexOutOfRange {
        /// Which, from 0.
        triangle: usize,
        /// What it uses.
        vertex: u32,
        /// How many there are.
        vertices: usize,
    },
    /// A position, UV or normal is infinite or not a number.
    #[error("the {what} {index} is infinite or not a number")]
    NotFinite {
        /// `position of vertex`, `UV of triangle` or `normal of triangle`.
        what: &'static str,
        /// Of the vertex or the triangle, from 0.
        index: usize,
    },
    /// Two arrays that belong together differ in length.
    #[error("{what} are {found}, but there are {triangles} triangles")]
    LengthMismatch {
        /// Which array.
        what: &'static str,
        /// Its length.
        found: usize,
        /// What it should be.
        triangles: usize,
    },
    /// A face points past the tags.
    #[error("triangle {triangle} has tag number {tag}, but there are {tags} tags")]
    TagOutOfRange {
        /// Which, from 0.
        triangle: usize,
        /// Its tag.
        tag: u16,
        /// How many there are.
        tags: usize,
    },
}

/// An axis-aligned box, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// Least coordinates.
    pub least: [f32; 3],
    /// Greatest coordinates.
    pub most: [f32; 3],
}

impl Bounds {
    /// Of points; `None` if there is none.
    pub fn of(points: impl IntoIterator<Item = [f32; 3]>) -> Option<Self> {
        points.into_iter().fold(None, |bounds, point| {
            let mut grown = bounds.unwrap_or(Self {
                least: point,
                most: point,
            });
            for (axis, coordinate) in point.into_iter().enumerate() {
                grown.least[axis] = grown.least[axis].min(coordinate);
                grown.most[axis] = grown.most[axis].max(coordinate);
            }
            Some(grown)
        })
    }

    /// Extent along each axis, metres.
    pub fn size(&self) -> [f32; 3] {
        [0, 1, 2].map(|axis| self.most[axis] - self.least[axis])
    }

    /// The middle.
    pub fn center(&self) -> [f32; 3] {
        [0, 1, 2].map(|axis| 0.5 * (self.most[axis] + self.least[axis]))
    }

    /// From corner to opposite corner, metres.
    pub fn diagonal(&self) -> f32 {
        self.size().iter().map(|side| side * side).sum::<f32>().sqrt()
    }
}

/// How the triangles of a mesh hang together by their edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EdgeCounts {
    /// All edges.
    pub edges: usize,
    /// Edges of exactly one triangle.
    pub boundary: usize,
    /// Edges of more than two triangles.
    pub over_two: usize,
    /// Edges whose two triangles run through them in the same direction, so that one is turned inside out.
    pub turned: usize,
}

impl Mesh {
    /// Box around the vertices that triangles use; `None` for a mesh without triangles.
    pub fn bounds(&self) -> Option<Bounds> {
        Bounds::of(
            self.triangles
                .iter()
                .flatten()
                .map(|&index| self.positions[index as usize]),
        )
    }

    /// The three corners of a triangle.
    pub fn corners(&self, triangle: usize) -> [[f32; 3]; 3] {
        self.triangles[triangle].map(|index| self.positions[index as usize])
    }

    /// The triangle has UVs of its own, however small its place in the map.
    pub fn has_uv(&self, triangle: usize) -> bool {
        let corners = self.uvs.as_ref().and_then(|uvs| uvs.get(triangle));
        corners.is_some_and(|corners| corners.as_flattened().iter().any(|coordinate| *coordinate != 0.0))
    }

    /// Square metres of one triangle.
    pub fn triangle_area(&self, triangle: usize) -> f64 {
        let [a, b, c] = self.corners(triangle).map(glam_f64);
        0.5 * (b - a).cross(c - a).length()
    }

    /// Square metres.
    pub fn area(&self) -> f64 {
        (0..self.triangles.len())
            .map(|triangle| self.triangle_area(triangle))
            .sum()
    }

    /// Cubic metres enclosed, negative if the triangles face inwards; meaningful for closed meshes only.
    /// Sum of the signed tetrahedra to the box's middle, which keeps the terms small.
    pub fn volume(&self) -> f64 {
        let Some(bounds) = self.bounds() else { return 0.0 };
        let origin = glam_f64(bounds.center());
        (0..self.triangles.len())
            .map(|triangle| {
                let [a, b, c] = self.corners(triangle).map(|corner| glam_f64(corner) - origin);
                a.dot(b.cross(c)) / 6.0
            })
            .sum()
    }

    /// Edge counts over vertex indices. A triangle that uses a vertex twice is no triangle and is left out.
    pub fn edge_counts(&self) -> EdgeCounts {
        let mut edges: Vec<(u32, u32, bool)> = Vec::with_capacity(self.triangles.len() * 3);
        for &[a, b, c] in self
            .triangles
            .iter()
            .filter(|triangle| has_three_vertices(triangle))
        {
            edges.extend([(a, b), (b, c), (c, a)].map(|(from, to)| (from.min(to), from.max(to), from < to)));
        }
        edges.sort_unstable();
        let mut counts = EdgeCounts {
            edges: 0,
            boundary: 0,
            over_two: 0,
            turned: 0,
        };
        for same in edges.chunk_by(|left, right| (left.0, left.1) == (right.0, right.1)) {
            counts.edges += 1;
            match same {
                [_] => counts.boundary += 1,
                [first, second] if first.2 == second.2 => counts.turned += 1,
                [_, _] => {}
                _ => counts.over_two += 1,
            }
        }
        counts
    }

    /// V - E + F over the vertices in use. Collapsed triangles count as they stand, with the edge from a vertex to itself as one edge
    /// per vertex: so do other programs, and figures can be compared.
    pub fn euler_characteristic(&self) -> i64 {
        let mut used = vec![false; self.positions.len()];
        self.triangles
            .iter()
            .flatten()
            .for_each(|&index| used[index as usize] = true);
        let vertices = used.iter().filter(|used| **used).count();
        let sides = self
            .triangles
            .iter()
            .flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)]);
        let mut edges: Vec<(u32, u32)> = sides.map(|(from, to)| (from.min(to), from.max(to))).collect();
        edges.sort_unstable();
        edges.dedup();
        vertices as i64 - edges.len() as i64 + self.triangles.len() as i64
    }

    /// Every edge belongs to exactly two triangles that run through it in opposite directions.
    pub fn is_closed(&self) -> bool {
        let counts = self.edge_counts();
        counts.edges > 0 && counts.boundary == 0 && counts.over_two == 0 && counts.turned == 0
    }

    /// Index of a tag of that name.
    pub fn tag_index(&self, name: &str) -> Option<u16> {
        self.tags
            .iter()
            .position(|tag| tag == name)
            .map(|index| index as u16)
    }

    /// Name of a face's tag.
    pub fn tag_of(&self, triangle: usize) -> Option<&str> {
        self.tags
            .get(usize::from(self.face_tags[triangle]))
            .map(String::as_str)
    }

    /// Makes bit-equal positions one vertex (0.0 and -0.0 are equal), in order of first use, and drops unused ones.
    pub fn welded(mut self) -> Self {
        const UNKNOWN: u32 = u32::MAX;
        let mut index_of: HashMap<[u32; 3], u32> = HashMap::with_capacity(self.positions.len());
        let mut positions = Vec::with_capacity(self.positions.len());
        // Each vertex is looked up by its place once, however many triangles use it.
        let mut became = vec![UNKNOWN; self.positions.len()];
        for corner in self.triangles.iter_mut().flatten() {
            let known = &mut became[*corner as usize];
            if *known == UNKNOWN {
                // Adding 0.0 turns -0.0 into 0.0 and leaves every other number as it is.
                let position = self.positions[*corner as usize].map(|coordinate| coordinate + 0.0);
                *known = *index_of.entry(position.map(f32::to_bits)).or_insert_with(|| {
                    positions.push(position);
                    (positions.len() - 1) as u32
                });
            }
            *corner = *known;
        }
        self.positions = positions;
        self
    }

    /// Checks everything that the fields promise; operations may rely on it afterwards.
    pub fn validate(&self) -> Result<(), MeshError> {
        let triangles = self.triangles.len();
        let lengths = [
            ("face tags", Some(self.face_tags.len())),
            ("UV triples", self.uvs.as_ref().map(Vec::len)),
            ("normal triples", self.normals.as_ref().map(Vec::len)),
            ("sets of group names", self.groups.as_ref().map(FaceGroups::len)),
        ];
        for (what, found) in lengths {
            if let Some(found) = found.filter(|found| *found != triangles) {
                return Err(MeshError::LengthMismatch {
                    what,
                    found,
                    triangles,
                });
            }
        }
        for (triangle, indices) in self.triangles.iter().enumerate() {
            if let Some(&vertex) = indices
                .iter()
                .find(|index| **index as usize >= self.positions.len())
            {
                return Err(MeshError::IndexOutOfRange {
                    triangle,
                    vertex,
                    vertices: self.positions.len(),
                });
            }
        }
        for (triangle, &tag) in self.face_tags.iter().enumerate() {
            if tag != UNTAGGED && usize::from(tag) >= self.tags.len() {
                return Err(MeshError::TagOutOfRange {
                    triangle,
                    tag,
                    tags: self.tags.len(),
                });
            }
        }
        let bad_position = self.positions.iter().position(|position| !all_finite(position));
        let bad_uv = self
            .uvs
            .as_ref()
            .and_then(|uvs| uvs.iter().position(|uv| !all_finite(uv.as_flattened())));
        let bad_normal = self.normals.as_ref().and_then(|normals| {
            normals
                .iter()
                .position(|normal| !all_finite(normal.as_flattened()))
        });
        for (what, bad) in [
            ("position of vertex", bad_position),
            ("UV of triangle", bad_uv),
            ("normal of triangle", bad_normal),
        ] {
            if let Some(index) = bad {
                return Err(MeshError::NotFinite { what, index });
            }
        }
        Ok(())
    }
}

fn all_finite(values: &[f32]) -> bool {
    values.iter().all(|value| value.is_finite())
}

fn has_three_vertices(&[a, b, c]: &[u32; 3]) -> bool {
    a != b && b != c && c != a
}

fn glam_f64(point: [f32; 3]) -> glam::DVec3 {
    glam::Vec3::from(point).as_dvec3()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The unit cube, outwards.
    pub(crate) fn cube() -> Mesh {
        let positions = (0..8)
            .map(|corner| [corner & 1, corner >> 1 & 1, corner >> 2 & 1].map(|bit| bit as f32))
            .collect();
        let quads = [
            [0, 2, 3, 1],
            [4, 5, 7, 6],
            [0, 1, 5, 4],
            [2, 6, 7, 3],
            [0, 4, 6, 2],
            [1, 3, 7, 5],
        ];
        let triangles: Vec<[u32; 3]> = quads
            .iter()
            .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]])
            .collect();
        let face_tags = vec![UNTAGGED; triangles.len()];
        Mesh {
            positions,
            triangles,
            face_tags,
            ..Mesh::default()
        }
    }

    #[test]
    fn a_cube_has_the_figures_of_a_cube() {
        let cube = cube();
        assert_eq!(cube.validate(), Ok(()));
        assert!((cube.area() - 6.0).abs() < 1e-12);
        assert!((cube.volume() - 1.0).abs() < 1e-12);
        assert_eq!(cube.euler_characteristic(), 2);
        assert!(cube.is_closed());
    }

    #[test]
    fn a_missing_face_opens_and_a_turned_one_is_noticed() {
        let mut open = cube();
        open.triangles.pop();
        open.face_tags.pop();
        assert_eq!(open.edge_counts().boundary, 3);
        assert!(!open.is_closed());

        let mut turned = cube();
        turned.triangles[0].swap(0, 1);
        assert_eq!(turned.edge_counts().turned, 3);
        assert!(!turned.is_closed());
    }

    #[test]
    fn welding_closes_a_cube_of_separate_triangles() {
        let cube = cube();
        let soup = Mesh {
            positions: cube
                .triangles
                .iter()
                .flatten()
                .map(|&index| cube.positions[index as usize])
                .collect(),
            triangles: (0..12)
                .map(|face| [face * 3, face * 3 + 1, face * 3 + 2])
                .collect(),
            ..cube.clone()
        };
        assert!(!soup.is_closed());
        let welded = soup.welded();
        assert!(welded.is_closed());
        assert_eq!(welded.positions.len(), 8);
    }

    #[test]
    fn validation_names_what_is_broken() {
        let mut mesh = cube();
        mesh.triangles[3][1] = 8;
        assert_eq!(
            mesh.validate(),
            Err(MeshError::IndexOutOfRange {
                triangle: 3,
                vertex: 8,
                vertices: 8
            })
        );
        let mut mesh = cube();
        mesh.positions[2][0] = f32::NAN;
        assert_eq!(
            mesh.validate(),
            Err(MeshError::NotFinite {
                what: "position of vertex",
                index: 2
            })
        );
        let mut mesh = cube();
        mesh.face_tags[5] = 0;
        assert_eq!(
            mesh.validate(),
            Err(MeshError::TagOutOfRange {
                triangle: 5,
                tag: 0,
                tags: 0
            })
        );
    }
}
