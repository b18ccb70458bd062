//! Light and colour of each sample, and pixels from samples.

use glam::Vec3;
use rayon::prelude::*;

use super::camera::Camera;
use super::raster::{NOTHING, Visibility};
use super::texture::{Texel, Textures};
use crate::map::{Map, Samples};
use crate::palette::srgb_from_linear;
use crate::{Mesh, mesh::UNTAGGED};

/// Towards the key light: from the upper left, a little in front of the mesh as the viewer sees it.
pub(super) const KEY_LIGHT: [f32; 3] = [-0.45, 1.25, 0.75];
pub(super) const FILL_LIGHT: [f32; 3] = [1.0, 0.35, 0.3];
const KEY_STRENGTH: f32 = 0.78;
const FILL_STRENGTH: f32 = 0.16;
const SKY: f32 = 0.34;
const GROUND: f32 = 0.17;
const RIM_STRENGTH: f32 = 0.10;
/// How far a corner darkens itself, in radii of the mesh.
const OCCLUSION_RADIUS: f32 = 0.13;
const OCCLUSION_STRENGTH: f32 = 1.5;
const OCCLUSION_TAPS: usize = 18;
/// Samples of a pixel share their openness where they face alike, and are no farther apart in depth than this, in radii of the mesh.
const SAME_SURFACE_COSINE: f32 = 0.9;
const SAME_SURFACE_DEPTH: f32 = 0.02;
/// The light ground, linear, at the top and at the bottom of the picture.
const BACKGROUND_TOP: f32 = 0.93;
const BACKGROUND_BOTTOM: f32 = 0.78;

/// What is the same from wherever it is seen.
pub(super) struct Subject<'a> {
    pub mesh: &'a Mesh,
    pub normals: Vec<[[f32; 3]; 3]>,
    /// Linear; the last one is of faces without a tag.
    pub tag_colors: Vec<Vec3>,
    pub textures: Textures<'a>,
}

pub(super) struct Shading<'a> {
    pub subject: &'a Subject<'a>,
    pub camera: &'a Camera,
    pub visibility: &'a Visibility,
    pub shadow: &'a [f32],
    pub side: usize,
    /// Where the lights stand in this view.
    pub key_light: Vec3,
    pub fill_light: Vec3,
}

/// How open the sky is above one sample of a pixel, and where that was: its neighbours on the same surface take it over.
struct Opened {
    openness: f32,
    depth: f32,
    flat: Vec3,
}

impl Opened {
    /// Whether a sample of the same pixel lies on the same surface, `near` apart in depth at most.
    fn holds_for(&self, depth: f32, flat: Vec3, near: f32) -> bool {
        self.flat.dot(flat) > SAME_SURFACE_COSINE && (self.depth - depth).abs() <= near
    }
}

