//! The surface while it is reduced: triangles over vertices, with a list of the corners at each vertex.

use glam::DVec3;

use crate::Mesh;
use crate::spatial::{Fans, others};

/// End of a list.
pub(super) const END: u32 = u32::MAX;

/// Triangles that can be merged away. Vertices and triangles keep their numbers for life.
pub(super) struct Surface {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    pub tags: Vec<u16>,
    /// UVs of the corners of each triangle; empty where the mesh has none.
    pub uvs: Vec<[Uv; 3]>,
    pub alive: Vec<bool>,
    /// Living triangles.
    pub living: usize,
    /// For each vertex where its corners begin in `corners_at`, and how many there are; dead ones stay until the vertex is merged.
    ranges: Vec<[u32; 2]>,
    /// A list that grows is written anew at the end: side by side in memory, the corners at a vertex are read in one go.
    corners_at: Vec<u32>,
    /// At this length the lists are written anew without gaps.
    longest: usize,
    /// Marks of vertices met in the current question.
    marks: Vec<u32>,
    mark: u32,
}

/// A place in the map.
pub(super) type Uv = [f64; 2];

/// The faces at an edge.
#[derive(Debug, Clone, Copy)]
pub(super) struct EdgeFaces {
    /// How many, at most 2.
    pub count: usize,
    /// Their tags.
    pub tags: [u16; 2],
    /// Their third vertices.
    pub tips: [u32; 2],
    /// The corners at the edge's two ends in each face.
    pub corners: [[u32; 2]; 2],
    /// The UVs of the two faces differ along the edge.
    pub is_seam: bool,
}

impl EdgeFaces {
    /// The edge lies between two tags or on a seam of the UVs, or has a face on one side only.
    pub fn is_border(&self) -> bool {
        self.count != 2 || self.tags[0] != self.tags[1] || self.is_seam
    }
}

/// A living corner of a vertex, and the two vertices after it in the triangle's order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spoke {
    pub corner: u32,
    pub others: [u32; 2],
}

/// What stands against a collapse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Link {
    /// Nothing: the surface keeps its form.
    Sound,
    /// This vertex is beside both ends without a face between the three: a loop of three edges.
    Loop(u32),
    /// Anything else.
    Broken,
}

impl Surface {
    pub fn new(mesh: &Mesh, positions: Vec<DVec3>, fans: &Fans) -> Self {
        let triangles = mesh.triangles.clone();
        let alive: Vec<bool> = triangles
            .iter()
            .map(|&[a, b, c]| a != b && b != c && c != a)
            .collect();
        let mut surface = Self {
            ranges: vec![[0; 2]; positions.len()],
            corners_at: Vec::with_capacity(triangles.len() * 6),
            longest: (triangles.len() * 6).max(1024),
            marks: vec![0; positions.len()],
            mark: 0,
            living: alive.iter().filter(|&&alive| alive).count(),
            positions,
            triangles,
            tags: mesh.face_tags.clone(),
            uvs: mesh
                .uvs
                .iter()
                .flatten()
                .map(|corners| corners.map(|uv| uv.map(f64::from)))
                .collect(),
            alive,
        };
        for vertex in 0..surface.positions.len() {
            surface.set_list(vertex as u32, fans.of(vertex).iter().copied());
        }
        surface
    }

