//! Troughs: a tub, a trough of boards, a half-round one of staves.

use super::fittings::{X, Y, Z, bolts};
use super::model::Material::{Iron, Timber};
use super::model::{Model, Part, Point, Uneven, plus, scaled, turn};

/// A tub of staves with two hoops.
pub fn small() -> Model {
    let mut model = Model::default();
    let mut uneven = Uneven(30);
    let staves = 18;
    // Wider at the top; (height, outer radius). That one radius is near 1/pi says nothing.
    #[allow(clippy::approx_constant)]
    let shape = [(0.0, 0.285), (0.14, 0.303), (0.28, 0.318), (0.42, 0.33)];
    for stave in 0..staves {
        // Staves touch inside, so that the tub holds water, and leave a groove outside.
        let gap = 0.008 / 0.3;
        let begin = turn(f64::from(stave) / f64::from(staves));
        let end = turn(f64::from(stave + 1) / f64::from(staves));
        let lift = 0.008 * uneven.next();
        let outlines: Vec<Vec<Point>> = shape
            .iter()
            .enumerate()
            .map(|(at, &(y, outer))| {
                let y = if at == shape.len() - 1 { y + lift } else { y };
                let inner = outer - 0.045;
                let middle = 0.5 * (begin + end);
                [
                    (outer, begin + gap),
                    (outer * 1.004, middle),
                    (outer, end - gap),
                    (outer - 0.018, end + 0.002),
                    (inner, end + 0.002),
                    (inner, middle),
                    (inner, begin - 0.002),
                    (outer - 0.018, begin - 0.002),
                ]
                .iter()
                .map(|&(radius, angle)| [radius * angle.sin(), y, radius * angle.cos()])
                .collect()
            })
            .collect();
        model.add(Timber, Part::loft(&outlines));
    }
    model.add(
        Timber,
        Part::lathe(&[(0.262, 0.04), (0.268, 0.045), (0.27, 0.08), (0.266, 0.085)], 36),
    );
    for (low, high) in [(0.07, 0.125), (0.295, 0.35)] {
        let outer = |y: f64| 0.285 + (0.33 - 0.285) * y / 0.42 + 0.004;
        let profile = [
            (outer(low) - 0.02, low),
            (outer(low) + 0.012, low),
            (outer(low) + 0.016, low + 0.006),
            (outer(high) + 0.016, high - 0.006),
            (outer(high) + 0.012, high),
            (outer(high) - 0.02, high),
        ];
        model.add(Iron, Part::hoop(&profile, 48));
        let middle = 0.5 * (low + high);
        let rivets = (0..3).map(|rivet| {
            let (sine, cosine) = turn((f64::from(rivet) - 1.0) / 40.0 + 0.09).sin_cos();
            let radius = outer(middle) + 0.015;
            ([radius * sine, middle, radius * cosine], [sine, 0.0, cosine])
        });
        for (foot, outwards) in rivets {
            bolts(&mut model, [foot], outwards, 0.011);
        }
    }
    // Two longer staves would be the handles; here they are irons.
    for side in [-1.0, 1.0] {
        tub_handle(&mut model, side);
    }
    model
}

/// A grip on two short arms.
fn tub_handle(model: &mut Model, side: f64) {
    let (out, y, reach) = (0.385, 0.395, 0.085);
    for z in [-0.07, 0.07] {
        let arm = Part::beam(
            [side * 0.3, 0.35, z],
            [side * (out + 0.006), y, z],
            Z,
            0.032,
            0.026,
            0.006,
        );
        model.add(Iron, arm);
    }
    let grip = Part::beam(
        [side * out, y, -reach],
        [side * out, y, reach],
        Y,
        0.034,
        0.034,
        0.011,
    );
    model.add(Iron, grip);
}

