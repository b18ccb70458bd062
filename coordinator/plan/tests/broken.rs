//! Every error that a manifest can have: its code, and how it is shown.
//!
//! Each test breaks a sound manifest in one place; the snapshot is what a person sees.

mod common;

use common::{dock, model, models, plain_file, plan_with};
use tidemill_plan::{Diagnostics, Machine, Options, Survey};

const SMALL: &str = include_str!("manifests/small.toml");

/// The sound manifest with pieces replaced; each must stand in it exactly once.
fn edited(edits: &[(&str, &str)]) -> String {
    let mut text = SMALL.to_owned();
    for (from, to) in edits {
        assert_eq!(text.matches(from).count(), 1, "{from} must stand there once");
        text = text.replacen(from, to, 1);
    }
    text
}

fn diagnose(text: &str, survey: &Survey) -> Diagnostics {
    match plan_with(text, survey, &Options::default()) {
        Ok(planned) => Diagnostics::new("dock.toml", text, planned.remarks),
        Err(diagnostics) => diagnostics,
    }
}

/// Checks the codes, and the picture against its snapshot.
fn shows(name: &str, survey: &Survey, edits: &[(&str, &str)], codes: &[&str]) {
    let diagnostics = diagnose(&edited(edits), survey);
    assert_eq!(diagnostics.codes(), codes, "\n{}", diagnostics.render(false, 100));
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!(name, diagnostics.render(false, 100));
    });
}

