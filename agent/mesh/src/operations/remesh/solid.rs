//! Any input becomes closed, consistently turned shells: the winding number then is whole everywhere.

use glam::DVec3;

use crate::Mesh;
use crate::spatial::{point, winding_number};

/// Closed shells.
pub(super) struct Solid {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    /// For each triangle the input face that it is, or that the hole it closes borders on.
    pub source: Vec<u32>,
}

impl Solid {
    /// Welds, turns faces of one shell alike, turns shells outwards, and closes holes by cones.
    pub fn of(mesh: &Mesh) -> Self {
        let (positions, mut triangles, mut source) = welded(mesh);
        turn_alike(&positions, &mut triangles);
        let mut solid_positions = positions;
        close_holes(&mut solid_positions, &mut triangles, &mut source);
        let mut solid = Self {
            positions: solid_positions,
            triangles,
            source,
        };
        solid.turn_shells_outwards();
        solid
    }

    pub fn corners(&self, triangle: usize) -> [DVec3; 3] {
        self.triangles[triangle].map(|corner| self.positions[corner as usize])
    }

    /// A shell of negative volume is a mistake, unless it lies in another one: then it is a cavity.
    fn turn_shells_outwards(&mut self) {
        let shells = shells(&self.triangles, self.positions.len());
        let count = shells.iter().map(|&shell| shell as usize + 1).max().unwrap_or(0);
        let mut volumes = vec![0.0; count];
        let mut first = vec![usize::MAX; count];
        for (triangle, &shell) in shells.iter().enumerate() {
            let [a, b, c] = self.corners(triangle);
            volumes[shell as usize] += a.dot(b.cross(c));
            first[shell as usize] = first[shell as usize].min(triangle);
        }
        for shell in 0..count {
            if volumes[shell] >= 0.0 {
                continue;
            }
            let [a, b, c] = self.corners(first[shell]);
            let others = (0..self.triangles.len())
                .filter(|&triangle| shells[triangle] as usize != shell)
                .map(|triangle| self.corners(triangle));
            if winding_number((a + b + c) / 3.0, others) > 0.5 {
                continue;
            }
            for (triangle, &of) in self.triangles.iter_mut().zip(&shells) {
                if of as usize == shell {
                    triangle.swap(1, 2);
                }
            }
        }
    }
}

fn welded(mesh: &Mesh) -> (Vec<DVec3>, Vec<[u32; 3]>, Vec<u32>) {
    let mut order: Vec<u32> = (0..mesh.positions.len() as u32).collect();
    // Adding 0.0 makes -0.0 and 0.0 one.
    let bits = |index: u32| mesh.positions[index as usize].map(|coordinate| (coordinate + 0.0).to_bits());
    order.sort_unstable_by_key(|&index| (bits(index), index));
    let mut kept = vec![0_u32; mesh.positions.len()];
    for same in order.chunk_by(|&a, &b| bits(a) == bits(b)) {
        for &index in same {
            kept[index as usize] = same[0];
        }
    }
    let positions = mesh.positions.iter().map(|&position| point(position)).collect();
    let mut triangles = Vec::with_capacity(mesh.triangles.len());
    let mut source = Vec::with_capacity(mesh.triangles.len());
    for (face, triangle) in mesh.triangles.iter().enumerate() {
        let [a, b, c] = triangle.map(|corner| kept[corner as usize]);
        if a != b && b != c && c != a {
            triangles.push([a, b, c]);
            source.push(face as u32);
        }
    }
    (positions, triangles, source)
}

/// One side of a triangle: its vertices in order of number, the triangle, and whether it runs upwards.
type Side = (u32, u32, u32, bool);

fn sides(triangles: &[[u32; 3]]) -> Vec<Side> {
    let mut sides: Vec<Side> = triangles
        .iter()
        .enumerate()
        .flat_map(|(triangle, &[a, b, c])| {
            [(a, b), (b, c), (c, a)]
                .map(|(from, to)| (from.min(to), from.max(to), triangle as u32, from < to))
        })
        .collect();
    sides.sort_unstable();
    sides
}

