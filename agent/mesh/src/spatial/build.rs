//! The hierarchy itself: split by the surface area heuristic over bins, then flattened to nodes of four children.
//!
//! Source of the heuristic: Goldsmith & Salmon 1987; of the binned build: Wald 2007 (both from memory).

use glam::{DVec3, Vec4};

use super::point;
use crate::Mesh;

/// Most triangles in one leaf: those of one [`Pack`].
const LEAF_TRIANGLES: usize = 4;
/// Bins along the axis of a split.
const BINS: usize = 16;
/// Below this level triangles are halved by count: with the logarithm of the rest it bounds the depth, and so the
/// stack of a question.
const LEVELS_BY_COST: u32 = 20;
/// Subtrees larger than this are built side by side.
const PARALLEL_TRIANGLES: usize = 8192;
/// No child in this place.
pub(super) const EMPTY: u32 = u32::MAX;

/// A bounding volume hierarchy over the triangles of one mesh.
#[derive(Debug, Clone)]
pub struct Bvh {
    pub(super) nodes: Vec<Node>,
    /// The leaves.
    pub(super) packs: Vec<Pack>,
    /// Greatest coordinate of any corner, whatever its sign.
    pub(super) reach: f32,
}

/// Four triangles of a leaf, side by side so that one instruction can test all.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pack {
    /// `corners[corner][axis]`; what no triangle uses is 0.
    pub corners: [[Vec4; 3]; 3],
    /// Their indices in the mesh.
    pub triangles: [u32; 4],
}

impl Pack {
    const VACANT: Self = Self {
        corners: [[Vec4::ZERO; 3]; 3],
        triangles: [EMPTY; 4],
    };

    /// Corners of one of the triangles.
    #[inline(always)]
    pub fn corners_of(&self, lane: usize) -> [DVec3; 3] {
        let corner = |axes: &[Vec4; 3]| point([axes[0][lane], axes[1][lane], axes[2][lane]]);
        let [a, b, c] = &self.corners;
        [corner(a), corner(b), corner(c)]
    }
}

/// Four children, their boxes side by side so that one instruction can test all.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
pub(super) struct Node {
    /// `bounds[2 * axis]` holds the least, `bounds[2 * axis + 1]` the greatest coordinates of the four boxes.
    pub bounds: [Vec4; 6],
    /// Index of an inner node, or of the pack of a leaf, or [`EMPTY`].
    pub child: [u32; 4],
    /// Triangles of a leaf; 0 for an inner node.
    pub count: [u32; 4],
}

impl Node {
    const VACANT: Self = Self {
        bounds: [
            Vec4::INFINITY,
            Vec4::NEG_INFINITY,
            Vec4::INFINITY,
            Vec4::NEG_INFINITY,
            Vec4::INFINITY,
            Vec4::NEG_INFINITY,
        ],
        child: [EMPTY; 4],
        count: [0; 4],
    };
}

impl Bvh {
    /// Builds over all triangles of `mesh`. A mesh without triangles gives a hierarchy that never answers.
    pub fn new(mesh: &Mesh) -> Self {
        Self::over(&mesh.positions, &mesh.triangles)
    }

    /// Builds over triangles that index into `positions`.
    pub fn over(positions: &[[f32; 3]], triangles: &[[u32; 3]]) -> Self {
        let mut items: Vec<Item> = triangles
            .iter()
            .enumerate()
            .map(|(index, triangle)| {
                let mut bounds = Bounds::NONE;
                for &corner in triangle {
                    let [x, y, z] = positions[corner as usize];
                    bounds.add(Vec4::new(x, y, z, 0.0));
                }
                Item {
                    bounds,
                    index: index as u32,
                }
            })
            .collect();
        let mut nodes = Vec::with_capacity(triangles.len() / 4 + 1);
        let mut packs = Vec::with_capacity(triangles.len() / 2 + 1);
        let mut reach = 0.0_f32;
        if items.is_empty() {
            nodes.push(Node::VACANT);
        } else {
            let tree = split(&mut items, 0, 0);
            reach = tree.bounds.reach();
            let pack = |first: u32, count: u32| {
                let mut pack = Pack::VACANT;
                let leaf = &items[first as usize..(first + count) as usize];
                for (lane, item) in leaf.iter().enumerate() {
                    pack.triangles[lane] = item.index;
                    for (corner, axes) in triangles[item.index as usize].iter().zip(&mut pack.corners) {
                        for (axis, lanes) in axes.iter_mut().enumerate() {
                            lanes[lane] = positions[*corner as usize][axis];
                        }
                    }
                }
                pack
            };
            flatten(&tree, &mut nodes, &mut packs, &pack);
        }
        Self { nodes, packs, reach }
    }
}

