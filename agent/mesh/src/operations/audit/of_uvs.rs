//! Budgets of what lies in the map: density, overlap, padding.

use std::borrow::Cow;

use super::padding::padding;
use super::texels::{Density, density, overlapping};
use super::{Judged, limits, tag_limits, unsuitable};
use crate::Mesh;
use crate::operations::displace::tag_number;
use crate::operations::{Context, OperationError};

/// Budgets that are measured in texels of a map.
///
/// Faces of the tags in `keep` lie on a map of their own, a trim sheet, where charts may overlap by intent: only limits of density
/// that name their tag look at them.
pub(super) fn judge(
    context: &Context<'_>,
    mesh: &Mesh,
    budgets: &mut Vec<Judged>,
) -> Result<(), OperationError> {
    let whole = limits(context, "density")?;
    let mean = limits(context, "mean_density")?;
    let of_tags = tag_limits(context, "densities")?;
    let overlap = context.optional_number("overlap")?;
    let least_padding = context.optional_number("padding")?;
    let asks_of_all = [whole.0, whole.1, mean.0, mean.1, overlap, least_padding]
        .iter()
        .any(Option::is_some);
    if !asks_of_all && of_tags.is_empty() {
        return Ok(());
    }
    let uvs = mesh.uvs.as_ref().ok_or_else(|| {
        unsuitable("the mesh has no UVs, and the budgets ask for texels; put `unwrap` before `audit`")
    })?;
    let size_px = context.whole("size")?.min(u64::from(u16::MAX)) as usize;
    let outliers = context.optional_number("outliers")?.unwrap_or_default();
    let judged = without(mesh, &context.optional_words("keep")?)?;
    if asks_of_all && judged.triangles.is_empty() && !mesh.triangles.is_empty() {
        return Err(unsuitable(
            "`keep` leaves no face whose place in the map could be judged; take a tag out of it, or write limits in `densities` only",
        ));
    }
    let judged_uvs = judged.uvs.as_deref().unwrap_or_default();
    if [whole.0, whole.1, mean.0, mean.1].iter().any(Option::is_some) {
        let figures = density(&judged, judged_uvs, size_px, outliers, |_| true);
        push_range(budgets, "", figures, whole);
        if mean.0.or(mean.1).is_some() {
            budgets.push(Judged::new("mean texels per m", figures.mean, mean.0, mean.1));
        }
    }
    for limit in of_tags {
        let tag = mesh.tag_index(limit.tag);
        let figures = density(mesh, uvs, size_px, outliers, |face| {
            Some(mesh.face_tags[face]) == tag
        });
        let on = format!(" on {}", limit.tag);
        push_range(budgets, &on, figures, (limit.least, limit.most));
    }
    if let Some(most) = overlap {
        let figure = overlapping(judged_uvs, size_px);
        budgets.push(Judged::new("uv overlap", figure, None, Some(most)));
    }
    if let Some(least) = least_padding {
        let figures = padding(&judged, judged_uvs, size_px, least);
        if let Some(between) = figures.between {
            budgets.push(Judged::new(
                "texels between charts",
                rounded(between),
                Some(least),
                None,
            ));
        }
        // Beyond the border of a map that repeats begins its other side, which keeps as far away.
        budgets.push(Judged::new(
            "texels to the border",
            rounded(figures.to_border),
            Some(0.5 * least),
            None,
        ));
    }
    Ok(())
}

/// UVs are floats of 24 bits: at the far side of a map of 16384 texels a step is a thousandth of a texel.
fn rounded(texels: f64) -> f64 {
    (texels * 100.0).round() / 100.0
}

fn push_range(
    budgets: &mut Vec<Judged>,
    on: &str,
    figures: Density,
    (least, most): (Option<f64>, Option<f64>),
) {
    if least.is_some() {
        let budget = format!("least texels per m{on}");
        budgets.push(Judged::new(budget, figures.least, least, None));
    }
    if most.is_some() {
        let budget = format!("most texels per m{on}");
        budgets.push(Judged::new(budget, figures.most, None, most));
    }
}

/// The mesh without the faces of tags whose UVs were kept.
fn without<'m>(mesh: &'m Mesh, keep: &[&str]) -> Result<Cow<'m, Mesh>, OperationError> {
    if keep.is_empty() {
        return Ok(Cow::Borrowed(mesh));
    }
    let mut kept = Vec::with_capacity(keep.len());
    for name in keep {
        kept.extend(tag_number(mesh, Some(name))?);
    }
    let faces: Vec<usize> = (0..mesh.triangles.len())
        .filter(|&face| !kept.contains(&mesh.face_tags[face]))
        .collect();
    let uvs = mesh.uvs.as_ref();
    Ok(Cow::Owned(Mesh {
        positions: mesh.positions.clone(),
        triangles: faces.iter().map(|&face| mesh.triangles[face]).collect(),
        face_tags: faces.iter().map(|&face| mesh.face_tags[face]).collect(),
        tags: mesh.tags.clone(),
        uvs: uvs.map(|uvs| faces.iter().map(|&face| uvs[face]).collect()),
        ..Mesh::default()
    }))
}
