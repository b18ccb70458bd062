//! `picture`: a lit still and a turntable strip of a mesh, with its maps where they are given.

use super::{Context, OperationError, Produced};
use crate::Map;
use crate::picture::{Skin, ViewSettings, draw_with_maps, turntable};
use crate::value::Value;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let skin = Skin {
        color: map(context, "color")?,
        normal: map(context, "normal")?,
        occlusion: map(context, "occlusion")?,
    };
    let wears_maps = skin.color.is_some() || skin.normal.is_some() || skin.occlusion.is_some();
    if wears_maps && mesh.uvs.is_none() {
        return Err(OperationError::Unsuitable(
            "the mesh has no UVs, so its maps cannot be shown; put `unwrap` before `picture`, or leave the maps out".to_owned(),
        ));
    }
    let still = ViewSettings::three_quarter(context.whole("side")?.min(4096) as u32);
    let turn = ViewSettings {
        side: context.whole("turn-side")?.min(1024) as u32,
        ..still
    };
    let views = context.whole("views")?.clamp(1, 64) as u32;
    Ok(Produced::default()
        .with_map("still", draw_with_maps(mesh, context.tags, skin, still))
        .with_map("turntable", turntable(mesh, context.tags, skin, turn, views)))
}

/// A map on a port that may be left out.
fn map<'a>(context: &'a Context<'_>, port: &str) -> Result<Option<&'a Map>, OperationError> {
    match context.inputs.get(port) {
        None => Ok(None),
        Some(Value::Map(map)) => Ok(Some(map)),
        Some(_) => Err(OperationError::InputType {
            port: port.to_owned(),
            expected: "a map",
        }),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::operations::testing::call;
    use crate::operations::unwrap::{Unwrapping, unwrap};
    use crate::test_shapes::cuboid;

    fn drawn(inputs: BTreeMap<&str, Value>) -> Result<Vec<Map>, OperationError> {
        let settings = [
            ("side", 96.0.into()),
            ("turn-side", 64.0.into()),
            ("views", 4.0.into()),
        ];
        let produced = run(&Context {
            call: &call("picture", &settings),
            inputs,
            tags: &[],
        })?;
        let maps = produced.outputs.into_iter().map(|(_, value)| match value {
            Value::Map(map) => (*map).clone(),
            other => panic!("{}", other.description()),
        });
        Ok(maps.collect())
    }

    #[test]
    fn a_colour_map_is_seen_and_the_mesh_turns_in_its_place() {
        let bare = cuboid([0.0; 3], [2.0, 1.0, 0.5], "timber");
        let unwrapping = Unwrapping::plain(64, 2);
        let mesh = unwrap(&bare, &unwrapping).unwrap().mesh;
        let red = Map::filled(8, 8, &[255, 0, 0], true);
        let with = drawn(
            [
                ("mesh", Value::Mesh(mesh.into())),
                ("color", Value::Map(red.clone().into())),
            ]
            .into(),
        )
        .unwrap();
        assert_eq!((with[0].width, with[0].height), (96, 96));
        assert_eq!((with[1].width, with[1].height), (256, 64));
        let reds = |map: &Map, columns: std::ops::Range<u32>| {
            let pixels = columns.flat_map(|x| (0..map.height).map(move |y| (x, y)));
            pixels
                .filter(|&(x, y)| matches!(map.rgb_at(x, y), [r, g, b] if r > 80 && u16::from(g) + u16::from(b) < u16::from(r)))
                .count()
        };
        assert!(reds(&with[0], 0..96) > 1000);
        // A half turn shows a box as before, a quarter turn shows its other side.
        let [front, side, back] = [0, 1, 2].map(|view| reds(&with[1], view * 64..view * 64 + 64));
        assert!(front > 400 && front.abs_diff(back) < front / 20, "{front} {back}");
        assert!(side > 200 && side.abs_diff(front) > front / 20, "{side} {front}");
        let without = drawn([("mesh", Value::Mesh(bare.clone().into()))].into()).unwrap();
        assert_eq!(reds(&without[0], 0..96), 0);
        let refused = drawn(
            [
                ("mesh", Value::Mesh(bare.into())),
                ("color", Value::Map(red.into())),
            ]
            .into(),
        );
        assert!(refused.unwrap_err().to_string().contains("put `unwrap` before"));
    }
}