/// A box; the fourth lanes say nothing.
#[derive(Debug, Clone, Copy)]
struct Bounds {
    low: Vec4,
    high: Vec4,
}

impl Bounds {
    const NONE: Self = Self {
        low: Vec4::INFINITY,
        high: Vec4::NEG_INFINITY,
    };

    #[inline(always)]
    fn add(&mut self, position: Vec4) {
        self.low = self.low.min(position);
        self.high = self.high.max(position);
    }

    #[inline(always)]
    fn merge(&mut self, other: &Self) {
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }

    /// Greatest coordinate, whatever its sign.
    fn reach(&self) -> f32 {
        let most = self.low.abs().max(self.high.abs());
        most.x.max(most.y).max(most.z)
    }

    /// Half the surface area; 0 where nothing was added.
    #[inline(always)]
    fn half_area(&self) -> f32 {
        let size = (self.high - self.low).max(Vec4::ZERO);
        size.x * size.y + size.y * size.z + size.z * size.x
    }
}

#[derive(Debug, Clone, Copy)]
struct Item {
    bounds: Bounds,
    index: u32,
}

impl Item {
    /// Twice the centre: only compared with its like.
    #[inline(always)]
    fn centre(&self) -> Vec4 {
        self.bounds.low + self.bounds.high
    }
}

/// Which bin along each axis an item falls into.
struct Bins {
    low: Vec4,
    scale: Vec4,
}

impl Bins {
    fn over(centres: &Bounds) -> Self {
        let extent = centres.high - centres.low;
        let scale = |axis: usize| {
            if extent[axis] > 0.0 {
                BINS as f32 / extent[axis]
            } else {
                0.0
            }
        };
        Self {
            low: centres.low,
            scale: Vec4::new(scale(0), scale(1), scale(2), 0.0),
        }
    }

    fn divides(&self, axis: usize) -> bool {
        self.scale[axis] != 0.0 && self.scale[axis].is_finite()
    }

    #[inline(always)]
    fn of(&self, item: &Item) -> [usize; 3] {
        let place = (item.centre() - self.low) * self.scale;
        let bin = |along: f32| (along as usize).min(BINS - 1);
        [bin(place.x), bin(place.y), bin(place.z)]
    }
}

struct Tree {
    bounds: Bounds,
    kind: TreeKind,
}

enum TreeKind {
    Leaf { first: u32, count: u32 },
    Inner(Box<[Tree; 2]>),
}

fn split(items: &mut [Item], first: u32, level: u32) -> Tree {
    let mut bounds = Bounds::NONE;
    let mut centres = Bounds::NONE;
    for item in items.iter() {
        bounds.merge(&item.bounds);
        centres.add(item.centre());
    }
    if items.len() <= LEAF_TRIANGLES {
        return Tree {
            bounds,
            kind: TreeKind::Leaf {
                first,
                count: items.len() as u32,
            },
        };
    }
    let bins = Bins::over(&centres);
    let plane = if level < LEVELS_BY_COST {
        best_plane(items, &bins)
    } else {
        None
    };
    let middle = plane.map_or(0, |(axis, bin)| {
        partition(items, |item| bins.of(item)[axis] < bin)
    });
    // All centres in one place, or deep down: any halves are as good as any others.
    let middle = if middle == 0 || middle == items.len() {
        items.len() / 2
    } else {
        middle
    };
    let parallel = items.len() > PARALLEL_TRIANGLES;
    let (left, right) = items.split_at_mut(middle);
    let second = first + middle as u32;
    let (left, right) = if parallel {
        rayon::join(
            || split(left, first, level + 1),
            || split(right, second, level + 1),
        )
    } else {
        (split(left, first, level + 1), split(right, second, level + 1))
    };
    Tree {
        bounds,
        kind: TreeKind::Inner(Box::new([left, right])),
    }
}

