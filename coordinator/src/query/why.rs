//! Why an item ran: the parts of its key now beside those of an earlier run, followed upstream to the change
//! that a person made.

use std::collections::{BTreeMap, HashMap};

use tidemill_proto::key::KeyError;
use tidemill_proto::v1::{Input, Item, KeyChange, Source, source};
use tidemill_proto::{Digest, KeyParts};

use crate::engine::board::RunBoard;
use crate::engine::plan::{KeptPlan, PlanError};

/// How many causes a sentence names before it only counts.
const NAMED_CAUSES: usize = 3;

/// One run, as far as keys are concerned.
#[derive(Clone, Copy)]
pub struct Subject<'a> {
    /// State and outputs of its items, and its plan.
    pub board: &'a RunBoard,
    /// The exact version that the run fixed for each tool.
    pub tools: &'a HashMap<String, String>,
}

/// Why the key parts of an item cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum PartsError {
    /// Not known yet, or never: an input has no result.
    #[error(transparent)]
    Key(#[from] KeyError),
    /// The stored plan is damaged.
    #[error(transparent)]
    Plan(#[from] PlanError),
}

/// What differs between two runs for one item, with the causes in words.
#[derive(Debug, Default, PartialEq)]
pub struct Difference {
    /// What a person or an earlier step did differently.
    pub causes: Vec<Cause>,
    /// Part by part.
    pub changes: Vec<KeyChange>,
}

/// One thing that is different.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Cause {
    /// For people: `displace.amplitude changed 0.004 -> 0.006`.
    pub text: String,
    /// The item whose recipe changed, if that is not the one that was asked about.
    pub at: Option<String>,
}

impl Difference {
    fn cause(&mut self, text: impl Into<String>) {
        self.causes.push(Cause {
            text: text.into(),
            at: None,
        });
    }
}

impl<'a> Subject<'a> {
    fn plan(&self) -> &'a KeptPlan {
        self.board.plan()
    }

    /// What the item at `index` made under the name `output`.
    pub fn made(&self, index: u32, output: &str) -> Option<Digest> {
        let outputs = self.board.outputs(index)?;
        let item = self.plan().item(index).ok()?;
        let position = item.outputs.iter().position(|declared| declared.name == output)?;
        outputs.get(position).map(|(digest, _)| *digest)
    }

    /// The parts of one item's key.
    ///
    /// # Errors
    /// When an input has no result, or the plan is damaged.
    pub fn parts(&self, item: &Item) -> Result<KeyParts, PartsError> {
        let made = |index: u32, output: &str| self.made(index, output);
        let partial = self.plan().is_partial(item);
        Ok(KeyParts::gather(
            &self.plan().tags,
            partial,
            item,
            &made,
            self.tools,
        )?)
    }

    fn digest(&self, source: &Source) -> Option<Digest> {
        match source.from.as_ref()? {
            source::From::File(file) => Digest::from_slice(&file.digest).ok(),
            source::From::Edge(edge) => self.made(edge.item, &edge.output),
        }
    }
}

/// What differs for the item `address` between `earlier` and `now`; `None` if one of them cannot tell its parts
/// or does not have the item.
pub fn difference(now: Subject<'_>, earlier: Subject<'_>, address: &str) -> Option<Difference> {
    let item = now.plan().item(now.plan().find(address)?).ok()?;
    let before = earlier.plan().item(earlier.plan().find(address)?).ok()?;
    let (now_parts, earlier_parts) = (now.parts(&item).ok()?, earlier.parts(&before).ok()?);
    let mut found = Difference::default();
    for (name, was, is) in now_parts.changes_since(&earlier_parts) {
        if name.starts_with("input ") {
            continue;
        }
        found.cause(sentence(name, was, is));
        found.changes.push(change(name, was, is, ""));
    }
    let earlier_inputs: HashMap<&str, &Input> = before
        .inputs
        .iter()
        .map(|input| (input.name.as_str(), input))
        .collect();
    for input in &item.inputs {
        let old = earlier_inputs.get(input.name.as_str()).copied();
        compare_input(now, earlier, input, old, &mut found);
    }
    for input in &before.inputs {
        if !item.inputs.iter().any(|other| other.name == input.name) {
            found.cause(format!("the input {} is no longer there", input.name));
            found
                .changes
                .push(change(&format!("input {}", input.name), Some("there"), None, ""));
        }
    }
    let mut seen = std::collections::HashSet::new();
    found.causes.retain(|cause| seen.insert(cause.clone()));
    Some(found)
}

