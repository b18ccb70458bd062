//! `audit`: budgets held to.

use serde::Serialize;
use tidemill_ops::Setting;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::inspect::inspect_mesh;

/// A sample so near to an edge of its face, as a barycentric weight, is on the edge, and neighbours do not overlap there.
const EDGE_WEIGHT: f64 = 1.0e-6;

/// One budget and what was measured for it.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Judged {
    budget: String,
    figure: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    least: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    most: Option<f64>,
    pass: bool,
}

#[derive(Debug, Serialize)]
struct Audit {
    pass: bool,
    budgets: Vec<Judged>,
}

impl Judged {
    fn new(budget: impl Into<String>, figure: f64, least: Option<f64>, most: Option<f64>) -> Self {
        Self {
            budget: budget.into(),
            figure,
            least,
            most,
            pass: least.is_none_or(|least| figure >= least) && most.is_none_or(|most| figure <= most),
        }
    }

    fn in_words(&self) -> String {
        let limit = match (self.least, self.most) {
            (Some(least), Some(most)) if least == most => format!("must be {least}"),
            (Some(least), Some(most)) => format!("allowed {least} to {most}"),
            (Some(least), None) => format!("at least {least}"),
            (None, Some(most)) => format!("at most {most}"),
            (None, None) => "no limit".to_owned(),
        };
        format!("{} is {} ({limit})", self.budget, self.figure)
    }
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let budgets = judge(context)?;
    if budgets.is_empty() {
        return Err(OperationError::Unsuitable(
            "no budget is written, so there is nothing to audit; write at least one, such as `triangles = 5000`".to_owned(),
        ));
    }
    let failed: Vec<String> = budgets
        .iter()
        .filter(|judged| !judged.pass)
        .map(Judged::in_words)
        .collect();
    if !failed.is_empty() {
        return Err(OperationError::Unsuitable(format!(
            "the mesh breaks {} of {} budgets: {}",
            failed.len(),
            budgets.len(),
            failed.join("; ")
        )));
    }
    let figures: Vec<(String, f64)> = budgets
        .iter()
        .map(|judged| (judged.budget.replace(' ', "_"), judged.figure))
        .collect();
    let mut json = serde_json::to_string_pretty(&Audit { pass: true, budgets }).map_err(|error| {
        OperationError::Unsuitable(format!("the audit cannot be written as JSON: {error}"))
    })?;
    json.push('\n');
    let produced = Produced::default().with_data("audit", json);
    Ok(figures.into_iter().fold(produced, |produced, (name, figure)| {
        produced.with_figure(&name, figure)
    }))
}

fn judge(context: &Context<'_>) -> Result<Vec<Judged>, OperationError> {
    let mesh = context.mesh("mesh")?;
    let measured = inspect_mesh(mesh);
    let mut budgets = Vec::new();
    if let Some(most) = context.optional_number("triangles")? {
        budgets.push(Judged::new(
            "triangles",
            measured.triangles as f64,
            None,
            Some(most),
        ));
    }
    match context.call.settings.get("closed") {
        Some(Setting::Flag(true)) => {
            let closed = f64::from(u8::from(measured.closed));
            budgets.push(Judged::new("closed", closed, Some(1.0), Some(1.0)));
        }
        None | Some(Setting::Flag(false)) => {}
        Some(_) => {
            return Err(OperationError::SettingType {
                setting: "closed".to_owned(),
                expected: "`true` or `false`",
            });
        }
    }
    let (least, most) = limits(context, "density")?;
    let overlap = context.optional_number("overlap")?;
    if least.is_some() || most.is_some() || overlap.is_some() {
        let uvs = mesh.uvs.as_ref().ok_or_else(|| {
            OperationError::Unsuitable(
                "the mesh has no UVs, and the budgets ask for texels; put `unwrap` before `audit`".to_owned(),
            )
        })?;
        let size_px = context.whole("size")?.min(u64::from(u16::MAX)) as usize;
        if least.is_some() || most.is_some() {
            let density = texels_per_m(mesh, uvs, size_px, measured.area);
            budgets.push(Judged::new("texels per m", density, least, most));
        }
        if let Some(most) = overlap {
            budgets.push(Judged::new(
                "uv overlap",
                overlapping(uvs, size_px),
                None,
                Some(most),
            ));
        }
    }
    let (least, most) = limits(context, "share")?;
    match (context.optional_text("tag")?, least.or(most)) {
        (Some(tag), Some(_)) => {
            let area = measured.tags.get(tag).map_or(0.0, |figures| figures.area);
            let share = if measured.area > 0.0 {
                area / measured.area
            } else {
                0.0
            };
            budgets.push(Judged::new(format!("share of {tag}"), share, least, most));
        }
        (None, None) => {}
        (Some(tag), None) => {
            return Err(OperationError::Unsuitable(format!(
                "nothing is asked of the tag `{tag}`; write `share_least = …` or `share_most = …` beside it"
            )));
        }
        (None, Some(_)) => {
            return Err(OperationError::Unsuitable(
                "a share of the area is asked for, but of no tag; write `tag = \"…\"` beside it".to_owned(),
            ));
        }
    }
    Ok(budgets)
}

fn limits(context: &Context<'_>, name: &str) -> Result<(Option<f64>, Option<f64>), OperationError> {
    Ok((
        context.optional_number(&format!("{name}_least"))?,
        context.optional_number(&format!("{name}_most"))?,
    ))
}

/// The root of the map's area in texels over the surface's area.
fn texels_per_m(mesh: &Mesh, uvs: &[[[f32; 2]; 3]], size_px: usize, area: f64) -> f64 {
    if mesh.triangles.is_empty() || area <= 0.0 {
        return 0.0;
    }
    let in_map: f64 = uvs
        .iter()
        .map(|corners| 0.5 * twice_area(scaled(corners, 1.0)).abs())
        .sum();
    (in_map / area).sqrt() * size_px as f64
}

