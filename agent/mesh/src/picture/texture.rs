//! Maps on a mesh that is drawn: colour, normal and occlusion at a point of a face.

use glam::{Vec2, Vec3};

use super::Skin;
use crate::map::Samples;
use crate::palette::linear_from_srgb;
use crate::{Map, Mesh};

/// The maps of a mesh, ready to be looked up.
pub(super) struct Textures<'a> {
    skin: Skin<'a>,
    /// Linear light of each 8-bit sRGB value.
    linear: Vec<f32>,
}

/// What the maps say of a point.
pub(super) struct Texel {
    /// Linear; `None` without a colour map.
    pub color: Option<Vec3>,
    /// In the frame of the face, before it is turned to the viewer; `None` without a normal map.
    pub normal: Option<Vec3>,
    /// 1 is open.
    pub openness: f32,
}

impl<'a> Textures<'a> {
    pub fn new(skin: Skin<'a>) -> Self {
        Self {
            skin,
            linear: (0..=255).map(linear_from_srgb).collect(),
        }
    }

    /// What the maps say of the point with these weights of a face, whose smooth normal there is `smooth`.
    pub fn at(&self, mesh: &Mesh, triangle: usize, weights: [f32; 3], smooth: Vec3) -> Texel {
        let nothing = Texel {
            color: None,
            normal: None,
            openness: 1.0,
        };
        let Some(uvs) = &mesh.uvs else { return nothing };
        let corners = uvs[triangle].map(Vec2::from);
        let uv = corners[0] * weights[0] + corners[1] * weights[1] + corners[2] * weights[2];
        Texel {
            color: self.skin.color.map(|map| self.color_at(map, uv)),
            normal: self
                .skin
                .normal
                .and_then(|map| turned(mesh, triangle, corners, smooth, lookup(map, uv))),
            openness: self.skin.occlusion.map_or(1.0, |map| lookup(map, uv)[0]),
        }
    }

    /// A map of colours is blended as light, one of numbers as they are.
    fn color_at(&self, map: &Map, uv: Vec2) -> Vec3 {
        let found = if map.srgb {
            blended(map, uv, |value| self.linear[(value * 255.0 + 0.5) as usize & 255])
        } else {
            lookup(map, uv)
        };
        match map.channels {
            1 | 2 => Vec3::splat(found[0]),
            _ => Vec3::new(found[0], found[1], found[2]),
        }
    }
}

/// The smooth normal turned as a normal map says, with green up as glTF has it. The frame is that of the face's own UVs: good for the
/// eye, where neighbours agree; the frames that files carry are MikkTSpace's.
fn turned(mesh: &Mesh, triangle: usize, uv: [Vec2; 3], smooth: Vec3, texel: [f32; 4]) -> Option<Vec3> {
    let [a, b, c] = mesh.corners(triangle).map(Vec3::from);
    let (along_b, along_c) = (uv[1] - uv[0], uv[2] - uv[0]);
    let area = along_b.perp_dot(along_c);
    if area == 0.0 {
        return None;
    }
    let tangent = ((b - a) * along_c.y - (c - a) * along_b.y) / area;
    let down = ((c - a) * along_b.x - (b - a) * along_c.x) / area;
    let tangent = (tangent - smooth * smooth.dot(tangent)).try_normalize()?;
    let bitangent = smooth.cross(tangent);
    // UVs count downwards, green upwards.
    let up = if bitangent.dot(down) > 0.0 {
        -bitangent
    } else {
        bitangent
    };
    let [x, y, z, _] = texel.map(|value| value * 2.0 - 1.0);
    (tangent * x + up * y + smooth * z.max(0.0)).try_normalize()
}

/// The four nearest texels blended, 0 to 1; the map goes on at its other side, as glTF has it unless told otherwise.
fn lookup(map: &Map, uv: Vec2) -> [f32; 4] {
    blended(map, uv, |value| value)
}

fn blended(map: &Map, uv: Vec2, decode: impl Fn(f32) -> f32) -> [f32; 4] {
    let (width, height) = (map.width as f32, map.height as f32);
    let x = (uv.x - uv.x.floor()) * width - 0.5;
    let y = (uv.y - uv.y.floor()) * height - 0.5;
    let (left, top) = (x.floor(), y.floor());
    let (share_x, share_y) = (x - left, y - top);
    let channels = usize::from(map.channels);
    let mut sum = [0.0; 4];
    for (dx, dy, weight) in [
        (0, 0, (1.0 - share_x) * (1.0 - share_y)),
        (1, 0, share_x * (1.0 - share_y)),
        (0, 1, (1.0 - share_x) * share_y),
        (1, 1, share_x * share_y),
    ] {
        let column = (left as i64 + dx).rem_euclid(i64::from(map.width)) as usize;
        let row = (top as i64 + dy).rem_euclid(i64::from(map.height)) as usize;
        let first = (row * map.width as usize + column) * channels;
        for (channel, sum) in sum.iter_mut().take(channels).enumerate() {
            let value = match &map.data {
                Samples::Eight(samples) => f32::from(samples[first + channel]) / 255.0,
                Samples::Sixteen(samples) => f32::from(samples[first + channel]) / 65535.0,
            };
            *sum += weight * decode(value);
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> Mesh {
        Mesh {
            positions: vec![[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]],
            triangles: vec![[0, 1, 2], [0, 2, 3]],
            face_tags: vec![crate::mesh::UNTAGGED; 2],
            uvs: Some(vec![
                [[0.0, 1.0], [1.0, 1.0], [1.0, 0.0]],
                [[0.0, 1.0], [1.0, 0.0], [0.0, 0.0]],
            ]),
            ..Mesh::default()
        }
    }

    #[test]
    fn a_colour_map_lies_the_right_way_up() {
        // Upper row red and green, lower row blue and white.
        let map = Map {
            width: 2,
            height: 2,
            channels: 3,
            data: Samples::Eight(vec![255, 0, 0, 0, 255, 0, 0, 0, 255, 255, 255, 255]),
            srgb: true,
        };
        let mesh = square();
        let textures = Textures::new(Skin {
            color: Some(&map),
            ..Skin::default()
        });
        // Three quarters up at the left: within the second face, the middle of the upper left texel.
        let texel = textures.at(&mesh, 1, [0.25, 0.25, 0.5], Vec3::Z);
        assert_eq!(texel.color, Some(Vec3::X));
        assert_eq!((texel.normal, texel.openness), (None, 1.0));
    }

    #[test]
    fn a_normal_map_turns_right_and_up() {
        for (texel, expected) in [
            ([128u8, 128, 255], Vec3::Z),
            ([255, 128, 128], Vec3::X),
            ([128, 255, 128], Vec3::Y),
        ] {
            let map = Map::filled(4, 4, &texel, false);
            let mesh = square();
            let textures = Textures::new(Skin {
                normal: Some(&map),
                ..Skin::default()
            });
            let normal = textures.at(&mesh, 0, [0.3, 0.3, 0.4], Vec3::Z).normal.unwrap();
            assert!((normal - expected).length() < 0.02, "{normal} for {texel:?}");
        }
    }
}