    /// Living corners at a vertex.
    pub fn corners(&self, vertex: u32) -> impl Iterator<Item = u32> + '_ {
        let listed = self.listed(vertex).iter().copied();
        listed.filter(|&corner| self.alive[corner as usize / 3])
    }

    /// Corners at a vertex, dead ones among them.
    fn listed(&self, vertex: u32) -> &[u32] {
        let [begin, count] = self.ranges[vertex as usize];
        &self.corners_at[begin as usize..(begin + count) as usize]
    }

    /// The two vertices after a corner, in the triangle's order.
    pub fn others(&self, corner: u32) -> [u32; 2] {
        others(corner, &self.triangles)
    }

    /// Where the corners of a triangle are.
    pub fn places(&self, triangle: u32) -> [DVec3; 3] {
        self.triangles[triangle as usize].map(|corner| self.positions[corner as usize])
    }

    /// Fills `spokes` with the living corners at a vertex: several questions about one vertex then walk its list once.
    pub fn gather(&self, vertex: u32, spokes: &mut Vec<Spoke>) {
        spokes.clear();
        spokes.reserve(self.listed(vertex).len());
        for spoke in self.spokes(vertex) {
            spokes.push(spoke);
        }
    }

    fn spokes(&self, vertex: u32) -> impl Iterator<Item = Spoke> + '_ {
        self.corners(vertex).map(|corner| Spoke {
            corner,
            others: self.others(corner),
        })
    }

    /// The faces at an edge; `None` for more than two.
    pub fn faces_at(&self, a: u32, b: u32) -> Option<EdgeFaces> {
        self.faces_among(self.spokes(a), b)
    }

    /// The faces at the edge from a vertex with these spokes to `b`; `None` for more than two.
    pub fn faces_among(&self, spokes: impl Iterator<Item = Spoke>, b: u32) -> Option<EdgeFaces> {
        let mut faces = EdgeFaces {
            count: 0,
            tags: [0; 2],
            tips: [END; 2],
            corners: [[END; 2]; 2],
            is_seam: false,
        };
        for spoke in spokes {
            let [first, second] = spoke.others;
            if first == b || second == b {
                if faces.count == 2 {
                    return None;
                }
                faces.tags[faces.count] = self.tags[spoke.corner as usize / 3];
                faces.tips[faces.count] = if first == b { second } else { first };
                let place = spoke.corner % 3;
                let there = if first == b { place + 1 } else { place + 2 } % 3;
                faces.corners[faces.count] = [spoke.corner, spoke.corner - place + there];
                faces.count += 1;
            }
        }
        if faces.count == 2 && !self.uvs.is_empty() {
            let [left, right] = faces.corners.map(|corners| corners.map(|corner| self.uv(corner)));
            faces.is_seam = left != right;
        }
        Some(faces)
    }

    /// UVs at a corner; the same for all where the mesh has none.
    pub fn uv(&self, corner: u32) -> Uv {
        let of_triangle = self.uvs.get(corner as usize / 3);
        of_triangle.map_or([0.0; 2], |uvs| uvs[corner as usize % 3])
    }

    /// Whether the UVs of two faces differ along the edge from a vertex to another one, which in either face stands so many places after
    /// the vertex's corner.
    pub fn is_seam(&self, corners: [u32; 2], places: [u32; 2]) -> bool {
        if self.uvs.is_empty() {
            return false;
        }
        let far = |side: usize| corners[side] / 3 * 3 + (corners[side] + places[side]) % 3;
        self.uv(corners[0]) != self.uv(corners[1]) || self.uv(far(0)) != self.uv(far(1))
    }

    /// An edge between two tags, on a seam, of one face, or of more than two.
    pub fn is_border(&self, a: u32, b: u32) -> bool {
        self.faces_at(a, b).is_none_or(|faces| faces.is_border())
    }

    /// Whether a collapse of the edge between two vertices with these spokes keeps the surface a surface.
    ///
    /// The link condition (Dey, Edelsbrunner, Guha & Nekhayev 1999, from memory): vertices beside both ends are only
    /// the tips of the faces that vanish, and edges opposite both ends there are none: these are only in a tetrahedron,
    /// of which two faces back to back would be left.
    pub fn link(&mut self, [at_a, at_b]: [&[Spoke]; 2], faces: &EdgeFaces) -> Link {
        if faces.count == 0 || (faces.count == 2 && faces.tips[0] == faces.tips[1]) {
            return Link::Broken;
        }
        let tips = faces.tips;
        let has_face = |spokes: &[Spoke]| {
            let [left, right] = tips;
            spokes
                .iter()
                .any(|spoke| spoke.others == [left, right] || spoke.others == [right, left])
        };
        if faces.count == 2 && has_face(at_a) && has_face(at_b) {
            return Link::Broken;
        }
        self.mark += 1;
        let mark = self.mark;
        for &other in at_a.iter().flat_map(|spoke| &spoke.others) {
            self.marks[other as usize] = mark;
        }
        let found = at_b
            .iter()
            .flat_map(|spoke| spoke.others)
            .filter(|&other| self.marks[other as usize] == mark && !tips.contains(&other))
            .min();
        found.map_or(Link::Sound, Link::Loop)
    }

    /// Moves everything of `b` to `a`, and `a` to `place`. The faces between them die.
    pub fn merge(&mut self, a: u32, b: u32, place: DVec3) {
        if self.corners_at.len() >= self.longest {
            self.close_gaps();
        }
        let merged = self.corners_at.len();
        for vertex in [a, b] {
            let [begin, count] = self.ranges[vertex as usize];
            for place in begin..begin + count {
                let corner = self.corners_at[place as usize];
                let triangle = corner as usize / 3;
                if !self.alive[triangle] {
                    continue;
                }
                let corners = &mut self.triangles[triangle];
                if corners.contains(&a) && corners.contains(&b) {
                    self.alive[triangle] = false;
                    self.living -= 1;
                } else {
                    corners[corner as usize % 3] = a;
                    self.corners_at.push(corner);
                }
            }
        }
        self.ranges[a as usize] = [merged as u32, (self.corners_at.len() - merged) as u32];
        self.ranges[b as usize][1] = 0;
        self.positions[a as usize] = place;
    }

    /// Writes all lists anew, in the order of vertices and without the dead.
    pub fn close_gaps(&mut self) {
        let mut close = Vec::with_capacity(self.corners_at.capacity());
        for range in &mut self.ranges {
            let [begin, count] = *range;
            let listed = &self.corners_at[begin as usize..(begin + count) as usize];
            let start = close.len();
            close.extend(listed.iter().filter(|&&corner| self.alive[corner as usize / 3]));
            *range = [start as u32, (close.len() - start) as u32];
        }
        self.corners_at = close;
        self.longest = self.longest.max(self.corners_at.len() * 2);
    }

    /// No living face uses it.
    pub fn is_gone(&self, vertex: u32) -> bool {
        self.ranges[vertex as usize][1] == 0
    }

    /// Adds a vertex without faces.
    pub fn add_vertex(&mut self, position: DVec3) -> u32 {
        self.positions.push(position);
        self.ranges.push([0; 2]);
        self.marks.push(0);
        (self.positions.len() - 1) as u32
    }

    /// Adds a living triangle to the lists of its vertices; all of it lies at one place in the map.
    pub fn add_triangle(&mut self, corners: [u32; 3], tag: u16, uv: Uv) {
        let number = self.triangles.len() as u32;
        self.triangles.push(corners);
        self.tags.push(tag);
        if !self.uvs.is_empty() {
            self.uvs.push([uv; 3]);
        }
        self.alive.push(true);
        self.living += 1;
        for (place, vertex) in corners.into_iter().enumerate() {
            let mut listed = vec![number * 3 + place as u32];
            listed.extend(self.corners(vertex));
            self.set_list(vertex, listed);
        }
    }

    /// Gives corners of one vertex to another.
    pub fn give(&mut self, corners: &[u32], from: u32, to: u32) {
        let kept: Vec<u32> = self
            .corners(from)
            .filter(|corner| !corners.contains(corner))
            .collect();
        for &corner in corners {
            self.triangles[corner as usize / 3][corner as usize % 3] = to;
        }
        self.set_list(from, kept);
        self.set_list(to, corners.iter().copied());
    }

    fn set_list(&mut self, vertex: u32, corners: impl IntoIterator<Item = u32>) {
        let begin = self.corners_at.len();
        self.corners_at.extend(corners);
        self.ranges[vertex as usize] = [begin as u32, (self.corners_at.len() - begin) as u32];
    }
}
