//! `place`: where a mesh stands.

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::spatial::point;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = context.mesh("mesh")?;
    let pivot = context.optional_text("pivot")?.unwrap_or("base-centre");
    let bounds = mesh.bounds().ok_or_else(|| {
        OperationError::Unsuitable("the mesh has no triangles, so it has no place to move".to_owned())
    })?;
    let mut origin = bounds.center();
    match pivot {
        "base-centre" => origin[1] = bounds.least[1],
        "bounds-centre" => {}
        "kept" => origin = [0.0; 3],
        other => {
            return Err(OperationError::Unsuitable(format!(
                "`{other}` is no pivot; write `base-centre`, `bounds-centre` or `kept`"
            )));
        }
    }
    let placed = moved(mesh, origin);
    Ok(Produced::mesh(placed)
        .with_figure("moved_x_m", -f64::from(origin[0]))
        .with_figure("moved_y_m", -f64::from(origin[1]))
        .with_figure("moved_z_m", -f64::from(origin[2])))
}

/// The mesh with `origin` at (0, 0, 0).
fn moved(mesh: &Mesh, origin: [f32; 3]) -> Mesh {
    let mut mesh = mesh.clone();
    for position in &mut mesh.positions {
        *position = (point(*position) - point(origin)).as_vec3().to_array();
    }
    mesh
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::{call, mesh_of};
    use crate::test_shapes::cuboid;

    #[test]
    fn the_pivot_goes_to_the_origin() {
        let block = cuboid([1.0, 2.0, 3.0], [3.0, 3.0, 7.0], "timber");
        for (pivot, least) in [
            ("base-centre", [-1.0, 0.0, -2.0]),
            ("bounds-centre", [-1.0, -0.5, -2.0]),
            ("kept", [1.0, 2.0, 3.0]),
        ] {
            let out = mesh_of(run, &block, &call("place", &[("pivot", pivot.into())]));
            let bounds = out.bounds().unwrap();
            assert_eq!(bounds.least, least, "{pivot}");
            assert_eq!(bounds.size(), [2.0, 1.0, 4.0]);
            assert_eq!(out.triangles, block.triangles);
        }
    }
}