/// Turns the smaller part of each patch to agree with the larger, wherever exactly two faces meet.
fn turn_alike(positions: &[DVec3], triangles: &mut [[u32; 3]]) {
    let sides = sides(triangles);
    let mut pairs: Vec<(u32, u32, bool)> = Vec::new();
    for same in sides.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
        if let [one, other] = same {
            pairs.push((one.2, other.2, one.3 == other.3));
            pairs.push((other.2, one.2, one.3 == other.3));
        }
    }
    if pairs.iter().all(|&(_, _, disagree)| !disagree) {
        return;
    }
    pairs.sort_unstable();
    let first_of = |triangle: u32| pairs.partition_point(|pair| pair.0 < triangle);
    let mut turned: Vec<Option<bool>> = vec![None; triangles.len()];
    for start in 0..triangles.len() {
        if turned[start].is_some() {
            continue;
        }
        turned[start] = Some(false);
        let mut patch = vec![start as u32];
        let mut next = 0;
        while next < patch.len() {
            let triangle = patch[next];
            next += 1;
            let here = turned[triangle as usize] == Some(true);
            for &(_, other, disagree) in pairs[first_of(triangle)..]
                .iter()
                .take_while(|pair| pair.0 == triangle)
            {
                if turned[other as usize].is_none() {
                    turned[other as usize] = Some(here != disagree);
                    patch.push(other);
                }
            }
        }
        let mut areas = [0.0; 2];
        for &triangle in &patch {
            let [a, b, c] = triangles[triangle as usize].map(|corner| positions[corner as usize]);
            areas[usize::from(turned[triangle as usize] == Some(true))] += (b - a).cross(c - a).length();
        }
        let minority = areas[1] <= areas[0];
        for &triangle in &patch {
            if turned[triangle as usize] == Some(minority) {
                triangles[triangle as usize].swap(1, 2);
            }
        }
    }
}

/// Adds to each loop of unpaired sides a cone to its middle.
fn close_holes(positions: &mut Vec<DVec3>, triangles: &mut Vec<[u32; 3]>, source: &mut Vec<u32>) {
    let sides = sides(triangles);
    // What is missing, from vertex to vertex, with the face beside it. It leaves and enters every vertex equally
    // often, since that holds for each triangle, so it falls into loops.
    let mut open: Vec<(u32, u32, u32)> = Vec::new();
    for same in sides.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
        let upwards = same.iter().filter(|side| side.3).count();
        let downwards = same.len() - upwards;
        let (low, high, face, _) = same[0];
        for _ in downwards..upwards {
            open.push((high, low, face));
        }
        for _ in upwards..downwards {
            open.push((low, high, face));
        }
    }
    open.sort_unstable();
    let mut used = vec![false; open.len()];
    for start in 0..open.len() {
        if used[start] {
            continue;
        }
        let mut hole = vec![start];
        used[start] = true;
        let mut at = open[start].1;
        while at != open[start].0 {
            let first = open.partition_point(|side| side.0 < at);
            let Some(next) = (first..open.len())
                .take_while(|&side| open[side].0 == at)
                .find(|&side| !used[side])
            else {
                break;
            };
            used[next] = true;
            hole.push(next);
            at = open[next].1;
        }
        let mut middle = DVec3::ZERO;
        let mut length = 0.0;
        for &side in &hole {
            let (from, to) = (positions[open[side].0 as usize], positions[open[side].1 as usize]);
            let weight = from.distance(to);
            middle += (from + to) * (0.5 * weight);
            length += weight;
        }
        let middle = if length > 0.0 {
            middle / length
        } else {
            positions[open[start].0 as usize]
        };
        let tip = positions.len() as u32;
        positions.push(middle);
        for &side in &hole {
            let (from, to, face) = open[side];
            triangles.push([from, to, tip]);
            source.push(source[face as usize]);
        }
    }
}

/// For each triangle the number of the shell that it hangs together with by vertices.
fn shells(triangles: &[[u32; 3]], vertices: usize) -> Vec<u32> {
    let mut parent: Vec<u32> = (0..vertices as u32).collect();
    fn root(parent: &mut [u32], mut vertex: u32) -> u32 {
        while parent[vertex as usize] != vertex {
            parent[vertex as usize] = parent[parent[vertex as usize] as usize];
            vertex = parent[vertex as usize];
        }
        vertex
    }
    for &[a, b, c] in triangles {
        let a = root(&mut parent, a);
        for other in [b, c] {
            let other = root(&mut parent, other);
            let a = root(&mut parent, a);
            parent[a.max(other) as usize] = a.min(other);
        }
    }
    let mut number = vec![u32::MAX; vertices];
    let mut next = 0;
    triangles
        .iter()
        .map(|triangle| {
            let root = root(&mut parent, triangle[0]) as usize;
            if number[root] == u32::MAX {
                number[root] = next;
                next += 1;
            }
            number[root]
        })
        .collect()
}