/// One line for each way to break the sound manifest over the models of the dock.
macro_rules! broken {
    ($($name:ident: $codes:expr, $edits:expr;)*) => {
        $(#[test] fn $name() { shows(stringify!($name), &dock(), &$edits, &$codes); })*
    };
}

#[test]
fn the_sound_manifest_is_sound() {
    assert_eq!(diagnose(SMALL, &dock()).codes(), [""; 0]);
}

// Grammar, types and names.
broken! {
    syntax_error: ["syntax"], [("units = \"m\"", "units = \"m")];
    key_given_twice: ["syntax"], [("units = \"m\"", "units = \"m\"\nunits = \"cm\"")];
    unknown_table: ["unknown-key"], [("[draft]", "[drafts]")];
    unknown_key_of_variants: ["unknown-key"], [("units = \"m\"", "unit = \"m\"")];
    unknown_key_of_a_step: ["unknown-key"], [("time_limit", "timelimit")];
    unknown_key_of_needs: ["unknown-key"], [("cores = 1", "cpus = 1")];
    unknown_key_of_deliver: ["unknown-key"], [("what = [\"game.mesh\", \"sheet.sheet\"]", "what = [\"game.mesh\"]\nif = []")];
    wrong_types: ["wrong-type", "wrong-type", "wrong-type", "wrong-type"], [
        ("units = \"m\"", "units = 3"),
        ("from = { map = \"maps.tag-id\" }", "from = [\"maps.tag-id\"]"),
        ("\"{map}\"", "4"),
        ("retries = 1", "retries = \"1\"")
    ];
    missing_manifest: ["missing-key"], [("[manifest]\nname = \"quay\"\n", "")];
    missing_name: ["missing-key"], [("name = \"quay\"", "")];
    missing_makes: ["missing-key"], [("makes = { sheet = \"sheet-{family}.png\" }", ""), ("what = [\"game.mesh\", \"sheet.sheet\"]", "what = [\"game.mesh\"]")];
    missing_models: ["missing-key"], [("models = \"base/*.obj\"", "")];
    missing_where: ["missing-key"], [("where = { family = \"crate\" }", "")];
    bad_manifest_name: ["bad-name"], [("\"quay\"", "\"north quay/2\"")];
    empty_manifest_name: ["bad-name"], [("\"quay\"", "\"\"")];
    bad_units_and_up: ["unknown-word", "unknown-word"], [("units = \"m\"", "units = \"metre\"\nup = \"x\"")];
    bad_tag_color: ["bad-color"], [("#56B4E9", "blue")];
    duplicate_tag_color: ["duplicate-color"], [("#56B4E9", "#e69f00")];
    empty_axis: ["empty-axis"], [("[seats]", "[variants.axes]\nseed = []\n[seats]")];
    axis_value_twice: ["duplicate-value"], [("name = \"{stem}\"", "name = \"{stem}-{seed}\""), ("[seats]", "[variants.axes]\nseed = [1, 1]\n[seats]")];
    field_given_twice: ["duplicate-name"], [("name = \"{stem}\"", "name = \"{stem}-{size}\""), ("[seats]", "[variants.axes]\nsize = [1, 2]\n[seats]")];
    field_with_a_meaning_of_its_own: ["reserved-name"], [("fields = \"{family}-{size}\"", "fields = \"{family}-{stem}\"")];
    step_name_with_slash: ["bad-name"], [("[step.small]", "[step.\"small/er\"]")];
    output_name_with_slash: ["bad-name"], [("\"{small}\"", "\"x\""), ("{ small =", "{ \"a/b\" =")];
    bad_newest: ["bad-newest"], [("units = \"m\"", "newest = \"_v\"")];
}

// Placeholders, edges and cycles.
broken! {
    unknown_placeholder: ["unknown-placeholder"], [("\"{variant}_id.png\"", "\"{varaint}_id.png\"")];
    unknown_placeholder_in_a_name: ["unknown-placeholder"], [("name = \"{stem}\"", "name = \"{stem}-{seed}\"")];
    variant_in_its_own_name: ["placeholder-not-here"], [("name = \"{stem}\"", "name = \"{variant}\"")];
    variant_in_a_group: ["placeholder-not-here"], [("\"sheet-{family}.png\"", "\"sheet-{family}-{size}.png\"")];
    braces: ["bad-placeholder", "bad-placeholder"], [("\"{variant}_id.png\"", "\"{variant_id.png\""), ("\"{variant}_small.png\"", "\"{}small}}.png\"")];
    unknown_step: ["unknown-step"], [("\"game.mesh\" }", "\"gane.mesh\" }")];
    unknown_output: ["unknown-output"], [("{ map = \"maps.tag-id\" }", "{ map = \"maps.tag-ids\" }")];
    no_reference: ["bad-reference"], [("{ map = \"maps.tag-id\" }", "{ map = \"maps\" }")];
    a_file_without_braces: ["bad-reference"], [("{ map = \"maps.tag-id\" }", "{ map = \"presets/x.png\" }")];
    file_not_there: ["file-not-found"], [("{ map = \"maps.tag-id\" }", "{ map = { file = \"presets/x.png\" } }")];
    file_outside: ["bad-path"], [("{ map = \"maps.tag-id\" }", "{ map = { file = \"../x.png\" } }")];
    cycle: ["cycle"], [("from = { model = \"{model}\" }", "from = { model = \"{model}\", extra = \"small.small\" }")];
    cycle_of_one: ["cycle"], [("{ map = \"maps.tag-id\" }", "{ map = \"small.small\" }")];
    unknown_field_of_each: ["unknown-field"], [("each = \"family\"", "each = \"familly\"")];
    groups_that_differ: ["groups-differ"], [("[[adjust]]", "[step.wall]\neach = \"size\"\nfrom = { maps = \"sheet.sheet\" }\nops = [{ op = \"sheet\" }]\nmakes = { sheet = \"wall-{size}.png\" }\n[[adjust]]")];
}

// Operations.
broken! {
    unknown_operation: ["unknown-operation"], [("op = \"remesh\"", "op = \"remsh\""), ("set = { \"game.remesh.voxel\" = 0.04 }", "set = { \"maps.bake.size\" = 64 }")];
    unknown_setting: ["unknown-setting"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", paddin = 4 }")];
    missing_setting: ["missing-setting"], [("{ op = \"remesh\", voxel = 0.01 }", "{ op = \"remesh\" }")];
    setting_out_of_range: ["out-of-range"], [("voxel = 0.01", "voxel = 50")];
    setting_of_wrong_type: ["wrong-type", "wrong-type"], [("voxel = 0.01", "voxel = \"fine\""), ("triangles = 4000", "triangles = 4000.5")];
    setting_with_wrong_word: ["unknown-word"], [("maps = [\"tag-id\"]", "maps = [\"tag-id\", \"curvatur\"]")];
    setting_with_wrong_text_of_a_field: ["wrong-type", "wrong-type"], [("voxel = 0.01", "voxel = \"{size}\"")];
    setting_with_unknown_tag: ["unknown-tag"], [("{ op = \"simplify\"", "{ op = \"wear\", depth = 0.1, on = \"timbre\" }, { op = \"simplify\"")];
    limit_of_a_tag_that_is_none: ["no-limit", "unknown-tag", "out-of-range"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\" }, { op = \"audit\", shares = [\"timber 0.2\", \"timbre at least 0.2\", \"iron 0.1 to 1.5\", \"timber 0.1 to 0.9\"] }")];
    table_of_tags_with_mistakes: ["unknown-tag", "out-of-range", "wrong-type"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", density = { timbre = 2.0, iron = 200, timber = true } }")];
    table_of_tags_that_is_none: ["wrong-type"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", density = 2.0 }")];
    table_of_tags_without_entries: ["empty-list"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", density = {} }")];
    table_where_none_belongs: ["wrong-type"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", padding = { iron = 2 } }")];
    list_with_unknown_tag: ["unknown-tag"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", keep = [\"timbr\"] }")];
    value_that_no_operation_gives: ["unknown-value"], [("{ tag-id = \"{variant}_id.png\" }", "{ tag-id = \"{variant}_id.png\", curvature = \"{variant}_c.png\" }")];
    extension_of_another_kind: ["wrong-extension"], [("\"{variant}_id.png\"", "\"{variant}_id.jpg\"")];
    mesh_without_extension: ["wrong-extension"], [("\"{variant}.glb\"", "\"{variant}\"")];
    input_not_there: ["missing-input"], [("from = { model = \"{model}\" }\nops", "ops")];
    input_of_wrong_kind: ["wrong-kind"], [("from = { maps = \"maps.tag-id\" }", "from = { maps = \"game.mesh\" }")];
    input_that_is_not_gathered: ["not-gathered"], [("each = \"family\"\n", ""), ("\"sheet-{family}.png\"", "\"sheet-{variant}.png\"")];
    input_that_is_gathered: ["gathered"], [("{ op = \"sheet\" }", "{ op = \"sheet\" }, { op = \"inspect\", in = { mesh = \"meshes\" } }"), ("from = { maps = \"maps.tag-id\" }", "from = { maps = \"maps.tag-id\", meshes = \"game.mesh\" }")];
    unknown_value_in_a_rename: ["unknown-value"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", in = { mesh = \"mash\" } }")];
    unknown_port: ["unknown-port"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", in = { surface = \"mesh\" } }")];
    one_name_for_two_outputs: ["which-output"], [("maps = [\"tag-id\"]", "maps = [\"tag-id\", \"curvature\"], as = \"id\"")];
}

