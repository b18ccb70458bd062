//! Which edges may collapse, where to, and in which order.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use glam::DVec3;
use rayon::prelude::*;

use super::quadric::Quadric;
use crate::Mesh;
use crate::spatial::{Fans, others, point};

/// End of a list.
const END: u32 = u32::MAX;
/// Weight of the planes that hold tag borders and open borders, beside those of faces.
const BORDER_WEIGHT: f64 = 10.0;
/// Cost of an edge's length where planes cost nothing, so that flats reduce evenly: as much as straying by a
/// three-thousandth of the length.
const LENGTH_COST: f64 = 1.0e-7;
/// A face may turn by up to 78 degrees in one collapse.
const LEAST_COSINE: f64 = 0.2;
/// Least height of a face over its longest edge.
const LEAST_SHAPE: f64 = 0.002;

/// What a vertex lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Free,
    /// Exactly two border edges meet here.
    Border,
    /// One, three or more border edges meet here: it stays in its place.
    Corner,
}

/// A collapse that was possible when it was pushed. The cheapest is the greatest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Candidate {
    /// Bits of the cost, a float that is not negative, so that they sort as it does.
    cost: u32,
    a: u32,
    b: u32,
    /// Sum of the vertices' versions; another sum says that it is out of date.
    version: u32,
}

impl Ord for Candidate {
    fn cmp(&self, other: &Self) -> Ordering {
        (other.cost, other.a, other.b, other.version).cmp(&(self.cost, self.a, self.b, self.version))
    }
}

impl PartialOrd for Candidate {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

struct Reducer {
    positions: Vec<DVec3>,
    quadrics: Vec<Quadric>,
    kinds: Vec<Kind>,
    versions: Vec<u32>,
    triangles: Vec<[u32; 3]>,
    tags: Vec<u16>,
    alive: Vec<bool>,
    living: usize,
    /// For each vertex the list of its corners: first, last, and for each corner the next.
    first: Vec<u32>,
    last: Vec<u32>,
    next: Vec<u32>,
    /// Marks of vertices met in the current question.
    marks: Vec<u32>,
    mark: u32,
}

/// Collapses edges of a welded mesh until at most `budget` triangles are left or none may collapse.
pub(super) fn reduce(mesh: &Mesh, budget: usize) -> Mesh {
    let mut reducer = Reducer::new(mesh);
    // What a neighbour stood in the way of may be possible after it has gone, so ask again until nothing is.
    while reducer.living > budget {
        let before = reducer.living;
        let mut heap = BinaryHeap::from(reducer.all_candidates());
        while reducer.living > budget {
            let Some(candidate) = heap.pop() else { break };
            reducer.collapse(&candidate, &mut heap);
        }
        if reducer.living == before {
            break;
        }
    }
    reducer.into_mesh(mesh)
}

impl Reducer {
    fn new(mesh: &Mesh) -> Self {
        let bounds = mesh.bounds();
        // Near the origin quadrics lose the fewest digits.
        let middle = bounds.map_or(DVec3::ZERO, |bounds| point(bounds.center()));
        let positions: Vec<DVec3> = mesh
            .positions
            .iter()
            .map(|&position| point(position) - middle)
            .collect();
        let triangles = mesh.triangles.clone();
        let alive: Vec<bool> = triangles
            .iter()
            .map(|&[a, b, c]| a != b && b != c && c != a)
            .collect();
        let fans = Fans::new(&triangles, positions.len());
        let tags = mesh.face_tags.clone();
        let prepared: Vec<(Quadric, Kind)> = (0..positions.len())
            .into_par_iter()
            .map(|vertex| prepare(vertex, &positions, &triangles, &tags, &alive, &fans))
            .collect();
        let (quadrics, kinds) = prepared.into_iter().unzip();
        let mut first = vec![END; positions.len()];
        let mut last = vec![END; positions.len()];
        let mut next = vec![END; triangles.len() * 3];
        for vertex in 0..positions.len() {
            let corners = fans.of(vertex);
            if let [begin, .., end] | [begin @ end] = corners {
                first[vertex] = *begin;
                last[vertex] = *end;
            }
            for pair in corners.windows(2) {
                next[pair[0] as usize] = pair[1];
            }
        }
        Self {
            versions: vec![0; positions.len()],
            marks: vec![0; positions.len()],
            mark: 0,
            living: alive.iter().filter(|&&alive| alive).count(),
            positions,
            quadrics,
            kinds,
            triangles,
            tags,
            alive,
            first,
            last,
            next,
        }
    }