fn compare_input(
    now: Subject<'_>,
    earlier: Subject<'_>,
    input: &Input,
    old: Option<&Input>,
    found: &mut Difference,
) {
    let part = format!("input {}", input.name);
    let Some(old) = old else {
        found.cause(format!("the input {} is new", input.name));
        found.changes.push(change(&part, None, Some("there"), ""));
        return;
    };
    for (what, is, was) in [
        ("units", &input.units, &old.units),
        ("up axis", &input.up, &old.up),
    ] {
        if is != was {
            let name = format!("{part} {what}");
            found.cause(format!("the {what} of {} changed {was} -> {is}", input.name));
            found.changes.push(change(&name, Some(was), Some(is), ""));
        }
    }
    // Gathered sources are compared by label: their positions move when a variant is added or removed.
    let by_label = |input: &'_ Input| -> BTreeMap<String, Source> {
        if !input.many && input.sources.len() == 1 {
            return BTreeMap::from([(String::new(), input.sources[0].clone())]);
        }
        input
            .sources
            .iter()
            .map(|source| (source.label.clone(), source.clone()))
            .collect()
    };
    let (is, was) = (by_label(input), by_label(old));
    for (label, source) in &is {
        let name = if label.is_empty() {
            part.clone()
        } else {
            format!("{part} {label}")
        };
        match was.get(label) {
            None => {
                found.cause(format!("{label} was added to {}", input.name));
                let text = now
                    .digest(source)
                    .map_or("missing".to_owned(), |digest| digest.short());
                found.changes.push(change(&name, None, Some(&text), ""));
            }
            Some(old) => compare_source(now, earlier, &name, source, old, found),
        }
    }
    for label in was.keys().filter(|label| !is.contains_key(*label)) {
        found.cause(format!("{label} was removed from {}", input.name));
        found
            .changes
            .push(change(&format!("{part} {label}"), Some("there"), None, ""));
    }
    let order = |input: &Input| input.sources.iter().map(|s| s.label.clone()).collect::<Vec<_>>();
    if is.len() == was.len() && is.keys().eq(was.keys()) && input.many && order(input) != order(old) {
        found.cause(format!("the order of {} changed", input.name));
        found.changes.push(change(
            &format!("{part} order"),
            Some(&order(old).join(", ")),
            Some(&order(input).join(", ")),
            "",
        ));
    }
}

fn compare_source(
    now: Subject<'_>,
    earlier: Subject<'_>,
    name: &str,
    source: &Source,
    old: &Source,
    found: &mut Difference,
) {
    let (is, was) = (now.digest(source), earlier.digest(old));
    if let (Some(source::From::File(file)), Some(source::From::File(before))) = (&source.from, &old.from) {
        let companions = |file: &tidemill_proto::v1::File| -> BTreeMap<String, Vec<u8>> {
            file.companions
                .iter()
                .map(|c| (c.name.clone(), c.digest.clone()))
                .collect()
        };
        let (new, previous) = (companions(file), companions(before));
        let names: std::collections::BTreeSet<&String> = new.keys().chain(previous.keys()).collect();
        for companion in names {
            let (is, was) = (new.get(companion), previous.get(companion));
            if is != was {
                found.cause(format!(
                    "{companion}, beside {}, {}",
                    file.path,
                    verb(was.is_some(), is.is_some())
                ));
                let short = |bytes: &Vec<u8>| Digest::from_slice(bytes).map_or(String::new(), |d| d.short());
                let (was, is) = (was.map(short), is.map(short));
                let part = format!("{name} beside {companion}");
                found
                    .changes
                    .push(change(&part, was.as_deref(), is.as_deref(), ""));
            }
        }
    }
    if source.extension != old.extension {
        found.cause(format!(
            "the format of {name} changed {} -> {}",
            old.extension, source.extension
        ));
        found.changes.push(change(
            &format!("{name} format"),
            Some(&old.extension),
            Some(&source.extension),
            "",
        ));
    }
    if is == was {
        return;
    }
    let text = |digest: Option<Digest>| digest.map_or("missing".to_owned(), |digest| digest.short());
    let cause = match &source.from {
        Some(source::From::Edge(edge)) => now.plan().address(edge.item),
        _ => "",
    };
    found
        .changes
        .push(change(name, Some(&text(was)), Some(&text(is)), cause));
    match &source.from {
        Some(source::From::File(file)) => found.cause(format!("{} changed", file.path)),
        Some(source::From::Edge(_)) if is.is_none() => {
            found.cause(format!("{cause} has no result this time"));
        }
        Some(source::From::Edge(_)) if was.is_none() => {
            found.cause(format!("{cause} has a result this time"));
        }
        Some(source::From::Edge(_)) => match difference(now, earlier, cause) {
            Some(upstream) if !upstream.causes.is_empty() => {
                found.causes.extend(upstream.causes.into_iter().map(|root| Cause {
                    at: root.at.or_else(|| Some(cause.to_owned())),
                    text: root.text,
                }));
                found
                    .changes
                    .extend(upstream.changes.into_iter().map(|mut change| {
                        if change.cause.is_empty() {
                            change.cause = cause.to_owned();
                        }
                        change
                    }));
            }
            Some(_) => found.cause(format!("{cause} gave other bytes for the same key")),
            None => found.cause(format!("{cause} made something else")),
        },
        None => {}
    }
}

