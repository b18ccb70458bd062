//! The manifest that shows everything at once becomes the plan that its comments promise.

mod common;

use common::{DOCK, dock, find, number, plan, setting};
use tidemill_plan::Options;
use tidemill_proto::v1::{Edge, item, part, source, value};

#[test]
fn variants_are_models_times_axes_in_order_of_their_names() {
    let plan = plan(DOCK, &dock());
    let names: Vec<&str> = plan
        .variants
        .iter()
        .map(|variant| variant.name.as_str())
        .collect();
    assert_eq!(
        names,
        [
            "bollard-large-s11",
            "bollard-large-s12",
            "bollard-small-s11",
            "bollard-small-s12",
            "crate-large-s11",
            "crate-large-s12",
            "crate-small-s11",
            "crate-small-s12"
        ]
    );
    assert_eq!(plan.variants[0].model, "base/bollard-large.obj");
    let fields: Vec<&str> = plan.variants[0]
        .fields
        .iter()
        .map(|field| field.name.as_str())
        .collect();
    assert_eq!(fields, ["family", "seed", "size"]);
    assert_eq!(common::field(&plan, "crate-small-s12", "seed").kind, number(12.0));
    assert_eq!(
        common::field(&plan, "crate-small-s12", "size").kind,
        Some(value::Kind::Text("small".into()))
    );
}

#[test]
fn steps_and_items_stand_behind_what_they_read() {
    let plan = plan(DOCK, &dock());
    let steps: Vec<&str> = plan.steps.iter().map(|step| step.name.as_str()).collect();
    assert_eq!(steps, ["weathered", "game", "maps", "small", "sheet", "audit"]);
    assert_eq!(plan.steps[2].upstream, ["game", "weathered"]);
    assert_eq!(plan.items.len(), 5 * 8 + 2);
    let sheet = find(&plan, "family=crate/sheet");
    assert_eq!(sheet.variants, [4, 5, 6, 7]);
    assert!(sheet.inputs[0].many && plan.steps[4].partial);
    let labels: Vec<&str> = sheet.inputs[0]
        .sources
        .iter()
        .map(|source| source.label.as_str())
        .collect();
    assert_eq!(
        labels,
        [
            "crate-large-s11",
            "crate-large-s12",
            "crate-small-s11",
            "crate-small-s12"
        ]
    );
    let Some(source::From::Edge(Edge { item, output })) = &sheet.inputs[0].sources[2].from else {
        panic!()
    };
    assert_eq!(
        (plan.items[*item as usize].address.as_str(), output.as_str()),
        ("crate-small-s11/maps", "tag-id")
    );
}

#[test]
fn settings_are_complete_and_placeholders_have_their_fields_type() {
    let plan = plan(DOCK, &dock());
    let weathered = find(&plan, "crate-small-s12/weathered");
    assert_eq!(setting(weathered, 2, "seed"), number(12.0));
    assert_eq!(setting(weathered, 2, "amplitude"), number(0.004));
    assert_eq!(setting(weathered, 2, "octaves"), number(4.0));
    assert_eq!(
        setting(weathered, 1, "on"),
        Some(value::Kind::Text("timber".into()))
    );
    let input = &weathered.inputs[0];
    assert_eq!((input.units.as_str(), input.up.as_str()), ("m", "y"));
    assert_eq!(input.sources[0].extension, ".obj");
    let Some(source::From::File(file)) = &input.sources[0].from else {
        panic!()
    };
    assert_eq!(
        (file.path.as_str(), file.companions[0].name.as_str()),
        ("base/crate-small.obj", "dock.mtl")
    );
    let needs = weathered.needs.as_ref().unwrap();
    assert_eq!(
        (needs.memory_bytes, needs.millicores, needs.declared),
        (1 << 30, 1000, true)
    );
    let defaults = find(&plan, "crate-small-s12/game").needs.as_ref().unwrap();
    assert_eq!(
        (defaults.memory_bytes, defaults.millicores, defaults.declared),
        (512 << 20, 1000, false)
    );
}

#[test]
fn adjustments_reach_their_family_only() {
    let plan = plan(DOCK, &dock());
    assert_eq!(
        setting(find(&plan, "crate-small-s11/game"), 0, "triangles"),
        number(1200.0)
    );
    assert_eq!(
        setting(find(&plan, "bollard-small-s11/game"), 0, "triangles"),
        number(4000.0)
    );
}

