//! What the parts of a manifest mean that the big example does not show.
#![allow(clippy::unwrap_used)] // Helpers of tests, too.

mod common;

use common::{find, manifest, model, models, number, plain_file, plan, plan_with, setting};
use tidemill_plan::{Options, Survey, SurveyedFile};
use tidemill_proto::v1::{Item, Plan, item, part, source, value};

/// A program that copies the model, for each variant.
const COPY: &str = r#"
[step.copy]
from = { model = "{model}" }
program = ["cp", "{model}", "{out}"]
makes = { out = "{variant}.obj" }
"#;

fn names(plan: &Plan) -> Vec<&str> {
    plan.variants
        .iter()
        .map(|variant| variant.name.as_str())
        .collect()
}

fn arguments(item: &Item) -> Vec<String> {
    let Some(item::Action::Program(program)) = &item.action else {
        panic!("{} runs operations", item.address)
    };
    let shown = |kind: &part::Kind| match kind {
        part::Kind::Text(text) => text.clone(),
        part::Kind::Input(name) => format!("<{name}>"),
        part::Kind::InputList(name) => format!("<{name} list>"),
        part::Kind::Output(name) => format!("<to {name}>"),
    };
    let arguments = program.arguments.iter();
    arguments
        .map(|argument| {
            argument
                .parts
                .iter()
                .map(|part| shown(part.kind.as_ref().unwrap()))
                .collect()
        })
        .collect()
}

fn sources<'p>(plan: &'p Plan, item: &'p Item, input: &str) -> Vec<&'p str> {
    let input = item.inputs.iter().find(|known| known.name == input).unwrap();
    let shown = input
        .sources
        .iter()
        .map(|source| match source.from.as_ref().unwrap() {
            source::From::File(file) => file.path.as_str(),
            source::From::Edge(edge) => plan.items[edge.item as usize].address.as_str(),
        });
    shown.collect()
}

#[test]
fn of_several_versions_the_highest_counts_and_its_suffix_is_gone() {
    let text = manifest(
        "models = \"base/*.obj\"\nnewest = \"_v{number}\"\nfields = \"{family}-{size}\"",
        COPY,
    );
    let survey = models(&[
        "base/crate-large_v9.obj",
        "base/crate-large_v10.obj",
        "base/crate-small.obj",
    ]);
    let plan = plan(&text, &survey);
    assert_eq!(names(&plan), ["crate-large", "crate-small"]);
    assert_eq!(plan.variants[0].model, "base/crate-large_v10.obj");
    assert_eq!(
        common::field(&plan, "crate-large", "size").kind,
        Some(value::Kind::Text("large".into()))
    );
}

#[test]
fn models_may_be_any_files_where_no_tags_are_named() {
    let mut survey = Survey::default();
    survey
        .files
        .insert("notes/a.txt".into(), plain_file("notes/a.txt"));
    let plan = plan(&manifest("models = \"notes/*.txt\"", COPY), &survey);
    assert_eq!(names(&plan), ["a"]);
    assert_eq!(arguments(find(&plan, "a/copy")), ["<model>", "<to out>"]);
    assert_eq!(find(&plan, "a/copy").inputs[0].sources[0].extension, ".txt");
}

#[test]
fn rows_of_a_csv_file_are_variants_and_axes_multiply_them() {
    let mut survey = models(&["base/crate.obj", "base/anchor.obj"]);
    survey.texts.insert(
        "v.csv".into(),
        "id, model ,voxel,note\none,base/crate.obj,0.02,007\ntwo,base/anchor.obj,0.04,\"wet, old\"\n".into(),
    );
    let text = manifest(
        "csv = \"v.csv\"\nname = \"{id}-{stem}-{note}-{seed}\"\n[variants.axes]\nseed = [1, 2.5]",
        r#"
[step.rough]
from = { model = "{model}" }
ops = [{ op = "remesh", voxel = "{voxel}" }]
makes = { mesh = "{variant}.glb" }
"#,
    );
    let plan = plan(&text, &survey);
    assert_eq!(
        names(&plan),
        [
            "one-crate-007-1",
            "one-crate-007-2.5",
            "two-anchor-wet, old-1",
            "two-anchor-wet, old-2.5"
        ]
    );
    assert_eq!(
        setting(find(&plan, "two-anchor-wet, old-1/rough"), 0, "voxel"),
        number(0.04)
    );
    // A cell that reads as a number is one, but names keep it as it was written.
    assert_eq!(common::field(&plan, "one-crate-007-1", "note").kind, number(7.0));
    assert_eq!(plan.variants[2].model, "base/anchor.obj");
}