// Programs, needs and limits.
broken! {
    operations_and_program: ["ops-and-program"], [("program = [", "ops = []\nprogram = [")];
    neither_operations_nor_program: ["no-action"], [("program = [\"oxipng\", \"{map}\", \"--out\", \"{small}\"]\n", "")];
    program_by_path: ["bad-program-name"], [("\"oxipng\"", "\"./tools/oxipng\"")];
    empty_program: ["empty-program"], [("[\"oxipng\", \"{map}\", \"--out\", \"{small}\"]", "[]")];
    program_with_empty_name: ["empty-program"], [("\"oxipng\"", "\"\"")];
    unknown_placeholder_in_an_argument: ["unknown-placeholder"], [("\"{map}\"", "\"{maps}\"")];
    many_files_inside_an_argument: ["gathered"], [("from = { maps = \"maps.tag-id\" }\nops = [{ op = \"sheet\" }]", "from = { maps = \"maps.tag-id\" }\nprogram = [\"assemble\", \"--in={maps}\", \"{sheet}\"]")];
    input_and_output_of_one_name: ["name-clash"], [("{ small = \"{variant}_small.png\" }", "{ map = \"{variant}_small.png\", small = \"{variant}_s.png\" }")];
    output_that_no_argument_mentions: ["unmentioned-output"], [("\"--out\", \"{small}\"", "\"--strip\"")];
    unused_tool: ["unused-tool"], [("[step.small]", "[tool.oxipn]\nversion = \"9.*\"\n[step.small]")];
    bad_version: ["bad-version"], [("[step.small]", "[tool.oxipng]\nversion = \">=9\"\n[step.small]")];
    bad_memory: ["bad-memory"], [("\"1 GiB\"", "\"1 gigglebyte\"")];
    memory_without_unit: ["bad-memory"], [("\"1 GiB\"", "\"1024\"")];
    bad_cores: ["out-of-range"], [("cores = 1", "cores = 0")];
    unknown_seat: ["unknown-seat"], [("cores = 1", "seats = { sculpter = 1 }")];
    more_seats_than_there_are: ["too-many-seats"], [("cores = 1", "seats = { sculptor = 3 }")];
    bad_offer: ["bad-name"], [("cores = 1", "offers = [\"a gpu\"]")];
    bad_time: ["bad-time"], [("\"10 min\"", "\"10 fortnights\"")];
    too_many_retries: ["out-of-range"], [("retries = 1", "retries = 99")];
    variable_of_the_workstation: ["reserved-name"], [("retries = 1", "env = { PATH = \"/opt\" }")];
    environment_without_program: ["env-without-program"], [("cores = 1 }", "cores = 1 }\nenv = { LANG = \"C\" }")];
}