#[test]
fn operations_read_by_port_and_give_by_word() {
    let plan = plan(DOCK, &dock());
    let maps = find(&plan, "crate-small-s11/maps");
    let Some(item::Action::Operations(operations)) = &maps.action else {
        panic!()
    };
    let bake = &operations.chain[0];
    let inputs: Vec<(&str, &str)> = bake
        .inputs
        .iter()
        .map(|bound| (bound.port.as_str(), bound.value.as_str()))
        .collect();
    assert_eq!(inputs, [("high", "high"), ("low", "low")]);
    let outputs: Vec<&str> = bake.outputs.iter().map(|bound| bound.value.as_str()).collect();
    assert_eq!(outputs, ["tag-id", "curvature"]);
    assert!(bake.uses_tags && !bake.uses_labels);
    let made: Vec<(&str, &str)> = maps
        .outputs
        .iter()
        .map(|made| (made.name.as_str(), made.path.as_str()))
        .collect();
    assert_eq!(
        made,
        [
            ("curvature", "crate-small-s11_curvature.png"),
            ("tag-id", "crate-small-s11_id.png")
        ]
    );
}

#[test]
fn a_program_keeps_its_placeholders_for_files() {
    let plan = plan(DOCK, &dock());
    let small = find(&plan, "crate-small-s11/small");
    let Some(item::Action::Program(program)) = &small.action else {
        panic!()
    };
    assert_eq!(program.tool, "oxipng");
    let kinds: Vec<&part::Kind> = program
        .arguments
        .iter()
        .map(|argument| argument.parts[0].kind.as_ref().unwrap())
        .collect();
    assert_eq!(kinds[0], &part::Kind::Text("-o".into()));
    assert_eq!(kinds[2], &part::Kind::Input("map".into()));
    assert_eq!(kinds[4], &part::Kind::Output("small".into()));
    assert_eq!((small.retries, small.time_limit_ms), (1, 600_000));
    assert_eq!(
        (plan.tools[0].name.as_str(), plan.tools[0].version.as_str()),
        ("oxipng", "9.*")
    );
    assert_eq!(small.inputs[0].units, "");
}

#[test]
fn deliveries_are_grouped_by_what_they_are_about() {
    let plan = plan(DOCK, &dock());
    let delivery = plan.delivery.as_ref().unwrap();
    assert_eq!(delivery.files.len(), 8 * 2 + 2);
    assert_eq!(delivery.when, ["audit"]);
    let mesh = delivery
        .files
        .iter()
        .find(|file| file.path == "out/crate/crate-small-s11.game.glb")
        .unwrap();
    assert_eq!(mesh.unit, "crate-small-s11");
    let gates: Vec<&str> = mesh
        .gates
        .iter()
        .map(|gate| plan.items[*gate as usize].address.as_str())
        .collect();
    assert_eq!(gates, ["crate-small-s11/audit"]);
    let sheet = delivery
        .files
        .iter()
        .find(|file| file.path == "out/crate/sheet-crate.png")
        .unwrap();
    assert_eq!((sheet.unit.as_str(), sheet.gates.len()), ("family=crate", 0));
}

#[test]
fn a_sound_manifest_has_no_remarks() {
    let planned = common::plan_with(DOCK, &dock(), &Options::default()).unwrap();
    assert_eq!(planned.remarks, []);
    assert_eq!(planned.plan.tags[0].color, 0xE6_9F00);
}

#[test]
fn the_survey_is_told_what_to_look_for() {
    let wanted = tidemill_plan::wanted(DOCK, "dock.toml").unwrap();
    assert_eq!(wanted.manifest, "harbour-dock");
    assert_eq!(wanted.models.as_deref(), Some("base/*.obj"));
    assert!(
        wanted.tags && wanted.files.is_empty() && wanted.folders.is_empty() && wanted.csv_files.is_empty()
    );
    let filter = wanted.filter().unwrap();
    assert_eq!(filter.folder(), "base");
    assert!(filter.matches("base/crate-small.obj") && !filter.matches("base/old/crate-small.obj"));
}
