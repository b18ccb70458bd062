//! What the coordinator checks of a plan that came over the wire. Nothing in it is believed.

mod actions;

use std::collections::{BTreeSet, HashSet};

use tidemill_ops::declare::Declaration;
use tidemill_proto::v1::{DeliveryFile, File, Input, Item, Needs, Output, Plan, item, source};
use tidemill_proto::{Digest, ItemAddress};

use crate::assemble::PLAN_FORMAT;
use crate::collisions::Taken;
use crate::names;
use crate::paths;

/// So many problems are told; a plan with more is broken as a whole.
const MOST_PROBLEMS: usize = 50;

/// All that is wrong with a plan.
pub(crate) fn recheck(plan: &Plan, operations: &[Declaration]) -> Vec<String> {
    let tags = plan.tags.iter().map(|tag| tag.name.clone()).collect();
    let mut checker = Checker {
        plan,
        operations,
        tags,
        problems: Vec::new(),
        more: 0,
    };
    checker.check();
    if checker.more > 0 {
        checker.problems.push(format!("and {} more", checker.more));
    }
    checker.problems
}

struct Checker<'p> {
    plan: &'p Plan,
    operations: &'p [Declaration],
    tags: Vec<String>,
    problems: Vec<String>,
    more: usize,
}

impl<'p> Checker<'p> {
    fn problem(&mut self, problem: impl Into<String>) {
        if self.problems.len() < MOST_PROBLEMS {
            self.problems.push(problem.into());
        } else {
            self.more += 1;
        }
    }

    /// Adds a problem unless something holds; the text is only made when it is needed.
    fn hold(&mut self, holds: bool, problem: impl FnOnce() -> String) {
        if !holds {
            self.problem(problem());
        }
    }

    fn check(&mut self) {
        let plan = self.plan;
        self.hold(plan.format == PLAN_FORMAT, || {
            format!("plan format {} instead of {PLAN_FORMAT}", plan.format)
        });
        self.hold(names::is_manifest_name(&plan.manifest), || {
            format!("`{}` is no name of a manifest", plan.manifest)
        });
        self.hold(u32::try_from(plan.items.len()).is_ok(), || {
            "too many items".to_owned()
        });
        self.check_variants();
        self.check_tables();
        self.check_steps();
        let mut addresses = HashSet::with_capacity(plan.items.len());
        for (index, item) in plan.items.iter().enumerate() {
            self.hold(addresses.insert(item.address.as_str()), || {
                format!("two items are called `{}`", item.address)
            });
            self.check_item(index, item);
        }
        self.check_output_paths();
        self.check_delivery();
    }

    fn check_variants(&mut self) {
        let variants = &self.plan.variants;
        for pair in variants.windows(2) {
            self.hold(pair[0].name < pair[1].name, || {
                format!(
                    "variants `{}` and `{}` are not in order",
                    pair[0].name, pair[1].name
                )
            });
        }
        for variant in variants {
            if let Some(problem) = names::variant_name_problem(&variant.name) {
                self.problem(format!("the variant's name `{}` {problem}", variant.name));
            }
            self.hold(
                variant.fields.is_sorted_by(|one, two| one.name < two.name),
                || format!("the fields of `{}` are not in order", variant.name),
            );
        }
    }

    /// Tools, seats and tags.
    fn check_tables(&mut self) {
        let plan = self.plan;
        self.hold(plan.tools.is_sorted_by(|one, two| one.name < two.name), || {
            "tools are not in order".to_owned()
        });
        self.hold(plan.seats.is_sorted_by(|one, two| one.name < two.name), || {
            "seats are not in order".to_owned()
        });
        for tool in &plan.tools {
            for name in [&tool.name, &tool.program] {
                if let Some(problem) = names::program_name_problem(name) {
                    self.problem(format!("the program's name `{name}` {problem}"));
                }
            }
            self.hold(
                tool.version.is_empty() || names::is_version_pattern(&tool.version),
                || format!("`{}` is no version pattern", tool.version),
            );
        }
        for seat in &plan.seats {
            self.hold(seat.count > 0, || format!("there is no seat `{}`", seat.name));
        }
        let mut tags = BTreeSet::new();
        for tag in &plan.tags {
            self.hold(!tag.name.is_empty() && tags.insert(&tag.name), || {
                format!("the tag `{}` is empty or there twice", tag.name)
            });
            self.hold(tag.color <= 0xFF_FFFF, || {
                format!("the tag `{}` has no colour", tag.name)
            });
        }
    }