// Adjustments and delivery.
broken! {
    adjustment_that_matches_nothing: ["adjust-matches-nothing"], [("{ family = \"crate\" }", "{ family = \"crates\" }")];
    adjustment_by_unknown_field: ["unknown-field"], [("{ family = \"crate\" }", "{ famly = \"crate\" }")];
    adjustment_of_unknown_step: ["unknown-target"], [("\"game.simplify.triangles\"", "\"gam.simplify.triangles\"")];
    adjustment_of_unknown_operation: ["unknown-target"], [("\"game.simplify.triangles\"", "\"game.simplfy.triangles\"")];
    adjustment_of_unknown_setting: ["unknown-target"], [("\"game.simplify.triangles\"", "\"game.simplify.triangle\"")];
    adjustment_of_nothing: ["unknown-target"], [("\"game.simplify.triangles\"", "\"game\"")];
    adjustment_out_of_range: ["out-of-range"], [("= 1200", "= 1")];
    adjustment_of_a_table_of_tags: ["out-of-range"], [("{ op = \"unwrap\" }", "{ op = \"unwrap\", density = { iron = 2.0 } }"), ("\"game.simplify.triangles\" = 1200", "\"maps.unwrap.density\" = { iron = -2.0 }")];
    adjustment_of_a_program: ["unknown-target"], [("\"game.simplify.triangles\"", "\"small.oxipng.level\"")];
    adjustment_of_output_names: ["adjust-outputs"], [("\"game.simplify.triangles\" = 1200", "\"maps.bake.maps\" = [\"curvature\"]")];
    adjustment_finer_than_its_group: ["adjust-too-fine"], [("{ family = \"crate\" }", "{ size = \"small\" }"), ("\"game.simplify.triangles\" = 1200", "\"sheet.sheet.columns\" = 2")];
    draft_of_unknown_step: ["unknown-target"], [("\"game.remesh.voxel\"", "\"rough.remesh.voxel\"")];
    delivery_of_unknown_output: ["unknown-output"], [("[\"game.mesh\", \"sheet.sheet\"]", "[\"game.map\"]")];
    delivery_of_unknown_step: ["unknown-step"], [("[\"game.mesh\", \"sheet.sheet\"]", "[\"games.mesh\"]")];
    delivery_when_unknown_step: ["unknown-step"], [("[\"game.mesh\", \"sheet.sheet\"]", "[\"game.mesh\"]\nwhen = [\"audit\"]")];
    delivery_by_a_field_that_groups_lack: ["placeholder-not-here"], [("to = \"out/{family}\"", "to = \"out/{size}\"")];
    delivery_outside: ["path-leaves"], [("to = \"out/{family}\"", "to = \"../out\"")];
    delivery_over_the_models: ["delivery-over-input", "delivery-over-input", "delivery-over-input", "delivery-over-input"], [("\"out/{family}\"", "\"Base\""), ("[\"game.mesh\", \"sheet.sheet\"]", "[\"game.mesh\"]"), ("\"{variant}.glb\"", "\"{variant}.obj\"")];
}

