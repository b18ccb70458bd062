//! `audit`: budgets held to.
//!
//! What was measured is given in any case; a broken budget fails the item, and the figures are kept beside the failure.

mod names;
mod of_uvs;
mod padding;
#[cfg(test)]
mod tests;
mod texels;

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::Serialize;
use tidemill_ops::limits::{TAG_LIMIT_FORMS, TagLimit, tag_limit};

use super::{Context, OperationError, Produced};
use crate::Map;
use crate::inspect::{MeshFigures, inspect_mesh};
use crate::value::Value;

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
    /// What breaks it, by name.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    found: Vec<String>,
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
            found: Vec::new(),
        }
    }

    fn with_found(self, found: Vec<String>) -> Self {
        Self { found, ..self }
    }

    fn in_words(&self) -> String {
        let limit = match (self.least, self.most) {
            (Some(least), Some(most)) if least == most => format!("must be {least}"),
            (Some(least), Some(most)) => format!("allowed {least} to {most}"),
            (Some(least), None) => format!("at least {least}"),
            (None, Some(most)) => format!("at most {most}"),
            (None, None) => "no limit".to_owned(),
        };
        let found = if self.found.is_empty() {
            String::new()
        } else {
            format!(": {}", self.found.join(", "))
        };
        format!("{} is {} ({limit}){found}", self.budget, shown(self.figure))
    }
}

/// For people; the JSON has all digits.
fn shown(figure: f64) -> String {
    if figure.fract() == 0.0 {
        return figure.to_string();
    }
    let text = format!("{figure:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let budgets = judge(context)?;
    if budgets.is_empty() {
        return Err(unsuitable(
            "no budget is written, so there is nothing to audit; write at least one, such as `triangles = 5000`",
        ));
    }
    let broken: Vec<String> = budgets
        .iter()
        .filter(|judged| !judged.pass)
        .map(Judged::in_words)
        .collect();
    let failure = (!broken.is_empty()).then(|| {
        format!(
            "the mesh breaks {} of {} budgets: {}",
            broken.len(),
            budgets.len(),
            broken.join("; ")
        )
    });
    let figures: Vec<(String, f64)> = budgets
        .iter()
        .map(|judged| (judged.budget.replace(' ', "_"), judged.figure))
        .collect();
    let audit = Audit {
        pass: failure.is_none(),
        budgets,
    };
    let mut json = serde_json::to_string_pretty(&audit)
        .map_err(|error| unsuitable(format!("the audit cannot be written as JSON: {error}")))?;
    json.push('\n');
    let mut produced = Produced::default().with_data("audit", json);
    produced.figures.extend(figures);
    produced.failure = failure;
    Ok(produced)
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
    if context.flag("closed")? {
        let closed = f64::from(u8::from(measured.closed));
        budgets.push(Judged::new("closed", closed, Some(1.0), Some(1.0)));
    }
    of_uvs::judge(context, mesh, &mut budgets)?;
    of_maps(context, &mut budgets)?;
    for limit in tag_limits(context, "shares")? {
        let share = share_of(&measured, limit.tag);
        let budget = format!("share of {}", limit.tag);
        budgets.push(Judged::new(budget, share, limit.least, limit.most));
    }
    if context.call.settings.contains_key("tags") {
        budgets.push(names::faces(mesh, &context.words("tags")?));
    }
    if let Some(pattern) = context.optional_text("names")? {
        budgets.push(names::nodes(mesh, pattern)?);
    }
    if let Some(pattern) = context.optional_text("materials")? {
        budgets.push(names::materials(mesh, pattern));
    }
    Ok(budgets)
}

/// Budgets of the maps that come along.
fn of_maps(context: &Context<'_>, budgets: &mut Vec<Judged>) -> Result<(), OperationError> {
    let powers = context.flag("powers_of_two")?;
    let (least, most) = limits(context, "map_size")?;
    if !powers && least.is_none() && most.is_none() {
        return Ok(());
    }
    // A single map may stand on several ports: it is judged once, under the name of its value.
    let mut maps: BTreeMap<&str, &Arc<Map>> = BTreeMap::new();
    for (port, value) in &context.inputs {
        if let Value::Map(map) = value {
            let name = context.call.inputs.get(*port).map_or(*port, String::as_str);
            maps.insert(name, map);
        }
    }
    if maps.is_empty() {
        return Err(unsuitable(
            "a budget asks for the sizes of maps, but no map is given; name maps in `from`, such as `tag-id = \"maps.tag-id\"`",
        ));
    }
    for (name, map) in maps {
        let (short, long) = (map.width.min(map.height), map.width.max(map.height));
        if powers {
            let odd = [map.width, map.height]
                .into_iter()
                .filter(|side| !side.is_power_of_two());
            let odd: Vec<String> = odd.map(|side| format!("{side} px")).collect();
            let budget = format!("sides of {name} that are no power of two");
            budgets.push(Judged::new(budget, odd.len() as f64, None, Some(0.0)).with_found(odd));
        }
        if least.is_some() {
            let budget = format!("shorter side of {name}");
            budgets.push(Judged::new(budget, f64::from(short), least, None));
        }
        if most.is_some() {
            let budget = format!("longer side of {name}");
            budgets.push(Judged::new(budget, f64::from(long), None, most));
        }
    }
    Ok(())
}

fn share_of(measured: &MeshFigures, tag: &str) -> f64 {
    let area = measured.tags.get(tag).map_or(0.0, |figures| figures.area);
    if measured.area > 0.0 {
        area / measured.area
    } else {
        0.0
    }
}

fn limits(context: &Context<'_>, name: &str) -> Result<(Option<f64>, Option<f64>), OperationError> {
    Ok((
        context.optional_number(&format!("{name}_least"))?,
        context.optional_number(&format!("{name}_most"))?,
    ))
}

fn tag_limits<'c>(context: &'c Context<'_>, name: &str) -> Result<Vec<TagLimit<'c>>, OperationError> {
    if !context.call.settings.contains_key(name) {
        return Ok(Vec::new());
    }
    let texts = context.words(name)?.into_iter();
    texts
        .map(|text| {
            tag_limit(text)
                .ok_or_else(|| unsuitable(format!("`{name}` cannot read `{text}`; write {TAG_LIMIT_FORMS}")))
        })
        .collect()
}

fn unsuitable(problem: impl Into<String>) -> OperationError {
    OperationError::Unsuitable(problem.into())
}