    fn check_steps(&mut self) {
        let mut before = BTreeSet::new();
        for step in &self.plan.steps {
            self.hold(names::is_word(&step.name), || {
                format!("`{}` is no name of a step", step.name)
            });
            self.hold(!step.each.is_empty() && !step.each.contains('/'), || {
                format!("`{}` is for nothing", step.name)
            });
            for upstream in &step.upstream {
                self.hold(before.contains(upstream), || {
                    format!(
                        "`{}` reads `{upstream}`, which does not stand before it",
                        step.name
                    )
                });
            }
            self.hold(before.insert(step.name.clone()), || {
                format!("two steps are called `{}`", step.name)
            });
        }
    }

    fn check_item(&mut self, index: usize, item: &'p Item) {
        let address = item.address.as_str();
        let plan = self.plan;
        let Some(step) = plan.steps.get(item.step as usize) else {
            self.problem(format!("`{address}` belongs to no step"));
            return;
        };
        match address.parse::<ItemAddress>() {
            Ok(parsed) => {
                self.hold(parsed.step() == step.name, || {
                    format!("`{address}` is not named after its step `{}`", step.name)
                });
                self.check_subject(item, parsed.subject(), &step.each);
            }
            Err(error) => self.problem(error.to_string()),
        }
        if index > 0 {
            self.hold(plan.items[index - 1].step <= item.step, || {
                format!("`{address}` is not in order")
            });
        }
        self.hold(item.inputs.is_sorted_by(|one, two| one.name < two.name), || {
            format!("inputs of `{address}` are not in order")
        });
        self.hold(item.outputs.is_sorted_by(|one, two| one.name < two.name), || {
            format!("outputs of `{address}` are not in order")
        });
        self.hold(!item.outputs.is_empty(), || format!("`{address}` makes nothing"));
        for input in &item.inputs {
            self.check_input(index, item, input, &step.upstream);
        }
        for output in &item.outputs {
            self.check_output(address, output);
        }
        match &item.action {
            Some(item::Action::Operations(chain)) => {
                self.hold(step.operations, || format!("`{address}` should run a program"));
                self.check_chain(item, chain);
            }
            Some(item::Action::Program(program)) => {
                self.hold(!step.operations, || format!("`{address}` should run operations"));
                self.check_program(item, program);
            }
            None => self.problem(format!("`{address}` does nothing")),
        }
        match &item.needs {
            Some(needs) => self.check_needs(address, needs),
            None => self.problem(format!("`{address}` does not say what it needs")),
        }
        for variable in &item.environment {
            self.hold(
                names::is_variable_name(&variable.name)
                    && !names::is_variable_of_the_agent(&variable.name)
                    && !variable.value.contains('\0'),
                || {
                    format!(
                        "`{address}` sets the variable `{}`, which it must not",
                        variable.name
                    )
                },
            );
        }
        self.hold(
            item.environment.is_sorted_by(|one, two| one.name < two.name),
            || format!("the environment of `{address}` is not in order"),
        );
    }

