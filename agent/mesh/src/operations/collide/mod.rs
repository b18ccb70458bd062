//! `collide`: a simple shape for things to bump into.
//!
//! - [`split`]: parts whose hulls lie closer. [`hull`]: the hull of each.

mod hull;
mod split;

use std::sync::Arc;

use self::hull::Hull;
use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::mesh::UNTAGGED;
use crate::model::{Model, Part};

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let most_triangles = context.whole("triangles")?.max(4) as usize;
    let most_hulls = context.whole("hulls")?.max(1) as usize;
    let pattern = context.optional_text("name")?.unwrap_or("hull-#");
    let triangles: Vec<[[f64; 3]; 3]> = (0..mesh.triangles.len())
        .map(|face| mesh.corners(face).map(|corner| corner.map(f64::from)))
        .collect();
    if triangles.is_empty() {
        return Err(OperationError::Unsuitable(
            "the mesh has no triangle to make a shape of".to_owned(),
        ));
    }
    let hulls: Vec<Hull> = match context.optional_text("form")? {
        Some("box") => vec![Hull::around(triangles.as_flattened())],
        _ => {
            let parts = split::split(triangles, most_hulls);
            parts
                .iter()
                .map(|points| Hull::of(points, most_triangles))
                .collect()
        }
    };
    if hulls.len() > 1 && !pattern.contains('#') {
        return Err(OperationError::Unsuitable(format!(
            "{} hulls cannot all be called `{pattern}`; put a `#` into `name`, for the number",
            hulls.len()
        )));
    }
    let volume: f64 = hulls.iter().map(Hull::volume).sum();
    let gap = hulls.iter().map(|hull| hull.gap).fold(0.0, f64::max);
    let (count, faces) = (
        hulls.len(),
        hulls.iter().map(|hull| hull.triangles.len()).sum::<usize>(),
    );
    let parts = hulls.iter().enumerate().map(|(number, hull)| Part {
        name: pattern.replace('#', &(number + 1).to_string()),
        mesh: Arc::new(mesh_of(hull)),
        at: [0.0; 3],
    });
    let model = Model::of_parts(parts.collect()).ok_or_else(|| {
        OperationError::Unsuitable("the shape has more corners than a mesh can number".to_owned())
    })?;
    let mut produced = Produced::model(model)
        .with_figure("hulls", count as f64)
        .with_figure("triangles", faces as f64)
        .with_figure("volume_m3", volume)
        .with_figure("gap_m", gap);
    if mesh.is_closed() && mesh.volume() > 0.0 {
        produced = produced.with_figure("volume_ratio", volume / mesh.volume());
    }
    Ok(produced)
}

fn mesh_of(hull: &Hull) -> Mesh {
    Mesh {
        positions: hull
            .corners
            .iter()
            .map(|corner| corner.map(|part| part as f32))
            .collect(),
        triangles: hull.triangles.clone(),
        face_tags: vec![UNTAGGED; hull.triangles.len()],
        ..Mesh::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::{Written, call};
    use crate::test_shapes::{cuboid, sphere};
    use crate::value::Value;
    use crate::write;

    fn shape(mesh: &Mesh, settings: &[(&str, Written)]) -> Result<Model, OperationError> {
        let mut all = vec![
            ("form", "hulls".into()),
            ("hulls", 1.0.into()),
            ("triangles", 60.0.into()),
        ];
        all.extend(settings.iter().cloned());
        let call = call("collide", &all);
        let inputs = [("mesh", Value::Mesh(mesh.clone().into()))].into();
        let produced = run(&Context {
            call: &call,
            inputs,
            tags: &[],
        })?;
        match &produced.outputs[0].1 {
            Value::Model(model) => Ok(Model::clone(model)),
            other => panic!("{}", other.description()),
        }
    }

    fn two_balls() -> Mesh {
        let ball = |x: f64| Part {
            name: String::new(),
            mesh: Arc::new(sphere([x, 0.0, 0.0], 1.0, 3, "iron")),
            at: [0.0; 3],
        };
        Model::of_parts(vec![ball(0.0), ball(4.0)])
            .unwrap()
            .whole
            .as_ref()
            .clone()
    }

    #[test]
    fn a_box_is_the_bounds() {
        let model = shape(
            &sphere([1.0, 2.0, 3.0], 0.5, 3, "iron"),
            &[("form", "box".into())],
        )
        .unwrap();
        assert_eq!(model.whole.triangles.len(), 12);
        assert!((model.whole.volume() - 1.0).abs() < 1e-3);
        assert!(model.whole.is_closed());
    }

    #[test]
    fn each_hull_is_a_named_node_within_its_limit() {
        let model = shape(
            &two_balls(),
            &[
                ("hulls", 2.0.into()),
                ("triangles", 40.0.into()),
                ("name", "bollard_#_bump".into()),
            ],
        )
        .unwrap();
        let names: Vec<&str> = model.parts.iter().map(|part| part.name.as_str()).collect();
        assert_eq!(names, ["bollard_1_bump", "bollard_2_bump"]);
        assert!(model.parts.iter().all(|part| part.mesh.triangles.len() <= 40
            && part.mesh.is_closed()
            && part.mesh.volume() > 3.0));
        let bytes = write::glb_of_model(&model, &[]).unwrap();
        let document = gltf::Gltf::from_slice(&bytes).unwrap();
        let nodes: Vec<Option<&str>> = document.nodes().map(|node| node.name()).collect();
        assert_eq!(nodes, [Some("bollard_1_bump"), Some("bollard_2_bump")]);
        assert!(write::obj_of_model(&model).contains("o bollard_2_bump"));
    }

    #[test]
    fn two_hulls_need_two_names() {
        let error = shape(&two_balls(), &[("hulls", 2.0.into()), ("name", "bump".into())]).unwrap_err();
        assert!(error.to_string().contains("put a `#` into `name`"));
        assert!(shape(&cuboid([0.0; 3], [1.0; 3], "timber"), &[("name", "bump".into())]).is_ok());
    }
}
