//! The soft shadow on the ground: the mesh flattened along the light, blurred in the picture.

use glam::Vec3;

use super::camera::Camera;
use super::raster::each_sample;
use super::shade::KEY_LIGHT;
use crate::Mesh;

/// Blur of the shadow that the key light throws, and of the dark that gathers right below, in parts of the picture's side.
const KEY_BLUR: f32 = 0.016;
const CONTACT_BLUR: f32 = 0.035;
const KEY_STRENGTH: f32 = 0.30;
const CONTACT_STRENGTH: f32 = 0.34;

/// For each sample how much light the ground keeps, 0 to 1.
pub(super) fn ground_shadow(mesh: &Mesh, camera: &Camera, side: usize) -> Vec<f32> {
    let light = camera.light(KEY_LIGHT);
    // Lying on the ground: along the light, and straight down.
    let thrown = flattened(mesh, camera, side, |point| {
        point - light * ((point.y - camera.ground) / light.y)
    });
    let below = flattened(mesh, camera, side, |point| {
        Vec3::new(point.x, camera.ground, point.z)
    });
    let thrown = blurred(thrown, side, radius(KEY_BLUR, side));
    let below = blurred(below, side, radius(CONTACT_BLUR, side));
    thrown
        .iter()
        .zip(&below)
        .map(|(thrown, below)| (1.0 - KEY_STRENGTH * thrown) * (1.0 - CONTACT_STRENGTH * below))
        .collect()
}

fn radius(part: f32, side: usize) -> usize {
    ((part * side as f32) as usize).max(1)
}

fn flattened(mesh: &Mesh, camera: &Camera, side: usize, flatten: impl Fn(Vec3) -> Vec3) -> Vec<f32> {
    let mut mask = vec![0.0; side * side];
    for triangle in 0..mesh.triangles.len() {
        let corners = mesh
            .corners(triangle)
            .map(|corner| camera.project(flatten(Vec3::from(corner))));
        each_sample(&corners, side, |place, _| mask[place] = 1.0);
    }
    mask
}

/// Three passes of a moving mean in each direction come close to a bell.
fn blurred(mut mask: Vec<f32>, side: usize, radius: usize) -> Vec<f32> {
    let mut other = vec![0.0; mask.len()];
    for _ in 0..3 {
        for row in 0..side {
            let line = row * side..(row + 1) * side;
            moving_mean(&mask[line.clone()], &mut other[line], radius);
        }
        transpose(&other, &mut mask, side);
        for row in 0..side {
            let line = row * side..(row + 1) * side;
            moving_mean(&mask[line.clone()], &mut other[line], radius);
        }
        transpose(&other, &mut mask, side);
    }
    mask
}

/// Beyond an end the line goes on as it ended, so that a shadow that leaves the picture does not fade there.
fn moving_mean(from: &[f32], to: &mut [f32], radius: usize) {
    let at = |place: isize| from[place.clamp(0, from.len() as isize - 1) as usize];
    let reach = radius as isize;
    let width = (2 * radius + 1) as f32;
    let mut sum: f32 = (-reach..reach).map(at).sum();
    for (place, mean) in to.iter_mut().enumerate() {
        let place = place as isize;
        sum += at(place + reach);
        *mean = (sum / width).clamp(0.0, 1.0);
        sum -= at(place - reach);
    }
}

fn transpose(from: &[f32], to: &mut [f32], side: usize) {
    for row in 0..side {
        for column in 0..side {
            to[column * side + row] = from[row * side + column];
        }
    }
}