    fn check_subject(&mut self, item: &Item, subject: &str, each: &str) {
        let variants = &self.plan.variants;
        let known = item
            .variants
            .iter()
            .all(|index| (*index as usize) < variants.len());
        if !known || !item.variants.is_sorted_by(|one, two| one < two) {
            self.problem(format!(
                "`{}` is about variants that are not there, or not in order",
                item.address
            ));
            return;
        }
        let right = match each {
            "variant" => match item.variants.as_slice() {
                [only] => variants[*only as usize].name == subject,
                _ => false,
            },
            "all" => subject == "all" && item.variants.len() == variants.len(),
            field => {
                let value = subject
                    .strip_prefix(field)
                    .and_then(|rest| rest.strip_prefix('='));
                value.is_some() && !item.variants.is_empty()
            }
        };
        self.hold(right, || {
            format!("`{}` is not about what its name says", item.address)
        });
    }

    fn check_input(&mut self, index: usize, item: &Item, input: &Input, upstream: &[String]) {
        let (address, name) = (item.address.as_str(), input.name.as_str());
        self.hold(names::is_word(name), || {
            format!("`{name}` of `{address}` is no name of an input")
        });
        self.hold(input.many || input.sources.len() == 1, || {
            format!(
                "the input `{name}` of `{address}` has {} sources",
                input.sources.len()
            )
        });
        let units = input.units.is_empty() || crate::units::metres_per(&input.units).is_some();
        self.hold(units && ["", "y", "z"].contains(&input.up.as_str()), || {
            format!("the input `{name}` of `{address}` has no known units or up axis")
        });
        for source in &input.sources {
            self.hold(is_extension(&source.extension), || {
                format!("the input `{name}` of `{address}` has a bad extension")
            });
            match &source.from {
                Some(source::From::File(file)) => self.check_file(address, file),
                Some(source::From::Edge(edge)) => {
                    let above = self
                        .plan
                        .items
                        .get(edge.item as usize)
                        .filter(|_| (edge.item as usize) < index);
                    let Some(above) = above else {
                        self.problem(format!(
                            "the input `{name}` of `{address}` comes from an item that does not stand before"
                        ));
                        continue;
                    };
                    self.hold(
                        above.outputs.iter().any(|output| output.name == edge.output),
                        || {
                            format!(
                                "the input `{name}` of `{address}` is `{}` of `{}`, which it does not make",
                                edge.output, above.address
                            )
                        },
                    );
                    let step = self.plan.steps.get(above.step as usize).map(|step| &step.name);
                    self.hold(step.is_some_and(|step| upstream.contains(step)), || {
                        format!(
                            "`{address}` reads `{}`, but its step does not say so",
                            above.address
                        )
                    });
                }
                None => self.problem(format!("the input `{name}` of `{address}` comes from nowhere")),
            }
        }
    }

    fn check_file(&mut self, address: &str, file: &File) {
        self.hold(Digest::from_slice(&file.digest).is_ok(), || {
            format!("a file of `{address}` has no digest")
        });
        for companion in &file.companions {
            self.hold(Digest::from_slice(&companion.digest).is_ok(), || {
                format!("a companion of `{address}` has no digest")
            });
            // It is staged beside the model under this name, so it must not climb out of there.
            let problem = paths::input_problem(&companion.name);
            self.hold(problem.is_none() && !companion.name.contains('\0'), || {
                format!(
                    "the companion `{}` of `{address}` would be staged elsewhere",
                    companion.name
                )
            });
        }
        self.hold(
            file.companions.is_sorted_by(|one, two| one.name < two.name),
            || format!("companions of `{address}` are not in order"),
        );
    }

    fn check_output(&mut self, address: &str, output: &Output) {
        self.hold(names::is_word(&output.name), || {
            format!("`{}` of `{address}` is no name of an output", output.name)
        });
        self.hold(is_extension(&output.extension), || {
            format!("`{}` of `{address}` has a bad extension", output.name)
        });
        if let Some((_, problem)) = paths::output_problem(&output.path) {
            self.problem(format!("the path `{}` of `{address}` {problem}", output.path));
        }
    }

