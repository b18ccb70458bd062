//! Which edges may collapse, where to, and in which order.

mod crossings;
mod prepare;
mod rounds;
mod store;

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use glam::DVec3;
use rayon::prelude::*;

use self::prepare::{Kind, Prepared, face_quadrics, prepare};
use super::crossing::Watch;
use super::pressure::Pressure;
use super::quadric::Quadric;
use super::seams::Moves;
use super::surface::{END, EdgeFaces, Link, Spoke, Surface};
use super::tunnel::{self, Tunnel};
use crate::Mesh;
use crate::mesh::UNTAGGED;
use crate::spatial::{Fans, point};

/// Cost of an edge's length where planes cost nothing, so that flats reduce evenly: as much as straying by a
/// three-thousandth of the length.
const LENGTH_COST: f64 = 1.0e-7;
/// Least height of a face over its longest edge.
const LEAST_SHAPE: f64 = 0.002;

/// When to stop.
#[derive(Debug, Clone, Copy)]
pub(super) struct Until {
    /// So many triangles are left.
    pub triangles: usize,
    /// The next collapse would stray by more, metres in the root mean square.
    pub stray_m: f64,
}

/// A collapse or a cut that was possible when it was entered.
#[derive(Debug, Clone, Copy)]
struct Entry {
    ends: [u32; 2],
    /// Third vertex of a loop to be cut; `END` for the collapse of an edge.
    tip: u32,
    /// Sum of the ends' versions; another sum says that the cost is out of date.
    version: u32,
}

/// What came of a collapse.
enum Tried {
    Done,
    /// A loop of three edges with this vertex stands against it.
    Loop(u32),
    Refused,
}

struct Reducer {
    surface: Surface,
    quadrics: Vec<Quadric>,
    kinds: Vec<Kind>,
    /// On an open border, or where more than two faces meet at an edge.
    open: Vec<bool>,
    versions: Vec<u32>,
    /// The vertex that a vertex went to, itself while it lives.
    merged_into: Vec<u32>,
    /// A collapse at this vertex was refused; it may be possible when a neighbour has changed.
    parked: Vec<bool>,
    entries: Vec<Entry>,
    /// Cost bits and number of an entry, cheapest first.
    heap: BinaryHeap<Reverse<u64>>,
    /// Faces left of each tag; the last place counts the untagged.
    faces_of_tag: Vec<usize>,
    watch: Watch,
    pressure: Pressure,
    /// Faces may pass through each other just now.
    crosses: bool,
    until: Until,
    /// Room for what is around the two ends of an edge.
    around: [Vec<Spoke>; 2],
    /// Room for the vertices beside one.
    beside: Vec<u32>,
}

/// The reduced mesh, and for each vertex of the input the vertex that it went to.
pub(super) struct Reduced {
    pub mesh: Mesh,
    pub went_to: Vec<u32>,
}

/// Collapses edges of a welded mesh until it is time to stop or none may collapse.
pub(super) fn reduce(mesh: &Mesh, until: Until, pressure: Pressure) -> Reduced {
    let mut reducer = Reducer::new(mesh, until, pressure);
    rounds::run(&mut reducer);
    if !reducer.run_out() && pressure.crosses() {
        crossings::run(&mut reducer);
    }
    reducer.into_mesh(mesh)
}

impl Reducer {
    fn new(mesh: &Mesh, until: Until, pressure: Pressure) -> Self {
        // Near the origin quadrics lose the fewest digits.
        let middle = middle(mesh);
        let positions: Vec<DVec3> = mesh
            .positions
            .iter()
            .map(|&position| point(position) - middle)
            .collect();
        let vertices = positions.len();
        let fans = Fans::new(&mesh.triangles, vertices);
        let surface = Surface::new(mesh, positions, &fans);
        let weight = pressure.border_weight();
        let prepared: Vec<Prepared> = (0..vertices)
            .into_par_iter()
            .map_init(Vec::new, |fan, vertex| {
                prepare(vertex, &surface, &fans, weight, fan)
            })
            .collect();
        let mut quadrics = face_quadrics(&surface);
        for (quadric, vertex) in quadrics.iter_mut().zip(&prepared) {
            if let Some(borders) = &vertex.borders {
                quadric.add(borders);
            }
        }
        let mut faces_of_tag = vec![0; mesh.tags.len() + 1];
        for (_, &tag) in surface
            .alive
            .iter()
            .zip(&surface.tags)
            .filter(|(alive, _)| **alive)
        {
            faces_of_tag[usize::from(tag).min(mesh.tags.len())] += 1;
        }
        Self {
            surface,
            quadrics,
            kinds: prepared.iter().map(|vertex| vertex.kind).collect(),
            open: prepared.iter().map(|vertex| vertex.open).collect(),
            versions: vec![0; vertices],
            merged_into: (0..vertices as u32).collect(),
            parked: vec![false; vertices],
            entries: Vec::new(),
            heap: BinaryHeap::new(),
            faces_of_tag,
            watch: Watch::default(),
            pressure,
            crosses: false,
            until,
            around: Default::default(),
            beside: Vec::new(),
        }
    }