// Output paths.
broken! {
    path_that_leaves: ["path-leaves"], [("\"{variant}_id.png\"", "\"../{variant}_id.png\"")];
    absolute_path: ["path-leaves"], [("\"{variant}_id.png\"", "\"/{variant}_id.png\"")];
    drive_letter: ["drive-letter"], [("\"{variant}_id.png\"", "\"D:/{variant}_id.png\"")];
    reserved_device: ["reserved-device"], [("\"{variant}_id.png\"", "\"{variant}/aux.png\"")];
    character_that_windows_refuses: ["path-character"], [("\"{variant}_id.png\"", "\"{variant}?.png\"")];
    dot_at_the_end: ["path-end"], [("\"{variant}_id.png\"", "\"{variant}. /id.png\"")];
    two_items_with_one_output: ["output-collision", "output-collision"], [("\"{variant}_id.png\"", "\"{family}_id.png\"")];
    two_outputs_of_one_item: ["output-collision", "output-collision", "output-collision", "output-collision"], [("\"{variant}_small.png\"", "\"{variant}_ID.png\"")];
    a_file_that_is_a_folder: ["output-collision", "output-collision", "output-collision", "output-collision"], [("\"{variant}_small.png\"", "\"{variant}_id.png/small.png\"")];
}

// What the models themselves bring.

#[test]
fn no_model_matches() {
    shows(
        "no_model_matches",
        &models(&["base/crate-small.glb"]),
        &[],
        &["empty-pattern"],
    );
}

#[test]
fn every_model_is_excluded() {
    let edits = [("units = \"m\"", "exclude = \"*-*\"")];
    shows("every_model_is_excluded", &dock(), &edits, &["empty-pattern"]);
}

#[test]
fn an_exclude_that_excludes_nothing() {
    let edits = [("units = \"m\"", "exclude = [\"*_old.obj\"]")];
    shows(
        "an_exclude_that_excludes_nothing",
        &dock(),
        &edits,
        &["unused-exclude"],
    );
}

/// The dock with one more crate whose facts were changed.
fn dock_with(change: impl FnOnce(&mut tidemill_plan::ModelFacts)) -> Survey {
    let mut survey = dock();
    let path = "base/crate-worn.obj";
    let mut file = model(path);
    if let Some(Ok(facts)) = &mut file.model {
        change(facts);
    }
    survey.files.insert(path.to_owned(), file);
    survey
}

#[test]
fn a_model_without_a_tag() {
    let survey = dock_with(|facts| {
        facts.tags.remove("iron");
    });
    shows("a_model_without_a_tag", &survey, &[], &["missing-tag"]);
    let edits = [(
        "iron = \"#56B4E9\"",
        "iron = { color = \"#56B4E9\", required = false }",
    )];
    assert_eq!(diagnose(&edited(&edits), &survey).codes(), [""; 0]);
}

#[test]
fn a_model_with_untagged_faces() {
    let survey = dock_with(|facts| facts.untagged = 7);
    shows("a_model_with_untagged_faces", &survey, &[], &["untagged-faces"]);
}

#[test]
fn a_model_with_a_misnamed_tag() {
    let survey = dock_with(|facts| {
        let faces = facts.tags.remove("timber").unwrap();
        facts.tags.insert("tiimber".into(), faces);
    });
    shows(
        "a_model_with_a_misnamed_tag",
        &survey,
        &[],
        &["unknown-model-tag", "missing-tag"],
    );
}

#[test]
fn a_model_that_cannot_be_read() {
    let mut survey = dock();
    let broken = Err("line 12 has a face with two corners".to_owned());
    survey.files.get_mut("base/crate-large.obj").unwrap().model = Some(broken);
    shows("a_model_that_cannot_be_read", &survey, &[], &["unreadable-model"]);
}

#[test]
fn a_model_that_is_none() {
    let mut survey = dock();
    survey
        .files
        .insert("base/crate-list.obj".into(), plain_file("base/crate-list.obj"));
    shows("a_model_that_is_none", &survey, &[], &["unreadable-model"]);
}

#[test]
fn models_in_another_unit() {
    let survey = dock_with(|facts| facts.bounds = Some(([0.0; 3], [1200.0, 800.0, 900.0])));
    shows(
        "models_in_another_unit",
        &survey,
        &[],
        &["unusual-size", "many-voxels"],
    );
}

#[test]
fn a_file_name_that_does_not_fit() {
    let survey = models(&["base/crate-large.obj", "base/trough.obj"]);
    shows(
        "a_file_name_that_does_not_fit",
        &survey,
        &[],
        &["name-does-not-fit"],
    );
}

