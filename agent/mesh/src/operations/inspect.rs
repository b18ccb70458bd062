//! `inspect`: figures about a mesh, as data.

use super::{Context, OperationError, Produced};
use crate::inspect::inspect_mesh;

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let figures = inspect_mesh(context.mesh("mesh")?);
    let mut json = serde_json::to_string_pretty(&figures).map_err(|error| {
        OperationError::Unsuitable(format!("the figures cannot be written as JSON: {error}"))
    })?;
    json.push('\n');
    Ok(Produced::default()
        .with_data("figures", json)
        .with_figure("triangles", figures.triangles as f64)
        .with_figure("vertices", figures.vertices as f64))
}