    fn all_candidates(&self) -> Vec<Candidate> {
        (0..self.triangles.len())
            .into_par_iter()
            .filter(|&triangle| self.alive[triangle])
            .flat_map_iter(|triangle| {
                let [a, b, c] = self.triangles[triangle];
                // An edge comes up once for each of its faces; the lower triangle speaks for it.
                [(a, b), (b, c), (c, a)]
                    .into_iter()
                    .filter(move |&(from, to)| self.lowest_with(from, to) == triangle as u32)
                    .filter_map(|(from, to)| self.candidate(from, to))
            })
            .collect()
    }

    fn lowest_with(&self, a: u32, b: u32) -> u32 {
        self.corners(a)
            .map(|corner| corner / 3)
            .filter(|&triangle| self.triangles[triangle as usize].contains(&b))
            .min()
            .unwrap_or(END)
    }

    /// Living corners at a vertex.
    fn corners(&self, vertex: u32) -> impl Iterator<Item = u32> {
        let mut corner = self.first[vertex as usize];
        std::iter::from_fn(move || {
            while corner != END {
                let here = corner;
                corner = self.next[here as usize];
                if self.alive[here as usize / 3] {
                    return Some(here);
                }
            }
            None
        })
    }

    /// Where the edge would go and at what cost; none where kinds forbid it.
    fn target(&self, a: u32, b: u32) -> Option<(DVec3, f64)> {
        let [pa, pb] = [a, b].map(|vertex| self.positions[vertex as usize]);
        let [kind_a, kind_b] = [a, b].map(|vertex| self.kinds[vertex as usize]);
        let mut sum = self.quadrics[a as usize];
        sum.add(&self.quadrics[b as usize]);
        let length_squared = pa.distance_squared(pb);
        let place = match kind_a.cmp(&kind_b) {
            Ordering::Greater => pa,
            Ordering::Less => pb,
            Ordering::Equal if kind_a == Kind::Corner => return None,
            Ordering::Equal => {
                let middle = (pa + pb) * 0.5;
                let best = sum.least_near(middle);
                // Far away the planes are nearly parallel and their meeting place says nothing.
                if best.distance_squared(middle) <= 4.0 * length_squared {
                    best
                } else {
                    middle
                }
            }
        };
        Some((place, sum.at(place) + LENGTH_COST * length_squared * sum.weight))
    }

    fn candidate(&self, a: u32, b: u32) -> Option<Candidate> {
        let (a, b) = (a.min(b), a.max(b));
        let (_, cost) = self.target(a, b)?;
        let version = self.versions[a as usize].wrapping_add(self.versions[b as usize]);
        Some(Candidate {
            cost: (cost as f32).to_bits(),
            a,
            b,
            version,
        })
    }

    fn collapse(&mut self, candidate: &Candidate, heap: &mut BinaryHeap<Candidate>) {
        let (a, b) = (candidate.a, candidate.b);
        if self.first[a as usize] == END || self.first[b as usize] == END {
            return;
        }
        if self.versions[a as usize].wrapping_add(self.versions[b as usize]) != candidate.version {
            return;
        }
        let Some((place, _)) = self.target(a, b) else {
            return;
        };
        if !self.keeps_surface(a, b) || !self.keeps_sides(a, b, place) || !self.keeps_sides(b, a, place) {
            return;
        }
        self.merge(a, b, place);
        self.mark += 1;
        let mark = self.mark;
        let mut corner = self.first[a as usize];
        while corner != END {
            for other in others(corner, &self.triangles) {
                if self.marks[other as usize] != mark {
                    self.marks[other as usize] = mark;
                    heap.extend(self.candidate(a, other));
                }
            }
            corner = self.next[corner as usize];
        }
    }

