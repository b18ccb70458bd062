//! Materials of a GLB file: one for a tag, or one that wears maps.

use std::sync::Arc;

use gltf_json as json;
use json::Index;
use json::material::{
    NormalTexture, OcclusionTexture, PbrBaseColorFactor, PbrMetallicRoughness, StrengthFactor,
};

use super::document::Document;
use super::glb::WriteError;
use crate::Map;
use crate::model::Dress;
use crate::palette::linear_from_srgb;

/// The plain material of a tag.
pub(super) fn of_tag(name: &str, rgb: [u8; 3]) -> json::Material {
    let [red, green, blue] = rgb.map(linear_from_srgb);
    json::Material {
        name: Some(name.to_owned()),
        pbr_metallic_roughness: PbrMetallicRoughness {
            base_color_factor: PbrBaseColorFactor([red, green, blue, 1.0]),
            metallic_factor: StrengthFactor(0.0),
            roughness_factor: StrengthFactor(0.8),
            ..PbrMetallicRoughness::default()
        },
        ..json::Material::default()
    }
}

/// The material with all its maps; one map in two places is embedded once.
pub(super) fn dressed(document: &mut Document, dress: &Dress) -> Result<Index<json::Material>, WriteError> {
    let shared = match (&dress.occlusion, &dress.roughness_metal) {
        (Some(one), Some(other)) => Arc::ptr_eq(one, other),
        _ => false,
    };
    let color = texture(document, "color", dress.color.as_deref())?;
    let normal = texture(document, "normal", dress.normal.as_deref())?;
    let occlusion = texture(document, "occlusion", dress.occlusion.as_deref())?;
    let roughness_metal = if shared {
        occlusion
    } else {
        texture(document, "roughness-metal", dress.roughness_metal.as_deref())?
    };
    Ok(document.root.push(json::Material {
        name: Some(dress.name.clone()),
        pbr_metallic_roughness: PbrMetallicRoughness {
            base_color_texture: color.map(info),
            metallic_factor: StrengthFactor(dress.metal),
            roughness_factor: StrengthFactor(dress.roughness),
            metallic_roughness_texture: roughness_metal.map(info),
            ..PbrMetallicRoughness::default()
        },
        normal_texture: normal.map(|index| NormalTexture {
            index,
            scale: 1.0,
            tex_coord: 0,
            extensions: None,
            extras: None,
        }),
        occlusion_texture: occlusion.map(|index| OcclusionTexture {
            index,
            strength: StrengthFactor(1.0),
            tex_coord: 0,
            extensions: None,
            extras: None,
        }),
        ..json::Material::default()
    }))
}

fn texture(
    document: &mut Document,
    what: &'static str,
    map: Option<&Map>,
) -> Result<Option<Index<json::Texture>>, WriteError> {
    let Some(map) = map else { return Ok(None) };
    let png = map.to_png().map_err(|source| WriteError::Map { what, source })?;
    Ok(Some(document.add_texture(what, &png)))
}

fn info(index: Index<json::Texture>) -> json::texture::Info {
    json::texture::Info {
        index,
        tex_coord: 0,
        extensions: None,
        extras: None,
    }
}
