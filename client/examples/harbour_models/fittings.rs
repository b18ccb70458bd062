//! What several props share: directions, plinths and bolts.

use super::model::Material::{Iron, Timber};
use super::model::{Model, Part, Point, Uneven};

pub const X: Point = [1.0, 0.0, 0.0];
pub const Y: Point = [0.0, 1.0, 0.0];
pub const Z: Point = [0.0, 0.0, 1.0];

/// Baulks side by side along x, with two cross beams under them: what a bollard is bolted to.
pub fn plinth(model: &mut Model, length: f64, depth: f64, height: f64, baulks: usize, seed: u64) {
    let mut uneven = Uneven(seed);
    let bearer_height = height * 0.42;
    for side in [-1.0, 1.0] {
        let x = side * length * 0.33;
        let ends = [-0.5, 0.5].map(|end| [x, bearer_height * 0.5, end * depth * 0.98]);
        model.add(
            Timber,
            Part::beam(ends[0], ends[1], X, length * 0.16, bearer_height, 0.008),
        );
    }
    let pitch = depth / baulks as f64;
    for baulk in 0..baulks {
        let z = (baulk as f64 + 0.5) * pitch - 0.5 * depth;
        let thickness = (height - bearer_height) * 1.04;
        let y = height - 0.5 * thickness + 0.003 * uneven.next();
        let reach = 0.5 * length + 0.012 * uneven.next();
        model.add(
            Timber,
            Part::beam(
                [-reach, y, z],
                [reach, y, z + 0.003 * uneven.next()],
                Z,
                pitch - 0.022,
                thickness,
                0.01,
            ),
        );
    }
}

pub fn bolts(model: &mut Model, feet: impl IntoIterator<Item = Point>, outwards: Point, radius: f64) {
    for foot in feet {
        for part in Part::bolt(foot, outwards, radius) {
            model.add(Iron, part);
        }
    }
}
