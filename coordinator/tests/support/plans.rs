//! Plans of program steps over invented dock props.

use tidemill_proto::Digest;
use tidemill_proto::v1::{
    Argument, Edge, File, Input, Item, Needs, Output, Part, Plan, Program, Source, Step, Tool, Variant, item,
    part, source,
};

/// One step: what it is called, an argument of its program, and whether it gathers all variants.
#[derive(Clone)]
pub struct StepOf {
    pub name: &'static str,
    pub argument: String,
    pub gathers: bool,
    pub partial: bool,
    pub retries: u32,
}

pub fn step(name: &'static str, argument: &str) -> StepOf {
    StepOf {
        name,
        argument: argument.into(),
        gathers: false,
        partial: false,
        retries: 0,
    }
}

pub fn gather(name: &'static str) -> StepOf {
    StepOf {
        gathers: true,
        partial: true,
        ..step(name, "")
    }
}

/// The bytes of a variant's base model.
pub fn model_bytes(variant: &str) -> Vec<u8> {
    format!("model of {variant}").into_bytes()
}

/// A plan in which the first step reads each variant's model and every other the step before.
pub fn plan(variants: &[&str], steps: &[StepOf]) -> Plan {
    plan_of(variants, steps, &|variant| model_bytes(variant))
}

/// As [`plan`], with other models.
pub fn plan_of(variants: &[&str], steps: &[StepOf], model: &dyn Fn(&str) -> Vec<u8>) -> Plan {
    let mut names = variants.to_vec();
    names.sort_unstable();
    let mut items = Vec::new();
    for (position, step) in steps.iter().enumerate() {
        let before = (position.saturating_sub(1) * names.len()) as u32;
        let from_edge = |variant: usize| Source {
            from: Some(source::From::Edge(Edge {
                item: before + variant as u32,
                output: "made".into(),
            })),
            label: names[variant].into(),
            extension: ".txt".into(),
        };
        if step.gathers {
            let sources = (0..names.len()).map(from_edge).collect();
            let all: Vec<u32> = (0..names.len() as u32).collect();
            items.push(item_of(
                "all",
                step,
                position,
                all,
                Input {
                    name: "source".into(),
                    many: true,
                    sources,
                    ..Input::default()
                },
            ));
            continue;
        }
        for (variant, name) in names.iter().enumerate() {
            let source = if position == 0 {
                let bytes = model(name);
                Source {
                    from: Some(source::From::File(File {
                        path: format!("base/{name}.txt"),
                        digest: Digest::of(&bytes).to_vec(),
                        size: bytes.len() as u64,
                        companions: vec![],
                    })),
                    label: (*name).into(),
                    extension: ".txt".into(),
                }
            } else {
                from_edge(variant)
            };
            let input = Input {
                name: "source".into(),
                sources: vec![source],
                ..Input::default()
            };
            items.push(item_of(name, step, position, vec![variant as u32], input));
        }
    }
    Plan {
        format: 1,
        manifest: "harbour-dock".into(),
        variants: names
            .iter()
            .map(|name| Variant {
                name: (*name).into(),
                ..Variant::default()
            })
            .collect(),
        steps: steps
            .iter()
            .enumerate()
            .map(|(position, step)| Step {
                name: step.name.into(),
                each: if step.gathers {
                    "all".into()
                } else {
                    "variant".into()
                },
                partial: step.partial,
                upstream: if position == 0 {
                    vec![]
                } else {
                    vec![steps[position - 1].name.into()]
                },
                operations: false,
            })
            .collect(),
        items,
        tools: vec![Tool {
            name: "shape".into(),
            program: "shape".into(),
            version: String::new(),
        }],
        ..Plan::default()
    }
}

fn item_of(subject: &str, step: &StepOf, position: usize, variants: Vec<u32>, input: Input) -> Item {
    let parts = |kind| Argument {
        parts: vec![Part { kind: Some(kind) }],
    };
    Item {
        address: format!("{subject}/{}", step.name),
        step: position as u32,
        variants,
        inputs: vec![input],
        action: Some(item::Action::Program(Program {
            tool: "shape".into(),
            arguments: vec![
                parts(part::Kind::Text(step.argument.clone())),
                parts(part::Kind::Input("source".into())),
                parts(part::Kind::Output("made".into())),
            ],
        })),
        outputs: vec![Output {
            name: "made".into(),
            path: format!("{subject}.{}.txt", step.name),
            extension: ".txt".into(),
            folder: false,
        }],
        needs: Some(Needs {
            memory_bytes: 1 << 20,
            millicores: 1000,
            ..Needs::default()
        }),
        retries: step.retries,
        ..Item::default()
    }
}