fn verb(was: bool, is: bool) -> &'static str {
    match (was, is) {
        (false, _) => "is new",
        (_, false) => "is no longer there",
        _ => "changed",
    }
}

fn change(name: &str, before: Option<&str>, after: Option<&str>, cause: &str) -> KeyChange {
    KeyChange {
        name: name.to_owned(),
        before: before.map(readable).unwrap_or_default(),
        after: after.map(readable).unwrap_or_default(),
        cause: cause.to_owned(),
    }
}

/// Key parts mark placeholders by control characters; people read braces.
fn readable(text: &str) -> String {
    let text = text.replace("\u{1}input ", "{").replace("\u{1}output ", "{");
    text.replace("\u{1}list ", "{").replace('\u{2}', "}")
}

fn sentence(name: &str, before: Option<&str>, after: Option<&str>) -> String {
    let name = match name.split_once(' ') {
        Some(("tool", tool)) => format!("the tool {tool}"),
        Some(("env", variable)) => format!("the environment variable {variable}"),
        Some(("op", place)) => {
            let place: usize = place.parse().unwrap_or(0);
            format!("operation {}", place + 1)
        }
        Some(("tag", tag)) => format!("the colour of tag {tag}"),
        _ if name == "format" => "the way keys are computed".to_owned(),
        _ if name == "arguments" => "the number of arguments".to_owned(),
        _ => name.to_owned(),
    };
    match (before, after) {
        (Some(before), Some(after)) => format!("{name} changed {} -> {}", readable(before), readable(after)),
        (None, Some(after)) => format!("{name} is new: {}", readable(after)),
        (Some(before), None) => format!("{name} is no longer there, was {}", readable(before)),
        (None, None) => format!("{name} changed"),
    }
}