    /// The collapse neither tears nor pinches the surface and leaves every border its course.
    ///
    /// The link condition (Dey, Edelsbrunner, Guha & Nekhayev 1999, from memory): vertices beside both ends are only
    /// those of the faces at the edge.
    fn keeps_surface(&mut self, a: u32, b: u32) -> bool {
        self.mark += 2;
        let (beside_a, counted) = (self.mark - 1, self.mark);
        let mut faces = 0;
        let mut face_tags = [0; 2];
        let mut tips = [END; 2];
        for corner in self.corners(a).collect::<Few>() {
            let [first, second] = others(corner, &self.triangles);
            self.marks[first as usize] = beside_a;
            self.marks[second as usize] = beside_a;
            if first == b || second == b {
                if faces == 2 {
                    return false;
                }
                face_tags[faces] = self.tags[corner as usize / 3];
                tips[faces] = if first == b { second } else { first };
                faces += 1;
            }
        }
        if faces == 0 {
            return false;
        }
        let mut common = 0;
        for corner in self.corners(b).collect::<Few>() {
            for other in others(corner, &self.triangles) {
                if self.marks[other as usize] == beside_a {
                    self.marks[other as usize] = counted;
                    common += 1;
                }
            }
        }
        if common != faces || (faces == 2 && tips[0] == tips[1]) {
            return false;
        }
        let is_border = faces == 1 || face_tags[0] != face_tags[1];
        if !is_border && self.kinds[a as usize] != Kind::Free && self.kinds[b as usize] != Kind::Free {
            return false;
        }
        // A face with two more border edges is the last of its patch.
        !tips[..faces]
            .iter()
            .any(|&tip| self.is_border(a, tip) && self.is_border(b, tip))
    }

    fn is_border(&self, a: u32, b: u32) -> bool {
        let mut faces = 0;
        let mut tags = [0; 2];
        for corner in self.corners(a) {
            if others(corner, &self.triangles).contains(&b) {
                if faces == 2 {
                    return true;
                }
                tags[faces] = self.tags[corner as usize / 3];
                faces += 1;
            }
        }
        faces != 2 || tags[0] != tags[1]
    }

    /// No face of `vertex` that stays turns over or becomes a sliver when the vertex goes to `place`.
    fn keeps_sides(&self, vertex: u32, gone: u32, place: DVec3) -> bool {
        let here = self.positions[vertex as usize];
        self.corners(vertex).all(|corner| {
            let [first, second] = others(corner, &self.triangles);
            if first == gone || second == gone {
                return true;
            }
            let [b, c] = [first, second].map(|other| self.positions[other as usize]);
            let before = (b - here).cross(c - here);
            let (to_b, to_c) = (b - place, c - place);
            let after = to_b.cross(to_c);
            let area_squared = after.length_squared();
            let longest = to_b
                .length_squared()
                .max(to_c.length_squared())
                .max((c - b).length_squared());
            let shape_limit = LEAST_SHAPE * LEAST_SHAPE * longest * longest;
            // A sliver may stay one as long as it gets no worse.
            if area_squared <= shape_limit && area_squared <= before.length_squared() {
                return false;
            }
            let along = after.dot(before);
            along > 0.0
                && along * along >= LEAST_COSINE * LEAST_COSINE * area_squared * before.length_squared()
        })
    }

    /// Moves everything of `b` to `a`, and `a` to `place`.
    fn merge(&mut self, a: u32, b: u32, place: DVec3) {
        for corner in self.corners(b).collect::<Few>() {
            let triangle = corner as usize / 3;
            if self.triangles[triangle].contains(&a) {
                self.alive[triangle] = false;
                self.living -= 1;
            } else {
                self.triangles[triangle][corner as usize % 3] = a;
            }
        }
        let quadric = self.quadrics[b as usize];
        self.quadrics[a as usize].add(&quadric);
        self.kinds[a as usize] = self.kinds[a as usize].max(self.kinds[b as usize]);
        self.positions[a as usize] = place;
        self.versions[a as usize] = self.versions[a as usize]
            .wrapping_add(1)
            .max(self.versions[b as usize].wrapping_add(1));
        // One list of both, without the dead.
        let joined: Few = self
            .list(a)
            .chain(self.list(b))
            .filter(|&corner| self.alive[corner as usize / 3])
            .collect();
        self.first[b as usize] = END;
        self.last[b as usize] = END;
        self.first[a as usize] = joined.first().unwrap_or(END);
        let mut before = END;
        for corner in joined {
            if before != END {
                self.next[before as usize] = corner;
            }
            before = corner;
        }
        self.last[a as usize] = before;
        if before != END {
            self.next[before as usize] = END;
        }
    }