    fn check_needs(&mut self, address: &str, needs: &Needs) {
        self.hold(needs.memory_bytes > 0 && needs.millicores > 0, || {
            format!("`{address}` needs nothing")
        });
        for seat in &needs.seats {
            let there = self
                .plan
                .seats
                .iter()
                .find(|known| known.name == seat.name)
                .map_or(0, |known| known.count);
            self.hold((1..=there).contains(&seat.count), || {
                format!(
                    "`{address}` needs {} of the seat `{}`; there are {there}",
                    seat.count, seat.name
                )
            });
        }
        self.hold(needs.seats.is_sorted_by(|one, two| one.name < two.name), || {
            format!("seats of `{address}` are not in order")
        });
        self.hold(needs.offers.is_sorted_by(|one, two| one < two), || {
            format!("offers of `{address}` are not in order")
        });
    }

    fn check_output_paths(&mut self) {
        let items = &self.plan.items;
        let outputs = || {
            items
                .iter()
                .flat_map(|item| item.outputs.iter().map(move |output| (item, output)))
        };
        let mut taken: Taken<usize> = Taken::with_capacity(items.len());
        for (index, (item, output)) in outputs().enumerate() {
            let result = taken.take(index, &output.path);
            self.hold(result.is_ok(), || {
                format!("`{}` of `{}` is made twice", output.path, item.address)
            });
        }
        for (item, output) in outputs() {
            self.hold(taken.above(&output.path).is_none(), || {
                format!("`{}` of `{}` is below another output", output.path, item.address)
            });
        }
    }

    fn check_delivery(&mut self) {
        let Some(delivery) = &self.plan.delivery else {
            return;
        };
        let mut taken: Taken<usize> = Taken::with_capacity(delivery.files.len());
        for (index, file) in delivery.files.iter().enumerate() {
            self.check_delivery_file(file);
            let result = taken.take(index, &file.path);
            self.hold(result.is_ok(), || {
                format!("two files are delivered at `{}`", file.path)
            });
        }
        for file in &delivery.files {
            self.hold(taken.above(&file.path).is_none(), || {
                format!("`{}` is delivered below another file", file.path)
            });
        }
        self.hold(
            delivery.files.is_sorted_by(|one, two| one.path < two.path),
            || "deliveries are not in order".to_owned(),
        );
        let steps: BTreeSet<&str> = self.plan.steps.iter().map(|step| step.name.as_str()).collect();
        for step in &delivery.when {
            self.hold(steps.contains(step.as_str()), || {
                format!("deliveries wait for `{step}`, which is no step")
            });
        }
    }

    fn check_delivery_file(&mut self, file: &DeliveryFile) {
        let Some(item) = self.plan.items.get(file.item as usize) else {
            self.problem(format!(
                "`{}` is delivered from an item that is not there",
                file.path
            ));
            return;
        };
        self.hold(
            item.outputs.iter().any(|output| output.name == file.output),
            || {
                format!(
                    "`{}` is delivered from `{}`, which does not make `{}`",
                    file.path, item.address, file.output
                )
            },
        );
        if let Some((_, problem)) = paths::output_problem(&file.path) {
            self.problem(format!("the delivery path `{}` {problem}", file.path));
        }
        let subject = item.address.split_once('/').map_or("", |(subject, _)| subject);
        self.hold(file.unit == subject, || {
            format!(
                "`{}` is delivered with `{}`, not with what it is about",
                file.path, file.unit
            )
        });
        let gates = file
            .gates
            .iter()
            .all(|gate| (*gate as usize) < self.plan.items.len());
        self.hold(gates, || {
            format!("`{}` waits for an item that is not there", file.path)
        });
    }
}

/// Empty, or a dot and something that can be no path.
fn is_extension(extension: &str) -> bool {
    extension.is_empty()
        || extension.strip_prefix('.').is_some_and(|rest| {
            !rest.is_empty()
                && paths::output_problem(&format!("x{extension}")).is_none()
                && !rest.contains(['/', '.'])
        })
}
