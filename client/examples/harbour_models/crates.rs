//! Crates: planks and battens with irons over their corners.

use super::fittings::{X, Y, Z, bolts};
use super::model::Material::{Iron, Timber};
use super::model::{Model, Part, Point, Uneven, plus, scaled, turn};

struct CrateSize {
    /// Of the whole: x, y, z.
    size: Point,
    /// Planks on each of the four sides.
    planks: usize,
    /// A slanted brace on the long sides.
    brace: bool,
    /// Iron bands around the whole, besides the corner irons.
    bands: usize,
    /// Rings to lift it by.
    rings: bool,
    seed: u64,
}

const CRATE_SMALL: CrateSize = CrateSize {
    size: [0.52, 0.46, 0.46],
    planks: 4,
    brace: false,
    bands: 0,
    rings: false,
    seed: 5,
};
const CRATE_MEDIUM: CrateSize = CrateSize {
    size: [0.92, 0.66, 0.64],
    planks: 5,
    brace: true,
    bands: 0,
    rings: false,
    seed: 9,
};
const CRATE_LARGE: CrateSize = CrateSize {
    size: [1.3, 0.92, 0.86],
    planks: 6,
    brace: false,
    bands: 2,
    rings: true,
    seed: 14,
};

pub fn small() -> Model {
    crate_of(&CRATE_SMALL)
}

pub fn medium() -> Model {
    crate_of(&CRATE_MEDIUM)
}

pub fn large() -> Model {
    crate_of(&CRATE_LARGE)
}

/// Planks around a core, posts at the corners, irons over the corners, everything on skids.
fn crate_of(kind: &CrateSize) -> Model {
    let mut model = Model::default();
    let mut uneven = Uneven(kind.seed);
    let skid = 0.06;
    let [half_x, half_z] = [0.5 * kind.size[0], 0.5 * kind.size[2]];
    let (bottom, top) = (skid, kind.size[1]);
    // Planks stand 24 mm proud of the core, so that the gaps between them are deep and dark.
    let plank = 0.036;
    let core = |half: f64| half - plank + 0.006;
    let core_y = [bottom + 0.02, top - plank + 0.006].map(|y| [0.0, y, 0.0]);
    model.add(
        Timber,
        Part::beam(
            core_y[0],
            core_y[1],
            X,
            2.0 * core(half_x),
            2.0 * core(half_z),
            0.004,
        ),
    );
    for side in [-1.0, 1.0] {
        let z = side * (half_z - 0.1);
        let ends = [-1.0, 1.0].map(|end| [end * (half_x - 0.02), 0.5 * skid + 0.005, z]);
        model.add(Timber, Part::beam(ends[0], ends[1], Z, 0.09, skid + 0.01, 0.008));
    }
    // Sides: planks lie along x on the long sides and along z on the short ones.
    let pitch = (top - bottom) / kind.planks as f64;
    for row in 0..kind.planks {
        let y = bottom + (row as f64 + 0.5) * pitch;
        for side in [-1.0, 1.0] {
            for (along, reach, out) in [(X, half_x, half_z), (Z, half_z, half_x)] {
                let outwards = if along == X { Z } else { X };
                let sag = 0.003 * uneven.next();
                let at = plus(
                    [0.0, y + sag, 0.0],
                    scaled(outwards, side * (out - 0.5 * plank + 0.002 * uneven.next())),
                );
                let reach = reach - plank * 0.6;
                let ends = [-reach, reach].map(|end| plus(at, scaled(along, end)));
                model.add(
                    Timber,
                    Part::beam(ends[0], ends[1], Y, pitch - 0.024, plank, 0.006),
                );
            }
        }
    }
    // Lid and floor: planks across, along z.
    let across = (kind.size[0] / 0.15).round().max(3.0) as usize;
    let lid_pitch = 2.0 * half_x / across as f64;
    for row in 0..across {
        let x = (row as f64 + 0.5) * lid_pitch - half_x;
        let y = top - 0.5 * plank + 0.012 + 0.002 * uneven.next();
        let reach = half_z + 0.008 + 0.004 * uneven.next();
        model.add(
            Timber,
            Part::beam([x, y, -reach], [x, y, reach], X, lid_pitch - 0.022, plank, 0.006),
        );
    }
    crate_frame(&mut model, kind, [half_x, half_z], [bottom, top]);
    crate_irons(&mut model, kind, [half_x, half_z], [bottom, top]);
    model
}