#[test]
fn variants_need_no_models() {
    let steps = r#"
[step.list]
program = ["seq", "{from}-{to}", "{{literal}}", "{list}"]
makes = { list = "{variant}.txt" }
env = { LANG = "C", DOCK = "{to}" }
"#;
    let text = manifest(
        "name = \"n{from}-{to}\"\n[variants.axes]\nfrom = [1, 2]\nto = [\"x\"]",
        steps,
    );
    let plan = plan(&text, &Survey::default());
    assert_eq!(names(&plan), ["n1-x", "n2-x"]);
    let item = find(&plan, "n2-x/list");
    assert_eq!(arguments(item), ["2-x", "{literal}", "<to list>"]);
    let environment: Vec<(&str, &str)> = item
        .environment
        .iter()
        .map(|variable| (variable.name.as_str(), variable.value.as_str()))
        .collect();
    assert_eq!(environment, [("DOCK", "x"), ("LANG", "C")]);
    assert_eq!(plan.variants[0].model, "");
}

#[test]
fn every_row_for_every_file_where_rows_name_no_models() {
    let mut survey = models(&["base/a.obj", "base/b.obj"]);
    survey.texts.insert("v.csv".into(), "coat\nred\nblue\n".into());
    let text = manifest(
        "models = \"base/*.obj\"\ncsv = \"v.csv\"\nname = \"{stem}-{coat}\"",
        COPY,
    );
    assert_eq!(
        names(&plan(&text, &survey)),
        ["a-blue", "a-red", "b-blue", "b-red"]
    );
}

/// Groups of every kind, one behind the other.
const GROUPS: &str = r#"
[step.each]
from = { model = "{model}" }
program = ["cp", "{model}", "{out}"]
makes = { out = "each/{variant}.txt" }

[step.family]
each = "family"
from = { parts = "each.out", models = "{model}", preset = { file = "presets/p.json" }, tiles = { file = "presets/tiles/" } }
program = ["join", "--list={parts.list}", "{parts}", "{preset}", "{tiles}", "{family}", "{out}"]
makes = { out = "family/{family}.txt", more = "family/{family}/" }

[step.polished]
each = "family"
from = { part = "family.out", tree = "family.more" }
program = ["cp", "{part}", "{out}"]
makes = { out = "polished/{family}.txt" }

[step.report]
each = "all"
from = { families = "polished.out", parts = "each.out" }
program = ["join", "{families}", "{parts}", "{out}"]
makes = { out = "report.txt" }

[step.back]
from = { family = "polished.out", report = "report.out" }
program = ["join", "{family}", "{report}", "{out}"]
makes = { out = "back/{variant}.txt" }
"#;

fn groups_survey() -> Survey {
    let mut survey = models(&[
        "base/crate-1.obj",
        "base/crate-2.obj",
        "base/anchor-10.obj",
        "base/anchor-9.obj",
        "base/x/y.obj",
    ]);
    survey
        .files
        .insert("presets/p.json".into(), plain_file("presets/p.json"));
    let tiles = SurveyedFile {
        folder: true,
        ..plain_file("presets/tiles")
    };
    survey.files.insert("presets/tiles".into(), tiles);
    survey
}

