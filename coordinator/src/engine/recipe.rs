//! What a plan tells the scheduler and the estimator, worked out once when a run is taken in. Pure.

use std::collections::BTreeMap;

use tidemill_proto::Digest;
use tidemill_proto::key::value_text;
use tidemill_proto::v1::{Item, item, part};

use super::plan::{KeptPlan, PlanError, upstream_indexes};
use crate::scheduler::{Amount, ItemSpec, SeatId, SeatUse};

/// What is told about a run's items.
#[derive(Debug, Clone)]
pub struct Recipe {
    /// In plan order. Seats are numbered by their position in the plan's seats.
    pub specs: Vec<ItemSpec>,
    /// For each step: a digest over what its items have in common, without what differs between variants.
    pub signatures: Vec<Digest>,
}

impl Recipe {
    /// Reads a plan.
    ///
    /// # Errors
    /// When an item cannot be decoded or names a seat that the plan does not have.
    pub fn of(plan: &KeptPlan) -> Result<Self, PlanError> {
        let mut specs = Vec::with_capacity(plan.len() as usize);
        let mut common: Vec<Option<BTreeMap<String, String>>> = vec![None; plan.steps.len()];
        for index in 0..plan.len() {
            let item = plan.item(index)?;
            specs.push(spec_of(plan, &item)?);
            let values = values_of(&item);
            if let Some(common) = common.get_mut(item.step as usize) {
                match common {
                    Some(common) => common.retain(|name, value| values.get(name) == Some(value)),
                    None => *common = Some(values),
                }
            }
        }
        let signatures = common
            .into_iter()
            .map(|common| signature(&common.unwrap_or_default()))
            .collect();
        Ok(Self { specs, signatures })
    }
}

fn spec_of(plan: &KeptPlan, item: &Item) -> Result<ItemSpec, PlanError> {
    let needs = item.needs.clone().unwrap_or_default();
    let seats = needs
        .seats
        .iter()
        .map(|seat| {
            let position = plan.seats.iter().position(|(name, _)| *name == seat.name);
            let position = position.ok_or_else(|| {
                PlanError::Unsound(format!("{} needs the unknown seat {}", item.address, seat.name))
            })?;
            Ok(SeatUse {
                seat: SeatId(position as u32),
                count: seat.count,
            })
        })
        .collect::<Result<_, PlanError>>()?;
    Ok(ItemSpec {
        step: item.step,
        upstream: upstream_indexes(item),
        partial: plan.is_partial(item),
        retries: item.retries,
        need: Amount {
            millicores: needs.millicores,
            memory_bytes: needs.memory_bytes,
        },
        seats,
        expected_ms: (needs.seconds > 0).then(|| needs.seconds.saturating_mul(1000)),
    })
}

/// Settings and arguments by name.
fn values_of(item: &Item) -> BTreeMap<String, String> {
    let mut values = BTreeMap::new();
    match item.action.as_ref() {
        Some(item::Action::Operations(operations)) => {
            for (place, operation) in operations.chain.iter().enumerate() {
                values.insert(
                    format!("{place}"),
                    format!("{} {}", operation.name, operation.version),
                );
                for setting in &operation.settings {
                    let text = setting.value.as_ref().map(value_text).unwrap_or_default();
                    values.insert(format!("{place} {}", setting.name), text);
                }
            }
        }
        Some(item::Action::Program(program)) => {
            values.insert("tool".to_owned(), program.tool.clone());
            for (place, argument) in program.arguments.iter().enumerate() {
                let text: Vec<&str> = argument
                    .parts
                    .iter()
                    .map(|part| match part.kind.as_ref() {
                        Some(part::Kind::Text(text)) => text.as_str(),
                        // Staged files have neutral names, equal for all variants.
                        _ => "\u{1}",
                    })
                    .collect();
                values.insert(format!("argument {place}"), text.concat());
            }
        }
        None => {}
    }
    values
}

fn signature(common: &BTreeMap<String, String>) -> Digest {
    let mut hasher = Texts(Vec::new());
    for (name, value) in common {
        hasher.add(name);
        hasher.add(value);
    }
    hasher.finish()
}

/// Texts behind their lengths, so that no two lists share an encoding.
struct Texts(Vec<u8>);

impl Texts {
    fn add(&mut self, text: &str) {
        self.0.extend_from_slice(&(text.len() as u64).to_le_bytes());
        self.0.extend_from_slice(text.as_bytes());
    }
    fn finish(self) -> Digest {
        Digest::of(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::{Field, Operation, Operations, Plan, Step, Value, value};

    fn item(name: &str, amplitude: f64, seed: f64) -> Item {
        let field = |name: &str, number| Field {
            name: name.into(),
            value: Some(Value {
                kind: Some(value::Kind::Number(number)),
            }),
        };
        let settings = vec![field("amplitude", amplitude), field("seed", seed)];
        let chain = vec![Operation {
            name: "displace".into(),
            version: 1,
            settings,
            ..Operation::default()
        }];
        Item {
            address: format!("{name}/rough"),
            action: Some(item::Action::Operations(Operations { chain })),
            ..Item::default()
        }
    }

    fn signature_of(items: Vec<Item>) -> Digest {
        let plan = Plan {
            items,
            steps: vec![Step::default()],
            ..Plan::default()
        };
        Recipe::of(&KeptPlan::new(plan).unwrap()).unwrap().signatures[0]
    }

    #[test]
    fn variant_values_do_not_count_in_a_signature_and_settings_do() {
        let one = signature_of(vec![item("a", 1.0, 11.0), item("b", 1.0, 12.0)]);
        let other_seeds = signature_of(vec![item("a", 1.0, 21.0), item("b", 1.0, 22.0)]);
        let other_setting = signature_of(vec![item("a", 2.0, 11.0), item("b", 2.0, 12.0)]);
        assert_eq!(one, other_seeds);
        assert_ne!(one, other_setting);
    }
}