/// Battens over the planks.
fn crate_frame(model: &mut Model, kind: &CrateSize, [half_x, half_z]: [f64; 2], [bottom, top]: [f64; 2]) {
    let batten = 0.03;
    let width = 0.075;
    for side in [-1.0, 1.0] {
        let z = side * (half_z + 0.5 * batten - 0.004);
        for x in [-1.0, 1.0].map(|end| end * (half_x - 0.5 * width - 0.012)) {
            model.add(
                Timber,
                Part::beam(
                    [x, bottom - 0.01, z],
                    [x, top - 0.012, z],
                    X,
                    width,
                    batten,
                    0.006,
                ),
            );
        }
        if kind.brace {
            let reach = half_x - width - 0.02;
            let ends = [[-reach, bottom + 0.055, z], [reach, top - 0.075, z]];
            model.add(Timber, Part::beam(ends[0], ends[1], Y, width, batten, 0.006));
        }
        // Two battens across the lid, clear of the planks' ends.
        let x = side * (half_x - 0.5 * width - 0.012);
        let y = top + 0.012 + 0.5 * batten - 0.004;
        model.add(
            Timber,
            Part::beam(
                [x, y, -half_z - 0.02],
                [x, y, half_z + 0.02],
                X,
                width,
                batten,
                0.006,
            ),
        );
    }
}

/// Angle irons at the four upright corners, caps at the eight ends, bands and rings; all bolted.
fn crate_irons(model: &mut Model, kind: &CrateSize, [half_x, half_z]: [f64; 2], [bottom, top]: [f64; 2]) {
    let iron = 0.02;
    let arm = 0.1;
    for (side_x, side_z) in [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)] {
        let (x, z) = (side_x * (half_x + 0.004), side_z * (half_z + 0.026));
        let strips = [bottom + 0.04, top - 0.05];
        for y in strips {
            // Two arms of one angle: along the long side over the batten, along the short one over the planks.
            let long = [[x, y, z], [x - side_x * (arm + 0.05), y, z]];
            model.add(Iron, Part::beam(long[0], long[1], Y, 0.07, iron, 0.004));
            let short = [[x, y, z + side_z * 0.5 * iron], [x, y, z - side_z * (arm + 0.06)]];
            model.add(Iron, Part::beam(short[0], short[1], Y, 0.07, iron, 0.004));
            let on_long = [x - side_x * 0.09, y, z + side_z * 0.5 * iron];
            bolts(model, [on_long], [0.0, 0.0, side_z], 0.014);
            let on_short = [x + side_x * 0.5 * iron, y, z - side_z * 0.11];
            bolts(model, [on_short], [side_x, 0.0, 0.0], 0.014);
        }
        // The upright iron between them.
        let (from, to) = (
            [x, bottom - 0.005, z - side_z * 0.034],
            [x, top + 0.004, z - side_z * 0.034],
        );
        model.add(Iron, Part::beam(from, to, Z, 0.068, iron * 0.8, 0.004));
    }
    for band in 0..kind.bands {
        let x = ((band as f64 + 0.5) / kind.bands as f64 - 0.5) * half_x * 1.5;
        let (out, width) = (half_z + 0.01, 0.06);
        for side in [-1.0, 1.0] {
            model.add(
                Iron,
                Part::beam(
                    [x, bottom, side * out],
                    [x, top + 0.02, side * out],
                    X,
                    width,
                    iron,
                    0.004,
                ),
            );
            let feet =
                [0.2, 0.5, 0.8].map(|part| [x, bottom + part * (top - bottom), side * (out + 0.5 * iron)]);
            bolts(model, feet, [0.0, 0.0, side], 0.016);
        }
        let y = top + 0.018;
        model.add(
            Iron,
            Part::beam(
                [x, y, -out - 0.5 * iron],
                [x, y, out + 0.5 * iron],
                X,
                width,
                iron,
                0.004,
            ),
        );
    }
    if kind.rings {
        for side in [-1.0, 1.0] {
            lifting_ring(model, [side * (half_x + 0.012), 0.62 * top, 0.0], side);
        }
    }
}

/// A plate with a hanging ring on a face that looks along x.
fn lifting_ring(model: &mut Model, at: Point, side: f64) {
    let [x, y, z] = at;
    model.add(
        Iron,
        Part::beam([x, y - 0.07, z], [x, y + 0.07, z], Z, 0.16, 0.02, 0.004),
    );
    for bolt in [-0.055, 0.055] {
        bolts(
            model,
            [[x + side * 0.01, y + 0.045, z + bolt]],
            [side, 0.0, 0.0],
            0.013,
        );
    }
    let (ring_radius, thickness) = (0.085, 0.014);
    let outlines: Vec<Vec<Point>> = (0..24)
        .map(|step| {
            let (sine, cosine) = turn(f64::from(step) / 24.0).sin_cos();
            (0..8)
                .map(|corner| {
                    let (up, out) = turn(f64::from(corner) / 8.0).sin_cos();
                    let radius = ring_radius + thickness * out;
                    [
                        x + side * (0.026 + thickness * up),
                        y - 0.055 + radius * cosine,
                        z + radius * sine,
                    ]
                })
                .collect()
        })
        .collect();
    model.add(Iron, Part::ring(&outlines));
    model.add(
        Iron,
        Part::beam(
            [x, y + 0.03, z],
            [x + side * 0.05, y + 0.03, z],
            Z,
            0.045,
            0.045,
            0.008,
        ),
    );
}