#[test]
fn items_gather_their_group_and_read_back_from_it() {
    let text = manifest("models = \"base/*.obj\"\nfields = \"{kind}-{number}\"", GROUPS)
        .replace("family\"\nfrom", "kind\"\nfrom")
        .replace("{family}", "{kind}")
        .replace("\"{kind}\", \"{report}\"", "\"{family}\", \"{report}\"");
    let plan = plan(&text, &groups_survey());
    let addresses: Vec<&str> = plan.items.iter().map(|item| item.address.as_str()).collect();
    assert_eq!(
        addresses,
        [
            "anchor-10/each",
            "anchor-9/each",
            "crate-1/each",
            "crate-2/each",
            "kind=anchor/family",
            "kind=crate/family",
            "kind=anchor/polished",
            "kind=crate/polished",
            "all/report",
            "anchor-10/back",
            "anchor-9/back",
            "crate-1/back",
            "crate-2/back"
        ]
    );
    let crates = find(&plan, "kind=crate/family");
    assert_eq!(sources(&plan, crates, "parts"), ["crate-1/each", "crate-2/each"]);
    assert_eq!(
        sources(&plan, crates, "models"),
        ["base/crate-1.obj", "base/crate-2.obj"]
    );
    assert_eq!(sources(&plan, crates, "tiles"), ["presets/tiles/"]);
    assert_eq!(
        crates.inputs.iter().map(|input| input.many).collect::<Vec<_>>(),
        [true, true, false, false]
    );
    assert_eq!(
        arguments(crates),
        [
            "--list=<parts list>",
            "<parts>",
            "<preset>",
            "<tiles>",
            "crate",
            "<to out>"
        ]
    );
    assert!(
        crates.outputs[0].folder && crates.outputs[0].path == "family/crate",
        "{:?}",
        crates.outputs
    );
    let polished = find(&plan, "kind=crate/polished");
    assert_eq!(sources(&plan, polished, "part"), ["kind=crate/family"]);
    assert!(!polished.inputs[0].many);
    let report = find(&plan, "all/report");
    assert_eq!(
        sources(&plan, report, "families"),
        ["kind=anchor/polished", "kind=crate/polished"]
    );
    assert_eq!(sources(&plan, report, "parts").len(), 4);
    assert_eq!(report.inputs[0].sources[1].label, "kind=crate");
    let back = find(&plan, "anchor-9/back");
    assert_eq!(sources(&plan, back, "family"), ["kind=anchor/polished"]);
    assert_eq!(sources(&plan, back, "report"), ["all/report"]);
}

#[test]
fn groups_of_numbers_stand_in_the_order_of_their_size() {
    let rest = r#"
[step.a]
from = { model = "{model}" }
program = ["cp", "{model}", "{out}"]
makes = { out = "{variant}.txt" }
[step.g]
each = "seed"
from = { parts = "a.out" }
program = ["join", "{parts}", "{out}"]
makes = { out = "{seed}.txt" }
[step.s]
each = "stem"
from = { parts = "a.out" }
program = ["join", "{parts}", "{out}"]
makes = { out = "{stem}.txt" }
"#;
    let text = manifest(
        "models = \"base/*.obj\"\nname = \"{stem}-{seed}\"\n[variants.axes]\nseed = [10, 9, 100]",
        rest,
    );
    let plan = plan(&text, &models(&["base/crate.obj"]));
    let groups = plan.items.iter().filter(|item| item.address.ends_with("/g"));
    let groups: Vec<&str> = groups.map(|item| item.address.as_str()).collect();
    assert_eq!(groups, ["seed=9/g", "seed=10/g", "seed=100/g"]);
    assert_eq!(
        sources(&plan, find(&plan, "stem=crate/s"), "parts"),
        ["crate-10/a", "crate-100/a", "crate-9/a"]
    );
}

/// Two operations of one name, and everything that can be adjusted.
const ADJUSTED: &str = r#"
[step.worn]
from = { model = "{model}" }
ops = [
  { op = "wear", depth = 0.01 },
  { op = "wear", depth = 0.02, seed = 3 },
]
makes = { mesh = "{variant}.glb" }

[step.sheet]
each = "family"
from = { meshes = "worn.mesh" }
ops = [{ op = "sheet" }]
makes = { sheet = "sheet-{family}.png" }

[[adjust]]
where = { family = "crate" }
set = { "worn.wear#2.depth" = 0.05, "worn.needs.memory" = "2 GiB", "worn.retries" = 2, "sheet.sheet.columns" = 2 }

