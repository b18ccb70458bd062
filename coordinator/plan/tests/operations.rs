//! What operations in a manifest mean: their settings, and the maps that they make and wear.
#![allow(clippy::unwrap_used)] // Helpers of tests, too.

mod common;

use common::{baked, find, manifest, models, plan, plan_with, setting};
use tidemill_plan::Options;
use tidemill_proto::v1::{Item, item, value};

#[test]
fn a_normal_map_with_green_down_is_not_worn() {
    let with = |green: &str, rest: &str| {
        let text = baked("models = \"base/*.obj\"", &["normal", "occlusion"], green, rest);
        plan_with(
            &text,
            &models(&["base/crate-large.obj", "base/crate-small.obj"]),
            &Options::default(),
        )
    };
    let worn = r#"[step.dressed]
from = { mesh = "game.mesh", normal = "maps.normal" }
ops = [{ op = "dress" }]
makes = { mesh = "{variant}.dressed.glb" }
"#;
    let down = ", green = \"down\"";
    assert!(with("", worn).is_ok() && with(down, "").is_ok());
    assert_eq!(
        with(down, worn).unwrap_err().codes(),
        ["normal-green"],
        "once for both variants"
    );
    // By another name, by a picture, for one variant only, and within one chain.
    let renamed = worn
        .replace("normal = ", "bumps = ")
        .replace("\"dress\"", "\"picture\", in = { normal = \"bumps\" }");
    let renamed = renamed.replace("mesh = \"{variant}.dressed.glb\"", "still = \"{variant}.png\"");
    assert_eq!(with(down, &renamed).unwrap_err().codes(), ["normal-green"]);
    let adjusted = format!(
        "{worn}[[adjust]]\nwhere = {{ stem = \"crate-small\" }}\nset = {{ \"maps.bake.green\" = \"down\" }}\n"
    );
    assert_eq!(with("", &adjusted).unwrap_err().codes(), ["normal-green"]);
    let occlusion = worn.replace("normal = \"maps.normal\"", "occlusion = \"maps.occlusion\"");
    assert!(with(down, &occlusion).is_ok(), "occlusion has no green");
    let one_chain = r#"[step.all]
from = { high = "{model}", low = "game.mesh" }
ops = [{ op = "bake", maps = ["normal"], green = "down" }, { op = "dress", in = { mesh = "low" } }]
makes = { mesh = "{variant}.all.glb" }
"#;
    assert_eq!(with("", one_chain).unwrap_err().codes(), ["normal-green"]);
}

#[test]
fn a_grid_finer_than_anybody_means_is_remarked_on_wherever_the_mesh_comes_from() {
    let mut survey = models(&["base/crate-large.obj", "base/crate-small.obj", "fixed/post.obj"]);
    for file in survey.files.values_mut() {
        if let Some(Ok(facts)) = &mut file.model {
            facts.bounds = Some(([0.0; 3], [90.0, 1.0, 1.0]));
        }
    }
    let remarks = |steps: &str| -> Vec<String> {
        let text = manifest("models = \"base/*.obj\"", steps);
        let planned = plan_with(&text, &survey, &Options::default()).unwrap();
        let many = planned
            .remarks
            .into_iter()
            .filter(|remark| remark.code == "many-voxels");
        many.map(|remark| remark.message).collect()
    };
    let placed = r#"[step.placed]
from = { mesh = "{model}" }
ops = [{ op = "place" }]
makes = { mesh = "{variant}.placed.glb" }
"#;
    let behind = remarks(&format!(
        r#"{placed}[step.fine]
from = {{ mesh = "placed.mesh" }}
ops = [{{ op = "remesh", voxel = 0.01 }}]
makes = {{ mesh = "{{variant}}.fine.glb" }}
"#
    ));
    assert_eq!(behind.len(), 2, "{behind:?}");
    assert!(
        behind[0].contains("`base/crate-large.obj` is 90 m long"),
        "{behind:?}"
    );
    // One item for all, over a fixed file.
    let fixed = remarks(&format!(
        r#"{placed}[step.post]
each = "all"
from = {{ mesh = {{ file = "fixed/post.obj" }} }}
ops = [{{ op = "remesh", voxel = 0.01 }}]
makes = {{ mesh = "post.glb" }}
"#
    ));
    assert_eq!(fixed.len(), 1, "{fixed:?}");
    assert!(fixed[0].contains("fixed/post.obj"), "{fixed:?}");
    let coarse = remarks(&placed.replace("\"place\"", "\"remesh\", voxel = 0.1"));
    assert_eq!(coarse, [""; 0]);
}

#[test]
fn a_single_map_is_worn_where_its_name_says_and_nowhere_else() {
    let with = |name: &str, renames: &str| {
        let dressed = format!(
            r#"[step.dressed]
from = {{ mesh = "game.mesh", {name} = "maps.occlusion" }}
ops = [{{ op = "dress"{renames} }}]
makes = {{ mesh = "{{variant}}.dressed.glb" }}
"#
        );
        let text = baked("models = \"base/*.obj\"", &["occlusion"], "", &dressed);
        let plan = plan(&text, &models(&["base/crate-large.obj"]));
        let Some(item::Action::Operations(operations)) = find(&plan, "crate-large/dressed").action.clone()
        else {
            panic!("operations")
        };
        let inputs = operations.chain[0].inputs.iter();
        inputs
            .map(|binding| format!("{}={}", binding.port, binding.value))
            .collect::<Vec<String>>()
    };
    assert_eq!(with("occlusion", ""), ["mesh=mesh", "occlusion=occlusion"]);
    assert_eq!(
        with("shadow", ", in = { occlusion = \"shadow\" }"),
        ["mesh=mesh", "occlusion=shadow"]
    );
    assert_eq!(
        with("shadow", ""),
        ["mesh=mesh"],
        "and `dress` says that there is no map"
    );
}

