//! Where the viewer stands, and where a point lands in the picture.

use glam::Vec3;

use super::ViewSettings;
use crate::Mesh;

/// Part of the picture that the mesh fills.
const FILL: f32 = 0.80;
/// Distance of the viewer in radii of the mesh: far enough for little distortion.
const DISTANCE_IN_RADII: f32 = 5.0;

/// A perspective view that fits the mesh into a square.
#[derive(Debug)]
pub(super) struct Camera {
    eye: Vec3,
    right: Vec3,
    up: Vec3,
    forward: Vec3,
    /// From view units at distance 1 to samples.
    scale: f32,
    middle: [f32; 2],
    /// Radius of the mesh, metres.
    pub radius: f32,
    /// Height of the ground, metres.
    pub ground: f32,
    /// Sine and cosine of the angle by which the lights have gone around the mesh with the viewer.
    lights_turned: [f32; 2],
}

/// A point in the picture: samples from the left and from the top, and its distance along the view.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub x: f32,
    pub y: f32,
    pub depth: f32,
}

impl Camera {
    /// `None` for a mesh without extent.
    pub fn looking_at(mesh: &Mesh, view: ViewSettings, side: usize) -> Option<Self> {
        let mut camera = Self::unfitted(mesh, view)?;
        camera.fit(mesh, side as f32);
        Some(camera)
    }

    /// Of one scale, with the mesh's axis in the middle of each picture, and lit alike; `None` for a mesh without extent.
    pub fn turning_around(mesh: &Mesh, views: &[ViewSettings], side: usize) -> Vec<Option<Self>> {
        let mut cameras: Vec<Option<Self>> = views.iter().map(|view| Self::unfitted(mesh, *view)).collect();
        let (mut across, mut least, mut most) = (0.0_f32, f32::INFINITY, f32::NEG_INFINITY);
        for camera in cameras.iter().flatten() {
            for &index in mesh.triangles.iter().flatten() {
                let seen = camera.project(Vec3::from(mesh.positions[index as usize]));
                across = across.max(seen.x.abs());
                least = least.min(seen.y);
                most = most.max(seen.y);
            }
        }
        let scale = side as f32 * FILL / (2.0 * across).max(most - least).max(f32::MIN_POSITIVE);
        let first = views.first().map_or(0.0, |view| view.azimuth_degrees);
        for (camera, view) in cameras.iter_mut().zip(views) {
            let Some(camera) = camera else { continue };
            let turned = (view.azimuth_degrees - first).to_radians();
            camera.lights_turned = [libm::sin(turned) as f32, libm::cos(turned) as f32];
            camera.scale = scale;
            camera.middle = [0.5 * side as f32, 0.5 * (side as f32 - scale * (least + most))];
        }
        cameras
    }

    fn unfitted(mesh: &Mesh, view: ViewSettings) -> Option<Self> {
        let bounds = mesh.bounds()?;
        let radius = 0.5 * bounds.diagonal();
        if radius.is_nan() || radius <= 0.0 {
            return None;
        }
        let (azimuth, elevation) = (
            view.azimuth_degrees.to_radians(),
            view.elevation_degrees.to_radians(),
        );
        let towards_eye = Vec3::new(
            (libm::sin(azimuth) * libm::cos(elevation)) as f32,
            libm::sin(elevation) as f32,
            (libm::cos(azimuth) * libm::cos(elevation)) as f32,
        );
        let forward = -towards_eye;
        let right = forward.cross(Vec3::Y).normalize();
        Some(Self {
            eye: Vec3::from(bounds.center()) + towards_eye * (radius * DISTANCE_IN_RADII),
            right,
            up: right.cross(forward),
            forward,
            scale: 1.0,
            middle: [0.0, 0.0],
            radius,
            ground: bounds.least[1],
            lights_turned: [0.0, 1.0],
        })
    }

    fn fit(&mut self, mesh: &Mesh, side: f32) {
        let mut least = [f32::INFINITY; 2];
        let mut most = [f32::NEG_INFINITY; 2];
        for &index in mesh.triangles.iter().flatten() {
            let seen = self.project(Vec3::from(mesh.positions[index as usize]));
            for (axis, coordinate) in [seen.x, seen.y].into_iter().enumerate() {
                least[axis] = least[axis].min(coordinate);
                most[axis] = most[axis].max(coordinate);
            }
        }
        let extent = (most[0] - least[0])
            .max(most[1] - least[1])
            .max(f32::MIN_POSITIVE);
        self.scale = side * FILL / extent;
        self.middle = [0, 1].map(|axis| 0.5 * (side - self.scale * (least[axis] + most[axis])));
    }

    /// Points behind the viewer cannot occur: the viewer stands outside the mesh's sphere.
    pub fn project(&self, point: Vec3) -> Seen {
        let from_eye = point - self.eye;
        let depth = from_eye.dot(self.forward);
        Seen {
            x: self.middle[0] + self.scale * from_eye.dot(self.right) / depth,
            y: self.middle[1] - self.scale * from_eye.dot(self.up) / depth,
            depth,
        }
    }

    /// The point that a sample shows at that depth.
    pub fn point_at(&self, x: f32, y: f32, depth: f32) -> Vec3 {
        self.eye + self.ray(x, y) * depth
    }

    /// Direction of a sample, with length 1 along the view.
    pub fn ray(&self, x: f32, y: f32) -> Vec3 {
        self.forward + self.right * ((x - self.middle[0]) / self.scale)
            - self.up * ((y - self.middle[1]) / self.scale)
    }

    /// Where a light stands in this view, from where it stands in the first one.
    pub fn light(&self, [x, y, z]: [f32; 3]) -> Vec3 {
        let [sine, cosine] = self.lights_turned;
        Vec3::new(cosine * x + sine * z, y, cosine * z - sine * x).normalize()
    }

    /// Samples that one metre takes at that depth.
    pub fn samples_per_metre(&self, depth: f32) -> f32 {
        self.scale / depth
    }
}
