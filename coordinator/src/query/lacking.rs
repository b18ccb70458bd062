//! Why nothing fits: the first name in a question of the history that no run has at all, and what is near to it. Pure.

use std::collections::BTreeSet;

use tidemill_proto::v1::SearchRequest;

use super::catalog::Entry;
use super::index::variant_names;
use super::names::{fits, hint, nearest};
use super::search::tool_fits;

/// A sentence for people; empty: every name is known, they only do not come together.
pub fn which_name_is_lacking(all: &[Entry], request: &SearchRequest) -> String {
    let known = |pattern: &str, what: &str, names: &BTreeSet<String>, is_known: bool| {
        (!pattern.is_empty() && !is_known).then(|| {
            let near = nearest(pattern, names.iter().map(String::as_str));
            match (near.is_empty(), names.len()) {
                (true, 1..=8) => {
                    let all: Vec<&str> = names.iter().map(String::as_str).collect();
                    format!("no run has {what} {pattern}; there is {}", all.join(", "))
                }
                _ => format!("no run has {what} {pattern}{}", hint(&near)),
            }
        })
    };
    let plain = |pattern: &str, what: &str, names: BTreeSet<String>| {
        let is_known = names.iter().any(|name| fits(pattern, name));
        known(pattern, what, &names, is_known)
    };
    let runs = || all.iter().map(|entry| &entry.run);
    let indexes = || all.iter().filter_map(|entry| entry.index.as_deref());
    plain(
        &request.manifest,
        "the manifest",
        runs().map(|run| run.manifest.clone()).collect(),
    )
    .or_else(|| {
        let people = runs().map(|run| run.person.clone()).collect();
        plain(&request.person, "the person", people)
    })
    .or_else(|| {
        let steps = indexes().flat_map(|index| index.steps.iter().map(|step| step.name.clone()));
        plain(&request.step, "the step", steps.collect())
    })
    .or_else(|| {
        let agents = indexes().flat_map(|index| index.agents.iter().cloned());
        plain(&request.agent, "the agent", agents.collect())
    })
    .or_else(|| {
        let tools = runs().flat_map(|run| {
            let tools = run.tools.iter();
            tools.map(|tool| format!("{} {}", tool.name, tool.exact))
        });
        let is_known = runs().any(|run| tool_fits(run, &request.tool));
        known(&request.tool, "the tool", &tools.collect(), is_known)
    })
    .or_else(|| {
        if request.variant.is_empty() {
            return None;
        }
        let mut seen = BTreeSet::new();
        let names = indexes()
            .filter(|index| seen.insert(index.variants.as_slice()))
            .flat_map(|index| {
                variant_names(index)
                    .lines()
                    .map(str::to_owned)
                    .collect::<Vec<_>>()
            });
        plain(&request.variant, "the variant", names.collect())
    })
    .unwrap_or_default()
}