[[adjust]]
where = { family = ["crate", "anchor"], size = "small" }
set = { worn.wear.seed = "{number}", worn.time_limit = "90 s", worn.needs.cores = 0.5 }

[[adjust]]
where = { stem = "crate-small-7" }
set = { "worn.wear#2.depth" = 0.06 }

[draft]
set = { "worn.wear#2.depth" = 0.5, "sheet.sheet.cell" = 64 }
"#;

#[test]
fn later_adjustments_win_and_the_draft_comes_last() {
    let text = manifest(
        "models = \"base/*.obj\"\nfields = \"{family}-{size}-{number}\"",
        ADJUSTED,
    );
    let survey = models(&[
        "base/crate-small-7.obj",
        "base/crate-large-8.obj",
        "base/anchor-small-9.obj",
    ]);
    let depth = |plan: &Plan, variant: &str| setting(find(plan, &format!("{variant}/worn")), 1, "depth");
    let seed = |plan: &Plan, variant: &str| setting(find(plan, &format!("{variant}/worn")), 0, "seed");
    let made = plan(&text, &survey);
    assert_eq!(depth(&made, "crate-small-7"), number(0.06));
    assert_eq!(depth(&made, "crate-large-8"), number(0.05));
    assert_eq!(depth(&made, "anchor-small-9"), number(0.02));
    assert_eq!(
        setting(find(&made, "crate-large-8/worn"), 0, "depth"),
        number(0.01)
    );
    assert_eq!(seed(&made, "crate-small-7"), number(7.0));
    assert_eq!(seed(&made, "crate-large-8"), number(0.0));
    let item = find(&made, "crate-small-7/worn");
    let needs = item.needs.as_ref().unwrap();
    assert_eq!(
        (needs.memory_bytes, needs.millicores, needs.declared),
        (2 << 30, 500, true)
    );
    assert_eq!((item.retries, item.time_limit_ms), (2, 90_000));
    assert_eq!(
        setting(find(&made, "family=crate/sheet"), 0, "columns"),
        number(2.0)
    );
    assert_eq!(
        setting(find(&made, "family=anchor/sheet"), 0, "columns"),
        number(4.0)
    );
    assert!(!made.draft);

    let draft = Options {
        draft: true,
        ..Options::default()
    };
    let drafted = plan_with(&text, &survey, &draft).unwrap().plan;
    assert!(drafted.draft);
    assert_eq!(depth(&drafted, "crate-small-7"), number(0.5));
    assert_eq!(
        setting(find(&drafted, "family=anchor/sheet"), 0, "cell"),
        number(64.0)
    );
}

#[test]
fn only_keeps_variants_and_their_part_of_a_group() {
    let options = Options {
        only: vec!["*-small-*".into(), "*-s12".into()],
        ..Options::default()
    };
    let planned = plan_with(common::DOCK, &common::dock(), &options).unwrap().plan;
    tidemill_plan::recheck(&planned, tidemill_ops::all()).unwrap();
    assert_eq!(
        names(&planned),
        [
            "bollard-large-s12",
            "bollard-small-s11",
            "bollard-small-s12",
            "crate-large-s12",
            "crate-small-s11",
            "crate-small-s12"
        ]
    );
    assert_eq!(find(&planned, "family=crate/sheet").variants, [3, 4, 5]);
    assert_eq!(planned.only, ["*-s12", "*-small-*"]);
}

#[test]
fn what_is_wrong_with_a_model_keeps_back_only_those_who_ask_for_it() {
    let mut survey = common::dock();
    let mut broken = model("base/crate-large.obj");
    if let Some(Ok(facts)) = &mut broken.model {
        facts.untagged = 1;
    }
    survey.files.insert("base/crate-large.obj".into(), broken);
    let only = |pattern: &str| Options {
        only: vec![pattern.into()],
        ..Options::default()
    };
    assert!(plan_with(common::DOCK, &survey, &only("bollard-*")).is_ok());
    assert_eq!(
        plan_with(common::DOCK, &survey, &only("crate-*"))
            .unwrap_err()
            .codes(),
        ["untagged-faces"]
    );
}

