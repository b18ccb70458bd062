//! A plan that came over the wire is believed in nothing.
#![allow(clippy::unwrap_used)] // Helpers of tests, too.

mod common;

use common::{DOCK, dock, plan};
use tidemill_proto::v1::{Companion, Edge, Item, Operations, Plan, Value, item, part, source, value};

/// Damages the dock's plan and expects the damage to be named.
fn refused(damage: impl FnOnce(&mut Plan), expected: &str) {
    let mut plan = plan(DOCK, &dock());
    damage(&mut plan);
    let problems = tidemill_plan::recheck(&plan, tidemill_ops::all()).expect_err(expected);
    assert!(
        problems.iter().any(|problem| problem.contains(expected)),
        "{expected:?} is not among {problems:#?}"
    );
}

fn item_of<'p>(plan: &'p mut Plan, address: &str) -> &'p mut Item {
    plan.items
        .iter_mut()
        .find(|item| item.address == address)
        .unwrap()
}

fn chain(item: &mut Item) -> &mut Operations {
    let Some(item::Action::Operations(operations)) = &mut item.action else {
        panic!()
    };
    operations
}

fn file(plan: &mut Plan) -> &mut tidemill_proto::v1::File {
    let item = item_of(plan, "crate-small-s11/weathered");
    let Some(source::From::File(file)) = &mut item.inputs[0].sources[0].from else {
        panic!()
    };
    file
}

#[test]
fn a_sound_plan_passes() {
    assert_eq!(
        tidemill_plan::recheck(&plan(DOCK, &dock()), tidemill_ops::all()),
        Ok(())
    );
}

#[test]
fn an_empty_plan_is_none() {
    assert!(tidemill_plan::recheck(&Plan::default(), tidemill_ops::all()).is_err());
}

#[test]
fn names_and_order() {
    refused(|plan| plan.format = 2, "plan format 2");
    refused(|plan| plan.manifest = "../x".into(), "no name of a manifest");
    refused(|plan| plan.variants.swap(0, 1), "not in order");
    refused(|plan| plan.variants[0].name = "a/b".into(), "holds a `/`");
    refused(|plan| plan.steps.swap(0, 1), "does not stand before it");
    refused(
        |plan| plan.steps[1].name = "weathered".into(),
        "two steps are called",
    );
    refused(|plan| plan.items.swap(0, 20), "not in order");
    refused(|plan| plan.tools[0].program = "/bin/sh".into(), "is a path");
    refused(|plan| plan.tools[0].version = "; rm".into(), "no version pattern");
    refused(|plan| plan.tags[1].name = "timber".into(), "there twice");
}

#[test]
fn addresses_say_what_items_are_about() {
    refused(|plan| plan.items[0].address = "weathered".into(), "not an item");
    refused(
        |plan| plan.items[1].address = plan.items[0].address.clone(),
        "two items are called",
    );
    refused(
        |plan| plan.items[0].address = "crate-small-s11/weathered".into(),
        "is not about what its name says",
    );
    refused(
        |plan| plan.items[0].variants = vec![99],
        "variants that are not there",
    );
    refused(|plan| plan.items[0].step = 77, "belongs to no step");
}

#[test]
fn edges_lead_back_to_what_is_made() {
    let edge = |item: u32, output: &str| {
        Some(source::From::Edge(Edge {
            item,
            output: output.into(),
        }))
    };
    refused(
        |plan| item_of(plan, "crate-small-s11/game").inputs[0].sources[0].from = edge(9999, "mesh"),
        "does not stand before",
    );
    refused(
        |plan| plan.items[8].inputs[0].sources[0].from = edge(8, "mesh"),
        "does not stand before",
    );
    refused(
        |plan| item_of(plan, "crate-small-s11/game").inputs[0].sources[0].from = edge(0, "mash"),
        "which it does not make",
    );
    refused(|plan| plan.steps[1].upstream.clear(), "its step does not say so");
    refused(
        |plan| item_of(plan, "crate-small-s11/game").inputs[0].sources[0].from = None,
        "comes from nowhere",
    );
    refused(
        |plan| item_of(plan, "crate-small-s11/game").inputs[0].sources.clear(),
        "has 0 sources",
    );
}

#[test]
fn files_have_digests_and_stay_where_they_belong() {
    refused(|plan| file(plan).digest.pop().map_or((), drop), "has no digest");
    refused(
        |plan| file(plan).companions[0].digest = vec![1; 33],
        "has no digest",
    );
    refused(
        |plan| {
            let companion = Companion {
                name: "../../x".into(),
                digest: vec![0; 32],
                size: 1,
            };
            file(plan).companions = vec![companion];
        },
        "would be staged elsewhere",
    );
    refused(
        |plan| item_of(plan, "crate-small-s11/weathered").inputs[0].sources[0].extension = "./../x".into(),
        "bad extension",
    );
    refused(
        |plan| item_of(plan, "crate-small-s11/weathered").inputs[0].name = "a/b".into(),
        "no name of an input",
    );
    refused(
        |plan| item_of(plan, "crate-small-s11/weathered").inputs[0].units = "ell".into(),
        "no known units",
    );
}

