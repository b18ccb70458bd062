//! `levels`: levels of detail, each reduced from the one before.

use std::sync::Arc;

use super::simplify::{self, Goal, farthest_between, simplify};
use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::value::Value;

/// Ports and settings alike.
const LEVELS: [&str; 4] = ["lod1", "lod2", "lod3", "lod4"];

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let input = simplify::input(context)?;
    let mut before: Arc<Mesh> = input.clone();
    let mut last: Option<(&str, usize)> = None;
    let mut produced = Produced::default();
    for level in LEVELS {
        if context.optional_number(level)?.is_none() {
            continue;
        }
        let budget = usize::try_from(context.whole(level)?).unwrap_or(usize::MAX);
        if let Some((finer, most)) = last.filter(|(_, most)| budget > *most) {
            return Err(OperationError::Unsuitable(format!(
                "`{level}` may have {budget} triangles, more than the {most} of `{finer}`; write the budgets in falling order"
            )));
        }
        last = Some((level, budget));
        let simplified = simplify(&before, Goal::Triangles(budget))
            .map_err(|error| OperationError::Unsuitable(format!("{level}: {error}")))?;
        before = Arc::new(simplified.mesh);
        let triangles = before.triangles.len() as f64;
        let error_m = farthest_between(&input, &before);
        produced
            .outputs
            .push((level.to_owned(), Value::Mesh(before.clone())));
        produced = produced
            .with_figure(&format!("{level}_triangles"), triangles)
            .with_figure(&format!("{level}_error_m"), error_m);
    }
    Ok(produced)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::call;
    use crate::test_shapes::sphere;

    fn with(settings: &[(&str, f64)]) -> Result<Produced, OperationError> {
        let settings: Vec<_> = settings
            .iter()
            .map(|(name, number)| (*name, (*number).into()))
            .collect();
        run(&Context {
            call: &call("levels", &settings),
            inputs: [("mesh", Value::Mesh(sphere([0.0; 3], 1.0, 4, "iron").into()))].into(),
            tags: &[],
        })
    }

    #[test]
    fn every_level_keeps_its_budget_and_strays_farther() {
        let produced = with(&[("lod1", 2000.0), ("lod2", 500.0), ("lod4", 60.0)]).unwrap();
        let names: Vec<&str> = produced.outputs.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["lod1", "lod2", "lod4"]);
        for (level, most) in [("lod1", 2000.0), ("lod2", 500.0), ("lod4", 60.0)] {
            let triangles = produced.figures[&format!("{level}_triangles")];
            assert!(triangles <= most && triangles > most - 4.0, "{triangles}");
        }
        assert!(produced.figures["lod1_error_m"] < produced.figures["lod2_error_m"]);
        assert!(produced.figures["lod2_error_m"] < produced.figures["lod4_error_m"]);
    }

    #[test]
    fn budgets_that_rise_are_refused() {
        let refused = with(&[("lod1", 500.0), ("lod2", 501.0)]).unwrap_err().to_string();
        assert!(refused.contains("falling order"), "{refused}");
    }
}
