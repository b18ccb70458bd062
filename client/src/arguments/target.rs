//! Which run and which items a command line means. Pure.

use tidemill_proto::{ItemAddress, RunName};

use crate::failure::Failure;

/// Which run is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunPick {
    /// The newest of all.
    Newest,
    /// `harbour-dock.12`, or `harbour-dock` for its newest.
    Named(String),
}

impl RunPick {
    /// From an argument that may be left out.
    pub fn of(text: Option<&str>) -> Self {
        text.map_or(Self::Newest, |text| Self::Named(text.to_owned()))
    }
}

/// One item of one run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ItemTarget {
    /// Of which run.
    pub run: RunPick,
    /// Its address.
    pub item: String,
}

/// Reads `RUN`, `RUN ITEM…`, `RUN/ITEM`, `ITEM…` or nothing. Runs hold no `/`, items exactly one.
pub fn run_and_items(targets: &[String]) -> Result<(RunPick, Vec<String>), Failure> {
    let Some((first, rest)) = targets.split_first() else {
        return Ok((RunPick::Newest, Vec::new()));
    };
    let (run, mut items) = match first.matches('/').count() {
        0 => (RunPick::Named(first.clone()), Vec::new()),
        1 => (RunPick::Newest, vec![first.clone()]),
        _ => match first.split_once('/') {
            Some((run, item)) if run.parse::<RunName>().is_ok() => {
                (RunPick::Named(run.to_owned()), vec![item.to_owned()])
            }
            _ => return Err(not_an_item(first)),
        },
    };
    items.extend(rest.iter().cloned());
    match items.iter().find(|item| item.parse::<ItemAddress>().is_err()) {
        Some(bad) => Err(not_an_item(bad)),
        None => Ok((run, items)),
    }
}

/// Reads a run and exactly one item.
pub fn one_item(targets: &[String]) -> Result<ItemTarget, Failure> {
    let (run, mut items) = run_and_items(targets)?;
    match (items.pop(), items.is_empty()) {
        (Some(item), true) => Ok(ItemTarget { run, item }),
        (Some(_), false) => Err(Failure::wrong("more than one item is named").hint("name one item")),
        (None, _) => Err(Failure::wrong("no item is named")
            .hint("name one behind the run, as in `harbour-dock.12 bollard-large-s11/game`")),
    }
}

/// Reads a run and patterns of addresses behind it. The first argument is the run, unless it holds a `/`.
pub fn run_and_rest(targets: &[String]) -> (RunPick, Vec<String>) {
    match targets.split_first() {
        None => (RunPick::Newest, Vec::new()),
        Some((first, _)) if first.contains('/') || first.contains('*') => (RunPick::Newest, targets.to_vec()),
        Some((first, rest)) => (RunPick::Named(first.clone()), rest.to_vec()),
    }
}

fn not_an_item(text: &str) -> Failure {
    Failure::wrong(format!("`{text}` is no item")).hint(
        "an item is a variant, a group or `all`, a slash, and a step, as in `bollard-large-s11/game`; \
         `tidemill show RUN` lists them",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(words: &[&str]) -> Result<(RunPick, Vec<String>), Failure> {
        run_and_items(&words.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>())
    }

    fn named(run: &str, items: &[&str]) -> (RunPick, Vec<String>) {
        (
            RunPick::Named(run.to_owned()),
            items.iter().map(|item| (*item).to_owned()).collect(),
        )
    }

    #[test]
    fn a_run_and_its_items_read_both_ways() {
        assert_eq!(read(&["harbour-dock.12"]).unwrap(), named("harbour-dock.12", &[]));
        assert_eq!(
            read(&["dock.1", "a/game", "b/game"]).unwrap(),
            named("dock.1", &["a/game", "b/game"])
        );
        assert_eq!(read(&["dock.1/a/game"]).unwrap(), named("dock.1", &["a/game"]));
        assert_eq!(
            read(&["a/game"]).unwrap(),
            (RunPick::Newest, vec!["a/game".to_owned()])
        );
        assert_eq!(read(&[]).unwrap(), (RunPick::Newest, vec![]));
    }

    #[test]
    fn what_is_neither_is_refused() {
        assert!(read(&["dock.1", "game"]).is_err());
        assert!(read(&["dock/a/game"]).is_err());
        assert!(one_item(&["dock.1".to_owned()]).is_err());
    }

    #[test]
    fn patterns_follow_the_run() {
        let words = |list: &[&str]| list.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>();
        assert_eq!(
            run_and_rest(&words(&["dock.1", "a*"])),
            (RunPick::Named("dock.1".into()), words(&["a*"]))
        );
        assert_eq!(
            run_and_rest(&words(&["a*/game"])),
            (RunPick::Newest, words(&["a*/game"]))
        );
    }
}
