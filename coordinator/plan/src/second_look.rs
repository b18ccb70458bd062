//! What is sound by itself and does not fit together all the same: a normal map whose green points the wrong way for whoever
//! wears it, and a grid that is finer than anybody means.

use std::collections::{BTreeSet, HashSet};
use std::ops::Range;

use tidemill_ops::declare::Kind;
use tidemill_proto::v1::{Edge, File, Item, Operation, Operations, item, source, value};

use crate::diagnostics::Report;
use crate::items::{ItemContext, Items};
use crate::read::ActionDecl;
use crate::settings;
use crate::steps::Action;
use crate::tags;

/// A grid with more cells along a model's longest side than this is probably a slip of the decimal point.
const MOST_VOXELS_ALONG_A_SIDE: f64 = 2048.0;
/// Operations that ask for a normal map with its green up, on the port `normal`.
const WANT_GREEN_UP: [&str; 2] = ["dress", "picture"];

/// Looks at all items; each slip is said once.
pub(crate) fn look(context: &ItemContext<'_, '_, '_>, items: &Items, report: &mut Report<'_>) {
    let mut said = HashSet::new();
    let mut models: Vec<BTreeSet<&str>> = Vec::with_capacity(items.items.len());
    for item in &items.items {
        models.push(models_behind(item, &models));
        let Some(item::Action::Operations(operations)) = &item.action else {
            continue;
        };
        for (index, operation) in operations.chain.iter().enumerate() {
            if WANT_GREEN_UP.contains(&operation.name.as_str()) && wears_green_down(items, item, index) {
                let span = call_span(context, item, index);
                if said.insert((span.start, String::new())) {
                    report
                        .error(
                            "normal-green",
                            &span,
                            format!(
                                "`{}` reads a normal map that was baked with `green = \"down\"`, and it asks for green up",
                                operation.name
                            ),
                        )
                        .hint("glTF has green up; bake the map that is worn without `green`, and the one for an engine that wants it down in a step of its own");
                }
            }
            if operation.name == "remesh" {
                let behind = models.last().into_iter().flatten();
                for path in behind {
                    look_at_voxels(context, item, (index, operation), path, &mut said, report);
                }
            }
        }
    }
}

/// Base models and fixed meshes that an item works on, also by way of other items: no operation changes how long they are.
fn models_behind<'i>(item: &'i Item, before: &[BTreeSet<&'i str>]) -> BTreeSet<&'i str> {
    let sources = item.inputs.iter().flat_map(|input| &input.sources);
    let meshes = sources.filter(|source| Kind::Mesh.readable().contains(&source.extension.as_str()));
    let mut behind = BTreeSet::new();
    for source in meshes {
        match &source.from {
            Some(source::From::File(File { path, .. })) => {
                behind.insert(path.as_str());
            }
            Some(source::From::Edge(Edge { item, .. })) => {
                behind.extend(before.get(*item as usize).into_iter().flatten());
            }
            None => {}
        }
    }
    behind
}

/// Whether the normal map of a call comes from a `bake` that lets green point down.
fn wears_green_down(items: &Items, item: &Item, call: usize) -> bool {
    let Some(operations) = operations_of(item) else {
        return false;
    };
    let bound = operations.chain[call]
        .inputs
        .iter()
        .find(|binding| binding.port == "normal");
    let Some(bound) = bound else { return false };
    if let Some((made_by, port)) = maker(&operations.chain[..call], &bound.value) {
        return lets_green_down(made_by, port);
    }
    let read = item.inputs.iter().filter(|input| input.name == bound.value);
    read.flat_map(|input| &input.sources).any(|source| {
        let Some(source::From::Edge(edge)) = &source.from else {
            return false;
        };
        let upstream = items.items.get(edge.item as usize).and_then(operations_of);
        let made_by = upstream.and_then(|operations| maker(&operations.chain, &edge.output));
        made_by.is_some_and(|(operation, port)| lets_green_down(operation, port))
    })
}

fn operations_of(item: &Item) -> Option<&Operations> {
    match &item.action {
        Some(item::Action::Operations(operations)) => Some(operations),
        _ => None,
    }
}

/// The last call that adds a value, and its port.
fn maker<'o>(chain: &'o [Operation], name: &str) -> Option<(&'o Operation, &'o str)> {
    chain.iter().rev().find_map(|operation| {
        let binding = operation.outputs.iter().find(|binding| binding.value == name)?;
        Some((operation, binding.port.as_str()))
    })
}

fn lets_green_down(operation: &Operation, port: &str) -> bool {
    operation.name == "bake"
        && port == "normal"
        && matches!(setting(operation, "green"), Some(value::Kind::Text(text)) if text == "down")
}

fn setting<'o>(operation: &'o Operation, name: &str) -> Option<&'o value::Kind> {
    let field = operation.settings.iter().find(|field| field.name == name)?;
    field.value.as_ref()?.kind.as_ref()
}

/// Where a call of an item's step stands in the manifest.
fn call_span(context: &ItemContext<'_, '_, '_>, item: &Item, call: usize) -> Range<usize> {
    let decl = &context.steps[context.order[item.step as usize]].decl;
    match &decl.action {
        Some(ActionDecl::Operations(calls)) => calls.get(call).map(|call| call.op.span.clone()),
        _ => None,
    }
    .unwrap_or_else(|| decl.name.span.clone())
}

/// Remarks on a `remesh` whose grid would be huge.
fn look_at_voxels(
    context: &ItemContext<'_, '_, '_>,
    item: &Item,
    (call, operation): (usize, &Operation),
    path: &str,
    said: &mut HashSet<(usize, String)>,
    report: &mut Report<'_>,
) {
    let Some(value::Kind::Number(voxel)) = setting(operation, "voxel") else {
        return;
    };
    let facts = context
        .survey
        .files
        .get(path)
        .and_then(|file| file.model.as_ref());
    let Some(Ok(facts)) = facts else { return };
    let side = tags::longest_side_m(path, facts, &context.manifest.variants).unwrap_or(0.0);
    let count = side / voxel;
    if count <= MOST_VOXELS_ALONG_A_SIDE {
        return;
    }
    let step = &context.steps[context.order[item.step as usize]];
    let compiled = match &step.action {
        Some(Action::Operations(chain)) => chain.calls.get(call),
        _ => None,
    };
    let written = compiled.and_then(|compiled| {
        let mut settings = compiled.declaration.settings.iter();
        let voxel = settings.position(|decl| decl.name == "voxel")?;
        compiled.written.get(&voxel)
    });
    let message = format!(
        "`{path}` is {} m long: a voxel of {} m makes {} of them along its longest side",
        settings::rounded(side),
        settings::rounded(*voxel),
        settings::rounded(count)
    );
    let span = written.unwrap_or(&step.decl.name.span);
    if said.insert((span.start, message.clone())) {
        report.remark("many-voxels", span, message).hint(
            "memory and time grow with the square of that, at the least; are `units` and `voxel` right?",
        );
    }
}
