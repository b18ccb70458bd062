//! Invented dock props, sound and unsound, as polygons.

use std::f64::consts::TAU;

/// Polygons over shared places, one tag for each.
#[derive(Debug, Clone, Default)]
pub struct Shape {
    pub places: Vec<[f64; 3]>,
    pub faces: Vec<Vec<usize>>,
    pub tags: Vec<&'static str>,
}

impl Shape {
    pub fn face(&mut self, corners: impl IntoIterator<Item = usize>, tag: &'static str) {
        self.faces.push(corners.into_iter().collect());
        self.tags.push(tag);
    }

    /// Every place changed.
    pub fn moved(mut self, change: impl Fn([f64; 3]) -> [f64; 3]) -> Self {
        self.places.iter_mut().for_each(|place| *place = change(*place));
        self
    }

    pub fn scaled(self, factor: f64) -> Self {
        self.moved(|place| place.map(|coordinate| coordinate * factor))
    }

    /// Beside another shape, each with its own vertices.
    pub fn with(mut self, other: Self) -> Self {
        let first = self.places.len();
        self.places.extend(other.places);
        let faces = other.faces.into_iter();
        self.faces
            .extend(faces.map(|face| face.iter().map(|corner| corner + first).collect()));
        self.tags.extend(other.tags);
        self
    }

    pub fn inside_out(mut self) -> Self {
        self.faces.iter_mut().for_each(|face| face.reverse());
        self
    }

    /// Every corner a vertex of its own.
    pub fn as_soup(&self) -> Self {
        let mut soup = Self::default();
        for (face, tag) in self.faces.iter().zip(&self.tags) {
            let first = soup.places.len();
            soup.places.extend(face.iter().map(|&corner| self.places[corner]));
            soup.face(first..first + face.len(), tag);
        }
        soup
    }

    /// Faces as fans of triangles.
    pub fn triangles(&self) -> Vec<([usize; 3], &'static str)> {
        let faces = self.faces.iter().zip(&self.tags);
        faces
            .flat_map(|(face, tag)| {
                (2..face.len()).map(move |end| ([face[0], face[end - 1], face[end]], *tag))
            })
            .collect()
    }
}

/// A box of six quads.
pub fn cuboid(low: [f64; 3], high: [f64; 3], tag: &'static str) -> Shape {
    let mut shape = Shape {
        places: (0..8)
            .map(|corner| {
                [0, 1, 2].map(|axis| {
                    if corner >> axis & 1 == 1 {
                        high[axis]
                    } else {
                        low[axis]
                    }
                })
            })
            .collect(),
        ..Shape::default()
    };
    for quad in [
        [0, 2, 3, 1],
        [4, 5, 7, 6],
        [0, 1, 5, 4],
        [2, 6, 7, 3],
        [0, 4, 6, 2],
        [1, 3, 7, 5],
    ] {
        shape.face(quad, tag);
    }
    shape
}

/// A bollard: a turned body of quads with a polygon of 24 corners at either end; the head is iron. 24 * 2 * 5 + 2 * 22 triangles.
pub fn bollard() -> Shape {
    const AROUND: usize = 24;
    let profile = [
        (0.2, 0.0),
        (0.16, 0.1),
        (0.15, 0.5),
        (0.22, 0.56),
        (0.22, 0.66),
        (0.12, 0.7),
    ];
    let mut shape = Shape::default();
    for (radius, height) in profile {
        for step in 0..AROUND {
            let angle = TAU * step as f64 / AROUND as f64;
            shape
                .places
                .push([radius * angle.cos(), height, -radius * angle.sin()]);
        }
    }
    for ring in 0..profile.len() - 1 {
        for step in 0..AROUND {
            let (here, next) = (ring * AROUND + step, ring * AROUND + (step + 1) % AROUND);
            let tag = if ring < 2 { "timber" } else { "iron" };
            shape.face([here, next, next + AROUND, here + AROUND], tag);
        }
    }
    shape.face((0..AROUND).rev(), "timber");
    shape.face(
        (0..AROUND).map(|step| (profile.len() - 1) * AROUND + step),
        "iron",
    );
    shape
}

pub const BOLLARD_TRIANGLES: usize = 24 * 2 * 5 + 2 * 22;