/// The axis and the first bin of the right side with the least expected cost; none where all centres are equal.
fn best_plane(items: &[Item], bins: &Bins) -> Option<(usize, usize)> {
    let mut all_bounds = [[Bounds::NONE; BINS]; 3];
    let mut all_counts = [[0_u32; BINS]; 3];
    for item in items {
        for (axis, bin) in bins.of(item).into_iter().enumerate() {
            all_bounds[axis][bin].merge(&item.bounds);
            all_counts[axis][bin] += 1;
        }
    }
    let mut best: Option<(f32, usize, usize)> = None;
    for axis in 0..3 {
        if !bins.divides(axis) {
            continue;
        }
        let (bounds, counts) = (&all_bounds[axis], &all_counts[axis]);
        let mut right_cost = [0.0_f32; BINS];
        let mut side = Bounds::NONE;
        let mut count = 0;
        for bin in (1..BINS).rev() {
            side.merge(&bounds[bin]);
            count += counts[bin];
            right_cost[bin] = if count == 0 {
                f32::INFINITY
            } else {
                side.half_area() * packs_of(count)
            };
        }
        let mut side = Bounds::NONE;
        let mut count = 0;
        for bin in 1..BINS {
            side.merge(&bounds[bin - 1]);
            count += counts[bin - 1];
            if count == 0 || right_cost[bin] == f32::INFINITY {
                continue;
            }
            let cost = side.half_area() * packs_of(count) + right_cost[bin];
            if best.is_none_or(|(least, _, _)| cost < least) {
                best = Some((cost, axis, bin));
            }
        }
    }
    best.map(|(_, axis, bin)| (axis, bin))
}

/// How many packs hold so many triangles. One with room left costs as much as a full one, so full ones are preferred.
fn packs_of(count: u32) -> f32 {
    count.div_ceil(LEAF_TRIANGLES as u32) as f32
}

/// Moves the items that belong left to the front and says how many they are.
fn partition(items: &mut [Item], is_left: impl Fn(&Item) -> bool) -> usize {
    let mut middle = 0;
    for place in 0..items.len() {
        if is_left(&items[place]) {
            items.swap(place, middle);
            middle += 1;
        }
    }
    middle
}

/// Writes `tree` as nodes of four children, its leaves as packs, and gives the index of the first node.
fn flatten(
    tree: &Tree,
    nodes: &mut Vec<Node>,
    packs: &mut Vec<Pack>,
    pack: &impl Fn(u32, u32) -> Pack,
) -> u32 {
    let place = nodes.len();
    nodes.push(Node::VACANT);
    let mut children: Vec<&Tree> = match &tree.kind {
        TreeKind::Leaf { .. } => vec![tree],
        TreeKind::Inner(pair) => pair.iter().collect(),
    };
    // Open the largest inner child until four are there.
    while children.len() < 4 {
        let widest = children
            .iter()
            .enumerate()
            .filter(|(_, child)| matches!(child.kind, TreeKind::Inner(_)))
            .max_by(|a, b| a.1.bounds.half_area().total_cmp(&b.1.bounds.half_area()))
            .map(|(index, _)| index);
        let Some(widest) = widest else { break };
        if let TreeKind::Inner(pair) = &children[widest].kind {
            let [left, right] = &**pair;
            children[widest] = left;
            children.insert(widest + 1, right);
        }
    }
    for (slot, child) in children.into_iter().enumerate() {
        let (index, count) = match &child.kind {
            TreeKind::Leaf { first, count } => {
                packs.push(pack(*first, *count));
                (packs.len() as u32 - 1, *count)
            }
            TreeKind::Inner(_) => (flatten(child, nodes, packs, pack), 0),
        };
        let node = &mut nodes[place];
        node.child[slot] = index;
        node.count[slot] = count;
        for axis in 0..3 {
            node.bounds[2 * axis][slot] = child.bounds.low[axis];
            node.bounds[2 * axis + 1][slot] = child.bounds.high[axis];
        }
    }
    place as u32
}