#[test]
fn until_keeps_a_step_and_what_it_needs() {
    let options = Options {
        until: Some("game".into()),
        ..Options::default()
    };
    let planned = plan_with(common::DOCK, &common::dock(), &options).unwrap().plan;
    tidemill_plan::recheck(&planned, tidemill_ops::all()).unwrap();
    let steps: Vec<&str> = planned.steps.iter().map(|step| step.name.as_str()).collect();
    assert_eq!(steps, ["weathered", "game"]);
    assert_eq!(planned.until, "game");
    assert!(planned.tools.is_empty());
    // The delivery is still described; whether it happens is the client's business.
    let delivery = planned.delivery.unwrap();
    assert!(delivery.when.is_empty());
    assert!(
        delivery
            .files
            .iter()
            .all(|file| file.output == "mesh" && file.gates.is_empty())
    );
}

#[test]
fn values_of_a_chain_are_renamed_and_chosen() {
    let rest = r#"
[step.both]
from = { high = "{model}" }
ops = [
  { op = "simplify", triangles = 500, as = "low" },
  { op = "unwrap", in = { mesh = "low" }, as = { mesh = "low" } },
  { op = "bake", maps = ["tag-id", "curvature"], as = { tag-id = "id" } },
  { op = "inspect", in = { mesh = "low" } },
]
makes = { low = "{variant}.obj", id = "{variant}_id.png", figures = "{variant}.json" }
"#;
    let text = manifest(
        "models = \"base/*.obj\"\ntags = { timber = \"#E69F00\", iron = \"#56B4E9\" }",
        rest,
    );
    let plan = plan(&text, &models(&["base/crate.obj"]));
    let Some(item::Action::Operations(operations)) = &find(&plan, "crate/both").action else {
        panic!()
    };
    let shown = operations.chain.iter().map(|operation| {
        let bound = |bindings: &[tidemill_proto::v1::Binding]| {
            let pairs: Vec<String> = bindings
                .iter()
                .map(|bound| format!("{}={}", bound.port, bound.value))
                .collect();
            pairs.join(" ")
        };
        format!(
            "{}: {} -> {}",
            operation.name,
            bound(&operation.inputs),
            bound(&operation.outputs)
        )
    });
    let shown: Vec<String> = shown.collect();
    assert_eq!(
        shown,
        [
            "simplify: mesh=high -> mesh=low",
            "unwrap: mesh=low -> mesh=low",
            "bake: high=high low=low -> tag-id=id curvature=curvature",
            "inspect: mesh=low -> figures=figures"
        ]
    );
}

#[test]
fn a_tool_may_stand_for_a_program_of_another_name() {
    let rest = r#"
[tool.packer]
program = "oxipng"
version = "*"
[seats]
sculptor = 3
[step.pack]
from = { model = "{model}" }
program = ["packer", "{model}", "{out}"]
makes = { out = "{variant}.txt" }
partial = true
needs = { seats = { sculptor = 2 }, offers = ["gpu", "display"], cores = 1.5, time = "2 min" }
"#;
    let plan = plan(
        &manifest("models = \"base/*.obj\"", rest),
        &models(&["base/crate.obj"]),
    );
    let tool = &plan.tools[0];
    assert_eq!(
        (tool.name.as_str(), tool.program.as_str(), tool.version.as_str()),
        ("packer", "oxipng", "")
    );
    let needs = find(&plan, "crate/pack").needs.as_ref().unwrap();
    assert_eq!(
        (needs.millicores, needs.seconds, needs.memory_bytes),
        (1500, 120, 512 << 20)
    );
    assert_eq!(needs.offers, ["display", "gpu"]);
    assert_eq!(
        (needs.seats[0].name.as_str(), needs.seats[0].count),
        ("sculptor", 2)
    );
    assert_eq!(plan.seats[0].count, 3);
    assert!(plan.steps[0].partial);
}