/// Several causes as one text; those beyond the first few are counted.
pub fn joined(causes: &[Cause]) -> String {
    let shown = causes.len().min(NAMED_CAUSES);
    let said = |cause: &Cause| match &cause.at {
        Some(at) => format!("{} (in {at})", cause.text),
        None => cause.text.clone(),
    };
    let mut text = causes[..shown].iter().map(said).collect::<Vec<_>>().join(", ");
    if causes.len() > shown {
        text.push_str(&format!(", and {} more", causes.len() - shown));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::board::RunFacts;
    use std::sync::Arc;
    use tidemill_proto::v1::{
        Edge, Field, File, ItemState, Operation, Operations, Output, Plan, Step, Value, item, value,
    };

    fn output(name: &str) -> Output {
        Output {
            name: name.into(),
            extension: ".glb".into(),
            ..Output::default()
        }
    }

    fn edge(item: u32, label: &str) -> Source {
        let from = Some(source::From::Edge(Edge {
            item,
            output: "mesh".into(),
        }));
        Source {
            from,
            label: label.into(),
            extension: ".glb".into(),
        }
    }

    fn operation(amplitude: f64) -> Option<item::Action> {
        let value = Value {
            kind: Some(value::Kind::Number(amplitude)),
        };
        let settings = vec![Field {
            name: "amplitude".into(),
            value: Some(value),
        }];
        let one = Operation {
            name: "displace".into(),
            version: 1,
            settings,
            ..Operation::default()
        };
        Some(item::Action::Operations(Operations { chain: vec![one] }))
    }

    /// `names` variants, each weathered from a file with `content`, and one sheet over all.
    fn run(names: &[&str], amplitude: f64, content: &str) -> RunBoard {
        let mut items: Vec<Item> = names
            .iter()
            .map(|name| Item {
                address: format!("{name}/weathered"),
                inputs: vec![Input {
                    name: "model".into(),
                    sources: vec![Source {
                        from: Some(source::From::File(File {
                            path: format!("base/{name}.obj"),
                            digest: Digest::of(format!("{name}{content}").as_bytes()).to_vec(),
                            ..File::default()
                        })),
                        extension: ".obj".into(),
                        label: (*name).into(),
                    }],
                    ..Input::default()
                }],
                action: operation(amplitude),
                outputs: vec![output("mesh")],
                ..Item::default()
            })
            .collect();
        items.push(Item {
            address: "all/sheet".into(),
            inputs: vec![Input {
                name: "maps".into(),
                many: true,
                sources: names
                    .iter()
                    .enumerate()
                    .map(|(i, name)| edge(i as u32, name))
                    .collect(),
                ..Input::default()
            }],
            action: operation(1.0),
            outputs: vec![output("sheet")],
            ..Item::default()
        });
        let plan = Plan {
            items,
            steps: vec![Step::default()],
            ..Plan::default()
        };
        let facts = RunFacts {
            run: "dock.1".parse().unwrap(),
            serial: 1,
            submitted_ms: 0,
            person: String::new(),
            folder: String::new(),
            plan: Digest::of(b""),
        };
        let board = RunBoard::new(facts, Arc::new(KeptPlan::new(plan).unwrap()));
        for (index, name) in names.iter().enumerate() {
            let made = Digest::of(format!("{name} {amplitude} {content}").as_bytes());
            board.change(index as u32, 0, |cell| {
                cell.state = ItemState::Done;
                cell.outputs = Some(Arc::new([(made, 1)]));
            });
        }
        board
    }

    fn causes(now: &RunBoard, before: &RunBoard, address: &str) -> Vec<String> {
        let tools = HashMap::new();
        let subject = |board| Subject { board, tools: &tools };
        let found = difference(subject(now), subject(before), address).unwrap();
        found
            .causes
            .iter()
            .map(|cause| joined(std::slice::from_ref(cause)))
            .collect()
    }

    #[test]
    fn a_changed_number_is_named_where_it_was_changed_and_downstream() {
        let (before, now) = (run(&["crate"], 0.004, ""), run(&["crate"], 0.006, ""));
        assert_eq!(
            causes(&now, &before, "crate/weathered"),
            ["displace.amplitude changed 0.004 -> 0.006"]
        );
        assert_eq!(
            causes(&now, &before, "all/sheet"),
            ["displace.amplitude changed 0.004 -> 0.006 (in crate/weathered)"]
        );
    }

    #[test]
    fn a_changed_file_is_named() {
        let (before, now) = (run(&["crate"], 1.0, ""), run(&["crate"], 1.0, "x"));
        assert_eq!(
            causes(&now, &before, "crate/weathered"),
            ["base/crate.obj changed"]
        );
        assert_eq!(
            causes(&now, &before, "all/sheet"),
            ["base/crate.obj changed (in crate/weathered)"]
        );
    }

    #[test]
    fn an_added_and_a_removed_variant_are_named_and_nothing_else() {
        let (one, two) = (run(&["crate"], 1.0, ""), run(&["bollard", "crate"], 1.0, ""));
        assert_eq!(causes(&two, &one, "all/sheet"), ["bollard was added to maps"]);
        assert_eq!(causes(&one, &two, "all/sheet"), ["bollard was removed from maps"]);
        assert!(causes(&one, &one, "all/sheet").is_empty());
    }

    #[test]
    fn many_causes_are_counted() {
        let causes = ["a", "b", "c", "d", "e"].map(|text| Cause {
            text: text.into(),
            at: None,
        });
        assert_eq!(joined(&causes), "a, b, c, and 2 more");
    }
}
