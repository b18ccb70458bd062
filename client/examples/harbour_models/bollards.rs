//! Bollards: iron posts bolted to timber plinths.

use super::fittings::{Y, Z, bolts, plinth};
use super::model::Material::Iron;
use super::model::{Model, Part, Point, plus, scaled, turn};

/// A mushroom-headed post on a square plate.
pub fn small() -> Model {
    let mut model = Model::default();
    plinth(&mut model, 0.62, 0.54, 0.12, 4, 3);
    let plate = Part::beam([-0.21, 0.13, 0.0], [0.21, 0.13, 0.0], Z, 0.4, 0.036, 0.01);
    model.add(Iron, plate);
    let post = [
        (0.165, 0.135),
        (0.163, 0.162),
        (0.132, 0.185),
        (0.108, 0.22),
        (0.098, 0.28),
        (0.097, 0.36),
        (0.104, 0.41),
        (0.135, 0.44),
        (0.168, 0.455),
        (0.178, 0.475),
        (0.172, 0.5),
        (0.14, 0.525),
        (0.08, 0.542),
        (0.025, 0.547),
    ];
    model.add(Iron, Part::lathe(&post, 28));
    let corners = [-1.0, 1.0]
        .into_iter()
        .flat_map(|x| [-1.0, 1.0].map(|z| [x * 0.163, 0.147, z * 0.155]));
    bolts(&mut model, corners, Y, 0.024);
    model
}

/// Two posts on one oblong plate, joined by a bar.
pub fn medium() -> Model {
    let mut model = Model::default();
    plinth(&mut model, 1.3, 0.6, 0.16, 4, 8);
    model.add(
        Iron,
        Part::beam([-0.56, 0.175, 0.0], [0.56, 0.175, 0.0], Z, 0.42, 0.05, 0.014),
    );
    let post = [
        (0.165, 0.19),
        (0.163, 0.215),
        (0.128, 0.245),
        (0.112, 0.3),
        (0.108, 0.4),
        (0.108, 0.62),
        (0.112, 0.67),
        (0.142, 0.695),
        (0.152, 0.715),
        (0.152, 0.745),
        (0.14, 0.765),
        (0.06, 0.785),
        (0.02, 0.788),
    ];
    for x in [-0.3, 0.3] {
        model.add(Iron, Part::lathe(&post, 26).moved([x, 0.0, 0.0]));
        // A lip halfway up keeps the rope from sliding.
        let lip = [
            (0.1, 0.475),
            (0.126, 0.482),
            (0.132, 0.5),
            (0.126, 0.518),
            (0.1, 0.525),
        ];
        model.add(Iron, Part::hoop(&lip, 26).moved([x, 0.0, 0.0]));
    }
    let outline = |x: f64| -> Vec<Point> {
        (0..12)
            .map(|side| {
                let (sine, cosine) = turn(side as f64 / 12.0).sin_cos();
                [x, 0.59 + 0.045 * sine, 0.045 * cosine]
            })
            .collect()
    };
    model.add(Iron, Part::loft(&[outline(-0.25), outline(0.0), outline(0.25)]));
    let corners = [-0.49, 0.0, 0.49]
        .into_iter()
        .flat_map(|x| [-1.0, 1.0].map(|z| [x, 0.199, z * 0.155]));
    bolts(&mut model, corners, Y, 0.027);
    model
}

/// A heavy post with a leaning head and ribs on a round flange.
pub fn large() -> Model {
    let mut model = Model::default();
    plinth(&mut model, 1.16, 1.1, 0.22, 5, 21);
    let flange = [
        (0.44, 0.215),
        (0.46, 0.225),
        (0.46, 0.262),
        (0.445, 0.278),
        (0.2, 0.29),
    ];
    model.add(Iron, Part::lathe(&flange, 40));
    // The post leans towards the land as it rises and carries its head over the quay.
    let profile = [
        (0.27, 0.28),
        (0.235, 0.31),
        (0.205, 0.36),
        (0.19, 0.45),
        (0.185, 0.58),
        (0.19, 0.7),
        (0.205, 0.765),
        (0.25, 0.8),
        (0.285, 0.83),
        (0.295, 0.865),
        (0.285, 0.905),
        (0.24, 0.945),
        (0.15, 0.975),
        (0.05, 0.985),
    ];
    let outlines: Vec<Vec<Point>> = profile
        .iter()
        .map(|&(radius, y)| {
            let lean = 0.11 * ((y - 0.5f64).max(0.0) / 0.485).powi(2);
            (0..36)
                .map(|side| {
                    let (sine, cosine) = turn(f64::from(side) / 36.0).sin_cos();
                    [radius * sine * (1.0 + 0.8 * lean), y, radius * cosine + lean]
                })
                .collect()
        })
        .collect();
    model.add(Iron, Part::loft(&outlines));
    for rib in 0..8 {
        let (sine, cosine) = turn((f64::from(rib) + 0.5) / 8.0).sin_cos();
        let (out, side) = ([sine, 0.0, cosine], [cosine, 0.0, -sine]);
        let edge = |half: f64| -> Vec<Point> {
            [
                (0.15, 0.26),
                (0.405, 0.26),
                (0.405, 0.3),
                (0.265, 0.38),
                (0.215, 0.5),
                (0.15, 0.53),
            ]
            .iter()
            .map(|&(radius, y)| plus(plus(scaled(out, radius), scaled(side, half)), [0.0, y, 0.0]))
            .collect()
        };
        model.add(Iron, Part::loft(&[edge(-0.017), edge(0.017)]));
    }
    let around = (0..8).map(|bolt| {
        let (sine, cosine) = turn(f64::from(bolt) / 8.0).sin_cos();
        [0.375 * sine, 0.28, 0.375 * cosine]
    });
    bolts(&mut model, around, Y, 0.032);
    model
}