#[test]
fn a_file_name_that_fits_in_two_ways() {
    let survey = models(&["base/crate-large.obj", "base/feed-trough-small.obj"]);
    shows(
        "a_file_name_that_fits_in_two_ways",
        &survey,
        &[],
        &["ambiguous-name"],
    );
}

#[test]
fn two_variants_of_one_name() {
    let edits = [("name = \"{stem}\"", "name = \"{family}\"")];
    let survey = models(&["base/crate-large.obj", "base/crate-small.obj"]);
    shows(
        "two_variants_of_one_name",
        &survey,
        &edits,
        &["duplicate-variant"],
    );
    let edits = [("[seats]", "[variants.axes]\nseed = [1, 2]\n[seats]")];
    let diagnostics = diagnose(&edited(&edits), &models(&["base/crate-large.obj"]));
    assert_eq!(diagnostics.codes()[0], "duplicate-variant");
    assert!(
        diagnostics.items[0].hint.as_ref().unwrap().contains("{seed}"),
        "{diagnostics:?}"
    );
}

#[test]
fn two_outputs_that_differ_only_in_case() {
    let survey = models(&["base/crate-large.obj", "base/Crate-Large.obj"]);
    let edits = [(
        "where = { family = \"crate\" }",
        "where = { family = [\"crate\", \"Crate\"] }",
    )];
    let diagnostics = diagnose(&edited(&edits), &survey);
    assert!(
        diagnostics
            .codes()
            .iter()
            .all(|code| code.ends_with("-collision")),
        "{diagnostics:?}"
    );
    let message = &diagnostics.items[0].message;
    assert!(
        message.contains("`Crate-Large/game` and `crate-large/game`"),
        "{message}"
    );
    assert!(message.contains("differ only in case"), "{message}");
}

#[test]
fn two_outputs_that_differ_only_in_their_letters_encoding() {
    let survey = models(&["base/crate-gr\u{fc}n.obj", "base/crate-gru\u{308}n.obj"]);
    let diagnostics = diagnose(SMALL, &survey);
    assert!(
        diagnostics.items[0].message.contains("encoded"),
        "{diagnostics:?}"
    );
    assert_eq!(diagnostics.codes()[0], "output-collision");
}

#[test]
fn a_path_that_only_one_variant_makes_bad() {
    let edits = [("\"{variant}_id.png\"", "\"{size}/{variant}.png\"")];
    let survey = models(&["base/crate-large.obj", "base/crate-nul.obj"]);
    shows(
        "a_path_that_only_one_variant_makes_bad",
        &survey,
        &edits,
        &["reserved-device"],
    );
}

#[test]
fn a_csv_file_with_problems() {
    let mut survey = dock();
    survey.texts.insert(
        "v.csv".into(),
        "model,seed,,seed\nbase/crate-large.obj,1\n".into(),
    );
    let edits = [("models = \"base/*.obj\"", "csv = \"v.csv\"")];
    shows(
        "a_csv_file_with_problems",
        &survey,
        &edits,
        &["csv-column", "csv-column", "csv-row"],
    );
    survey.texts.insert(
        "v.csv".into(),
        "model,seed\nbase/crate-large.obj,1\nbase/anchor-old.obj,2\n".into(),
    );
    shows(
        "a_csv_file_with_unknown_model",
        &survey,
        &edits,
        &["file-not-found"],
    );
    survey.texts.insert("v.csv".into(), "model,seed\n".into());
    shows("a_csv_file_without_rows", &survey, &edits, &["empty-csv"]);
    survey.texts.clear();
    shows(
        "a_csv_file_that_is_not_there",
        &survey,
        &edits,
        &["file-not-found"],
    );
    survey
        .texts
        .insert("v.csv".into(), "model,seed\nbase/crate-large.obj,1\n".into());
    let edits = [(
        "models = \"base/*.obj\"",
        "models = \"base/*.obj\"\ncsv = \"v.csv\"",
    )];
    shows("models_named_twice", &survey, &edits, &["models-twice"]);
}