#[test]
fn outputs_are_safe_and_made_once() {
    refused(
        |plan| plan.items[0].outputs[0].path = "../x.glb".into(),
        "leaves its folder",
    );
    refused(
        |plan| plan.items[0].outputs[0].path = plan.items[1].outputs[0].path.to_uppercase(),
        "is made twice",
    );
    refused(
        |plan| plan.items[0].outputs[0].name = "..".into(),
        "no name of an output",
    );
    refused(|plan| plan.items[0].outputs.clear(), "makes nothing");
}

#[test]
fn operations_are_known_and_whole() {
    let set = |plan: &mut Plan, name: &str, kind: value::Kind| {
        let operations = chain(item_of(plan, "crate-small-s11/weathered"));
        let field = operations.chain[0]
            .settings
            .iter_mut()
            .find(|field| field.name == name)
            .unwrap();
        field.value = Some(Value { kind: Some(kind) });
    };
    refused(
        |plan| chain(&mut plan.items[0]).chain[0].name = "melt".into(),
        "not known here",
    );
    refused(
        |plan| chain(&mut plan.items[0]).chain[0].version += 1,
        "here it has version",
    );
    refused(
        |plan| set(plan, "voxel", value::Kind::Number(f64::NAN)),
        "must be a number",
    );
    refused(
        |plan| set(plan, "voxel", value::Kind::Number(-1.0)),
        "must be between",
    );
    refused(
        |plan| chain(&mut plan.items[0]).chain[0].settings.clear(),
        "lacks the setting",
    );
    refused(
        |plan| chain(&mut plan.items[0]).chain[0].inputs[0].value = "x".into(),
        "cannot read `x`",
    );
    refused(
        |plan| chain(&mut plan.items[0]).chain[0].outputs[0].port = "x".into(),
        "does not give `x`",
    );
    refused(|plan| chain(&mut plan.items[0]).chain.clear(), "has no operation");
    refused(
        |plan| plan.items[0].outputs[0].extension = ".png".into(),
        "gives `mesh` as `.png`",
    );
    refused(
        |plan| chain(item_of(plan, "crate-small-s11/maps")).chain[0].uses_tags = false,
        "does not say rightly",
    );
    refused(|plan| plan.items[0].action = None, "does nothing");
}

#[test]
fn programs_are_tools_and_arguments_stand_for_something() {
    let program = |plan: &mut Plan, change: fn(&mut tidemill_proto::v1::Program)| {
        let Some(item::Action::Program(program)) = &mut item_of(plan, "crate-small-s11/small").action else {
            panic!()
        };
        change(program);
    };
    refused(
        |plan| program(plan, |program| program.tool = "sh".into()),
        "no tool of the plan",
    );
    let nothing = "stands for nothing";
    refused(
        |plan| {
            program(plan, |program| {
                program.arguments[2].parts[0].kind = Some(part::Kind::Input("x".into()))
            })
        },
        nothing,
    );
    refused(
        |plan| {
            program(plan, |program| {
                program.arguments[0].parts[0].kind = Some(part::Kind::Text("a\0b".into()))
            })
        },
        nothing,
    );
    refused(
        |plan| {
            let variable = tidemill_proto::v1::Variable {
                name: "LD_PRELOAD".into(),
                value: "x".into(),
            };
            item_of(plan, "crate-small-s11/small").environment.push(variable);
        },
        "which it must not",
    );
}

#[test]
fn needs_can_be_met() {
    refused(|plan| plan.items[0].needs = None, "does not say what it needs");
    refused(
        |plan| plan.items[0].needs.as_mut().unwrap().memory_bytes = 0,
        "needs nothing",
    );
    refused(
        |plan| {
            let seat = tidemill_proto::v1::SeatUse {
                name: "sculptor".into(),
                count: 1,
            };
            plan.items[0].needs.as_mut().unwrap().seats.push(seat);
        },
        "there are 0",
    );
}

#[test]
fn deliveries_are_safe_and_come_from_what_is_made() {
    fn delivery(plan: &mut Plan) -> &mut tidemill_proto::v1::Delivery {
        plan.delivery.as_mut().unwrap()
    }
    refused(
        |plan| delivery(plan).files[0].path = "../x".into(),
        "leaves its folder",
    );
    refused(
        |plan| delivery(plan).files[0].item = 9999,
        "from an item that is not there",
    );
    refused(
        |plan| delivery(plan).files[0].output = "x".into(),
        "does not make `x`",
    );
    refused(
        |plan| delivery(plan).files[0].unit = "all".into(),
        "not with what it is about",
    );
    refused(
        |plan| delivery(plan).files[0].gates = vec![9999],
        "waits for an item that is not there",
    );
    refused(|plan| delivery(plan).files.swap(0, 1), "not in order");
    refused(
        |plan| delivery(plan).files[0].path = delivery(plan).files[1].path.clone(),
        "delivered at",
    );
    refused(|plan| delivery(plan).when = vec!["x".into()], "which is no step");
}