impl Shading<'_> {
    /// The mean of `samples` x `samples` samples for each pixel.
    pub fn picture(&self, pixels: u32, samples: usize) -> Map {
        let width = pixels as usize;
        let taps = occlusion_taps();
        let rows: Vec<Vec<u8>> = (0..width)
            .into_par_iter()
            .map(|row| {
                let mut line = Vec::with_capacity(width * 3);
                for column in 0..width {
                    let mut sum = Vec3::ZERO;
                    let mut opened = None;
                    for sample in 0..samples * samples {
                        let x = column * samples + sample % samples;
                        let y = row * samples + sample / samples;
                        sum += self.sample(x, y, &taps, &mut opened);
                    }
                    let mean = sum / (samples * samples) as f32;
                    line.extend(mean.to_array().map(srgb_from_linear));
                }
                line
            })
            .collect();
        Map {
            width: pixels,
            height: pixels,
            channels: 3,
            data: Samples::Eight(rows.concat()),
            srgb: true,
        }
    }

    fn sample(&self, x: usize, y: usize, taps: &[[f32; 2]], opened: &mut Option<Opened>) -> Vec3 {
        let place = y * self.side + x;
        let triangle = self.visibility.triangles[place];
        if triangle == NOTHING {
            let down = y as f32 / self.side as f32;
            let light = BACKGROUND_TOP + (BACKGROUND_BOTTOM - BACKGROUND_TOP) * down;
            // A breath of warmth, so that the ground is paper and not fog.
            return Vec3::new(1.0, 0.995, 0.98) * light * self.shadow[place];
        }
        let depth = self.visibility.depths[place];
        let ray = self.camera.ray(x as f32 + 0.5, y as f32 + 0.5);
        let point = self.camera.point_at(x as f32 + 0.5, y as f32 + 0.5, depth);
        let to_eye = -ray.normalize();
        let (normal, flat, texel) = self.normal(triangle as usize, point, to_eye);
        let near = SAME_SURFACE_DEPTH * self.camera.radius;
        let openness = match opened {
            Some(before) if before.holds_for(depth, flat, near) => before.openness,
            _ => {
                let openness = self.openness(x, y, point, depth, flat, taps);
                *opened = Some(Opened {
                    openness,
                    depth,
                    flat,
                });
                openness
            }
        };
        let openness = openness * texel.openness;
        let color = texel.color.unwrap_or_else(|| self.tag_color(triangle as usize));
        self.lit(color, normal, to_eye, openness)
    }

    fn tag_color(&self, triangle: usize) -> Vec3 {
        let tag = self.subject.mesh.face_tags[triangle];
        let last = self.subject.tag_colors.len() - 1;
        self.subject.tag_colors[if tag == UNTAGGED {
            last
        } else {
            usize::from(tag).min(last)
        }]
    }

    fn lit(&self, color: Vec3, normal: Vec3, to_eye: Vec3, openness: f32) -> Vec3 {
        let key = normal.dot(self.key_light).max(0.0);
        let fill = normal.dot(self.fill_light).max(0.0);
        let ambient = GROUND + (SKY - GROUND) * (0.5 + 0.5 * normal.y);
        // Corners keep some key light: all of it lost looks like dirt.
        let diffuse =
            KEY_STRENGTH * key * (0.45 + 0.55 * openness) + (FILL_STRENGTH * fill + ambient) * openness;
        let facing = normal.dot(to_eye).clamp(0.0, 1.0);
        let edge = 1.0 - facing;
        let rim = RIM_STRENGTH * edge * edge * edge * (0.5 + 0.5 * normal.y) * openness;
        let halfway = (self.key_light + to_eye).normalize_or_zero();
        let gloss = normal.dot(halfway).max(0.0);
        // To the 32nd power by squaring: the same on every machine.
        let gloss = (0..5).fold(gloss, |power, _| power * power);
        color * diffuse + Vec3::splat(rim + 0.09 * gloss * openness)
    }

    /// The shading normal and the triangle's own, both turned to the viewer, and what the maps say.
    fn normal(&self, triangle: usize, point: Vec3, to_eye: Vec3) -> (Vec3, Vec3, Texel) {
        let [a, b, c] = self.subject.mesh.corners(triangle).map(Vec3::from);
        let across = (b - a).cross(c - a);
        let double_area = across.length_squared().max(f32::MIN_POSITIVE);
        let weight_b = (point - a).cross(c - a).dot(across) / double_area;
        let weight_c = (b - a).cross(point - a).dot(across) / double_area;
        let [at_a, at_b, at_c] = self.subject.normals[triangle].map(Vec3::from);
        let weights = [1.0 - weight_b - weight_c, weight_b, weight_c];
        let smooth = at_a * weights[0] + at_b * weights[1] + at_c * weights[2];
        let front = across.dot(to_eye) >= 0.0;
        let texel = self.subject.textures.at(
            self.subject.mesh,
            triangle,
            weights,
            smooth.normalize_or(across.normalize_or(to_eye)),
        );
        let turn = |normal: Vec3| if normal.dot(to_eye) < 0.0 { -normal } else { normal };
        let flat = turn(across.normalize_or(to_eye));
        let smooth = match texel.normal {
            // Seen from behind, the surface is as bumpy on that side.
            Some(mapped) => {
                if front {
                    mapped
                } else {
                    -mapped
                }
            }
            None => {
                let smooth = smooth.normalize_or(flat);
                if smooth.dot(flat) < 0.0 { -smooth } else { smooth }
            }
        };
        (smooth, flat, texel)
    }

    /// How much of the sky above a point its visible surroundings leave open, 0 to 1: surroundings that rise above the surface close
    /// it. Judged by what the picture shows, so it is an impression and no measurement.
    fn openness(&self, x: usize, y: usize, point: Vec3, depth: f32, flat: Vec3, taps: &[[f32; 2]]) -> f32 {
        let reach = OCCLUSION_RADIUS * self.camera.radius;
        let reach_in_samples = (reach * self.camera.samples_per_metre(depth)).max(2.0);
        let mut closed = 0.0;
        for [tap_x, tap_y] in taps {
            let at_x = x as f32 + tap_x * reach_in_samples;
            let at_y = y as f32 + tap_y * reach_in_samples;
            let inside = 0.0..self.side as f32;
            if !inside.contains(&at_x) || !inside.contains(&at_y) {
                continue;
            }
            let place = at_y as usize * self.side + at_x as usize;
            if self.visibility.triangles[place] == NOTHING {
                continue;
            }
            // The middle of the sample that was found, not the tap: otherwise slopes close themselves.
            let (middle_x, middle_y) = (at_x.floor() + 0.5, at_y.floor() + 0.5);
            let other = self
                .camera
                .point_at(middle_x, middle_y, self.visibility.depths[place]);
            let between = other - point;
            let distance = between.length();
            if distance < 1e-6 * self.camera.radius || distance > reach * 1.5 {
                continue;
            }
            let rise = (between.dot(flat) / distance - 0.12).max(0.0);
            closed += rise * (1.0 - distance / (reach * 1.5));
        }
        // The nearer the ground, the less sky.
        let height = (point.y - self.camera.ground) / reach;
        let near_ground = 0.25 * (1.0 - height).clamp(0.0, 1.0) * (1.0 - flat.y.max(0.0));
        (1.0 - OCCLUSION_STRENGTH * closed / taps.len() as f32 * 2.0 - near_ground).clamp(0.25, 1.0)
    }
}

/// A spiral of points in the unit disk, by the golden angle, so that they lie evenly.
fn occlusion_taps() -> Vec<[f32; 2]> {
    let golden_angle = std::f64::consts::PI * (3.0 - 5.0f64.sqrt());
    (0..OCCLUSION_TAPS)
        .map(|tap| {
            let distance = ((tap as f64 + 0.5) / OCCLUSION_TAPS as f64).sqrt();
            let angle = tap as f64 * golden_angle;
            [
                (distance * libm::cos(angle)) as f32,
                (distance * libm::sin(angle)) as f32,
            ]
        })
        .collect()
}
