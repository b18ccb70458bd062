//! Closed shells that props are put together from, and their OBJ form.

use std::fmt::Write as _;

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Material {
    Timber,
    Iron,
}

pub type Point = [f64; 3];

/// Polygons over shared points.
#[derive(Default)]
pub struct Model {
    points: Vec<Point>,
    faces: Vec<(Material, Vec<usize>)>,
}

impl Model {
    /// Adds a part; one that was built inside out is turned.
    pub fn add(&mut self, material: Material, part: Part) {
        let first = self.points.len();
        let inside_out = part.volume() < 0.0;
        self.points.extend(&part.points);
        for mut face in part.faces {
            if inside_out {
                face.reverse();
            }
            self.faces
                .push((material, face.into_iter().map(|index| first + index).collect()));
        }
    }

    pub fn to_obj(&self, name: &str) -> String {
        let mut text =
            format!("# {name}: an invented dock prop. Metres, +Y up.\nmtllib harbour.mtl\no {name}\n");
        for [x, y, z] in &self.points {
            // Slanted legs would reach into the ground: their feet are cut flat. Adding 0.0 keeps a minus sign away from zero.
            let [x, y, z] = [*x, y.max(0.0), *z].map(|coordinate| (coordinate * 1e4).round() / 1e4 + 0.0);
            let _ = writeln!(text, "v {x:.4} {y:.4} {z:.4}");
        }
        for (material, word) in [(Material::Timber, "timber"), (Material::Iron, "iron")] {
            let _ = writeln!(text, "usemtl {word}");
            for (_, face) in self.faces.iter().filter(|(of, _)| *of == material) {
                text.push('f');
                for index in face {
                    let _ = write!(text, " {}", index + 1);
                }
                text.push('\n');
            }
        }
        text
    }
}

/// One closed shell.
#[derive(Clone, Default)]
pub struct Part {
    points: Vec<Point>,
    faces: Vec<Vec<usize>>,
}

impl Part {
    /// Joins outlines of equal length one after the other, and closes both ends with a face.
    pub fn loft(outlines: &[Vec<Point>]) -> Self {
        let mut part = Self::joined(outlines, false);
        let count = outlines[0].len();
        part.faces.push((0..count).rev().collect());
        let last = (outlines.len() - 1) * count;
        part.faces.push((last..last + count).collect());
        part
    }

    /// Joins outlines in a ring.
    pub fn ring(outlines: &[Vec<Point>]) -> Self {
        Self::joined(outlines, true)
    }

    fn joined(outlines: &[Vec<Point>], around: bool) -> Self {
        let count = outlines[0].len();
        let points: Vec<Point> = outlines.concat();
        let steps = if around {
            outlines.len()
        } else {
            outlines.len() - 1
        };
        let mut faces = Vec::new();
        for step in 0..steps {
            let (here, next) = (step * count, (step + 1) % outlines.len() * count);
            for at in 0..count {
                let after = (at + 1) % count;
                faces.push(vec![here + at, here + after, next + after, next + at]);
            }
        }
        Self { points, faces }
    }

    /// Turns a profile of (radius, height) about the y axis; it begins and ends on the axis, without naming those two ends.
    pub fn lathe(profile: &[(f64, f64)], sides: usize) -> Self {
        let outlines: Vec<Vec<Point>> = profile
            .iter()
            .map(|&(radius, height)| circle(radius, height, sides))
            .collect();
        Self::loft(&outlines)
    }

    /// Turns a closed profile of (radius, height) about the y axis.
    pub fn hoop(profile: &[(f64, f64)], sides: usize) -> Self {
        let outlines: Vec<Vec<Point>> = (0..sides)
            .map(|side| {
                let (sine, cosine) = (turn(side as f64 / sides as f64)).sin_cos();
                profile
                    .iter()
                    .map(|&(radius, height)| [radius * sine, height, radius * cosine])
                    .collect()
            })
            .collect();
        Self::ring(&outlines)
    }