/// A long trough of boards with sloping sides, on two trestles.
pub fn medium() -> Model {
    let mut model = Model::default();
    let mut uneven = Uneven(41);
    let half = 0.66;
    let board = 0.045;
    // The inside is 0.34 wide at the floor and 0.54 at the rim.
    for side in [-1.0, 1.0] {
        for (row, (y, z)) in [(0.262, 0.19), (0.372, 0.228), (0.482, 0.266)]
            .into_iter()
            .enumerate()
        {
            let y = y + 0.003 * uneven.next();
            let reach = half + 0.012 * uneven.next();
            let upwards = [0.0, 0.945, side * 0.327];
            let thickness = board + 0.002 * row as f64;
            let ends = [-reach, reach].map(|x| [x, y, side * z]);
            model.add(
                Timber,
                Part::beam(ends[0], ends[1], upwards, 0.1195, thickness, 0.013),
            );
        }
        for x in [-0.57, 0.57f64] {
            let foot = [x + 0.05 * x.signum(), 0.0, side * 0.25];
            let head = [x, 0.24, side * 0.13];
            model.add(Timber, Part::beam(foot, head, X, 0.09, 0.075, 0.008));
        }
    }
    for (z, width) in [(-0.088, 0.18), (0.088, 0.18)] {
        model.add(
            Timber,
            Part::beam([-half, 0.222, z], [half, 0.222, z], Z, width, 0.05, 0.007),
        );
    }
    for x in [-half + 0.07, half - 0.07] {
        // End boards: a trapezium that fills the section.
        let outline = |x: f64| -> Vec<Point> {
            [
                (-0.165, 0.205),
                (0.165, 0.205),
                (0.262, 0.5),
                (0.235, 0.522),
                (-0.235, 0.522),
                (-0.262, 0.5),
            ]
            .iter()
            .map(|&(z, y)| [x, y, z])
            .collect()
        };
        model.add(Timber, Part::loft(&[outline(x - 0.022), outline(x + 0.022)]));
    }
    for x in [-0.57, 0.57] {
        model.add(
            Timber,
            Part::beam([x, 0.175, -0.23], [x, 0.175, 0.23], Y, 0.07, 0.1, 0.008),
        );
    }
    for x in [-0.4, 0.0, 0.4] {
        trough_strap(&mut model, x);
    }
    model
}

/// A flat iron under and up both sides of the board trough, with its ends bent over the rim.
fn trough_strap(model: &mut Model, x: f64) {
    // The middle line of the iron from rim to rim, then its outer line.
    let path = [
        (-0.245, 0.54),
        (-0.32, 0.535),
        (-0.312, 0.49),
        (-0.206, 0.196),
        (-0.19, 0.186),
        (0.19, 0.186),
        (0.206, 0.196),
        (0.312, 0.49),
        (0.32, 0.535),
        (0.245, 0.54),
    ];
    let outer = [
        (-0.245, 0.558),
        (-0.338, 0.552),
        (-0.33, 0.485),
        (-0.222, 0.186),
        (-0.2, 0.168),
        (0.2, 0.168),
        (0.222, 0.186),
        (0.33, 0.485),
        (0.338, 0.552),
        (0.245, 0.558),
    ];
    let outlines: Vec<Vec<Point>> = path
        .iter()
        .zip(&outer)
        .map(|(&(z, y), &(far_z, far_y))| {
            vec![
                [x - 0.032, y, z],
                [x + 0.032, y, z],
                [x + 0.032, far_y, far_z],
                [x - 0.032, far_y, far_z],
            ]
        })
        .collect();
    model.add(Iron, Part::loft(&outlines));
    for side in [-1.0, 1.0] {
        let feet = [(0.29, 0.275), (0.425, 0.324)].map(|(y, z)| [x, y, side * (z - 0.012)]);
        bolts(model, feet, [0.0, -0.327, side * 0.945], 0.015);
    }
}