/// The share of covered texels whose middle lies in more than one face.
fn overlapping(uvs: &[[[f32; 2]; 3]], size_px: usize) -> f64 {
    let mut faces = vec![0_u8; size_px * size_px];
    for corners in uvs {
        let corners = scaled(corners, size_px as f64);
        let twice = twice_area(corners);
        if twice == 0.0 {
            continue;
        }
        let range = |axis: usize| {
            let least = corners
                .iter()
                .map(|corner| corner[axis])
                .fold(f64::INFINITY, f64::min);
            let most = corners.iter().map(|corner| corner[axis]).fold(0.0, f64::max);
            // Casts of floats end at the type's bounds.
            (least - 0.5).ceil().max(0.0) as usize
                ..((most - 0.5).floor() as i64 + 1).clamp(0, size_px as i64) as usize
        };
        for y in range(1) {
            for x in range(0) {
                let middle = [x as f64 + 0.5, y as f64 + 0.5];
                let inside = (0..3).all(|corner| {
                    let mut part = corners;
                    part[corner] = middle;
                    twice_area(part) / twice > EDGE_WEIGHT
                });
                if inside {
                    let count = &mut faces[y * size_px + x];
                    *count = count.saturating_add(1);
                }
            }
        }
    }
    let covered = faces.iter().filter(|count| **count > 0).count();
    let twice = faces.iter().filter(|count| **count > 1).count();
    if covered == 0 {
        0.0
    } else {
        twice as f64 / covered as f64
    }
}

fn scaled(corners: &[[f32; 2]; 3], by: f64) -> [[f64; 2]; 3] {
    corners.map(|uv| uv.map(|coordinate| f64::from(coordinate) * by))
}

fn twice_area([a, b, c]: [[f64; 2]; 3]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::{Written, call};
    use crate::operations::unwrap::{Unwrapping, unwrap};
    use crate::test_shapes::{cuboid, together};
    use crate::value::Value;

    fn block() -> Mesh {
        let parts = [
            cuboid([0.0; 3], [1.0; 3], "timber"),
            cuboid([2.0, 0.0, 0.0], [3.0, 1.0, 1.0], "iron"),
        ];
        let unwrapping = Unwrapping::plain(256, 4);
        unwrap(&together(&parts), &unwrapping).unwrap().mesh
    }

    fn with(mesh: &Mesh, settings: &[(&str, Written)]) -> Result<Produced, OperationError> {
        run(&Context {
            call: &call("audit", settings),
            inputs: [("mesh", Value::Mesh(mesh.clone().into()))].into(),
            tags: &[],
        })
    }

    #[test]
    fn a_mesh_within_its_budgets_passes_and_says_by_how_much() {
        let settings = [
            ("triangles", 24.0.into()),
            ("size", 256.0.into()),
            ("density_least", 1.0.into()),
            ("overlap", 0.0.into()),
            ("closed", true.into()),
            ("tag", "iron".into()),
            ("share_least", 0.49.into()),
            ("share_most", 0.51.into()),
        ];
        let produced = with(&block(), &settings).unwrap();
        let Value::Data(json) = &produced.outputs[0].1 else {
            panic!("no data")
        };
        let audit: serde_json::Value = serde_json::from_str(json).unwrap();
        assert_eq!(audit["pass"], true);
        let budgets = audit["budgets"].as_array().unwrap();
        assert_eq!(budgets.len(), 5);
        assert_eq!(
            (&budgets[0]["figure"], &budgets[0]["most"]),
            (&24.0.into(), &24.0.into())
        );
        // Twelve square metres and at most 256 x 256 texels.
        let density = produced.figures["texels_per_m"];
        assert!(density > 30.0 && density < 256.0 / 12.0_f64.sqrt(), "{density}");
        assert!((produced.figures["share_of_iron"] - 0.5).abs() < 1e-9);
    }

    #[test]
    fn every_broken_budget_is_named_with_its_figure_and_limit() {
        let mut mesh = block();
        mesh.triangles.pop();
        mesh.face_tags.pop();
        let uvs = mesh.uvs.as_mut().unwrap();
        uvs.pop();
        uvs[1] = uvs[0];
        let settings = [
            ("triangles", 20.0.into()),
            ("size", 256.0.into()),
            ("density_least", 1000.0.into()),
            ("overlap", 0.0.into()),
            ("closed", true.into()),
            ("tag", "rope".into()),
            ("share_least", 0.1.into()),
        ];
        let refused = with(&mesh, &settings).unwrap_err().to_string();
        for part in [
            "breaks 5 of 5",
            "triangles is 23 (at most 20)",
            "closed is 0 (must be 1)",
            "(at least 1000)",
            "uv overlap is 0.",
            "share of rope is 0 (at least 0.1)",
        ] {
            assert!(refused.contains(part), "{part}: {refused}");
        }
    }

    #[test]
    fn budgets_that_cannot_be_judged_say_what_is_missing() {
        let plain = cuboid([0.0; 3], [1.0; 3], "timber");
        let cases: [(&[(&str, Written)], &str); 4] = [
            (&[], "no budget"),
            (&[("overlap", 0.0.into())], "unwrap"),
            (&[("tag", "timber".into())], "share_least"),
            (&[("share_most", 0.5.into())], "tag = "),
        ];
        for (settings, part) in cases {
            let refused = with(&plain, settings).unwrap_err().to_string();
            assert!(refused.contains(part), "{refused}");
        }
    }
}