#[test]
fn two_deliveries_at_one_path() {
    let text = r#"
[manifest]
name = "quay"

[variants]
csv = "v.csv"
name = "{id}"

[step.list]
program = ["seq", "{id}", "{list}"]
makes = { list = "{file}.txt" }

[deliver]
to = "out/{place}"
what = ["list.list"]
"#;
    let mut survey = Survey::default();
    survey.texts.insert(
        "v.csv".into(),
        "id,place,file\n1,north,inner/list\n2,north/inner,list\n".into(),
    );
    let diagnostics = diagnose(text, &survey);
    assert_eq!(diagnostics.codes(), ["delivery-collision"]);
    assert!(
        diagnostics.items[0].message.contains("`1/list` and `2/list`"),
        "{diagnostics:?}"
    );
}

#[test]
fn options_of_the_command_line_are_checked_too() {
    let options = Options {
        only: vec!["crane-*".into(), "crate-*".into()],
        until: Some("gme".into()),
        ..Options::default()
    };
    let diagnostics = plan_with(SMALL, &dock(), &options).unwrap_err();
    assert_eq!(diagnostics.codes(), ["only-matches-nothing", "unknown-step"]);
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("options_of_the_command_line", diagnostics.render(false, 100));
    });
}

#[test]
fn a_need_that_no_machine_has_is_told_where_the_machines_are_known() {
    let text = r#"[manifest]
name = "x"

[variants]
models = "base/*.obj"

[step.huge]
from = { model = "{model}" }
program = ["cp", "{model}", "{copy}"]
makes = { copy = "{variant}.obj" }
needs = { memory = "900 GiB", cores = 64, offers = ["gpu"] }

[step.both]
from = { model = "{model}" }
program = ["cp", "{model}", "{copy}"]
makes = { copy = "{variant}.both.obj" }
needs = { memory = "12 GiB", cores = 6 }

[step.fits]
from = { model = "{model}" }
program = ["cp", "{model}", "{copy}"]
makes = { copy = "{variant}.fits.obj" }
needs = { memory = "12 GiB", cores = 2 }
"#;
    let machine = |cores: u32, gib: u64| Machine {
        millicores: cores * 1000,
        memory_bytes: gib << 30,
        offers: Vec::new(),
    };
    let known = Options {
        machines: vec![machine(8, 8), machine(4, 16)],
        ..Options::default()
    };
    let diagnostics = plan_with(text, &dock(), &known).unwrap_err();
    assert_eq!(diagnostics.codes(), ["need-too-large", "need-too-large"]);
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("needs_that_no_machine_has", diagnostics.render(false, 100));
    });
    assert!(
        plan_with(text, &dock(), &Options::default()).is_ok(),
        "others may join"
    );
}

#[test]
fn all_errors_come_at_once_in_the_order_of_the_text() {
    let text = include_str!("manifests/broken.toml");
    let mut survey = dock_with(|facts| facts.untagged = 7);
    survey
        .files
        .insert("base/anchor.obj".into(), model("base/anchor.obj"));
    let diagnostics = diagnose(text, &survey);
    assert!(diagnostics.errors() >= 15, "{diagnostics:?}");
    assert!(
        diagnostics
            .items
            .is_sorted_by_key(|item| item.place.map(|place| place.start))
    );
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("all_errors_at_once", diagnostics.render(false, 100));
    });
    // A manifest that is grammatically broken still says what to survey, so that files are judged in the same go.
    assert!(tidemill_plan::wanted(text, "dock.toml").is_ok());
}

#[test]
fn findings_are_plain_data_and_colour_is_a_choice() {
    let diagnostics = diagnose(&edited(&[("op = \"unwrap\"", "op = \"unwarp\"")]), &dock());
    let json = serde_json::to_value(&diagnostics).unwrap();
    let item = &json["items"][0];
    assert_eq!(item["code"], "unknown-operation");
    assert_eq!(item["severity"], "error");
    assert_eq!(item["hint"], "did you mean `unwrap`?");
    assert_eq!(
        (item["place"]["line"].as_u64(), item["place"]["column"].as_u64()),
        (Some(25), Some(15))
    );
    assert!(diagnostics.render(true, 100).contains('\u{1b}'));
    assert!(!diagnostics.render(false, 100).contains('\u{1b}'));
    assert_eq!(
        diagnostics.to_string(),
        "dock.toml:25:15: there is no operation `unwarp`"
    );
}