/// A half-round hull of long staves between two round end boards, held by iron half hoops, on cradles.
pub fn large() -> Model {
    let mut model = Model::default();
    let mut uneven = Uneven(57);
    let (half, radius, thickness) = (1.02, 0.4, 0.05);
    let center = 0.62;
    // Angles from straight down, a little over a quarter turn to each side.
    let (staves, reach) = (11, 1.62);
    let at = |angle: f64, radius: f64| (center - radius * angle.cos(), radius * angle.sin());
    for stave in 0..staves {
        let width = 2.0 * reach / f64::from(staves);
        let middle = -reach + (f64::from(stave) + 0.5) * width;
        let (y, z) = at(middle, radius - 0.5 * thickness);
        let along = half + 0.014 * uneven.next();
        let across = [0.0, middle.sin(), middle.cos()];
        let ends = [-along, along].map(|x| [x, y, z]);
        model.add(
            Timber,
            Part::beam(
                ends[0],
                ends[1],
                across,
                width * (radius - 0.5 * thickness) + 0.003,
                thickness,
                0.013,
            ),
        );
    }
    let board: Vec<(f64, f64)> = (0..=14)
        .map(|step| {
            at(
                -reach + 2.0 * reach * f64::from(step) / 14.0,
                radius - 0.6 * thickness,
            )
        })
        .collect();
    for x in [-half + 0.1, half - 0.1] {
        let outline = |x: f64| -> Vec<Point> { board.iter().map(|&(y, z)| [x, y, z]).collect() };
        model.add(Timber, Part::loft(&[outline(x - 0.026), outline(x + 0.026)]));
    }
    for x in [-0.82, -0.28, 0.28, 0.82] {
        half_hoop(&mut model, x, center, radius, reach);
    }
    for x in [-0.6, 0.6] {
        cradle(&mut model, x, center, radius);
    }
    // A rail along each rim.
    for side in [-1.0, 1.0] {
        let (y, z) = at(side * reach, radius - 0.5 * thickness);
        let ends = [-half - 0.03, half + 0.03].map(|x| [x, y + 0.03, z]);
        model.add(Timber, Part::beam(ends[0], ends[1], Z, 0.09, 0.05, 0.01));
    }
    model
}

fn half_hoop(model: &mut Model, x: f64, center: f64, radius: f64, reach: f64) {
    let outlines: Vec<Vec<Point>> = (0..=28)
        .map(|step| {
            let angle = -reach + 2.0 * reach * f64::from(step) / 28.0;
            let at = |radius: f64, x: f64| [x, center - radius * angle.cos(), radius * angle.sin()];
            let (inner, outer) = (radius - 0.012, radius + 0.016);
            vec![
                at(inner, x - 0.035),
                at(inner, x + 0.035),
                at(outer, x + 0.03),
                at(outer, x - 0.03),
            ]
        })
        .collect();
    model.add(Iron, Part::loft(&outlines));
    for angle in [-1.4, -1.0, 1.0, 1.4f64] {
        let outwards = [0.0, -angle.cos(), angle.sin()];
        let foot = plus([x, center, 0.0], scaled(outwards, radius + 0.015));
        bolts(model, [foot], outwards, 0.017);
    }
}

/// A beam with a hollow for the hull, on two splayed legs with an iron tie.
fn cradle(model: &mut Model, x: f64, center: f64, radius: f64) {
    let hollow = radius - 0.006;
    let mut outline: Vec<(f64, f64)> = vec![(0.14, -0.36), (0.14, 0.36), (0.31, 0.36)];
    let steps = 12;
    for step in 0..=steps {
        let angle = 0.78 - 1.56 * f64::from(step) / f64::from(steps);
        outline.push((center - hollow * angle.cos(), hollow * angle.sin()));
    }
    outline.push((0.31, -0.36));
    let face = |x: f64| -> Vec<Point> { outline.iter().map(|&(y, z)| [x, y, z]).collect() };
    model.add(Timber, Part::loft(&[face(x - 0.055), face(x + 0.055)]));
    for side in [-1.0, 1.0] {
        let (foot, head) = ([x, 0.0, side * 0.4], [x, 0.26, side * 0.27]);
        model.add(Timber, Part::beam(foot, head, X, 0.15, 0.1, 0.01));
        bolts(
            model,
            [[x + 0.055, 0.2, side * 0.25], [x + 0.055, 0.26, side * 0.31]],
            X,
            0.018,
        );
        bolts(
            model,
            [[x - 0.055, 0.2, side * 0.25], [x - 0.055, 0.26, side * 0.31]],
            scaled(X, -1.0),
            0.018,
        );
    }
    model.add(
        Iron,
        Part::beam([x, 0.075, -0.37], [x, 0.075, 0.37], Y, 0.04, 0.03, 0.005),
    );
}