    fn is_done(&self) -> bool {
        self.surface.living <= self.until.triangles
    }

    /// Collapses until it is time to stop or nothing may collapse; `true` if the next one would stray too far.
    fn run_out(&mut self) -> bool {
        // What a neighbour stood in the way of may be possible after it has gone, so ask again until nothing is.
        while !self.is_done() {
            let before = self.surface.living;
            self.enter_all();
            let reached_stray = self.run();
            if reached_stray || self.surface.living == before {
                return reached_stray;
            }
        }
        false
    }

    /// Enters every edge afresh.
    fn enter_all(&mut self) {
        let surface = &self.surface;
        let edges: Vec<[u32; 2]> = (0..surface.triangles.len())
            .into_par_iter()
            .filter(|&triangle| surface.alive[triangle])
            .flat_map_iter(|triangle| {
                let [a, b, c] = surface.triangles[triangle];
                // An edge comes up once in each direction; the one upwards speaks for it if it is there.
                [[a, b], [b, c], [c, a]].into_iter().filter(|&[from, to]| {
                    from < to
                        || !surface
                            .corners(to)
                            .any(|corner| surface.others(corner)[0] == from)
                })
            })
            .collect();
        let this = &*self;
        let costed: Vec<(Entry, f64)> = edges
            .par_iter()
            .filter_map(|&ends| Some((this.entry(ends), this.target(ends)?.1)))
            .collect();
        self.entries.clear();
        let mut keys = Vec::with_capacity(costed.len());
        for (number, (entry, cost)) in costed.into_iter().enumerate() {
            self.entries.push(entry);
            keys.push(Reverse(key(cost as f32, number)));
        }
        self.heap = BinaryHeap::from(keys);
        self.parked.fill(false);
    }

    fn entry(&self, ends: [u32; 2]) -> Entry {
        Entry {
            ends,
            tip: END,
            version: self.version(ends),
        }
    }

    fn version(&self, [a, b]: [u32; 2]) -> u32 {
        self.versions[a as usize].wrapping_add(self.versions[b as usize])
    }

    /// Collapses in order of cost; `true` if it ended because the next one strays too far.
    fn run(&mut self) -> bool {
        while !self.is_done() {
            let Some(&Reverse(top)) = self.heap.peek() else {
                break;
            };
            let number = number_in(top);
            let entry = self.entries[number];
            if entry.tip != END {
                self.heap.pop();
                self.cut([entry.ends[0], entry.ends[1], entry.tip]);
                continue;
            }
            let ends = entry.ends.map(|vertex| self.living(vertex));
            let is_gone = ends[0] == ends[1] || ends.iter().any(|&vertex| self.surface.is_gone(vertex));
            let target = if is_gone { None } else { self.target(ends) };
            let Some((place, cost)) = target else {
                self.heap.pop();
                continue;
            };
            if self.version(ends) != entry.version {
                // Costs are brought up to date only when they come up: far fewer than change.
                self.entries[number] = self.entry(ends);
                let fresh = key(cost as f32, number);
                if fresh > top {
                    if let Some(mut first) = self.heap.peek_mut() {
                        first.0 = fresh;
                    }
                    continue;
                }
            }
            self.heap.pop();
            if self.strays(ends, place) {
                return true;
            }
            self.collapse(ends, place);
        }
        false
    }

    fn strays(&self, [a, b]: [u32; 2], place: DVec3) -> bool {
        if self.until.stray_m == f64::INFINITY {
            return false;
        }
        let mut sum = self.quadrics[a as usize];
        sum.add(&self.quadrics[b as usize]);
        sum.at(place) > self.until.stray_m * self.until.stray_m * sum.weight
    }

    /// The vertex that holds what was this one.
    fn living(&mut self, mut vertex: u32) -> u32 {
        while self.merged_into[vertex as usize] != vertex {
            // Halves the way for the next one who asks.
            let up = self.merged_into[vertex as usize];
            self.merged_into[vertex as usize] = self.merged_into[up as usize];
            vertex = up;
        }
        vertex
    }

    fn kind(&self, vertex: u32) -> Kind {
        if self.pressure.borders_hold() || self.open[vertex as usize] {
            self.kinds[vertex as usize]
        } else {
            Kind::Free
        }
    }