    /// All corners of a vertex's list, dead ones too.
    fn list(&self, vertex: u32) -> impl Iterator<Item = u32> {
        let mut corner = self.first[vertex as usize];
        std::iter::from_fn(move || {
            let here = (corner != END).then_some(corner)?;
            corner = self.next[here as usize];
            Some(here)
        })
    }

    fn into_mesh(self, input: &Mesh) -> Mesh {
        let middle = input
            .bounds()
            .map_or(DVec3::ZERO, |bounds| point(bounds.center()));
        let mut number = vec![END; self.positions.len()];
        let mut mesh = Mesh {
            tags: input.tags.clone(),
            ..Mesh::default()
        };
        for (triangle, corners) in self.triangles.iter().enumerate() {
            if !self.alive[triangle] {
                continue;
            }
            mesh.face_tags.push(self.tags[triangle]);
            mesh.triangles.push(corners.map(|corner| {
                let number = &mut number[corner as usize];
                if *number == END {
                    *number = mesh.positions.len() as u32;
                    let untouched = self.versions[corner as usize] == 0;
                    mesh.positions.push(if untouched {
                        input.positions[corner as usize]
                    } else {
                        (self.positions[corner as usize] + middle).as_vec3().to_array()
                    });
                }
                *number
            }));
        }
        mesh
    }
}

/// The quadric and the kind of a vertex at the start.
fn prepare(
    vertex: usize,
    positions: &[DVec3],
    triangles: &[[u32; 3]],
    tags: &[u16],
    alive: &[bool],
    fans: &Fans,
) -> (Quadric, Kind) {
    let here = positions[vertex];
    let fan = || {
        fans.of(vertex)
            .iter()
            .copied()
            .filter(|&corner| alive[corner as usize / 3])
    };
    let mut quadric = Quadric::default();
    let mut borders = 0;
    for corner in fan() {
        let [first, second] = others(corner, triangles);
        let [b, c] = [first, second].map(|other| positions[other as usize] - here);
        let cross = b.cross(c);
        let twice_area = cross.length();
        let normal = if twice_area > 0.0 {
            cross / twice_area
        } else {
            DVec3::ZERO
        };
        quadric.add(&Quadric::plane(normal, here, 0.5 * twice_area));
        let tag = tags[corner as usize / 3];
        for (other, edge) in [(first, b), (second, c)] {
            let mut beside = fan().filter(|&near| others(near, triangles).contains(&other));
            let pair = [beside.next(), beside.next()];
            let other_tag = pair
                .iter()
                .flatten()
                .map(|&near| tags[near as usize / 3])
                .find(|&near| near != tag);
            let is_border = pair[1].is_none() || beside.next().is_some() || other_tag.is_some();
            if is_border {
                // Upright on the face, through the edge. An edge between two tags gets one from either face.
                let upright = normal.cross(edge).normalize_or_zero();
                quadric.add(&Quadric::plane(
                    upright,
                    here,
                    BORDER_WEIGHT * edge.length_squared(),
                ));
                // Each face at the edge counts it once.
                borders += if pair[1].is_none() { 2 } else { 1 };
            }
        }
    }
    // Edges of more than two faces count more than twice, so that their ends are corners.
    let kind = match borders {
        0 => Kind::Free,
        4 => Kind::Border,
        _ => Kind::Corner,
    };
    (quadric, kind)
}

/// A short list without an allocation for the usual lengths.
#[derive(Debug)]
struct Few {
    inline: [u32; 24],
    length: usize,
    spilled: Vec<u32>,
}

impl Few {
    fn first(&self) -> Option<u32> {
        (self.length > 0).then(|| self.inline[0])
    }
}

impl FromIterator<u32> for Few {
    fn from_iter<I: IntoIterator<Item = u32>>(items: I) -> Self {
        let mut few = Self {
            inline: [0; 24],
            length: 0,
            spilled: Vec::new(),
        };
        for item in items {
            if few.length < few.inline.len() {
                few.inline[few.length] = item;
                few.length += 1;
            } else {
                few.spilled.push(item);
            }
        }
        few
    }
}

impl IntoIterator for Few {
    type Item = u32;
    type IntoIter = std::iter::Chain<std::iter::Take<std::array::IntoIter<u32, 24>>, std::vec::IntoIter<u32>>;

    fn into_iter(self) -> Self::IntoIter {
        self.inline.into_iter().take(self.length).chain(self.spilled)
    }
}
