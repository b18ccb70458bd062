//! Draws meshes and lays pictures out, without a graphics card and with the same bytes on every machine.

mod camera;
mod canvas;
mod font;
mod raster;
mod shade;
mod shadow;
mod texture;

pub use canvas::{Area, Canvas};

use tidemill_ops::TagColor;

use crate::palette::{UNTAGGED_RGB, linear_from_srgb, tag_colors};
use crate::write::corner_normals;
use crate::{Map, Mesh};
use camera::Camera;
use raster::Visibility;
use rayon::prelude::*;
use shade::{FILL_LIGHT, KEY_LIGHT, Shading, Subject};
use texture::Textures;

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

/// The maps of a mesh, for the UVs that it carries. Without UVs they are left out.
#[derive(Debug, Clone, Copy, Default)]
pub struct Skin<'a> {
    /// Takes the place of the tags' colours.
    pub color: Option<&'a Map>,
    /// Tangent space, green up.
    pub normal: Option<&'a Map>,
    /// White is open.
    pub occlusion: Option<&'a Map>,
}

/// Draws a mesh, lit, on a light ground, each face in its tag's colour: the manifest's or one of the palette. Both sides of a face
/// are shown. The result is sRGB in 8 bits.
pub fn draw_mesh(mesh: &Mesh, colors: &[TagColor], view: ViewSettings) -> Map {
    draw_with_maps(mesh, colors, Skin::default(), view)
}

/// As [`draw_mesh`], with the mesh's maps.
pub fn draw_with_maps(mesh: &Mesh, colors: &[TagColor], skin: Skin<'_>, view: ViewSettings) -> Map {
    let samples = samples_of(view.side);
    let camera = Camera::looking_at(mesh, view, view.side as usize * samples);
    draw(&subject(mesh, colors, skin), camera.as_ref(), view.side)
}

/// A strip of pictures side by side, each a step further around the mesh, from the view given; all of one scale, so that the mesh turns
/// and does not grow.
pub fn turntable(mesh: &Mesh, colors: &[TagColor], skin: Skin<'_>, view: ViewSettings, count: u32) -> Map {
    let side = view.side as usize * samples_of(view.side);
    let views: Vec<ViewSettings> = (0..count)
        .map(|step| ViewSettings {
            azimuth_degrees: view.azimuth_degrees + 360.0 * f64::from(step) / f64::from(count),
            ..view
        })
        .collect();
    let cameras = Camera::turning_around(mesh, &views, side);
    let pixels = view.side as usize;
    let mut canvas = Canvas::new(pixels * views.len(), pixels, PAPER);
    let subject = subject(mesh, colors, skin);
    // As many side by side as take little memory beside the mesh.
    let at_once = (SAMPLES_AT_ONCE / (side * side).max(1)).max(1);
    let frames: Vec<Map> = cameras
        .chunks(at_once)
        .flat_map(|cameras| {
            let drawn = cameras
                .par_iter()
                .map(|camera| draw(&subject, camera.as_ref(), view.side));
            drawn.collect::<Vec<Map>>()
        })
        .collect();
    for (step, frame) in frames.iter().enumerate() {
        let area = Area {
            x: step * pixels,
            y: 0,
            width: pixels,
            height: pixels,
        };
        canvas.put(area, frame);
    }
    canvas.into_map()
}

/// A sample takes about 24 bytes while its frame is drawn.
const SAMPLES_AT_ONCE: usize = 4_000_000;

const PAPER: [u8; 3] = [244, 244, 243];

fn samples_of(side: u32) -> usize {
    if side <= MOST_PIXELS_WITH_NINE_SAMPLES {
        3
    } else {
        2
    }
}

fn subject<'a>(mesh: &'a Mesh, colors: &[TagColor], skin: Skin<'a>) -> Subject<'a> {
    let mut tag_rgb = tag_colors(&mesh.tags, colors);
    tag_rgb.push(UNTAGGED_RGB);
    Subject {
        mesh,
        normals: corner_normals(mesh),
        tag_colors: tag_rgb
            .iter()
            .map(|rgb| rgb.map(linear_from_srgb).into())
            .collect(),
        textures: Textures::new(skin),
    }
}

fn draw(subject: &Subject<'_>, camera: Option<&Camera>, pixels: u32) -> Map {
    let samples = samples_of(pixels);
    let side = pixels as usize * samples;
    let Some(camera) = camera else {
        return Map::filled(pixels, pixels, &PAPER, true);
    };
    let shading = Shading {
        subject,
        camera,
        visibility: &Visibility::of(subject.mesh, camera, side),
        shadow: &shadow::ground_shadow(subject.mesh, camera, side),
        side,
        key_light: camera.light(KEY_LIGHT),
        fill_light: camera.light(FILL_LIGHT),
    };
    shading.picture(pixels, samples)
}