    /// Where the edge would go and at what cost; none where kinds forbid it.
    fn target(&self, [a, b]: [u32; 2]) -> Option<(DVec3, f64)> {
        let [pa, pb] = [a, b].map(|vertex| self.surface.positions[vertex as usize]);
        let [kind_a, kind_b] = [a, b].map(|vertex| self.kind(vertex));
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

    fn collapse(&mut self, ends: [u32; 2], place: DVec3) {
        match self.try_collapse(ends, place) {
            Tried::Done => {
                let [a, b] = ends;
                let all = std::mem::take(&mut self.parked[a as usize]) | self.parked[b as usize];
                self.enter_around(a, all);
                if self.pressure.closes_tunnels() {
                    self.enter_cuts_around(a);
                }
            }
            Tried::Loop(tip) => {
                self.park(ends);
                if self.pressure.closes_tunnels() {
                    self.enter_cut([ends[0], ends[1], tip]);
                }
            }
            Tried::Refused => self.park(ends),
        }
    }

    /// Merges the second end into the first unless something stands against it.
    fn try_collapse(&mut self, ends: [u32; 2], place: DVec3) -> Tried {
        let mut around = std::mem::take(&mut self.around);
        for (spokes, end) in around.iter_mut().zip(ends) {
            self.surface.gather(end, spokes);
        }
        let tried = self.try_collapse_among(ends, place, [&around[0], &around[1]]);
        self.around = around;
        tried
    }

    fn try_collapse_among(&mut self, [a, b]: [u32; 2], place: DVec3, around: [&[Spoke]; 2]) -> Tried {
        let faces = self.surface.faces_among(around[0].iter().copied(), b);
        let Some(faces) = faces.filter(|faces| faces.count > 0) else {
            return Tried::Refused;
        };
        match self.surface.link(around, &faces) {
            Link::Sound => {}
            Link::Loop(tip) => return Tried::Loop(tip),
            Link::Broken => return Tried::Refused,
        }
        if !self.keeps_borders([a, b], &faces)
            || !self.keeps_sides(a, around[0], b, place)
            || !self.keeps_sides(b, around[1], a, place)
            || (!self.crosses && self.watch.would_cross(&self.surface, [a, b], place))
        {
            return Tried::Refused;
        }
        let moves = Moves::of(&self.surface, [a, b], &faces, place);
        if !self.crosses && moves.turn_over(&self.surface) {
            return Tried::Refused;
        }
        for tag in &faces.tags[..faces.count] {
            *self.tag_count(*tag) -= 1;
        }
        self.surface.merge(a, b, place);
        moves.make(&mut self.surface);
        self.watch.update(&self.surface, a);
        let quadric = self.quadrics[b as usize];
        self.quadrics[a as usize].add(&quadric);
        self.kinds[a as usize] = self.kinds[a as usize].max(self.kinds[b as usize]);
        self.open[a as usize] |= self.open[b as usize];
        self.versions[a as usize] = self.versions[a as usize]
            .max(self.versions[b as usize])
            .wrapping_add(1);
        self.merged_into[b as usize] = a;
        Tried::Done
    }

    /// Enters the loops of three edges that have come about at a vertex.
    fn enter_cuts_around(&mut self, vertex: u32) {
        let (mut around, mut beside) = (std::mem::take(&mut self.around), std::mem::take(&mut self.beside));
        self.surface.gather(vertex, &mut around[0]);
        beside.clear();
        for &other in around[0].iter().flat_map(|spoke| &spoke.others) {
            if !beside.contains(&other) {
                beside.push(other);
            }
        }
        for &other in &beside {
            let Some(faces) = self.surface.faces_among(around[0].iter().copied(), other) else {
                continue;
            };
            self.surface.gather(other, &mut around[1]);
            if let Link::Loop(tip) = self.surface.link([&around[0], &around[1]], &faces)
                && other < tip
            {
                self.enter_cut([vertex, other, tip]);
            }
        }
        (self.around, self.beside) = (around, beside);
    }

    fn park(&mut self, ends: [u32; 2]) {
        for vertex in ends {
            self.parked[vertex as usize] = true;
        }
    }

    /// Enters the edges at a vertex: all of them, or those whose other end waits for a change.
    fn enter_around(&mut self, vertex: u32, all: bool) {
        let mut beside = std::mem::take(&mut self.beside);
        beside.clear();
        for corner in self.surface.corners(vertex) {
            for other in self.surface.others(corner) {
                if (all || self.parked[other as usize]) && !beside.contains(&other) {
                    beside.push(other);
                }
            }
        }
        for &other in &beside {
            let ends = [vertex.min(other), vertex.max(other)];
            if let Some((_, cost)) = self.target(ends) {
                self.entries.push(self.entry(ends));
                self.heap.push(Reverse(key(cost as f32, self.entries.len() - 1)));
            }
        }
        self.beside = beside;
    }

    fn enter_cut(&mut self, ring: [u32; 3]) {
        if Tunnel::at(&self.surface, ring).is_none() {
            return;
        }
        let cost = tunnel::cost(&self.surface, ring);
        self.entries.push(Entry {
            ends: [ring[0], ring[1]],
            tip: ring[2],
            version: 0,
        });
        self.heap.push(Reverse(key(cost as f32, self.entries.len() - 1)));
    }

    /// Cuts a loop if it is still there.
    fn cut(&mut self, ring: [u32; 3]) {
        if ring.iter().any(|&vertex| self.surface.is_gone(vertex)) {
            return;
        }
        let Some(tunnel) = Tunnel::at(&self.surface, ring) else {
            return;
        };
        let made = tunnel.close(&mut self.surface);
        for (old, new) in ring.into_iter().zip(made) {
            let old = old as usize;
            self.quadrics.push(self.quadrics[old]);
            self.kinds.push(self.kinds[old]);
            self.open.push(self.open[old]);
            self.versions[old] = self.versions[old].wrapping_add(1);
            self.versions.push(self.versions[old]);
            self.parked.push(false);
            self.merged_into.push(new);
        }
        for cap in self.surface.tags.len() - 2..self.surface.tags.len() {
            *self.tag_count(self.surface.tags[cap]) += 1;
        }
        for vertex in ring.into_iter().chain(made) {
            self.watch.update(&self.surface, vertex);
            self.enter_around(vertex, true);
        }
    }

    fn tag_count(&mut self, tag: u16) -> &mut usize {
        let untagged = self.faces_of_tag.len() - 1;
        &mut self.faces_of_tag[if tag == UNTAGGED {
            untagged
        } else {
            usize::from(tag)
        }]
    }

    /// Every border keeps its course as far as the pressure asks for, and no tag loses its last face.
    fn keeps_borders(&mut self, [a, b]: [u32; 2], faces: &EdgeFaces) -> bool {
        let tags = &faces.tags[..faces.count];
        for &tag in tags {
            let dying = tags.iter().filter(|&&other| other == tag).count();
            if *self.tag_count(tag) <= dying {
                return false;
            }
        }
        // An edge inside the surface between two places of open borders would pinch it.
        let both_open = self.open[a as usize] && self.open[b as usize];
        if both_open && faces.count == 2 {
            return false;
        }
        if self.pressure.borders_hold()
            && !faces.is_border()
            && self.kinds[a as usize] != Kind::Free
            && self.kinds[b as usize] != Kind::Free
        {
            return false;
        }
        // A face with two more border edges is the last of its patch.
        let surface = &self.surface;
        let single = |tip: u32| {
            // Borders run between vertices that lie on borders.
            if [a, b, tip]
                .iter()
                .any(|&vertex| self.kinds[vertex as usize] == Kind::Free)
            {
                return false;
            }
            let [left, right] = [a, b].map(|end| surface.faces_at(end, tip));
            match (left, right) {
                (Some(left), Some(right)) if self.pressure.absorbs_patches() => {
                    // Of an open border's last face there would be nothing left.
                    left.count == 1 && right.count == 1
                }
                (Some(left), Some(right)) => left.is_border() && right.is_border(),
                _ => surface.is_border(a, tip) && surface.is_border(b, tip),
            }
        };
        !faces.tips[..faces.count].iter().any(|&tip| single(tip))
    }

    /// No face of `vertex` that stays turns over or becomes a sliver when the vertex goes to `place`.
    fn keeps_sides(&self, vertex: u32, spokes: &[Spoke], gone: u32, place: DVec3) -> bool {
        let here = self.surface.positions[vertex as usize];
        let least_cosine = self.pressure.least_cosine();
        spokes.iter().all(|spoke| {
            let [first, second] = spoke.others;
            if first == gone || second == gone {
                return true;
            }
            let [b, c] = [first, second].map(|other| self.surface.positions[other as usize]);
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
                && along * along >= least_cosine * least_cosine * area_squared * before.length_squared()
        })
    }
}

fn middle(mesh: &Mesh) -> DVec3 {
    mesh.bounds().map_or(DVec3::ZERO, |bounds| point(bounds.center()))
}

/// Sorts as the cost does, a number that is not negative, and then by the entry's number.
fn key(cost: f32, number: usize) -> u64 {
    u64::from(cost.to_bits()) << 32 | number as u64
}

fn number_in(key: u64) -> usize {
    (key & u64::from(u32::MAX)) as usize
}