#[test]
fn a_step_for_all_may_deliver_and_gates_hold_what_they_are_about() {
    let rest = format!(
        "{COPY}{}",
        r#"
[step.audit]
from = { file = "copy.out" }
program = ["test", "-s", "{file}", "{ok}"]
makes = { ok = "{variant}.ok" }
[step.sum]
each = "all"
from = { files = "copy.out" }
program = ["join", "{files}", "{sum}"]
makes = { sum = "sum.txt" }
[deliver]
to = "out"
what = ["copy.out", "sum.sum"]
when = ["audit", "sum"]
"#
    );
    let plan = plan(
        &manifest("models = \"base/*.obj\"", &rest),
        &models(&["base/a.obj", "base/b.obj"]),
    );
    let delivery = plan.delivery.as_ref().unwrap();
    let shown = delivery.files.iter().map(|file| {
        let gates: Vec<&str> = file
            .gates
            .iter()
            .map(|gate| plan.items[*gate as usize].address.as_str())
            .collect();
        format!("{} {} {}", file.path, file.unit, gates.join(" "))
    });
    let shown: Vec<String> = shown.collect();
    assert_eq!(
        shown,
        [
            "out/a.obj a a/audit all/sum",
            "out/b.obj b b/audit all/sum",
            "out/sum.txt all all/sum"
        ]
    );
}

#[test]
fn the_survey_learns_of_files_folders_and_rows() {
    let text = manifest("csv = \"v.csv\"\nname = \"{id}\"", GROUPS);
    let wanted = tidemill_plan::wanted(&text, "dock.toml").unwrap();
    assert_eq!(wanted.files.into_iter().collect::<Vec<_>>(), ["presets/p.json"]);
    assert_eq!(wanted.folders.into_iter().collect::<Vec<_>>(), ["presets/tiles"]);
    assert_eq!(wanted.csv_files.into_iter().collect::<Vec<_>>(), ["v.csv"]);
    assert!(wanted.models.is_none() && !wanted.tags);
}

#[test]
fn a_recipe_that_begins_with_tag_takes_models_with_wrong_or_missing_tags() {
    let mut survey = models(&["base/crate-large.obj"]);
    let mut untidy = model("base/crate-large.obj");
    if let Some(Ok(facts)) = &mut untidy.model {
        facts.untagged = 3;
        facts.tags = [("Metal01".to_owned(), 4)].into();
    }
    survey.files.insert("base/crate-large.obj".into(), untidy);
    let with = |ops: &str| {
        let step = format!(
            "[step.a]\nfrom = {{ model = \"{{model}}\" }}\nops = [{ops}]\nmakes = {{ model = \"{{variant}}.glb\" }}"
        );
        let text = manifest(
            "models = \"base/*.obj\"\ntags = { timber = \"#000000\", iron = \"#FFFFFF\" }",
            &step,
        );
        plan_with(&text, &survey, &Options::default())
    };
    let rule = r#"{ op = "tag", in = { mesh = "model" }, as = "model", to = "iron", material = "metal*" }"#;
    let planned = with(rule).unwrap();
    let codes: Vec<&str> = planned.remarks.iter().map(|remark| remark.code).collect();
    assert_eq!(codes, ["tags-by-rule"]);
    assert!(planned.remarks[0].message.contains("7 faces"));
    let place = r#"{ op = "place", in = { mesh = "model" }, as = "model" }"#;
    // Anything that does not go by tags may come before.
    let remesh = r#"{ op = "remesh", voxel = 0.1, in = { mesh = "model" }, as = "model" }"#;
    for before in [place, remesh] {
        let planned = with(&format!("{before}, {rule}")).unwrap();
        assert_eq!(planned.remarks.len(), 1, "{:?}", planned.remarks);
    }
    let wear = r#"{ op = "wear", depth = 0.01, on = "iron", in = { mesh = "model" }, as = "model" }"#;
    for ops in [
        place.to_owned(),
        format!("{wear}, {rule}"),
        format!("{place}, {wear}, {rule}"),
    ] {
        let late = with(&ops).unwrap_err();
        assert!(
            late.codes().contains(&"untagged-faces"),
            "{ops}: {:?}",
            late.codes()
        );
    }
    let wrong = with(&rule.replace("to = \"iron\"", "to = \"irn\"")).unwrap_err();
    assert_eq!(wrong.codes(), ["tags-by-rule", "unknown-tag"]);
}
