//! `dress`: one material with maps in the place of the tags' materials.

use std::sync::Arc;

use super::{Context, OperationError, Produced};
use crate::Map;
use crate::model::Dress;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mut model = context.model("mesh")?;
    if model.whole.uvs.is_none() {
        return Err(OperationError::Unsuitable(
            "the mesh has no UVs for maps to lie on; put `unwrap` before `dress`".to_owned(),
        ));
    }
    let map = |port: &'static str, least: u8, what: &str| -> Result<Option<Arc<Map>>, OperationError> {
        match context.optional_map(port)? {
            Some(map) if map.channels < least => Err(OperationError::Unsuitable(format!(
                "the map on `{port}` has {}, and {what}; bake it anew, or leave it out",
                if map.channels == 1 {
                    "one channel".to_owned()
                } else {
                    format!("{} channels", map.channels)
                },
            ))),
            found => Ok(found.cloned()),
        }
    };
    let dress = Dress {
        name: context.optional_text("name")?.unwrap_or("dressed").to_owned(),
        color: map("color", 1, "any will do")?,
        normal: map("normal", 3, "a direction takes three")?,
        occlusion: map("occlusion", 1, "any will do")?,
        roughness_metal: map(
            "roughness-metal",
            3,
            "roughness is read from the second, metal from the third",
        )?,
        roughness: context.number("roughness")? as f32,
        metal: context.number("metal")? as f32,
    };
    if [
        &dress.color,
        &dress.normal,
        &dress.occlusion,
        &dress.roughness_metal,
    ]
    .iter()
    .all(|map| map.is_none())
    {
        return Err(OperationError::Unsuitable(
            "there is no map to put on; name one with `in = { color = \"…\" }`".to_owned(),
        ));
    }
    model.dress = Some(Arc::new(dress));
    Ok(Produced::model(model))
}

#[cfg(test)]
mod tests {
    use tidemill_ops::Call;

    use super::*;
    use crate::map::Samples;
    use crate::operations::testing::{call, mesh_of};
    use crate::operations::unwrap;
    use crate::test_shapes::cuboid;
    use crate::value::Value;
    use crate::{Mesh, Model, write};

    fn unwrapped() -> Mesh {
        let settings = [("size", 64.0.into()), ("padding", 2.0.into())];
        mesh_of(
            unwrap::run,
            &cuboid([0.0; 3], [1.0; 3], "timber"),
            &call("unwrap", &settings),
        )
    }

    fn flat(channels: u8, srgb: bool) -> Value {
        Value::Map(Arc::new(Map {
            width: 4,
            height: 4,
            channels,
            data: Samples::Eight(vec![128; 16 * usize::from(channels)]),
            srgb,
        }))
    }

    fn settings() -> Call {
        call(
            "dress",
            &[
                ("roughness", 0.5.into()),
                ("metal", 1.0.into()),
                ("name", "planks".into()),
            ],
        )
    }

    fn dressed(mesh: Mesh, maps: Vec<(&'static str, Value)>) -> Result<Model, OperationError> {
        let call = settings();
        let inputs = [("mesh", Value::Mesh(mesh.into()))].into_iter().chain(maps);
        let produced = run(&Context {
            call: &call,
            inputs: inputs.collect(),
            tags: &[],
        })?;
        match &produced.outputs[0].1 {
            Value::Model(model) => Ok(Model::clone(model)),
            other => panic!("{}", other.description()),
        }
    }

    #[test]
    fn the_file_holds_one_material_with_the_maps_and_a_shared_map_once() {
        let shared = flat(3, false);
        let maps = vec![
            ("color", flat(3, true)),
            ("occlusion", shared.clone()),
            ("roughness-metal", shared),
        ];
        let model = dressed(unwrapped(), maps).unwrap();
        let bytes = write::glb_of_model(&model, &[]).unwrap();
        let document = gltf::Gltf::from_slice(&bytes).unwrap();
        let materials: Vec<_> = document.materials().collect();
        assert_eq!(materials.len(), 1);
        assert_eq!(materials[0].name(), Some("planks"));
        let pbr = materials[0].pbr_metallic_roughness();
        assert_eq!((pbr.roughness_factor(), pbr.metallic_factor()), (0.5, 1.0));
        let image = |texture: gltf::Texture<'_>| texture.source().index();
        let occlusion = materials[0].occlusion_texture().unwrap().texture();
        assert_eq!(
            image(occlusion),
            image(pbr.metallic_roughness_texture().unwrap().texture())
        );
        assert_ne!(
            image(pbr.base_color_texture().unwrap().texture()),
            image(pbr.metallic_roughness_texture().unwrap().texture())
        );
        assert_eq!((document.images().count(), document.meshes().count()), (2, 1));
        assert!(materials[0].normal_texture().is_none());
    }

    #[test]
    fn what_cannot_be_worn_is_said() {
        let bare = cuboid([0.0; 3], [1.0; 3], "timber");
        let error = |mesh, maps| dressed(mesh, maps).unwrap_err().to_string();
        assert!(error(bare, vec![("color", flat(3, true))]).contains("put `unwrap` before"));
        assert!(error(unwrapped(), vec![]).contains("no map to put on"));
        assert!(error(unwrapped(), vec![("normal", flat(1, false))]).contains("one channel"));
    }
}