/// A prism over a star of 10 corners: two concave polygons and ten quads.
pub fn star_prism() -> Shape {
    let mut shape = Shape::default();
    for height in [0.0, 0.3] {
        for step in 0..10 {
            let (angle, radius) = (
                TAU * f64::from(step) / 10.0,
                if step % 2 == 0 { 0.5 } else { 0.2 },
            );
            shape
                .places
                .push([radius * angle.cos(), height, -radius * angle.sin()]);
        }
    }
    for step in 0..10 {
        let next = (step + 1) % 10;
        shape.face([step, next, next + 10, step + 10], "timber");
    }
    shape.face((0..10).rev(), "timber");
    shape.face(10..20, "iron");
    shape
}

/// A band with one half turn.
pub fn moebius() -> Shape {
    const AROUND: usize = 40;
    let mut shape = Shape::default();
    for step in 0..AROUND {
        let angle = TAU * step as f64 / AROUND as f64;
        for side in [-0.15, 0.15] {
            let radius = 0.5 + side * (angle / 2.0).cos();
            shape.places.push([
                radius * angle.cos(),
                side * (angle / 2.0).sin(),
                -radius * angle.sin(),
            ]);
        }
    }
    for step in 0..AROUND {
        let (a, b) = (2 * step, 2 * step + 1);
        let (c, d) = if step + 1 < AROUND { (a + 2, b + 2) } else { (1, 0) };
        shape.face([a, c, d, b], "iron");
    }
    shape
}

/// A grid of quads in the ground plane, bent by nothing.
pub fn sheet(cells: usize) -> Shape {
    let mut shape = Shape::default();
    for row in 0..=cells {
        for column in 0..=cells {
            shape
                .places
                .push([column as f64 / cells as f64, 0.0, -(row as f64) / cells as f64]);
        }
    }
    for row in 0..cells {
        for column in 0..cells {
            let here = row * (cells + 1) + column;
            shape.face([here, here + 1, here + cells + 2, here + cells + 1], "timber");
        }
    }
    shape
}

/// A trough: a box without its lid.
pub fn trough() -> Shape {
    let mut shape = cuboid([0.0; 3], [1.2, 0.4, 0.5], "timber");
    shape.faces.remove(3);
    shape.tags.remove(3);
    shape
}

/// A tube whose axis is a figure of eight in the ground plane, so that it runs through itself.
pub fn crossing_tube() -> Shape {
    const ALONG: usize = 48;
    const AROUND: usize = 8;
    let mut shape = Shape::default();
    for step in 0..ALONG {
        let t = TAU * step as f64 / ALONG as f64;
        let middle = [0.6 * t.sin(), 0.0, 0.3 * (2.0 * t).sin()];
        let forward = [0.6 * t.cos(), 0.0, 0.6 * (2.0 * t).cos()];
        let length = forward[0].hypot(forward[2]);
        let across = [forward[2] / length, 0.0, -forward[0] / length];
        for side in 0..AROUND {
            let (sin, cos) = (TAU * side as f64 / AROUND as f64).sin_cos();
            shape.places.push([
                middle[0] + 0.08 * cos * across[0],
                0.08 * sin,
                middle[2] + 0.08 * cos * across[2],
            ]);
        }
    }
    for step in 0..ALONG {
        for side in 0..AROUND {
            let at = |step: usize, side: usize| (step % ALONG) * AROUND + side % AROUND;
            shape.face(
                [
                    at(step, side),
                    at(step + 1, side),
                    at(step + 1, side + 1),
                    at(step, side + 1),
                ],
                "iron",
            );
        }
    }
    shape
}

/// A box whose sides are cut into slivers a hundred thousand times as long as wide.
pub fn slivers() -> Shape {
    let mut shape = cuboid([0.0; 3], [1.0, 0.5, 0.5], "timber");
    let (faces, tags) = (std::mem::take(&mut shape.faces), std::mem::take(&mut shape.tags));
    for (face, tag) in faces.iter().zip(tags) {
        // One more corner just beside the first, on the edge: a fan from the second has a sliver.
        let (from, to) = (shape.places[face[0]], shape.places[face[1]]);
        let beside = [0, 1, 2].map(|axis| from[axis] + 1.0e-5 * (to[axis] - from[axis]));
        shape.places.push(beside);
        let new = shape.places.len() - 1;
        shape.face([face[0], new, face[3]], tag);
        shape.face([new, face[1], face[2]], tag);
        shape.face([new, face[2], face[3]], tag);
    }
    shape
}