    /// A beam between two points with softened edges; `across` is the direction of its width.
    pub fn beam(from: Point, to: Point, across: Point, width: f64, thickness: f64, bevel: f64) -> Self {
        let along = unit(minus(to, from));
        let across = unit(minus(across, scaled(along, dot(across, along))));
        let over = cross(along, across);
        let length = dot(minus(to, from), along);
        let outline = |at: f64, shrink: f64| -> Vec<Point> {
            let (half_width, half_thickness) = (0.5 * width - shrink, 0.5 * thickness - shrink);
            let cut = bevel * 0.9;
            [
                (half_width, half_thickness - cut),
                (half_width - cut, half_thickness),
                (cut - half_width, half_thickness),
                (-half_width, half_thickness - cut),
                (-half_width, cut - half_thickness),
                (cut - half_width, -half_thickness),
                (half_width - cut, -half_thickness),
                (half_width, cut - half_thickness),
            ]
            .iter()
            .map(|&(u, v)| {
                plus(
                    plus(from, scaled(along, at)),
                    plus(scaled(across, u), scaled(over, v)),
                )
            })
            .collect()
        };
        Self::loft(&[
            outline(0.0, bevel * 0.7),
            outline(bevel * 0.7, 0.0),
            outline(length - bevel * 0.7, 0.0),
            outline(length, bevel * 0.7),
        ])
    }

    /// A hexagonal bolt head with a washer, standing on a surface: `foot` lies on it, `outwards` leads away.
    pub fn bolt(foot: Point, outwards: Point, radius: f64) -> [Self; 2] {
        let outwards = unit(outwards);
        let helper = if outwards[1].abs() > 0.9 {
            [1.0, 0.0, 0.0]
        } else {
            [0.0, 1.0, 0.0]
        };
        let side = unit(cross(helper, outwards));
        let other = cross(outwards, side);
        let outline = |corners: usize, radius: f64, height: f64| -> Vec<Point> {
            (0..corners)
                .map(|corner| {
                    let (sine, cosine) = turn(corner as f64 / corners as f64).sin_cos();
                    let at = plus(scaled(side, radius * cosine), scaled(other, radius * sine));
                    plus(plus(foot, scaled(outwards, height)), at)
                })
                .collect()
        };
        // Rooted a little below the surface, so that no gap opens where the surface is bent.
        let washer = Self::loft(&[
            outline(12, radius * 1.45, -radius * 0.4),
            outline(12, radius * 1.45, radius * 0.22),
            outline(12, radius * 1.3, radius * 0.36),
        ]);
        let head = Self::loft(&[
            outline(6, radius, 0.0),
            outline(6, radius, radius * 0.95),
            outline(6, radius * 0.72, radius * 1.2),
        ]);
        [washer, head]
    }

    pub fn moved(mut self, by: Point) -> Self {
        self.points.iter_mut().for_each(|point| *point = plus(*point, by));
        self
    }

    /// Sum of the signed pyramids over the faces, each cut into a fan: negative when the faces look inwards.
    fn volume(&self) -> f64 {
        let origin = self.points[0];
        let mut six_times = 0.0;
        for face in &self.faces {
            let at = |corner: usize| minus(self.points[face[corner]], origin);
            for corner in 1..face.len() - 1 {
                six_times += dot(at(0), cross(at(corner), at(corner + 1)));
            }
        }
        six_times / 6.0
    }
}

pub fn circle(radius: f64, height: f64, sides: usize) -> Vec<Point> {
    (0..sides)
        .map(|side| {
            let (sine, cosine) = turn(side as f64 / sides as f64).sin_cos();
            [radius * sine, height, radius * cosine]
        })
        .collect()
}

/// Radians of a part of a full turn.
pub fn turn(part: f64) -> f64 {
    part * std::f64::consts::TAU
}

pub fn plus(a: Point, b: Point) -> Point {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub fn minus(a: Point, b: Point) -> Point {
    plus(a, scaled(b, -1.0))
}

pub fn scaled(a: Point, by: f64) -> Point {
    a.map(|coordinate| coordinate * by)
}

pub fn dot(a: Point, b: Point) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub fn cross(a: Point, b: Point) -> Point {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

pub fn unit(a: Point) -> Point {
    scaled(a, 1.0 / dot(a, a).sqrt())
}

/// Small differences between planks, -1 to 1, the same on every machine.
pub struct Uneven(pub u64);

impl Uneven {
    pub fn next(&mut self) -> f64 {
        // A linear congruential generator with Knuth's MMIX constants (from memory).
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / (1u64 << 23) as f64 - 1.0
    }
}
