//! Draws meshes and lays pictures out, without a graphics card and with the same bytes on every machine.

mod camera;
mod canvas;
mod font;
mod raster;
mod shade;
mod shadow;

pub use canvas::{Area, Canvas};

use tidemill_ops::TagColor;

use crate::palette::{UNTAGGED_RGB, linear_from_srgb, tag_colors};
use crate::write::corner_normals;
use crate::{Map, Mesh};
use camera::Camera;
use raster::Visibility;
use shade::Shading;

/// Pictures of more pixels than this a side are drawn with fewer samples a pixel, to bound the memory.
const MOST_PIXELS_WITH_NINE_SAMPLES: u32 = 512;

/// How a mesh is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewSettings {
    /// Pixels on each side.
    pub side: u32,
    /// Degrees by which the viewer stands to the right of the front; the front faces +Z.
    pub azimuth_degrees: f64,
    /// Degrees above the horizon.
    pub elevation_degrees: f64,
}

impl ViewSettings {
    /// The three-quarter view of a picture with that many pixels a side.
    pub fn three_quarter(side: u32) -> Self {
        Self {
            side,
            azimuth_degrees: 34.0,
            elevation_degrees: 24.0,
        }
    }
}

/// Draws a mesh, lit, on a light ground, each face in its tag's colour: the manifest's or one of the palette. Both sides of a face
/// are shown. The result is sRGB in 8 bits.
pub fn draw_mesh(mesh: &Mesh, colors: &[TagColor], view: ViewSettings) -> Map {
    let samples = if view.side <= MOST_PIXELS_WITH_NINE_SAMPLES {
        3
    } else {
        2
    };
    let side = view.side as usize * samples;
    let Some(camera) = Camera::looking_at(mesh, view, side) else {
        return Map::filled(view.side, view.side, &[244, 244, 243], true);
    };
    let visibility = Visibility::of(mesh, &camera, side);
    let shadow = shadow::ground_shadow(mesh, &camera, side);
    let mut tag_rgb = tag_colors(&mesh.tags, colors);
    tag_rgb.push(UNTAGGED_RGB);
    let shading = Shading {
        mesh,
        normals: corner_normals(mesh),
        tag_colors: tag_rgb
            .iter()
            .map(|rgb| rgb.map(linear_from_srgb).into())
            .collect(),
        camera: &camera,
        visibility: &visibility,
        shadow: &shadow,
        side,
    };
    shading.picture(view.side, samples)
}