#[test]
fn a_table_of_tags_is_pairs_in_order_also_from_fields_and_adjustments() {
    let text = manifest(
        "models = \"base/*.obj\"\nname = \"{stem}-{finer}\"\ntags = { timber = \"#E69F00\", iron = \"#56B4E9\" }\n[variants.axes]\nfiner = [2, 3]",
        r#"
[step.game]
from = { model = "{model}" }
ops = [{ op = "unwrap", density = { timber = 0.5, iron = "{finer}" } }]
makes = { mesh = "{variant}.glb" }
[[adjust]]
where = { finer = 3 }
set = { game.unwrap.density = { iron = 4 } }
"#,
    );
    let plan = plan(&text, &models(&["base/crate.obj"]));
    let written = |address: &str| {
        let kind = setting(find(&plan, address), 0, "density");
        tidemill_proto::key::value_text(&tidemill_proto::v1::Value { kind })
    };
    assert_eq!(written("crate-2/game"), "[[iron, 2], [timber, 0.5]]");
    assert_eq!(written("crate-3/game"), "[[iron, 4]]");
    assert_eq!(tidemill_plan::recheck(&plan, tidemill_ops::all()), Ok(()));
}

#[test]
fn a_received_table_of_tags_is_checked_anew() {
    use tidemill_proto::v1::{Value, ValueList};
    let text = manifest(
        "models = \"base/*.obj\"\ntags = { timber = \"#E69F00\", iron = \"#56B4E9\" }",
        r#"
[step.game]
from = { model = "{model}" }
ops = [{ op = "unwrap", density = { iron = 2.0 } }]
makes = { mesh = "{variant}.glb" }
"#,
    );
    let sound = plan(&text, &models(&["base/crate.obj"]));
    let list = |values| Value {
        kind: Some(value::Kind::List(ValueList { values })),
    };
    let word = |text: &str| Value {
        kind: Some(value::Kind::Text(text.to_owned())),
    };
    let one = |number| Value {
        kind: Some(value::Kind::Number(number)),
    };
    for (bad, expected) in [
        (list(vec![]), "at least one entry"),
        (list(vec![list(vec![word("rope"), one(2.0)])]), "the tag `rope`"),
        (list(vec![list(vec![word("iron"), one(-2.0)])]), "between"),
        (
            list(vec![list(vec![word("iron")])]),
            "a table of tags and numbers",
        ),
        (list(vec![word("iron"), one(2.0)]), "a table of tags and numbers"),
        (
            list(vec![
                list(vec![word("iron"), one(2.0)]),
                list(vec![word("iron"), one(3.0)]),
            ]),
            "twice",
        ),
        (one(2.0), "a table of tags and numbers"),
    ] {
        let mut plan = sound.clone();
        let Some(item::Action::Operations(operations)) = &mut plan.items[0].action else {
            panic!()
        };
        let settings = &mut operations.chain[0].settings;
        let field = settings.iter_mut().find(|field| field.name == "density").unwrap();
        field.value = Some(bad);
        let problems = tidemill_plan::recheck(&plan, tidemill_ops::all()).unwrap_err();
        assert!(
            problems.iter().any(|problem| problem.contains(expected)),
            "{expected}: {problems:#?}"
        );
    }
}

/// Which port of an operation reads which value, and which gives which.
fn bindings(item: &Item, operation: usize) -> [Vec<(String, String)>; 2] {
    let Some(item::Action::Operations(operations)) = &item.action else {
        panic!("{} runs a program", item.address)
    };
    let operation = &operations.chain[operation];
    let pair = |binding: &tidemill_proto::v1::Binding| (binding.port.clone(), binding.value.clone());
    [&operation.inputs, &operation.outputs].map(|bindings| bindings.iter().map(pair).collect())
}

#[test]
fn optional_ports_of_one_kind_are_bound_by_name_and_give_what_they_read() {
    let text = |makes: &str| {
        let set = format!(
            r#"[step.set]
each = "family"
from = {{ meshes = "game.mesh", height = "maps.height" }}
ops = [{{ op = "pack" }}]
makes = {{ mesh = "{{family}}-set.glb", {makes} = "{{family}}-set.png" }}
"#
        );
        baked(
            "models = \"base/*.obj\"\nfields = \"{family}-{size}\"",
            &["height"],
            "",
            &set,
        )
    };
    let survey = models(&["base/crate-small.obj", "base/crate-large.obj"]);
    let plan = plan(&text("height"), &survey);
    let same = |names: [&str; 2]| names.map(|name| (name.to_owned(), name.to_owned())).to_vec();
    let bound = bindings(find(&plan, "family=crate/set"), 0);
    assert_eq!(bound, [same(["meshes", "height"]), same(["mesh", "height"])]);
    assert_eq!(tidemill_plan::recheck(&plan, tidemill_ops::all()), Ok(()));
    // What is not gathered is not made.
    let refused = plan_with(&text("normal"), &survey, &Options::default()).unwrap_err();
    assert_eq!(refused.codes(), ["unknown-value"]);
}
